"""The server: the app from its settings, and running it until it is ended."""

from __future__ import annotations

from typing import Any

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.middleware.gzip import GZipMiddleware
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from combust.data.errors import CombustError
from combust.edge.web.asked import Asked, House
from combust.edge.web.guard import Guard
from combust.edge.web.seats import Seat, Seats
from combust.edge.web.settings import Settings
from combust.edge.web.texts import texts
from combust.edge.web.ways import WAYS, Point

NOBODY = Seat("", "learner")


def make_app(settings: Settings, seats: Seats | None = None) -> Starlette:
    """Return the app of one server.

    Parameters
    ----------
    settings : Settings
    seats : Seats, optional
        With a clock of its own, for tests.
    """
    house = House(settings, seats or Seats(settings.key))
    routes: list[Any] = [Route(way.path, Point(way, house), methods=[way.method]) for way in WAYS]
    routes.append(Mount("/static", StaticFiles(packages=[("combust.edge.web", "static")])))

    async def refused(request: Request, error: Exception) -> Response:
        """Say in words what went wrong, with the stops that were typed."""
        asked = Asked(request, house, NOBODY)
        if isinstance(error, CombustError):
            return asked.show("refused", 422, safety=_stops_of(error), said=[str(one) for one in error.faults])
        known = isinstance(error, HTTPException)
        status = error.status_code if isinstance(error, HTTPException) else 500
        said = texts()["refused"].get("missing") if status in (404, 405) else getattr(error, "detail", None)
        return asked.show("refused", status, said=[said if known and said else texts()["refused"]["fault"]])

    return Starlette(
        routes=routes,
        middleware=[Middleware(Guard, settings=settings), Middleware(GZipMiddleware, minimum_size=1000)],
        exception_handlers={HTTPException: refused, CombustError: refused, 500: refused},
    )


def _stops_of(error: CombustError) -> Any:
    """Return the safety of a refusal where it stops; that nothing was found is never said of a refused input."""
    return error.safety if error.safety is not None and error.safety.stops else None


def run(settings: Settings) -> None:
    """Serve until Ctrl-C or a signal ends it."""
    import uvicorn

    uvicorn.run(make_app(settings), host=settings.host, port=settings.port, log_level="warning", access_log=False,
                server_header=False, timeout_graceful_shutdown=5)  # fmt: skip
