"""The page in a headless Chromium, as a phone and at a desk: typed, judged, kept; nothing leaves the machine."""

from __future__ import annotations

import io
import signal
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest
from PIL import Image
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.ui import Select

import combust
from combust.edge.logbook.book import Logbook
from combust.edge.logbook.photos import photos_of, read_photo
from combust.edge.logbook.visits import NewVisit, add, close_visit, read_visit, reopen
from combust.edge.web.texts import texts
from tests.edge.runs import ROOT, call
from tests.edge.web.browser import (
    DESK,
    PHONE,
    asked_of_others,
    axe,
    browser,
    printed,
    sideways,
    small_targets,
    wait,
    whole,
)
from tests.edge.web.served import Served

pytestmark = pytest.mark.browser
PAGES = ("/", "/reading", "/word?word=lambda")
NO_CAB = {"field": "cab_co", "reason": "no meter"}
GOOD = {"o2_dry_pct": "8,2", "co_dry_ppm": "150", "flue_temp_c": "300", "intake_temp_c": "20"}


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    with Served(tmp_path_factory.mktemp("page") / "winter.book") as server:
        yield server


@pytest.fixture(scope="module", params=[PHONE, DESK], ids=["phone", "desk"])
def screen(request: pytest.FixtureRequest, served: Served) -> Iterator[Any]:
    with browser(request.param) as driver:
        yield driver


def type_reading(driver: Any, values: Mapping[str, str], *, outdoors: bool = True) -> None:
    """Type a reading by the keyboard alone."""
    for key, text in values.items():
        field = driver.find_element(By.ID, f"f-{key}")
        field.clear()
        field.send_keys(text)
    if outdoors:
        first = driver.find_element(By.CSS_SELECTOR, "input[name=location]")
        first.send_keys(Keys.ARROW_RIGHT)
    driver.find_element(By.CSS_SELECTOR, "form[action='/reading'] button.main").send_keys(Keys.ENTER)


def lambda_of(o2: float) -> str:
    """Return lambda as the library tells it: the page judges nothing of its own."""
    return f"{combust.interpret(combust.Reading(fuel='diesel', o2_dry_pct=o2, location='outdoors')).air_ratio:.2f}"


def told(driver: Any) -> str:
    return str(driver.find_element(By.TAG_NAME, "body").text)


def fresh(driver: Any, address: str, path: str = "/reading") -> None:
    driver.get(address + path)
    driver.execute_script("localStorage.clear()")
    driver.get(address + path)


def sound(driver: Any) -> None:
    """Nothing is too small, too wide or against WCAG 2 on the page that stands there."""
    assert axe(driver) == []
    assert small_targets(driver) == []
    assert sideways(driver) == 0


def test_every_page_can_be_read_and_touched(screen: Any, served: Served) -> None:
    for path in PAGES:
        screen.get(served.address + path)
        sound(screen)
    assert asked_of_others(screen) == set()


def test_a_reading_by_the_keyboard_alone(screen: Any, served: Served) -> None:
    fresh(screen, served.address)
    type_reading(screen, GOOD)
    wait(screen, lambda d: d.find_elements(By.CSS_SELECTOR, ".answer"))
    # lambda 1.60 +/- 0.04 of O2 8.2 %: worked by hand in tests/application/test_worked_numbers.py
    assert "1.60" in told(screen)
    assert "No stop condition found in what was entered." in told(screen)
    sound(screen)
    slider = screen.find_element(By.ID, "what-if")
    slider.send_keys(Keys.ARROW_RIGHT)
    wait(screen, lambda d: d.find_element(By.ID, "f-o2_dry_pct").get_attribute("value") == "8.3")
    wait(screen, lambda d: lambda_of(8.3) in told(d))


def test_a_stop_comes_first_and_stays_in_sight(screen: Any, served: Served) -> None:
    fresh(screen, served.address)
    type_reading(screen, GOOD | {"co_dry_ppm": ">4000"})
    wait(screen, lambda d: d.find_elements(By.CSS_SELECTOR, ".banner.stops"))
    sound(screen)
    text = told(screen)
    assert text.index("STOP") < text.index(texts()["reading"]["title"])
    screen.execute_script("scrollTo(0, document.body.scrollHeight)")
    bar = screen.execute_script("return document.querySelector('.bar').getBoundingClientRect().toJSON()")
    assert bar["top"] == 0
    assert bar["height"] >= 44


