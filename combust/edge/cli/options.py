"""Command-line options made from the vocabulary: the same words with dashes, the unit in the help."""

from __future__ import annotations

import functools
import statistics
from collections.abc import Callable, Iterable, Mapping, Sequence
from types import MappingProxyType
from typing import Any

import click

from combust.data.arguments import two_ways
from combust.data.errors import CombustError, Fault
from combust.data.fields import Field, as_number, is_missing
from combust.data.units import SYSTEMS, in_other_units, in_our_unit
from combust.data.vocabulary import input_keys, inputs, quantities, quantity
from combust.domain.catalogue import Catalogue
from combust.domain.reading import REPEATED, check_values
from combust.domain.result import many
from combust.domain.safety import Safety
from combust.edge.cli.files import TABLES, Written

Decorator = Callable[[Callable[..., Any]], Callable[..., Any]]


def with_point(value: Any) -> Any:
    """Return the text of a number that was typed with a decimal comma with a point, by the one reader of cells.

    What is no number, or can be read in two ways, stays as it was typed: whoever checks the value refuses it.
    """
    if not isinstance(value, str) or "," not in value:
        return value
    from combust.edge.tables.cells import UNKNOWN, read_cell

    cell = read_cell(value, UNKNOWN)
    return value if cell.why or cell.bound or cell.number != cell.number else repr(cell.number)


def as_cell(value: Any, record: Field, key: str) -> Any:
    """Return the text of a number without the unit behind it, brought to the unit of its key as a cell of a table is.

    What a cell of that heading could not hold stays as it was typed: whoever checks the value refuses it.
    """
    plain = with_point(value)
    if not isinstance(plain, str) or as_number(plain) is not None or not any(map(str.isdigit, plain)):
        return plain
    if two_ways(plain, record.unit):
        return value
    from combust.edge.tables.cells import UNKNOWN
    from combust.edge.tables.convert import read_with_unit
    from combust.edge.tables.headings import Heading

    heading = Heading(key, record.key, None if key == record.key else key)
    cell, entered, _ = read_with_unit(plain, record, heading, UNKNOWN if "," in plain else ".")
    if cell.why or cell.number != cell.number or (heading.foreign and entered != heading):
        return value
    convert = in_our_unit(entered.foreign or record.key, {record.key: record})[1] if entered != heading else None
    if cell.bound:
        return value if convert else f"{cell.bound}{cell.number!r}"
    return repr(convert(cell.number) if convert else cell.number)


class Typed(click.types.StringParamType):
    """The text of a number under a key, which whoever takes it checks."""

    def __init__(self, record: Field, key: str) -> None:
        self.record, self.key = record, key

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return the text with a decimal point, in the unit of its key."""
        return as_cell(value, self.record, self.key)


class TypedFloat(click.types.FloatParamType):
    """A number that is checked as it is typed."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return the number; click refuses what is none."""
        return super().convert(with_point(value), param, ctx)


fuels_option = click.option("--fuels", "fuels_file", metavar="FILE", help="TOML file with fuels of your own.")
rejects_option = click.option(
    "--rejects",
    type=Written(*TABLES, own=("reasons",)),
    metavar="FILE",
    help="Where refused rows go, with their reasons.",
)
instrument_option = click.option("--instrument-class", metavar="NAME", help="Analyser: portable, garage_0, or a .toml.")

units_option = click.option(
    "--units",
    "units_of_person",
    type=click.Choice([*SYSTEMS]),
    default="metric",
    envvar="COMBUST_UNITS",
    show_envvar=True,
    help="Units that results are told in; JSON and files stay metric. What is typed has the unit of its option, "
    "or the one behind it.",
)

MADE_WITH_A_KEY = "With a new book: its key, kept elsewhere; made where there is none."


def key_option(text: str = MADE_WITH_A_KEY) -> Decorator:
    """Return a decorator that adds ``--key-file``: given once when a book is made, and to verify it."""
    return click.option("--key-file", metavar="FILE", help=text)


