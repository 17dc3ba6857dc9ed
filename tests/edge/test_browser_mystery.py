"""The mystery heater in a real headless Chromium: dealt, checks bought, finished; no request leaves the machine."""

from __future__ import annotations

import json
import os
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import urlparse

import pytest
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.ui import Select

from combust.edge.cli.page import LOOPBACK
from tests.edge.test_browser_pages import browser, field, free_port, python_path, served, wait

pytestmark = pytest.mark.browser
PICTURES = os.environ.get("COMBUST_PICTURES")  # a folder for screenshots, when somebody wants to look


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    port, log = free_port(), tmp_path_factory.mktemp("page") / "server.log"
    arguments = [sys.executable, "-m", "combust", "page", "mystery", "--no-browser", f"--port={port}"]
    with served(arguments, python_path(), port, log) as address, browser() as driver:
        begun = time.monotonic()
        driver.get(address)
        wait(driver, lambda d: [one for one in d.find_elements(By.CSS_SELECTOR, "button") if one.is_displayed()])
        print(f"page usable after {time.monotonic() - begun:.1f} s")
        yield driver


def told(driver: Any) -> str:
    script = "return [...document.querySelectorAll('[role=status]')].map(one => one.innerText).join('\\n')"
    return str(driver.execute_script(script))


def press(driver: Any, words: str) -> None:
    button = next(one for one in driver.find_elements(By.TAG_NAME, "button") if one.text.strip() == words)
    button.send_keys(Keys.ENTER)


def take(driver: Any, step: str) -> None:
    choice = Select(field(driver, "Check or action"))
    choice.select_by_visible_text(next(one.text for one in choice.options if one.text.startswith(f"{step} (")))
    press(driver, "Make this step")
    wait(driver, lambda d: f"{step}\t" in told(d) or "SAFETY" in told(d))


def picture(driver: Any, name: str) -> None:
    if PICTURES:
        driver.save_screenshot(str(Path(PICTURES) / f"mystery_{name}.png"))


def test_a_case_is_played_to_the_end(page: Any) -> None:
    press(page, "Deal a case")
    wait(page, lambda d: "First reading" in told(d))
    assert "MysteryPage" not in page.page_source  # no code is shown
    if "STOP. The heater is said to stand indoors" in told(page):
        take(page, "move_outdoors")
    for step, column in (
        ("ambient_air", "ambient_o2_pct"),
        ("probe_leak", "probe_leak_test"),
        ("analyser_settings", "analyser_fuel"),
    ):
        take(page, step)
        assert column in told(page)
    Select(field(page, "Cause")).select_by_index(1)
    press(page, "State this")
    wait(page, lambda d: "50 %" in told(d))
    before = told(page)
    picture(page, "desktop")
    press(page, "Finish and score")
    wait(page, lambda d: "of 100" in told(d))
    assert "The answer was" in told(page)
    assert "The answer was" not in before
    # By hand: 3 of 4 checks are 15 * 3 / 4 = 11.25; after a stop the fourth, heater running, is not asked for.
    stopped = "STOP" in before and "stand indoors" not in before
    assert ("validity\t15 of 15" if stopped else "validity\t11.2 of 15") in told(page)


def test_it_fits_a_phone(page: Any) -> None:
    page.execute_script("window.scrollTo(0, document.body.scrollHeight)")
    picture(page, "score")
    page.set_window_size(500, 900)  # the narrowest window Chromium gives
    wide = page.execute_script("return document.documentElement.scrollWidth - document.documentElement.clientWidth")
    page.execute_script("window.scrollTo(0, document.body.scrollHeight * 0.55)")
    picture(page, "phone")
    assert wide <= 0


def test_no_request_leaves_the_machine(page: Any) -> None:
    asked = []
    for line in page.get_log("performance"):
        message = json.loads(line["message"])["message"]
        if message["method"] == "Network.requestWillBeSent":
            asked.append(urlparse(message["params"]["request"]["url"]))
    assert len(asked) > 10
    assert {one.hostname for one in asked if one.scheme in ("http", "https", "ws")} == {LOOPBACK}
