"""What the TAB key offers, from an index of all commands: no command is imported, so the answer comes at once.

``combust/data/command_index.json`` is written by ``tools/make_docs.py`` and checked by ``make test``.
"""

from __future__ import annotations

import json
from functools import cache
from importlib import resources
from typing import Any

import click
from click.shell_completion import CompletionItem

from combust.data.errors import CombustError
from combust.data.tables import read_toml


@cache
def command_index() -> dict[str, Any]:
    """Return every command with its parameters and the words that can stand there."""
    text = resources.files("combust.data").joinpath("command_index.json").read_text(encoding="utf-8")
    found: dict[str, Any] = json.loads(text)
    return found


def outline(name: str, row: dict[str, Any] | None = None) -> click.Command:
    """Return a command that knows its options and their words, and does nothing."""
    row = command_index()[name] if row is None else row
    params = [_parameter(each) for each in row["params"]]
    if "commands" not in row:
        return click.Command(name, params=params)
    below = [outline(child, told) for child, told in row["commands"].items()]
    return click.Group(name, params=params, commands=below)


def _parameter(row: dict[str, Any]) -> click.Parameter:
    kind = Offered(row.get("offer", ""), tuple(row.get("words", ())))
    if "opts" not in row:
        return click.Argument([row["name"]], type=kind, required=False, nargs=row["nargs"])
    names = [*row["opts"], row["name"]]
    if row.get("flag"):
        return click.Option(names, is_flag=True, help=row["help"])
    # The other-unit spellings of a quantity are accepted but not offered.
    return click.Option(names, type=kind, multiple=row["multiple"], nargs=row["nargs"], help=row["help"])


class Offered(click.types.StringParamType):
    """A text that knows which words can stand there; what is typed is passed on as it is."""

    def __init__(self, offer: str, words: tuple[str, ...]) -> None:
        self.offer, self.words = offer, words

    def shell_complete(self, ctx: click.Context, param: click.Parameter, incomplete: str) -> list[CompletionItem]:
        """Return what begins with the text typed so far, or ask the shell for file names."""
        if self.offer in ("file", "dir"):
            return [CompletionItem(incomplete, type=self.offer)]
        words = _stages(ctx) if self.offer == "stage" else self.words
        return [CompletionItem(word) for word in words if word.startswith(incomplete)]


def _stages(ctx: click.Context) -> tuple[str, ...]:
    """Return the heat stages of the profile that stands on the line already."""
    given = ctx.params.get("heater") or ctx.params.get("profile")
    if not isinstance(given, str):
        return ()
    try:
        stages = read_toml(given).get("stages")
    except CombustError:  # TAB says nothing about a faulty file; the command itself will
        return ()
    return tuple(stages) if isinstance(stages, dict) else ()
