"""Starts: the demo programme worked by hand, fuel of failed attempts, phases possible now, stops; and the command."""

from __future__ import annotations

import json
import tomllib

import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from combust.application.visit.start import emergency_findings, start_timeline, starts_used_up
from combust.application.visit.start_phases import interlocks, possible_phases
from combust.data.errors import CombustError
from combust.data.tables import load_table
from combust.domain.heater import Heater
from combust.edge.cli.start import command

TIMES = {"check_s": 4, "preheat_s": [50, 45], "attempt_s": [75, 75], "attempt_pump_hz": 1.5, "cool_down_s": 200}
PLATE = {
    "fuel": "diesel_b7", "stroke_ul": 24, "nominal_v": 12, "glow_a": 9,
    "stages": {"high": {"air_ratio_band": [1.35, 1.8], "fuel_l_per_h": 0.26}},
}  # fmt: skip


GLOWS = {"self_check", "preheat"}


def heater(**start):
    times = {key: value for key, value in (TIMES | start).items() if value is not None}
    return Heater.from_dict(PLATE | {"start": times})


def names(answer):
    return {phase.name for phase in answer.possible}


@pytest.mark.hand
def test_demo_programme():
    """4 + 50 + 75 + 45 + 75 + 200 = 449 s; 2 x 75 s x 1.5 Hz x 24 ul = 5.4 ml; three such starts 16.2 ml."""
    once, thrice = start_timeline(heater()), start_timeline(heater(), cycles=3)
    assert once.earliest_restart_s == 449.0
    assert once.fuel_ml == pytest.approx(5.4, abs=1e-9)
    assert thrice.fuel_ml == pytest.approx(16.2, abs=1e-9)
    assert thrice.fuel_ml_per_cycle == pytest.approx(5.4, abs=1e-9)
    assert [phase.begin_s for phase in once.phases] == [0, 4, 54, 129, 174, 249]
    # Glow 50 + 75 + 45 + 75 = 245 s x 9 A x 12 V / 3600 = 7.35 Wh
    assert once.glow_wh == pytest.approx(7.35, abs=1e-9)
    # 5.4 ml at 0.26 l/h = 72.2 ul/s burn for 74.8 s
    assert once.full_firing_s == pytest.approx(5400 / 72.222, abs=0.01)


@pytest.mark.hand
@pytest.mark.parametrize(("hertz", "millilitres"), [(1.0, 1.8), (1.5, 2.7), (2.5, 4.5)])
def test_fuel_of_one_attempt(hertz, millilitres):
    """75 s x 24 ul x f."""
    told = start_timeline(heater(preheat_s=[50], attempt_s=[75], attempt_pump_hz=hertz))
    assert told.fuel_ml == pytest.approx(millilitres, abs=1e-9)


@pytest.mark.independent
def test_heat_of_pooled_fuel():
    """6 ml of diesel, about 5 g, hold about 214 kJ by the handbook's 42.8 MJ/kg and 0.833 kg/l: 6 x 0.833 x 42.8."""
    told = start_timeline(heater(preheat_s=[50], attempt_s=[1000 / 6], attempt_pump_hz=1.5))
    assert told.fuel_ml == pytest.approx(6.0)
    assert told.fuel_g == pytest.approx(5.0, rel=0.01)
    assert told.fuel_heat_kj == pytest.approx(214.0, rel=0.01)


@pytest.mark.practice
def test_about_five_minutes_and_a_cool_down_of_about_four():
    """Common practice, no source: 3 s check, two attempts of 60 s preheat and up to 90 s ignition: about five minutes,
    then about four of cool-down that always completes."""
    told = start_timeline(heater(check_s=3, preheat_s=[60, 60], attempt_s=[90, 90], cool_down_s=240))
    cool_down = told.phases[-1]
    assert cool_down.name == "cool_down"
    assert cool_down.begin_s / 60 == pytest.approx(5.0, abs=0.1)
    assert (cool_down.end_s - cool_down.begin_s) / 60 == pytest.approx(4.0, abs=0.1)
    for second in (310, 400, 540):
        answer = possible_phases(
            heater(check_s=3, preheat_s=[60, 60], attempt_s=[90, 90], cool_down_s=240),
            since_request_s=second, pump="silent", blower=True,
        )  # fmt: skip
        assert "cool_down" in names(answer)
        assert "Wait" in " ".join(answer.do_now)


def test_nothing_is_built_in():
    with pytest.raises(CombustError, match="no times are built in"):
        start_timeline(Heater.from_dict(PLATE))
    lame = start_timeline(heater(cool_down_s=None))
    assert lame.earliest_restart_s is None
    assert "cool_down_unknown" in [finding.code for finding in lame.findings]
    dry = start_timeline(Heater.from_dict({**PLATE, "stroke_ul": None, "start": TIMES}))
    assert (dry.fuel_ml, dry.fuel_heat_kj) == (None, None)
    assert "cannot be told" in str(dry)
    one = start_timeline(heater(preheat_s=[30], attempt_s=[60]))
    assert [phase.name for phase in one.phases] == ["self_check", "preheat", "attempt", "cool_down"]


