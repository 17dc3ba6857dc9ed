"""The hidden heater of a case: simulated with a fault, at rest or just after its start, and what is seen of it.

What is seen is true, and the heater is what its inputs make of it. Only instruments scatter: by their class, and as the
ranking of causes holds one reading to scatter.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from combust.application.causes import evidence as ev
from combust.application.causes.checks import ENTERED_WITH, NEW_ROW
from combust.application.causes.clean_gas import O2_AIR
from combust.application.causes.draws import NORMALS_EACH, severity_of
from combust.application.causes.engine import Engine
from combust.application.causes.stage_reading import StageReading
from combust.application.heater.baseline import MACHINE, PORTS
from combust.application.heater.healthy import PATH
from combust.application.heater.structure import STRUCTURE, share_of
from combust.application.mystery.case import FIRST
from combust.application.mystery.rules import prices, table
from combust.application.trainer.control import Event
from combust.application.trainer.resting import Resting, resting
from combust.application.trainer.session import TrainingSession
from combust.data.vocabulary import quantity
from combust.kernel import air
from combust.kernel.ducts import resistance_from_air_change

STROKES = 200.0
SPAN_GAS_PCT = 6.0
WATCHED_S = 180.0  # how long O2 and flue temperature are watched for steadiness
MOST_RESISTANCE = 100.0
DUCT_OFF = {"intake_duct_off": {"intake_resistance": 0.3}, "exhaust_duct_off": {"exhaust_resistance": 0.3}}
# A check of a case shows these beside a column of its own.
SHOWN_WITH = {
    **ENTERED_WITH,
    "o2_dry_pct": FIRST[1:],
    "ambient_o2_pct": ("ambient_co_ppm",),
    "flue_drift_k_per_min": ("flue_temp_c",),
}
# Channels that are logarithms -> (column, sign), and those that are read as they are.
LOGARITHMS = {
    "co": ("co_dry_ppm", 1.0),
    **{channel: (column, 1.0) for channel, column in MACHINE.items()},
    **{channel: (column, -1.0 if channel == "intake_static" else 1.0) for channel, column in PORTS.items()},
    "span_over_3min": ("o2_span_over_3min_pct", 1.0),
    "drift": ("flue_drift_k_per_min", 1.0),
}
AS_THEY_ARE = {"flue": "flue_temp_c"} | {key: f"{key}_pct" for key in ("ambient_o2", "intake_co2", "intake_o2")}
# Decimals of the display where they are not one.
DECIMALS = dict.fromkeys(("co_dry_ppm", "flue_temp_c", "intake_static_pa", "exhaust_static_pa"), 0) | {"blower_rpm": -1}
DECIMALS |= dict.fromkeys(("supply_v", "pump_hz", "delivered_ml", "o2_span_over_3min_pct", "intake_co2_pct"), 2)


class DoesNotRunError(Exception):
    """The heater of a draw would not run as the case says: no flame, a trip, or a cut-out."""


@dataclass(frozen=True, slots=True)
class Hidden:
    """A heater with its fault.

    Attributes
    ----------
    causes : tuple of str
    inputs : mapping
        Inputs of the simulated heater that are not as they should be.
    seen : mapping
        What is seen and is not as usual, column -> answer.
    structure : mapping
        The air path and exchanger of this very heater.
    early_s : float or None
        Seconds after the flame at which the first reading is taken; None = at rest.
    """

    causes: tuple[str, ...]
    inputs: Mapping[str, Any]
    seen: Mapping[str, str]
    structure: Mapping[str, float]
    early_s: float | None = None


def draw(engine: Engine, causes: Sequence[str], severity: tuple[float, float], noise: np.random.Generator) -> Hidden:
    """Return a heater with the causes; ``severity`` is (mean, spread) of the standard normals behind their size."""
    drawn = engine.drawer.structure_of(noise.standard_normal((1, len(STRUCTURE))))
    structure = {name: float(drawn[name][0]) for name in PATH}
    inputs: dict[str, Any] = {}
    seen: dict[str, str] = {}
    early = None
    for cause in causes:
        u = noise.standard_normal(NORMALS_EACH)
        row = engine.priors.causes[cause].severity
        size = float(severity_of(row, severity[0] + severity[1] * u[0])) if row else 0.0
        moved, looks = _fault(engine, cause, size, u, structure)
        inputs |= moved
        seen |= looks
        early = float(90.0 + 60.0 * share_of(u[1])) if cause == "not_steady" else early
    return Hidden(tuple(causes), inputs, seen, structure, early)


def _fault(
    engine: Engine, cause: str, size: float, u: Any, structure: Mapping[str, float]
) -> tuple[dict[str, Any], dict[str, str]]:
    """Return the inputs that a cause moves and what is seen of it."""
    heater, coin = engine.heater, bool(u[2] > 0.0)
    if cause in ("intake_restricted", "exhaust_restricted"):
        side = cause.split("_")[0]
        over = float(resistance_from_air_change(1.0 - size, structure["steepness"]))
        grown = min(1.0 + (over - 1.0) / structure[f"{side}_share"], MOST_RESISTANCE)
        return {f"{side}_resistance": grown}, {"terminals": f"{side}_blocked"} if coin else {}
    if cause == "supply_low":
        return {"battery_v": _low_battery(heater.nominal_v or 12.0, size)}, {}
    if cause == "fuel_other":
        named = engine.priors.table["other_fuels"]["blend"]
        other = [name for name in named if name != heater.fuel.name]
        return {"fuel_kind": other[int(share_of(u[0]) * len(other))]}, {"fuel_sample": "other"}
    if cause == "stage_mistaken":
        return {"stage": min(engine.stages, key=lambda name: engine.stages[name].load)}, {}
    pump = "pump_hz_ratio" if coin else "fuel"
    return {
        "exhaust_recirculated": ({"recirculated": size}, {}),
        "blower_weak": ({"blower": 1.0 - size}, {}),
        "fuel_over": ({pump: 1.0 + size}, {}),
        "fuel_under": ({pump: 1.0 - size}, {}),
        "burner_fouled": ({"burner_co": float(np.exp(size))}, {}),
        "exchanger_fouled": ({"exchanger": 1.0 - size}, {}),
        "heating_air_restricted": ({"heating_air": 1.0 - size}, {}),
        "sample_air_leak": ({"hose_leak": size}, {"probe_leak_test": "fail"}),
        "sample_wet": ({"wet_hose": 0.35 + 0.65 * float(share_of(u[0] + 0.8))}, {"sample_line": "wet"}),
        "o2_cell_drift": ({"cell_drift_pct": size if coin else -size}, {}),
    }.get(cause, ({}, {}))


def _low_battery(nominal_v: float, size: float) -> float:
    """Return a battery that slows the blower at full stage by a share, but never so far that it cuts out [V]."""
    return max(nominal_v * 1.05 * 0.90 * (1.0 - size), nominal_v * 0.885) + 0.006 * nominal_v


def readings_of(
    engine: Engine, hidden: Hidden, level: str, context: Mapping[str, Any], noise: np.random.Generator
) -> dict[str, dict[str, Any]]:
    """Return the columns of the first reading (``first``) and of every check.

    Raises
    ------
    DoesNotRunError
        The fault would stop this heater.
    """
    by_load = sorted(engine.stages, key=lambda name: engine.stages[name].load)
    arranged = {"main": {"stage": by_load[-1]}, "second_stage": {"stage": by_load[0]}}
    arranged |= {name: {"stage": by_load[-1], "arrangement": name} for name in NEW_ROW[1:]}
    place = {"altitude_m": context["altitude_m"], "air_temp_c": context["intake_temp_c"]}
    site = {key: context[key] for key in ("altitude_m", "intake_temp_c")}
    rows = [engine.row({**site, **extra}, several=True) for extra in arranged.values()]
    exact = []
    for name, extra in arranged.items():
        moved = {"stage": hidden.inputs.get("stage", extra["stage"]) if name != "second_stage" else extra["stage"]}
        exact.append(_at_rest(engine, hidden, {**place, **moved, **DUCT_OFF.get(name, {})}))
    if hidden.early_s is not None:
        exact[0] = _after_the_start(engine, hidden, place, exact[0])
    read = dict(zip(arranged, _read(engine, rows, exact, table()["level"][level]["analyser"], noise), strict=True))
    main = read["main"]
    height = float(air.pressure_from_altitude(context["altitude_m"]))
    main["pressure_hpa"] = round(height * (1.0 + 0.0005 * noise.standard_normal()), 1)
    main["intake_temp_c"] = context["intake_temp_c"]
    main["ambient_co_ppm"] = 0.0
    main["cab_co_in_ppm"], main["cab_co_out_ppm"] = context["cab_co_ppm"]
    lit_s = hidden.early_s
    main["minutes_since_ignition"] = float(noise.integers(15, 40)) if lit_s is None else round(lit_s / 60.0, 1)
    usual = {"terminals": "clear", "probe_leak_test": "pass", "sample_line": "dry", "fuel_sample": "as_stated"}
    usual |= {"analyser_fuel": engine.heater.fuel.name, "plate_number": "agrees"}
    main |= {**usual, **hidden.seen}
    found = {"first": {key: main[key] for key in FIRST}}
    for name, check in engine.priors.checks.items():
        if name in prices():
            keys = [key for column in check.columns for key in (column, *SHOWN_WITH.get(column, ()))]
            values = read.get(name, main)
            found[name] = {**arranged.get(name, {}), **{key: values[key] for key in keys if key in values}}
    found["start_again"] = {"flame": starts(engine, hidden, place)}
    return found


def _ready(engine: Engine, hidden: Hidden, moved: Mapping[str, Any]) -> TrainingSession:
    """Return a session of this heater with its fault, before any time has passed."""
    session = TrainingSession(engine.heater, structure=hidden.structure)
    session.set_inputs({**hidden.inputs, **moved})
    return session


def _at_rest(engine: Engine, hidden: Hidden, moved: Mapping[str, Any]) -> dict[str, float]:
    """Return the exact channels of the heater at rest."""
    heater = _ready(engine, hidden, moved).heater
    truth, rules = resting(heater), heater.control.rules
    runs = 1.02 < truth.air_ratio < 4.0 and truth.air_out_c < rules.outlet_trip_c - 5.0
    runs = runs and truth.flue_c < table()["limits"]["flue_at_most_c"]
    if not runs or np.exp(truth.logs["voltage"]) < rules.cutout_v:
        raise DoesNotRunError
    return _channels(engine, heater.inputs, truth)


def _channels(engine: Engine, inputs: Any, truth: Resting) -> dict[str, float]:
    """Return the exact channels that a truth shows, in the terms of the ranking."""
    numbers = engine.priors.table["reading"]
    return {
        **_of_gas(engine, truth.o2_pct, truth.co_ppm, truth.flue_c, truth.air_out_c - truth.air_in_c),
        **truth.logs,
        "intake_co2": truth.intake_co2_pct,
        "intake_o2": truth.intake_o2_pct,
        "setting": 0.0,
        "delivery": float(np.log(inputs.fuel)),
        "ambient_o2": 20.9 + inputs.cell_drift_pct,
        "span": inputs.cell_drift_pct,
        "span_over_3min": float(np.log(numbers["span_over_3min_median_pct"])),
        "drift": float(np.log(numbers["drift_median_k_per_min"])),
    }


def _of_gas(engine: Engine, o2_pct: float, co_ppm: float, flue_c: float, rise_k: float) -> dict[str, float]:
    """Return the channels of the flue gas and of the heating air."""
    return {
        "lambda_o2": float(np.log(engine.model.gas.air_ratio_of_o2(min(o2_pct, 20.5)))),
        "co": float(np.log(co_ppm)),
        "flue": flue_c,
        "rise": float(np.log(max(rise_k, 0.5))),
    }


def _after_the_start(
    engine: Engine, hidden: Hidden, place: Mapping[str, Any], rest: Mapping[str, float]
) -> dict[str, float]:
    """Return the exact channels while the heater still warms up: driven from cold, watched for three minutes."""
    session = _ready(engine, hidden, place)
    lit = _lit(session)
    if lit is None:
        raise DoesNotRunError
    session.advance(max(0.0, lit.at_s + float(hidden.early_s or 0.0) - session.time_s))
    now, begin = session.reading(), int(session.time_s)
    session.advance(WATCHED_S)
    trace = session.trace()
    o2, flue = (np.array(trace[key][begin:], dtype=float) for key in ("o2_dry_pct", "flue_temp_c"))
    o2_pct, co_ppm, flue_c, air_in_c, air_out_c = (
        float(one or 0.0)
        for one in (now.o2_dry_pct, now.co_dry_ppm, now.flue_temp_c, now.air_in_temp_c, now.air_out_temp_c)
    )
    return {
        **rest,
        **_of_gas(engine, o2_pct, max(co_ppm, 5.0), flue_c, air_out_c - air_in_c),
        "span_over_3min": float(np.log(max(o2.max() - o2.min(), 0.05))),
        "drift": float(np.log(max(abs(flue[-1] - flue[0]) / (WATCHED_S / 60.0), 0.05))),
    }


def _lit(session: TrainingSession) -> Event | None:
    """Start a heater and let it go on until the flame is seen; None when it locks or stops before."""
    session.request_heat()
    for _ in range(60):  # a quarter of an hour
        session.advance(15.0)
        seen = [one for one in session.events() if one.code == "flame_seen"]
        if seen:
            return seen[0]
        if session.heater.control.locked or session.heater.phase.name == "off":
            return None
    return None


def starts(engine: Engine, hidden: Hidden, place: Mapping[str, Any]) -> bool:
    """Return whether the heater lights when it is started again: driven from cold."""
    return _lit(_ready(engine, hidden, place)) is not None


def _read(
    engine: Engine,
    rows: Sequence[StageReading],
    exact: Sequence[Mapping[str, float]],
    analyser: float,
    noise: np.random.Generator,
) -> list[dict[str, Any]]:
    """Return the columns of rows as instruments show them: scatter of each reading, and what a visit has in common.

    ``analyser`` is the error of the analyser over its class.
    """
    limits = ("o2_limit_pct", "temp_limit_c", "temp_limit_share")
    instrument = replace(engine.instrument, **{key: analyser * getattr(engine.instrument, key) for key in limits})
    common: dict[str, float] = {}
    shown = []
    for index, (row, channels) in enumerate(zip(rows, exact, strict=True)):
        columns = {**_columns(engine, row, channels), "stroke_ul": engine.heater.stroke_ul}
        read = dict(channels)
        for one in ev.observations_of(index, columns, row, engine.model, instrument):
            if one.channel == "setting":  # worked out by the analyser from the O2 that it shows
                continue
            if one.shared and one.channel not in common:
                common[one.channel] = float(noise.standard_normal())
            error = one.scatter * float(noise.standard_normal()) + one.shared * common.get(one.channel, 0.0)
            read[one.channel] = channels.get(one.channel, one.value) + error
        shown.append({key: round(value, DECIMALS.get(key, 1)) for key, value in _columns(engine, row, read).items()})
    return shown


def _columns(engine: Engine, row: StageReading, value: Mapping[str, float]) -> dict[str, float]:
    """Return the columns that show the channels of a row, each inside its allowed range."""
    o2 = float(engine.model.gas.o2_pct(np.exp(value["lambda_o2"])))
    shown = {
        column: sign * np.exp(value[channel]) for channel, (column, sign) in LOGARITHMS.items() if channel in value
    }
    shown |= {column: value[channel] for channel, column in AS_THEY_ARE.items()}
    shown |= {
        "o2_dry_pct": o2,
        "co2_dry_pct": engine.heater.fuel.co2_maximum_pct * np.exp(value["setting"]) * (O2_AIR - o2) / O2_AIR,
        "strokes": STROKES,
        "delivered_ml": STROKES * float(engine.heater.stroke_ul or 0.0) * 1e-3 * np.exp(value["delivery"]),
        "span_o2_pct": SPAN_GAS_PCT,
        "span_o2_read_pct": SPAN_GAS_PCT + value["span"],
        "air_in_temp_c": row.site.air_in_c,
        "air_out_temp_c": row.site.air_in_c + np.exp(value["rise"]),
    }
    return {key: float(np.clip(one, quantity(key).low, quantity(key).high)) for key, one in shown.items()}
