"""Every lesson in Chromium by the keyboard alone: predicted, moved, practised, shown on the wall."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys

from combust.application.lessons.predictions import guesses
from combust.edge.lesson_source import read_lesson
from tests.edge.web.browser import DESK, PHONE, axe, browser, sideways, small_targets, wait
from tests.edge.web.served import Served
from tests.long import LONG

pytestmark = pytest.mark.browser
NUMBERS = tuple(str(number) for number in range(10, 20))
POINTS_18 = 24.0  # CSS pixels
LETTERS = "return document.querySelector('.chart').getScreenCTM().a * 14"
IN_SIGHT = """
const box = document.querySelector('.chart').getBoundingClientRect();
return box.top >= 0 && box.bottom <= innerHeight;
"""


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    with Served(tmp_path_factory.mktemp("lessons") / "w.book") as server:
        yield server


@pytest.fixture(scope="module")
def screens(served: Served) -> Iterator[list[Any]]:
    """A phone and a desk."""
    with browser(PHONE) as phone, browser(DESK) as desk:
        for driver in (phone, desk):
            driver.get(f"{served.address}/lesson")
            sound(driver)
        yield [phone, desk]


def sound(driver: Any) -> None:
    assert (driver.current_url, axe(driver), small_targets(driver), sideways(driver)) == (driver.current_url, [], [], 0)


@pytest.mark.parametrize("number", NUMBERS)
def test_a_lesson_by_the_keyboard_alone(screens: list[Any], served: Served, number: str) -> None:
    """At both sizes in ``make study``, here at one of them."""
    for screen in screens if LONG else screens[int(number) % 2 :][:1]:
        go_through(screen, served, number)


def go_through(screen: Any, served: Served, number: str) -> None:
    screen.get(f"{served.address}/lesson/{number}")
    screen.execute_script("localStorage.clear()")
    if LONG:
        sound(screen)
    for one in guesses(number):
        field = screen.find_element(By.NAME, f"p_{one.key}")
        field.send_keys(Keys.SPACE if one.choice else "5,4")
    screen.find_element(By.CSS_SELECTOR, "main form button.main").send_keys(Keys.ENTER)
    wait(screen, lambda d: d.find_elements(By.ID, "moved"))
    assert (small_targets(screen), sideways(screen)) == ([], 0)
    if LONG or number in NUMBERS[:2]:
        sound(screen)
    before = screen.find_element(By.ID, "told").text
    moved, control = screen.find_element(By.ID, "at"), read_lesson(number).control
    back = not control.options and control.start == control.high
    moved.send_keys(Keys.ARROW_DOWN if control.options else Keys.ARROW_LEFT if back else Keys.ARROW_RIGHT)
    wait(screen, lambda d: d.find_element(By.ID, "told").text != before)
    assert f"p_{guesses(number)[0].key}=" in screen.current_url, "the prediction is kept"
    screen.execute_script("scrollTo(0, document.getElementById('exercise').offsetTop)")
    assert screen.execute_script(IN_SIGHT), "the figure never leaves the screen"
    field = screen.find_element(By.CSS_SELECTOR, "[name^=a_]")
    field.send_keys(Keys.SPACE if field.get_attribute("type") == "radio" else "1")
    screen.find_element(By.CSS_SELECTOR, "form[data-draft=exercise] button").send_keys(Keys.ENTER)
    wait(screen, lambda d: "a_" in d.current_url and d.find_elements(By.CSS_SELECTOR, "h2 ~ .answer p"))


def test_the_wall_is_read_from_the_last_row(screens: list[Any], served: Served) -> None:
    screen = screens[1]
    for number in NUMBERS:
        screen.get(f"{served.address}/lesson/{number}?wall=1")
        assert screen.execute_script(LETTERS) >= POINTS_18
        assert screen.execute_script(IN_SIGHT)
    sound(screen)
