"""A series watched on the page: by hand or from a table that grows; steady or not, and kept as a reading."""

from __future__ import annotations

import datetime
from dataclasses import replace
from pathlib import Path

import pytest

from combust.edge.web.routes import visit_watch
from combust.edge.web.settings import Settings
from tests.edge.web.phone import Phone, banner_of, form_of
from tests.edge.web.test_visit import opened

pytestmark = pytest.mark.regression
BEGAN = datetime.datetime.fromisoformat("2026-01-12T09:00:00+01:00")


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """A clock of the test: seconds since it began."""
    seconds = [0.0]
    monkeypatch.setattr(visit_watch, "this_moment", lambda: BEGAN + datetime.timedelta(seconds=seconds[0]))
    return seconds


def take(phone: Phone, here: str, page: str, **typed: str) -> str:
    """Take one sample more on a page that holds those before."""
    held = {**_last_form(page, f"{here}/watch"), **typed}
    return str(phone.client.post(f"{here}/watch", data=held, headers={"origin": phone.origin}).text)


def _last_form(page: str, action: str) -> dict[str, str]:
    """Return the form of the samples: the last one of the page."""
    return form_of(page[page.rindex("<form") :], action)


def watched(phone: Phone, here: str, clock: list[float], oxygen: list[float], every: int = 10) -> str:
    page = phone.get(f"{here}/watch").text
    for number, value in enumerate(oxygen):
        clock[0] = number * every
        page = take(phone, here, page, o2_dry_pct=f"{value:g}", co_dry_ppm="50", stage="high")
    return page


def test_two_samples_of_one_second_are_two(phone: Phone, clock: list[float]) -> None:
    """One that waited for the network comes with the next; none takes the other's place."""
    here = opened(phone)
    page = take(phone, here, phone.get(f"{here}/watch").text, o2_dry_pct="8.2")
    clock[0] = 0.25
    page = take(phone, here, page, o2_dry_pct="8.3")
    assert "Samples: 2." in page
    assert "Notes on the table" not in page


# By hand, by the rule that the page tells (three minutes, 10 s apart, O2 within 0.3 %): 8.2, 8.3, 8.1 in turn span
# 0.2 % over 190 s; their mean over 20 samples (7, 7 and 6 of them) is (7·8.2 + 7·8.3 + 6·8.1)/20 = 8.205.
def test_values_by_hand_become_a_steady_reading(phone: Phone, clock: list[float]) -> None:
    here = opened(phone)
    page = watched(phone, here, clock, [(8.2, 8.3, 8.1)[n % 3] for n in range(18)])
    assert "NOT steady" in page
    assert "Keep the steady mean" not in page
    for number in (18, 19):
        clock[0] = number * 10
        page = take(phone, here, page, o2_dry_pct=("8.2", "8.3", "8.1")[number % 3], co_dry_ppm="50", stage="high")
    assert "STEADY" in page
    assert "NOT steady" not in page
    held = {**form_of(page, f"{here}/watch"), "keep": "hand"}
    for _ in range(2):
        answer = phone.client.post(f"{here}/watch", data=held, headers={"origin": phone.origin})
        assert answer.status_code == 303
    shown = phone.get(f"{here}/entries").text
    assert shown.count(". reading</strong>") == 1
    assert "o2 dry 8.205 vol %" in shown
    assert "o2 span over 3min 0.2 vol %" in shown


def test_a_swing_is_not_steady_and_cannot_be_kept(phone: Phone, clock: list[float]) -> None:
    here = opened(phone)
    page = watched(phone, here, clock, [8.2, 9.0] * 10)
    assert "NOT steady" in page
    assert "O2 spans 0.80 %" in page
    held = {**_last_form(page, f"{here}/watch"), "keep": "hand"}
    answer = phone.client.post(f"{here}/watch", data=held, headers={"origin": phone.origin})
    assert answer.status_code == 422
    assert "is not steady" in answer.text
    assert "Nothing was read yet" in phone.get(here).text


def test_a_sample_stops_also_when_it_is_refused(phone: Phone, clock: list[float]) -> None:
    here = opened(phone)
    page = phone.get(f"{here}/watch").text
    high = take(phone, here, page, o2_dry_pct="8.2", co_dry_ppm=">2000")
    assert banner_of(high).startswith("STOP")
    refused = take(phone, here, page, o2_dry_pct="82", co_dry_ppm="4000")
    assert banner_of(refused).startswith("STOP")
    assert 'value="82"' in refused


@pytest.mark.parametrize("samples", ["x", "a,b\n1,2\n", "taken_at,o2_dry_pct\nnever,8\n", "\x00", '"' * 9])
def test_samples_that_were_changed_on_the_way_are_refused_in_words(
    phone: Phone, clock: list[float], samples: str
) -> None:
    here = opened(phone)
    held = {**form_of(phone.get(f"{here}/watch").text, f"{here}/watch"), "samples": samples}
    for more in ({"o2_dry_pct": "8.2"}, {"keep": "hand"}):
        answer = phone.client.post(f"{here}/watch", data={**held, **more}, headers={"origin": phone.origin})
        assert answer.status_code in (200, 422)
        assert "STEADY" not in answer.text.replace("NOT", "")


def test_a_table_that_grows_on_disk_is_watched(settings: Settings, tmp_path: Path) -> None:
    table = tmp_path / "logger.csv"
    phone = Phone(replace(settings, series=table))
    here = opened(phone)
    assert "Table on disk: logger.csv" in phone.get(f"{here}/watch").text
    head = "time_s,minutes_since_ignition,stage,o2_dry_pct,co_dry_ppm\n"
    rows = [f"{10 * n},{15 + n / 6:.2f},high,{8.2 + 0.1 * (n % 2):.1f},50\n" for n in range(20)]
    table.write_text(head + "".join(rows[:10]) + "100,16.6", encoding="utf-8")  # the logger is in the middle of a row
    assert "NOT steady" in phone.get(f"{here}/watch").text
    table.write_text(head + "".join(rows), encoding="utf-8")
    page = phone.get(f"{here}/watch").text
    assert "STEADY" in page
    assert 'data-watch="5"' in page
    held = {**form_of(page, f"{here}/watch"), "keep": "file"}
    assert phone.client.post(f"{here}/watch", data=held, headers={"origin": phone.origin}).status_code == 303
    # by hand: ten of 8.2 and ten of 8.3
    assert "o2 dry 8.25 vol %" in phone.get(f"{here}/entries").text
