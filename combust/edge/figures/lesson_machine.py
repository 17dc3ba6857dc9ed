"""Figures of the lessons on the heater: altitude, crushed duct and blower curve, stages, fuels."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from combust.application.lessons import machine as demo
from combust.application.lessons.gas import heater_gas
from combust.domain.limits import limit
from combust.domain.site import Site
from combust.edge.figures.style import INK, LINE, MARK, THIRD, TONES, legend, marker_line, sheet, title

if TYPE_CHECKING:
    from matplotlib.figure import Figure

TEMPERATURES_C = (-20.0, 0.0, 20.0)
FUELS_SHOWN = ("kerosene", "paraffinic", "biodiesel_b100")


def draw_altitude(altitude_m: float, *, base_air_ratio: float = 1.6, intake_temp_c: float = 0.0) -> Figure:
    """Draw lambda and the O2 to expect over altitude for three intake temperatures, by dry-air density alone.

    Parameters
    ----------
    altitude_m : float
        Mark, 0 to 4500 [m].
    base_air_ratio : float
        At sea level and 20 °C [-].
    intake_temp_c : float
        Of the marked point [°C].
    """
    base, heights = Site(0.0, intake_temp_c=20.0), np.linspace(0.0, 4500.0, 46)
    figure, (top, low) = sheet(2, 1, size=(6.4, 6.0), sharex=True)
    for (color, dash), temp in zip(TONES, TEMPERATURES_C, strict=False):
        curve = np.array([
            demo.air_ratio_at_site(base_air_ratio, base, Site(float(z), intake_temp_c=temp)) for z in heights
        ])  # fmt: skip
        top.plot(heights, curve, color=color, linestyle=dash, label=f"intake air {temp:+.0f} °C")
        lean = curve >= 1.0
        low.plot(heights[lean], heater_gas("diesel_b7", curve[lean]).o2_dry_pct, color=color, linestyle=dash)
    soot = limit("air_ratio_soot")
    top.axhspan(0.8, soot, color=INK, alpha=0.08)
    top.annotate(f"below {soot:g}: watch-point of the trade (from memory)", (60, 0.82), fontsize=8)
    here = demo.air_ratio_at_site(base_air_ratio, base, Site(altitude_m, intake_temp_c=intake_temp_c))
    told = f"lambda {here:.2f}"
    top.plot([altitude_m], [here], marker="o", color=INK)
    if here >= 1.0:
        o2 = float(heater_gas("diesel_b7", here).o2_dry_pct)
        low.plot([altitude_m], [o2], marker="o", color=INK)
        told += f", O2 to expect {o2:.1f} %"
    for plot in (top, low):
        marker_line(plot, altitude_m)
    title(top, f"{altitude_m:.0f} m and {intake_temp_c:g} °C: {told}. Cold buys altitude")
    top.set(ylabel="lambda (air ratio)", ylim=(0.8, None))
    low.set(xlabel="altitude (m)", ylabel="O2 to expect (vol %)", xlim=(0, 4500), ylim=(0, None))
    legend(top, loc="upper right")
    figure.set_label(
        f"Lambda and expected O2 fall with altitude, for three intake temperatures; colder air lies higher. "
        f"At {altitude_m:.0f} metres and {intake_temp_c:g} degrees: {told}."
    )
    return figure


def draw_duct(crushed_bore_mm: float, *, bore_mm: float = 24.0, base_air_ratio: float = 1.6) -> Figure:
    """Draw a crushed exhaust on two blower curves, and lambda over the bore that is left.

    Parameters
    ----------
    crushed_bore_mm : float
        Bore left over 0.3 m [mm], 12 to 24.
    bore_mm, base_air_ratio : float
        Sound bore [mm]; healthy lambda [-].
    """
    figure, (left, right) = sheet(1, 2, size=(7.4, 3.9))
    found = demo.crushed_exhaust(bore_mm, crushed_bore_mm=crushed_bore_mm)
    share = 0.3
    flows = np.linspace(0.5, 1.25, 100)
    for steepness, color, dash, name in (
        (0.0, LINE, "-", "flat blower curve"),
        (2.0, MARK, "--", "steep blower curve"),
    ):
        left.plot(100 * flows, 100 * flows**-steepness, color=color, linestyle=dash, label=name)
    resistance = 1.0 - share + share * found.multiplier
    left.plot(100 * flows, 100 * flows**2, color=INK, linestyle=":", label="ducts, sound")
    left.plot(100 * flows, 100 * resistance * flows**2, color=INK, linestyle="-.", label="ducts, crushed")
    left.plot([100.0], [100.0], marker="s", color=INK)
    for air, steepness in ((found.air_flat, 0.0), (found.air_steep, 2.0)):
        left.plot([100 * air], [100 * air**-steepness], marker="o", color=INK)
    left.set(xlabel="air (% of healthy)", ylabel="pressure (% of healthy)", ylim=(0, 330))
    title(
        left, f"Exhaust resistance × {found.multiplier:.2f} ({found.multiplier_low:.2f} to {found.multiplier_high:.2f})"
    )
    legend(left, loc="upper right")
    _duct_lambda(right, bore_mm, base_air_ratio)
    marker_line(right, crushed_bore_mm)
    flat, steep = base_air_ratio * found.air_flat, base_air_ratio * found.air_steep
    title(right, f"lambda {flat:.2f} (flat) or {steep:.2f} (steep)")
    figure.set_label(
        f"Left: blower curves and duct curves cross; crushing to {crushed_bore_mm:.0f} millimetres multiplies the "
        f"exhaust's resistance by {found.multiplier:.2f}. Right: lambda over the bore that is left, {flat:.2f} with a "
        f"flat and {steep:.2f} with a steep blower curve, when the exhaust has 30 per cent of the resistance; "
        "bands from 20 to 40."
    )
    return figure


def _duct_lambda(plot: Any, bore_mm: float, base_air_ratio: float) -> None:
    bores = np.linspace(12.0, bore_mm, 25)
    shares = np.array([0.2, 0.3, 0.4])
    rows = [demo.crushed_exhaust(bore_mm, crushed_bore_mm=float(bore), share=shares) for bore in bores]
    for name, color, dash in (("air_flat", LINE, "-"), ("air_steep", MARK, "--")):
        least, middle, most = (base_air_ratio * np.array([getattr(one, name) for one in rows])).T
        plot.plot(bores, middle, color=color, linestyle=dash, label=name.replace("air_", "") + " blower curve")
        plot.fill_between(bores, most, least, color=color, alpha=0.15, linewidth=0)
    plot.axhspan(0.6, limit("air_ratio_soot"), color=INK, alpha=0.08)
    plot.set(xlabel="bore left over 0.3 m (mm)", ylabel="lambda (air ratio)", ylim=(0.6, base_air_ratio + 0.1))
    legend(plot, loc="lower right")


def draw_stages(size_pct: float, *, cause: str = "restriction") -> Figure:
    """Draw the O2 of both stages for every cause of the lesson at one size, one of them marked.

    Parameters
    ----------
    size_pct : float
        0 to 30 [%].
    cause : str
        The marked one.
    """
    figure, plot = sheet(size=(6.8, 4.6))
    marks = ("o", "s", "^", "D", "v", "P")
    for (name, rule), mark in zip(demo.STAGE_CAUSES.items(), marks, strict=True):
        pattern = demo.stage_pattern(name, size_pct)
        chosen = name == cause
        plot.plot(
            [0, 1], [pattern.low.o2_dry_pct, pattern.high.o2_dry_pct], marker=mark, label=rule.label,
            color=MARK if chosen else INK, alpha=1.0 if chosen else 0.45, linewidth=2.2 if chosen else 1.0,
        )  # fmt: skip
    healthy = demo.stage_pattern(cause, 0.0)
    plot.plot([0, 1], [healthy.low.o2_dry_pct, healthy.high.o2_dry_pct], color=LINE, linestyle="--", label="healthy")
    plot.set(xlim=(-0.15, 1.15), ylabel="O2, dry (vol %)", ylim=(2, 18))
    plot.set_xticks([0, 1], ["low stage", "high stage"])
    shown = demo.stage_pattern(cause, size_pct)
    told = f"O2 {shown.low.o2_dry_pct:.1f} % low, {shown.high.o2_dry_pct:.1f} % high"
    title(plot, f"{demo.STAGE_CAUSES[cause].label}, {size_pct:.0f} %: {told}")
    legend(plot, ncols=2, loc="upper right")
    figure.set_label(
        f"O2 at low and high stage, healthy and for six causes. Marked: {demo.STAGE_CAUSES[cause].label} of "
        f"{size_pct:.0f} per cent, {told}: {demo.STAGE_CAUSES[cause].sign}."
    )
    return figure


def draw_fuels(fuel_temp_c: float, *, plate: str = "diesel_b7", base_air_ratio: float = 1.6) -> Figure:
    """Draw lambda and heat of other fuels at the same pump pulses: arithmetic, not advice.

    Parameters
    ----------
    fuel_temp_c : float
        Of the fuel at the pump; the plate's fuel is at 15 °C at the baseline [°C], -40 to 40.
    plate, base_air_ratio
        Fuel on the plate; its healthy lambda [-].
    """
    names = (plate, *FUELS_SHOWN)
    own = _cold(plate, fuel_temp_c)
    swaps = [demo.other_fuel(plate, name, fuel_temp_c=fuel_temp_c) for name in names]
    ratios = [base_air_ratio * float(one.air_ratio) / own for one in swaps]
    heats = [100.0 * float(one.heat) * own for one in swaps]
    figure, (left, right) = sheet(1, 2, size=(7.2, 3.6), sharey=True)
    rows = np.arange(len(names))
    left.barh(rows, ratios, color=[LINE] + [THIRD] * len(FUELS_SHOWN), height=0.55)
    right.barh(rows, heats, color=[LINE] + [THIRD] * len(FUELS_SHOWN), height=0.55)
    for row, (ratio, heat) in enumerate(zip(ratios, heats, strict=True)):
        left.annotate(f"{ratio:.2f}", (ratio, row), xytext=(3, 0), textcoords="offset points", va="center", fontsize=8)
        right.annotate(f"{heat:.0f} %", (heat, row), xytext=(3, 0), textcoords="offset points", va="center", fontsize=8)
    left.set_yticks(rows, names)
    left.invert_yaxis()
    left.set(xlabel="lambda (air ratio)", xlim=(0, 2.2))
    right.set(xlabel="heat (% of the plate's fuel at 15 °C)", xlim=(0, 125))
    title(left, f"Same pulses, same air, fuel at {fuel_temp_c:+.0f} °C")
    title(right, "Burn only the fuel on the plate")
    listed = "; ".join(f"{n}: lambda {r:.2f}, heat {h:.0f} %" for n, r, h in zip(names, ratios, heats, strict=True))
    figure.set_label(f"Bars of lambda and heat at the same pump pulses, fuel at {fuel_temp_c:+.0f} degrees. {listed}.")
    return figure


def _cold(plate: str, fuel_temp_c: float) -> float:
    """Return the density of the plate's fuel at a temperature over that at 15 °C."""
    from combust.domain.catalogue import get_fuel
    from combust.kernel.fuel_delivery import fuel_density

    burnt = get_fuel(plate)
    at_15 = burnt.density_kg_per_m3 or 1.0
    return float(fuel_density(at_15, burnt.expansion_per_k or 0.0, fuel_temp_c)) / at_15