def test_what_was_typed_is_there_again(screen: Any, served: Served) -> None:
    fresh(screen, served.address)
    screen.find_element(By.ID, "f-o2_dry_pct").send_keys("7,9")
    screen.get(served.address + "/word")
    screen.get(served.address + "/reading")
    assert screen.find_element(By.ID, "f-o2_dry_pct").get_attribute("value") == "7,9"
    sound(screen)
    screen.find_element(By.CSS_SELECTOR, ".kept button").send_keys(Keys.ENTER)
    assert screen.find_element(By.ID, "f-o2_dry_pct").get_attribute("value") == ""
    screen.get(served.address + "/reading")
    assert screen.find_element(By.ID, "f-o2_dry_pct").get_attribute("value") == ""


def test_a_minus_has_a_key(screen: Any, served: Served) -> None:
    fresh(screen, served.address)
    field = screen.find_element(By.ID, "f-intake_temp_c")
    field.send_keys("22")
    field.parent.execute_script("arguments[0].nextElementSibling.click()", field)
    assert field.get_attribute("value") == "-22"
    assert field.get_attribute("inputmode") == "decimal"


def test_the_same_with_the_script_blocked(served: Served) -> None:
    with browser(script=False) as driver:
        driver.get(served.address + "/reading")
        type_reading(driver, GOOD | {"co_dry_ppm": "4000"})
        wait(driver, lambda d: d.find_elements(By.CSS_SELECTOR, ".banner.stops"))
        assert "STOP" in told(driver)


@pytest.fixture
def visited(tmp_path: Path) -> Iterator[tuple[Served, Path]]:
    """A server with a visit that is open, of a heater whose profile is known."""
    book = tmp_path / "winter.book"
    heaters = ["--heaters", str(ROOT / "data" / "heaters")]
    words = ["outdoors", "altitude", "210", "air", "15", "high", "o2", "8.2", "co", "45", "flue", "330"]
    assert call("visit", "open", str(book), "heater-0312", *heaters, "--visit-id", "V1", *words).code == 0
    with Served(book) as server:
        yield server, book


# Somebody who is quicker than the page: a form is sent as soon as its button stands there. An entry that the page takes
# is kept whatever the network does; one that the browser sends by itself is gone with it.
SENDS_AT_ONCE = """
new MutationObserver((_, watching) => {
  const button = document.querySelector("form[data-queue] button");
  if (!button) return;
  watching.disconnect();
  addEventListener("submit", (event) => { window.taken = event.defaultPrevented; event.preventDefault(); });
  button.form.dispatchEvent(new SubmitEvent("submit", { bubbles: true, cancelable: true, submitter: button }));
}).observe(document, { childList: true, subtree: true });
"""


def say(driver: Any, text: str) -> None:
    """Type a note, and send it."""
    field = driver.find_element(
        By.CSS_SELECTOR, "form[data-draft=note] textarea, form[data-draft=note] input[name=text]"
    )
    field.send_keys(text)
    driver.find_element(By.CSS_SELECTOR, "form[data-draft=note] button").send_keys(Keys.ENTER)


def notes(book: Path) -> list[str]:
    """Return the notes of the visit as the logbook holds them."""
    with Logbook(book, read_only=True) as opened:
        return [str(one.body["text"]) for one in read_visit(opened, "V1").entries if one.kind == "note"]


def test_an_entry_waits_for_the_network_and_is_there_once(visited: tuple[Served, Path]) -> None:
    server, book = visited
    with browser() as driver:
        driver.execute_cdp_cmd("Page.addScriptToEvaluateOnNewDocument", {"source": SENDS_AT_ONCE})
        whole(driver, f"{server.address}/visit/V1/say")
        assert driver.execute_script("return window.taken") is True
        server.end(signal.SIGKILL)
        say(driver, "casing cold")
        wait(driver, lambda d: texts()["page"]["not_judged"] in told(d))
        say(driver, "second look")
        wait(driver, lambda d: texts()["page"]["waits"].format(n=2) in told(d))
        assert "No stop condition" not in told(driver), "an older banner comforts nobody while something waits"
        assert notes(book) == []
        server.start()
        wait(driver, lambda d: not d.find_elements(By.ID, "waiting"))
        assert notes(book) == ["casing cold", "second look"]


