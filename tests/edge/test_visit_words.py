"""What a person types at a visit: foreign ways of writing, the start, the supply, the plate, a clock that is wrong."""

from __future__ import annotations

import datetime
import shlex
from pathlib import Path
from typing import Any

import pytest

from combust.application.causes.catalogue import shipped_priors
from combust.application.visit.clock import clock_doubts
from combust.application.visit.entries import Entry, in_order
from combust.application.visit.record import hand_back_faults
from combust.application.visit.standing import standing
from combust.application.visit.supply_said import supply_said
from combust.application.visit.visit import Visit
from combust.application.visit.wording import written_since
from combust.application.visit.words import SYMPTOMS
from combust.data.errors import CombustError
from combust.edge.cli.complete import VERBS
from combust.edge.logbook.profiles import profile_in
from combust.edge.logbook.typed import SENTENCES, after_line, entries_of_line
from combust.edge.reports.visit_page import visit_page

HEATERS = Path(__file__).parents[2] / "data" / "heaters"
MORNING = datetime.datetime.fromisoformat("2026-01-12T07:30:00+01:00")


def typed(*lines: str, heater: str = "heater-0107", known: bool = True, profile: Any = None) -> Visit:
    """Return a visit of typed lines, a minute between them; ``known``: with its profile, or the one given."""
    profile = profile or (profile_in(HEATERS, heater) if known else None)
    visit = Visit.open("V1", at=MORNING.isoformat(), heater=heater, profile=profile)
    for number, line in enumerate(lines, 1):
        new = entries_of_line(shlex.split(line), visit, MORNING + datetime.timedelta(minutes=number))
        visit = visit.add("setting", new.head, at=new.at) if new.head else visit
        for kind, _, body in new.entries:
            visit = visit.add(kind, body, at=new.at)
    return visit


@pytest.mark.parametrize(
    ("line", "values"),
    [
        ("O2: 4.84 CO: 120", {"o2_dry_pct": 4.84, "co_dry_ppm": 120.0}),
        ("o2=4,84", {"o2_dry_pct": 4.84}),
        ("O2 8,2 % CO 54 ppm", {"o2_dry_pct": 8.2, "co_dry_ppm": 54.0}),
        ("intake_static -140 Pa", {"intake_static_pa": -140.0}),
        ("intake static −140Pa", {"intake_static_pa": -140.0}),
        ("HIGH Terminals Intake Blocked", {"stage": "high", "terminals": "intake_blocked"}),
        ("lit-and-died died 40 s cold soak -22", {"start_event": "lit_and_died", "died_after_s": 40.0}),
        ("Lit_And_Died soak -22 °C grade Summer", {"cold_soak_c": -22.0, "fuel_grade": "summer"}),
        ("plug glow 10,4 V", {"supply_glow_v": 10.4}),
        ("Stage High o2 8.2", {"stage": "high"}),
        ("stage=LOW o2=10,8", {"stage": "low", "o2_dry_pct": 10.8}),
        ("lit and died died 40 s cold soak -22", {"start_event": "lit_and_died", "died_after_s": 40}),
        ("never lit battery 11.4 V rest plug glow 9.9V", {"start_event": "never_lit", "supply_glow_v": 9.9}),
        ("battery 11,4V at rest plug glow 9,9", {"supply_glow_v": 9.9}),
        ('o2 "8,2 %" intake_static "-140 Pa"', {"o2_dry_pct": 8.2, "intake_static_pa": -140.0}),
    ],
)
def test_foreign_ways_of_writing_are_understood(line, values):
    read = typed(line).taken[0].values
    assert {key: read[key] for key in values} == values


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("o22 8.2", "Did you mean o2"),
        ("terminasl clear", "Did you mean terminals"),
        ("terminals intake_bloked", "Did you mean intake_blocked"),
        ("fleu 330", "Did you mean flue"),
        ("length 5 V", "is in V, not in m"),
        ("band_high 1.8-1.4", "low end not below its high end"),
        ("stage hihg o2 8.2", "Did you mean high"),
        ("lit and died -22", "cold soak -22"),
        ("lit_and_died died -22", "cold soak -22"),
        ("o2 8.2 unchecked exchanger leak test", "unchecked stands on a line of its own"),
        ("o2 8.2 Repair hose replaced", "repair stands on a line of its own"),
        ("battery 11.4 rest 11.5", "stands twice"),
    ],
)
def test_a_slip_of_gloves_is_told_with_what_was_meant_and_nothing_is_guessed(line, told):
    with pytest.raises(CombustError, match=told) as refused:
        typed(line)
    assert len(refused.value.faults) == 1  # the value behind a word that is not known is no second one


