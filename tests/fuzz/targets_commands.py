"""Fuzz targets of the commands: any options, run in this process through click, one target for each command."""

from __future__ import annotations

import re
import shlex
from collections.abc import Callable
from functools import cache
from pathlib import Path

import click

from combust.edge.cli.main import COMMANDS, cli
from tests.fuzz.registry import target, text_of
from tests.fuzz.sandbox import BOUNDED, LEFT_OUT, Sandbox, inputs

# Thousands of inputs of a whole run: what computes more in an input gets fewer of them.
SHARES = {
    "reading": 6, "readings": 3, "cause": 0.6, "profile": 8, "duct": 6, "site": 2, "fleet": 0.3, "fuel": 10,
    "start": 8, "supply": 6, "log": 4, "history": 2, "visit": 3, "mystery": 1, "exercises": 1, "page": 3,
    "demo": 0.05, "word": 5, "completion": 2, "right": 0.6, "share": 1, "learn": 1,
}  # fmt: skip
FILES = {
    "data/heaters/heater-0312.toml": "h.toml", "data/heaters/heater-0107.toml": "g.toml",
    "data/larkfell_readings.csv": "t.csv", "data/larkfell_visits.csv": "visits.csv",
    "data/larkfell_winters.csv": "winters.csv", "data/larkfell_series.csv": "series.csv",
    "data/larkfell_fleet/vehicles.csv": "vehicles.csv",
    "data/larkfell_fleet/sites.csv": "sites.csv", "data/larkfell_fleet/routes.csv": "routes.csv",
    "winter.book": "w.book",
}  # fmt: skip


@cache
def sandbox() -> Sandbox:
    """Return the one sandbox of this process."""
    return Sandbox()


def arguments_of(command: str, data: bytes) -> list[str]:
    """Return an input as arguments, one on each line: none that no system hands over or that leaves the sandbox."""
    lines = [line.replace("/", "").replace("\0", "") for line in text_of(data).split("\n")]
    kept = [line for line in lines if not line.startswith(LEFT_OUT)]
    for option, value in BOUNDED.items():
        kept = [f"{option}={value}" if line.startswith(f"{option}=") else line for line in kept]
        kept = [value if before == option else line for before, line in zip(["", *kept], kept, strict=False)]
    return [command, *kept] if kept != [""] else [command]


def subcommands(name: str) -> dict[str, click.Command]:
    """Return "" -> the command, or its sub-commands by name."""
    command = cli.get_command(click.Context(cli), name)
    assert command is not None
    return dict(command.commands) if isinstance(command, click.Group) else {"": command}


def words_of(name: str) -> list[str]:
    """Return every option of a command, words it chooses from, and the files of the sandbox."""
    words = {
        "--json",
        "--help",
        "\n",
        "out",
        "x.png",
        "x.csv",
        "x.parquet",
        "x.html",
        "x.toml",
        "nan",
        "inf",
        "-1",
        "1e9",
    }
    words |= set(inputs())
    for sub, command in subcommands(name).items():
        words.add(sub)
        for parameter in command.params:
            words |= {f"{option}=" for option in parameter.opts if option.startswith("-")}
            words |= set(getattr(parameter.type, "choices", ()))
    return sorted(words - {""})


def examples_of(name: str) -> Callable[[], list[bytes]]:
    """Return a function that gives the examples of a command's help as inputs."""

    def seeds() -> list[bytes]:
        commands = [cli.get_command(click.Context(cli), name), *subcommands(name).values()]
        texts = [command.help or "" for command in commands if command]
        lines = [line.strip() for text in texts for line in re.sub(r"\\\n\s*", "", text).splitlines()]
        found = []
        for line in lines:
            if line.startswith(f"combust {name}"):
                parts = [FILES.get(part, Path(part).name if "/" in part else part) for part in shlex.split(line)[2:]]
                found += ["\n".join(parts).encode(), "\n".join([*parts, "--json"]).encode()]
        return found or [b"--json"]

    return seeds


def register(name: str, share: float) -> None:
    """Register the target of one command."""

    def run(data: bytes) -> None:
        sandbox().run(arguments_of(name, data))

    run.__name__ = f"command_{name}"
    run.__doc__ = f"Any options of combust {name}: a known exit code, no traceback, one JSON object where asked for."
    target(share, examples_of(name), lambda: words_of(name))(run)


for command_name in COMMANDS:
    register(command_name, SHARES[command_name])
