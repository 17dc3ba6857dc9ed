"""``combust page``: serve readings, visits, sites and plans to any phone, from this machine."""

from __future__ import annotations

import ipaddress
import socket
from contextlib import suppress
from pathlib import Path

import click

from combust.data.errors import CombustError, Fault, need_module
from combust.edge.web.settings import LOOPBACK, PORT, Settings


@click.command("page", short_help="Serve the page for a phone: readings, visits, sites.")
@click.option("--book", metavar="FILE", help="The logbook that visits are written to; it is made when it is not there.")
@click.option("--heaters", metavar="DIR", help="Folder of heater profiles.")
@click.option("--plan", metavar="DIR", help="Folder of a plan made by combust fleet, to be looked at.")
@click.option("--series", metavar="FILE", help="A table that a logger writes while the heater burns, to be watched.")
@click.option("--share", is_flag=True, help="Let phones of this network in, with a pairing code.")
@click.option("--address", metavar="TEXT", help="Address of this machine in that network; asked for when not given.")
@click.option("--port", default=PORT, show_default=True, type=click.IntRange(1024, 65535), help="Where it listens.")
def command(
    book: str | None,
    heaters: str | None,
    series: str | None,
    plan: str | None,
    share: bool,
    address: str | None,
    port: int,
) -> None:
    """Serve the page: readings, visits, sites and plans on any phone.

    Use it at the heater and for people who do not use Python. It answers on this machine only, unless it is shared, and
    asks nothing from outside. Stop it with Ctrl-C.

    \b
    Examples:
      combust page --book winter.book --heaters data/heaters
      combust page --book winter.book --heaters data/heaters --share

    \b
    Next: combust visit --help   (the same at the keyboard)
    """
    for module in ("starlette", "uvicorn", "python_multipart", "segno"):
        need_module(module, "web")
    from combust.edge.web.key import key_beside
    from combust.edge.web.serve import run

    host = shared_address(address) if share else LOOPBACK
    _need_free(host, port)
    settings = Settings(
        key_beside(Path(book) if book else None),
        Path(book) if book else None,
        Path(heaters) if heaters else None,
        host,
        port,
        shared=share,
        plan=Path(plan) if plan else None,
        series=Path(series) if series else None,
    )
    if share:
        _tell_how_to_join(settings)
    else:
        click.echo(f"http://{settings.name}/ (this machine only; Ctrl-C ends it)", err=True)
    run(settings)


def shared_address(address: str | None) -> str:
    """Return the address to be shared, asked for with what this machine says of itself.

    Raises
    ------
    CombustError
        No address of a network of one's own.
    """
    if address is None:
        address = str(click.prompt("Network address of this machine", default=_own_address(), err=True))
    hint = "Give the address of this machine in the network of the workshop, like 192.168.1.20."
    try:
        found = ipaddress.ip_address(address.strip())
    except ValueError as error:
        fault = Fault("address", address, "format", why="is no address of a network", hint=hint)
        raise CombustError(fault) from error
    if found.is_unspecified or found.is_multicast or found.is_global:
        why = "is open to everybody" if found.is_global else "is no address of one machine"
        raise CombustError(Fault("address", address, "refused", why=why, hint=hint))
    return str(found)


def _own_address() -> str:
    """Return the address that this machine would use in its network; nothing is sent."""
    with suppress(OSError), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.connect(("192.0.2.1", 9))  # kept for examples (RFC 5737): nobody is there
        return str(probe.getsockname()[0])
    return LOOPBACK


def _need_free(host: str, port: int) -> None:
    """Refuse a port that is taken, and an address that this machine does not have."""
    try:
        with socket.socket(socket.AF_INET6 if ":" in host else socket.AF_INET) as probe:
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            probe.bind((host, port))
    except OSError as error:
        why = f"cannot be used at {host} ({error.strerror or error})"
        hint = "Give another port with --port, or the right address with --address."
        raise CombustError(Fault("port", port, "busy", why=why, hint=hint)) from error


def _tell_how_to_join(settings: Settings) -> None:
    """Print link, QR code, pairing codes and what everyone on the network can do."""
    from combust.edge.web.qr import text_of
    from combust.edge.web.seats import ROLES, Seats
    from combust.edge.web.texts import texts

    link, seats, said = f"http://{settings.name}/", Seats(settings.key), texts()
    click.echo(text_of(link), err=True)
    click.echo(f"{link} (Ctrl-C ends it)", err=True)
    for role in ROLES[:0:-1]:
        code = seats.code_of(role)
        click.echo(f"{said['share']['code'].format(role=said['role'][role])}: {code[:4]} {code[4:]}", err=True)
    click.echo(said["pair"]["plain"], err=True)
