"""When the reading of today may become the provisional baseline of a heater, and when a second visit confirms it.

A baseline is what every later answer rests on, so it is asked for and never taken in silence; each condition that
lacks is told with what to type. The profile is written by the one template and read back by the one checker.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from combust.application.heater.profile_template import READING_KEYS, profile_template
from combust.application.visit.meaning import causes_of
from combust.application.visit.taken import Taken
from combust.application.visit.visit import Visit
from combust.data.errors import CombustError, Fault
from combust.domain.heater import Heater, Stage
from combust.domain.limits import limit
from combust.domain.result import plain

# Of a reading these too stand in the profile: they say why it was believed.
KEPT = ("fuel", "o2_span_over_3min_pct", "flue_drift_k_per_min", "minutes_since_ignition", "fuel_temp_c")
OF_THE_VISIT = ("terminals", "strokes", "delivered_ml")  # seen or measured once, for both stages
STEADY = {
    "o2_span_over_3min_pct": "o2span 0.1",
    "flue_drift_k_per_min": "drift 1",
    "minutes_since_ignition": "minutes 15",
}


PROVISIONAL = (
    "provisional, under suspicion until a second visit agrees: close --baseline FILE asks whether this one does"
)


@dataclass(frozen=True, slots=True)
class Condition:
    """One condition of a baseline: in a few words, whether it is met, and how what lacks is added."""

    what: str
    met: bool
    how: str


def conditions(visit: Visit) -> list[Condition]:
    """Return every condition under which the reading of today may become a provisional baseline.

    Both stages, steady, O2 and a measured CO2 agreeing, lambda in the band of the heater's document, delivery measured,
    terminals seen clear (common practice, no source); where it stood is known, and no stop condition was found.
    """
    heater = visit.heater
    if heater is None:
        how = "Type what its plate says: kw 2 nominal 12 V fuel diesel_b7 band_high 1.35-1.80 band_low 1.8-2.5."
        return [Condition("the plate of the heater", False, how)]
    stages = {name: stage for name, stage in heater.stages.items() if name in visit.stages}
    read = read_of_stages(visit)
    found = [
        Condition(f"{name} stage read", name in read, f"Read it: {name} o2 8.2 co2 9.3 measured co 54.")
        for name in stages
    ]
    for name, one in read.items():
        found += _of_reading(name, one, stages[name])
    rows = [one.values for one in visit.last_taken]
    clear = [row["terminals"] for row in rows if row.get("terminals")]
    found.append(Condition("terminals seen clear", clear[-1:] == ["clear"], "Look into them: terminals clear."))
    found.append(_delivery(rows, heater))
    return [*found, _nothing_found(visit)]


def _nothing_found(visit: Visit) -> Condition:
    safety = visit.safety
    told = " ".join(safety.lines())
    if "heater_limit_unknown" in {one.code for one in safety.findings}:
        told = f"Type the limit of its document: height_limit 1500 m. {told}"
    return Condition("nothing found that speaks against it", safety.state == "nothing_found", told)


def read_of_stages(visit: Visit) -> dict[str, Taken]:
    """Return stage -> its last reading with O2 since the last work."""
    with_gas = [one for one in visit.last_taken if one.values.get("o2_dry_pct") is not None]
    return {str(one.values["stage"]): one for one in with_gas if one.values.get("stage") in visit.stages}


def _of_reading(name: str, one: Taken, stage: Stage) -> Iterator[Condition]:
    result, values = one.result, one.values
    codes = {said.code for said in result.findings} if result else set()
    typed = " ".join(words for key, words in STEADY.items() if values.get(key) is None)
    steady = not typed and not codes & {"not_steady", "too_early"}
    how = f"Watch it for three minutes and type {name} {typed}." if typed else "Wait until it is steady, read again."
    yield Condition(f"{name} steady", steady, how)
    verdict = result.agreement["verdict"] if result else "not_possible"
    measured = values.get("co2_origin") == "measured"
    how = "Zero outdoors, look at trap and hose, read again." if measured else f"Type {name} co2 9.3 measured."
    yield Condition(f"{name} O2 and a measured CO2 agreeing", measured and verdict == "agree", how)
    band, ratio = stage.air_ratio_band, result.air_ratio_at_reference if result else None
    inside = band is not None and ratio is not None and band[0] <= ratio <= band[1]
    how = f"Type the band of its document: band_{name} 1.35-1.80." if band is None else _outside(ratio, band)
    yield Condition(f"{name} lambda in the band of its document", inside, how)
    keys = {"altitude_m": "altitude 210", "intake_temp_c": "air 15", "co_dry_ppm": f"{name} co 54"}
    lacking = [words for key, words in keys.items() if values.get(key) is None and not _by_pressure(key, values)]
    yield Condition(f"{name} with its CO, height and air", not lacking, f"Type {' '.join(lacking)}.")


def _by_pressure(key: str, values: Mapping[str, Any]) -> bool:
    return key == "altitude_m" and values.get("pressure_hpa") is not None


def _outside(ratio: float | None, band: tuple[float, float]) -> str:
    told = "cannot be told" if ratio is None else f"is {ratio:.2f}"
    return f"Lambda at reference air {told}, the band is {band[0]:g} to {band[1]:g}: find out why before anything else."


def _delivery(rows: list[dict[str, Any]], heater: Heater) -> Condition:
    """Return whether the delivery of the pump was measured, and is what the document says where it says so."""
    measured = [row for row in rows if row.get("strokes") and row.get("delivered_ml") is not None]
    if not measured:
        return Condition("delivery measured", False, "Measure it, heater cold: strokes 200 delivered 5.3 ml.")
    each = 1e3 * measured[-1]["delivered_ml"] / measured[-1]["strokes"]
    most, stated = limit("pump_mismatch"), heater.stroke_ul
    fits = stated is None or abs(each / stated - 1.0) <= most
    how = f"A stroke gave {each:.1f} µl, the document says {stated or 0.0:g} µl: mend the pump first."
    return Condition("delivery measured", fits, how)


def provisional_profile(visit: Visit) -> str:
    """Return the profile of a heater with the readings of today as a provisional baseline, as TOML text.

    Raises
    ------
    CombustError
        The heater has a baseline already; every condition that lacks, each with how to add it.
    """
    profile = visit.profile
    if profile.get("baseline"):
        why, hint = "has a healthy reading already", "Nothing was written; only a provisional one is confirmed."
        raise CombustError(Fault("baseline", visit.heater_id, "conflict", why=why, hint=hint))
    if lacking := [one for one in conditions(visit) if not one.met]:
        raise CombustError([_fault(one) for one in lacking])
    every = [one.values for one in visit.last_taken]
    shared: dict[str, Any] = {key: row[key] for row in every for key in OF_THE_VISIT if key in row}
    readings = []
    for name, one in read_of_stages(visit).items():
        own = {key: one.values[key] for key in (*READING_KEYS, *KEPT) if key in one.values}
        when = own.get("taken_at", one.at)
        readings.append({**shared, **own, "origin": "provisional", "stage": name, "taken_at": when})
    return _text(visit, readings)


def _fault(one: Condition) -> Fault:
    return Fault("baseline", one.what, "missing", why="is lacking", hint=one.how)


def _text(visit: Visit, readings: list[dict[str, Any]]) -> str:
    """Return the whole profile, refused where the one checker refuses it."""
    whole = {**visit.profile, "heater_id": visit.heater_id, "baseline": readings}
    Heater.from_dict(whole)
    return profile_template(known=whole)


def second_look(visit: Visit) -> list[Condition]:
    """Return whether this visit bears a provisional baseline out: at each of its stages, as if it were confirmed.

    Lambda of each stage lies within the 95 % of both readings around the healthy one at this site, the sample is valid,
    and healthy leads the causes.
    """
    sure = Heater.from_dict({**visit.profile, "baseline": _confirmed(visit)})
    found, why_not = causes_of(visit, heater=sure, next_checks=False)
    if found is None:
        return [Condition("a reading", False, why_not)]
    read = read_of_stages(visit)
    told = []
    for name in dict.fromkeys(one.stage for one in sure.baselines):
        result = read[name].result if name in read else None
        if result is None or result.air_ratio is None or name not in found.expected_healthy:
            told.append(Condition(f"{name} stage read", False, f"Read it: {name} o2 8.2 co 54."))
            continue
        expected = found.expected_healthy[name]
        most = 2.0 * math.hypot(result.air_ratio_u or 0.0, expected["air_ratio_u"])
        how = f"Lambda is {result.air_ratio:.2f}, {expected['air_ratio']:.2f} ± {most:.2f} was to be expected here."
        told.append(Condition(f"{name} lambda", abs(result.air_ratio - expected["air_ratio"]) <= most, how))
    healthy = found.valid and found.fits and found.top.cause == "healthy"
    told.append(Condition("healthy leads the causes", healthy, f"What leads is: {found.in_short}."))
    return [*told, _nothing_found(visit)]


def _confirmed(visit: Visit) -> list[dict[str, Any]]:
    given = visit.profile.get("baseline")
    rows = [dict(row) for row in given] if isinstance(given, list | tuple) else []
    return [{**row, "origin": "unit"} if row.get("origin") == "provisional" else row for row in rows]


def confirmed_profile(visit: Visit) -> str:
    """Return the profile of a heater whose provisional baseline this visit bears out, as TOML text.

    Raises
    ------
    CombustError
        What speaks against it, or is not there.
    """
    if lacking := [one for one in second_look(visit) if not one.met]:
        raise CombustError([_fault(one) for one in lacking])
    return _text(visit, list(plain(_confirmed(visit))))


def new_profile(visit: Visit) -> str:
    """Return the profile that this visit allows to be written: with a provisional baseline, or with a confirmed one.

    Raises
    ------
    CombustError
        What is lacking, each with how to add it; a heater that has its own healthy reading.
    """
    heater = visit.heater
    return confirmed_profile(visit) if heater and heater.is_provisional else provisional_profile(visit)


def question(visit: Visit) -> str:
    """Return what is asked about the baseline at the end of a visit, or what it lacks; "" when it has its own."""
    heater = visit.heater
    if heater and heater.baselines and not heater.is_provisional:
        return ""
    provisional = bool(heater and heater.is_provisional)
    lacking = [one.what for one in (second_look(visit) if provisional else conditions(visit)) if not one.met]
    if not lacking and provisional:
        return "today agrees with the provisional baseline: close --baseline FILE writes it as confirmed"
    if not lacking:
        return "may today's reading be its provisional baseline? close --baseline FILE writes it, under suspicion"
    if provisional:
        return f"{PROVISIONAL}; today it lacks: {', '.join(lacking)}"
    return f"none of this heater yet; for a provisional one it lacks: {', '.join(lacking)}"