def test_a_watch_stays_on_the_page_without_network(visited: tuple[Served, Path]) -> None:
    """Samples of minutes are not lost by a network that drops in the middle; an empty form is not sent at all."""
    server, book = visited
    with browser() as driver:
        whole(driver, f"{server.address}/visit/V1/watch")
        for number, value in enumerate(("8.2", "8.3", "8.1"), 1):
            field = driver.find_element(By.ID, "f-o2_dry_pct")
            field.send_keys(value, Keys.ENTER)
            if number == 1:
                wait(driver, lambda d: texts()["visit"]["samples"].format(n=1) in told(d))
                server.end(signal.SIGKILL)
            elif number == 2:
                wait(driver, lambda d: texts()["page"]["stays"] in told(d))
                server.start()
                field.send_keys(Keys.ENTER)
            wait(driver, lambda d, n=number: texts()["visit"]["samples"].format(n=n) in told(d))
        driver.get(f"{server.address}/visit/V1/say")
        driver.execute_script("document.querySelector('form[data-draft=note] [name=text]').required = false")
        driver.find_element(By.CSS_SELECTOR, "form[data-draft=note] button").send_keys(Keys.ENTER)
        wait(driver, lambda d: texts()["page"]["empty"] in told(d))
        assert notes(book) == []


def photographs(book: Path) -> list[tuple[str, tuple[int, int]]]:
    """Return the photographs of the visit as the logbook holds them: what each shows, and its size."""
    with Logbook(book, read_only=True) as opened:
        found = photos_of(read_visit(opened, "V1"))
    return [(shows, Image.open(io.BytesIO(read_photo(book, name))).size) for name, shows, _ in found]


def test_a_photograph_waits_for_the_network_and_is_there_once(visited: tuple[Served, Path], tmp_path: Path) -> None:
    """Made small on the phone; a visit that was closed meanwhile refuses it, and it stays until it is sent again."""
    server, book = visited
    Image.new("RGB", (3200, 2400), (90, 60, 20)).save(tmp_path / "soot.jpg", "JPEG")
    with browser() as driver:
        whole(driver, f"{server.address}/visit/V1/photo")
        server.end(signal.SIGKILL)
        take_photo(driver, tmp_path / "soot.jpg", "soot at the end")
        wait(driver, lambda d: texts()["page"]["photos_wait"].format(n=1) in told(d))
        assert driver.find_element(By.ID, "shows").get_attribute("value") == ""
        with Logbook(book) as opened:
            add(opened, [NewVisit("V1", None, {"handed_back": "no"}, [("missing", None, NO_CAB)])])
            close_visit(opened, "V1", incomplete=True)
        server.start()
        driver.get(f"{server.address}/visit/V1")
        wait(driver, lambda d: texts()["page"]["photo_refused"] + " soot at the end" in told(d))
        assert photographs(book) == []
        with Logbook(book) as opened:
            reopen(opened, "V1", "a photograph came late")
        again = driver.find_element(By.CSS_SELECTOR, "#photos-waiting button")
        driver.execute_async_script("sendPhotos().then(arguments[0])")  # as it does by itself every four seconds
        again.send_keys(Keys.ENTER)
        wait(driver, lambda d: not d.find_elements(By.ID, "photos-waiting"))
        assert photographs(book) == [("soot at the end", (1600, 1200))]


def take_photo(driver: Any, path: Path, shows: str) -> None:
    """Choose a photograph, say what it shows, and send it."""
    driver.find_element(By.ID, "photo").send_keys(str(path))
    driver.find_element(By.ID, "shows").send_keys(shows)
    driver.find_element(By.CSS_SELECTOR, "form[data-photo] button.main").send_keys(Keys.ENTER)


