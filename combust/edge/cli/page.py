"""``combust page``: serve readings, visits, sites and plans to any phone, from this machine."""

from __future__ import annotations

import secrets
import socket
from pathlib import Path

import click

from combust.data.errors import CombustError, Fault, need_module
from combust.edge.web.settings import LOOPBACK, PORT, Settings


@click.command("page", short_help="Serve the page for a phone: readings, visits, sites.")
@click.option("--book", metavar="FILE", help="The logbook that visits are written to; it is made when it is not there.")
@click.option("--heaters", metavar="DIR", help="Folder of heater profiles.")
@click.option("--port", default=PORT, show_default=True, type=click.IntRange(1024, 65535), help="Where it listens.")
def command(book: str | None, heaters: str | None, port: int) -> None:
    """Serve the page: readings, visits, sites and plans on any phone.

    Use it at the heater and for people who do not use Python. It answers on this machine only, and asks nothing from
    outside it. Stop it with Ctrl-C.

    \b
    Example:
      combust page --book winter.book --heaters data/heaters

    \b
    Next: combust visit --help   (the same at the keyboard)
    """
    for module in ("starlette", "uvicorn", "multipart", "segno"):
        need_module(module, "web")
    from combust.edge.web.serve import run

    with socket.socket() as probe:
        if probe.connect_ex((LOOPBACK, port)) == 0:
            hint = "Give another one with --port."
            raise CombustError(Fault("port", port, "busy", why="is used by another program", hint=hint))
    click.echo(f"http://{LOOPBACK}:{port}/ (this machine only; Ctrl-C ends it)", err=True)
    run(Settings(secrets.token_bytes(32), Path(book) if book else None, Path(heaters) if heaters else None, port=port))
