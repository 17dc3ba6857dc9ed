"""What to check next: expected information for each minute, inside an order that safety fixes.

Order: validity checks, then free ones, then those that cost or open the gas path. What the safety state forbids is not
listed at all. An exhaust duct never comes off before the port pressures were read.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from combust.application.causes import evidence as ev
from combust.application.causes.catalogue import Check, shipped_priors
from combust.application.causes.draws import Variant
from combust.application.causes.posterior import loose_of
from combust.application.causes.separate import imagined_answers, imagined_results
from combust.application.causes.stacking import stacked
from combust.application.causes.stage_reading import StageReading, Values
from combust.application.causes.visit_result import NextCheck
from combust.domain.safety import Safety
from combust.kernel.types import Floats

if TYPE_CHECKING:
    from combust.application.causes.engine import Engine
    from combust.application.causes.posterior import Posterior, Visit

DRAWS = 40  # draws of each hypothesis behind the expected results
SAMPLES = 48  # results imagined for each hypothesis
LEAST = 0.004  # hypotheses below this share are left out
TIERS = ("validity", "free", "paid")

# Channels a check adds on the row it is made at; second_stage and the ducts add a row of their own.
ON_ROW = {
    "ambient_air": ("ambient_o2",),
    "stage_and_steadiness": ("frequency", "span_over_3min", "drift"),
    "supply_voltage": ("voltage",),
    "intake_air_co2": ("intake_co2", "intake_o2"),
    "heating_air": ("rise",),
    "port_pressures": ("intake_static", "exhaust_static"),
    "pump_delivery": ("delivery",),
    "blower_speed": ("speed",),
    "span_gas": ("span",),
}
SEEN = {
    "probe_leak": ("probe_leak_test", "sample_line"),
    "analyser_settings": ("analyser_fuel",),
    "stage_and_steadiness": ("warm",),
    "look_at_terminals": ("terminals",),
    "fuel_sample": ("fuel_sample",),
    "strip_down": ("strip_down",),
    "joints": ("joints",),
    "glow_voltage": ("glow_voltage",),
    "fuel_line": ("fuel_line",),
    "glow_element": ("glow_element_test",),
    "flame_sensor": ("flame_sensor_test",),
}
# One column of each group is enough for a check to count as done; of the others all columns are wanted.
ENOUGH: dict[str, tuple[tuple[str, ...], ...]] = {
    "stage_and_steadiness": (("pump_hz",), ("o2_span_over_3min_pct", "flue_drift_k_per_min")),
    "site_air": (("pressure_hpa", "altitude_m"), ("intake_temp_c",)),
    "intake_air_co2": (("intake_co2_pct", "intake_o2_pct"),),
    "cab_co": (("cab_co_in_ppm",),),
}
OF_ANSWER = {
    "warm": "minutes_since_ignition",
    "glow_voltage": "supply_glow_v",
}  # what is seen -> its column, where that has another name
OF_PLACE = ("altitude_m", "pressure_hpa", "intake_temp_c", "humidity_pct", "air_in_temp_c", "stage")
NEW_ROW = ("second_stage", "intake_duct_off", "exhaust_duct_off")
# Columns without which a column of a check says nothing.
ENTERED_WITH = {
    "delivered_ml": ("strokes",),
    "span_o2_read_pct": ("span_o2_pct",),
    "air_out_temp_c": ("air_in_temp_c",),
}


@dataclass
class Component:
    """A hypothesis that still counts: share, its causes, draws, their whitened residuals."""

    key: tuple[Variant, ...]
    share: float
    label: int
    u: Floats
    residual: Floats


def propose_checks(
    engine: Engine,
    visit: Visit,
    result: Posterior,
    readings: Sequence[Values],
    *,
    safety: Safety,
    valid: bool,
    generator: np.random.Generator,
) -> tuple[NextCheck, ...]:
    """Return the checks worth making next, in the order they should be made; of an invalid reading only its own."""
    priors = engine.priors
    done, have = checks_done(readings), {key for reading in readings for key in reading}
    allowed = [check for check in priors.checks.values() if check.name not in done]
    allowed = [check for check in allowed if is_allowed(check, readings, safety)]
    asked = any(priors.causes[name].asked_by for name in visit.weighed)
    allowed = [check for check in allowed if asked or not check.of_start]
    if not valid:
        allowed = [check for check in allowed if check.tier == "validity" or check.name in ("span_gas", "cab_co")]
    gains = expected_gains(engine, visit, result, readings, [check.name for check in allowed], generator)
    skip = {tier: priors.decide("skip_bits") for tier in TIERS} | {"validity": priors.decide("skip_validity_bits")}
    worth = [check for check in allowed if gains[check.name] >= skip[check.tier] and check.name != "cab_co"]
    worth.sort(key=lambda check: (TIERS.index(check.tier), -gains[check.name] / check.minutes))
    worth += [check for check in allowed if check.name == "cab_co"]
    burn = safety.allows(("burning",))
    return tuple(
        NextCheck(one.name, gains[one.name], one.minutes, one.risk, one.tier, one.left(have, may_burn=burn))
        for one in worth
    )


def checks_done(readings: Sequence[Values]) -> set[str]:
    """Return the checks whose result is already in the readings."""
    have = {key for reading in readings for key in reading}
    done = {str(reading.get("arrangement")) for reading in readings} & set(NEW_ROW)
    if len({reading.get("stage") for reading in readings}) > 1:
        done.add("second_stage")
    for check in shipped_priors().checks.values():
        groups = ENOUGH.get(check.name, [(column,) for column in check.columns])
        if check.name not in NEW_ROW and all(have & set(group) for group in groups):
            done.add(check.name)
    return done


def is_allowed(check: Check, readings: Sequence[Values], safety: Safety) -> bool:
    """Return whether the safety state lets a check be listed; an exhaust duct never before the port pressures.

    What needs a flame is not listed for a heater that has none.
    """
    no_flame = any(reading.get("start_event") in ("never_lit", "lit_and_died") for reading in readings)
    if no_flame and "burning" in check.needs and "at_start" not in check.needs:
        return False
    open_path = check.name != "exhaust_duct_off" or any("exhaust_static_pa" in reading for reading in readings)
    return open_path and safety.allows(check.needs)


def expected_gains(
    engine: Engine,
    visit: Visit,
    result: Posterior,
    readings: Sequence[Values],
    names: Sequence[str],
    generator: np.random.Generator,
) -> dict[str, float]:
    """Return the expected information of each check about the causes [bit]."""
    parts = _components(result, generator)
    gains = dict.fromkeys(names, 0.0)
    if len({part.label for part in parts}) < 2:
        return gains
    imagined = _Imagined(engine, visit, parts, readings)
    for name in names:
        if name == "site_air":
            gains[name] = _site_gain(engine, readings, result)
        elif name != "cab_co":
            gains[name] = _gain(imagined, name, parts, generator)
    return gains


def _components(result: Posterior, generator: np.random.Generator) -> list[Component]:
    shares = {key: share for key, share in result.probabilities().items() if key in result.blocks and share > LEAST}
    likeliest = sorted(shares.items(), key=lambda item: -item[1])[:24]
    total = sum(share for _, share in likeliest)
    labels: dict[frozenset[str], int] = {}
    parts = []
    for key, share in likeliest:
        block = result.blocks[key]
        label = labels.setdefault(frozenset(variant.cause for variant in key), len(labels))
        pick = generator.choice(len(block.weights), DRAWS, p=block.weights)
        parts.append(Component(key, share / total, label, block.u[pick], block.residual[pick]))
    return parts


class _Imagined:
    """The channels that checks would show, for the draws of every component."""

    def __init__(self, engine: Engine, visit: Visit, parts: list[Component], readings: Sequence[Values]) -> None:
        self.engine, self.visit, self.parts, self.readings = engine, visit, parts, readings
        normal = [index for index, row in enumerate(visit.rows) if row.arrangement == "as_installed"] or [0]
        self.main = max(normal, key=lambda index: visit.rows[index].healthy.load)
        self.stacked = stacked([engine.drawer.parameters(part.u, *part.key) for part in parts], [DRAWS] * len(parts))
        self._rows: dict[str, tuple[StageReading, dict[str, Any], Mapping[str, Floats]]] = {}

    def row(self, name: str) -> tuple[StageReading, dict[str, Any], Mapping[str, Floats]] | None:
        """Return the row a check is made at, its channels for all draws and for the probes; None when it has none."""
        kind = name if name in NEW_ROW else "main"
        if kind not in self._rows:
            row = self.visit.rows[self.main]
            if kind != "main":
                reading = {key: value for key, value in self.readings[self.main].items() if key in OF_PLACE}
                if kind != "second_stage":
                    reading["arrangement"] = kind
                elif row.other is None:
                    return None
                else:
                    reading["stage"] = row.other.name
                row = self.engine.row(reading, kind == "second_stage" or row.mistaken != "either")
            self._rows[kind] = row, self.engine.model.expected(row, self.stacked), self.engine.probe_cache(row)
        return self._rows[kind]

    def channels(self, name: str, row: StageReading) -> list[str]:
        """Return the channels a check would add."""
        if name in NEW_ROW:
            first = self.readings[self.main]
            again = {"flue": "flue_temp_c"}
            if name == "second_stage":
                again["co"] = "co_dry_ppm"
                if "rise" in row.healthy.value:
                    again["rise"] = "air_out_temp_c"
            return ["lambda_o2", *(channel for channel, column in again.items() if column in first)]
        there = {one.channel for one in self.visit.found if one.row == self.main}
        judged = [key for key in ON_ROW.get(name, ()) if key not in there]
        needs_base = ("frequency", "voltage", "rise", "intake_static", "exhaust_static", "speed")
        return [key for key in judged if key not in needs_base or key in row.healthy.value]


def _gain(imagined: _Imagined, name: str, parts: list[Component], generator: np.random.Generator) -> float:
    """Return the expected information of one check [bit]."""
    prepared = imagined.row(name)
    if prepared is None:
        return 0.0
    row, output, probe = prepared
    channels = imagined.channels(name, row)
    have = {key for reading in imagined.readings for key in reading}
    seen = [column for column in SEEN.get(name, ()) if OF_ANSWER.get(column, column) not in have]
    if not channels and not seen:
        return 0.0
    share = np.array([part.share for part in parts])
    label = np.array([part.label for part in parts])
    log_density = np.zeros((len(parts), SAMPLES, len(parts)))
    if channels:
        log_density = log_density + _read_density(imagined, row, output, probe, channels, generator)
    for column in seen:
        kinds = [part.key for part in parts]
        log_density = log_density + imagined_answers(column, kinds, imagined.engine.priors, SAMPLES, generator)
    joint = np.log(share) + log_density
    joint = np.exp(joint - joint.max(axis=2, keepdims=True))
    grouped = np.stack([joint[:, :, label == one].sum(axis=2) for one in range(label.max() + 1)], axis=2)
    after = grouped / grouped.sum(axis=2, keepdims=True)
    left = -np.sum(after * np.log2(np.maximum(after, 1e-300)), axis=2).mean(axis=1)
    before = np.array([share[label == one].sum() for one in range(label.max() + 1)])
    return max(0.0, float(-np.sum(before * np.log2(before)) - share @ left))


def _read_density(
    imagined: _Imagined,
    row: StageReading,
    output: Mapping[str, Any],
    probe: Mapping[str, Any],
    channels: list[str],
    generator: np.random.Generator,
) -> Floats:
    """Return ln density of imagined results (component, sample) under every component, given what was read already."""
    engine, visit, parts = imagined.engine, imagined.visit, imagined.parts
    expected = np.stack([output[key] for key in channels], axis=1).reshape(len(parts), DRAWS, len(channels))
    rows = [*visit.rows, row]
    new = [_imagined_observation(key, len(visit.rows), row, engine) for key in channels]
    probes = [engine.probe_cache(one) for one in visit.rows]
    matrix = ev.covariance([*visit.found, *new], rows, [*probes, probe], engine.priors)
    old = len(visit.found)
    noise = matrix[old:, old:]
    shift = np.zeros_like(expected)
    if old:
        cross = matrix[old:, :old] @ visit.usual.matrix
        noise = noise - cross @ cross.T
        usual = [visit.in_usual_units(part.residual, loose_of(part.key)) for part in parts]
        shift = np.stack([residual @ cross.T for residual in usual])
    center = expected + shift
    extra = np.zeros((len(parts), len(channels), len(channels)))
    for index, part in enumerate(parts):
        for cause in loose_of(part.key):
            extra[index] += ev.loosened(cause, new, rows, engine.priors)[1]
    return imagined_results(center, noise + extra + 1e-9 * np.eye(len(channels)), SAMPLES, generator)


def _imagined_observation(channel: str, index: int, row: StageReading, engine: Engine) -> ev.Observation:
    """Return an observation with the uncertainty a reading of this channel would have."""
    base = row.healthy.value
    o2 = 20.9 * (1.0 - 1.0 / max(1.05, float(np.exp(base["air_ratio"]))))
    reading: dict[str, Any] = {
        "lambda_o2": {"o2_dry_pct": o2},
        "flue": {"flue_temp_c": base["flue"]},
        "co": {"co_dry_ppm": 60.0},
        "rise": {"air_out_temp_c": row.site.air_in_c + row.healthy.state.rise_k, "air_in_temp_c": row.site.air_in_c},
        "voltage": {"supply_v": 12.5},
        "speed": {"blower_rpm": 4000.0},
        "frequency": {"pump_hz": 3.0},
        "intake_static": {"intake_static_pa": -np.exp(base.get("intake_static", 4.0))},
        "exhaust_static": {"exhaust_static_pa": np.exp(base.get("exhaust_static", 4.0))},
        "delivery": {"strokes": 200.0, "delivered_ml": 5.0, "stroke_ul": 25.0},
        "ambient_o2": {"ambient_o2_pct": 20.9},
        "span": {"span_o2_pct": 6.0, "span_o2_read_pct": 6.0},
        "intake_co2": {"intake_co2_pct": 0.5},
        "intake_o2": {"intake_o2_pct": 20.4},
        "span_over_3min": {"o2_span_over_3min_pct": 0.12},
        "drift": {"flue_drift_k_per_min": 0.6},
    }[channel]
    found = ev.observations_of(index, reading, row, engine.model, engine.instrument)
    return next(one for one in found if one.channel == channel)


def _site_gain(engine: Engine, readings: Sequence[Values], result: Posterior) -> float:
    """Return how much knowing the site would sharpen the causes, at the value assumed now [bit]."""
    known = []
    for reading in readings:
        row = engine.row(reading)
        filled = dict(reading)
        filled.setdefault("intake_temp_c", row.site.intake_c)
        if "altitude_m" not in filled:
            filled.setdefault("pressure_hpa", row.site.pressure * row.healthy.reference.pressure)
        known.append(filled)
    _, _, sharper = engine.posterior(known)
    singles = [share for key, share in result.probabilities().items() if len(key) == 1]
    total = sum(singles)
    before = -sum(share / total * np.log2(share / total) for share in singles if share > 0.0)
    after = -sum(share * np.log2(share) for share in sharper.probabilities().values() if share > 0.0)
    return max(0.0, float(before - after))