@pytest.mark.hand
def test_the_words_of_the_supply_come_to_one_line_and_one_safety_state():
    """12.2 V with 10.4 V at the plug: 1.8 V fall; 7.6 A is the profile's: 237 mohm. Its cut-out is 10.7 V: a stop."""
    visit = typed("outdoors battery 12.2 V", "plug glow 10.4 V", "cable 5 m area 1.5 mm2")
    assert visit.supply == {"open_circuit_v": 12.2, "length_m": 5.0, "area_mm2": 1.5, "plug_glow_v": 10.4}
    said = supply_said(visit.heater, visit.supply)
    assert said.result.loop_ohm == pytest.approx(1.8 / 7.6)
    assert "1.8 V fall under glow, 10.4 V at the plug" in said.text
    assert visit.safety.state == "heater_off"
    assert dict(standing(visit).lines())["supply"] == said.text
    causes = standing(visit).causes
    assert causes.top.cause == "glow_voltage_low"
    assert not any("burning" in shipped_priors().checks[one.check].needs for one in causes.next_checks)


@pytest.mark.memory
def test_a_battery_at_rest_tells_its_charge_before_anything_else_is_known():
    """12.2 V at rest: near half charged by the tables of the trade (50 % at 12.24 V, from memory)."""
    told = supply_said(None, {"open_circuit_v": 12.24})
    assert "50 % charged; add plug glow, or cable (one way) and area" in told.text
    assert supply_said(None, {"length_m": 5.0}) is None


def test_a_battery_of_another_system_stops_before_cable_or_plug_are_known():
    assert typed("outdoors battery 25.4 V").safety.state == "heater_off"


def test_sentences_in_capitals_and_apart_are_understood():
    visit = typed(
        "Event Swap", "Check Look_At_Terminals CLEAR", "Missing Cab CO no analyser", "missing READING_AFTER same"
    )
    assert visit.of_kind("event")[0]["event"] == "swap"
    assert visit.readings[0]["terminals"] == "clear"
    assert visit.declared_missing == {"cab_co": "no analyser", "reading_after": "same"}
    assert typed("cable 5m cable 14 awg").supply["length_m"] == 5.0


def test_every_verb_is_offered_by_the_tab_key():
    assert set(SENTENCES) <= set(VERBS)


def test_cable_in_feet_and_gauge():
    """16 ft = 4.8768 m; AWG 14 is 2.08 mm² (ASTM B258)."""
    supply = typed("area_awg 14 length 16 ft").supply
    assert supply["length_m"] == pytest.approx(4.8768)
    assert supply["area_mm2"] == pytest.approx(2.08, abs=0.005)


def test_a_heater_that_lit_and_died_is_led_by_causes_of_the_start_joined_with_its_gas():
    visit = typed("outdoors altitude 210 air -20", "lit_and_died died 40 soak -22 grade summer failed 1 allowed 3")
    first = standing(visit).causes
    assert first.top.cause == "fuel_waxed"
    assert standing(visit).next_check
    with_gas = typed(
        "outdoors altitude 210 air -20",
        "lit_and_died died 40 soak -22 grade summer failed 1 allowed 3",
        "high o2 12.5 flue 190 co 60",
    )
    assert len(with_gas.taken) == 2  # two readings of one visit, judged together
    lean = standing(with_gas).causes.marginal
    assert lean["fuel_waxed"] + lean["fuel_under"] > first.marginal["fuel_waxed"]


