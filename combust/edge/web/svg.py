"""Small figures for a phone: numbers in the figure's own units, placed on a drawing of fixed size."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from combust.application.reading.result import ReadingResult
from combust.application.site.effect_result import SiteEffect
from combust.domain.fuel import Fuel
from combust.edge.figures.gas_plane import ELLIPSE_95, gas_line, place_in_words
from combust.kernel.constants import DRY_AIR

WIDTH, HEIGHT = 400.0, 300.0
LEFT, RIGHT, TOP, BOTTOM = 46.0, 12.0, 14.0, 44.0
O2_MOST, CO2_ROOM = 21.5, 1.12
MARKS = (1.0, 1.2, 1.4, 1.6, 2.0, 3.0, 6.0)


@dataclass(frozen=True, slots=True)
class Scale:
    """Where a value stands on the drawing: linear, from the low to the high end."""

    low: float
    high: float
    at_low: float
    at_high: float

    def __call__(self, value: float) -> float:
        """Return the place of a value, to a hundredth."""
        share = (value - self.low) / (self.high - self.low)
        return round(self.at_low + share * (self.at_high - self.at_low), 2)

    def length(self, value: float) -> float:
        """Return how long a difference is drawn."""
        return round(abs(value / (self.high - self.low) * (self.at_high - self.at_low)), 2)


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawing:
    """The size of every drawing, and the frame that its axes make."""

    width: float = WIDTH
    height: float = HEIGHT
    left: float = LEFT
    right: float = WIDTH - RIGHT
    top: float = TOP
    foot: float = HEIGHT - BOTTOM


@dataclass(frozen=True, slots=True)
class Plane(Drawing):
    """The CO2-O2 plane as it is drawn: a fuel's own line with lambda marks, and the reading.

    Attributes
    ----------
    line : str
        Points of the line, as SVG takes them.
    marks : tuple of (str, float, float)
        Lambda and its place.
    across, up : tuple of (float, float)
        Ticks of O2 and CO2: value and place.
    reading : tuple of float or None
        Centre and half axes of the 95 % ellipse.
    band : tuple of float or None
        Left edge and width of an O2 whose CO2 was not measured.
    told : str
        The same in words.
    """

    fuel: Fuel
    line: str
    marks: tuple[tuple[str, float, float], ...]
    across: tuple[tuple[float, float], ...]
    up: tuple[tuple[float, float], ...]
    reading: tuple[float, float, float, float] | None
    band: tuple[float, float] | None
    told: str


def plane(result: ReadingResult) -> Plane | None:
    """Return the plane figure of a reading; None when it holds no O2.

    Parameters
    ----------
    result : ReadingResult

    Examples
    --------
    >>> import combust
    >>> drawn = plane(combust.interpret(combust.Reading(fuel="diesel", o2_dry_pct=8.2)))
    >>> drawn.reading is None, drawn.told
    (True, 'The reading is the band at O2 8.2 %; its CO2 was not measured.')
    """
    o2, co2, fuel = result.dry_gas["o2_dry_pct"], result.dry_gas["co2_dry_pct"], result.fuel
    if o2 is None:
        return None
    across = Scale(0.0, O2_MOST, LEFT, WIDTH - RIGHT)
    up = Scale(0.0, fuel.co2_maximum_pct * CO2_ROOM, HEIGHT - BOTTOM, TOP)
    gas = zip(*gas_line(fuel, np.geomspace(1.0, 60.0, 60)), strict=True)
    line = " ".join(f"{across(x)},{up(y)}" for x, y in gas)
    places = zip(MARKS, *gas_line(fuel, MARKS), strict=True)
    measured = co2 is not None and result.inputs.get("co2_origin") == "measured"
    limit = result.instrument.o2_limit_pct
    reading, band = None, None
    if measured and co2 is not None:
        axes = (limit * ELLIPSE_95, result.instrument.co2_limit_pct * ELLIPSE_95)
        reading = (across(o2), up(co2), across.length(axes[0]), up.length(axes[1]))
    else:
        band = (across(o2 - limit), across.length(2.0 * limit))
    return Plane(
        fuel,
        line,
        tuple((f"{ratio:g}", across(x), up(y)) for ratio, x, y in places),
        tuple((value, across(value)) for value in (0.0, 5.0, 10.0, 15.0, 100 * DRY_AIR.o2)),
        tuple((value, up(value)) for value in (0.0, 5.0, 10.0, 15.0) if value <= up.high),
        reading,
        band,
        place_in_words(o2, co2 if reading else None),
    )


@dataclass(frozen=True, slots=True)
class Ceiling(Drawing):
    """The highest site over the air's temperature, as it is drawn; the site itself is the point.

    Attributes
    ----------
    lines : tuple of (str, str)
        Name of the text, and points of the line as SVG takes them.
    limit : float or None
        Place of the heater's own limit.
    point : (float, float)
        Place of the site.
    """

    lines: tuple[tuple[str, str], ...]
    across: tuple[tuple[float, float], ...]
    up: tuple[tuple[float, float], ...]
    limit: float | None
    point: tuple[float, float]


HEIGHT_MOST_M = 5000.0


def ceiling(effect: SiteEffect) -> Ceiling:
    """Return how high a heater may go with lambda at its minimum, over the air's temperature.

    Parameters
    ----------
    effect : SiteEffect
    """
    temps = [float(row["intake_temp_c"] or 0.0) for row in effect.ceiling_curve]
    across = Scale(min(temps), max(temps), LEFT + 8.0, WIDTH - RIGHT)
    up = Scale(0.0, HEIGHT_MOST_M, HEIGHT - BOTTOM, TOP)
    lines = []
    for name in ("ceiling_altitude_m", "ceiling_altitude_full_m"):
        known = [(x, row[name]) for x, row in zip(temps, effect.ceiling_curve, strict=True)]
        places = [f"{across(x)},{up(min(max(y, 0.0), HEIGHT_MOST_M))}" for x, y in known if y is not None]
        lines.append((name, " ".join(places)))
    limit, site = effect.heater_altitude_limit_m, effect.site
    here = (min(max(site["intake_temp_c"], min(temps)), max(temps)), min(max(site["altitude_m"], 0.0), HEIGHT_MOST_M))
    return Ceiling(
        tuple(lines),
        tuple((value, across(value)) for value in (-40.0, -20.0, 0.0, 20.0, 40.0)),
        tuple((value, up(value)) for value in (0.0, 1000.0, 2000.0, 3000.0, 4000.0, 5000.0)),
        None if limit is None else up(min(limit, HEIGHT_MOST_M)),
        (across(here[0]), up(here[1])),
    )
