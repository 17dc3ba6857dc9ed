"""The driven heater against the steady model, the start's own timeline, its balances and the profile's own readings."""

from __future__ import annotations

import math
import pickle
from dataclasses import fields

import numpy as np
import pytest

import combust
from combust.application.reading.result import interpret
from combust.application.trainer.control import phase_label
from combust.application.trainer.heater import SimulatedHeater
from combust.application.trainer.inputs import Inputs, input_fields
from combust.application.trainer.session import TrainingSession
from combust.application.visit.start import start_timeline
from combust.data.errors import CombustError
from combust.data.tables import load_table
from combust.domain.heater import Heater
from tests.application.trainer.driven import HEATERS, any_heater
from tests.long import LONG

AT_REST = 100 if LONG else 2
MOVES = 10_000 if LONG else 700
BIG = HEATERS["heater-0312"]
FUELS = ["diesel_b7", "biodiesel_b100", "kerosene"]
BURNS = {
    "fuel": (0.8, 1.2), "pump_hz_ratio": (0.9, 1.1), "intake_resistance": (0.7, 2.0), "exhaust_resistance": (0.7, 2.0),
    "recirculated": (0.0, 0.08), "heating_air": (0.6, 1.2), "altitude_m": (0.0, 2000.0), "air_temp_c": (-20.0, 25.0),
    "loop_mohm": (0.0, 80.0),
}  # fmt: skip


def burning(heater: Heater, **changes: object) -> SimulatedHeater:
    """Return a heater that has burnt for a quarter of an hour as a sound one, and then has its inputs moved."""
    simulated = SimulatedHeater(heater)
    simulated.request_heat()
    simulated.advance(900.0)
    simulated.set_inputs(changes)
    return simulated


@pytest.mark.independent
def test_it_comes_to_rest_where_the_steady_model_is() -> None:
    """Any stage, air, fuel and fault while it burns: lambda, flue, outlet, ports to 1e-9 after its lags."""
    rng = np.random.default_rng(2)
    worst, done = 0.0, 0
    while done < AT_REST:
        heater = any_heater(rng)
        changes: dict[str, object] = {name: float(rng.uniform(*ends)) for name, ends in BURNS.items()}
        changes |= {
            "stage": str(rng.choice(list(heater.stages))),
            "fuel_kind": str(rng.choice(["diesel_b7", "kerosene"])),
        }
        simulated = burning(heater, **changes)
        simulated.advance(10_000.0)
        if simulated.phase.name != "running":
            continue  # it tripped or went out, as it may
        done += 1
        steady = simulated.at_rest
        healthy = simulated.plant.stages[simulated.inputs.stage].healthy
        rise = simulated.state.port + 25.0 - simulated.inputs.air_temp_c
        suction, back = simulated.port_pressures()
        pairs = (
            (simulated.flows.air_ratio, steady.air_ratio),
            (simulated.state.flue + 25.0, steady.flue_c),
            (rise, steady.rise * healthy.state.rise_k),
            (suction, steady.intake_static),
            (back, steady.exhaust_static),
        )
        worst = max(worst, *(abs(float(ours / theirs) - 1.0) for ours, theirs in pairs))
    print(f"{done} heaters at rest, largest relative difference {worst:.1e}")
    assert worst <= 1e-9


@pytest.mark.independent
@pytest.mark.parametrize("name", HEATERS)
def test_a_sound_heater_reads_its_own_baseline(name: str) -> None:
    """The healthy reading of the profile comes back from the instruments, within their steps."""
    heater = HEATERS[name]
    session = TrainingSession(heater)
    session.request_heat()
    session.advance(1500.0)
    read, baseline = session.reading(), heater.baseline_of("high").reading
    assert read.o2_dry_pct == pytest.approx(baseline.o2_dry_pct, abs=0.051)
    assert read.flue_temp_c == pytest.approx(baseline.flue_temp_c, abs=1.0)
    assert read.air_out_temp_c == pytest.approx(baseline.air_out_temp_c, abs=0.51)
    assert read.intake_static_pa == pytest.approx(baseline.intake_static_pa, abs=0.51)
    assert read.exhaust_static_pa == pytest.approx(baseline.exhaust_static_pa, abs=0.51)
    assert read.blower_rpm == baseline.blower_rpm
    assert read.co_dry_ppm == pytest.approx(baseline.co_dry_ppm, abs=1.0)
    assert interpret(read).air_ratio == pytest.approx(float(session.heater.at_rest.air_ratio), abs=0.01)


