"""A small figure of curves and marks: one drawing of fixed size that a page, a projector and a notebook show alike."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from combust.edge.figures.style import INK, LINE
from combust.edge.figures.svg import HEIGHT, WIDTH, Scale

LEFT, RIGHT, TOP, FOOT, LEGEND_ROW = 46.0, 12.0, 26.0, 46.0, 18.0
LETTER = 8.0  # width of a letter, at most


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
    """A point with a shape of its own and a word beside it."""

    x: float
    y: float
    shape: str
    color: str
    text: str
    text_x: float
    text_y: float
    anchor: str


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
    """

    title: str
    told: str
    x: Axis
    y: Axis
    legend: tuple[tuple[str, str, str], ...] = ()
    columns: int = 2
    curves: list[Curve] = field(default_factory=list)
    marks: list[Mark] = field(default_factory=list)
    words: list[tuple[float, float, str, str]] = field(default_factory=list)
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
        self.left = LEFT + max(0.0, LETTER * (max((len(one) for one in self.y.words), default=0) - 4))
        self.foot = self.height - FOOT - LEGEND_ROW * rows
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
        """Draw a point; its word stands on the side that has more room."""
        if np.isnan(x) or np.isnan(y):
            return
        place_x, place_y = self.at(x, y)
        right = place_x + 12 + LETTER * len(text) < self.right
        shift = 20.0 if below else -9.0
        words = (text, place_x + (9 if right else -9), min(max(place_y + shift, self.top + 12), self.foot - 4))
        self.marks.append(Mark(place_x, place_y, shape, color, *words, "start" if right else "end"))

    def word(self, x: float, y: float, text: str, anchor: str = "start") -> None:
        """Write a word at a place."""
        self.words.append((*self.at(x, y), text, anchor))

    def upright(self, x: float, color: str = INK, dash: str = "") -> None:
        """Draw a line from foot to top."""
        self.line([x, x], [self.y.low, self.y.high], color, dash, 1.2)

    def level(self, y: float, color: str = INK, dash: str = "6 4") -> None:
        """Draw a line from side to side."""
        self.line([self.x.low, self.x.high], [y, y], color, dash, 1.5)

    @property
    def ticks(self) -> tuple[list[tuple[str, float]], list[tuple[str, float]]]:
        """Words and places of the ticks, across and up."""
        return _ticks(self.x, self.across), _ticks(self.y, self.up)

    @property
    def key(self) -> list[tuple[str, str, str, float, float]]:
        """The legend: word, colour, dash and place of each."""
        wide = (self.width - 16.0) / self.columns
        begin = self.foot + FOOT + 6.0
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
