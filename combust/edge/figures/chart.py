"""A small figure of curves and marks: one drawing of fixed size that a page, a projector and a notebook show alike."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from combust.edge.figures.labels import Box, Label, Spot, placed, text_width
from combust.edge.figures.style import INK, LINE
from combust.edge.figures.svg import HEIGHT, WIDTH, Scale

LEFT, RIGHT, TOP, FOOT, LEGEND_ROW = 46.0, 12.0, 26.0, 46.0, 18.0
TICK_ROOM = 38.0  # left of the axis for the words of its ticks; more where they are longer
AREA = "area"  # instead of a dash in the legend: a tone that is filled


@dataclass(frozen=True, slots=True)
class Axis:
    """One axis: its words with the unit, its ends, its ticks; ``log`` counts in powers of ten."""

    label: str
    low: float
    high: float
    ticks: Sequence[float] = ()
    words: Sequence[str] = ()
    log: bool = False

    def scale(self, at_low: float, at_high: float) -> Scale:
        """Return where values stand."""
        low, high = (float(np.log10(end)) if self.log else end for end in (self.low, self.high))
        return Scale(low, high, at_low, at_high)

    def inside(self, value: Any) -> Any:
        """Return values as the scale takes them, held at the ends of the axis."""
        kept = np.clip(value, min(self.low, self.high), max(self.low, self.high))
        return np.log10(kept) if self.log else kept


@dataclass(frozen=True, slots=True)
class Curve:
    """A line of the figure, as SVG takes its points; ``area`` is filled and has no edge."""

    points: str
    color: str
    dash: str
    wide: float
    area: bool


@dataclass(frozen=True, slots=True)
class Mark:
    """A point with a shape of its own."""

    x: float
    y: float
    shape: str
    color: str


@dataclass(slots=True)
class Chart:
    """A figure that is being drawn, in the units of its axes.

    Attributes
    ----------
    title : str
        What the figure shows, as a finding.
    told : str
        The figure in words.
    x, y : Axis
    legend : tuple of (word, color, dash)
        The dash is ``"area"`` for a tone that is filled.
    """

    title: str
    told: str
    x: Axis
    y: Axis
    legend: tuple[tuple[str, str, str], ...] = ()
    columns: int = 2
    grid: bool = False
    curves: list[Curve] = field(default_factory=list)
    marks: list[Mark] = field(default_factory=list)
    spots: list[Spot] = field(default_factory=list)
    across: Scale = field(init=False)
    up: Scale = field(init=False)
    left: float = field(init=False)
    foot: float = field(init=False)
    width: float = WIDTH
    height: float = HEIGHT
    right: float = WIDTH - RIGHT
    top: float = TOP

    def __post_init__(self) -> None:
        rows = -(-len(self.legend) // self.columns)
        self.left = LEFT + max(0.0, max((text_width(one) for one in self.y.words), default=0.0) - TICK_ROOM)
        self.foot = self.height - FOOT - LEGEND_ROW * rows - 2.0
        self.across, self.up = self.x.scale(self.left, self.right), self.y.scale(self.foot, self.top)

    def at(self, x: float, y: float) -> tuple[float, float]:
        """Return the place of a pair of values."""
        return self.across(float(self.x.inside(x))), self.up(float(self.y.inside(y)))

    def line(self, x: Any, y: Any, color: str = LINE, dash: str = "", wide: float = 2.5) -> None:
        """Draw a line through values; where one is NaN there is none, and it ends at the edge of the drawing."""
        self.curves.append(Curve(self._points(x, y), color, dash, wide, False))

    def area(self, x: Any, low: Any, high: Any, color: str = INK) -> None:
        """Fill between two lines, lightly."""
        back = np.asarray(x, dtype=float)[::-1], np.asarray(high, dtype=float)[::-1]
        self.curves.append(Curve(f"{self._points(x, low)} {self._points(*back)}", color, "", 0.0, True))

    def _points(self, x: Any, y: Any) -> str:
        pairs = zip(np.atleast_1d(x), np.atleast_1d(y), strict=True)
        return " ".join("{},{}".format(*self.at(a, b)) for a, b in pairs if not (np.isnan(a) or np.isnan(b)))

    def mark(
        self, x: float, y: float, text: str = "", *, shape: str = "circle", color: str = INK, below: bool = False
    ) -> None:
        """Draw a point; its word stands where it covers nothing, above or below it by choice."""
        if np.isnan(x) or np.isnan(y):
            return
        at = self.at(x, y)
        self.marks.append(Mark(*at, shape, color))
        if text:
            self.spots.append(Spot(*at, text, below=below))

    def word(self, x: float, y: float, text: str, anchor: str = "start") -> None:
        """Write a word at a place, or a little above or below it where it would cover something."""
        self.spots.append(Spot(*self.at(x, y), text, anchor))

    def upright(self, x: float, color: str = INK, dash: str = "") -> None:
        """Draw a line from foot to top."""
        self.line([x, x], [self.y.low, self.y.high], color, dash, 1.2)

    def level(self, y: float, color: str = INK, dash: str = "6 4") -> None:
        """Draw a line from side to side."""
        self.line([self.x.low, self.x.high], [y, y], color, dash, 1.5)

    def axes(self) -> Chart:
        """Return the same axes with a grid and nothing on them, to be drawn into by hand."""
        return Chart("", f"Axes to draw into: {self.x.label}, {self.y.label}", self.x, self.y, grid=True)

    @property
    def ticks(self) -> tuple[list[tuple[str, float]], list[tuple[str, float]]]:
        """Words and places of the ticks, across and up."""
        return _ticks(self.x, self.across), _ticks(self.y, self.up)

    @property
    def labels(self) -> list[Label]:
        """The words in the drawing, each where it covers no other word and, as far as there is room, no line."""
        frame = Box(self.left, self.top, self.right, self.foot)
        curves = [(one.points, one.wide) for one in self.curves if not one.area]
        return placed(self.spots, frame, [(one.x, one.y) for one in self.marks], curves)

    @property
    def key(self) -> list[tuple[str, str, str, float, float]]:
        """The legend: word, colour, dash and place of each."""
        wide = (self.width - 16.0) / self.columns
        begin = self.foot + FOOT + 8.0
        return [
            (*one, 8.0 + wide * (n % self.columns), begin + LEGEND_ROW * (n // self.columns))
            for n, one in enumerate(self.legend)
        ]


def _ticks(axis: Axis, scale: Scale) -> list[tuple[str, float]]:
    words = axis.words or [f"{value:g}" for value in axis.ticks]
    return [(word, scale(float(axis.inside(value)))) for value, word in zip(axis.ticks, words, strict=True)]


def chart_svg(chart: Chart) -> str:
    """Return a figure as SVG."""
    from combust.edge.reports.html import page

    return page("figures/chart.svg", one=chart)
