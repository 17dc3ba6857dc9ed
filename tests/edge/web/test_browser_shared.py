"""A shared page in a headless Chromium: paired by the code, the page of codes, an emergency, a mystery heater."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys

from combust.edge.web.key import key_beside
from combust.edge.web.seats import Seats
from tests.edge.web.browser import DESK, PHONE, asked_of_others, axe, browser, sideways, small_targets, wait
from tests.edge.web.served import Served

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def book(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("page") / "winter.book"


@pytest.fixture(scope="module")
def served(book: Path) -> Iterator[Served]:
    with Served(book, "--share", "--address", "127.0.0.1") as server:
        yield server


def sound(driver: Any) -> None:
    """Nothing is too small, too wide or against WCAG 2 on the page that stands there."""
    assert axe(driver) == []
    assert small_targets(driver) == []
    assert sideways(driver) == 0


def told(driver: Any) -> str:
    return str(driver.find_element(By.TAG_NAME, "body").text)


def heading(driver: Any, words: str) -> None:
    wait(driver, lambda d: words in d.find_element(By.TAG_NAME, "h1").text)


def pair(driver: Any, served: Served, code: str) -> None:
    driver.get(f"{served.address}/reading")
    heading(driver, "Pair this phone")
    driver.find_element(By.ID, "code").send_keys(f"{code[:4]} {code[4:]}" + Keys.ENTER)
    heading(driver, "What do you want to do?")


@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
@pytest.mark.parametrize("script", [True, False], ids=["script", "no script"])
def test_a_phone_pairs_and_practises(served: Served, book: Path, size: tuple[int, int], script: bool) -> None:
    engineer = Seats(key_beside(book)).code_of("engineer")
    with browser(size, script=script) as driver:
        driver.get(f"{served.address}/share")
        assert "Plain http: everyone on this network can read along" in told(driver)
        if script:
            sound(driver)
        pair(driver, served, engineer)
        driver.get(f"{served.address}/share")
        assert engineer[:4] in told(driver)
        assert driver.find_element(By.CSS_SELECTOR, "svg").size["width"] > 100
        for path in ("/share", "/emergency", "/emergency?what=fire", "/mystery"):
            driver.get(served.address + path)
            if script:
                sound(driver)
        driver.find_element(By.CSS_SELECTOR, "form[action='/mystery'] button.main").send_keys(Keys.ENTER)
        heading(driver, "Case ")
        driver.find_element(By.CSS_SELECTOR, "[name=take][value=ambient_air]").send_keys(Keys.SPACE)
        driver.find_element(By.CSS_SELECTOR, "form[action='/mystery/step'] button.main").send_keys(Keys.ENTER)
        wait(driver, lambda d: "What you found" in told(d))
        assert "seed=" in driver.current_url, "opened again it is the same case"
        if script:
            sound(driver)
        driver.find_element(By.CSS_SELECTOR, "form[action='/mystery'] button.main").send_keys(Keys.ENTER)
        wait(driver, lambda d: "The answer was" in told(d))
        if script:
            sound(driver)
        assert asked_of_others(driver) == set()


def test_an_emergency_is_two_touches_away(served: Served, book: Path) -> None:
    with browser(PHONE) as driver:
        pair(driver, served, Seats(key_beside(book)).code_of("learner"))
        driver.find_element(By.CSS_SELECTOR, "a[href='/emergency']").click()
        driver.find_element(By.CSS_SELECTOR, "a[href='/emergency?what=unwell']").click()
        banner = wait(driver, lambda d: d.find_element(By.ID, "banner"))
        assert "people out first" in banner.text
        assert "carbon monoxide" in banner.text
