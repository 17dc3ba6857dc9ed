"""Command-line options made from the vocabulary: the same words with dashes, the unit in the help."""

from __future__ import annotations

import statistics
from collections.abc import Callable, Iterable
from typing import Any

import click

from combust.data.errors import CombustError, Fault
from combust.data.vocabulary import FOREIGN_UNITS, Quantity, as_number, input_keys, quantity

# Quantities that may be given several times: the mean is the reading, the scatter its repeatability.
REPEATED = {
    "o2_dry_pct": "o2_repeat_sd_pct",
    "co2_dry_pct": "co2_repeat_sd_pct",
    "co_dry_ppm": "co_repeat_sd_ppm",
}

Decorator = Callable[[Callable[..., Any]], Callable[..., Any]]


def quantity_options(keys: Iterable[str] | None = None, *, skip: Iterable[str] = ()) -> Decorator:
    """Return a decorator that adds one option for each quantity (all inputs by default), and its other-unit twins."""
    wanted = [key for key in (keys or input_keys()) if key not in set(skip)]

    def decorate(function: Callable[..., Any]) -> Callable[..., Any]:
        for key in reversed(wanted):
            for option in _options_of(quantity(key)):
                function = option(function)
        return function

    return decorate


def _options_of(record: Quantity) -> list[Decorator]:
    long = "--" + record.key.replace("_", "-")
    names = [record.option] if long == record.option else [record.option, long]
    if record.kind == "choice":
        text = f"{record.meaning} ({', '.join(record.choices)})"
        return [click.option(*names, record.key, metavar="WORD", help=_sentence(text))]
    metavar = "TEXT" if record.kind == "text" else record.metavar
    text = record.meaning + (f" [{record.unit}]" if record.unit else "")
    many = record.key in REPEATED
    more = "; give it again for repeats" if many else ""
    options: list[Decorator] = [
        click.option(*names, record.key, metavar=metavar, multiple=many, help=_sentence(text + more))
    ]
    for suffix, (ours, _) in FOREIGN_UNITS.items():
        if record.key.endswith(ours) and record.kind == "number" and _twin_makes_sense(record.key, suffix):
            twin = record.key[: -len(ours)] + suffix
            options.append(click.option("--" + twin.replace("_", "-"), twin, hidden=True, help=_sentence(text)))
    if record.key in ("co_dry_ppm", "co_wet_ppm"):
        twin = record.key.replace("_ppm", "_pct")
        options.append(click.option("--" + twin.replace("_", "-"), twin, hidden=True, help="CO in vol %."))
    return options


def _twin_makes_sense(key: str, suffix: str) -> bool:
    return not (suffix == "_inhg" and key != "pressure_hpa")


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:] + "."


def values_of(options: dict[str, Any]) -> dict[str, Any]:
    """Return option values as reading values: repeats become mean, standard deviation and count.

    Raises
    ------
    CombustError
        When quantities were repeated different numbers of times, or a repeat is no number.
    """
    values: dict[str, Any] = {}
    counts: dict[str, int] = {}
    faults = []
    for key, given in options.items():
        if not isinstance(given, tuple):
            values[key] = given
            continue
        if len(given) < 2:
            values[key] = given[0] if given else None
            continue
        numbers = [as_number(text) for text in given]
        if None in numbers:
            faults.append(Fault(key, " ".join(given), "not_a_number", why="is not all numbers"))
            continue
        known = [number for number in numbers if number is not None]
        outside = [fault for number in known if (fault := quantity(key).fault_of(number))]
        faults.extend(outside)
        values[key], values[REPEATED[key]] = statistics.fmean(known), statistics.stdev(known)
        counts[key] = len(known)
    if len(set(counts.values())) > 1:
        told = ", ".join(f"{key} {count} times" for key, count in counts.items())
        faults.append(
            Fault("repeats", told, "conflict", why="do not match", hint="Repeat each the same number of times.")
        )
    if faults:
        raise CombustError(faults)
    if counts:
        values["repeats"] = max(counts.values())
    return values
