"""Where the words of a small figure stand: no word on another one or on a mark, and on no line where there is room."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

# Widths of the letters of DejaVu Sans in parts of the type's size (a test compares them with the font itself).
NARROW, WIDE = frozenset(" iIl.,:;'|!jfrt()[]-"), frozenset("mwMWQO%@→—+=±<>≥≤")
NARROW_EM, USUAL_EM, WIDE_EM = 0.37, 0.63, 0.90
SIZE, RISE, FALL = 14.0, 10.5, 3.5  # of the type, and how far it goes above and below its line
GAP, STEP, MARK = 9.0, 3.0, 7.0  # from a mark to its word, between two points of a line that is looked at, of a mark
AIR = 2.0  # between two words
ON_WORD, ON_MARK, OUTSIDE, ON_LINE, NEAR_ANOTHER = 1000.0, 300.0, 3000.0, 10.0, 60.0


@dataclass(frozen=True, slots=True)
class Box:
    """A box on the drawing: y grows downwards."""

    left: float
    top: float
    right: float
    bottom: float

    def cut(self, other: Box) -> bool:
        """Return whether two boxes share more than an edge."""
        across = self.left < other.right and other.left < self.right
        return across and self.top < other.bottom and other.top < self.bottom

    def away(self, x: float, y: float) -> float:
        """Return how far a point lies outside it."""
        across, down = max(self.left - x, x - self.right, 0.0), max(self.top - y, y - self.bottom, 0.0)
        return float(np.hypot(across, down))

    def beyond(self, frame: Box) -> float:
        """Return how far it lies outside a frame."""
        across = max(frame.left - self.left, 0.0) + max(self.right - frame.right, 0.0)
        return across + max(frame.top - self.top, 0.0) + max(self.bottom - frame.bottom, 0.0)


@dataclass(frozen=True, slots=True)
class Spot:
    """A word that wants a place: at a mark (no anchor), or itself at a place, with an anchor."""

    x: float
    y: float
    text: str
    anchor: str = ""
    below: bool = False

    def choices(self) -> Iterator[Label]:
        """Return the places in the order in which they are liked."""
        if self.anchor:
            for shift in (0.0, -8.0, 8.0, -16.0, 16.0, -28.0, 28.0, -44.0, 44.0, -62.0, 62.0):
                yield Label(self.x, self.y + shift, self.text, self.anchor)
            return
        near = (20.0, -9.0) if self.below else (-9.0, 20.0)
        for down in (*near, near[0] * 1.6, near[1] * 1.6, 5.0, near[0] * 2.6, near[1] * 2.6):
            for across, anchor in ((GAP, "start"), (-GAP, "end"), (0.0, "middle")):
                if across or abs(down) > GAP:
                    yield Label(self.x + across, self.y + down, self.text, anchor)


@dataclass(frozen=True, slots=True)
class Label:
    """A word with its place and its anchor: ``start``, ``middle`` or ``end``."""

    x: float
    y: float
    text: str
    anchor: str

    @property
    def box(self) -> Box:
        """What it covers."""
        return text_box(self.x, self.y, self.text, self.anchor)


def text_width(text: str, size: float = SIZE) -> float:
    """Return how wide a text is drawn.

    Examples
    --------
    >>> round(text_width("lambda (air ratio)"))
    126
    """
    ems = (NARROW_EM if one in NARROW else WIDE_EM if one in WIDE else USUAL_EM for one in text)
    return size * sum(ems)


def text_box(x: float, y: float, text: str, anchor: str = "start") -> Box:
    """Return what a text on a line covers."""
    wide = text_width(text)
    left = x - {"start": 0.0, "middle": wide / 2.0, "end": wide}[anchor]
    return Box(left, y - RISE, left + wide, y + FALL)


def placed(
    spots: Sequence[Spot],
    frame: Box,
    marks: Sequence[tuple[float, float]],
    curves: Sequence[tuple[str, float]],
) -> list[Label]:
    """Return each word at the best of its places: the first that covers least.

    Parameters
    ----------
    spots : sequence of Spot
    frame : Box
        No word leaves it.
    marks : sequence of (float, float)
    curves : sequence of (str, float)
        Points as SVG takes them, and how wide the line is.
    """
    lines = [(_trace(points), wide / 2.0) for points, wide in curves]
    blocks = [Box(x - MARK, y - MARK, x + MARK, y + MARK) for x, y in marks]
    found: list[Label] = []
    for spot in spots:
        words = [one.box for one in found]
        ranked = [
            (_cost(one.box, frame, blocks, lines, words) + _doubt(spot, one.box, marks) + 0.1 * n, n, one)
            for n, one in enumerate(spot.choices())
        ]
        found.append(min(ranked, key=lambda one: one[:2])[2])
    return found


def _cost(
    box: Box,
    frame: Box,
    marks: Sequence[Box],
    lines: Sequence[tuple[np.ndarray, float]],
    words: Sequence[Box],
) -> float:
    airy = Box(box.left - AIR, box.top - AIR, box.right + AIR, box.bottom + AIR)
    cost = OUTSIDE * (box.beyond(frame) > 0.0) + ON_WORD * sum(airy.cut(one) for one in words)
    cost += ON_MARK * sum(box.cut(one) for one in marks)
    return cost + ON_LINE * sum(crossed(box, points, half) for points, half in lines)


def _doubt(spot: Spot, box: Box, marks: Sequence[tuple[float, float]]) -> float:
    """Return what it costs that the word of a mark stands as near to another one."""
    own = box.away(spot.x, spot.y)
    others = (one for one in marks if one != (spot.x, spot.y))
    return 0.0 if spot.anchor else NEAR_ANOTHER * sum(box.away(*one) <= own for one in others)


def crossed(box: Box, points: np.ndarray, half: float) -> bool:
    """Return whether a line of some half width goes through a box."""
    x, y = points.T
    across = (x > box.left - half) & (x < box.right + half)
    return bool((across & (y > box.top - half) & (y < box.bottom + half)).any())


def _trace(points: str) -> np.ndarray:
    """Return the points of a line, close enough that no word slips between two of them."""
    ends = np.array([one.split(",") for one in points.split()], dtype=float).reshape(-1, 2)
    if len(ends) < 2:
        return ends
    lengths = np.hypot(*np.diff(ends, axis=0).T)
    parts = [
        np.linspace(one, two, max(2, int(length / STEP) + 2))
        for one, two, length in zip(ends[:-1], ends[1:], lengths, strict=True)
    ]
    return np.vstack(parts)
