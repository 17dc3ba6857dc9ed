"""The six stories, on both heaters: what must come out of them whatever the conventions are."""

from __future__ import annotations

import numpy as np
import pytest

from combust import scenario
from combust.application.trainer.heater import SimulatedHeater
from combust.application.trainer.scenarios import scenarios
from combust.application.trainer.session import TrainingSession
from combust.application.visit.start import start_timeline
from combust.application.visit.steady import steady_window
from combust.data.errors import CombustError
from tests.application.trainer.driven import HEATERS
from tests.long import LONG

NEVER = "Never do this on a real heater; its own document rules."


@pytest.fixture(params=list(HEATERS) if LONG else ["heater-0312"])
def heater(request):
    return HEATERS[request.param]


def played(key: str, heater) -> TrainingSession:
    return scenario(key).run(TrainingSession(heater))


def codes(session: TrainingSession) -> list[str]:
    return [event.code for event in session.events()]


def at(session: TrainingSession, code: str, after: float = 0.0) -> float:
    return next(event.at_s for event in session.events() if event.code == code and event.at_s >= after)


def column(session: TrainingSession, name: str) -> np.ndarray:
    return np.array([np.nan if value is None else value for value in session.trace(hidden=True)[name]], dtype=float)


@pytest.mark.hand
def test_a_thin_wire(heater) -> None:
    """208 mohm before R = 12 V/glow_a: (12.6 - 0.208 I_run)/(1 + 0.208/R) at the plug; three starts fail."""
    session = played("thin_wire", heater)
    trace = session.trace(hidden=True)
    glow = [volts for volts, on, phase in zip(*(trace[key] for key in ("supply_v", "glow", "phase")), strict=True)
            if on and phase.startswith("preheat")][5]  # fmt: skip
    run_a = heater.power_run_w / 12.0 * session.heater.plant.stages["low"].healthy.load * 0.3
    by_hand = (12.6 - 0.208 * run_a) / (1.0 + 0.208 / (12.0 / heater.glow_a))
    assert glow == pytest.approx(by_hand, abs=0.005)
    attempts = [event for event in session.events() if event.text.startswith("attempt")]
    assert len(attempts) == 3 * len(heater.start.attempt_s)
    assert codes(session).count("start_failed") == 3
    assert session.display().locked == "failed starts"
    assert session.heater.dosed_ml == pytest.approx(start_timeline(heater, cycles=3).fuel_ml, rel=1e-12)
    assert not any(trace["burns"])
    assert session.display().cautions[0] == NEVER


def test_bubbles(heater) -> None:
    """The line first empties, then the flame goes out, then the controller sees it; the relight finds no fuel."""
    session = played("bubbles", heater)
    burns, clock = column(session, "burns"), column(session, "time_s")
    out = clock[(clock > 600.0) & (burns == 0.0)][0]
    seen = at(session, "flame_lost")
    line_s = 4.0 / (heater.stroke_ul * heater.stages["high"].pump_hz * 1e-3)
    assert out == pytest.approx(600.0 + line_s, abs=10.0)
    assert 10.0 < seen - out < 60.0
    assert at(session, "start_failed") > seen
    assert codes(session).count("flame_seen") == 1
    assert NEVER not in session.display().cautions


def test_an_exhaust_that_closes(heater) -> None:
    """Nothing trips: the chamber and the CO tell it, outlet and flue hardly."""
    session = played("exhaust_blocked", heater)
    assert not {"overheat", "flame_lost", "locked"} & set(codes(session))
    clock = column(session, "time_s")

    def gained(name: str) -> float:
        values = column(session, name)
        return float(values[-1] - values[clock == 900.0][0])

    assert session.heater.flows.air_ratio < 1.15
    assert session.display().co_band in ("very high", "over range")
    assert gained("chamber_c") > 300.0
    assert abs(gained("flue_temp_c")) < 60.0
    assert abs(gained("air_out_temp_c")) < 10.0
    assert session.heater.flows.air_ratio == pytest.approx(float(session.heater.at_rest.air_ratio), rel=2e-3)


def test_a_box_before_the_outlet(heater) -> None:
    """A third of the heating air trips within minutes, seven tenths never do."""
    session = played("heating_air_blocked", heater)
    assert 20.0 < at(session, "overheat") - 900.0 < 240.0
    assert session.display().locked == "outlet too hot"
    mild = SimulatedHeater(heater)
    mild.request_heat()
    mild.advance(900.0)
    mild.set_inputs({"heating_air": 0.7})
    mild.advance(900.0)
    assert mild.phase.name == "running"


