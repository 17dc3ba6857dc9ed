"""A headless Chromium as a phone or a desk: its size, its network, what axe-core finds on a page."""

from __future__ import annotations

import base64
import importlib.resources
import json
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any
from urllib.parse import urlparse

from selenium import webdriver
from selenium.common.exceptions import (
    NoSuchElementException,
    StaleElementReferenceException,
    TimeoutException,
    WebDriverException,
)
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.support.ui import WebDriverWait

PHONE, DESK = (390, 844), (1280, 800)
PATIENCE = 120.0  # a page that does not come within it is broken: what takes longest needs two seconds
FLAGS = (
    "--headless=new", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-sync",
    "--disable-background-networking", "--disable-component-update",
    "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1",
)  # fmt: skip
# What can be touched and is too small for a thumb; links within a sentence may be smaller.
SMALL = """
const least = 44, found = [];
for (const one of document.querySelectorAll('a, button, input:not([type=hidden]), select, textarea, summary')) {
  const target = one.matches('[type=radio], [type=checkbox]') ? one.closest('label') : one;
  const box = target.getBoundingClientRect();
  const inText = one.tagName === 'A' && one.closest('p, li, dd, figcaption');
  if (box.width && !inText && !one.matches('.skip') && (box.height < least || box.width < least))
    found.push(`${one.tagName} ${one.name || one.textContent} ${Math.round(box.width)}x${Math.round(box.height)}`);
}
return found;
"""


def program(*names: str) -> str:
    """Return the path of the first program that is there."""
    found = next((path for name in names if (path := shutil.which(name))), None)
    assert found, f"these tests need {names[0]}: apt-get install chromium chromium-driver, or: -m 'not browser'"
    return found


_idle: list[Any] = []  # started once for all the tests of a process; what a test left open is closed with its tab


@contextmanager
def browser(size: tuple[int, int] = PHONE, *, script: bool = True) -> Iterator[Any]:
    """Give a Chromium of some size until the block ends; without script it is as if a person had blocked it.

    It has no cookies, and nothing kept for a server: each has a port of its own.
    """
    driver = _idle.pop() if _idle else started()
    try:
        driver.switch_to.new_window("tab")
        shape = {"width": size[0], "height": size[1], "deviceScaleFactor": 1, "mobile": size == PHONE}
        driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", shape)
        if not script:
            driver.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": True})
        yield driver
        driver.execute_cdp_cmd("Network.clearBrowserCookies", {})
        driver.close()
        driver.switch_to.window(driver.window_handles[0])
        for kind in ("performance", "browser"):
            driver.get_log(kind)  # what was told so far is of this test
    except BaseException:
        driver.quit()
        raise
    _idle.append(driver)


def end_browsers() -> None:
    """End those that nobody uses."""
    while _idle:
        _idle.pop().quit()


def started() -> Any:
    """Return a Chromium of its own."""
    options = webdriver.ChromeOptions()
    options.binary_location = program("chromium", "chromium-browser", "google-chrome")
    for flag in FLAGS:
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"performance": "ALL", "browser": "ALL"})
    driver = webdriver.Chrome(options=options, service=Service(program("chromedriver")))
    driver.set_script_timeout(PATIENCE)  # axe-core takes long where the machine is busy
    return driver


def wait(driver: Any, condition: Callable[[Any], Any]) -> Any:
    """Wait until something holds, and return it; a page may be replaced while it is read.

    Raises
    ------
    AssertionError
        It did not come: with the page that stands there instead, and what the browser complained of.
    """
    gone = (StaleElementReferenceException, NoSuchElementException)

    def holds(asked: Any) -> Any:
        try:
            return condition(asked)
        except WebDriverException as error:  # the same as a stale element, where the driver does not call it so
            if "does not belong to the document" in str(error):
                return False
            raise

    try:
        return WebDriverWait(driver, PATIENCE, poll_frequency=0.05, ignored_exceptions=gone).until(holds)
    except TimeoutException as error:
        state = driver.execute_script("return [document.readyState, typeof queue, document.body.innerText]")
        raise AssertionError(f"waited in vain at {driver.current_url}: {state} {driver.get_log('browser')}") from error


def whole(driver: Any, address: str) -> None:
    """Open a page, and return when it has its script: what comes next takes the server away."""
    driver.get(address)
    wait(driver, lambda d: d.execute_script("return document.readyState === 'complete'"))
    assert driver.execute_script("return typeof queue === 'function' && typeof sendPhotos === 'function'")


def axe(driver: Any) -> list[str]:
    """Return what axe-core finds against WCAG 2, levels A and AA, each with the place where it stands.

    Every fold is opened first: what it hides is looked at too, and axe-core takes a hidden part for a visible one.
    """
    driver.execute_script("document.querySelectorAll('details').forEach((one) => { one.open = true; })")
    if not driver.execute_script("return Boolean(window.axe)"):
        driver.execute_script(importlib.resources.files("axe_core_python").joinpath("axe.min.js").read_text("utf-8"))
    tags = json.dumps(["wcag2a", "wcag2aa", "wcag21a", "wcag21aa"])
    run = f"const done = arguments[0]; axe.run(document, {{runOnly: {tags}}}).then((found) => done(found.violations));"
    found = driver.execute_async_script(run)
    return [
        f"{one['id']}: {node['html'][:120]} {node['any'][0]['message'] if node['any'] else ''}"
        for one in found
        for node in one["nodes"]
    ]


def small_targets(driver: Any) -> list[str]:
    """Return what a thumb cannot hit."""
    found: list[str] = driver.execute_script(SMALL)
    return found


def sideways(driver: Any) -> int:
    """Return by how many pixels a page is wider than the screen."""
    root = "document.documentElement"
    return int(driver.execute_script(f"return {root}.scrollWidth - {root}.clientWidth"))


def asked_of_others(driver: Any) -> set[str]:
    """Return the names of other machines that the browser asked for something."""
    events = [json.loads(entry["message"])["message"] for entry in driver.get_log("performance")]
    sent = [event["params"]["request"]["url"] for event in events if event["method"] == "Network.requestWillBeSent"]
    return {str(urlparse(url).hostname) for url in sent if url.startswith("http")} - {"127.0.0.1"}


def printed(driver: Any) -> bytes:
    """Return a page as the browser prints it, a PDF."""
    return base64.b64decode(driver.execute_cdp_cmd("Page.printToPDF", {"preferCSSPageSize": True})["data"])


def look(driver: Any, path: Any) -> None:
    """Write a picture of the whole page, for people to look at."""
    shot = driver.execute_cdp_cmd("Page.captureScreenshot", {"captureBeyondViewport": True, "format": "png"})
    path.write_bytes(base64.b64decode(shot["data"]))
