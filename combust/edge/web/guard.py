"""What stands before every page: whose names are answered, what a browser may load, and bytes counted as they come."""

from __future__ import annotations

from typing import Any

from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from combust.edge.web.settings import Settings
from combust.edge.web.texts import texts

# Own files only, nothing inline, no frames. "same-origin" and not "no-referrer": that one makes a form's Origin "null".
HEADERS = {
    "content-security-policy": "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self'; "
    "connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'",
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "geolocation=(), microphone=(), camera=()",
}


class Guard:
    """Answers no other name than the server's own, and puts the content policy on whatever is answered.

    Parameters
    ----------
    app
        What is behind it.
    settings : Settings
    """

    def __init__(self, app: ASGIApp, settings: Settings) -> None:
        self.app, self.settings = app, settings

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] == "websocket":
            await send({"type": "websocket.close", "code": 1008})
            return
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return

        async def sent(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)  # a sheet has its own style, told by its hash
                if not scope["path"].startswith("/static/"):
                    headers["cache-control"] = "no-store"
                elif scope["query_string"].startswith(b"v=") and message["status"] == 200:
                    headers["cache-control"] = "max-age=31536000, immutable"  # its stamp changes with what is in it
            await send(message)

        # A name that is not ours is how a page of another site reaches this machine (DNS rebinding).
        named = Headers(scope=scope).getlist("host")
        if len(named) != 1 or named[0].lower() not in self.settings.hosts:
            await PlainTextResponse(texts()["refused"]["host"], 421)(scope, receive, sent)
            return
        await self.app(scope, receive, sent)


def counted(receive: Receive, most: int) -> Receive:
    """Return a receiver that ends a body as soon as it is longer than it may be, whatever length was announced.

    Parameters
    ----------
    receive
    most : int
        Bytes.

    Returns
    -------
    Receive
        Raises HTTPException 413 when there are more.
    """
    seen = 0

    async def receive_counted() -> Any:
        nonlocal seen
        message = await receive()
        seen += len(message.get("body", b""))
        if seen > most:
            raise HTTPException(413, texts()["refused"]["too_large"])
        return message

    return receive_counted
