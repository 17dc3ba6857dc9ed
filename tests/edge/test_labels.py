"""Words in the small figures: as wide as the font draws them, and none on another one, on a mark or off the drawing."""

from __future__ import annotations

from itertools import combinations

import pytest
from matplotlib.font_manager import findfont, get_font

from combust.edge.figures.chart import Axis, Chart
from combust.edge.figures.labels import MARK, SIZE, Box, text_box, text_width
from tests.edge.test_lesson_pages import FIGURES

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


def faults(chart: Chart) -> list[str]:
    """What is wrong with the words of a figure: one on another one or on a mark, one cut off."""
    boxes = [(one.text, one.box) for one in chart.labels]
    boxes += [(word, text_box(x + 32, y, word)) for word, _, _, x, y in chart.key]
    across, up = chart.ticks
    boxes += [(word, text_box(x, chart.foot + 19, word, "middle")) for word, x in across]
    boxes += [(word, text_box(chart.left - 8, y + 5, word, "end")) for word, y in up]
    boxes.append((chart.x.label, text_box(chart.right, chart.foot + 37, chart.x.label, "end")))
    boxes.append((chart.y.label, text_box(6, 15, chart.y.label)))
    sheet = Box(0.0, 0.0, chart.width, chart.height)
    found = [f"{text} is cut off" for text, box in boxes if text and box.beyond(sheet) > 0.0]
    found += [f"{one} on {two}" for (one, a), (two, b) in combinations(boxes, 2) if one and two and a.cut(b)]
    half = MARK - 2.0
    marks = [Box(one.x - half, one.y - half, one.x + half, one.y + half) for one in chart.marks]
    return found + [f"{one.text} on a mark" for one in chart.labels if any(one.box.cut(mark) for mark in marks)]


@pytest.mark.regression
@pytest.mark.parametrize("name", FIGURES)
def test_no_word_of_a_lesson_figure_lies_on_another_or_is_cut_off(name: str) -> None:
    draw, values, _ = FIGURES[name]
    for value in values:
        assert faults(draw(value)) == [], value


@pytest.mark.regression
def test_a_made_up_overlap_is_found() -> None:
    axis = Axis("x (-)", 0.0, 1.0, (0.0, 0.001, 1.0))
    crowded = Chart("", "", axis, Axis("y (-)", 0.0, 1.0, (0.0, 1.0)))
    assert "0 on 0.001" in faults(crowded)
    long = Chart(
        "", "", Axis("x (-)", 0.0, 1.0), Axis("y (-)", 0.0, 1.0), (("a word that is far too long " * 3, "", ""),)
    )
    assert any("is cut off" in one for one in faults(long))
    full = Chart("", "", Axis("x (-)", 0.0, 1.0), Axis("y (-)", 0.0, 1.0))
    for n in range(40):  # more marks in one place than there is room for words
        full.mark(0.5, 0.5, f"word {n}")
    assert any(" on " in one for one in faults(full))
