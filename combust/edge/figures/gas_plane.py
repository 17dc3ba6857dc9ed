"""Figures of one reading: where it stands on the CO2-O2 plane, and how far off the shortcut for lambda is."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from combust.application.reading.result import ReadingResult
from combust.domain.fuel import Fuel
from combust.edge.figures.style import INK, LINE, MARK, legend, marker_line, note, sheet, title
from combust.kernel.air_ratio import air_ratio_from_o2
from combust.kernel.constants import DRY_AIR
from combust.kernel.flue_gas import flue_gas_moles
from combust.kernel.printed_forms import air_ratio_shortcut

if TYPE_CHECKING:
    from matplotlib.figure import Figure

# 95 % of a two-dimensional normal (chi-squared, two degrees of freedom) over the two standard deviations of a limit.
ELLIPSE_95 = math.sqrt(5.991) / 2.0
WORD_O2 = 1.2  # vol %, how far the word of a mark reaches to its right
HALF_O2 = 10.0  # vol %, from here on the figure of the shortcut is crowded on the right
LAMBDA_MARKS = (1.0, 1.2, 1.4, 1.6, 1.8, 2.0, 2.5, 3.0, 4.0, 6.0)


def gas_line(fuel: Fuel, air_ratio: Any) -> tuple[Any, Any]:
    """Return (O2, CO2) of the dry gas along a fuel's own line [vol %]."""
    gas = flue_gas_moles(fuel, np.asarray(air_ratio, dtype=float))
    return gas.o2_dry_pct, gas.co2_dry_pct


def draw_fuel_line(plot: Any, fuel: Fuel, band: tuple[float, float] = (0.0, 0.0)) -> None:
    """Draw the CO2-O2 plane with a fuel's own line, lambda marked along it; no mark has its word in a band of O2."""
    plot.plot(
        *gas_line(fuel, np.linspace(1.0, 60.0, 2000)),
        color=LINE,
        label=f"line of {fuel.name}, {fuel.formula}, with lambda",
    )
    marked = gas_line(fuel, LAMBDA_MARKS)
    plot.plot(*marked, linestyle="none", marker="|", markersize=9, color=LINE)
    for ratio, *at in zip(LAMBDA_MARKS, *marked, strict=True):
        left = at[0] < band[1] and at[0] + WORD_O2 > band[0]
        note(
            plot,
            f"{ratio:g}",
            (at[0], at[1]),
            (-6, -12) if left else (8, 6),
            ha="right" if left else "left",
            color=LINE,
        )
    plot.plot([100 * DRY_AIR.o2], [100 * DRY_AIR.co2], marker="s", color=INK, markersize=5, clip_on=False)
    note(plot, "fresh air", (100 * DRY_AIR.o2, 0.1), (-34, 3), ha="right")
    plot.set(xlabel="O2, dry (vol %)", ylabel="CO2, dry (vol %)", xlim=(0, 21.5))
    plot.set_ylim(0, fuel.co2_maximum_pct * 1.12)


def draw_plane(result: ReadingResult, *, presenter: bool = False) -> Figure:
    """Draw CO2 against O2: the fuel's own line with lambda marks, and the reading with its 95 % ellipse.

    A CO2 that was not measured is drawn as a vertical band at the O2 that was: it says nothing of its own.

    Parameters
    ----------
    result : ReadingResult
    presenter : bool
        Whether it is drawn for a projector: no type under 18 pt where it fills a slide.

    Returns
    -------
    matplotlib Figure
        Its label (``figure.get_label()``) is the alt text.
    """
    figure, plot = sheet(presenter=presenter, size=(6.4, 5.0))
    draw_fuel_line(plot, result.fuel, _band(result))
    place = _reading_mark(plot, result)
    title(plot, _title(result))
    legend(figure, loc="outside lower center", ncols=2)  # a band of O2 goes through every place on the plane
    figure.set_label(f"CO2 against O2 with the line of {result.fuel.name} and lambda marks along it. {place}")
    return figure


def _title(result: ReadingResult) -> str:
    if result.stops:
        return "STOP condition: see the findings before anything else"
    if result.air_ratio_high is None and result.air_ratio is None:
        return "lambda (air ratio) cannot be told from this reading"
    return f"lambda (air ratio) {result.air_ratio_text}"


