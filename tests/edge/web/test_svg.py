"""The small figures of the page hold the same numbers as the figures of matplotlib."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from matplotlib.figure import Figure

import combust
from combust.edge.figures.gas_plane import draw_plane
from combust.edge.figures.svg import Plane, Scale, before_and_after, plane


def drawn(**read: Any) -> tuple[Plane | None, Figure]:
    result = combust.interpret(combust.Reading(fuel="diesel", location="outdoors", **read))
    return plane(result), draw_plane(result)


def back(scale: Scale, place: float) -> float:
    """Return the value that stands at a place."""
    return scale.low + (place - scale.at_low) / (scale.at_high - scale.at_low) * (scale.high - scale.low)


def axes_of(one: Plane) -> tuple[Scale, Scale]:
    """Read the scales off the drawing's own ticks: what is told by the numbers at its axes."""
    (x0, at_x0), *_, (x1, at_x1) = one.across
    (y0, at_y0), *_, (y1, at_y1) = one.up
    return Scale(x0, x1, at_x0, at_x1), Scale(y0, y1, at_y0, at_y1)


@pytest.mark.independent
def test_plane_holds_the_numbers_of_the_other_figure() -> None:
    one, figure = drawn(o2_dry_pct=7.54, co2_dry_pct=9.8, co2_origin="measured")
    assert one is not None
    across, up = axes_of(one)
    (axis,) = figure.axes
    line = axis.lines[0].get_xydata()
    for pair in one.line.split():
        x, y = (back(scale, float(text)) for scale, text in zip((across, up), pair.split(","), strict=True))
        assert np.interp(x, line[:, 0], line[:, 1]) == pytest.approx(y, abs=0.02)  # 0.01 of a drawing of 400
    (ellipse,) = axis.patches
    assert one.spots[0].ellipse is not None
    x, y, wide, high = one.spots[0].ellipse
    assert (back(across, x), back(up, y)) == pytest.approx(ellipse.center, abs=0.002)
    half = (
        wide * (across.high - across.low) / (across.at_high - across.at_low),
        high * abs(up.high - up.low) / abs(up.at_high - up.at_low),
    )
    assert half == pytest.approx((ellipse.width / 2, ellipse.height / 2), abs=0.002)


@pytest.mark.independent
def test_band_and_marks() -> None:
    one, figure = drawn(o2_dry_pct=8.2)
    assert one is not None
    assert one.spots[0].ellipse is None
    across, _ = axes_of(one)
    (band,) = figure.axes[0].patches
    assert one.spots[0].band is not None
    left, width = one.spots[0].band
    assert back(across, left) == pytest.approx(band.get_x(), abs=0.002)
    assert back(across, left + width) == pytest.approx(band.get_x() + band.get_width(), abs=0.004)
    marks = {word: back(across, x) for word, x, _ in one.marks}
    # O2 of the exact balance at lambda: tests/kernel/test_balance_exact.py
    assert marks["2"] == pytest.approx(float(combust.flue_gas("diesel", 2.0).o2_dry_pct), abs=0.003)


@pytest.mark.independent
def test_before_and_after_stand_where_the_other_figure_has_each_of_them() -> None:
    before, after = (
        combust.interpret(combust.Reading(fuel="diesel", location="outdoors", co2_origin="measured", **read))
        for read in ({"o2_dry_pct": 4.84, "co2_dry_pct": 11.9}, {"o2_dry_pct": 8.2, "co2_dry_pct": 9.3})
    )
    both = before_and_after(before, after)
    assert both is not None
    across, up = axes_of(both)
    for spot, result in zip(both.spots, (before, after), strict=True):
        (ellipse,) = draw_plane(result).axes[0].patches
        assert spot.ellipse is not None
        assert (back(across, spot.ellipse[0]), back(up, spot.ellipse[1])) == pytest.approx(ellipse.center, abs=0.003)
    assert [one.look for one in both.spots] == ["before", "after"]
    assert before_and_after(None, None) is None
    only = before_and_after(None, after)
    assert only is not None
    assert only.spots == both.spots[1:]


def test_no_oxygen_no_figure_and_nothing_leaves_the_drawing() -> None:
    assert drawn(co2_dry_pct=9.8, co2_origin="measured")[0] is None
    one, _ = drawn(o2_dry_pct=20.9)
    assert one is not None
    for x, y in (map(float, pair.split(",")) for pair in one.line.split()):
        assert one.left <= x <= one.right
        assert one.top <= y <= one.foot
