"""The commands cause, start, supply and log series read from a visit: nothing is typed again, and one judgement."""

from __future__ import annotations

import json
import shlex
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from combust.application.reading.result import interpret
from combust.application.visit.standing import standing
from combust.application.visit.steady import steady_window
from combust.application.visit.visit import Visit
from combust.domain.reading import Reading
from combust.domain.result import plain
from combust.edge.logbook.book import Logbook
from combust.edge.logbook.visits import read_visit
from tests.edge.runs import call

HEATERS = str(Path(__file__).parents[2] / "data" / "heaters")
PROFILE = f"{HEATERS}/heater-0107.toml"


@pytest.fixture
def book(tmp_path):
    return str(tmp_path / "w.book")


def begun(book: str, *lines: str, heater: str = "heater-0107", visit_id: str = "V001") -> None:
    assert call("visit", "open", book, heater, "--heaters", HEATERS, "--visit-id", visit_id).code == 0
    for line in lines:
        done = call("visit", "enter", book, "--visit-id", visit_id, *shlex.split(line))
        assert done.code == 0, done.err


def visit_of(book: str, visit_id: str = "V001"):
    with Logbook(book, read_only=True) as opened:
        return read_visit(opened, visit_id)


def test_cause_of_a_visit_is_the_standing_of_the_visit_with_more_detail(book):
    begun(book, "outdoors altitude 210 air 15 high o2 4.84 flue 365 co 120", "intake_static -60", "battery 12.6")
    done = call("cause", book, "--visit-id", "V001", "--json")
    found = standing(visit_of(book))
    assert done.json["visits"] == json.loads(json.dumps(plain([found.causes])))
    assert done.json["safety"]["state"] == found.safety.state
    told = call("cause", book)  # one alone is open
    assert "checks to make next" in told.out
    assert "12.6 V at rest" in told.out


def test_the_causes_of_a_repaired_visit_as_found(book):
    """A crushed intake (A8 of the trade notes: O2 4.84 for 8.2, suction and flue), mended: after it, it is healthy."""
    lines = [
        "outdoors altitude 210 air 15 high o2 4.84 flue 365 co 1200 plug 12.5 intake_static -60",
        "repair hose replaced",
        "high o2 8.2 co 45 flue 330",
        "correct 3 co 1210 because misread",
    ]
    begun(book, *lines, heater="heater-0312")
    after, before = (call("cause", book, "--visit-id", "V001", *more, "--json") for more in ((), ("--phase", "before")))
    assert after.json["visits"][0]["causes"][0]["cause"] == "healthy"
    assert not after.json["safety"]["stops"]
    found = before.json["visits"][0]
    assert found["causes"][0]["cause"] != "healthy"
    assert before.json["safety"]["stops"][0]["value"] == 1210.0
    assert before.json["safety"]["text"].startswith("STOP. visit V001, as found: CO in the exhaust (1210 ppm)")
    assert call("cause", book, "--visit-id", "V001", "--phase", "before", "--o2-dry", "8").code == 3


def test_cause_takes_no_number_beside_a_book_and_says_what_is_missing(book):
    begun(book)
    nothing = call("cause", book)
    assert nothing.code == 3
    assert "nothing was read yet" in nothing.err
    assert "look into intake" in nothing.err
    again = call("cause", book, "--o2-dry", "4.84")
    assert again.code == 3
    assert "Type them into the visit" in again.err
    assert call("cause", "--o2-dry", "4.84").code == 3  # without a book it needs a profile


def test_a_profile_of_another_heater_beside_a_visit_is_refused(book):
    begun(book, "outdoors high o2 8.6 battery 12.6 plug glow 11.9")
    for command in ("cause", "start", "supply"):
        done = call(command, book, "--heater", f"{HEATERS}/heater-0312.toml")
        assert done.code == 3
        assert "is not the heater of the visit (heater-0107)" in done.err
        assert call(command, book, "--heater", PROFILE).code == 0


def test_two_visits_open_and_the_id_is_asked_for(book):
    begun(book, "outdoors high o2 4.84")
    begun(book, "outdoors high o2 8.6", heater="heater-0312", visit_id="V002")
    for command in ("cause", "start", "supply"):
        done = call(command, book)
        assert done.code == 3
        assert "V001, V002 are open" in done.err
    assert call("cause", book, "--visit-id", "V002").code == 0


def test_start_of_a_visit_has_its_causes_and_the_times_of_the_profile(book):
    told = "outdoors altitude 210 air -20 lit_and_died died 40 s cold soak -22 grade summer failed 2 allowed 3"
    begun(book, told)
    done = call("start", book, "--json")
    options = ("--start-event", "lit_and_died", "--died-after-s", "40", "--cold-soak", "-22", "--fuel-grade", "summer")
    options += ("--failed-starts", "2", "--allowed-failed-starts", "3", "--location", "outdoors")
    typed = call("start", "--heater", PROFILE, *options, "--altitude", "210", "--json")
    assert typed.code == 2  # the height is no option of it; the visit holds it all the same
    typed = call("start", "--heater", PROFILE, *options, "--json")
    assert done.json["fuel_ml"] == typed.json["fuel_ml"]
    assert done.json["cycles"] == 2
    assert done.json["visit"]["causes"] == typed.json["visit"]["causes"]
    assert call("start", book, "--cold-soak", "-5").code == 3


