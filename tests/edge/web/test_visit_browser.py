"""A case in a headless Chromium from the day to the printed sheet: by touch, by the keyboard, without script."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.ui import Select

from tests.edge.web.browser import (
    DESK,
    PHONE,
    asked_of_others,
    axe,
    browser,
    look,
    printed,
    sideways,
    small_targets,
    wait,
)
from tests.edge.web.served import Served

pytestmark = pytest.mark.browser
DAY = {"who": "T. Larkwood", "place": "Fellarch depot", "altitude_m": "210", "intake_temp_c": "5"}
FIRST = {"o2_dry_pct": "6,4", "co_dry_ppm": "120", "flue_temp_c": "365"}
BAD = {"o2_dry_pct": "4.8", "co_dry_ppm": "4000", "flue_temp_c": "380"}
GOOD = {"o2_dry_pct": "8.2", "co_dry_ppm": "45", "flue_temp_c": "331"}
PICTURES = os.environ.get("COMBUST_PICTURES")  # a folder for people who want to look at every page


class Walk:
    """Somebody at a screen: touches, or uses the keyboard alone.

    Parameters
    ----------
    driver, address
    touch : bool
    checked : bool
        Whether each page is held against WCAG 2 and the size of a thumb (which needs the script).
    """

    def __init__(self, driver: Any, address: str, *, touch: bool, checked: bool = True) -> None:
        self.driver, self.address, self.touch, self.checked, self.seen = driver, address, touch, checked, 0

    def at(self, path: str) -> None:
        """Go to a page by its link."""
        before = self.driver.find_element(By.TAG_NAME, "body").id
        (link, *_) = self.driver.find_elements(By.CSS_SELECTOR, f"a[href='{path}']")
        self.press(link)
        wait(self.driver, lambda d: d.find_element(By.TAG_NAME, "body").id != before)
        self.sound()

    def sound(self) -> None:
        """Nothing of this page is too small, too wide or against WCAG 2."""
        self.seen += 1
        if PICTURES:
            look(self.driver, Path(PICTURES) / f"{'touch' if self.touch else 'keys'}-{self.seen:02d}.png")
        if self.checked:
            assert axe(self.driver) == [], self.driver.current_url
            assert small_targets(self.driver) == [], self.driver.current_url
            assert sideways(self.driver) == 0, self.driver.current_url

    def press(self, one: Any) -> None:
        """Touch something, or press Enter on it."""
        if self.touch:
            one.click()
        else:
            one.send_keys(Keys.ENTER)

    def type(self, **values: str) -> None:
        """Type into fields."""
        for key, text in values.items():
            field = self.driver.find_element(By.ID, f"f-{key}")
            field.clear()
            field.send_keys(text)

    def choose(self, name: str, word: str) -> None:
        """Choose a word of a few."""
        radios = self.driver.find_elements(By.CSS_SELECTOR, f"input[name={name}]")
        words = [one.get_attribute("value") for one in radios]
        if self.touch:
            radios[words.index(word)].find_element(By.XPATH, "..").click()
        else:
            for one in radios[: words.index(word)]:
                one.send_keys(Keys.ARROW_RIGHT)

    def send(self, action: str, field: str = "") -> None:
        """Send a form (of several to one address that with a field), and wait for the page that answers."""
        before = self.driver.find_element(By.TAG_NAME, "body").id
        inside = f":has(#f-{field})" if field else ""
        form = self.driver.find_element(By.CSS_SELECTOR, f"form[action='{action}']{inside}")
        self.press(form.find_element(By.CSS_SELECTOR, "button:not([type])"))
        wait(self.driver, lambda d: d.find_element(By.TAG_NAME, "body").id != before)
        self.sound()

    def told(self) -> str:
        """Return what the page says."""
        return str(self.driver.find_element(By.TAG_NAME, "body").text)


@pytest.fixture
def served(tmp_path: Path) -> Iterator[Served]:
    with Served(tmp_path / "winter.book") as server:
        yield server


def whole_case(walk: Walk) -> str:
    """Walk a case from the day's settings to the sheet; return the path of the visit."""
    driver = walk.driver
    driver.get(f"{walk.address}/visit")
    walk.sound()
    walk.at("/day")
    walk.type(**DAY)
    walk.choose("location", "outdoors")
    walk.choose("co_alarm", "works")
    walk.send("/day")
    walk.at("/visit")
    Select(driver.find_element(By.ID, "heater")).select_by_value("heater-0312")
    walk.send("/visit")
    here = "/" + driver.current_url.partition("//")[2].partition("/")[2]
    assert "Nothing was read yet" in walk.told()

    walk.at(f"{here}/reading")
    walk.choose("stage", "high")
    walk.type(**FIRST)
    walk.send(f"{here}/reading")
    text = walk.told()
    order = ["No stop condition found", "1.41", "Healthy band, high stage", "Next check", "What it can be"]
    assert [text.index(one) for one in order] == sorted(text.index(one) for one in order)

    walk.at(f"{here}/reading")
    walk.choose("stage", "high")
    walk.type(**BAD)
    walk.send(f"{here}/reading")
    assert walk.told().startswith("STOP")
    assert "Only after the repair" in walk.told()
    driver.find_element(By.ID, "say-repair").send_keys("intake hose cleared")
    walk.send(f"{here}/say")
    assert "STOP" in walk.told()

    walk.at(f"{here}/reading")
    walk.choose("stage", "high")
    walk.type(**GOOD)
    walk.send(f"{here}/reading")
    assert "STOP" not in walk.told()
    walk.at(f"{here}/record")
    (fold,) = driver.find_elements(By.CSS_SELECTOR, "details:has(#f-cab_co_in_ppm)")
    if not fold.get_attribute("open"):  # what looks for small targets opens every fold
        walk.press(fold.find_element(By.TAG_NAME, "summary"))
    walk.type(cab_co_in_ppm="1", cab_co_out_ppm="0")
    walk.send(f"{here}/complete", "cab_co_in_ppm")
    assert "CO inside and outside the cab" not in walk.told()
    return here


def test_a_case_by_touch_on_a_phone(served: Served) -> None:
    with browser(PHONE) as driver:
        walk = Walk(driver, served.address, touch=True)
        here = whole_case(walk)
        assert asked_of_others(driver) == set()
        driver.get(f"{served.address}{here}/sheet")
        data = printed(driver)
        assert data.startswith(b"%PDF")
        assert driver.get_log("browser") == [], "the sheet's own style must not be blocked by the policy"
        assert data.count(b"/Type /Page\n") + data.count(b"/Type /Page ") <= 1, "the sheet is one page"
        if PICTURES:
            (Path(PICTURES) / "sheet.pdf").write_bytes(data)


def test_a_case_by_the_keyboard_alone_at_a_desk(served: Served) -> None:
    with browser(DESK) as driver:
        whole_case(Walk(driver, served.address, touch=False))


def test_the_same_case_with_the_script_blocked(served: Served) -> None:
    with browser(PHONE, script=False) as driver:
        whole_case(Walk(driver, served.address, touch=True, checked=False))