def place_in_words(o2: float, co2: float | None) -> str:
    """Return where a reading stands on the plane, in words: a band where its CO2 was not measured."""
    if co2 is None:
        return f"The reading is the band at O2 {o2:.1f} %; its CO2 was not measured."
    return f"The reading stands at O2 {o2:.1f} %, CO2 {co2:.1f} %."


def _band(result: ReadingResult) -> tuple[float, float]:
    """Return the O2 between which a reading without a measured CO2 lies [vol %]; no width where CO2 was measured."""
    o2, limit = result.dry_gas["o2_dry_pct"], result.instrument.o2_limit_pct
    pair = result.dry_gas["co2_dry_pct"] is not None and result.inputs.get("co2_origin") == "measured"
    return (0.0, 0.0) if o2 is None or pair else (o2 - limit, o2 + limit)


def _reading_mark(plot: Any, result: ReadingResult) -> str:
    """Draw a reading and return in words where it stands."""
    o2, co2 = result.dry_gas["o2_dry_pct"], result.dry_gas["co2_dry_pct"]
    instrument = result.instrument
    if o2 is not None and co2 is not None and result.inputs.get("co2_origin") == "measured":
        from matplotlib.patches import Ellipse

        width, height = 2 * instrument.o2_limit_pct, 2 * instrument.co2_limit_pct
        at = (o2, co2)
        plot.add_patch(Ellipse(at, width * ELLIPSE_95, height * ELLIPSE_95, fill=False, edgecolor=MARK, linewidth=1.4))
        plot.plot([o2], [co2], marker="o", color=MARK, linestyle="none", label="reading, 95 % ellipse")
        return place_in_words(o2, co2)
    if o2 is None:
        return "No O2 was entered."
    label = "O2 read, 95 %; CO2 not measured"
    plot.axvspan(*_band(result), color=MARK, alpha=0.18, linewidth=0, label=label)
    plot.axvline(o2, color=MARK, linewidth=1.2, linestyle="--")
    return place_in_words(o2, None)


def draw_shortcut_error(fuel: Fuel, *, o2_dry_pct: float | None = None, presenter: bool = False) -> Figure:
    """Draw lambda against O2 by the exact balance and by the shortcut 20.95/(20.95 - O2), and the shortcut's error.

    Parameters
    ----------
    fuel : Fuel
    o2_dry_pct : float, optional
        A reading to mark [vol %].
    presenter : bool
        Whether it is drawn for a projector: no type under 18 pt where it fills a slide.
    """
    oxygen = np.linspace(0.0, 16.0, 321)
    exact, short = air_ratio_from_o2(oxygen, fuel), air_ratio_shortcut(oxygen)
    figure, (top, low) = sheet(2, 1, presenter=presenter, size=(6.4, 5.2), sharex=True, height_ratios=(3, 1.4))
    top.plot(oxygen, exact, color=LINE, label=f"exact balance, {fuel.name}")
    top.plot(oxygen, short, color=MARK, linestyle="--", label="shortcut 20.95/(20.95 − O2)")
    top.set_ylabel("lambda (air ratio)")
    legend(top)
    low.plot(oxygen, 100.0 * (short / exact - 1.0), color=MARK, linestyle="--")
    low.set(xlabel="O2, dry (vol %)", ylabel="shortcut's\nerror (%)", xlim=(0, 16), ylim=(0, None))
    if o2_dry_pct is not None:
        value = float(air_ratio_from_o2(o2_dry_pct, fuel))
        marker_line(top, o2_dry_pct)
        marker_line(low, o2_dry_pct)
        # below the curve where there is room to the right, above it where there is none
        shift, side = ((6, -14), "left") if o2_dry_pct < HALF_O2 else ((-6, 12), "right")
        note(top, f"O2 {o2_dry_pct:g} %: lambda {value:.2f}", (o2_dry_pct, value), shift, ha=side)
    title(top, "The shortcut reads high, and more so the leaner the gas")
    figure.set_label("Lambda against O2, exact and by the shortcut; the shortcut reads up to several per cent high.")
    return figure
