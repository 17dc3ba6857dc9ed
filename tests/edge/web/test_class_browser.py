"""A class of five in a headless Chromium: started, joined, asked, voted, stated, told; also with the script blocked."""

from __future__ import annotations

import os
import re
import signal
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from selenium.webdriver.common.by import By
from selenium.webdriver.support.ui import Select

from tests.edge.web.browser import DESK, PHONE, asked_of_others, axe, browser, look, sideways, small_targets, wait
from tests.edge.web.served import Caller, Served

pytestmark = pytest.mark.browser
PICTURES = os.environ.get("COMBUST_PICTURES")  # a folder for people who want to look at every page
LEARNERS = 5  # one of them at the browser, the others send the same forms without one
LOOKS = 2  # each page is held against WCAG 2 in its first states
SMALLEST_AT_THE_WALL = 24.0  # CSS pixels: 18 pt
TEXT_SIZES = """
const seen = [];
for (const one of document.querySelectorAll('main *')) {
  const own = [...one.childNodes].some((node) => node.nodeType === 3 && node.textContent.trim());
  const box = one.getBoundingClientRect();
  if (!own || !box.width || one.tagName === 'OPTION') continue;
  const scale = one.ownerSVGElement ? one.ownerSVGElement.getScreenCTM().a : 1;
  seen.push(scale * parseFloat(getComputedStyle(one).fontSize));
}
return Math.min(...seen);
"""


class People:
    """Trainer and one learner at one browser: each has a cookie and a size of screen, and is seated in turn."""

    def __init__(self, driver: Any, served: Served, *, script: bool = True) -> None:
        self.driver, self.address, self.script = driver, served.address, script
        self.phone = False
        self.looked: Counter[tuple[str, bool]] = Counter()
        self.seats: dict[str, list[dict[str, Any]]] = {}
        self.pictures = 0

    def seat(self, who: str, size: tuple[int, int] | None = None) -> None:
        """Sit down as somebody: on a phone, or as the trainer at a desk, or at a screen of another size."""
        self.driver.get(f"{self.address}/static/page.css")  # nothing asks from there while the cookies change
        self.driver.delete_all_cookies()
        for cookie in self.seats.get(who, []):
            self.driver.add_cookie({key: cookie[key] for key in ("name", "value", "path")})
        size = size or (DESK if who == "trainer" else PHONE)
        self.phone = size == PHONE
        shape = {"width": size[0], "height": size[1], "deviceScaleFactor": 1, "mobile": size == PHONE}
        self.driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", shape)

    def go(self, who: str, path: str, size: tuple[int, int] | None = None) -> str:
        """Open a page as somebody, and return what it says."""
        self.seat(who, size)
        self.driver.get(f"{self.address}{path}")
        return self.sound(who)

    def press(self, who: str, button: str, **typed: str) -> str:
        """Type and choose, press a button by its words, and return what the next page says."""
        for name, text in typed.items():
            field = self.driver.find_element(By.ID, name)
            if field.tag_name == "select":
                Select(field).select_by_value(text)
            else:
                field.clear()
                field.send_keys(text)
        before = self.driver.find_element(By.TAG_NAME, "body").id

        def pressed(driver: Any) -> bool:
            """Press it; what the page draws anew meanwhile is looked for again."""
            found = [one for one in driver.find_elements(By.TAG_NAME, "button") if one.text.strip("✓ ") == button]
            assert len(found) == 1, (button, len(found))
            driver.execute_script("arguments[0].scrollIntoView({block: 'center'})", found[0])  # a stop may have come
            found[0].click()
            return True

        wait(self.driver, pressed)
        wait(self.driver, lambda d: d.find_element(By.TAG_NAME, "body").id != before)
        return self.sound(who)

    def press_fold(self, words: str) -> None:
        """Open a fold by its words."""
        fold = next(one for one in self.driver.find_elements(By.TAG_NAME, "summary") if one.text == words)
        if not fold.find_element(By.XPATH, "..").get_attribute("open"):
            fold.click()

    def sound(self, who: str) -> str:
        """Hold a page against WCAG 2, the size of a thumb and the width of the screen; keep who sits there."""
        self.seats[who] = self.driver.get_cookies()
        self.pictures += 1
        if PICTURES:
            look(self.driver, Path(PICTURES) / f"class-{self.pictures:02d}-{who}.png")
        text = str(self.driver.find_element(By.TAG_NAME, "body").text)
        page = (self.driver.current_url, self.phone)
        self.looked[page] += 1
        if self.script and self.looked[page] <= LOOKS:
            assert axe(self.driver) == [], self.driver.current_url
            assert small_targets(self.driver) == [], self.driver.current_url
            assert sideways(self.driver) == 0, self.driver.current_url
        return text


@pytest.fixture
def served(tmp_path: Path) -> Iterator[Served]:
    with Served(tmp_path / "winter.book") as server:
        yield server