def test_the_plate_alone_begins_a_visit_and_what_it_lacks_is_not_made_up():
    visit = typed("kw 2 nominal 12 V fuel diesel_b7 blower_type side_channel", heater="heater-0500", known=False)
    heater = visit.heater
    assert (heater.nominal_v, heater.blower, heater.fuel.name) == (12.0, "side_channel", "diesel_b7")
    assert heater.stage_of("high").useful_heat_kw == 2.0
    assert (heater.baselines, heater.stage_of("low").air_ratio_band) == ((), None)
    assert typed("kw 2", heater="heater-0500", known=False).heater is None  # no fuel, no heater
    with pytest.raises(CombustError, match="not below nominal_v"):
        typed("nominal 12 cutout 13 fuel diesel_b7", heater="heater-0500", known=False)


def test_the_plate_fills_what_a_profile_lacks_and_never_overrides_it():
    visit = typed("nominal 24 height_limit 900 band_high 1.2-1.4 stroke_ul 99")
    assert visit.heater.nominal_v == 12.0
    assert visit.heater.limits.altitude_m == 2050.0
    assert visit.heater.stage_of("high").air_ratio_band == (1.40, 1.90)


@pytest.mark.practice
@pytest.mark.parametrize("symptom", SYMPTOMS)
def test_without_a_baseline_the_complaint_leads_in_a_fixed_order_and_never_its_own_baseline(symptom):
    """Before a reading the first check of its list; none of them asks for a healthy reading of this heater."""
    order = shipped_priors().table["fixed_order"]["complaint"][symptom]
    visit = typed(f"outdoors {symptom}", "kw 2 nominal 12 V fuel diesel_b7", heater="heater-0500", known=False)
    found = standing(visit)
    assert f"combust word {order[0]})" in found.next_check
    assert "baseline" not in found.next_check
    read = typed(
        f"outdoors {symptom}",
        "kw 2 nominal 12 V fuel diesel_b7",
        "high o2 8.2 co 54",
        heater="heater-0500",
        known=False,
    )
    told = standing(read).causes
    assert not told.ranked
    checks = [one.check for one in told.next_checks]
    assert checks[0] == "ambient_air"  # a reading is first of all a valid one
    assert [name for name in checks if name in order] == [name for name in order if name in checks]
    assert "not ranked" in dict(standing(read).lines())["causes"]


def test_what_stands_out_in_the_gas_goes_before_the_complaint():
    """Lambda 1.28 is rich (below 1.35): the list of a rich reading leads, weak heat follows."""
    lines = ("outdoors weak_heat zeroo2 20.9 leak pass trap dry analyser_fuel diesel", "kw 2 nominal 12 fuel diesel_b7")
    more = ("high o2 4.84 minutes 15 o2span 0.1 drift 1 pump_hz 2.4 altitude 210 air 15", "terminals clear")
    checks = [one.check for one in standing(typed(*lines, *more, heater="h", known=False)).causes.next_checks]
    assert checks.index("supply_voltage") < checks.index("heating_air")


def test_only_what_was_seen_ranks_nothing_without_a_baseline():
    visit = typed("outdoors", "kw 2 nominal 12 V fuel diesel_b7", "terminals clear", heater="h", known=False)
    assert not standing(visit).causes.ranked


def test_a_clock_that_went_back_and_a_time_in_the_future_are_stored_and_told():
    visit = typed("outdoors o2 8.2 co 1500 at 2026-01-13T09:00+01:00")
    assert visit.safety.state == "heater_off"  # judged at once, whatever the clock
    assert clock_doubts(visit) == ["reading-1 is 1 d 1 h later than the moment it was entered"]
    visit = visit.add("note", {"text": "x"}, at="2026-01-12T06:30:00+01:00")
    assert "the clock went back by 1 h 1 min at entry" in clock_doubts(visit)[1]
    assert "is the clock right?" in dict(standing(visit).lines())["CLOCK"]
    assert clock_doubts(typed("o2 8.2 at 07:30")) == []


def test_entries_of_two_books_stand_in_order_of_time_whatever_their_offsets():
    """08:00 at +01:00 is before 07:30 at +00:00."""
    one = Entry("note", {"text": "first"}, "2026-01-12T08:00:00+01:00", 1, origin="b", hash="b1")
    two = Entry("note", {"text": "second"}, "2026-01-12T07:30:00+00:00", 1, origin="a", hash="a1")
    assert [entry.body["text"] for entry in in_order([two, one])] == ["first", "second"]