def test_start_of_a_heater_known_by_its_plate_ranks_without_times(book):
    assert call("visit", "open", book, "heater-0500").code == 0
    for line in (
        "outdoors kw 2 nominal 12 fuel diesel_b7",
        "never_lit white cold soak 5",
        "battery 12.6 plug glow 11.9",
    ):
        assert call("visit", "enter", book, *line.split()).code == 0
    done = call("start", book)
    assert done.code == 0
    assert "No start programme of this heater is known." in done.out
    assert "checks to make next" in done.out


@pytest.mark.hand
def test_supply_of_a_visit_is_worked_out_from_what_was_typed(book):
    """12.2 V, 15 + 20 mohm, 5 m of 1.5 mm² each way (0.0127 ohm/m): 12.2 - 10 (0.035 + 0.127) = 10.58 V at 10 A."""
    begun(book, "outdoors battery 12.2 battery_resistance 15 contacts 20 mohm", "cable 5 m area 1.5 glow_current 10 A")
    done = call("supply", book, "--json")
    assert done.json["heater_v_glow"] == pytest.approx(10.58, abs=0.005)
    assert done.json["safety"]["state"] == visit_of(book).safety.state == "heater_off"  # its cut-out is 10.7 V
    thicker = call("supply", book, "--area", "4", "--json")
    assert thicker.json["heater_v_glow"] > 11.0
    gauge = call("supply", book, "--area-awg", "10", "--json")
    assert gauge.json["inputs"]["area_mm2"] == pytest.approx(5.26, abs=0.01)  # ASTM B258
    assert "open_circuit_v 12.2 V" in call("supply", book).err


def test_a_series_goes_into_the_visit_as_a_reading_with_the_settings_of_the_day(book, tmp_path):
    begun(book, "outdoors altitude 210 air 15")
    rows = [f"{10 * step},{8.2 + 0.3 * (step % 2):.1f},54,300" for step in range(25)]
    path = tmp_path / "series.csv"
    path.write_text("\n".join(["time_s,o2_dry_pct,co_dry_ppm,flue_temp_c", *rows]))
    assert call("log", "series", str(path), "--into", book).code == 0
    (taken,) = visit_of(book).taken
    assert taken.values["altitude_m"] == 210.0
    assert taken.values["o2_span_over_3min_pct"] == 0.3  # 8.5 - 8.2 in binary is a little more: still steady
    assert "not_steady" not in [one.code for one in taken.result.findings]


samples = st.lists(st.integers(0, 3), min_size=19, max_size=60)


@given(samples, st.floats(1.0, 18.0), st.floats(-2.0, 2.0), st.floats(10.0, 11.0))
def test_what_is_judged_steady_is_never_refused_as_unsteady_by_its_own_summary(steps, level, drift, minutes):
    """At the very edge of every limit: O2 in tenths over 0.3 %, the flue at up to 2 K/min, 10 min after ignition."""
    clock = 10.0 * np.arange(float(len(steps)))
    columns = {
        "o2_dry_pct": np.round(level, 1) + 0.1 * np.array(steps),
        "flue_temp_c": 300.0 + drift * clock / 60.0,
        "minutes_since_ignition": np.full(len(steps), minutes),
    }
    told = steady_window(clock, columns)
    if told.steady:
        for values in (told.values, {key: float(f"{value:.4g}") for key, value in told.values.items()}):
            found = interpret(Reading(fuel="diesel_b7", location="outdoors", **values))
            assert not {"not_steady", "too_early"} & {one.code for one in found.findings}


def test_the_property_can_fail():
    """Its series are steady: without the rounding of the summary 8.5 - 8.2 was refused."""
    clock = 10.0 * np.arange(20.0)
    columns = {"o2_dry_pct": 8.2 + 0.1 * np.array([0, 3] * 10), "minutes_since_ignition": np.full(20, 10.0)}
    assert steady_window(clock, columns).steady
    assert float(np.ptp(columns["o2_dry_pct"])) > 0.3


@pytest.mark.regression
@pytest.mark.parametrize(
    ("heater", "lines", "minutes"),
    [
        ("heater-0312", ["outdoors altitude 210 air 15 high o2 4.84 flue 365 co 120"], 5.0),
        ("heater-0312", ["outdoors altitude 210 air 15 high o2 4.84 flue 365 co 1500"], 1.0),  # a stop: it is off
        ("heater-0312", ["outdoors never_lit"], 1.0),
    ],
)
def test_a_check_takes_the_same_minutes_wherever_it_is_told(book, heater, lines, minutes):
    """By the table of checks: 5 minutes to look at the terminals, 4 of them until it is cold."""
    begun(book, *lines, heater=heater)
    found = standing(visit_of(book))
    of_checks = {one.check: one.minutes for one in found.checks}
    assert of_checks["look_at_terminals"] == minutes
    first = found.checks[0]
    assert f"({first.minutes:g} min; combust word {first.check})" in found.next_check
    bare = standing(Visit("V2").add("reading", dict(visit_of(book).last_taken[0].row)))
    assert {one.check: one.minutes for one in bare.checks}["look_at_terminals"] == minutes
    assert "5 min, 1 where the heater is off and cold already" in call("word", "look_at_terminals").out
