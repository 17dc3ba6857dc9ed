"""What to check next: expected news for each minute, two checks ahead, most of all an answer; safety is the only wall.

What the safety state forbids is not listed at all. An exhaust duct never comes off before the port pressures were read,
and opening the heater comes last. An invalid reading gets only what mends it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from combust.application.causes import evidence as ev
from combust.application.causes.catalogue import Check, shipped_priors
from combust.application.causes.draws import Variant
from combust.application.causes.look_ahead import NEVER, Imagined, Shows, Worth, worths
from combust.application.causes.posterior import Loose, loose_of
from combust.application.causes.separate import chances
from combust.application.causes.stacking import stacked
from combust.application.causes.stage_reading import StageReading, Values
from combust.application.causes.visit_result import NextCheck
from combust.data.vocabulary import inputs
from combust.domain.safety import Safety
from combust.kernel.types import Floats

if TYPE_CHECKING:
    from combust.application.causes.engine import Engine
    from combust.application.causes.posterior import Posterior, Visit

DRAWS = 40  # draws of each hypothesis behind the expected results
LEAST = 0.004  # hypotheses below this share are left out
MOST = 24  # hypotheses that count at most
OPENS_HEATER = "supply_locked_out"  # what opening the heater needs: licensed work
NO_BITS = ("cab_co",)  # a must before any hand-back, whatever it tells of the causes
SITE = "site"  # how dense the air is, in standard deviations of what is assumed
# What is read while the heater burns: with any of it, it is warm.
WARM = tuple(name for key, one in inputs().items() if one.wet_twin for name in (key, one.wet_twin))
WARM += ("smoke_number", "flue_temp_c", "air_out_temp_c", "intake_co2_pct", "intake_o2_pct", "supply_v", "blower_rpm")
WARM += ("pump_hz", "intake_static_pa", "exhaust_static_pa", "o2_span_over_3min_pct", "flue_drift_k_per_min")

# Channels a check adds on the row it is made at; second_stage and the ducts add a row of their own.
ON_ROW = {
    "ambient_air": ("ambient_o2",),
    "site_air": (SITE,),
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
    "baseline_record": ("plate_number",),
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
# What is seen -> its column, where that has another name.
OF_ANSWER = {"warm": "minutes_since_ignition", "glow_voltage": "supply_glow_v"}
# Exhaust in the cab: what stops for it, and what is looked at before anything else.
OF_CAB = ("cab_co_everyone_out", "cab_co_level", "cab_co_rise", "heating_air_exhaust")
FIRST_FOR_CAB = ("joints", "look_at_terminals")
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
    """A hypothesis that still counts: share, number of its causes, draws, their whitened residuals."""

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
    settled: bool,
    fits: bool,
    generator: np.random.Generator,
) -> tuple[NextCheck, ...]:
    """Return the checks worth making next, in the order they should be made; of an invalid reading only its own.

    ``settled``: one cause has the stated certainty, and what is worth little may be skipped. Where the evidence does
    not fit (``fits`` False), it counts as half told: the prior has the other half.
    """
    priors = engine.priors
    done, have = checks_done(readings), {key for reading in readings for key in reading}
    allowed = [check for check in priors.checks.values() if check.name not in done]
    allowed = [check for check in allowed if is_allowed(check, readings, safety)]
    asked = any(priors.causes[name].asked_by for name in visit.weighed)
    allowed = [check for check in allowed if asked or not check.of_start]
    if not valid:
        allowed = [check for check in allowed if check.tier == "validity" or check.name in ("span_gas", "cab_co")]
    may_burn = safety.allows(("burning",))
    off = is_off(readings, safety)
    saved = 0.0 if off else priors.decide("cooling_minutes")
    minutes = {check.name: priors.minutes_of(check, off=off) for check in allowed}
    told = [check for check in allowed if check.name not in NO_BITS]
    parts = _components(result, fits, generator)
    worth = expected_worths(engine, visit, parts, readings, told, minutes, saved, generator, fits=fits)
    least = priors.decide("skip_bits" if settled else "skip_unsettled_bits")
    listed = [check for check in told if worth[check.name].adds >= least]
    listed.sort(key=lambda check: worth[check.name].order)
    of_cab = any(one.code in OF_CAB for one in safety.findings)
    first = [check for check in told if of_cab and check.name in FIRST_FOR_CAB]
    first.sort(key=lambda check: FIRST_FOR_CAB.index(check.name))
    usual = [check for check in listed if OPENS_HEATER not in check.needs and check not in first]
    musts = [check for check in allowed if check.name in NO_BITS]
    last = [check for check in listed if OPENS_HEATER in check.needs]
    proposed = []
    for check in (*first, *usual, *musts, *last):
        one = worth.get(check.name) or Worth.nothing(minutes[check.name])
        proposed.append(
            NextCheck(
                check.name,
                one.bits,
                one.minutes,
                check.risk,
                check.tier,
                check.left(have, may_burn=may_burn),
                one.beside,
                one.bits_of_both,
                one.minutes_of_both,
            )
        )
    return tuple(proposed)


def is_off(readings: Sequence[Values], safety: Safety) -> bool:
    """Return whether the heater is off: it must be, or nothing was read that is read while it burns."""
    return not safety.allows(("burning",)) or not any(key in reading for reading in readings for key in WARM)


def checks_done(readings: Sequence[Values]) -> set[str]:
    """Return the checks whose result is already in the readings."""
    have = {key for reading in readings for key in reading}
    done = {str(reading.get("arrangement")) for reading in readings} & set(NEW_ROW)
    if len({reading["stage"] for reading in readings if reading.get("stage")}) > 1:
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


def expected_worths(
    engine: Engine,
    visit: Visit,
    parts: Sequence[Component],
    readings: Sequence[Values],
    checks: Sequence[Check],
    minutes: Mapping[str, float],
    saved: float,
    generator: np.random.Generator,
    *,
    fits: bool,
) -> dict[str, Worth]:
    """Return what each check is worth (see :func:`combust.application.causes.look_ahead.worths`)."""
    nothing = {check.name: Worth.nothing(minutes[check.name]) for check in checks}
    if len({part.label for part in parts}) < 2 or not checks:
        return nothing
    results = _Results(engine, visit, parts, readings, [check.name for check in checks])
    share, label = np.array([part.share for part in parts]), np.array([part.label for part in parts])
    decide = engine.priors.decide
    imagined = Imagined(share, label, *results.expected(), generator, decide("certain_probability") if fits else NEVER)
    shows = {}
    for check in checks:
        seen = [
            imagined.seen(chances(column, [part.key for part in parts], engine.priors))
            for column in results.seen(check.name)
        ]
        shows[check.name] = Shows(tuple(results.places(check.name)), np.sum(seen, axis=0) if seen else None)
    cold = {check.name for check in checks if "cold" in check.needs}
    last = {check.name for check in checks if OPENS_HEATER in check.needs}
    return worths(imagined, shows, minutes, saved, cold, last, decide("answer_bits"))


def _components(result: Posterior, fits: bool, generator: np.random.Generator) -> list[Component]:
    """Return the hypotheses that still count; where nothing fits, half of their share is their prior's."""
    shares = {key: share for key, share in result.probabilities().items() if key in result.blocks}
    if not fits:
        prior = {key: float(np.exp(result.log_prior[key])) for key in shares}
        whole = sum(prior.values())
        shares = {key: 0.5 * share + 0.5 * prior[key] / whole for key, share in shares.items()}
    likeliest = sorted((item for item in shares.items() if item[1] > LEAST), key=lambda item: -item[1])[:MOST]
    total = sum(share for _, share in likeliest)
    labels: dict[frozenset[str], int] = {}
    parts = []
    for key, share in likeliest:
        block = result.blocks[key]
        label = labels.setdefault(frozenset(variant.cause for variant in key), len(labels))
        pick = generator.choice(len(block.weights), DRAWS, p=block.weights)
        parts.append(Component(key, share / total, label, block.u[pick], block.residual[pick]))
    return parts


