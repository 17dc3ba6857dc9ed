"""How every command speaks: stops on both streams, results on stdout, other findings and cautions on stderr."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

import click

from combust.data.errors import CombustError
from combust.data.told import text_of_rows
from combust.domain.limits import cautions
from combust.domain.result import Result, plain
from combust.domain.safety import Safety

if TYPE_CHECKING:
    from combust.application.visit.record import Section

EXIT_REJECTED = 3
EXIT_STRICT = 4


def say_json(value: Any) -> None:
    """Print a result, or what is plain, as exactly one JSON object on stdout."""
    click.echo(json_text(value, getattr(sys.stdout, "encoding", None) or "utf-8"))


def json_text(value: Any, encoding: str = "utf-8") -> str:
    """Return a value as JSON, safety first; characters that the encoding lacks are written as escapes."""
    value = plain(value)
    if isinstance(value, dict) and "safety" in value:
        value = {"safety": value["safety"], **value}
    text = json.dumps(value, ensure_ascii=False, allow_nan=False, indent=2)
    try:
        text.encode(encoding)
    except UnicodeEncodeError:
        return json.dumps(value, allow_nan=False, indent=2)
    return text


def text_of_table(columns: Mapping[str, str], rows: Iterable[Mapping[str, Any]]) -> str:
    """Return rows as a table with aligned columns: heading -> ``key`` or ``key:format``; what is None is left empty."""
    cells = [[*columns]]
    for row in rows:
        found = [(row.get(key), pattern) for key, _, pattern in (column.partition(":") for column in columns.values())]
        cells.append(["" if value is None else format(value, pattern) for value, pattern in found])
    widths = [max(map(len, column)) for column in zip(*cells, strict=True)]
    cells.insert(1, ["-" * width for width in widths])
    return "\n".join("  ".join(map(str.ljust, line, widths)).rstrip() for line in cells)


def text_of_section(part: Section) -> str:
    """Return a table under its title, its note below, or what stands there without a row."""
    rows = [{str(number): cell for number, cell in enumerate(row)} for row in part.rows]
    if not rows:
        return f"{part.title}\n{part.nothing}"
    table = text_of_table({word: str(number) for number, word in enumerate(part.head)}, rows)
    return "\n".join(filter(None, [part.title, table, part.note]))


def tell_safety(safety: Safety, *, as_json: bool = False) -> None:
    """Print the safety state before anything else: on stderr, and what alarms on stdout too.

    Whoever throws stderr away still reads a stop; with ``--json`` it is the first field of the object on stdout.
    """
    for text in safety.lines():
        click.secho(text, err=True, bold=safety.alarming)
        if safety.alarming and not as_json:
            click.echo(text)


def text_of_result(result: Result, *, wrap: int = 0) -> str:
    """Return the rows of a result, then what was assumed, each with its origin."""
    assumed = [(f"assumed {one.quantity}", f"{one.shown} ({one.origin})") for one in getattr(result, "assumed", ())]
    return "\n".join(filter(None, [text_of_rows(result.lines(), wrap=wrap), text_of_rows(assumed)]))


def tell_rest(safety: Safety, *, in_full: bool = False) -> None:
    """Print warnings, notes and cautions on stderr; what stood at the head is not said again."""
    head = safety.lines()
    for finding in safety.findings:
        if finding.severity != "stop" and finding.text not in head:
            click.echo(f"{finding.severity}: {finding.text}", err=True)
    tell_cautions(in_full=in_full or bool(safety.stops))


def tell_notes(notes: Iterable[str]) -> None:
    """Print what is to be told of a table on stderr."""
    for text in notes:
        click.echo(f"note: {text}", err=True)


def tell_cautions(*, in_full: bool = True) -> None:
    """Print the cautions on stderr: in full with a stop, at the opening of a visit and on sheets, else as one line."""
    for text in cautions(in_full=in_full):
        click.echo(f"caution: {text}", err=True)


def complain(error: CombustError, *, as_json: bool = False) -> None:
    """Print every fault of a refused input on stderr, and with ``--json`` as the one object on stdout.

    Stops that its acceptable values hold come first; that nothing was found is never said of a refused input.
    """
    first = {}
    if error.safety is not None and error.safety.stops:
        tell_safety(error.safety, as_json=as_json)
        first = {"safety": error.safety.to_dict()}
    if as_json:
        say_json({**first, "error": "input rejected", "faults": [fault.to_dict() for fault in error.faults]})
    click.echo("Not accepted, nothing was computed:", err=True)
    for fault in error.faults:
        click.echo(f"- {fault}", err=True)
