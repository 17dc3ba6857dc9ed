"""Everybody's own heater and a vote on a lesson in a headless Chromium; also with the script blocked."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from selenium.webdriver.common.by import By

from tests.edge.web.browser import DESK, PHONE, browser, wait
from tests.edge.web.served import Caller, Served
from tests.edge.web.test_class_browser import SMALLEST_AT_THE_WALL, TEXT_SIZES, People
from tests.long import LONG

pytestmark = pytest.mark.browser
WALL = "/lesson/11?wall=1"


@pytest.fixture
def served(tmp_path: Path) -> Iterator[Served]:
    with Served(tmp_path / "winter.book") as server:
        yield server


def large_enough(people: People) -> None:
    """Nothing at the wall is smaller than 18 pt."""
    if people.script:
        assert people.driver.execute_script(TEXT_SIZES) >= SMALLEST_AT_THE_WALL - 0.01


def own_heaters(people: People) -> None:
    """Let two drive a heater each, the trainer look on and put one of them on the wall."""
    people.go("trainer", "/class/start")
    people.driver.find_element(By.CSS_SELECTOR, "[name=whose][value=own]").click()
    people.press("trainer", "Start the class", heater="heater-0312", factor="60")
    (words,) = re.findall(r"Join with (\w+ \w+)", people.go("trainer", "/class/wall"))
    other = Caller(people.address)
    assert other.post("/class/join", {"words": words}, page="/class/join").status_code == 303
    people.go("learner", "/class/join")
    assert "Your heater, number 2" in people.press("learner", "Join", words=words)
    people.press("learner", "Ask for heat")
    people.press("learner", "Move what was changed", knob_altitude_m="1800")
    told = people.press("learner", "Ask for a check", check="site_air")
    assert "1800 m" in told
    people.go("trainer", "/class/desk")
    people.press("trainer", "Go on")
    people.press("trainer", "Put it there", at="2")
    if people.script:
        body = "return document.body.innerText"
        wait(people.driver, lambda d: "preheat" in d.execute_script(body) or "attempt" in d.execute_script(body))
    assert "Heater 2: " in people.go("trainer", "/class/wall")
    large_enough(people)
    people.go("trainer", "/class/desk")
    people.press_fold("Send a phone out")
    people.press("trainer", "Shut the door: nobody new comes in")


def lesson_vote(people: People) -> None:
    """Vote on a prediction of a lesson, look at the shares, then at what comes out and the card."""
    people.go("trainer", WALL)
    people.press("trainer", "CO as read")
    large_enough(people)
    people.go("learner", "/class")
    assert "You said: falls" in people.press("learner", "falls")
    assert "Votes: 1" in people.go("trainer", WALL)
    assert "100 %" in people.press("trainer", "Close the vote")
    large_enough(people)
    told = people.press("trainer", "Show what comes out")
    assert "This comes out." in told
    assert "CO of two heaters can be compared as read." in told
    large_enough(people)
    assert "This comes out." in people.go("learner", "/class")
    people.go("trainer", "/class/wall")
    large_enough(people)
    people.go("trainer", "/class/desk")
    assert "Lesson 11: CO as read" in people.go("trainer", "/class/summary")


@pytest.mark.parametrize("script", [True, False] if LONG else [True])
def test_own_heaters_and_a_lesson(served: Served, script: bool) -> None:
    """With the script blocked too in ``make study``; without a browser the forms are sent in ``test_class_own.py``."""
    with browser(DESK, script=script) as driver:
        people = People(driver, served, script=script)
        own_heaters(people)
        lesson_vote(people)
        for path in ("/class/desk", WALL):
            people.go("trainer", path, PHONE)
        people.go("learner", "/class", DESK)
        told = [one["message"] for one in driver.get_log("browser") if one["level"] == "SEVERE"]
        assert [one for one in told if "favicon" not in one] == []
