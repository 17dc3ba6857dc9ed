"""The pages in a real headless Chromium: typed, slid, read at two widths; no request leaves the machine."""

from __future__ import annotations

import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any
from urllib.parse import urlparse

import pytest
from selenium import webdriver
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.ui import WebDriverWait

from combust.edge.cli.page import LOOPBACK, server
from tests.edge.moments import PATIENCE

pytestmark = pytest.mark.browser
ROOT = Path(__file__).parents[2]
FLAGS = (
    "--headless=new", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-sync",
    "--disable-background-networking", "--disable-component-update", "--window-size=1200,1400",
    "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1",
)  # fmt: skip
FIELD = "input[placeholder='not measured']"


def program(*names: str) -> str:
    found = next((path for name in names if (path := shutil.which(name))), None)
    assert found, f"these tests need {names[0]}: apt-get install chromium chromium-driver, or: -m 'not browser'"
    return found


@contextmanager
def served(arguments: list[str], environment: dict[str, str], port: int, log: Path) -> Iterator[str]:
    """Run a page server until the block ends; only this process is ended, by its own id."""
    address = f"http://{LOOPBACK}:{port}/"
    with log.open("w") as file:
        process = subprocess.Popen(arguments, env=environment, cwd=ROOT, stdout=file, stderr=subprocess.STDOUT)
    try:
        until = time.monotonic() + PATIENCE
        while not answers(f"{address}voila/static/nothing.js"):
            assert time.monotonic() < until, log.read_text()
            with suppress(subprocess.TimeoutExpired):
                raise AssertionError(f"it ended with {process.wait(0.1)}: {log.read_text()}")
        yield address
    finally:
        process.send_signal(signal.SIGINT)
        process.wait(30)


def answers(address: str) -> bool:
    try:
        urllib.request.urlopen(address, timeout=2.0).close()
    except urllib.error.HTTPError:
        return True
    except OSError:
        return False
    return True


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind((LOOPBACK, 0))
        return int(probe.getsockname()[1])


def python_path() -> dict[str, str]:
    return {**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, [str(ROOT), os.environ.get("PYTHONPATH")]))}


@contextmanager
def browser() -> Iterator[Any]:
    options = webdriver.ChromeOptions()
    options.binary_location = program("chromium", "chromium-browser", "google-chrome")
    for flag in FLAGS:
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"performance": "ALL", "browser": "ALL"})
    driver = webdriver.Chrome(options=options, service=Service(program("chromedriver")))
    try:
        yield driver
    finally:
        driver.quit()


def wait(driver: Any, condition: Any) -> Any:
    return WebDriverWait(driver, PATIENCE, poll_frequency=0.1).until(condition)


@pytest.fixture(scope="module")
def reading_page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    port, log = free_port(), tmp_path_factory.mktemp("page") / "server.log"
    arguments = [sys.executable, "-m", "combust", "page", "reading", "--no-browser", f"--port={port}"]
    with served(arguments, python_path(), port, log) as address, browser() as driver:
        begun = time.monotonic()
        driver.get(address)
        wait(driver, lambda d: [one for one in d.find_elements(By.CSS_SELECTOR, FIELD) if one.is_displayed()])
        print(f"page usable after {time.monotonic() - begun:.1f} s")
        yield driver


def status(driver: Any) -> str:
    """Return the text of the result; read in one go, since the page replaces it at every change."""
    return str(driver.execute_script("return document.querySelector('[role=status]')?.innerText ?? ''"))


def alt_text(driver: Any) -> str:
    script = "return document.querySelector('figure[role=img]')?.getAttribute('aria-label') ?? ''"
    return str(driver.execute_script(script))


def field(driver: Any, words: str) -> Any:
    """Return the field that a label names, as assistive software finds it."""
    label = next(one for one in driver.find_elements(By.TAG_NAME, "label") if one.text.startswith(words))
    return driver.find_element(By.ID, label.get_attribute("for"))


def type_in(driver: Any, words: str, text: str) -> None:
    box = field(driver, words)
    box.send_keys(Keys.CONTROL, "a")
    box.send_keys(text, Keys.TAB)


def test_no_code_is_shown(reading_page: Any) -> None:
    assert not reading_page.find_elements(By.CSS_SELECTOR, ".jp-InputArea-editor, .highlight")
    assert "ReadingPage" not in reading_page.page_source
    assert reading_page.find_element(By.TAG_NAME, "h1").text.startswith("Type a reading")


def test_a_reading_is_typed_and_the_stop_comes_before_lambda(reading_page: Any) -> None:
    type_in(reading_page, "O2, dry", "8,2")
    type_in(reading_page, "CO, dry", "150")
    told = wait(reading_page, lambda d: "247 ppm" in status(d) and status(d))
    assert "STOP" in told
    assert told.index("STOP") < told.index("lambda (air ratio)")
    field(reading_page, "Heater stands").send_keys("outdoors")
    told = wait(reading_page, lambda d: "STOP" not in status(d) and status(d))
    assert told.startswith("No stop condition found in what was entered")
    assert "1.60 ± 0.04" in told
    assert "O2 8.2 %" in alt_text(reading_page)


