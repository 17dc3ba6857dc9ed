"""``combust page``: serve a page for people without Python on this machine."""

from __future__ import annotations

import os
import socket
import sys
from pathlib import Path

import click

from combust.data.errors import CombustError, Fault, need_module
from combust.edge.demo_data import folder_with

# name of a page -> its notebook. Every page is a notebook of widgets without visible code.
PAGES = {"reading": "20_type_a_reading.ipynb", "mystery": "22_mystery_heater.ipynb"}
LOOPBACK = "127.0.0.1"


@click.command("page", short_help="Serve a page for readings or a mystery heater, offline.")
@click.argument("name", required=False, default="reading", type=click.Choice(list(PAGES)))
@click.option("--port", default=8432, show_default=True, type=click.IntRange(1024, 65535), help="On this machine.")
@click.option("--notebooks", "folder", metavar="DIR", help="Folder with the notebooks (default: the project's).")
@click.option("--no-browser", is_flag=True, help="Only serve; open the address yourself.")
def command(name: str, port: int, folder: str | None, no_browser: bool) -> None:
    """Serve a page for typing readings, without code, offline.

    Use it for people who do not use Python. The page answers on this machine only and asks nothing from outside it.
    Stop it with Ctrl-C.

    \b
    Example:
      combust page reading --no-browser

    \b
    Next: combust reading --help   (the same on the command line)
    """
    click.echo(f"http://{LOOPBACK}:{port}/ (this machine only; Ctrl-C ends it)", err=True)
    need_module("voila", "notebooks")
    with socket.socket() as probe:
        if probe.connect_ex((LOOPBACK, port)) == 0:
            hint = "Give another one with --port."
            raise CombustError(Fault("port", port, "busy", why="is used by another program", hint=hint))
    arguments, environment = server(find_notebook(PAGES[name], folder), port, browser=not no_browser)
    serve(arguments, environment)


def serve(arguments: list[str], environment: dict[str, str]) -> None:
    """Become the page server: whoever ends this process ends the server, which ends its kernels."""
    sys.stdout.flush()
    sys.stderr.flush()
    os.execve(arguments[0], arguments, environment)


def server(notebook: Path, port: int, *, browser: bool) -> tuple[list[str], dict[str, str]]:
    """Return (command line, environment) of the page server for one notebook, bound to the loopback address."""
    arguments = [sys.executable, "-m", "voila", str(notebook), f"--port={port}", f"--Voila.ip={LOOPBACK}"]
    arguments += ["--template=combust_page", "--strip_sources=True"]
    arguments += [] if browser else ["--no-browser"]
    template = str(Path(__file__).parents[1] / "page")
    # The template lies in our folder, and beside it voila.json with the content policy.
    ours = {
        key: os.pathsep.join([template, *filter(None, [os.environ.get(key)])])
        for key in ("JUPYTER_PATH", "JUPYTER_CONFIG_PATH")
    }
    return arguments, {**os.environ, **ours}


def find_notebook(file: str, folder: str | None) -> Path:
    """Return the path of a page's notebook.

    Raises
    ------
    CombustError
        No such notebook there.
    """
    places = [Path(folder)] if folder else [Path(__file__).parents[3] / "notebooks", Path("notebooks")]
    return folder_with(file, places, "notebooks") / file
