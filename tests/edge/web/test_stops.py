"""One table of what stops: on the command line, on the page, in a visit and for another program it stops alike."""

from __future__ import annotations

from pathlib import Path

import pytest

from combust.edge.web.settings import Settings
from tests.edge.runs import call
from tests.edge.web.phone import Phone, banner_of
from tests.edge.web.stops import EMERGENCIES, OF_HEATER, STOPS, Case

pytestmark = pytest.mark.practice
SENTENCE = "No stop condition"
CASES = pytest.mark.parametrize("case", STOPS.values(), ids=list(STOPS))


def options(case: Case) -> list[str]:
    return [part for key, text in case.typed.items() for part in (f"--{key.replace('_', '-')}", text)]


def words(case: Case) -> list[str]:
    return [part for pair in case.typed.items() for part in pair]


def state_of(html: str) -> str:
    """Return the state that the banner is drawn in."""
    return html.partition('id="banner" class="banner ')[2].partition('"')[0].removesuffix(" stops")


@CASES
def test_it_stops_on_the_command_line(case: Case) -> None:
    told = call("reading", *options(case), "--json").json
    assert told["safety"]["state"] == case.state
    assert told["safety"]["stops"]


@CASES
def test_it_stops_on_the_page_before_anything_else(phone: Phone, case: Case) -> None:
    answer = phone.post("/reading", case.typed)
    assert answer.status_code == (200 if case.accepted else 422)
    assert state_of(answer.text) == case.state
    assert banner_of(answer.text).startswith("STOP")
    assert '<p class="bar">STOP' in answer.text
    assert SENTENCE not in answer.text
    assert answer.text.index('id="banner"') < answer.text.index("<main")
    assert 'role="alert"' in answer.text


@CASES
def test_it_stops_for_another_program(phone: Phone, case: Case) -> None:
    as_text = (">", "1.450")
    given = {
        key: text if text.startswith(as_text) or not text[0].isdigit() else float(text)
        for key, text in case.typed.items()
    }
    answer = phone.send("/api/reading", given)
    assert next(iter(answer.json())) == "safety"
    assert answer.json()["safety"]["state"] == case.state
    assert answer.json()["safety"]["stops"]


@CASES
def test_it_stops_in_a_visit_at_the_keyboard_and_from_another_program(
    phone: Phone, settings: Settings, tmp_path: Path, case: Case
) -> None:
    for book in (tmp_path / "other.book", settings.book):
        assert call("visit", "open", str(book), "heater-1", "--visit-id", "V1").code == 0
    told = call("visit", "enter", str(tmp_path / "other.book"), *words(case), "--json").json["safety"]
    answer = phone.send("/api/visit/V1/entries", {"words": words(case)})
    assert answer.status_code == (200 if case.accepted else 422)
    assert answer.json()["safety"]["state"] == told["state"] == case.state
    assert answer.json()["safety"]["stops"] == told["stops"]


@pytest.mark.parametrize("case", OF_HEATER.values(), ids=list(OF_HEATER))
def test_the_limits_of_the_heater_itself_stop_alike(
    phone: Phone, settings: Settings, tmp_path: Path, case: Case
) -> None:
    profiles = ("--heaters", str(settings.heaters), "--visit-id", "V1")
    for book in (tmp_path / "other.book", settings.book):
        assert call("visit", "open", str(book), "heater-0107", *profiles).code == 0
    told = call("visit", "enter", str(tmp_path / "other.book"), *words(case), "--json").json["safety"]
    answer = phone.send("/api/visit/V1/entries", {"words": words(case)}).json()["safety"]
    assert answer == told
    assert answer["state"] == case.state
    assert answer["stops"]
    shown = phone.get("/visit/V1").text
    assert state_of(shown) == case.state
    assert banner_of(shown).endswith(" ".join(one["text"] for one in told["stops"]))


@pytest.mark.parametrize("word", EMERGENCIES)
def test_an_emergency_stops_alike(phone: Phone, word: str) -> None:
    told = call("start", "--emergency", word, "--json").json["safety"]
    shown = phone.get(f"/emergency?what={word}")
    assert state_of(shown.text) == told["state"]
    assert banner_of(shown.text).endswith(told["text"])
    assert told["stops"]
    assert "people out first" in banner_of(shown.text)


def test_what_is_no_emergency_is_told(phone: Phone) -> None:
    assert phone.get("/emergency").text.count("/emergency?what=") == len(EMERGENCIES)
    assert phone.get("/emergency?what=nothing").status_code == 422
