"""A mystery heater played alone on the page: dealt, checks bought, scored; everything stands in the form."""

from __future__ import annotations

import html
from collections.abc import Callable

import pytest

from combust.application.mystery import Dealer, Play
from combust.application.mystery.rules import price_rows
from combust.edge.web.seats import Seats
from combust.edge.web.settings import Settings
from tests.edge.web.hostile import HOSTILE, check_page
from tests.edge.web.phone import Phone, banner_of, form_of

pytestmark = pytest.mark.regression
CASE = "/mystery?seed=2&level=easy"


def dealer_of(settings: Settings) -> Dealer:
    return Dealer(Seats(settings.key).derived("mystery"))


def test_a_case_is_played_to_the_end(phone: Phone, settings: Settings) -> None:
    dealer = dealer_of(settings)
    answer = dealer.open(dealer.deal(2, "easy"))
    path = CASE
    for step in answer.steps:
        shown = phone.get(f"{path}&take={step}")
        assert shown.status_code == 200
        assert f"<dt>{step}</dt>" in shown.text
        path = f"{CASE}&steps={form_of(shown.text, '/mystery', 'post')['steps']}"
    twice = phone.get(f"{path}&take={answer.steps[0]}")
    assert twice.status_code == 422
    assert "was made already" in twice.text
    cause, *second = sorted(answer.causes)
    typed = {"cause_0": cause, "also_0": second[0] if second else "", "share_0": "90"}
    refused = phone.post("/mystery", {**typed, "cause_1": "not_steady", "share_1": "50"}, page=f"{path}&_=")
    assert "sum to more than 1" in refused.text
    told = phone.post("/mystery", typed, page=path).text
    assert f"The answer was {answer.text}." in told
    # Brier by hand: right with 0.9, 0.1 spread over the others: 0.01 and 0.01/153 of 20 points each way
    points = 20.0 * (1.0 - 0.01 - 0.01 / 153)
    assert f"<dt>cause</dt><dd>{points:.1f}"[:26] in told.replace("\n", "")


def test_a_step_that_makes_no_sense_or_breaks_a_rule_is_told(phone: Phone) -> None:
    assert "cannot be done now" in phone.get(f"{CASE}&take=wait").text
    broken = phone.get(f"{CASE}&take=exhaust_duct_off")
    assert "SAFETY:" in broken.text
    assert phone.get("/mystery").text.count("<option>") == 3


def test_the_place_is_told_before_the_reading(phone: Phone, settings: Settings) -> None:
    play = Play(dealer_of(settings).deal(2, "easy"))
    shown = phone.get(CASE).text
    assert banner_of(shown).endswith(" ".join(play.visit().safety.lines()))
    assert shown.index('id="banner"') < shown.index("First reading")


def test_the_answer_is_not_on_the_page_and_another_server_deals_another_case(
    phone: Phone, settings: Settings, phones: Callable[[], Phone]
) -> None:
    case = dealer_of(settings).deal(2, "easy")
    shown = phone.get(CASE).text
    assert case.answer not in shown
    assert Seats(settings.key).derived("mystery") not in shown
    assert f"Case {case.case_id}" in shown
    assert f"Case {case.case_id}" in phones().get(CASE).text
    assert f"Case {case.case_id}" not in Phone(Settings(b"x" * 32)).get(CASE).text


def test_every_step_is_offered_with_its_price(phone: Phone) -> None:
    shown = html.unescape(phone.get(CASE).text)
    for row in price_rows():
        if row["name"] not in ("move_outdoors", "wait", "start_again"):
            assert f"({row['price']})" in shown


@pytest.mark.parametrize("text", HOSTILE)
def test_what_cannot_be_is_refused_in_words(phone: Phone, text: str) -> None:
    for name in ("seed", "level", "steps", "take"):
        answer = phone.get("/mystery", params={"seed": "2", "level": "easy", name: text})
        assert answer.status_code == 422
        check_page(answer.text)
    many = phone.get("/mystery", params={"seed": "2", "level": "easy", "steps": "wait," * 900})
    assert many.status_code == 422
