"""A server in a process of its own, and asking it as a phone does: for kills, slow senders and signals."""

from __future__ import annotations

import os
import re
import signal
import socket
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path

import httpx2 as httpx

from tests.edge.moments import PATIENCE
from tests.edge.runs import ROOT
from tests.edge.web.phone import form_of

LOOPBACK = "127.0.0.1"


def free_port() -> int:
    """Return a port that nobody has now."""
    with socket.socket() as probe:
        probe.bind((LOOPBACK, 0))
        return int(probe.getsockname()[1])


class Served:
    """``combust page`` in a process of its own, that can be killed and started again on the same port.

    Parameters
    ----------
    book : Path
    port : int, optional
    *more : str
        Further options.
    """

    def __init__(self, book: Path, *more: str, port: int | None = None) -> None:
        self.port = port or free_port()
        self.address = f"http://{LOOPBACK}:{self.port}"
        self._options = [
            "--book",
            str(book),
            "--heaters",
            str(ROOT / "data" / "heaters"),
            "--port",
            str(self.port),
            *more,
        ]
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> Served:
        """Start it; return when it answers."""
        environment = {**os.environ, "PYTHONPATH": str(ROOT)}
        self.process = subprocess.Popen(
            [sys.executable, "-m", "combust", "page", *self._options], env=environment, stderr=subprocess.DEVNULL
        )
        while self.process.poll() is None:
            try:
                httpx.get(f"{self.address}/static/page.css", timeout=PATIENCE)
                return self
            except httpx.TransportError:
                continue
        raise AssertionError(f"it ended with {self.process.returncode}")

    def end(self, how: signal.Signals = signal.SIGTERM) -> int:
        """End it by a signal, and return its code."""
        assert self.process is not None
        if self.process.poll() is None:
            self.process.send_signal(how)
        return self.process.wait(PATIENCE)

    def __enter__(self) -> Served:
        return self.start()

    def __exit__(self, *_ended: object) -> None:
        self.end(signal.SIGKILL)


class Caller:
    """A phone at a server in another process: a cookie, and forms sent as the page's script sends them."""

    def __init__(self, address: str) -> None:
        self.address, self.client = address, httpx.Client(base_url=address, timeout=PATIENCE)

    def get(self, path: str) -> httpx.Response:
        """Ask for a page."""
        return self.client.get(path)

    def post(self, path: str, typed: Mapping[str, str], *, page: str) -> httpx.Response:
        """Send a form of a page with what was typed into it."""
        held = form_of(self.get(page).text, path)
        return self.client.post(path, data={**held, **typed}, headers={"origin": self.address})

    def send(self, path: str, facts: Mapping[str, object], **headers: str) -> httpx.Response:
        """Send a JSON object with a fresh token."""
        token = self.get("/token").json()["token"]
        headers = {"origin": self.address, "x-combust-token": token, **headers}
        return self.client.post(path, json=dict(facts), headers=headers)


def children(pid: int) -> list[int]:
    """Return the processes that a process started and that still run."""
    found = []
    for path in Path("/proc").glob("[0-9]*/stat"):
        try:
            state, parent = path.read_text().rpartition(")")[2].split()[:2]
        except OSError:
            continue
        if int(parent) == pid and state != "Z":
            found.append(int(re.findall(r"\d+", str(path))[0]))
    return found
