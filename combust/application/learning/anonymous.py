"""What may leave a book: rows that twenty visits of twenty heaters or more stand behind, counts of five; no heater.

Visits of one type with one cause and the same stages are a cell, as they are after the work. A cell of fewer visits or
heaters is held back and told (k-anonymity: L. Sweeney, Int. J. Uncertainty Fuzziness 10 (2002), pp. 557-570). Readings
are taken over the heater's own healthy ones and put on the mean healthy reading of the type, in steps that are wider
than heaters of a type differ: a finer mean would tell whose heaters are in it. For each ten visits of a cell one row is
made: *every* visit of the cell is in it, with a random weight of its own, and the weights add up to one, so that a row
has mean and scatter of the cell, its channels still belong together, and none is the row of a heater. Altitude and
temperature are told in steps of 250 m and 5 °C, the day as a winter. Causes and looks are counts and stand beside no
reading.

What it costs learning: a book of fewer than twenty heaters of a type gives counts alone, causes that are met seldom
give no row, the difference between heaters of a type is gone, and the steps of the site move the density of the air by
up to 2 %.

The random numbers come from the confirmed visits: the same visits, in a book or as its table, give the same rows, so
that nobody can average them away by asking again, and their checksum tells a contribution that comes twice and nothing
else.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from combust.application.learning.confirmed import NO_PROFILE, Confirmed, confirm, told_why
from combust.application.learning.contributions import with_checksum
from combust.application.learning.learnt import heat_of
from combust.application.learning.right import season_of
from combust.application.visit.visit import Visit
from combust.data.errors import CombustError
from combust.data.near import folded_id, folded_name
from combust.domain.catalogue import get_fuel
from combust.domain.gas import air_ratio_from_o2
from combust.domain.heater import Heater
from combust.domain.result import many
from combust.kernel.air import altitude_from_pressure
from combust.kernel.flue_gas import flue_gas_moles

FEWEST = 5  # heaters behind anything that leaves, and that a group stands for
FEWEST_HEATERS, FEWEST_VISITS = 20, 20  # behind a row of readings
ROW_OF = 10  # visits of a cell for each row that is made of it
STEP_M, STEP_K = 250.0, 5.0
OWN_WEIGHT = 1.0  # random part of the weights: 1 makes a row scatter as far as one visit
TRIES = 20
SITE = ("altitude_m", "intake_temp_c")
RATIOS = ("air_ratio", "co_dry_ppm", "rise", "intake_static_pa", "exhaust_static_pa")  # over the healthy one, by ln
CHANNELS = (*RATIOS, "flue_temp_c")
COARSE = dict(zip(CHANNELS, (0.1, 0.5, 0.2, 0.3, 0.3, 25.0), strict=True))  # of the mean healthy reading
SHAFT = {True: "yes", False: "no", None: "untold"}
NAMES = ("heater_id", "reading_id", "note")  # of a row: a book and a table spell them in their own way
O2_CAN_BE = (0.5, 19.5)
SITE_CAN_BE = {"altitude_m": (-250.0, 6000.0), "intake_temp_c": (-50.0, 50.0)}

Stages = dict[str, dict[str, float]]


@dataclass(frozen=True, slots=True)
class Point:
    """One visit as it goes into a row: heater, cell, winter, change of the site, change of each channel by stage."""

    heater: str
    cell: tuple[Any, ...]
    winter: str
    site: tuple[float, float]
    change: Stages


@dataclass(slots=True)
class Kind:
    """The heaters of one type: their healthy readings, points, and who met which cause or look."""

    kind: dict[str, Any]
    healthy: dict[str, Stages] = field(default_factory=dict)
    points: list[Point] = field(default_factory=list)
    causes: dict[str, list[str]] = field(default_factory=lambda: defaultdict(list))
    looks: dict[tuple[str, str], list[str]] = field(default_factory=lambda: defaultdict(list))


@dataclass(frozen=True, slots=True)
class Anonymous:
    """An anonymous table.

    Attributes
    ----------
    rows : tuple of dict
        As :data:`combust.edge.tables.anonymous.COLUMNS` names them.
    held_back : tuple of str
        What too few heaters stand behind, in words.
    """

    rows: tuple[dict[str, Any], ...]
    held_back: tuple[str, ...]


def anonymous(visits: Iterable[Visit]) -> Anonymous:
    """Return what may leave a book, from its visits with a confirmed cause.

    Parameters
    ----------
    visits : iterable of Visit
        Looked at one after the other; of each some ten numbers are kept until the end.
    """
    kinds: dict[str, Kind] = {}
    content, first, without = [], "", 0
    for visit in visits:
        found, _ = confirm(visit)
        if found is None:
            continue
        after = [one.row for one in visit.last_taken] if found.mended else []
        mark = _mark_of(found, after)
        content.append(mark)
        first = min(first or mark, mark)
        without += not take(kinds, found, after)
    checksum = hashlib.sha256("\n".join(["combust share", *sorted(content)]).encode()).digest()
    generator = np.random.default_rng([*checksum])
    rows: list[dict[str, Any]] = []
    held = (
        [f"{many(without, 'visit')} without a healthy reading, O2 and altitude to hold them against"] if without else []
    )
    for name in sorted(kinds):
        more, told = rows_of(kinds[name], generator)
        rows += more
        held += [f"{name}: {one}" for one in told]
    book = hashlib.sha256(f"combust book {first}".encode()).hexdigest()[:16]
    return Anonymous(tuple(with_checksum(rows, book, len(content))), tuple(held))


def why_nothing(not_counted: Mapping[str, int]) -> tuple[str, str]:
    """Return (why a table would be empty, what to do), by the reasons for which visits were not counted.

    Parameters
    ----------
    not_counted : mapping
        Reason -> how many visits, the commonest first.
    """
    enough = "It takes five heaters of one type with confirmed causes."
    if not not_counted:
        return "would be empty: nothing may leave the book", enough
    told = f"Visits that were not counted: {told_why(not_counted)}."
    if next(iter(not_counted)) == NO_PROFILE:
        return "would be empty: profiles lack", told
    return "would be empty: nothing may leave the book", f"{told} {enough}"


def _mark_of(found: Confirmed, after: Sequence[Any]) -> str:
    """Return what tells a confirmed visit from every other, in a book or in its table; it never leaves."""
    who = (folded_id(found.visit_id), folded_id(found.heater_id), found.day, found.cause)
    rows = [{key: value for key, value in row.items() if key not in NAMES} for row in (*found.rows, *after)]
    return hashlib.sha256(json.dumps([who, rows], sort_keys=True, default=str).encode()).hexdigest()


# ---- from visits to points ------------------------------------------------------------------------------------------
def take(kinds: dict[str, Kind], found: Confirmed, after: Sequence[Any]) -> bool:
    """Add a confirmed visit to its type: as it was found, and the rows after it; return whether it could be used."""
    heater = found.heater
    kind: dict[str, Any] = {
        "blower": heater.blower,
        "shaft": SHAFT[heater.heating_air_on_same_shaft],
        "fuel": heater.fuel.name,
    }
    kind |= {"heat_kw": heat_of(heater)}
    name = f"{heater.blower.replace('_', ' ')} blower, {kind['heat_kw']:g} kW, {heater.fuel.name}"
    held = kinds.setdefault(name, Kind(kind))
    who = folded_name(found.heater_id or found.visit_id)
    held.causes[found.cause].append(who)
    for look in found.looks:
        held.looks[look.column, look.verdict].append(who)
    healthy, site = _healthy_of(heater)
    if not healthy:
        return False
    held.healthy[who] = {**healthy, "site": dict(zip(SITE, site, strict=True))}
    taken = False
    for state, rows in ((found.cause, found.rows), ("after", after)):
        change, where = _change_of(rows, heater, healthy)
        if change and where:
            moved = (where[0] - site[0], where[1] - site[1])
            held.points.append(Point(who, (state, *sorted(change)), season_of(found.day), moved, change))
            taken = True
    return taken


def _site_of(row: Any) -> tuple[float, float] | None:
    altitude, temp = row.get("altitude_m"), row.get("intake_temp_c")
    if altitude is None and row.get("pressure_hpa") is not None:
        altitude = float(altitude_from_pressure(row["pressure_hpa"]))
    return None if altitude is None or temp is None else (float(altitude), float(temp))


def channels_of(row: Any, heater: Heater) -> dict[str, float]:
    """Return the channels of a reading: ln of those that count as ratios, the flue in °C."""
    o2 = row.get("o2_dry_pct")
    if o2 is None:
        return {}
    try:
        ratio = float(air_ratio_from_o2(o2, heater.fuel, co_dry_ppm=row.get("co_dry_ppm") or 0.0))
    except CombustError:
        return {}
    found = {"air_ratio": ratio, "co_dry_ppm": row.get("co_dry_ppm")}
    if row.get("air_in_temp_c") is not None and row.get("air_out_temp_c") is not None:
        found["rise"] = row["air_out_temp_c"] - row["air_in_temp_c"]
    for key in ("intake_static_pa", "exhaust_static_pa"):
        found[key] = abs(row[key]) if row.get(key) is not None else None
    logs = {key: math.log(value) for key, value in found.items() if value is not None and value > 0.0}
    return logs | ({"flue_temp_c": float(row["flue_temp_c"])} if row.get("flue_temp_c") is not None else {})


def _healthy_of(heater: Heater) -> tuple[Stages, tuple[float, float]]:
    readings = {one.stage: one.reading for one in heater.baselines if one.reading.get("arrangement") is None}
    sites = [_site_of(one) for one in readings.values()]
    healthy = {stage: channels_of(one, heater) for stage, one in readings.items()}
    if not sites or None in sites or not all(healthy.values()):
        return {}, (0.0, 0.0)
    return healthy, sites[0] or (0.0, 0.0)


def _change_of(rows: Iterable[Any], heater: Heater, healthy: Stages) -> tuple[Stages, tuple[float, float] | None]:
    """Return (stage -> change of each channel against the healthy reading, where it was read)."""
    change: Stages = {}
    site = None
    for row in rows:
        stage, usual = row.get("stage"), row.get("arrangement") in (None, "as_installed")
        if stage in healthy and usual:
            found = channels_of(row, heater)
            both = {key: found[key] - healthy[stage][key] for key in CHANNELS if key in found and key in healthy[stage]}
            if "air_ratio" in both:
                change[str(stage)] = both
                site = site or _site_of(row)
    return change, site


# ---- from points to rows --------------------------------------------------------------------------------------------
def rows_of(kind: Kind, generator: np.random.Generator) -> tuple[list[dict[str, Any]], list[str]]:
    """Return the rows of one type, and what is held back."""
    heaters = {who for some in kind.causes.values() for who in some}
    if len(heaters) < FEWEST:
        return [], [f"{many(len(heaters), 'heater')}, fewer than {FEWEST}: all of it"]
    told: list[str] = []
    rows = [{"kind": "cause", **kind.kind, **row} for row in _counted(kind.causes, "cause", told)]
    rows += [{"kind": "look", **kind.kind, **row} for row in _counted(kind.looks, "look", told)]
    few = len(kind.healthy) < FEWEST_HEATERS
    told += [f"all readings: {many(len(kind.healthy), 'heater')}, fewer than {FEWEST_HEATERS}"] if few else []
    if not few:
        healthy = _mean_of(kind.healthy[who] for who in sorted(kind.healthy))
        healthy["site"] = _coarse(healthy["site"])
        cells: dict[tuple[Any, ...], list[Point]] = defaultdict(list)
        for point in sorted(kind.points, key=_without_heater):  # in one order, whatever that of the book
            cells[point.cell].append(point)
        kept = [some for _, some in sorted(cells.items()) if _enough(some)]
        lost = len(kind.points) - sum(map(len, kept))
        told += [LOST.format(lost, many(len(kind.points), "set"), FEWEST_VISITS, FEWEST_HEATERS)] if lost else []
        groups = [some for some in kept for _ in range(len(some) // ROW_OF)]
        names = generator.choice(900_000, len(kind.healthy) // FEWEST, replace=False) + 100_000
        for group in names:
            rows += _written(healthy, {"kind": "healthy", "group": int(group), **kind.kind})
        for number in map(int, generator.permutation(len(groups))):
            rows += _row(groups[number], healthy, generator, {"group": int(names[number % len(names)]), **kind.kind})
    return rows, told


LOST = "{} of {} of readings, before or after the work: no {} visits of {} heaters have cause and stages in common"


def _without_heater(point: Point) -> str:
    return repr((point.cell, point.winter, point.site, point.change))


def _enough(points: Sequence[Point]) -> bool:
    return len(points) >= FEWEST_VISITS and len({one.heater for one in points}) >= FEWEST_HEATERS


def _counted(who: dict[Any, list[str]], word: str, told: list[str]) -> list[dict[str, Any]]:
    """Return counts that five heaters or more stand behind; the others are held back."""
    rows, few = [], list[int]()
    for key, heaters in sorted(who.items()):
        if len(set(heaters)) < FEWEST:
            few.append(len(heaters))
        elif word == "cause":
            rows.append({"cause": key, "visits": len(heaters)})
        else:
            rows.append({"look": key[0], "verdict": key[1], "visits": len(heaters)})
    met = f"{many(len(few), word)}, met {many(sum(few), 'time')}"
    told += [f"{met}: fewer than {FEWEST} heaters share {'it' if len(few) == 1 else 'each'}"] if few else []
    return rows


def _mean_of(healthy: Iterable[Stages]) -> Stages:
    """Return the mean healthy reading: what enough heaters have, in coarse steps but for the site."""
    gathered: dict[str, dict[str, list[float]]] = defaultdict(lambda: defaultdict(list))
    for stages in healthy:
        for stage, values in stages.items():
            for key, value in values.items():
                gathered[stage][key].append(value)
    means = {
        stage: {
            key: _stepped(float(np.mean(some)), COARSE.get(key))
            for key, some in values.items()
            if len(some) >= FEWEST_HEATERS
        }
        for stage, values in gathered.items()
    }
    return {stage: values for stage, values in means.items() if values}


def _row(
    points: Sequence[Point], healthy: Stages, generator: np.random.Generator, named: dict[str, Any]
) -> list[dict[str, Any]]:
    """Return the rows of one group, a row a stage: random weights that add up to one, on the mean healthy reading."""
    size = len(points)
    stages = [stage for stage in points[0].change if stage in healthy]
    site = np.array([one.site for one in points])
    for _ in range(TRIES):
        drawn = generator.standard_normal(size)
        weight = 1.0 / size + OWN_WEIGHT * (drawn - drawn.mean()) / math.sqrt(size)
        values: Stages = {"site": dict(zip(SITE, (weight @ site).tolist(), strict=True))}
        for stage in stages:
            shared = [
                key for key in CHANNELS if key in healthy[stage] and all(key in one.change[stage] for one in points)
            ]
            changed = {key: float(weight @ np.array([one.change[stage][key] for one in points])) for key in shared}
            values[stage] = {key: healthy[stage][key] + change for key, change in changed.items()}
        values["site"] = {key: values["site"][key] + healthy["site"][key] for key in SITE}
        fuel = str(named["fuel"])
        there = all(low <= values["site"][key] <= high for key, (low, high) in SITE_CAN_BE.items())
        burns = all(O2_CAN_BE[0] < _o2(values[stage]["air_ratio"], fuel) < O2_CAN_BE[1] for stage in stages)
        if stages and there and burns:
            winters = sorted({one.winter for one in points})
            season = winters[0] if len(winters) == 1 else f"{winters[0]} to {winters[-1]}"
            more = {"mean_of": size, "season": season, "scatter": scatter_of(size)}
            number = int(generator.integers(100_000, 1_000_000))
            return _written(values, {"kind": "visit", "row": number, **named, **more})
    return []


def _coarse(site: dict[str, float]) -> dict[str, float]:
    """Return a site in the steps in which it is told."""
    return {key: _stepped(site[key], step) for key, step in zip(SITE, (STEP_M, STEP_K), strict=True)}


def _stepped(value: float, step: float | None) -> float:
    return step * round(value / step) if step else value


def scatter_of(size: int) -> float:
    """Return how far a row of so many visits scatters, as a factor of one visit's readings [-]."""
    return round(math.sqrt(1.0 / size + OWN_WEIGHT**2 * (size - 1.0) / size), 2)


