"""The server: the app from its settings, and running it until it is ended."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from typing import Any

import anyio.to_thread
from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.middleware.gzip import GZipMiddleware
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from combust.data.errors import CombustError
from combust.edge.web.asked import Asked, House, status_of
from combust.edge.web.class_hall import Hall
from combust.edge.web.guard import Guard
from combust.edge.web.point import Point
from combust.edge.web.pool import WORKERS, Pool
from combust.edge.web.seats import NOBODY, Seats
from combust.edge.web.settings import Settings
from combust.edge.web.texts import texts
from combust.edge.web.ways import WAYS

MOST_CONNECTIONS = 256
MOST_THREADS = 120  # a class that waits for sixty mystery heaters leaves threads to all others
WARM_AFTER = 2.0  # seconds: the first screen goes before what the others load


def make_app(
    settings: Settings, seats: Seats | None = None, pool: Pool | None = None, hall: Hall | None = None
) -> Starlette:
    """Return the app of one server.

    Parameters
    ----------
    settings : Settings
    seats : Seats, optional
        With a clock of its own, for tests.
    pool : Pool, optional
        Default without processes.
    hall : Hall, optional
        Of the class, with a clock of its own, for tests.
    """
    house = House(settings, seats or Seats(settings.key), pool or Pool(), hall or Hall(settings.book))
    routes: list[Any] = [Route(way.path, Point(way, house), methods=[way.method]) for way in WAYS]
    routes.append(Mount("/static", StaticFiles(packages=[("combust.edge.web", "static")])))

    async def refused(request: Request, error: Exception) -> Response:
        """Say in words what went wrong, with the stops that were typed."""
        return refusal(Asked(request, house, NOBODY), error)

    @asynccontextmanager
    async def alive(_app: Starlette) -> AsyncIterator[None]:
        anyio.to_thread.current_default_thread_limiter().total_tokens = MOST_THREADS
        try:
            yield
        finally:
            await asyncio.to_thread(house.pool.close)

    app = Starlette(
        routes=routes,
        lifespan=alive,
        middleware=[
            Middleware(Guard, settings=settings),
            Middleware(GZipMiddleware, minimum_size=1000, compresslevel=4),
        ],
        exception_handlers={HTTPException: refused, CombustError: refused, 500: refused},
    )
    app.router.redirect_slashes = False
    return app


def refusal(asked: Asked, error: Exception) -> Response:
    """Return what a refused request is answered: a page, or a JSON object where one was asked for."""
    status, said, stops, faults = 500, [texts()["refused"]["fault"]], None, []
    if isinstance(error, CombustError):
        status, said = status_of(error), [str(one) for one in error.faults]
        faults = [one.to_dict() for one in error.faults]
        stops = error.safety if error.safety is not None and error.safety.stops else None
    elif isinstance(error, HTTPException):
        status = error.status_code
        said = [texts()["refused"]["missing"] if status in (404, 405) else error.detail]
    if asked.request.url.path.startswith("/api/"):
        first = {"safety": stops.to_dict()} if stops else {}
        error_said = "input rejected" if faults else " ".join(said)
        answer: Response = asked.say({**first, "error": error_said, "faults": faults}, status)
    else:
        answer = asked.show("refused", status, safety=stops, said=said)
    answer.headers.update(getattr(error, "headers", None) or {})
    return answer


def run(settings: Settings) -> None:
    """Serve until Ctrl-C or a signal ends it; its processes end with it."""
    import uvicorn

    from combust.edge.web.protocol import InTime

    pool = Pool(WORKERS if settings.shared else 0)
    late = threading.Timer(WARM_AFTER, warm, [pool, settings])
    late.daemon = True
    late.start()
    uvicorn.run(make_app(settings, pool=pool), host=settings.host, port=settings.port, http=InTime, ws="none",
                log_level="warning", access_log=False, server_header=False, proxy_headers=False,
                limit_concurrency=MOST_CONNECTIONS, timeout_graceful_shutdown=5)  # fmt: skip


def warm(pool: Pool, settings: Settings) -> None:
    """Load what the pages need, before somebody waits for it."""
    with suppress(Exception):  # whoever asks is told
        for way in WAYS:
            way.load()
        pool.warm()
        if settings.plan:
            pool.plan(settings.plan)
