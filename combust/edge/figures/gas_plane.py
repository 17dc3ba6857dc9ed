"""Figures of one reading in the project's own quiet style: readable in grey, told apart by shape, alt text included."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from combust.application.reading.result import ReadingResult
from combust.domain.fuel import Fuel
from combust.edge.figures.style import INK, LINE, MARK, STYLE
from combust.kernel.air_ratio import air_ratio_from_o2, air_ratio_shortcut
from combust.kernel.constants import DRY_AIR
from combust.kernel.flue_gas import flue_gas_moles

if TYPE_CHECKING:
    from matplotlib.figure import Figure

LAMBDA_MARKS = (1.0, 1.2, 1.4, 1.6, 1.8, 2.0, 2.5, 3.0, 4.0, 6.0)


def gas_line(fuel: Fuel, air_ratio: Any) -> tuple[Any, Any]:
    """Return (O2, CO2) of the dry gas along a fuel's own line [vol %]."""
    gas = flue_gas_moles(fuel, np.asarray(air_ratio, dtype=float))
    return gas.o2_dry_pct, gas.co2_dry_pct


def draw_plane(result: ReadingResult) -> Figure:
    """Draw CO2 against O2: the fuel's own line with lambda marks, and the reading with its 95 % ellipse.

    A CO2 that was not measured is drawn as a vertical band at the O2 that was: it says nothing of its own.

    Parameters
    ----------
    result : ReadingResult

    Returns
    -------
    matplotlib Figure
        Its label (``figure.get_label()``) is the alt text.
    """
    import matplotlib as mpl
    from matplotlib.figure import Figure

    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(6.4, 4.8), layout="constrained")
        plot = figure.add_subplot()
        _fuel_line(plot, result.fuel)
        told = _reading_mark(plot, result)
        plot.set(xlabel="O2, dry (vol %)", ylabel="CO2, dry (vol %)", xlim=(0, 21.5))
        plot.set_ylim(0, result.fuel.co2_maximum_pct * 1.12)
        plot.set_title(_title(result), loc="left", fontsize=9)
        plot.legend(frameon=False, loc="upper right")
    figure.set_label(f"CO2 against O2 with the line of {result.fuel.name} and lambda marks along it. {told}")
    return figure


def _title(result: ReadingResult) -> str:
    if result.stops:
        return "STOP condition: see the findings before anything else"
    if result.air_ratio is None or result.air_ratio_u is None:
        return "lambda (air ratio) cannot be told from this reading"
    return f"lambda (air ratio) {result.air_ratio:.2f} ± {2 * result.air_ratio_u:.2f} (95 %)"


def _fuel_line(plot: Any, fuel: Fuel) -> None:
    o2, co2 = gas_line(fuel, np.linspace(1.0, 60.0, 2000))
    plot.plot(o2, co2, color=LINE, linewidth=1.6, label=f"lambda along the line of {fuel.name}, {fuel.formula}")
    marks_o2, marks_co2 = gas_line(fuel, LAMBDA_MARKS)
    plot.plot(marks_o2, marks_co2, linestyle="none", marker="|", markersize=9, color=LINE)
    for ratio, x, y in zip(LAMBDA_MARKS, marks_o2, marks_co2, strict=True):
        plot.annotate(f"{ratio:g}", (x, y), xytext=(5, 4), textcoords="offset points", ha="left", color=LINE)
    plot.plot([100 * DRY_AIR.o2], [100 * DRY_AIR.co2], marker="s", color=INK, markersize=5, clip_on=False)
    plot.annotate("fresh air", (100 * DRY_AIR.o2, 0.1), xytext=(-34, 3), textcoords="offset points", ha="right")


def _reading_mark(plot: Any, result: ReadingResult) -> str:
    o2, co2 = result.dry_gas["o2_dry_pct"], result.dry_gas["co2_dry_pct"]
    instrument = result.instrument
    if o2 is not None and co2 is not None and result.inputs.get("co2_origin") == "measured":
        from matplotlib.patches import Ellipse

        width, height = 2 * instrument.o2_limit_pct, 2 * instrument.co2_limit_pct
        scale = math.sqrt(5.991) / 2.0  # 95 % of a two-dimensional normal: chi-squared, two degrees of freedom
        ellipse = Ellipse((o2, co2), width * scale, height * scale, fill=False, edgecolor=MARK, linewidth=1.4)
        plot.add_patch(ellipse)
        plot.plot([o2], [co2], marker="o", color=MARK, linestyle="none", label="reading, 95 % ellipse")
        return f"The reading stands at O2 {o2:.1f} %, CO2 {co2:.1f} %."
    if o2 is None:
        return "No O2 was entered."
    limit = instrument.o2_limit_pct
    plot.axvspan(o2 - limit, o2 + limit, color=MARK, alpha=0.18, label="O2 read, 95 %; CO2 not measured")
    plot.axvline(o2, color=MARK, linewidth=1.2, linestyle="--")
    return f"The reading is the band at O2 {o2:.1f} %; its CO2 was not measured."


def draw_shortcut_error(fuel: Fuel, *, o2_dry_pct: float | None = None) -> Figure:
    """Draw lambda against O2 by the exact balance and by the shortcut 20.95/(20.95 - O2), and the shortcut's error.

    Parameters
    ----------
    fuel : Fuel
    o2_dry_pct : float, optional
        A reading to mark [vol %].
    """
    import matplotlib as mpl
    from matplotlib.figure import Figure

    oxygen = np.linspace(0.0, 16.0, 321)
    exact, short = air_ratio_from_o2(oxygen, fuel), air_ratio_shortcut(oxygen)
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(6.4, 5.2), layout="constrained")
        top, low = figure.subplots(2, 1, sharex=True, height_ratios=(3, 1.4))
        top.plot(oxygen, exact, color=LINE, label=f"exact balance, {fuel.name}")
        top.plot(oxygen, short, color=MARK, linestyle="--", label="shortcut 20.95/(20.95 − O2)")
        top.set_ylabel("lambda (air ratio)")
        top.legend(frameon=False)
        low.plot(oxygen, 100.0 * (short / exact - 1.0), color=MARK, linestyle="--")
        low.set(xlabel="O2, dry (vol %)", ylabel="shortcut's\nerror (%)", xlim=(0, 16), ylim=(0, None))
        if o2_dry_pct is not None:
            for part in (top, low):
                part.axvline(o2_dry_pct, color=INK, linewidth=0.8)
            value = float(air_ratio_from_o2(o2_dry_pct, fuel))
            top.annotate(f"O2 {o2_dry_pct:g} %: lambda {value:.2f}", (o2_dry_pct, value), xytext=(6, -14),
                         textcoords="offset points")  # fmt: skip
        top.set_title("The shortcut reads high, and more so the leaner the gas", loc="left", fontsize=9)
    figure.set_label("Lambda against O2, exact and by the shortcut; the shortcut reads up to several per cent high.")
    return figure
