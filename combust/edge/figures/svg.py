"""Small figures for a phone and a sheet: numbers in the figure's own units, placed on a drawing of fixed size."""

from __future__ import annotations

from collections.abc import Sequence
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
SHEET_HEIGHT, SHEET_MARKS = 214.0, (1.0, 1.3, 1.6, 2.0, 3.0, 6.0)  # 88 mm by 47 mm in print, as many as can be read


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
class Spot:
    """A reading on the plane.

    Attributes
    ----------
    look : str
        ``reading``, ``before`` or ``after``: each has a shape and a dash of its own, so that they differ in grey too.
    ellipse : tuple of float or None
        Centre and half axes of the 95 % ellipse.
    band : tuple of float or None
        Left edge and width of an O2 whose CO2 was not measured.
    text : str
        What stands beside its mark above the plane; "" = nothing.
    told : str
        Where it stands, in words.
    """

    look: str
    ellipse: tuple[float, float, float, float] | None
    band: tuple[float, float] | None
    text: str
    told: str


@dataclass(frozen=True, slots=True)
class Plane(Drawing):
    """The CO2-O2 plane as it is drawn: a fuel's own line with lambda marks, and the readings.

    Attributes
    ----------
    line : str
        Points of the line, as SVG takes them.
    marks : tuple of (str, float, float)
        Lambda and its place.
    across, up : tuple of (float, float)
        Ticks of O2 and CO2: value and place.
    spots : tuple of Spot
    """

    fuel: Fuel
    line: str
    marks: tuple[tuple[str, float, float], ...]
    across: tuple[tuple[float, float], ...]
    up: tuple[tuple[float, float], ...]
    spots: tuple[Spot, ...]

    @property
    def told(self) -> str:
        """The readings in words."""
        return " ".join(one.told if one.look == "reading" else f"{one.look}: {one.told}" for one in self.spots)


def plane(result: ReadingResult) -> Plane | None:
    """Return the plane figure of a reading; None when it holds no O2.

    Parameters
    ----------
    result : ReadingResult

    Examples
    --------
    >>> import combust
    >>> drawn = plane(combust.interpret(combust.Reading(fuel="diesel", o2_dry_pct=8.2)))
    >>> drawn.spots[0].ellipse is None, drawn.told
    (True, 'The reading is the band at O2 8.2 %; its CO2 was not measured.')
    """
    return _plane(Drawing(), [("reading", result)], MARKS)


def before_and_after(before: ReadingResult | None, after: ReadingResult | None) -> Plane | None:
    """Return the plane of a stage before and after the work, at the height that it has on a sheet; None without O2.

    Parameters
    ----------
    before, after : ReadingResult or None
    """
    given = [(look, one) for look, one in (("before", before), ("after", after)) if one is not None]
    return _plane(Drawing(height=SHEET_HEIGHT, top=2 * TOP, foot=SHEET_HEIGHT - BOTTOM), given, SHEET_MARKS)


def _plane(frame: Drawing, given: Sequence[tuple[str, ReadingResult]], marks: Sequence[float]) -> Plane | None:
    given = [(look, one) for look, one in given if one.dry_gas["o2_dry_pct"] is not None]
    if not given:
        return None
    fuel = given[0][1].fuel
    across = Scale(0.0, O2_MOST, frame.left, frame.right)
    up = Scale(0.0, fuel.co2_maximum_pct * CO2_ROOM, frame.foot, frame.top)
    gas = zip(*gas_line(fuel, np.geomspace(1.0, 60.0, 60)), strict=True)
    places = zip(marks, *gas_line(fuel, marks), strict=True)
    return Plane(
        fuel,
        " ".join(f"{across(x)},{up(y)}" for x, y in gas),
        tuple((f"{ratio:g}", across(x), up(y)) for ratio, x, y in places),
        tuple((value, across(value)) for value in (0.0, 5.0, 10.0, 15.0, 100 * DRY_AIR.o2)),
        tuple((value, up(value)) for value in (0.0, 5.0, 10.0, 15.0) if value <= up.high),
        tuple(_spot(look, one, across, up) for look, one in given),
        **{name: getattr(frame, name) for name in Drawing.__dataclass_fields__},
    )


def _spot(look: str, result: ReadingResult, across: Scale, up: Scale) -> Spot:
    """Return a reading as it stands on the plane: a band where its CO2 was not measured."""
    o2, co2, meter = result.dry_gas["o2_dry_pct"] or 0.0, result.dry_gas["co2_dry_pct"], result.instrument
    lam = "" if result.air_ratio is None else f", lambda {result.air_ratio:.2f}"
    text = "" if look == "reading" else f"{look}{lam}"
    if co2 is None or result.inputs.get("co2_origin") != "measured":
        band = (across(o2 - meter.o2_limit_pct), across.length(2.0 * meter.o2_limit_pct))
        return Spot(look, None, band, text, place_in_words(o2, None))
    axes = (across.length(meter.o2_limit_pct * ELLIPSE_95), up.length(meter.co2_limit_pct * ELLIPSE_95))
    return Spot(look, (across(o2), up(co2), *axes), None, text, place_in_words(o2, co2))


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