class _Results:
    """What the open checks would show: their channels, on the rows they are made at, and what is seen."""

    def __init__(
        self,
        engine: Engine,
        visit: Visit,
        parts: Sequence[Component],
        readings: Sequence[Values],
        names: Sequence[str],
    ) -> None:
        self.engine, self.visit, self.parts, self.readings = engine, visit, parts, readings
        normal = [index for index, row in enumerate(visit.rows) if row.arrangement == "as_installed"] or [0]
        self.main = max(normal, key=lambda index: visit.rows[index].healthy.load)
        self.rows = {"main": visit.rows[self.main]}
        for name in NEW_ROW:
            row = self._new_row(name) if name in names else None
            if row is not None:
                self.rows[name] = row
        self.found = [
            (name, _imagined_observation(channel, len(visit.rows) + index, row, engine))
            for name in names
            for index, (kind, row) in enumerate(self.rows.items())
            if kind == (name if name in NEW_ROW else "main")
            for channel in self._channels(name, row)
        ]

    def _new_row(self, name: str) -> StageReading | None:
        """Return the row that a check adds; None when the heater has no other stage."""
        main = self.visit.rows[self.main]
        reading = {key: value for key, value in self.readings[self.main].items() if key in OF_PLACE}
        if name != "second_stage":
            reading["arrangement"] = name
        elif main.other is None:
            return None
        else:
            reading["stage"] = main.other.name
        return self.engine.row(reading, name == "second_stage" or main.mistaken != "either")

    def _channels(self, name: str, row: StageReading) -> list[str]:
        """Return the channels a check would add to its row."""
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

    def places(self, name: str) -> list[int]:
        """Return the numbers of the channels of a check."""
        return [index for index, (check, _) in enumerate(self.found) if check == name]

    def seen(self, name: str) -> list[str]:
        """Return the columns of what a check would show to the eye and was not entered."""
        have = {key for reading in self.readings for key in reading}
        return [column for column in SEEN.get(name, ()) if OF_ANSWER.get(column, column) not in have]

    def expected(self) -> tuple[Floats, Floats]:
        """Return what the draws of each part expect (part, draw, channel) given what was read, and the noise around."""
        visit, parts = self.visit, self.parts
        new = [one for _, one in self.found]
        rows = [*visit.rows, *self.rows.values()]
        joint = self._joint([*visit.found, *new], rows)
        given = {}
        for loose in {loose_of(part.key) for part in parts}:
            given[loose] = self._given_what_was_read(loose, joint, new, rows)
        needed = [
            frozenset(one.channel for one in new if one.row == len(visit.rows) + index)
            for index in range(len(self.rows))
        ]
        drawn = stacked([self.engine.drawer.parameters(part.u, *part.key) for part in parts], [DRAWS] * len(parts))
        output = self.engine.model.expected_rows(list(self.rows.values()), drawn, needed)
        flat = np.zeros((len(parts) * DRAWS, len(new)))
        for place, one in enumerate(new):
            if one.channel != SITE:
                flat[:, place] = output[one.row - len(visit.rows)][one.channel]
        center: Floats = flat.reshape(len(parts), DRAWS, len(new))
        for index, part in enumerate(parts):
            _, cross, moved = given[loose_of(part.key)]
            center[index] += part.residual @ cross.T + moved
        return center, np.stack([given[loose_of(part.key)][0] for part in parts])

    def _given_what_was_read(
        self, loose: Loose, matrix: Floats, new: Sequence[ev.Observation], rows: Sequence[StageReading]
    ) -> tuple[Floats, Floats, Floats]:
        """Return the covariance of new channels under loose causes, and how residuals and the causes move them.

        ``matrix`` is the joint covariance of the channels read and the new ones without a loose cause.
        """
        engine, visit = self.engine, self.visit
        every, old = [*visit.found, *new], len(visit.found)
        moved = np.zeros(len(every))
        for cause in loose:
            more, wider = ev.loosened(cause, every, rows, engine.priors)
            moved, matrix = moved + more, matrix + wider
        cross = matrix[old:, :old] @ visit.whitening[loose].matrix
        noise = matrix[old:, old:] - cross @ cross.T + 1e-9 * np.eye(len(new))
        return noise, cross, moved[old:]

    def _joint(self, every: Sequence[ev.Observation], rows: Sequence[StageReading]) -> Floats:
        """Return the joint covariance of channels; knowing the site moves all channels of the main stage together."""
        engine = self.engine
        needed = [frozenset(one.channel for one in every if one.row == index) for index in range(len(rows))]
        probes = engine.model.expected_rows(rows, engine.probe, needed)
        matrix = ev.covariance(every, rows, probes, engine.priors)
        main = rows[len(self.visit.rows)]
        for place in [index for index, one in enumerate(every) if one.channel == SITE]:
            for other, one in enumerate(every):
                row = rows[one.row]
                probe = probes[one.row].get(one.channel)
                if probe is not None and len(probe) > 1 and row.healthy.name == main.healthy.name:
                    matrix[place, other] = (probe[1] - probe[0]) / ev.PROBE_STEP * row.density_u
                    matrix[other, place] = matrix[place, other]
        return matrix


def _imagined_observation(channel: str, index: int, row: StageReading, engine: Engine) -> ev.Observation:
    """Return an observation with the uncertainty a reading of this channel would have."""
    if channel == SITE:
        return ev.Observation(index, SITE, 0.0, 1.0)
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
