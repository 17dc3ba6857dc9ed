"""The hidden heater of a case: a fault drawn from its prior, read as the causes say that such a heater reads.

The forward model and the scatter of readings (baseline, day-to-day tolerance, analyser, unsteadiness) are those of the
inference; the random numbers are the case's own.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from combust.application.causes import evidence as ev
from combust.application.causes.catalogue import HEALTHY
from combust.application.causes.checks import ENTERED_WITH, NEW_ROW, SEEN
from combust.application.causes.clean_gas import O2_AIR
from combust.application.causes.draws import NORMALS_EACH, Variant
from combust.application.causes.engine import Engine
from combust.application.causes.forward import ALL_CHANNELS
from combust.application.causes.seen_answers import seen_table
from combust.application.causes.stage_reading import StageReading
from combust.application.heater.structure import STRUCTURE, Parameters
from combust.application.mystery.rules import prices, table
from combust.data.vocabulary import quantity
from combust.kernel import air

STROKES = 200.0
SPAN_GAS_PCT = 6.0
# A mistaken stage is always that of the first, full-stage reading.
LEFT_OUT = (("stage_mistaken", "lower"),)
GAS = ("o2_dry_pct", "co2_dry_pct", "co_dry_ppm")
# A check of a case shows these beside a column of its own.
SHOWN_WITH = {
    **ENTERED_WITH,
    "o2_dry_pct": GAS[1:],
    "ambient_o2_pct": ("ambient_co_ppm",),
    "flue_drift_k_per_min": ("flue_temp_c",),
}
# Channels that are logarithms -> (column, sign), and those that are read as they are.
LOGARITHMS = {
    "co": ("co_dry_ppm", 1.0),
    "voltage": ("supply_v", 1.0),
    "speed": ("blower_rpm", 1.0),
    "frequency": ("pump_hz", 1.0),
    "intake_static": ("intake_static_pa", -1.0),
    "exhaust_static": ("exhaust_static_pa", 1.0),
    "span_over_3min": ("o2_span_over_3min_pct", 1.0),
    "drift": ("flue_drift_k_per_min", 1.0),
}
AS_THEY_ARE = {"flue": "flue_temp_c"} | {key: f"{key}_pct" for key in ("ambient_o2", "intake_co2", "intake_o2")}
# Decimals of the display where they are not one.
DECIMALS = dict.fromkeys(("co_dry_ppm", "flue_temp_c", "intake_static_pa", "exhaust_static_pa"), 0) | {"blower_rpm": -1}
DECIMALS |= dict.fromkeys(("supply_v", "pump_hz", "delivered_ml", "o2_span_over_3min_pct", "intake_co2_pct"), 2)


def readings_of(
    engine: Engine, causes: Sequence[str], level: str, context: Mapping[str, Any], noise: np.random.Generator
) -> dict[str, dict[str, Any]]:
    """Return the columns of the first reading (``first``) and of every check of a heater with the given causes.

    The size of a fault follows the level, everything else the stated prior.
    """
    row = table()["level"][level]
    p = _parameters(engine, causes, row["severity"], noise)
    by_load = sorted(engine.stages, key=lambda name: engine.stages[name].load)
    arranged = {"main": {"stage": by_load[-1]}, "second_stage": {"stage": by_load[0]}}
    arranged |= {name: {"stage": by_load[-1], "arrangement": name} for name in NEW_ROW[1:]}
    place = {key: context[key] for key in ("altitude_m", "intake_temp_c")}
    rows = [engine.row({**place, **extra}, several=True) for extra in arranged.values()]
    read = dict(zip(arranged, _read(engine, rows, p, row["analyser"], noise), strict=True))
    main = read["main"]
    height = float(air.pressure_from_altitude(context["altitude_m"]))
    main["pressure_hpa"] = round(height * (1.0 + 0.003 * noise.standard_normal()), 1)
    main["ambient_co_ppm"] = float(noise.integers(0, 3))
    main["cab_co_in_ppm"], main["cab_co_out_ppm"] = context["cab_co_ppm"]
    checks = {name: check for name, check in engine.priors.checks.items() if name in prices()}
    looked = [column for name, columns in SEEN.items() if name in checks for column in columns]
    main |= dict(_seen(engine, frozenset(causes), p, column, noise) for column in looked)
    found = {"first": {key: main[key] for key in GAS}}
    for name, check in checks.items():
        keys = [key for column in check.columns for key in (column, *SHOWN_WITH.get(column, ()))]
        values = read.get(name, main)
        found[name] = {**arranged.get(name, {}), **{key: values[key] for key in keys if key in values}}
    return found


def _parameters(
    engine: Engine, causes: Sequence[str], severity: tuple[float, float], noise: np.random.Generator
) -> Parameters:
    """Return one draw of a heater with the causes; ``severity`` is (mean, spread) of the normals behind their size."""
    chosen: list[Variant] = []
    for cause in causes:
        known = [one for one in engine.variants if one.cause == cause and (one.cause, one.name) not in LEFT_OUT]
        share = np.array([one.share for one in known])
        chosen.append(known[int(noise.choice(len(known), p=share / share.sum()))])
    u = noise.standard_normal((1, len(STRUCTURE) + NORMALS_EACH * len(chosen)))
    u[:, len(STRUCTURE) :: NORMALS_EACH] = severity[0] + severity[1] * u[:, len(STRUCTURE) :: NORMALS_EACH]
    return engine.drawer.parameters(u, *chosen)


def _read(
    engine: Engine, rows: Sequence[StageReading], p: Parameters, analyser: float, noise: np.random.Generator
) -> list[dict[str, Any]]:
    """Return the columns of rows: the model, then one draw of their joint scatter, then the display.

    ``analyser`` is the error of the analyser over its class.
    """
    limits = ("o2_limit_pct", "temp_limit_c", "temp_limit_share")
    instrument = replace(engine.instrument, **{key: analyser * getattr(engine.instrument, key) for key in limits})
    needed = [ALL_CHANNELS] * len(rows)
    channels = [
        {key: float(one[0]) for key, one in of_row.items()} for of_row in engine.model.expected_rows(rows, p, needed)
    ]
    found = []
    for index, (row, expected) in enumerate(zip(rows, channels, strict=True)):
        exact = {**_columns(engine, row, expected), "stroke_ul": engine.heater.stroke_ul}
        found += ev.observations_of(index, exact, row, engine.model, instrument)
    probes = engine.model.expected_rows(rows, engine.probe, needed)
    shift, added = ev.unsteady_shift(found, engine.priors)
    wild = float("unsteady" in p)
    matrix = ev.covariance(found, rows, probes, engine.priors) + wild * added
    for one, error in zip(found, noise.multivariate_normal(wild * shift, matrix, method="cholesky"), strict=True):
        channels[one.row][one.channel] = one.value + float(error)
    return [
        {key: round(value, DECIMALS.get(key, 1)) for key, value in _columns(engine, row, read).items()}
        for row, read in zip(rows, channels, strict=True)
    ]


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
    }
    if "rise" in value:
        shown |= {"air_in_temp_c": row.site.air_in_c, "air_out_temp_c": row.site.air_in_c + np.exp(value["rise"])}
    return {key: float(np.clip(one, quantity(key).low, quantity(key).high)) for key, one in shown.items()}


def _seen(
    engine: Engine, causes: frozenset[str], p: Parameters, column: str, noise: np.random.Generator
) -> tuple[str, Any]:
    """Return (column, answer) of something looked at, by the stated chances with these causes."""
    known = seen_table(column, engine.priors)
    usual = np.array(list(known[HEALTHY].values()))
    chance = usual.copy()
    for cause in sorted(causes & known.keys() - {HEALTHY}):
        chance = chance * np.array([known[cause][answer] for answer in known[HEALTHY]]) / usual
    answer = list(known[HEALTHY])[int(noise.choice(len(chance), p=chance / chance.sum()))]
    if column == "warm":
        low, high = (12, 40) if answer == "warm" else (3, 9)
        return "minutes_since_ignition", float(noise.integers(low, high))
    if column == "analyser_fuel" and answer == "same":
        return column, engine.heater.fuel.name
    if column == "analyser_fuel":  # the setting that is nearest to the CO2 maximum in use
        settings = engine.drawer.settings
        used = float(np.ravel(p.get("setting", settings["natural gas"]))[0])
        return column, min(settings, key=lambda name: abs(settings[name] - used))
    return column, answer
