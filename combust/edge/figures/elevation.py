"""A small picture of a route: its height over its way, the limits of its heaters, and where each must stay off."""

from __future__ import annotations

from html import escape
from typing import Any

import numpy as np

from combust.application.fleet.elevation import Elevation, crossings, stretch_words, stretches_above
from combust.edge.figures.style import svg_picture

WIDTH, LEFT, RIGHT, TOP, FOOT = 380, 46, 372, 14, 112
STRIP = 19  # height of the strip of each limit below the picture
MOST_LIMITS = 4
TEXT = 'font-family="sans-serif" font-size="11" fill="#000"'
# Steps of a scale that read well.
STEPS = (1.0, 2.0, 5.0)


def elevation_picture(way: Elevation, limits_m: list[float], name: str) -> dict[str, str]:
    """Return the picture as an SVG in a data URL with its alt text.

    Parameters
    ----------
    way : Elevation
        At least one point.
    limits_m : list of float
        The heaters' own altitude limits on this route, NaN where one was not entered.
    name : str
        Of the route.
    """
    known = sorted({one for one in limits_m if one == one})
    shown = known[:MOST_LIMITS]
    distance, height = np.asarray(way.distance_km), np.asarray(way.height_m)
    low, high = float(min(height.min(), *shown, 0.0)), float(max(height.max(), *shown[:1], 100.0)) * 1.08
    far = max(float(distance.max()), 1e-3)

    def x(km: Any) -> Any:
        return LEFT + (RIGHT - LEFT) * np.asarray(km) / far

    def y(metres: Any) -> Any:
        return FOOT - (FOOT - TOP) * (np.asarray(metres) - low) / (high - low)

    parts = [_ground(x(distance), y(height))]
    parts += [_above(way, shown[0], x, y)] if shown else []
    parts += [_limit(one, float(y(one)), place % 2 == 1) for place, one in enumerate(shown) if one <= high]
    parts += _axes(low, high, far, x, y)
    bottom = FOOT + 26
    stretches = {one: stretches_above(way, one) for one in known}
    for one in shown:
        parts.append(_strip(one, stretches[one], bottom, x))
        bottom += STRIP
    hatch = (
        '<defs><pattern id="h" width="6" height="6" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
        '<rect width="6" height="6" fill="#fff"/><path d="M0 0V6" stroke="#000" stroke-width="2.4"/></pattern></defs>'
    )
    svg = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {bottom}" width="{WIDTH}" height="{bottom}">'
        f"{hatch}{''.join(parts)}</svg>"
    )
    off = [f"above the limit of {one:.0f} m, heater off: {stretch_words(stretches[one]) or 'nowhere'}" for one in known]
    told = f"{name}: {far:g} km, {height.min():.0f} to {height.max():.0f} m" + "".join(f"; {one}" for one in off)
    return svg_picture(svg, told)


def _points(x: Any, y: Any) -> str:
    return " ".join(f"{one:.1f},{two:.1f}" for one, two in zip(np.atleast_1d(x), np.atleast_1d(y), strict=True))


def _ground(x: Any, y: Any) -> str:
    ends = f"{x[-1]:.1f},{FOOT} {x[0]:.1f},{FOOT}"
    return f'<polygon points="{_points(x, y)} {ends}" fill="#ddd" stroke="#000" stroke-width="1.2"/>'


def _above(way: Elevation, limit: float, x: Any, y: Any) -> str:
    """Return what lies above the lowest limit, hatched: each stretch from limit to limit."""
    above = way.height_m > limit
    runs = np.split(np.arange(len(above)), np.flatnonzero(np.diff(above)) + 1)
    out = []
    for (one, two), run in zip(crossings(way, limit), (run for run in runs if above[run[0]]), strict=True):
        kms, metres = [one, *way.distance_km[run], two], [limit, *way.height_m[run], limit]
        out.append(f'<polygon points="{_points(x(kms), y(metres))}" fill="url(#h)" stroke="#000" stroke-width="1.2"/>')
    return "".join(out)


def _limit(limit: float, y: float, on_the_right: bool) -> str:
    words = f"limit {limit:.0f} m"
    width = 6.2 * len(words)
    left = RIGHT - width if on_the_right else LEFT + 2.0
    line = f'<path d="M{LEFT} {y:.1f}H{RIGHT}" stroke="#000" stroke-width="1.4" stroke-dasharray="7 4"/>'
    back = f'<rect x="{left:.1f}" y="{y - 12:.1f}" width="{width:.0f}" height="11" fill="#fff" opacity=".8"/>'
    return f'{line}{back}<text x="{left + 1:.1f}" y="{y - 3:.1f}" {TEXT}>{words}</text>'


def _axes(low: float, high: float, far: float, x: Any, y: Any) -> list[str]:
    out = [f'<path d="M{LEFT} {TOP}V{FOOT}H{RIGHT}" fill="none" stroke="#000"/>']
    for metres in _ticks(low, high, 4):
        out.append(f'<text x="{LEFT - 4}" y="{y(metres) + 4:.1f}" text-anchor="end" {TEXT}>{metres:.0f}</text>')
        out.append(f'<path d="M{LEFT - 3} {y(metres):.1f}h3" stroke="#000"/>')
    for km in _ticks(0.0, far, 6):
        out.append(f'<text x="{x(km):.1f}" y="{FOOT + 13}" text-anchor="middle" {TEXT}>{km:g}</text>')
        out.append(f'<path d="M{x(km):.1f} {FOOT}v3" stroke="#000"/>')
    out.append(f'<text x="{LEFT - 4}" y="10" text-anchor="end" {TEXT}>m</text>')
    out.append(f'<text x="{WIDTH - 1}" y="{FOOT + 24}" text-anchor="end" {TEXT}>km</text>')
    return out


def _ticks(low: float, high: float, about: int) -> list[float]:
    """Return round numbers of a scale, about so many."""
    rough = (high - low) / about
    power = 10.0 ** np.floor(np.log10(rough))
    step = next((power * one for one in STEPS if power * one >= rough), 10.0 * power)
    return [float(one) for one in np.arange(np.ceil(low / step) * step, high + 1e-9, step)]


def _strip(limit: float, off: list[tuple[float, float]], top: float, x: Any) -> str:
    """Return the strip of a limit: the way once more, hatched where its heaters must stay off, with the word."""
    out = [f'<rect x="{LEFT}" y="{top}" width="{RIGHT - LEFT}" height="{STRIP - 5}" fill="#fff" stroke="#000"/>']
    out.append(f'<text x="{LEFT - 4}" y="{top + 11}" text-anchor="end" {TEXT}>{escape(f"{limit:.0f} m")}</text>')
    if not off:
        out.append(f'<text x="{LEFT + 6}" y="{top + 11}" {TEXT}>nowhere above it</text>')
    for one, two in off:
        left, right = float(x(one)), min(float(x(two)), float(RIGHT))
        size = f'x="{left:.1f}" y="{top}" width="{max(right - left, 2.0):.1f}" height="{STRIP - 5}"'
        out.append(f'<rect {size} fill="url(#h)" stroke="#000"/>')
        if right - left > 40.0:
            middle = (left + right) / 2.0
            out.append(f'<rect x="{middle - 15:.1f}" y="{top + 1}" width="30" height="{STRIP - 7}" fill="#fff"/>')
            out.append(f'<text x="{middle:.1f}" y="{top + 11}" text-anchor="middle" {TEXT}>OFF</text>')
    return "".join(out)
