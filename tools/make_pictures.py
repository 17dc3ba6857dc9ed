"""Write docs/pictures/*.svg, the three pictures of the README and of the first page of the site.

python tools/make_pictures.py           writes them
python tools/make_pictures.py --check   fails when one no longer shows what the code draws
"""

from __future__ import annotations

import re
import sys
import textwrap
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import combust
from combust.application.heater.baseline import healthy_stage
from combust.edge.figures.altitude import draw_ceiling
from combust.edge.figures.causes import draw_steps
from combust.edge.figures.chart import chart_svg
from combust.edge.figures.lesson_gas import draw_air_sweep
from combust.edge.figures.style import legend, source_line, svg_text

if TYPE_CHECKING:
    from matplotlib.figure import Figure

ROOT = Path(__file__).parents[1]
HEATER = ROOT / "data" / "heaters" / "heater-0312.toml"
FOLDER = ROOT / "docs" / "pictures"
NUMBER = re.compile(r"-?\d+(?:\.\d+)?(?:e-?\d+)?")
NAME = re.compile(r"(?<=#)[\w-]+|(?<=id=\")[\w-]+")
WIDE = 4.2  # in, that its words are read on a phone too, where a picture has the width of the screen
APART = 1.0  # units of the drawing that another version of the drawing library may move a line


@dataclass(frozen=True)
class Picture:
    """A picture with its reader, the tour it leads to, and its words."""

    reader: str
    tour: str
    caption: str
    alt: str
    draw: Callable[[], str]


def small(figure: Figure, high: float) -> str:
    """Return a figure as SVG, as wide as a phone and so many inches high."""
    figure.set_size_inches(WIDE, high)
    source_line(figure, textwrap.fill(figure.get_supxlabel(), 60))
    for one in [*figure.legends]:
        one.remove()
        legend(figure, loc="outside lower center", ncols=2)
    return svg_text(figure)


def engineer() -> str:
    """Return the causes of one visit, step by step: the crushed intake hose of the first tour."""
    heater = combust.Heater.load(HEATER)
    gas = {"stage": "high", "location": "outdoors", "altitude_m": 210, "intake_temp_c": 15, "o2_dry_pct": 4.84}
    free = {
        **gas, "co_dry_ppm": 120, "flue_temp_c": 352, "air_in_temp_c": 15, "air_out_temp_c": 90, "supply_v": 12.5,
        "ambient_o2_pct": 20.9, "probe_leak_test": "pass", "sample_line": "dry", "analyser_fuel": "diesel_b7",
        "o2_span_over_3min_pct": 0.1, "minutes_since_ignition": 18, "intake_co2_pct": 0.04,
    }  # fmt: skip
    off = {**gas, "arrangement": "intake_duct_off", "o2_dry_pct": 7.8}
    return small(draw_steps(heater, [free, off], pairs=False), 4.6)


def planner() -> str:
    """Return the highest site of one heater over the temperature, and its own limit."""
    return small(draw_ceiling(healthy_stage(combust.Heater.load(HEATER)), minimum=1.3, name="heater-0312"), 3.4)


def trainer() -> str:
    """Return CO, flame and stack loss over the air."""
    drawn = chart_svg(draw_air_sweep(1.6))
    ground = f' width="{WIDE * 96:.0f}"><rect width="100%" height="100%" fill="#fff"/>'  # readable on a dark page too
    return drawn.replace(">", ground, 1)


PICTURES = {
    "engineer": Picture(
        "service engineer", "tour_engineer", "What each check says about the cause of a bad reading.",
        "Stacked bars: how the first reading and each check moved the probabilities of the causes.", engineer,
    ),
    "planner": Picture(
        "fleet planner", "tour_planner", "How high a heater may stand, by its own limit and by its air.",
        "Highest site that keeps lambda against the temperature of the air, and the heater's own limit far below it.", planner,
    ),
    "trainer": Picture(
        "trainer", "tour_trainer", "What more or less air does to CO, flame and stack loss.",
        "Curves over lambda: CO is least near 1.6, far more on either side; no flame above 2.5; more air cools the flame.",
        trainer,
    ),
}  # fmt: skip


def same(one: str, other: str) -> bool:
    """Return True where two drawings show the same: the same marks and words, no place further off than APART."""
    texts = [NAME.sub("", text) for text in (one, other)]
    if NUMBER.sub("0", texts[0]) != NUMBER.sub("0", texts[1]):
        return False
    pairs = zip(*(map(float, NUMBER.findall(text)) for text in texts), strict=True)
    return all(abs(a - b) <= APART for a, b in pairs)


def refresh(check: bool) -> list[str]:
    """Draw every picture anew; return those that are out of date, or, unless it is only a check, write them."""
    FOLDER.mkdir(parents=True, exist_ok=True)
    stale = []
    for name, picture in PICTURES.items():
        path, drawn = FOLDER / f"{name}.svg", picture.draw()
        if path.is_file() and same(path.read_text(encoding="utf-8"), drawn):
            continue
        stale.append(str(path.relative_to(ROOT)))
        if not check:
            path.write_text(drawn, encoding="utf-8")
    return stale


def main() -> None:
    """Write what is out of date, or with --check fail."""
    check = "--check" in sys.argv[1:]
    stale = refresh(check)
    if stale and check:
        sys.exit(f"Out of date: {', '.join(stale)}. Run: python tools/make_pictures.py")


if __name__ == "__main__":
    main()
