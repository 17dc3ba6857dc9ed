"""The units of a person at the keyboard: what is typed, stored, told again, corrected, and carried over a day."""

from __future__ import annotations

import shlex

import pytest
from hypothesis import given
from hypothesis import strategies as st

from combust.application.visit.standing import standing
from combust.application.visit.visit import Visit
from combust.application.visit.wording import told
from combust.data.errors import CombustError
from combust.edge.logbook.book import Logbook
from combust.edge.logbook.keyboard import enter, open_visit, set_day
from combust.edge.logbook.typed import entries_of_line, read_line
from combust.edge.reports.visit_page import visit_page
from tests.edge.runs import call
from tests.edge.test_visit_at_the_keyboard import HEATERS, MORNING, minutes

US = Visit("").add("setting", {"units": "us"})


def line(text: str, visit: Visit = US):
    return read_line(shlex.split(text), visit, MORNING)


@pytest.fixture
def book(tmp_path):
    with Logbook(tmp_path / "w.book", create=True) as opened:
        yield opened


# Factors of NIST SP 811 appendix B and diameters of ASTM B258, both from memory: 572 °F = 300 °C by definition,
# 1000 ft = 304.8 m, 29.92 inHg = 29.92 x 33.86389 hPa, 1 inH2O = 249.0889 Pa, 1 gal = 3.785412 l, 1 BTU/h =
# 0.2930711 W, number 14 = 1.628 mm = 2.08 mm².
@pytest.mark.memory
@pytest.mark.parametrize(
    ("bare", "with_unit", "key", "ours", "rel"),
    [
        ("flue 572", "flue 572 F", "flue_temp_c", 300.0, 1e-12),
        ("altitude 1000", "altitude 1000ft", "altitude_m", 304.8, 1e-12),
        ("pressure 29.92", "pressure 29.92 inHg", "pressure_hpa", 1013.2076, 1e-6),
        ("intake_static -0.5", "intake_static -0.5 inH2O", "intake_static_pa", -124.5444, 1e-6),
        ("plate_fuel 0.063", "plate_fuel 0.063 gal/h", "plate_fuel_l_per_h", 0.238481, 1e-5),
        ("plate_fuel 0.063", "plate_fuel 0.063 gph", "plate_fuel_l_per_h", 0.238481, 1e-5),
        ("plate_heat 7500", "plate_heat 7500 BTU/h", "plate_heat_kw", 2.198033, 1e-6),
        ("plate_heat 7500", "plate_heat 7500 btu/hr", "plate_heat_kw", 2.198033, 1e-6),
        ("cable 14", "cable 14 AWG", "area_mm2", 2.08, 1e-3),
        ("cable 14", "cable AWG 14", "area_mm2", 2.08, 1e-3),
        ("flue_drift 1.8", "flue_drift 1.8 F/min", "flue_drift_k_per_min", 1.0, 1e-12),
    ],
)
def test_a_unit_by_the_setting_or_behind_the_number(bare, with_unit, key, ours, rel):
    for found in (line(bare), line(with_unit, Visit(""))):
        assert found.given == pytest.approx({key: ours}, rel=rel)
        assert found.typed[key].split()[0] == next(word for word in bare.split() if word[-1].isdigit())


def test_a_unit_that_is_said_beats_the_setting():
    """°C behind the number or in the name of the word; ppm, volt and percent are the same everywhere."""
    assert line("flue 300 C").given == line("flue_temp_c 300").given == {"flue_temp_c": 300.0}
    assert line("o2 8.2 co 54 plug 12.5 smoke 1").typed == {}
    assert line("units us flue 572", Visit("")).given["flue_temp_c"] == pytest.approx(300.0)
    assert line("units metric flue 300").given["flue_temp_c"] == 300.0
    assert line("Units US", Visit("")).given == line("us", Visit("")).given == {"units": "us"}
    with pytest.raises(CombustError, match="units"):
        line("units imperial flue 572", Visit(""))


def test_a_refused_number_is_told_as_it_was_typed():
    with pytest.raises(CombustError, match="3000") as caught:
        line("flue 3000")
    assert "1200" in str(caught.value)


def test_a_day_in_fahrenheit_and_feet(book):
    """Settings of the day are in its units, are carried as they were typed, and the sheet tells both."""
    set_day(book, shlex.split('units us who "T. Larkwood" outdoors altitude 689'), MORNING)
    assert set_day(book, ["air", "41"], MORNING)["intake_temp_c"] == pytest.approx(5.0)
    visit, notes = open_visit(book, None, "heater-0312", HEATERS, ["flue", "689"], minutes(5))
    assert any("altitude_m 689 ft" in note for note in notes)
    visit = enter(book, visit, shlex.split("high o2 4.84 co 120 intake_static -0.56 cable 14"), minutes(6))
    assert visit.readings[-1]["altitude_m"] == pytest.approx(210.0, abs=0.01)
    assert visit.readings[-1]["flue_temp_c"] == pytest.approx(365.0)
    shown = str(standing(visit).to_dict()["shown"])
    assert "689 °F (365 °C)" in shown
    page = visit_page(visit, numbers=True)
    for piece in ("689 °F (365 °C)", "-0.56 inH2O (-139.5 Pa)", "14 AWG (2.081 mm²)", "41 °F (5 °C)"):
        assert piece in page, piece