def test_the_slider_moved_by_an_arrow_key_changes_field_text_and_figure(reading_page: Any) -> None:
    type_in(reading_page, "O2, dry", "8.2")
    wait(reading_page, lambda d: "O2 8.2 %" in alt_text(d))
    before = status(reading_page), alt_text(reading_page)
    handle = reading_page.find_element(By.CSS_SELECTOR, ".noUi-handle")
    for shown in ("8.3", "8.4", "8.5"):  # the next key when the page has answered the last one
        handle.send_keys(Keys.ARROW_RIGHT)
        wait(reading_page, lambda d, shown=shown: f"O2 {shown} %" in alt_text(d))
    assert field(reading_page, "O2, dry").get_attribute("value") == "8.5"
    assert status(reading_page) != before[0]
    assert alt_text(reading_page) != before[1]
    assert "1.64 ±" in status(reading_page)  # by hand: 1 + 0.934 · 8.5/(20.946 − 8.5) = 1.638


def test_what_cannot_be_is_refused_in_plain_words(reading_page: Any) -> None:
    type_in(reading_page, "O2, dry", "23")
    told = wait(reading_page, lambda d: "Not accepted" in status(d) and status(d))
    assert "Zero the" in told or "above" in told
    wait(reading_page, lambda d: alt_text(d) == "")
    type_in(reading_page, "O2, dry", "8.2")
    wait(reading_page, lambda d: "Not accepted" not in status(d))


def test_every_field_is_reached_by_the_keyboard(reading_page: Any) -> None:
    reading_page.execute_script("document.activeElement.blur(); window.scrollTo(0, 0)")
    seen, body = [], reading_page.find_element(By.TAG_NAME, "body")
    body.send_keys(Keys.TAB)
    for _ in range(40):
        active = reading_page.switch_to.active_element
        if active.id in seen:
            break
        seen.append(active.id)
        active.send_keys(Keys.TAB)
    wanted = reading_page.find_elements(
        By.CSS_SELECTOR, "#rendered_cells input[type=text], #rendered_cells select, .noUi-handle"
    )
    assert len(wanted) == 12  # eight numbers, three choices, one slider
    assert {one.id for one in wanted} <= set(seen)


@pytest.mark.parametrize("width", [1200, 390])
def test_it_fits_a_desktop_and_a_phone(reading_page: Any, width: int, tmp_path: Path) -> None:
    reading_page.set_window_size(width, 1200)
    reading_page.execute_async_script("const done = arguments[0]; requestAnimationFrame(() => setTimeout(done))")
    fits = "return document.documentElement.scrollWidth <= window.innerWidth"
    wait(reading_page, lambda page: page.execute_script(fits))
    script = "return [...document.querySelectorAll('#rendered_cells *')].filter(e => e.scrollWidth > e.clientWidth + 1"
    script += " && ['auto', 'scroll'].includes(getComputedStyle(e).overflowX)).map(e => e.className)"
    assert reading_page.execute_script(script) == [], "a part of the page must be scrolled sideways"
    for label in reading_page.find_elements(By.CSS_SELECTOR, ".widget-label"):
        whole, shown = reading_page.execute_script("return [arguments[0].scrollWidth, arguments[0].clientWidth]", label)
        assert whole <= shown + 1, f"'{label.text}' is cut off"
    assert reading_page.save_screenshot(str(tmp_path / f"reading_{width}.png"))
    reading_page.set_window_size(1200, 1400)


def test_no_request_leaves_the_machine_and_the_console_has_no_errors(reading_page: Any) -> None:
    asked = []
    for entry in reading_page.get_log("performance"):
        message = json.loads(entry["message"])["message"]
        if message["method"] in ("Network.requestWillBeSent", "Network.webSocketCreated"):
            parameters = message["params"]
            asked.append(urlparse(parameters.get("request", parameters)["url"]))
    assert len(asked) > 20
    assert {one.hostname for one in asked if one.scheme not in ("data", "blob")} == {LOOPBACK}
    with urllib.request.urlopen(reading_page.current_url, timeout=PATIENCE) as answer:
        policy = answer.headers["Content-Security-Policy"]
    assert "default-src 'self'" in policy
    assert [one for one in reading_page.get_log("browser") if one["level"] == "SEVERE"] == []


def test_a_lesson_is_served_too_and_its_slider_moves_the_figure(reading_page: Any, tmp_path: Path) -> None:
    """The last test of this file: the browser of the others goes on to another page."""
    port = free_port()
    arguments, environment = server(ROOT / "notebooks" / "11_dilution_and_air_free_co.ipynb", port, browser=False)
    environment["PYTHONPATH"] = python_path()["PYTHONPATH"]
    driver = reading_page
    with served(arguments, environment, port, tmp_path / "log") as address:
        driver.get(address)

        def labels(d: Any) -> list[str]:
            script = "return [...document.querySelectorAll('figure[role=img]')].map(e => e.getAttribute('aria-label'))"
            return list(d.execute_script(script))

        before = wait(driver, lambda d: len(labels(d)) == 2 and labels(d))
        driver.find_element(By.CSS_SELECTOR, ".noUi-handle").send_keys(Keys.ARROW_RIGHT)
        after = wait(driver, lambda d: labels(d) != before and labels(d))
        assert after[0].startswith("With 11 per cent air")
        assert after[1] == before[1]
