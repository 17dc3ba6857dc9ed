"""Words in every figure of matplotlib: none on another one, none cut off, none too small on a projector."""

from __future__ import annotations

import importlib
import inspect
import pkgutil
from itertools import combinations

import numpy as np
import pytest
from matplotlib.figure import Figure
from matplotlib.text import Text

from combust.edge import figures
from combust.edge.figures.gas_plane import draw_plane
from combust.edge.figures.style import SLIDE_IN, SLIDE_PT, sheet
from tests.edge import every_figure, test_lesson_pages
from tests.edge.every_figure import FIGURES, drawn

pytestmark = pytest.mark.regression
TOUCH = 1.0  # points of the screen by which two boxes may touch
# A figure at both sizes, its other cases where words are largest; the maps, slow to work out, once each.
CASES = [
    (name, big) for name in FIGURES for big in (False, True) if big == ("," in name) or (name != "derating" and big)
]


def words(figure: Figure) -> list[Text]:
    """The texts that are drawn: ticks beyond the ends of an axis are not."""
    beyond = set()
    for axis in (axis for plot in figure.axes for axis in (plot.xaxis, plot.yaxis)):
        low, high = sorted(axis.get_view_interval())
        for tick in axis.get_major_ticks() + axis.get_minor_ticks():
            if not low - 1e-9 <= tick.get_loc() <= high + 1e-9:
                beyond |= {tick.label1, tick.label2}
    return [one for one in figure.findobj(Text) if one.get_visible() and one.get_text().strip() and one not in beyond]


def corners(text: Text) -> np.ndarray:
    """The four corners of a text as it is turned; two boxes that are upright say too much of slanted words."""
    around, turned = text.get_window_extent(), text.get_rotation()
    middle = np.array([(around.x0 + around.x1) / 2.0, (around.y0 + around.y1) / 2.0])
    text.set_rotation(0)
    box = text.get_window_extent()
    text.set_rotation(turned)
    wide, high = max(box.width / 2.0 - TOUCH, 0.1), max(box.height / 2.0 - TOUCH, 0.1)
    cos, sin = np.cos(np.radians(turned)), np.sin(np.radians(turned))
    return middle + np.array([(-wide, -high), (wide, -high), (wide, high), (-wide, high)]) @ [[cos, sin], [-sin, cos]]


def overlap(one: np.ndarray, two: np.ndarray) -> bool:
    """Whether two boxes share more than an edge: no side of either parts them."""
    for box in (one, two):
        for side in (box[1] - box[0], box[2] - box[1]):
            a, b = one @ side, two @ side
            if a.max() <= b.min() or b.max() <= a.min():
                return False
    return True


def faults(figure: Figure) -> list[str]:
    """What is wrong with the words of a figure."""
    figure.draw_without_rendering()
    boxes = [(text.get_text(), corners(text)) for text in words(figure)]
    wide, high = figure.bbox.width, figure.bbox.height
    found = [
        f"{text!r} is cut off"
        for text, box in boxes
        if (box < -TOUCH).any() or (box > np.array([wide, high]) + TOUCH).any()
    ]
    return found + [f"{a!r} on {b!r}" for (a, one), (b, two) in combinations(boxes, 2) if overlap(one, two)]


@pytest.mark.parametrize(("name", "big"), CASES)
def test_no_word_lies_on_another_or_is_cut_off(name: str, big: bool) -> None:
    figure = drawn(name, big)
    assert faults(figure) == []
    if big:
        sizes = {text.get_text(): text.get_fontsize() * SLIDE_IN / figure.get_figwidth() for text in words(figure)}
        assert {word: size for word, size in sizes.items() if size < SLIDE_PT - 1e-6} == {}
    assert figure.axes[0].get_title(loc="left")
    assert figure.axes[-1].get_xlabel()
    labels = [label for plot in figure.axes for label in (plot.get_xlabel(), plot.get_ylabel())]
    assert [label for label in labels if label and "(" not in label and label != "date of the visit"] == []  # units
    assert len(str(figure.get_label())) > 40


def test_figures_of_a_site_and_a_fleet_tell_their_source() -> None:
    for name, big in CASES:
        if name.split(",")[0] in ("derating", "ceiling", "nights", "margins"):
            assert "ISO 2533" in drawn(name, big)._supxlabel.get_text()
    assert "31 of 51" in drawn("margins", False).get_label()  # worked fleet: V1 to V4 are 12 + 9 + 6 + 4 of 51


@pytest.mark.parametrize("o2", [0.5, 3.0, 4.2, 7.0, 9.2, 11.4, 13.5, 16.9])
def test_no_word_of_the_plane_lies_in_the_band_of_a_reading_without_co2(o2: float) -> None:
    figure = draw_plane(every_figure.read(o2_dry_pct=o2))
    figure.draw_without_rendering()
    (plot,) = figure.axes
    (band,) = plot.patches
    low, high = band.get_window_extent().intervalx
    boxes = {one.get_text(): one.get_window_extent() for one in plot.texts}
    assert len(boxes) > 8
    assert [word for word, box in boxes.items() if box.x0 < high and box.x1 > low] == []


def test_a_made_up_overlap_and_a_made_up_cut_are_found() -> None:
    figure, plot = sheet()
    plot.text(0.50, 0.5, "one word")
    plot.text(0.52, 0.5, "another")
    assert "'one word' on 'another'" in faults(figure)
    figure, plot = sheet()
    figure.text(0.95, 0.5, "beyond the edge of the sheet")
    assert "'beyond the edge of the sheet' is cut off" in faults(figure)
    figure, plot = sheet()
    plot.text(0.3, 0.3, "a slanted word", rotation=45)
    plot.text(0.5, 0.3, "below its end")  # upright boxes would share a corner, the words do not
    assert faults(figure) == []


def test_every_function_that_draws_is_looked_at() -> None:
    """A new one must be drawn in ``every_figure.py``, or in the table of the lessons' figures."""
    seen = inspect.getsource(every_figure) + inspect.getsource(test_lesson_pages)
    for module in pkgutil.iter_modules(figures.__path__):
        parts = vars(importlib.import_module(f"{figures.__name__}.{module.name}"))
        for name, one in parts.items():
            if name.startswith("draw_") and inspect.signature(one).return_annotation in ("Figure", "Chart"):
                assert f"{name}(" in seen or f".{name}," in seen, name
                assert ("presenter" in inspect.signature(one).parameters) == (
                    inspect.signature(one).return_annotation == "Figure"
                ), name
