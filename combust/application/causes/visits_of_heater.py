"""The readings of one heater as visits: checked and grouped, the fuel of each, and what stops the heater in others."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import groupby
from typing import Any, NamedTuple

from combust.application.causes.catalogue import Priors, get_priors
from combust.application.causes.first_look import first_look
from combust.application.causes.stage_reading import Values
from combust.application.read_again import Moment, ReadAgain, read_at
from combust.data.errors import CombustError, Fault
from combust.data.moments import date_of, last_day_read
from combust.data.near import did_you_mean, near_matches
from combust.domain.catalogue import Catalogue, get_fuel
from combust.domain.heater import Heater
from combust.domain.instrument import InstrumentClass
from combust.domain.pump import on_fuel
from combust.domain.reading import Reading
from combust.domain.safety import PLACE

Readings = Reading | Mapping[str, Any] | Iterable[Reading | Mapping[str, Any]]
OF_SITE = (*PLACE, "above_heater_limit")  # stops of where one visit was made, not of the heater


class Stopped(NamedTuple):
    """A visit whose last readings stop the heater: its name with the stops, and from when they are over (or None)."""

    told: str
    over: Moment | None


def group_visits(
    heater: Heater, readings: Readings, causes: Any = None, catalogue: Catalogue | None = None
) -> list[list[Values]]:
    """Return readings grouped by visit and phase, checked; every fault is told at once.

    Raises
    ------
    CombustError
        Faults of any row, two fuels in one visit, a fuel that the pump cannot be reckoned with, or nothing to rank;
        every fault at once.
    """
    rows = [readings] if isinstance(readings, Mapping) else list(readings)
    priors = get_priors(causes)
    faults: list[Fault] = []
    groups: dict[tuple[str, str], list[Values]] = {}
    for row in rows:
        try:
            reading = row if isinstance(row, Reading) else Reading(**row)
        except CombustError as error:
            faults.extend(error.faults)
            continue
        faults.extend(_row_faults(heater, reading, priors))
        key = (str(reading.get("visit_id", "1")), str(reading.get("phase", "before")))
        groups.setdefault(key, []).append(reading)
    for visit in groups.values():
        faults.extend(_fuel_faults(heater, visit, catalogue))
    if not rows:
        hint = "Give at least one reading with O2 in vol %."
        faults.append(Fault("readings", None, "missing", why="holds no row", hint=hint))
    if faults:
        raise CombustError(faults)
    return list(groups.values())


def _row_faults(heater: Heater, reading: Reading, priors: Priors) -> list[Fault]:
    faults = []
    other = reading.heater_id
    if other is not None and heater.heater_id is not None and other != heater.heater_id:
        hint = f"This profile is of {heater.heater_id}."
        faults.append(Fault("heater_id", other, "conflict", why="is another heater", hint=hint))
    stage = reading.stage
    if stage is not None and stage not in heater.stages:
        hint = did_you_mean(near_matches(stage, heater.stages), f"It has {', '.join(heater.stages)}.")
        faults.append(Fault("stage", stage, "unknown_name", why="is no stage of this heater", hint=hint))
    return [*faults, *priors.strip_down_faults(reading.strip_down)]


# ---- the fuel of a visit --------------------------------------------------------------------------------------------
def by_fuel(
    heater: Heater, visits: Iterable[Sequence[Values]], catalogue: Catalogue | None = None
) -> Iterator[tuple[Heater, list[Sequence[Values]]]]:
    """Yield visits in order with their heater: where they name another fuel, the heater with that fuel in its tank.

    Raises
    ------
    CombustError
        A fuel that nobody knows, or whose density is unknown.
    """
    known: dict[str | None, Heater] = {None: heater}
    for name, some in groupby(visits, lambda visit: _other_fuel(heater, visit)):
        if name not in known:
            known[name] = on_fuel(heater, get_fuel(str(name), catalogue=catalogue))
        yield known[name], list(some)


def _other_fuel(heater: Heater, readings: Sequence[Values]) -> str | None:
    """Return the fuel that the readings of a visit name, None where it is the profile's or nobody named one."""
    named = (str(reading["fuel"]) for reading in readings if reading.get("fuel"))
    return next((name for name in named if name not in (heater.fuel.name, heater.fuel.asked_as)), None)


def _fuel_faults(heater: Heater, visit: Sequence[Values], catalogue: Catalogue | None) -> list[Fault]:
    """Return what is wrong with the fuel that a visit names: no fuel of a known density, or two of them."""
    named = list(dict.fromkeys(str(reading["fuel"]) for reading in visit if reading.get("fuel")))
    try:
        fuels = {get_fuel(name, catalogue=catalogue).name for name in named if name != heater.fuel.name}
        if _other_fuel(heater, visit) is not None:
            list(by_fuel(heater, [visit], catalogue))
    except CombustError as error:
        return list(error.faults)
    if len(fuels | ({heater.fuel.name} & set(named))) > 1:
        hint = "Give the readings on the second fuel a visit_id of their own."
        return [Fault("fuel", ", ".join(named), "conflict", why="are two fuels in one visit", hint=hint)]
    return []


# ---- what stops the heater in other visits --------------------------------------------------------------------------
def stopped_where(
    heater: Heater, visits: Sequence[Sequence[Values]], instrument: InstrumentClass, catalogue: Catalogue | None = None
) -> dict[str, Stopped]:
    """Return visit -> its stops, of the visits whose last readings stop this heater wherever it stands.

    Of one visit alone nothing is told: it stands in its own findings.
    """
    found: dict[str, Stopped] = {}
    if len({str(readings[0].get("visit_id", "1")) for readings in visits}) < 2:
        return found
    dated = ((date_of(reading.get("taken_at")), reading) for readings in visits for reading in readings)
    again = ReadAgain(reading for day, reading in dated if day and day <= last_day_read())
    for burnt, some in by_fuel(heater, visits, catalogue):
        for readings, look in zip(some, first_look(burnt, instrument, some), strict=True):
            visit, codes = str(readings[0].get("visit_id", "1")), [one.code for one in look.safety.stops]
            codes = [code for code in codes if code not in OF_SITE]
            found.pop(visit, None)
            if codes:
                since = read_at({**readings[0], "taken_at": _last(readings)})
                over = again.over(codes, since, readings) if since else None
                found[visit] = Stopped(f"visit {visit} ({', '.join(codes)})", over)
    return found


def stops_of_others(readings: Sequence[Values], stopped: Mapping[str, Stopped]) -> list[str]:
    """Return the stops of the other visits that keep the heater off in this one.

    A stop stands until what showed it was read again later (:mod:`combust.application.read_again`); it keeps the
    heater off in what was read before that, and in what nobody gave a day. A day after tomorrow takes none back.
    """
    own, now = str(readings[0].get("visit_id", "1")), read_at({**readings[0], "taken_at": _first(readings)})
    return [
        one.told
        for visit, one in stopped.items()
        if visit != own and not (one.over is not None and now is not None and now >= one.over)
    ]


def _first(readings: Sequence[Values]) -> str:
    return min((str(reading["taken_at"]) for reading in readings if reading.get("taken_at")), default="")


def _last(readings: Sequence[Values]) -> str:
    return max((str(reading["taken_at"]) for reading in readings if reading.get("taken_at")), default="")