def test_what_was_typed_metric_is_told_in_both(book):
    visit, _ = open_visit(book, None, "heater-0312", HEATERS, ["outdoors"], MORNING)
    visit = enter(book, visit, shlex.split("high o2 4.84 flue 365"), minutes(1))
    assert "°F" not in visit_page(visit, numbers=True)
    visit = enter(book, visit, ["units", "us"], minutes(2))
    assert "689 °F (365 °C)" in visit_page(visit, numbers=True)
    assert visit.readings[-1]["flue_temp_c"] == 365.0


@pytest.mark.parametrize(
    ("first", "correction", "value", "text"),
    [
        ("flue 689 F", "flue 662 F", 350.0, "662 F (350 °C)"),
        ("flue 689 F", "flue 350", 350.0, "350 °C"),
        ("flue 350", "flue 689 F", 365.0, "689 F (365 °C)"),
        ("co over 2000", "co 54", 54.0, "54 ppm"),
        ("co 54", "co over 2000", None, "above 2000 ppm"),
    ],
)
def test_nothing_stale_stands_beside_a_corrected_value(book, first, correction, value, text):
    visit, _ = open_visit(book, None, "heater-0312", HEATERS, ["outdoors"], MORNING)
    visit = enter(book, visit, shlex.split(f"high o2 8.2 {first}"), minutes(1))
    number = visit.entries[-1].number
    visit = enter(book, visit, ["correct", str(number), *shlex.split(correction)], minutes(2))
    one = visit.taken[-1]
    key = "flue_temp_c" if first.startswith("flue") else "co_dry_ppm"
    assert one.values.get(key) == (None if value is None else pytest.approx(value))
    assert told(key, {**one.values, "typed": one.typed, "over": one.over}) == text
    assert bool(visit.safety.stops) == ("over" in correction)


def test_a_value_after_one_over_the_range_is_a_new_reading(book):
    """Both count: the stop stays until work was done; the number that is read next is not lost in the old reading."""
    visit, _ = open_visit(book, None, "heater-0312", HEATERS, ["outdoors"], MORNING)
    for number, said in enumerate(("high o2 2.1 co over 2000", "co over 2000", "co 120", "co over 4000"), 1):
        visit = enter(book, visit, shlex.split(said), minutes(number))
    assert [(one.values.get("co_dry_ppm"), one.over.get("co_dry_ppm")) for one in visit.taken] == [
        (None, 2000.0), (120.0, None), (None, 4000.0)]  # fmt: skip
    assert visit.safety.state == "heater_off"


@pytest.mark.parametrize(
    ("number", "correction"), [(2, "flue 300"), (3, "who T"), (3, "plate_heat 2"), (4, "co 54"), (2, "co over 2000")]
)
def test_a_correction_that_its_entry_cannot_hold_is_refused(book, number, correction):
    """It would be lost without a word: a setting holds no reading, a reading nothing of the visit, a note only text."""
    visit, _ = open_visit(book, None, "heater-0312", HEATERS, ["outdoors"], MORNING)
    for at, said in enumerate(("high o2 8.2", "note loose clamp"), 1):
        visit = enter(book, visit, shlex.split(said), minutes(at))
    with pytest.raises(CombustError, match=f"is no part of entry {number}"):
        enter(book, visit, ["correct", str(number), *shlex.split(correction)], minutes(5))
    visit = enter(book, visit, ["correct", "2", "altitude", "300"], minutes(6))
    assert visit.settings["altitude_m"] == 300.0


@given(st.integers(-400, 20000))
def test_whole_fahrenheit_come_back_as_they_were_typed(tenths):
    """Typed in °F, stored in °C, told with one decimal in °F: the same digits."""
    text = f"{tenths / 10:.1f}"
    value = entries_of_line(["flue", text, "F"], Visit(""), MORNING).entries[0][2]["flue_temp_c"]
    assert f"{value * 1.8 + 32.0 + 0.0:.1f}".replace("-0.0", "0.0") == text.replace("-0.0", "0.0")


def test_at_the_command_line(tmp_path):
    book = str(tmp_path / "w.book")
    assert "689 ft (210 m)" in call("visit", "day", book, "units", "us", "altitude", "689", "outdoors").out
    call("visit", "open", book, "heater-0312", "--heaters", HEATERS)
    run = call("visit", "enter", book, "high", "o2", "8.2", "flue", "626", "co", "45", "--json")
    assert run.json["visit"]["readings"][0]["flue_temp_c"] == pytest.approx(330.0)
    assert ["reading-1 high", "lambda 1.60 ± 0.04 (95 %), O2 8.2 %, CO 45 ppm, flue 626 °F (330 °C)"] in run.json[
        "shown"
    ]
