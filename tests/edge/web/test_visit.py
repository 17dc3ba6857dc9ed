"""A visit on the page without script: opened, read, checked; stops first, every number typed once."""

from __future__ import annotations

import html
import re
from collections.abc import Callable
from pathlib import Path
from urllib.parse import quote

import pytest

from combust.application.causes.catalogue import shipped_priors
from combust.edge.logbook.book import Logbook
from combust.edge.logbook.visits import names, read_visit
from combust.edge.web.settings import Settings
from tests.application.learning.test_learnt import FAR
from tests.edge.runs import call
from tests.edge.web.hostile import HOSTILE, check_page
from tests.edge.web.phone import Phone, banner_of, form_of
from tests.edge.web.stops import STOPS, Case

pytestmark = pytest.mark.regression
HEATER = {"heater": "heater-0312", "location": "outdoors"}
RESTRICTED = {"stage": "high", "o2_dry_pct": "6,4", "co_dry_ppm": "120", "flue_temp_c": "365"}
CASES = pytest.mark.parametrize("case", STOPS.values(), ids=list(STOPS))


def opened(phone: Phone, **typed: str) -> str:
    """Open a visit and return its path."""
    answer = phone.post("/visit", {**HEATER, **typed}, page="/visit")
    assert answer.status_code == 303, answer.text
    return str(answer.headers["location"])


def read(phone: Phone, here: str, **typed: str) -> str:
    """Type a reading and return the page of the visit."""
    assert phone.post(f"{here}/reading", typed, page=f"{here}/reading").status_code == 303
    return str(phone.get(here).text)


def offered(page: str) -> list[str]:
    """Return the checks that a page offers, the one with its fields first."""
    shown = re.findall(r'name="check" value="(\w+)"', page)
    return [*shown, *re.findall(r'\?check=(\w+)#check"', page)]


def test_what_comes_first_on_the_page_of_a_visit(phone: Phone) -> None:
    page = read(phone, opened(phone), **RESTRICTED)
    order = ['id="banner"', "<h1", "Healthy band, high stage", "Next check", "What it can be", "What else"]
    places = [page.index(text) for text in order]
    assert places == sorted(places)
    assert page.count("Save check") == 1
    assert "1.41" in page.partition("Healthy band")[0]
    # By hand: without altitude and air temperature lambda is not known at reference air: the profile's own band.
    assert "Healthy band, high stage: 1.35 to 1.80." in page


# What a person would type into the fields of a check; of a choice the first word.
LIKELY = {
    **{"ambient_o2_pct": "20.9", "analyser_fuel": "diesel", "pump_hz": "3.2", "o2_span_over_3min_pct": "0.2"},
    **{"flue_drift_k_per_min": "1", "minutes_since_ignition": "15", "pressure_hpa": "990", "intake_temp_c": "5"},
    **{"supply_v": "12.4", "intake_co2_pct": "0.04", "intake_o2_pct": "20.9", "air_in_temp_c": "5"},
    **{"air_out_temp_c": "70", "intake_static_pa": "-60", "exhaust_static_pa": "250", "blower_rpm": "4800"},
    **{"strokes": "100", "delivered_ml": "4.1", "span_o2_pct": "8", "span_o2_read_pct": "8", "supply_glow_v": "11"},
    **{
        "probe_leak_test": "pass",
        "plate_number": "agrees",
        "sample_line": "dry",
        "terminals": "clear",
        "joints": "tight",
        "fuel_line": "full",
    },
    **{"stage": "low", "o2_dry_pct": "9.8", "co_dry_ppm": "90", "flue_temp_c": "200"},
    **{"fuel_sample": "as_stated", "cab_co_in_ppm": "1", "cab_co_out_ppm": "0"},
}


