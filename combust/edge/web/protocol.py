"""HTTP as uvicorn speaks it, and a connection that does not say what it wants in time is ended."""

from __future__ import annotations

import asyncio
from typing import Any

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

HEADER_SECONDS = 10.0


class InTime(H11Protocol):
    """A connection whose head of a request comes within some seconds, or it is closed."""

    _late: asyncio.TimerHandle | None = None

    def connection_made(self, transport: Any) -> None:
        """Begin to wait for the first request."""
        super().connection_made(transport)
        self._wait()

    def data_received(self, data: bytes) -> None:
        """Take bytes; while a head is not whole the time runs."""
        super().data_received(data)
        if self.conn.their_state is not h11.IDLE:
            self._stop()
        elif self._late is None:
            self._wait()

    def connection_lost(self, exc: Exception | None) -> None:
        """End the waiting."""
        self._stop()
        super().connection_lost(exc)

    def _wait(self) -> None:
        self._late = self.loop.call_later(HEADER_SECONDS, self.transport.close)

    def _stop(self) -> None:
        if self._late is not None:
            self._late.cancel()
            self._late = None