@pytest.mark.published
@pytest.mark.parametrize(("seconds", "told"), [(120.0, False), (120.5, True)])
def test_four_minutes_of_fuel(seconds, told):
    """Directive 2001/56/EC Annex VII: at most 4 minutes of ignition and fuel without a flame."""
    found = start_timeline(heater(attempt_s=[seconds, seconds])).findings
    assert ("fuel_on_long" in [finding.code for finding in found]) is told


@pytest.mark.hand
@pytest.mark.parametrize(("cut", "lost"), [(100.0, 200), (300.0, 149), (448.0, 1)])
def test_power_cut(cut, lost):
    """The cool-down runs from 249 to 449 s."""
    text = str(start_timeline(heater(), cut_at_s=cut))
    assert f"leave out {lost} s of cool-down" in text
    assert "after the end of the cool-down" in str(start_timeline(heater(), cut_at_s=449.0))


@pytest.mark.hand
@pytest.mark.parametrize(
    ("cycles", "cut", "millilitres"),
    [(0, None, 0.0), (1, 3.0, 0.0), (1, 54.0, 0.0), (1, 104.0, 1.8), (1, 150.0, 2.7), (1, 300.0, 5.4), (3, 54.0, 10.8)],
)
def test_fuel_counts_only_while_the_pump_was_asked_for(cycles, cut, millilitres):
    """1.5 Hz x 24 ul = 36 ul/s; attempts 54 to 129 s and 174 to 249 s: 50 s by 104 s, 75 s by 150 s, 150 s all."""
    told = start_timeline(heater(), cycles=cycles, cut_at_s=cut)
    assert told.fuel_ml == pytest.approx(millilitres, abs=1e-9)
    assert ("fuel_pooled" in [one.code for one in told.findings]) is (millilitres > 0.0)
    early = cut is not None and cut <= 54.0
    assert ("before fuel was asked for" in str(told)) is early


def test_advice_does_not_contradict_the_stop(tmp_path):
    """With the failed starts used up no restart, no waiting for one and no next success is spoken of."""
    profile = tmp_path / "heater-0312.toml"
    profile.write_text(PROFILE)
    typed = [
        "--heater",
        str(profile),
        "--since-request",
        "2000",
        "--pump",
        "silent",
        "--blower",
        "no",
        "--failed-starts",
    ]
    done = CliRunner().invoke(command, [*typed, "2", "--allowed-failed-starts", "2"])
    assert "no further start" in done.stdout
    told = done.stdout + done.stderr
    assert not [
        words
        for words in ("449 s after", "before another start", "earliest restart is", "next success")
        if words in told
    ]
    again = CliRunner().invoke(command, [*typed, "1", "--allowed-failed-starts", "2"])
    assert "449 s after the last switch-on" in again.stdout
    none = CliRunner().invoke(command, typed[:-1])
    assert "lie in the burner" not in none.stdout + none.stderr


def test_no_pulse_at_all_points_before_the_burner():
    """Interlocks and signal come first; a thermostat may hold it in standby and start it at any moment, so the request
    is taken away before anybody reaches in."""
    answer = possible_phases(heater(), since_request_s=300, pump="never", blower=False)
    assert names(answer) == {"no_start", "standby"} | GLOWS
    told = " ".join(answer.do_now)
    assert told.index("take the request for heat away") < told.index("interlocks")
    assert "Wait" not in told
    assert answer.may_dose_by_itself
    assert "never reached" in answer.ruled_out["cool-down after failed attempts"]
    early = possible_phases(heater(), since_request_s=30, pump="never", blower=True)
    assert names(early) == {"standby"} | GLOWS
    assert "interlocks" not in " ".join(early.do_now)


@pytest.mark.hand
@pytest.mark.parametrize(
    ("since", "seen", "expected"),
    [
        (2, {}, {"no_start", "self_check", "standby"}),  # the thermostat may be warm enough from the beginning
        (100, {"pump": "pulsing"}, {"attempt", "running"}),  # attempt 1 from 54 to 129 s
        # A relight or a restart from standby may be under way at any time after the first fuel: glow looks like a stop.
        (350, {"pump": "silent", "blower": True, "air_warm": False}, {"cool_down", "run_on", "standby"} | GLOWS),
        (2000, {"pump": "pulsing", "blower": True, "air_warm": True}, {"running", "attempt"}),
        (2000, {"pump": "pulsing", "blower": True, "air_warm": False}, {"running", "attempt"}),
        (2000, {"pump": "silent", "blower": False}, {"no_start", "stopped", "standby"} | GLOWS),
        (30, {"pump": "pulsing"}, set()),  # the earliest attempt begins at 54 s, 48.6 s with a tenth of play
    ],
)
def test_phases(since, seen, expected):
    answer = possible_phases(heater(), since_request_s=since, **seen)
    assert names(answer) == expected
    assert bool(answer.findings) == (not expected)


