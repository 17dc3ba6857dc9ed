"""The drawings at the wall: what is drawn stands where its number belongs, and nothing hidden is drawn."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from combust.application.trainer.class_heater import Sample
from combust.application.trainer.session import TrainingSession
from combust.domain.heater import Heater
from combust.edge.web.class_svg import BAR_WIDTH, CO_LEFT, FOOT, LEFT, PANEL, RIGHT, TOP, heater_picture, strip

DEMO = Path(__file__).parents[3] / "data" / "heaters"


def places(line: str) -> list[tuple[float, ...]]:
    return [tuple(float(one) for one in place.split(",")) for place in line.split()]


@pytest.mark.hand
def test_the_strip_stands_where_its_numbers_are() -> None:
    drawn = strip([Sample(5.0, 21.0, "no flue gas at the cell", 15.0), Sample(605.0, 10.5, "high", 300.0)])
    o2, co, flue = drawn.panels
    width, height = PANEL[0] - RIGHT - LEFT, PANEL[1] - FOOT - TOP
    # by hand: 605 s are the right end, 5 s are 5/605 of the way; 10.5 of 21 % and 300 of 600 °C are half way up
    assert places(o2.lines[0])[1] == pytest.approx((PANEL[0] - RIGHT, TOP + height / 2), abs=0.01)
    assert places(o2.lines[0])[0] == pytest.approx((LEFT + width * 5 / 605, TOP), abs=0.01)
    assert places(flue.lines[0])[1] == pytest.approx((PANEL[0] - RIGHT, TOP + height / 2), abs=0.01)
    # by hand: air has no band, so that one point is left; "high" is the third of five words
    assert len(co.lines) == 1
    ((_, level),) = places(co.lines[0])
    assert level == dict(co.ticks)["high"]
    assert co.left == CO_LEFT
    assert (drawn.begin_min, drawn.end_min) == (0.0, 10.1)


@pytest.mark.hand
def test_what_is_above_the_axis_gets_a_longer_axis_and_is_never_cut() -> None:
    drawn = strip([Sample(5.0, 25.0, "as healthy", 15.0), Sample(10.0, 25.9, "as healthy", 799.0)])
    for panel in drawn.panels:
        assert all(TOP <= y <= PANEL[1] - FOOT for line in panel.lines for _, y in places(line))
    assert [text for text, _ in drawn.panels[2].ticks] == ["0", "200", "400", "600", "800"]
    assert strip([]).panels[0].lines == ()


@pytest.mark.regression
def test_the_heater_is_drawn_from_what_one_sees() -> None:
    session = TrainingSession(Heater.load(DEMO / "heater-0312.toml"))
    cold = session.display()
    assert heater_picture(cold).told == "air off, fuel off, glow off, flame off"
    burning = replace(cold, phase="running", pump_hz=3.2, blower_rpm=4000.0, bars={**cold.bars, "chamber": 1.0})
    picture = heater_picture(burning)
    assert picture.told == "air on, fuel on, glow off, flame on"
    assert {name: length for name, length, _ in picture.bars}["chamber"] == BAR_WIDTH
    assert heater_picture(replace(burning, blower_rpm=None)).air
    assert not heater_picture(replace(burning, blower_rpm=None, phase="no_power")).air