def test_what_waited_and_is_refused_comes_back_into_its_form(visited: tuple[Served, Path]) -> None:
    server, _book = visited
    with browser() as driver:
        whole(driver, f"{server.address}/visit/V1/reading")
        server.end(signal.SIGKILL)
        driver.find_element(By.ID, "f-o2_dry_pct").send_keys("82")
        driver.find_element(By.CSS_SELECTOR, "form[data-draft=reading] button.main").send_keys(Keys.ENTER)
        wait(driver, lambda d: d.find_elements(By.ID, "waiting"))
        server.start()
        wait(driver, lambda d: texts()["page"]["not_taken"] in told(d))
        driver.get(f"{server.address}/visit/V1")
        assert texts()["page"]["not_judged"] in told(driver)
        driver.find_element(By.CSS_SELECTOR, "#waiting a").send_keys(Keys.ENTER)
        wait(driver, lambda d: d.find_element(By.ID, "f-o2_dry_pct").get_attribute("value") == "82")
        field = driver.find_element(By.ID, "f-o2_dry_pct")
        field.clear()
        field.send_keys("8,1")
        driver.find_element(By.CSS_SELECTOR, "form[data-draft=reading] button.main").send_keys(Keys.ENTER)
        wait(driver, lambda d: not d.find_elements(By.ID, "waiting") and d.find_elements(By.CSS_SELECTOR, ".answer"))
        assert lambda_of(8.1) in told(driver)


def test_every_page_of_a_visit_can_be_read_and_touched(visited: tuple[Served, Path]) -> None:
    server, _ = visited
    paths = ["", "/reading", "/say", "/photo", "/watch", "/record", "/entries", "/entries/2"]
    for size in (PHONE, DESK):
        with browser(size) as driver:
            for path in [*(f"/visit/V1{path}" for path in paths), "/visit", "/day", "/site", "/plan", "/mystery"]:
                driver.get(server.address + path)
                assert (path, axe(driver), small_targets(driver), sideways(driver)) == (path, [], [], 0)


def test_a_case_from_opening_to_the_printed_sheet(tmp_path: Path) -> None:
    with Served(tmp_path / "winter.book") as server, browser() as driver:
        driver.get(f"{server.address}/visit")
        Select(driver.find_element(By.CSS_SELECTOR, "select[name=heater]")).select_by_value("heater-0312")
        press(driver, "input[name=location][value=outdoors]")
        send(driver, "open")
        wait(driver, lambda d: "/visit/" in d.current_url)
        address = driver.current_url
        for values in (
            {"o2_dry_pct": "4,84", "co_dry_ppm": "120", "flue_temp_c": "365"},
            {"o2_dry_pct": "8,2", "co_dry_ppm": "45", "flue_temp_c": "330"},
        ):
            driver.get(f"{address}/reading")
            press(driver, "input[name=stage][value=high]")
            for key, text in values.items():
                driver.find_element(By.ID, f"f-{key}").send_keys(text)
            send(driver, "reading")
            wait(driver, lambda d: d.find_elements(By.CSS_SELECTOR, ".answer .lambda"))
            if "4,84" in values.values():
                assert "1.28" in told(driver)
                assert "intake restricted" in told(driver)
                driver.get(f"{address}/say")
                driver.find_element(By.CSS_SELECTOR, "form[data-draft=repair] [name=text]").send_keys("hose replaced")
                send(driver, "repair")
                wait(driver, lambda d: d.current_url == address)
        assert "1.60" in told(driver)
        driver.get(f"{address}/sheet")
        assert printed(driver).startswith(b"%PDF")
        text = told(driver)
        assert "hose replaced" in text
        assert "1.28" in text
        assert "1.60" in text
        assert asked_of_others(driver) == set()


def press(driver: Any, selector: str) -> None:
    """Choose a button by the keyboard."""
    driver.find_element(By.CSS_SELECTOR, selector).send_keys(Keys.SPACE)


def send(driver: Any, draft: str) -> None:
    """Send a form by the keyboard."""
    driver.find_element(By.CSS_SELECTOR, f"form[data-draft='{draft}'] button:not([type=button])").send_keys(Keys.ENTER)
