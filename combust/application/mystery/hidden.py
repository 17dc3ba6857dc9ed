"""The hidden heater of a case: a fault drawn from its prior, the forward model of the causes, noise of its own.

The noise is drawn here part by part (day-to-day tolerance, baseline, analyser, scatter) and shares nothing with the
draws of the inference.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from combust.application.causes import evidence as ev
from combust.application.causes.catalogue import HEALTHY
from combust.application.causes.checks import SEEN
from combust.application.causes.clean_gas import CO2_AIR, O2_AIR
from combust.application.causes.draws import NORMALS_EACH, Variant
from combust.application.causes.engine import Engine
from combust.application.causes.stage_reading import StageReading, Values
from combust.application.heater.structure import STRUCTURE, Parameters
from combust.application.mystery.rules import table
from combust.kernel import air

STROKES = 200.0
SPAN_GAS_PCT = 6.0
# A mistaken stage is always that of the first, full-stage reading.
LEFT_OUT = (("stage_mistaken", "lower"),)
NEW_ROWS = ("second_stage", "intake_duct_off", "exhaust_duct_off")


@dataclass(frozen=True)
class Drawn:
    """Everything hidden of one candidate: parameters, causes, context, and the errors that stay for the visit."""

    causes: frozenset[str]
    parameters: Parameters
    context: Mapping[str, Any]
    analyser: Mapping[str, float]
    noise: np.random.Generator


def draw(
    engine: Engine, causes: Sequence[str], level: str, context: Mapping[str, Any], noise: np.random.Generator
) -> Drawn:
    """Return a candidate with the given causes; their size follows the level, everything else the stated prior."""
    row = table()["level"][level]
    chosen = [_variant(engine, cause, noise) for cause in causes]
    u = noise.standard_normal((1, len(STRUCTURE) + NORMALS_EACH * len(chosen)))
    mean, spread = row["severity"]
    for number in range(len(chosen)):
        place = len(STRUCTURE) + NORMALS_EACH * number
        u[:, place] = mean + spread * u[:, place]
    p = engine.drawer.parameters(u, *chosen)
    tolerance = engine.priors.table["tolerance"]
    # 0.4 of a change of head arrives as air at the usual steepness of 0.5.
    spreads = {"head": tolerance["air"] / 0.4, "stroke": tolerance["fuel"]}
    for key, spread in (spreads | {key: tolerance[key] for key in ("clean", "heating_air")}).items():
        p[key] = p.get(key, 1.0) * np.exp(spread * noise.standard_normal())
    scale = float(row["analyser"])
    share = engine.priors.table["reading"]["systematic_share"]
    shared = {
        "lambda_o2": scale * share * engine.instrument.o2_limit_pct / 2.0 * noise.standard_normal(),
        "flue": scale * 0.006 * noise.standard_normal(),
        "static": scale * tolerance["static"] * noise.standard_normal(),
        "scale": scale,
    }
    shared |= {key: float(noise.standard_normal()) for key in ("voltage", "speed", "frequency", "delivery")}
    return Drawn(frozenset(causes), p, dict(context), shared, noise)


def _variant(engine: Engine, cause: str, noise: np.random.Generator) -> Variant:
    found = [one for one in engine.variants if one.cause == cause and (one.cause, one.name) not in LEFT_OUT]
    share = np.array([one.share for one in found])
    return found[int(noise.choice(len(found), p=share / share.sum()))]


def readings_of(engine: Engine, drawn: Drawn) -> dict[str, dict[str, Any]]:
    """Return the columns of the first reading (``first``) and of every check that the reading of a visit can hold."""
    by_load = sorted(engine.stages, key=lambda name: engine.stages[name].load)
    full = by_load[-1]
    rows = {"main": {"stage": full}, "second_stage": {"stage": by_load[0]}}
    rows |= {name: {"stage": full, "arrangement": name} for name in NEW_ROWS[1:]}
    read = {name: _row(engine, drawn, {**_place(drawn), **extra}) for name, extra in rows.items()}
    main = read["main"]
    gas = ("o2_dry_pct", "co2_dry_pct", "co_dry_ppm")
    columns = {
        "stage_and_steadiness": ("pump_hz", "flue_temp_c"),
        "supply_voltage": ("supply_v",),
        "heating_air": ("air_in_temp_c", "air_out_temp_c"),
        "port_pressures": ("intake_static_pa", "exhaust_static_pa"),
        "blower_speed": ("blower_rpm",),
    }
    out = {name: {key: main[key] for key in keys if key in main} for name, keys in columns.items()}
    out["first"] = {key: main[key] for key in gas}
    for name in NEW_ROWS:
        wanted = (*gas, "flue_temp_c", *(("air_in_temp_c", "air_out_temp_c") if name == "second_stage" else ()))
        out[name] = {**rows[name], **{key: read[name][key] for key in wanted if key in read[name]}}
    for name, more in _checks(engine, drawn).items():
        out[name] = out.get(name, {}) | more
    return out


def _place(drawn: Drawn) -> dict[str, Any]:
    return {key: drawn.context[key] for key in ("altitude_m", "intake_temp_c")}


def _row(engine: Engine, drawn: Drawn, reading: Values) -> dict[str, Any]:
    """Return the columns of one row: the model, then baseline error, unsteadiness, analyser, rounding."""
    row = engine.row(reading, several=True)
    noise, held = drawn.noise, engine.priors.table
    value = {key: float(np.ravel(one)[0]) for key, one in engine.model.expected(row, drawn.parameters).items()}
    own = ev.own_spreads(held["tolerance"]) | dict.fromkeys(("intake_static", "exhaust_static"), 0.0)
    wild = held["unsteady"] if "not_steady" in drawn.causes else {}
    for key in value:
        known = row.healthy.u.get("air_ratio" if key == "lambda_o2" else key, 0.0)
        value[key] += known * noise.standard_normal() + own.get(key, 0.0) * noise.standard_normal()
        mean, spread = wild.get(ev.UNSTEADY_NAMES.get(key, key), (0.0, 0.0))
        value[key] += mean + spread * noise.standard_normal()
    return _shown(engine, drawn, row, value)


def _shown(engine: Engine, drawn: Drawn, row: StageReading, value: Mapping[str, float]) -> dict[str, Any]:
    """Return what instruments show of the true channels."""
    noise, errors, numbers = drawn.noise, drawn.analyser, engine.priors.table["reading"]
    z = noise.standard_normal
    scale, limit = errors["scale"], engine.instrument.o2_limit_pct / 2.0
    alone = np.hypot(numbers["o2_scatter_pct"], scale * limit * np.sqrt(1.0 - numbers["systematic_share"] ** 2))
    oxygen = float(engine.model.gas.o2_pct(np.exp(value["lambda_o2"])))
    oxygen = round(min(max(oxygen + errors["lambda_o2"] + alone * z(), 0.0), 20.9), 1)
    maximum = engine.heater.fuel.co2_maximum_pct * np.exp(value["setting"] + 0.3 * numbers["setting_u"] * z())
    shown: dict[str, Any] = {
        "o2_dry_pct": oxygen,
        "co2_dry_pct": round(float(maximum * (O2_AIR - oxygen) / O2_AIR), 1),
        "co_dry_ppm": float(round(min(np.exp(value["co"] + numbers["co_u"] * z()), 90_000.0))),
        "flue_temp_c": float(round(value["flue"] * (1.0 + errors["flue"]) + numbers["flue_scatter_k"] * z())),
    }
    cold = row.site.air_in_c
    if "rise" in value:
        u = numbers["air_temp_u_k"]
        shown["air_in_temp_c"] = round(cold + u * z(), 1)
        shown["air_out_temp_c"] = round(min(cold + np.exp(value["rise"]) + u * z(), 245.0), 1)
    tolerance = engine.priors.table["tolerance"]
    for channel, column, digits in (
        ("voltage", "supply_v", 2),
        ("speed", "blower_rpm", -1),
        ("frequency", "pump_hz", 2),
    ):
        if channel in value:
            spread = tolerance[channel] * errors[channel] + numbers[f"{channel}_u"] * z()
            shown[column] = round(float(np.exp(value[channel] + spread)), digits)
    for channel, sign in (("intake_static", -1.0), ("exhaust_static", 1.0)):
        if channel in value:
            spread = errors["static"] + 0.4 * tolerance["static"] * z() + numbers["static_u"] * z()
            pascal = np.exp(value[channel] + spread) + numbers["static_floor_pa"] * z()
            shown[f"{channel}_pa"] = sign * float(round(max(pascal, 1.0)))
    return shown


def _checks(engine: Engine, drawn: Drawn) -> dict[str, dict[str, Any]]:
    """Return the columns of the checks that are made once a visit."""
    noise, numbers = drawn.noise, engine.priors.table["reading"]
    z = noise.standard_normal
    row = engine.row(_place(drawn), several=True)
    value = {key: float(np.ravel(one)[0]) for key, one in engine.model.expected(row, drawn.parameters).items()}
    wild = "not_steady" in drawn.causes
    kind = "unsteady_" if wild else ""
    wide, fast = numbers["unsteady_span_factor" if wild else "span_over_3min_factor"], numbers[f"{kind}drift_factor"]
    span = value["span_over_3min"] + np.log(wide) * z()
    drift = value["drift"] + np.log(fast) * z()
    delivered = value["delivery"] + engine.priors.table["tolerance"]["pump_delivery"] * drawn.analyser["delivery"]
    caught = STROKES * float(engine.heater.stroke_ul or 0.0) * 1e-3 * np.exp(delivered + numbers["delivery_u"] * z())
    inside, outside = drawn.context["cab_co_ppm"]

    def intake(channel: str, fresh: float) -> Any:
        far = 0.04 * (value[channel] - fresh)  # the far end of the scale is known no better than 4 % of what is there
        return value[channel] + np.hypot(numbers[f"{channel}_u_pct"], far) * z()

    height = float(air.pressure_from_altitude(drawn.context["altitude_m"]))
    found: dict[str, dict[str, Any]] = {
        "ambient_air": {
            "ambient_o2_pct": round(float(value["ambient_o2"] + numbers["ambient_o2_u_pct"] * z()), 1),
            "ambient_co_ppm": float(noise.integers(0, 3)),
        },
        "stage_and_steadiness": {
            "o2_span_over_3min_pct": round(float(np.exp(span)), 2),
            "flue_drift_k_per_min": round(float(np.exp(drift)), 1),
        },
        "site_air": {"pressure_hpa": round(height * (1.0 + 0.003 * z()), 1)},
        "intake_air_co2": {
            "intake_co2_pct": round(max(0.0, intake("intake_co2", CO2_AIR)), 2),
            "intake_o2_pct": round(min(21.2, intake("intake_o2", O2_AIR)), 1),
        },
        "pump_delivery": {"strokes": STROKES, "delivered_ml": round(float(caught), 2)},
        "span_gas": {
            "span_o2_pct": SPAN_GAS_PCT,
            "span_o2_read_pct": round(max(0.0, SPAN_GAS_PCT + value["span"] + numbers["span_u_pct"] * z()), 1),
        },
        "cab_co": {"cab_co_in_ppm": inside, "cab_co_out_ppm": outside},
    }
    for name, columns in SEEN.items():
        found[name] = found.get(name, {}) | dict(_seen(engine, drawn, column) for column in columns)
    return found


def _seen(engine: Engine, drawn: Drawn, column: str) -> tuple[str, Any]:
    """Return (column, answer) of something looked at, by the stated chances with these causes."""
    known = ev.seen_table(column, engine.priors)
    usual = np.array(list(known[HEALTHY].values()))
    chance = usual.copy()
    for cause in sorted(drawn.causes - {HEALTHY}):
        if cause in known:
            chance = chance * np.array([known[cause][answer] for answer in known[HEALTHY]]) / usual
    answer = list(known[HEALTHY])[int(drawn.noise.choice(len(chance), p=chance / chance.sum()))]
    if column == "warm":
        low, high = (12, 40) if answer == "warm" else (3, 9)
        return "minutes_since_ignition", float(drawn.noise.integers(low, high))
    if column == "analyser_fuel":
        return column, engine.heater.fuel.name if answer == "same" else _other_setting(engine, drawn)
    return column, answer


def _other_setting(engine: Engine, drawn: Drawn) -> str:
    """Return the name of the analyser setting that is nearest to the CO2 maximum in use."""
    settings = engine.drawer.settings
    used = float(np.ravel(drawn.parameters.get("setting", np.array([settings["natural gas"]])))[0])
    return min(settings, key=lambda name: abs(settings[name] - used))