def whole_class(people: People) -> None:
    """Take a class from its start to what it made of the heater."""
    assert "The class" in people.go("trainer", "/")
    people.go("trainer", "/class")
    told = people.press("trainer", "Start the class", heater="heater-0312", factor="60")
    assert told.index("Simulated. Resting values follow") < told.index("×60")
    wall = people.go("trainer", "/class/wall")
    (words,) = re.findall(r"Join with (\w+ \w+)", wall)
    others = [Caller(people.address) for _ in range(LEARNERS - 1)]
    for caller in others:
        assert caller.post("/class/join", {"words": words}, page="/class/join").status_code == 303
    people.go("learner", "/class/join")
    told = people.press("learner", "Join", words=words.upper())
    assert told.index("Simulated. Resting values follow") < told.index("O2, dry")
    people.go("trainer", "/class/desk")
    people.press("trainer", "Ask for heat")
    people.press("trainer", "Move what was changed", knob_exhaust_resistance="8")
    people.press("trainer", "Ask it", ready="o2")
    for number, caller in enumerate(others):
        caller.post("/class/vote", {"answer": "1" if number < 2 else "0"}, page="/class")
    told = people.go("learner", "/class")
    assert "exhaust" not in told.lower().split("what is it?")[0]
    told = people.press("learner", "It falls.")
    assert "You said: It falls." in told
    assert "The vote is closed" not in told
    assert "Votes: 5" in people.go("trainer", "/class/desk")
    told = people.press("trainer", "Close the vote and go on")
    assert "60 %" in told
    wall = people.go("trainer", "/class/wall")
    assert "60 %" in wall
    assert "40 %" in wall
    if people.script:
        assert people.driver.execute_script(TEXT_SIZES) >= SMALLEST_AT_THE_WALL - 0.01
        before = re.findall(r"Heater time (\S+)", wall)
        body = "document.body.innerText"
        wait(people.driver, lambda d: re.findall(r"Heater time (\S+)", d.execute_script(f"return {body}")) != before)
    for caller in others:
        caller.post("/class/say", {"cause_0": "exhaust_restricted", "share_0": "70"}, page="/class/say")
    people.go("learner", "/class/say")
    told = people.press("learner", "This is what I think", cause_0="exhaust_restricted", share_0="70")
    assert "30 % were left over" in told
    people.go("trainer", "/class/desk")
    people.press("trainer", "Show the answer to all")
    assert "It was: exhaust restricted." in people.go("learner", "/class")
    told = people.go("trainer", "/class/summary")
    assert "exhaust restricted" in told
    assert "said with 60 to 80 %\n5 times, 5 of them right" in told
    people.go("trainer", "/class/wall")


def test_a_class_of_five(served: Served) -> None:
    with browser(DESK) as driver:
        people = People(driver, served)
        whole_class(people)
        for path in ("/class/desk", "/class/wall", "/class/summary"):
            people.go("trainer", path, PHONE)
        for path in ("/class", "/class/join"):
            people.go("learner", path, DESK)
        people.go("trainer", "/class/desk")
        people.press_fold("End the class")
        assert "Start a class" in people.press("trainer", "End it for everybody")
        people.go("trainer", "/class/start", PHONE)
        assert asked_of_others(driver) == set()
        told = [one["message"] for one in driver.get_log("browser") if one["level"] == "SEVERE"]
        assert [one for one in told if "favicon" not in one] == [], "nothing of the pages is blocked by the policy"


def test_the_same_class_with_the_script_blocked(served: Served) -> None:
    with browser(DESK, script=False) as driver:
        whole_class(People(driver, served, script=False))
        (again,) = driver.find_elements(By.CSS_SELECTOR, "a[href='/class/wall?again=5']")
        assert again.is_displayed()


def test_a_phone_without_network_says_that_what_it_shows_is_old_and_loses_nothing(served: Served) -> None:
    trainer = Caller(served.address)
    trainer.post("/class/start", {"heater": "heater-0312", "factor": "10"}, page="/class/start")
    trainer.post("/class/desk", {"do": "ask", "ready": "o2"}, page="/class/desk")
    (words,) = re.findall(r"<strong>([a-z]+ [a-z]+)</strong>", trainer.get("/class/wall").text)
    with browser() as driver:
        people = People(driver, served)
        people.go("learner", "/class/join")
        people.press("learner", "Join", words=words)
        served.end(signal.SIGKILL)
        body = "return document.body.innerText"
        wait(driver, lambda d: "No connection: what stands here is old." in d.execute_script(body))
        vote = "//button[normalize-space()='It falls.']"
        wait(driver, lambda d: d.find_element(By.XPATH, vote).click() or True)
        wait(driver, lambda d: "nothing was sent, nothing is lost" in d.execute_script(body))
        served.start()
        wait(driver, lambda d: "what stands here is old" not in d.execute_script(body))
        for _ in range(2):  # the answer of the first did not come through: it is sent again
            wait(
                driver,
                lambda d: (
                    d.find_element(By.XPATH, vote.replace("()='It", "(translate(., '✓', ''))='It")).click() or True
                ),
            )
            wait(driver, lambda d: "You said: It falls." in d.execute_script(body))
    assert "Votes: 1" in trainer.get("/class/wall").text
