"""Figure of a trim: what a change of the fuel does to lambda at every heat stage, against the profile's bands."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np

from combust.domain.heater import Heater
from combust.edge.figures.style import LINE, MARK, THIRD, legend, marker_line, note, sheet, title

if TYPE_CHECKING:
    from matplotlib.figure import Figure

LOOKS = ((LINE, "-", "o"), (MARK, "--", "s"), (THIRD, ":", "^"))
SPAN_PCT, CROWDED_PCT = 30.0, 22.0


def draw_trim(
    heater: Heater,
    air_ratios: Mapping[str, float],
    *,
    fuel_trim_pct: float,
    air_ratio_u: float = 0.0,
    presenter: bool = False,
) -> Figure:
    """Draw lambda of each stage against the change of the fuel, at the same air, with the band of each stage.

    The air is taken as it is: lambda goes as 1 / (1 + trim). Nothing here says that a trim is the answer.

    Parameters
    ----------
    heater : Heater
        Its stages hold the bands (``air_ratio_band``).
    air_ratios : mapping
        Stage -> lambda as read [-].
    fuel_trim_pct : float
        Where the marks stand [%].
    air_ratio_u : float
        Standard uncertainty of lambda [-]; the bars are twice as long on either side.
    presenter : bool
        Whether it is drawn for a projector: no type under 18 pt where it fills a slide.

    Returns
    -------
    matplotlib Figure
        Its label (``figure.get_label()``) is the alt text.

    Examples
    --------
    >>> heater = Heater.from_dict({"fuel": "diesel_b7", "stages": {"high": {"air_ratio_band": [1.35, 1.8]}}})
    >>> draw_trim(heater, {"high": 1.37}, fuel_trim_pct=-13.0).get_label()
    'Lambda against a change of the fuel. At -13 %: high 1.57, inside its band 1.35 to 1.80.'
    """
    trims = np.linspace(-SPAN_PCT, SPAN_PCT, 121)
    places, told = [], []
    figure, plot = sheet(presenter=presenter, size=(6.4, 4.0))
    for (stage, ratio), (tone, dash, mark) in zip(air_ratios.items(), LOOKS, strict=False):
        after = ratio / (1.0 + fuel_trim_pct / 100.0)
        plot.plot(trims, ratio / (1.0 + trims / 100.0), dash, color=tone, label=f"{stage} stage")
        u = 2.0 * air_ratio_u * after / ratio
        plot.errorbar([fuel_trim_pct], [after], yerr=[u], fmt=mark, color=tone, capsize=4)
        side = {"ha": "right"} if fuel_trim_pct > CROWDED_PCT else {}
        note(plot, f"{after:.2f}", (fuel_trim_pct, after), (-7, -14) if side else (7, 4), color=tone, **side)
        band = heater.stage_of(stage).air_ratio_band
        place = f"{stage} {after:.2f}"
        told.append(place)
        if band is not None:
            plot.axhspan(*band, color=tone, alpha=0.12, lw=0)
            note(plot, f"band of {stage}", (SPAN_PCT, band[1]), (0, -2), ha="right", va="top")
            where = "inside" if band[0] <= after <= band[1] else "OUTSIDE"
            place += f", {where} its band {band[0]:.2f} to {band[1]:.2f}"
            told[-1] += f", {where} its band"
        places.append(place)
    plot.margins(y=0.1)
    marker_line(plot, 0.0)
    plot.set(xlim=(-SPAN_PCT, SPAN_PCT), xlabel="change of the fuel (%)", ylabel="lambda (air ratio)")
    title(plot, f"{fuel_trim_pct:+.0f} % of fuel: " + "; ".join(told))
    legend(figure, loc="outside lower center", ncols=3)
    figure.set_label(f"Lambda against a change of the fuel. At {fuel_trim_pct:+.0f} %: {'; '.join(places)}.")
    return figure