@pytest.mark.parametrize("line", ["does not start", "Does Not Start", "symptom does not start", "does-not-start"])
def test_a_complaint_of_several_words_is_understood(line):
    assert typed(line).head["symptom"] == "does_not_start"


def test_what_is_refused_with_a_stop_tells_correcting_as_a_way_out_and_ends_each_sentence_once():
    visit = typed("outdoors high o2 8.2 co 5000")
    faults = hand_back_faults(visit.add("setting", {"handed_back": "yes"}))
    assert "correct NUMBER" in str(faults[0])
    assert ".." not in str(faults[0])


@pytest.mark.parametrize(
    ("line", "column", "value"),
    [
        ("check look_at_terminals clear", "terminals", "clear"),
        ("check look_at_terminals exhaust blocked", "terminals", "exhaust_blocked"),
        ("check joints Leaking", "joints", "leaking"),
        ("check probe_leak dry", "sample_line", "dry"),
        ("check glow_voltage 10,9 V", "supply_glow_v", 10.9),
    ],
)
def test_what_a_check_showed_is_what_its_column_says(line: str, column: str, value: Any) -> None:
    """A blocked terminal and a leaking joint stop the heater, however that is typed (common practice, no source)."""
    visit = typed("outdoors high o2 8.2 co 54", line)
    assert (visit.taken[-1].values[column], visit.of_kind("check")) == (value, [])
    assert bool(visit.safety.stops) == (value in ("exhaust_blocked", "leaking"))


@pytest.mark.parametrize(
    ("line", "takes"),
    [
        ("check look_at_terminals some snow", "terminals clear, intake_blocked, exhaust_blocked or both"),
        ("check supply_voltage 12.1 at glow", "supply in V"),
        ("check second_stage done", "flue temp in °C"),
    ],
)
def test_a_check_in_other_words_is_told_to_count_for_no_cause(line: str, takes: str) -> None:
    before = typed("outdoors high o2 8.2 co 54")
    new = entries_of_line(shlex.split(line), before, MORNING)
    (told,) = written_since(after_line(before, new), before)
    assert "kept in words, no cause takes it" in told
    assert takes in told


def told_back(*lines: str) -> list[str]:
    """Return why a heater may not be handed back after a healthy reading, the lines, and clean air in the cab."""
    visit = typed("outdoors altitude 210 air 15", "high o2 8.2 co 40 flue 330 fuel diesel_b7", *lines)
    return visit.hand_back_doubts(visit.safety)


AIR = "cab 1 outside 0"


@pytest.mark.parametrize(
    ("lines", "doubted"),
    [
        ((AIR,), ""),
        ((AIR, "check cab_co 55 ppm in the cab"), "55 ppm in the cab"),
        (("check cab_co 55 ppm in the cab", AIR), ""),  # measured afterwards
        ((AIR, "check joints leaking at the clamp"), "leaking at the clamp"),
        ((AIR, "check joints leaking at the clamp", "joints tight"), ""),
        (
            ("check heating_air smells of exhaust", AIR, "air_out_temp_c 88"),
            "smells of exhaust",
        ),  # no thermometer tells that
        ((AIR, "check supply_voltage fell a little"), ""),
    ],
)
def test_a_danger_in_words_that_nothing_judges_is_not_handed_back(lines: tuple[str, ...], doubted: str) -> None:
    """Found by somebody who wrote down what was smelt and seen: the sheet said that nothing was found."""
    told = told_back(*lines)
    assert [one for one in told if "nothing judges" in one] == [one for one in told if doubted and doubted in one]
    assert bool(told) is bool(doubted)


def test_lambda_of_a_leaking_sample_stands_on_the_sheet_as_what_it_is_at_most() -> None:
    """Found on a sheet: "lambda 1.30 is in the range where soot climbs" stood above "lambda cannot be told"."""
    visit = typed("outdoors altitude 210 air 15 leak fail", "high o2 4.84 co 120 flue 330 fuel diesel_b7")
    page = visit_page(visit)
    (one,) = visit.taken
    assert one.result is not None
    assert one.result.air_ratio_text.startswith("at most 1.3")
    assert one.result.air_ratio_text in page