@pytest.mark.independent
@pytest.mark.parametrize("name", HEATERS)
def test_what_failed_starts_dosed_is_what_the_start_says(name: str) -> None:
    """Without a glow nothing lights: the pump's fuel is that of start_timeline to rounding, start by start."""
    simulated = SimulatedHeater(HEATERS[name])
    simulated.set_inputs({"glow": 0.0})
    for cycles in (1, 2, 3):
        simulated.request_heat()
        simulated.advance(700.0)
        assert simulated.dosed_ml == pytest.approx(start_timeline(HEATERS[name], cycles=cycles).fuel_ml, rel=1e-12)
        assert simulated.control.failed_starts == cycles
    timeline = start_timeline(HEATERS[name])
    begins = [(one.label, one.begin_s) for one in timeline.phases]
    told = [(event.text, event.at_s) for event in simulated.events if event.code == "phase"][: len(begins)]
    assert told == begins
    assert simulated.control.locked == "failed starts"


@pytest.mark.independent
def test_a_power_cut_in_an_attempt_doses_what_the_start_says() -> None:
    """Cut 101.5 s after the switch-on, in the middle of an attempt that does not begin on a step."""
    odd = Heater.from_dict(
        {
            "fuel": "diesel_b7", "stroke_ul": 24.0, "nominal_v": 12,
            "stages": {"high": {"pump_hz": 3.0, "air_ratio_band": [1.35, 1.8]}},
            "start": {"check_s": 4.1, "preheat_s": [50.33], "attempt_s": [75.21], "attempt_pump_hz": 1.5},
        }
    )  # fmt: skip
    simulated = SimulatedHeater(odd)
    simulated.set_inputs({"glow": 0.0})
    simulated.request_heat()
    simulated.advance(101.5)
    simulated.set_inputs({"battery_v": 0.0})
    simulated.advance(60.0)
    assert simulated.phase.name == "no_power"
    assert simulated.dosed_ml == pytest.approx(start_timeline(odd, cut_at_s=101.5).fuel_ml, rel=1e-9)
    whole = SimulatedHeater(odd)
    whole.set_inputs({"glow": 0.0})
    whole.request_heat()
    whole.advance(200.0)
    assert whole.dosed_ml == pytest.approx(start_timeline(odd).fuel_ml, rel=1e-9)
    assert {one.quantity for one in whole.assumed} >= {"flame_seen_c", "cool_down_s", "glow_a", "power_run_w"}


@pytest.mark.hand
def test_fuel_and_heat_balance_over_any_moves() -> None:
    """Everything moved at random, power cuts and restarts among it: what came in went out or is there, to 1e-9."""
    rng = np.random.default_rng(11)
    ends = {key: (one.low, one.high) for key, one in input_fields().items() if math.isfinite(one.high)}
    ends["battery_v"] = (0.0, 18.0)
    simulated = SimulatedHeater(BIG)
    moved = 0
    while moved < MOVES:
        names = rng.choice(list(ends), rng.integers(1, 4), replace=False)
        changes: dict[str, object] = {str(name): float(rng.uniform(*ends[name])) for name in names}
        if rng.random() < 0.8:  # mostly a heater that has a chance
            changes |= {
                "battery_v": 12.7,
                "loop_mohm": 20.0,
                "glow": 1.0,
                "bubbles": 0.0,
                "wax": 0.0,
                "heating_air": 1.0,
            }
            changes |= {"exhaust_resistance": float(rng.uniform(0.7, 4.0))}
        changes |= {"stage": str(rng.choice(list(BIG.stages)))} if rng.random() < 0.3 else {}
        changes |= {"fuel_kind": str(rng.choice(FUELS))}
        simulated.set_inputs(changes)
        moved += len(changes)
        if rng.random() < 0.2:
            simulated.release_lockout()
            simulated.request_heat(bool(rng.random() < 0.9))
        simulated.advance(float(rng.uniform(0.5, 12.0)))
        found = simulated.balance
        assert abs(found.fuel_error) <= 1e-9
        assert abs(found.heat_error) <= 1e-9
        assert all(math.isfinite(float(value)) for value in simulated.state)
        assert simulated.state.film_g >= 0.0
        assert simulated.state.pool_g >= 0.0
        assert simulated.state.port <= max(simulated.state.wall, simulated.inputs.air_temp_c - 25.0, 300.0) + 1e-6
    found = simulated.balance
    print(f"{moved} moves, {simulated.time_s:.0f} s: fuel {found.fuel_error:.1e}, heat {found.heat_error:.1e}, {found}")
    assert found.burnt_g > 0.1 * found.pumped_g