def test_next_check_after_next_check_by_one_button_each(phone: Phone) -> None:
    here = opened(phone)
    read(phone, here, **RESTRICTED)
    made: list[str] = []
    for _ in range(6):
        page = phone.get(here).text
        check = offered(page)[0]
        assert check not in made, "a check that was made is asked again"
        held = form_of(page, f"{here}/check")
        fields = held.keys() - {"token", "once", "check", "photo", "shows"}
        assert fields, f"{check} has no field of its own"
        answer = phone.post(f"{here}/check", {name: LIKELY[name] for name in fields}, page=here)
        assert answer.status_code == 303, answer.text
        made.append(check)


def _entries(settings: Settings, name: str) -> list[tuple[str, str]]:
    assert settings.book
    with Logbook(settings.book, read_only=True) as book:
        return [(one.kind, str(dict(one.body))) for one in read_visit(book, name).entries]


def test_the_same_form_sent_again_adds_nothing(phone: Phone, settings: Settings) -> None:
    here = opened(phone)
    held = form_of(phone.get(f"{here}/reading").text, f"{here}/reading")
    sent = {**held, **RESTRICTED}
    for _ in range(3):
        assert phone.client.post(f"{here}/reading", data=sent, headers={"origin": phone.origin}).status_code == 303
    assert [kind for kind, _ in _entries(settings, "V001")].count("reading") == 1
    opening = form_of(phone.get("/visit").text, "/visit")
    twice = [
        phone.client.post("/visit", data={**opening, **HEATER}, headers={"origin": phone.origin}).headers["location"]
        for _ in range(2)
    ]
    assert twice == ["/visit/V002", "/visit/V002"]


def test_two_phones_write_into_one_visit_and_open_their_own(
    phone: Phone, phones: Callable[[], Phone], settings: Settings
) -> None:
    other, here = phones(), opened(phone)
    read(phone, here, stage="high", o2_dry_pct="8.2")
    page = read(other, here, co_dry_ppm="54")
    assert "O2 8.2 %, CO 54 ppm" in page
    assert opened(other) != here
    assert settings.book
    with Logbook(settings.book, read_only=True) as book:
        assert names(book) == {"V001": True, "V002": True}


def test_warnings_stand_above_the_next_check(phone: Phone) -> None:
    page = read(phone, opened(phone, location="outdoors"), stage="high", o2_dry_pct="4.84", co_dry_ppm="120")
    assert banner_of(page).startswith("ONLY OUTDOORS")
    # the minimum of 1.30 stands in data/heaters/heater-0312.toml
    assert page.index("below the minimum of 1.30") < page.index("Next check")
    assert "Lambda is BELOW it: too rich." in page


def test_the_band_never_goes_below_the_minimum_of_the_heater(phone: Phone) -> None:
    # By hand: the band of 1.35 to 1.80 at 1000 m and 5 °C is that times 0.887 (1013.25·(1 - 2.25577e-5·1000)^5.25588 =
    # 898.7 hPa) and 288.15/278.15: 0.919, so 1.24 to 1.65. The minimum of 1.30 stands in data/heaters/heater-0312.toml.
    day = {"who": "T. Larkwood", "altitude_m": "1000", "intake_temp_c": "5", "location": "outdoors"}
    assert phone.post("/day", day, page="/day").status_code == 303
    here = opened(phone)
    page = read(phone, here, stage="high", o2_dry_pct="4.84", co_dry_ppm="120")
    assert "below the minimum of 1.30" in page
    band = re.search(r"Healthy band, high stage: 1.30 to ([\d.]+)\.", page)
    assert band is not None
    assert float(band[1]) == pytest.approx(1.80 * 0.919, abs=0.011)
    assert "Its lower end is the heater&#39;s own minimum." in page
    assert "below it" in page.lower()
    assert "Lambda is inside it" not in page


def test_a_heater_of_which_only_the_plate_is_known(phone: Phone) -> None:
    plate = {"heater_id": "LF-77", "fuel": "diesel_b7", "nominal_v": "12", "plate_heat_kw": "4", "band_high": "1.4-1.8"}
    here = opened(phone, heater="", **plate)
    page = read(phone, here, **RESTRICTED)
    assert "Healthy band, high stage: 1.40 to 1.80" in page
    assert "Not ranked" in page
    assert offered(page)
    assert 'class="bars"' not in page, "nothing is ranked without a healthy baseline"