def test_the_power_taken_away(heater) -> None:
    """Without run-on the heat of burner and wall soaks into the outlet, far above what a run-on leaves."""
    session = played("power_cut", heater)
    clock, outlet = column(session, "time_s"), column(session, "air_out_temp_c")
    assert session.display().phase == "no_power"
    switched_off = SimulatedHeater(heater)
    switched_off.request_heat()
    switched_off.advance(900.0)
    switched_off.request_heat(False)
    hottest = switched_off.state.port
    for _ in range(600):
        switched_off.advance(1.0)
        hottest = max(hottest, switched_off.state.port)
    assert outlet[clock > 900.0].max() > hottest + 25.0 + 40.0
    assert column(session, "blower_share")[-1] < 0.01
    assert session.display().cautions[0] == NEVER
    session.set_inputs({"battery_v": 12.7})
    session.request_heat()  # no power yet: the controller has not seen it come back
    session.advance(2.0)
    session.request_heat()
    session.advance(1.0)
    assert session.display().phase in ("run_on", "self_check")


def test_again_and_again(heater) -> None:
    """The fuel of three failed starts lies there; the next start burns it: out and in again, then rich for minutes."""
    session = played("flooded", heater)
    clock, burns = column(session, "time_s"), column(session, "burns")
    dosed = start_timeline(heater, cycles=3)
    waits = np.flatnonzero(clock == 1440.0)[0]
    lies = column(session, "film_g")[waits] + column(session, "pool_g")[waits]
    assert 0.4 * dosed.fuel_g < lies < dosed.fuel_g
    changes = np.count_nonzero(np.diff(burns[clock > 1442.0]))
    assert changes >= 3  # it lights, goes out, lights again
    rich = (column(session, "air_ratio") < 1.2) & (clock > 1442.0)
    assert 60.0 < np.count_nonzero(rich) < 400.0
    assert session.heater.state.pool_g < 0.01
    assert session.display().phase == "running"
    assert session.display().cautions[0] == NEVER


def test_hot_heater_is_not_started_by_old_heat(heater) -> None:
    simulated = SimulatedHeater(heater)
    simulated.request_heat()
    simulated.advance(900.0)
    simulated.set_inputs({"battery_v": 0.0})
    simulated.advance(5.0)
    simulated.set_inputs({"battery_v": 12.7})
    simulated.advance(1.0)
    simulated.request_heat()
    simulated.advance(1.0)
    assert simulated.phase.name == "run_on"
    assert "still_hot" in [event.code for event in simulated.events]
    simulated.advance(heater.start.cool_down_s + 1.0)
    assert simulated.phase.name in ("self_check", "preheat")


def test_standby_under_voltage_and_an_end_before_fuel(heater) -> None:
    simulated = SimulatedHeater(heater)
    simulated.request_heat()
    simulated.advance(600.0)
    simulated.set_inputs({"warm_enough": True})
    simulated.advance(300.0)
    assert simulated.phase.name == "standby"
    simulated.set_inputs({"warm_enough": False})
    simulated.advance(8.0)
    assert simulated.phase.name in ("self_check", "preheat")
    simulated.request_heat(False)
    assert simulated.phase.name == "off"
    simulated.request_heat()
    simulated.advance(400.0)
    assert simulated.phase.name == "running"
    simulated.set_inputs({"battery_v": 10.0})
    simulated.advance(heater.control.under_voltage_s - 5.0)
    assert simulated.phase.name == "running"
    simulated.advance(10.0)
    assert "under_voltage" in [event.code for event in simulated.events]


@pytest.mark.independent
def test_the_judge_of_steadiness_on_a_warm_up(heater) -> None:
    """No time of ignition in the series: the window it finds does not begin in the warm-up (drift by numpy's fit)."""
    session = TrainingSession(heater)
    session.request_heat()
    session.advance(1800.0)
    clock = column(session, "time_s")
    every = clock % 5.0 == 0.0
    columns = {key: column(session, key)[every] for key in ("o2_dry_pct", "co_dry_ppm", "flue_temp_c")}
    told = steady_window(clock[every], columns)
    assert told.steady
    first = (clock[every] >= told.begin_s) & (clock[every] <= told.begin_s + 180.0)
    drift = np.polyfit(clock[every][first] / 60.0, columns["flue_temp_c"][first], 1)[0]
    assert abs(drift) <= 2.0
    before = (clock[every] >= told.begin_s - 60.0) & (clock[every] <= told.begin_s + 120.0)
    assert abs(np.polyfit(clock[every][before] / 60.0, columns["flue_temp_c"][before], 1)[0]) > 1.0


def test_stories_are_told_whole() -> None:
    assert list(scenarios()) == [
        "thin_wire", "bubbles", "exhaust_blocked", "heating_air_blocked", "power_cut", "flooded",
    ]  # fmt: skip
    for story in scenarios().values():
        assert story.question.endswith("?")
        assert [step["at_s"] for step in story.steps] == sorted(step["at_s"] for step in story.steps)
    with pytest.raises(CombustError, match="Did you mean bubbles"):
        scenario("bubles")
