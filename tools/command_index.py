"""The index of all commands for the TAB key: parameters, and the words that can stand at each."""

from __future__ import annotations

import importlib
from typing import Any

import click

from combust.application.mystery.rules import table
from combust.application.visit.record import CHECKS, EVENTS, HEAD
from combust.application.visit.start_phases import PUMP
from combust.application.visit.supply import WHERE_FED
from combust.application.words import entries
from combust.data.tables import load_table
from combust.data.vocabulary import quantities
from combust.domain.limits import finding_kinds
from combust.edge.cli.main import COMMANDS

FILES = ("FILE", "PROFILE", "[VISITS]", "IN", "LOG", "BOOK")
FUELS = ("fuel", "fuel_name", "analyser_fuel")


def commands() -> dict[str, click.Command]:
    """Return every command, imported, in the order of the map."""
    return {name: importlib.import_module(module).command for name, (module, _) in COMMANDS.items()}


def index() -> dict[str, Any]:
    """Return the index as plain values."""
    return {name: _row(command) for name, command in commands().items()}


def _row(command: click.Command) -> dict[str, Any]:
    row: dict[str, Any] = {"params": [_param(command, param) for param in command.params if not _hidden(param)]}
    if isinstance(command, click.Group):
        row["commands"] = {name: _row(each) for name, each in command.commands.items()}
    return row


def _hidden(param: click.Parameter) -> bool:
    return isinstance(param, click.Option) and param.hidden


def _param(command: click.Command, param: click.Parameter) -> dict[str, Any]:
    row: dict[str, Any] = {"name": param.name, "nargs": param.nargs}
    if isinstance(param, click.Option):
        row |= {"opts": [*param.opts, *param.secondary_opts], "multiple": param.multiple, "help": param.help}
        if param.is_flag:
            return {**row, "flag": True}
    place = str(param.metavar or "")
    words = _words(command, param)
    if param.name == "stage" and any(each.name in ("heater", "profile") for each in command.params):
        row["offer"] = "stage"
    elif words:
        row["words"] = words
    elif place in FILES or isinstance(param.type, click.Path):
        row["offer"] = "file"
    elif place == "DIR":
        row["offer"] = "dir"
    return row


def _words(command: click.Command, param: click.Parameter) -> list[str]:
    """Return the words that can stand at a parameter, none for free text, numbers and files."""
    name = str(param.name)
    if isinstance(param.type, click.Choice):
        return [str(word) for word in param.type.choices]
    known = quantities().get(name)
    if known is not None and known.kind == "choice":
        return list(known.choices)
    if name in FUELS or (command.name == "fuel" and name == "name"):
        return fuel_words()
    if name == "pump" and param.metavar == "WORD":
        return list(PUMP)
    causes, checks = list(load_table("causes")["cause"]), list(load_table("causes")["check"])
    told = {
        "checks": [f"{check}=" for check in CHECKS],
        "strip_down": ["nothing_found", *causes],
        "excluded": causes,
        "said": [f"{cause}=" for cause in causes],
        "steps": [*checks, *table()["action"]],
        "events": list(EVENTS),
        "instrument_class": list(load_table("instruments")["class"]),
        "fed": list(WHERE_FED),
        "emergency": list(finding_kinds("emergency")),
        "word": list(dict.fromkeys(entry.word for entry in entries())),
    }
    return told.get(name, list(HEAD[name].choices) if name in HEAD else [])


def fuel_words() -> list[str]:
    """Return the names and aliases of the shipped fuels."""
    shipped = load_table("fuels")
    return sorted({*shipped["fuel"], *shipped["mixture"], *shipped["alias"]})