def test_settings_of_the_day_go_into_each_visit_with_their_age(phone: Phone) -> None:
    day = {"who": "T. Larkwood", "altitude_m": "210", "intake_temp_c": "5", "location": "outdoors"}
    assert phone.post("/day", day, page="/day").status_code == 303
    assert "(entered 0 min ago)" in phone.get("/day").text
    here = phone.post("/visit", {"heater": "heater-0312"}, page="/visit").headers["location"]
    page = phone.get(here).text
    assert "T. Larkwood (entered 0 min ago)" in page
    # By hand: air of 5 °C at 210 m against 15 °C at sea level: 1013.25·(1 - 2.25577e-5·210)^5.25588 = 988.3 hPa, and
    # 988.3/1013.25 · 288.15/278.15 = 1.0104, less some water vapour: the band moves up by about one per cent.
    page = read(phone, here, **RESTRICTED)
    band = re.search(r"Healthy band, high stage: ([\d.]+) to ([\d.]+)\.", page)
    assert band is not None
    low, high = band.groups()
    assert float(low) == pytest.approx(1.35 * 1.0104, abs=0.011)
    assert float(high) == pytest.approx(1.80 * 1.0104, abs=0.011)


@CASES
def test_every_stop_stops_on_the_page_of_a_visit_and_nothing_that_burns_is_offered(phone: Phone, case: Case) -> None:
    here = opened(phone, location="")
    answer = phone.post(f"{here}/reading", case.typed, page=f"{here}/reading")
    assert answer.status_code == (303 if case.accepted else 422)
    page = phone.get(here).text if case.accepted else answer.text
    assert f'class="banner {case.state} stops"' in page
    assert 'class="bar">STOP' in page
    assert banner_of(page).startswith("STOP")
    assert "No stop condition" not in page
    if case.accepted:
        needs = {name: set(shipped_priors().checks[name].needs) for name in offered(page)}
        burning = {name for name, what in needs.items() if "burning" in what}
        assert burning == set(), "a check that needs a burning heater is offered under a stop"
        assert "Only after the repair" in page
        assert f'href="{here}/watch"' not in page
        assert ">Trim" not in page
        shown = re.search(r'<section class="causes">(.*?)</section>', page, re.DOTALL)
        assert shown
        assert "read again" not in shown[1], "what is told of a cause can need a burning heater"
        assert "Take this value" not in phone.get(f"{here}/watch").text


def test_after_the_repair_the_stop_stays_until_it_was_read_again(phone: Phone) -> None:
    here = opened(phone)
    assert "STOP" in read(phone, here, stage="high", o2_dry_pct="4.8", co_dry_ppm="4000")
    typed = {"kind": "repair", "text": "hose cleared"}
    assert phone.post(f"{here}/say", typed, page=here).status_code == 303
    page = phone.get(here).text
    assert banner_of(page).startswith("STOP")
    assert "Enter a reading after the work" in page
    page = read(phone, here, stage="high", o2_dry_pct="8.2", co_dry_ppm="45")
    assert "STOP" not in banner_of(page)
    shown = phone.get(f"{here}/record").text
    assert re.search(r"CO 4000 ppm</td><td>[^<]*CO 45 ppm", shown)


def test_a_refused_check_keeps_what_was_typed_and_the_stop_of_it(phone: Phone) -> None:
    here = opened(phone)
    answer = phone.post(f"{here}/reading", {"o2_dry_pct": "82", "co_dry_ppm": "4000"}, page=f"{here}/reading")
    assert answer.status_code == 422
    assert 'value="82"' in answer.text
    assert 'value="4000"' in answer.text
    assert "CO in the exhaust (4000 ppm)" in banner_of(answer.text)
    assert "Nothing was read yet" in phone.get(here).text


