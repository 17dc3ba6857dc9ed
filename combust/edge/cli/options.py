"""Command-line options made from the vocabulary: the same words with dashes, the unit in the help."""

from __future__ import annotations

import functools
import math
import statistics
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import click

from combust.data.errors import CombustError, Fault
from combust.data.fields import Field, as_number
from combust.data.units import in_other_units, in_our_unit
from combust.data.vocabulary import input_keys, inputs, quantities, quantity
from combust.domain.reading import check_values
from combust.domain.safety import Safety, of_all

if TYPE_CHECKING:
    from combust.edge.tables.table_map import TableMap

# Quantities that may be given several times: the mean is the reading, the scatter its repeatability.
REPEATED = {
    "o2_dry_pct": "o2_repeat_sd_pct",
    "co2_dry_pct": "co2_repeat_sd_pct",
    "co_dry_ppm": "co_repeat_sd_ppm",
}

Decorator = Callable[[Callable[..., Any]], Callable[..., Any]]


fuels_option = click.option("--fuels", "fuels_file", metavar="FILE", help="TOML file with fuels of your own.")
instrument_option = click.option(
    "--instrument-class", metavar="NAME", help="Analyser class (portable, garage_0) or a .toml file of yours."
)


def table_options(function: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command that reads a table ``--map``, ``--set`` and ``--save-map``; it gets them as ``mapping``."""

    @functools.wraps(function)
    def with_map(
        *args: Any, map_pairs: tuple[str, ...], fixed: tuple[str, ...], save_map: str | None, **more: Any
    ) -> Any:
        from combust.edge.tables.table_map import TableMap

        mapping = TableMap.from_options(map_pairs, fixed)
        try:
            function(*args, mapping=mapping, **more)
        except click.exceptions.Exit:
            _save(mapping, save_map)
            raise
        _save(mapping, save_map)

    texts = {
        "--save-map": "Write what --map and --set say to a .toml file, to be named again with --map.",
        "--set": "What the whole table has in common, such as location=outdoors; give it again.",
        "--map": "Say what a column holds, or name a saved map (.toml); give it again.",
    }
    found = click.option("--save-map", metavar="FILE", help=texts["--save-map"])(with_map)
    found = click.option("--set", "fixed", multiple=True, metavar="KEY=VALUE", help=texts["--set"])(found)
    return click.option("--map", "map_pairs", multiple=True, metavar="HEADING=KEY", help=texts["--map"])(found)


def _save(mapping: TableMap, path: str | None) -> None:
    if path:
        mapping.save(path)
        click.echo(f"Written: {path}", err=True)


def quantity_options(keys: Iterable[str] | None = None, *, skip: Iterable[str] = ()) -> Decorator:
    """Return a decorator that adds one option for each quantity (all inputs by default), and its other-unit twins."""
    wanted = [key for key in (keys or input_keys()) if key not in set(skip)]

    def decorate(function: Callable[..., Any]) -> Callable[..., Any]:
        for key in reversed(wanted):
            more = "; give it again for repeats" if key in REPEATED else ""
            function = field_option(quantity(key), more=more, multiple=True)(function)
            for twin in in_other_units(key, quantities()):
                function = click.option(_long(twin), twin, hidden=True, multiple=True)(function)
        return function

    return decorate


def field_options(fields: Iterable[Field], names: Mapping[str, str] = MappingProxyType({})) -> Decorator:
    """Return a decorator that adds one option for each record of a field, and its other-unit twins.

    ``names`` are those that are not its key.
    """
    known = {record.key: record for record in fields}
    options = [field_option(record, names.get(key)) for key, record in known.items()]
    twins = [twin for key in known for twin in in_other_units(key, known)]
    options += [click.option(_long(twin), twin, hidden=True) for twin in twins]
    return lambda function: functools.reduce(lambda made, option: option(made), reversed(options), function)


def field_option(record: Field, name: str | None = None, more: str = "", *, multiple: bool = False) -> Decorator:
    """Return the option of one record of a field: its words or its unit stand in the help."""
    told = f" ({', '.join(record.choices)})" if record.choices else f" [{record.unit}]" if record.unit else ""
    metavar = {"choice": "WORD", "text": "TEXT"}.get(record.kind, record.metavar)
    names = [name] if name else dict.fromkeys((record.option, _long(record.key)))
    text = record.meaning[:1].upper() + record.meaning[1:] + told + more + "."
    return click.option(*names, record.key, metavar=metavar, multiple=multiple, help=text)


def _long(key: str) -> str:
    return "--" + key.replace("_", "-")


def values_of(options: dict[str, Any]) -> dict[str, Any]:
    """Return option values as reading values: repeats become mean, standard deviation and count.

    Raises
    ------
    CombustError
        When an option that is no repeat was given twice, when quantities were repeated different numbers of times, or
        a repeat is no number or cannot be; all faults of the reading at once.
    """
    values: dict[str, Any] = {}
    counts: dict[str, int] = {}
    spreads: dict[str, float] = {}
    faults: list[Fault] = []
    for key, given in options.items():
        if not isinstance(given, tuple) or len(given) < 2:
            values[key] = given if not isinstance(given, tuple) else given[0] if given else None
        elif key not in REPEATED:
            hint = "Give it once; only O2, CO2 and CO can be repeated."
            faults.append(Fault(key, " and ".join(given), "conflict", why="was given more than once", hint=hint))
        else:
            wrong = [fault for text in given if (fault := quantity(key).fault_of(text))]
            faults.extend(wrong)
            counts[key] = len(given)
            known = [number for text in given if (number := as_number(text)) is not None]
            if not wrong and len(known) < len(given):
                told, hint = f"{len(given) - len(known)} of {len(given)}", "Leave the empty one out."
                faults.append(Fault(key, told, "missing", why="repeats are empty", hint=hint))
            elif not wrong:
                values[key], spreads[REPEATED[key]] = statistics.fmean(known), statistics.stdev(known)
    if len(set(counts.values())) > 1:
        told = ", ".join(f"{key} {count} times" for key, count in counts.items())
        hint = "Repeat each the same number of times."
        faults.append(Fault("repeats", told, "conflict", why="do not match", hint=hint))
    for key in ["repeats", *(REPEATED[key] for key in counts)] if counts else []:
        if options.get(key):
            why, hint = "was given beside repeated readings, from which it follows", "Leave it out."
            faults.append(Fault(key, " ".join(options[key]), "conflict", why=why, hint=hint))
    if faults:
        others = {key: value for key, value in values.items() if key not in counts}
        raise CombustError([*faults, *check_values(others)[1]])
    if counts:
        values |= {**spreads, "repeats": max(counts.values())}
    return values


def worst_of(options: dict[str, Any]) -> dict[str, Any]:
    """Return one value for each option, of repeats the highest that can be read: stop conditions are judged on it."""
    from combust.edge.tables.cells import read_cell

    worst: dict[str, Any] = {}
    too_much: dict[str, float] = {}
    for key, given in options.items():
        texts = list(given) if isinstance(given, tuple) else [given]
        good = [text for text in texts if text is not None and quantity_accepts(key, text)]
        worst[key] = max(good, key=lambda text: as_number(text) or 0.0, default=None)
        ours, convert = in_our_unit(key, inputs())
        for cell in (read_cell(str(text)) for text in texts if text and ours in inputs()):
            number = convert(cell.number) if convert else cell.number
            counted = inputs()[ours].for_stops(number, at_least=cell.bound == ">")
            if not math.isnan(counted):  # over the range, as in a table: 2000 and more
                too_much[ours] = max(counted, too_much.get(ours, 0.0))
                worst[key] = None
    return worst | too_much


@contextmanager
def stops_of_refused(options: dict[str, Any]) -> Iterator[None]:
    """Give a refusal the stop conditions that the acceptable values among the options hold: they are told first."""
    try:
        yield
    except CombustError as error:
        from combust.application.reading.result import safety_of

        entered = safety_of(check_values(worst_of(options))[0]).without_place()
        error.safety = of_all([error.safety or Safety(()), entered])
        raise


def quantity_accepts(key: str, text: str) -> bool:
    """Return True when a value can stand for a key by itself, in our unit or another."""
    return not check_values({key: text})[1]