def _o2(log_ratio: float, fuel: str) -> float:
    ratio = math.exp(log_ratio)
    return float(flue_gas_moles(get_fuel(fuel), ratio).o2_dry_pct) if ratio > 1.0 else 0.0


def _written(values: Stages, named: dict[str, Any]) -> list[dict[str, Any]]:
    """Return the stages of one state as rows of readings, rounded."""
    altitude, temp = _coarse(values["site"]).values()
    rows = []
    for stage, logs in values.items():
        if stage == "site" or "air_ratio" not in logs:
            continue
        row = {**named, "stage": stage, "altitude_m": altitude, "intake_temp_c": temp}
        row["o2_dry_pct"] = round(_o2(logs["air_ratio"], str(named["fuel"])), 1)
        if "co_dry_ppm" in logs:
            row["co_dry_ppm"] = float(f"{math.exp(logs['co_dry_ppm']):.2g}")
        if "flue_temp_c" in logs:
            row["flue_temp_c"] = float(round(logs["flue_temp_c"]))
        if "rise" in logs:
            row |= {"air_in_temp_c": temp, "air_out_temp_c": round(temp + math.exp(logs["rise"]), 1)}
        for key, sign in (("intake_static_pa", -1.0), ("exhaust_static_pa", 1.0)):
            if key in logs:
                row[key] = sign * float(f"{math.exp(logs[key]):.2g}")
        rows.append(row)
    return rows