def test_numbers_stand_in_the_units_of_the_person(phone: Phone) -> None:
    metric = read(phone, opened(phone), **RESTRICTED)
    phone.post("/units", {"units": "us"}, page="/")
    assert 'name="plate_heat_btu_per_h"' in phone.get("/visit").text  # what a bare number means at the keyboard
    # By hand: 365·1.8 + 32 = 689.
    typed = {key: text for key, text in RESTRICTED.items() if key != "flue_temp_c"}
    page = read(phone, opened(phone), **typed, flue_temp_f="689")
    assert "flue 689 °F (365 °C)" in page
    bars = re.compile(r"<strong>([^<]+)</strong> <span>(\d+) %")
    assert bars.findall(page) == bars.findall(metric)
    entry = phone.get("/visit/V002/entries").text
    number = re.search(r"/visit/V002/entries/(\d+)\">Correct entry \d+</a></p></li>\s*</ol>", entry)
    assert number
    assert 'name="flue_temp_f" value="689"' in phone.get(f"/visit/V002/entries/{number[1]}").text


@pytest.mark.parametrize("name", ["A/7", "..", "W 301 ü", "~s", "x?y#z", "%2e%2e%2f"])
def test_a_visit_of_any_name_can_be_opened_and_found(phone: Phone, name: str) -> None:
    here = opened(phone, visit_id=name)
    assert html.escape(f"Visit {name}") in phone.get(here).text
    assert here in html.unescape(phone.get("/visit").text)
    read(phone, here, **RESTRICTED)


@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_text_in_every_field_stays_text(phone: Phone, text: str) -> None:
    plain = " ".join(text.split())
    day = phone.post("/day", {"who": text, "place": text, "instrument": text}, page="/day")
    assert day.status_code in (303, 422)
    answer = phone.post("/visit", {**HEATER, "visit_id": text, "vehicle": text, "complaint": text}, page="/visit")
    check_page(answer.text)
    here = answer.headers.get("location") or opened(phone)
    for way, typed in (
        ("say", {"kind": "note", "text": text}),
        ("reading", {"o2_dry_pct": text, "stage": text}),
        ("reading", {"stage": text, "o2_dry_pct": "8.2"}),
        ("missing", {"field": text, "reason": text}),
        ("missing", {"field": "smoke_number", "reason": text}),
        ("complete", {"unchecked": text}),
    ):
        sent = {**form_of(phone.get(f"{here}/say").text), **typed}
        check_page(phone.client.post(f"{here}/{way}", data=sent, headers={"origin": phone.origin}).text)
    for way in ("", "/reading", "/say", "/photo", "/watch", "/record", "/entries", f"?check={quote(plain)}"):
        page = phone.get(f"{here}{way}")
        check_page(page.text)
    check_page(phone.get("/visit").text)
    check_page(phone.get("/day/sheet").text)


def test_without_a_logbook_it_is_said(settings: Settings) -> None:
    phone = Phone(Settings(settings.key))
    answer = phone.get("/visit")
    assert answer.status_code == 422
    assert "combust page --book" in answer.text


def test_what_the_page_writes_the_command_line_reads(phone: Phone, settings: Settings) -> None:
    here = opened(phone)
    page = read(phone, here, **RESTRICTED)
    told = call("visit", "stand", str(settings.book), "--json").json
    top = told["causes"]["causes"][0]
    first = re.search(r'class="cause"><p><strong>[^<]+</strong> <span>(\d+) %', page)
    assert first
    assert int(first[1]) == round(100 * top["probability"])
    assert told["causes"]["next_checks"][0]["check"] == offered(page)[0]


@pytest.mark.practice
def test_what_a_logbook_taught_is_said_where_the_day_names_it(phone: Phone, settings: Settings, tmp_path: Path) -> None:
    file = tmp_path / "learnt.toml"
    file.write_text(FAR.to_toml(), encoding="utf-8")
    assert call("visit", "day", str(settings.book), "learnt", str(file)).code == 0
    page = read(phone, opened(phone), **RESTRICTED)
    assert "What a logbook taught is used: structure, scatter" in page
    assert page.count("40 visits of 10 heaters") == 2  # with the causes, and among what holds for the visit
    assert "[book]" not in page