def test_a_second_request_does_not_shorten_the_wait():
    """Asked again 20 s ago: an earlier request may count, so cool-down stays possible and the wait is not shorter."""
    again = possible_phases(heater(), since_request_s=20, requests=3, pump="silent", blower=True)
    assert {"preheat", "cool_down"} <= names(again)
    # a relight may have begun this moment: then the whole programme lies ahead, 449 s and a tenth
    assert again.wait_at_most_s == pytest.approx(449 * 1.1)
    assert "does not shorten" in " ".join(again.do_now)
    # Nothing heard since the last of several requests says nothing about the earlier ones.
    assert "cool_down" in names(possible_phases(heater(), since_request_s=20, requests=2, pump="never", blower=True))


@settings(max_examples=60, deadline=None)
@given(st.floats(0, 3000), st.integers(1, 3))
def test_less_evidence_never_rules_out_more(since, requests):
    bare = names(possible_phases(heater(), since_request_s=since, requests=requests))
    for pump in ("pulsing", "silent", "never"):
        for blower in (True, False):
            seen = possible_phases(heater(), since_request_s=since, requests=requests, pump=pump, blower=blower)
            assert names(seen) <= bare
            assert "safe" not in " ".join(seen.do_now)


@pytest.mark.parametrize(("failed", "allowed", "stops"), [(1, None, True), (1, 2, False), (2, 2, True), (3, 2, True)])
def test_stop_after_the_allowed_failed_starts(failed, allowed, stops):
    found = starts_used_up(failed, allowed)
    assert (found is not None) is stops
    if found:
        assert found.severity == "stop"
        assert all(word in found.text for word in ("Ventilate", "pooled fuel"))


@pytest.mark.parametrize("word", ["fire", "exhaust_smell", "co_alarm", "unwell"])
def test_people_first(word):
    (found,) = emergency_findings((word,))
    assert found.severity == "stop"
    assert found.text.index("people out first") < found.text.index("fuel and power off, even in run-on")


def test_faults_are_told_at_once(tmp_path):
    with pytest.raises(CombustError) as caught:
        possible_phases(heater(), since_request_s=-1, requests=0, pump="humming")
    assert len(caught.value.faults) == 3
    with pytest.raises(CombustError, match="is none of fire"):
        emergency_findings(("smoke",))
    (tmp_path / "i.toml").write_text('[[interlock]]\nname = "x"\n')
    with pytest.raises(CombustError, match="look"):
        interlocks(str(tmp_path / "i.toml"))


PROFILE = """
fuel = "diesel_b7"
stroke_ul = 24.0
[stages.high]
air_ratio_band = [1.35, 1.80]
[start]
check_s = 4
preheat_s = [50, 45]
attempt_s = [75, 75]
attempt_pump_hz = 1.5
cool_down_s = 200
"""


def test_command(tmp_path):
    profile, figure = tmp_path / "heater-0312.toml", tmp_path / "start.svg"
    profile.write_text(PROFILE)
    typed = ["--heater", str(profile), "--since-request", "300", "--pump", "never", "--blower", "no"]
    done = CliRunner().invoke(command, [*typed, "--figure", str(figure)])
    assert done.exit_code == 0
    assert "449 s" in done.stdout
    assert "never bridge" in done.stdout
    assert "Carbon monoxide" in done.stderr
    assert "<svg" in figure.read_text()
    facts = json.loads(
        CliRunner().invoke(command, [*typed, "--json", "--failed-starts", "3", "--allowed-failed-starts", "9"]).stdout
    )
    assert (facts["earliest_restart_s"], round(facts["fuel_ml"], 6)) == (449.0, 16.2)
    assert {phase["name"] for phase in facts["now"]["possible"]} == {"no_start", "standby"} | GLOWS
    assert facts["now"]["may_dose_by_itself"] is True
    stop = CliRunner().invoke(command, ["--heater", str(profile), "--emergency", "co_alarm", "--strict"])
    assert stop.exit_code == 4
    assert stop.stderr.startswith("STOP. CO alarm")
    assert "No stop condition" not in stop.stderr


def test_checklist_is_toml_that_can_be_given_back(tmp_path):
    text = CliRunner().invoke(command, ["--checklist"]).stdout
    assert tomllib.loads(text)["interlock"] == load_table("start_guide")["interlock"]
    own = tmp_path / "own.toml"
    own.write_text(text + '\n[[interlock]]\nname = "ramp"\nlook = "Is the ramp in?"\n')
    assert interlocks(str(own))[-1]["name"] == "ramp"
    assert CliRunner().invoke(command, []).exit_code == 2
