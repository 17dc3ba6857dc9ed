"""The words of a small SVG figure: one on another one, one cut off by the edge of the drawing."""

from __future__ import annotations

import re
from collections.abc import Iterator
from itertools import combinations
from xml.etree import ElementTree

from combust.edge.figures.labels import SIZE, Box, text_box


def words(svg: str, size: float = SIZE) -> tuple[Box, list[tuple[str, Box]]]:
    """Return the sheet of an SVG, and each of its words with what it covers.

    Parameters
    ----------
    svg : str
    size : float
        Of the type where the drawing does not say it (a page's style does).
    """
    root = ElementTree.fromstring(svg[svg.index("<svg") :])
    left, top, wide, high = map(float, root.attrib["viewBox"].split())
    own = root.attrib.get("font-size")
    return Box(left, top, left + wide, top + high), list(_boxes(root, float(own) if own else size))


def _boxes(root: ElementTree.Element, size: float) -> Iterator[tuple[str, Box]]:
    for one in root.iter():
        if one.tag.rpartition("}")[2] != "text" or not (one.text or "").strip():
            continue
        text, scale = " ".join((one.text or "").split()), float(one.attrib.get("font-size", size)) / SIZE
        x, y = float(one.attrib["x"]), float(one.attrib["y"])
        box = text_box(0.0, 0.0, text, one.attrib.get("text-anchor", "start"))
        place = Box(x + scale * box.left, y + scale * box.top, x + scale * box.right, y + scale * box.bottom)
        if re.match(r"rotate\(-90", one.attrib.get("transform", "")):  # about its own place
            place = Box(x + place.top - y, y - place.right + x, x + place.bottom - y, y - place.left + x)
        yield text, place


def faults(svg: str, size: float = SIZE) -> list[str]:
    """Return what is wrong with the words of an SVG."""
    sheet, boxes = words(svg, size)
    found = [f"{text} is cut off" for text, box in boxes if box.beyond(sheet) > 1.0]
    return found + [f"{one} on {two}" for (one, a), (two, b) in combinations(boxes, 2) if a.cut(b)]
