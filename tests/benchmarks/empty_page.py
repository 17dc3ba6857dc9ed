"""The least that Starlette and uvicorn can serve: the peer of the page. Run as a program with a port."""

from __future__ import annotations

import sys

import uvicorn
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import PlainTextResponse
from starlette.routing import Route


async def empty(request: Request) -> PlainTextResponse:
    """Take whatever comes and answer nothing."""
    await request.body()
    return PlainTextResponse("")


if __name__ == "__main__":
    app = Starlette(routes=[Route("/{path:path}", empty, methods=["GET", "POST"])])
    uvicorn.run(app, host="127.0.0.1", port=int(sys.argv[1]), log_level="error", access_log=False)