def test_the_cut_of_time_does_not_matter() -> None:
    """One call, thirds of a second, sixty times as fast: the same digits, trace included."""
    whole, cut, fast = (TrainingSession(BIG, time_factor=factor) for factor in (1.0, 1.0, 60.0))
    for session in (whole, cut, fast):
        session.request_heat()
    whole.advance(240.0)
    for _ in range(720):
        cut.advance(1.0 / 3.0)
    fast.advance(4.0)
    assert whole.heater.state == cut.heater.state == fast.heater.state
    assert whole.trace(hidden=True) == cut.trace(hidden=True) == fast.trace(hidden=True)
    assert whole.trace()["time_s"] == [float(second) for second in range(1, 241)]
    again = pickle.loads(pickle.dumps(whole))
    again.advance(60.0)
    whole.advance(60.0)
    assert again.heater.state == whole.heater.state
    assert cut.time_s == 240.0  # nothing is shared


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"exhaust": 8.0}, "exhaust_resistance"),
        ({"exhaust_resistance": math.inf}, "is above what can be"),
        ({"exhaust_resistance": "much", "fuel": -1.0}, "below"),
        ({"battery_v": 24.0}, "too much for this heater"),
        ({"stage": "turbo"}, "none of high, low"),
        ({"fuel_kind": "coal"}, "coal"),
        ({"warm_enough": "yes"}, "true"),
        ({"bubbles": True}, "plain number"),
    ],
)
def test_an_input_that_cannot_be_moves_nothing(changes: dict[str, object], words: str) -> None:
    session = TrainingSession(BIG)
    before = session.heater.inputs
    with pytest.raises(CombustError, match=words):
        session.set_inputs({"air_temp_c": 3.0, **changes})
    assert session.heater.inputs is before


def test_inputs_come_in_units_and_every_one_is_told() -> None:
    session = TrainingSession(BIG)
    session.set_inputs({"altitude_ft": 5000.0, "air_temp_f": 14.0})
    assert session.heater.inputs.altitude_m == pytest.approx(1524.0)
    assert session.heater.inputs.air_temp_c == pytest.approx(-10.0)
    assert {one.name for one in fields(Inputs)} == set(input_fields())


@pytest.mark.parametrize("factor", [0.0, 61.0, math.nan, "fast", None])
def test_time_runs_one_to_sixty_times(factor: object) -> None:
    with pytest.raises((CombustError, KeyError)):
        TrainingSession(BIG, time_factor=factor)
    with pytest.raises(CombustError):
        TrainingSession(BIG).advance(-1.0)
    for seconds in (-1.0, math.nan, math.inf, "soon"):
        with pytest.raises(CombustError):
            SimulatedHeater(BIG).advance(seconds)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"start": None}, "no times are built in"),
        ({"stroke_ul": None}, "fed by strokes"),
        ({"start": {"preheat_s": [50], "attempt_s": [75]}}, "attempt_pump_hz"),
        ({"control": {"flame_seen_c": 300.0}}, "flame_lost_c"),
    ],
)
def test_a_profile_that_tells_too_little(change: dict[str, object], words: str) -> None:
    table = {
        "fuel": "diesel_b7", "stroke_ul": 24.0,
        "stages": {"high": {"pump_hz": 3.0, "air_ratio_band": [1.35, 1.8]}},
        "start": {"preheat_s": [50], "attempt_s": [75], "attempt_pump_hz": 1.5},
    }  # fmt: skip
    with pytest.raises(CombustError, match=words):
        TrainingSession(Heater.from_dict({key: value for key, value in (table | change).items() if value is not None}))


def test_every_convention_has_its_origin_and_says_so() -> None:
    """A number of the trainer that is not the library's own is called a convention, or says whence it comes."""
    for part, rows in load_table("heater_dynamics").items():
        for key, row in rows.items():
            assert set(row) == {"value", "unit", "origin"}, (part, key)
            told = row["origin"]
            assert any(word in told for word in ("convention", "textbook", "prior", "from memory")), (part, key)


def test_the_words_of_the_phases_are_those_of_the_kit() -> None:
    guide, own = load_table("start_guide")["phase"], load_table("trainer_scenarios")["phase"]
    assert not guide.keys() & own.keys()
    assert {row["stands_for"] for row in own.values()} <= guide.keys()
    assert phase_label("preheat", 2) == "glow before attempt 2"
    assert {"TrainingSession", "SimulatedHeater", "SimulatedAnalyser", "scenario"} <= set(combust.__all__)