def table_options(function: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command that reads a table ``--map``, ``--set`` and ``--save-map``; it gets them as ``mapping``."""
    texts = {
        "--save-map": "Write what --map and --set say to a .toml file, to be named again with --map.",
        "--set": "What the whole table has in common, such as location=outdoors; give it again.",
        "--map": "Say what a column holds, or name a saved map (.toml); give it again. "
        "Of several maps a table takes those whose headings it has.",
    }
    function = click.option(
        "--save-map", type=Written(".toml", own=("# What the headings",)), metavar="FILE", help=texts["--save-map"]
    )(function)
    function = click.option("--set", "fixed", multiple=True, metavar="KEY=VALUE", help=texts["--set"])(function)
    return click.option("--map", "map_pairs", multiple=True, metavar="HEADING=KEY", help=texts["--map"])(function)


def quantity_options(keys: Iterable[str] | None = None, *, skip: Sequence[str] = ()) -> Decorator:
    """Return a decorator that adds one option for each quantity (all inputs by default), and its other-unit twins."""
    options: list[Decorator] = []
    for key in keys or input_keys():
        if key not in skip:
            more = "; give it again for repeats" if key in REPEATED else ""
            options.append(field_option(quantity(key), more=more, multiple=True))
            options += twin_options(key, quantities(), multiple=True)
    return together(options)


def together(options: Iterable[Decorator]) -> Decorator:
    """Return one decorator that adds options, in their order."""
    return lambda function: functools.reduce(lambda made, option: option(made), [*options][::-1], function)


def field_options(fields: Iterable[Field], names: Mapping[str, str] = MappingProxyType({})) -> Decorator:
    """Return a decorator that adds one option for each record of a field, and its other-unit twins.

    ``names`` are those that are not its key.
    """
    known = {record.key: record for record in fields}
    options = [field_option(record, names.get(key)) for key, record in known.items()]
    return together([*options, *(twin for key in known for twin in twin_options(key, known))])


def twin_options(key: str, known: Mapping[str, Field], *, multiple: bool = False) -> list[Decorator]:
    """Return the options of a key in other units; the help does not list them."""
    names = in_other_units(key, known)
    types = {twin: Typed(known[key], twin) for twin in names}
    return [click.option(_long(twin), twin, hidden=True, multiple=multiple, type=types[twin]) for twin in names]


def field_option(record: Field, name: str | None = None, more: str = "", *, multiple: bool = False) -> Decorator:
    """Return the option of one record of a field: its words or its unit stand in the help."""
    allowed = f" ({', '.join(record.choices)})" if record.choices else f" [{record.unit}]" if record.unit else ""
    metavar = {"choice": "WORD", "text": "TEXT"}.get(record.kind, record.metavar)
    names = [name] if name else dict.fromkeys((record.option, _long(record.key)))
    text = record.meaning[:1].upper() + record.meaning[1:] + allowed + more + "."
    kind = Typed(record, record.key) if record.kind == "number" else None
    return click.option(*names, record.key, metavar=metavar, multiple=multiple, help=text, type=kind)


def _long(key: str) -> str:
    return "--" + key.replace("_", "-")


def pairs_of(name: str, texts: Sequence[str], example: str) -> list[tuple[str, str]]:
    """Return the (key, value) pairs of texts like KEY=VALUE.

    Raises
    ------
    CombustError
        Texts that are no such pair, every one at once.
    """
    pairs = [(text.partition("=")[0].strip(), text.partition("=")[2].strip()) for text in texts]
    why, hint = "has no = with something on both sides", f'Write it like "{example}".'
    wrong = [text for text, pair in zip(texts, pairs, strict=True) if not all(pair)]
    if wrong:
        raise CombustError([Fault(name, text, "format", why=why, hint=hint) for text in wrong])
    return pairs


def values_of(options: dict[str, Any], catalogue: Catalogue | None = None) -> dict[str, Any]:
    """Return option values as the checked values of a reading, by key; what was not entered is left out.

    Raises
    ------
    CombustError
        Every fault that :func:`check_options` tells, and a fuel that nobody knows, at once.
    """
    from combust.application.reading.result import fuel_faults

    checked, faults = check_options(options)
    faults += fuel_faults(checked.get("fuel"), catalogue)
    if faults:
        raise CombustError(faults)
    return checked


def check_options(options: dict[str, Any]) -> tuple[dict[str, Any], list[Fault]]:
    """Return (acceptable values by key, faults): repeats become mean, standard deviation and count; nothing is raised.

    It is a fault when an option that is no repeat was given twice, when quantities were repeated different numbers of
    times, and when a repeat is empty.
    """
    values: dict[str, Any] = {}
    repeated: dict[str, tuple[str, ...]] = {}
    faults: list[Fault] = []
    for key, given in options.items():
        texts = given if isinstance(given, tuple) else (given,)
        if key in REPEATED and len(texts) > 1:
            repeated[key] = texts
        elif len(texts) > 1:
            hint = "Give it once; only O2, CO2 and CO can be repeated."
            faults.append(Fault(key, " and ".join(texts), "conflict", why="was given more than once", hint=hint))
        elif texts:
            values[key] = texts[0]
    for key, texts in repeated.items():
        faults += [fault for text in texts if (fault := quantity(key).fault_of(text))]
        if empty := sum(map(is_missing, texts)):
            hint = "Leave the empty one out."
            faults.append(Fault(key, f"{empty} of {len(texts)}", "missing", why="repeats are empty", hint=hint))
    for key in ["repeats", *(REPEATED[key] for key in repeated)] if repeated else []:
        if text := values.pop(key, None):
            why = "was given beside repeated readings, from which it follows"
            faults.append(Fault(key, text, "conflict", why=why, hint="Leave it out."))
    if len(set(map(len, repeated.values()))) > 1:
        given = ", ".join(f"{key} {many(len(texts), 'time')}" for key, texts in repeated.items())
        hint = "Repeat each the same number of times."
        faults.append(Fault("repeats", given, "conflict", why="do not match", hint=hint))
    if not faults:
        for key, texts in repeated.items():
            numbers = [float(as_number(text) or 0.0) for text in texts]
            values |= {key: statistics.fmean(numbers), REPEATED[key]: statistics.stdev(numbers), "repeats": len(texts)}
    checked, refused = check_values(values)
    return checked, [*faults, *refused]


def stops_entered(options: dict[str, Any]) -> Safety:
    """Return the stop conditions that the acceptable values among the options hold.

    Each is read as a cell of a table is; of repeats the highest counts.
    """
    from combust.application.reading.result import safety_of_refused

    entered: dict[str, Any] = {}
    for key, given in options.items():
        record = inputs().get(in_our_unit(key, inputs())[0])
        texts = given if isinstance(given, tuple) else (given,)
        if record is not None:
            entered[key] = tuple(as_cell(one, record, key) if record.kind == "number" else one for one in texts)
    return safety_of_refused(entered)
