"""What the TAB key offers where a text stands: the words that can stand there, or files and folders."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from importlib import import_module

import click
from click.shell_completion import CompletionItem

from combust.data.errors import CombustError
from combust.data.tables import load_table, read_toml
from combust.data.vocabulary import inputs, quantities
from combust.domain.limits import finding_kinds

FILES = ("FILE", "PROFILE", "[VISITS or BOOK]", "IN", "LOG", "BOOK", "[BOOK]")


VERBS = ("repair", "adjusted", "note", "unchecked", "check", "missing", "event", "next", "at", "high", "low")


class Offered(click.types.StringParamType):
    """A text that knows which words can stand there; what is typed is passed on as it is."""

    def shell_complete(self, ctx: click.Context, param: click.Parameter, incomplete: str) -> list[CompletionItem]:
        """Return what begins with the text typed so far, or ask the shell for file names."""
        words = words_of(ctx, param)
        if not words and param.metavar in (*FILES, "DIR"):
            return [CompletionItem(incomplete, type="dir" if param.metavar == "DIR" else "file")]
        return [CompletionItem(word) for word in words if word.startswith(incomplete)]


def offer_words(command: click.Command) -> click.Command:
    """Let every text of a command and its sub-commands know its words."""
    for param in command.params:
        if param.type is click.STRING:
            param.type = Offered()
    for below in getattr(command, "commands", {}).values():
        offer_words(below)
    return command


def words_of(ctx: click.Context, param: click.Parameter) -> list[str]:
    """Return the words that can stand at a parameter, none for free text, numbers and files."""
    name = str(param.name)
    known = quantities().get(name)
    if known is not None and known.kind == "choice":
        return list(known.choices)
    if name == "stage":
        return _stages(ctx)
    if name == "words":
        return _of_a_visit(ctx)
    if name == "pump" and param.metavar != "WORD":
        return []
    words = WORDS.get("fuel" if (name, ctx.info_name) == ("name", "fuel") else name)
    return list(words()) if words else []


def causes(kind: str = "cause", *, more: Iterable[str] = (), mark: str = "") -> list[str]:
    """Return the causes, or the checks, with what can be said beside them."""
    return [*more, *(f"{word}{mark}" for word in load_table("causes")[kind])]


def fuels() -> list[str]:
    """Return the names and aliases of the shipped fuels."""
    shipped = load_table("fuels")
    return sorted({*shipped["fuel"], *shipped["mixture"], *shipped["alias"]})


# name of a parameter -> the words that can stand there
WORDS: dict[str, Callable[[], Iterable[str]]] = {
    "fuel": fuels,
    "fuel_name": fuels,
    "analyser_fuel": fuels,
    "pump": lambda: import_module("combust.application.visit.start_phases").PUMP,
    "strip_down": lambda: causes(more=("nothing_found",)),
    "excluded": causes,
    "said": lambda: causes(mark="="),
    "steps": lambda: causes("check", more=load_table("mystery")["action"]),
    "instrument_class": lambda: load_table("instruments")["class"],
    "kind": lambda: import_module("combust.application.lessons.exercises").exercise_kinds(),
    "fed": lambda: import_module("combust.application.visit.supply").WHERE_FED,
    "emergency": lambda: finding_kinds("emergency"),
    "word": lambda: dict.fromkeys(entry.word for entry in import_module("combust.application.words").entries()),
}


def _of_a_visit(ctx: click.Context) -> list[str]:
    """Return what can be typed next into a visit: the choices of the word before, else every word."""
    headings, said = (import_module(f"combust.{name}") for name in ("edge.tables.headings", "application.visit.words"))
    known = {**inputs(), **said.SAID}
    before = [*(ctx.params.get("words") or ())][-1:]
    key = headings.named(before[0], known) if before else None
    if key and known[key].choices:
        return list(known[key].choices)
    choices = (choice for name, record in known.items() if name not in said.NOT_ALONE for choice in record.choices)
    return list(dict.fromkeys([*known, *headings.USUAL_WORDS, *choices, *VERBS]))


def _stages(ctx: click.Context) -> list[str]:
    """Return the heat stages of the profile that stands on the line already."""
    given = ctx.params.get("heater") or ctx.params.get("profile")
    try:
        return list(read_toml(given)["stages"]) if isinstance(given, str) else []
    except (CombustError, KeyError, TypeError):  # TAB says nothing about a faulty file; the command itself will
        return []
