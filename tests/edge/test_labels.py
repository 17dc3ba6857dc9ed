"""Words in the small figures: as wide as the font draws them, and none on another one, on a mark or off the drawing."""

from __future__ import annotations

import re
from base64 import b64decode
from pathlib import Path

import numpy as np
import pytest
from matplotlib.font_manager import findfont, get_font

import combust
from combust.application.fleet.elevation import Elevation
from combust.application.trainer.class_heater import Sample
from combust.application.trainer.session import TrainingSession
from combust.domain.heater import Heater
from combust.edge.figures.chart import Axis, Chart, chart_svg
from combust.edge.figures.elevation import elevation_picture
from combust.edge.figures.labels import MARK, SIZE, Box, text_width
from combust.edge.figures.svg import before_and_after, ceiling, plane
from combust.edge.reports.html import page
from combust.edge.web.class_svg import heater_picture, strip
from combust.edge.web.texts import texts
from tests.edge.svg_words import faults
from tests.edge.test_lesson_pages import FIGURES

DEMO = Path(__file__).parents[2] / "data" / "heaters"
PAGE, BOARD = 13.0, 26.0  # the type of the page and of the wall, in CSS pixels
WORDS = [
    *("lambda (air ratio)", "below 1.3: soot watch-point", "1.78, heat 91 %", "biodiesel_b100", "247 ppm air-free"),
    *(
        "bands: exhaust 20 to 40 % of the resistance",
        "time after switching on (s)",
        "O2, dry (vol %)",
        "cut-out 10.5 V",
    ),
]


@pytest.mark.independent
def test_a_text_is_taken_to_be_as_wide_as_the_font_draws_it() -> None:
    font = get_font(findfont("DejaVu Sans"))
    font.set_size(SIZE, 72)
    for text in WORDS:
        font.set_text(text)
        drawn = font.get_width_height()[0] / 64
        assert 0.97 * drawn <= text_width(text) <= 1.08 * drawn, text


def on_a_mark(chart: Chart) -> list[str]:
    half = MARK - 2.0
    marks = [Box(one.x - half, one.y - half, one.x + half, one.y + half) for one in chart.marks]
    return [one.text for one in chart.labels if any(one.box.cut(mark) for mark in marks)]


@pytest.mark.regression
@pytest.mark.parametrize("name", FIGURES)
def test_no_word_of_a_lesson_figure_lies_on_another_or_is_cut_off(name: str) -> None:
    draw, values, _ = FIGURES[name]
    for value in values:
        assert (value, faults(chart_svg(draw(value))), on_a_mark(draw(value))) == (value, [], [])
    assert faults(chart_svg(draw(values[0]).axes())) == []


@pytest.mark.regression
def test_a_made_up_overlap_is_found() -> None:
    axis = Axis("x (-)", 0.0, 1.0, (0.0, 0.001, 1.0))
    assert "0 on 0.001" in faults(chart_svg(Chart("", "", axis, Axis("y (-)", 0.0, 1.0, (0.0, 1.0)))))
    wide = (("a word that is far too long " * 3, "", ""),)
    long = Chart("", "", Axis("x (-)", 0.0, 1.0), Axis("y (-)", 0.0, 1.0), wide)
    assert any("is cut off" in one for one in faults(chart_svg(long)))
    full = Chart("", "", Axis("x (-)", 0.0, 1.0), Axis("y (-)", 0.0, 1.0))
    for n in range(40):  # more marks in one place than there is room for words
        full.mark(0.5, 0.5, f"word {n}")
    assert any(" on " in one for one in faults(chart_svg(full)))


@pytest.mark.regression
def test_no_word_of_a_figure_of_the_page_lies_on_another_or_is_cut_off() -> None:
    def read(o2: float, **more: float) -> combust.ReadingResult:
        return combust.interpret({"fuel": "diesel_b7", "location": "outdoors", "o2_dry_pct": o2, **more})

    t = texts()
    first, second = read(4.84), read(8.2)
    drawn = [plane(first), plane(read(20.9)), before_and_after(first, second), before_and_after(None, second)]
    svgs = {f"plane {n}": (page("figures/plane.svg", one=one, alt=""), SIZE) for n, one in enumerate(drawn)}
    effect = combust.site_effect(Heater.load(DEMO / "heater-0312.toml"), combust.Site(altitude_m=2000, intake_temp_c=0))
    svgs["ceiling"] = (page("figures/ceiling.svg", one=ceiling(effect), t=t), PAGE)
    far = Elevation(np.linspace(0, 42, 9), np.array([150.0, 400, 900, 1480, 2600, 1850, 1300, 2200, 700]))
    encoded = elevation_picture(far, [1350.0, 2400.0, 3000.0], "pass road")["src"].partition(",")[2]
    svgs["elevation"] = (b64decode(encoded).decode(), SIZE)
    now = TrainingSession(Heater.load(DEMO / "heater-0312.toml")).display()
    svgs["heater"] = (page("figures/heater.svg", one=heater_picture(now), t=t), BOARD)
    samples = [Sample(5.0, 21.0, "as healthy", 15.0), Sample(605.0, 10.5, "high", 800.0)]
    panels = page("figures/strip.svg", one=strip(samples), t=t)
    svgs |= {f"strip {n}": (one, BOARD) for n, one in enumerate(re.findall(r"<svg.*?</svg>", panels, re.S))}
    assert {name: found for name, (svg, size) in svgs.items() if (found := faults(svg, size))} == {}
