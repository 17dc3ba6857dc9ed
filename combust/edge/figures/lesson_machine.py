"""Figures of the lessons on the heater: altitude, crushed duct and blower curve, stages, fuels, voltage."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from combust.application.lessons import machine as demo
from combust.application.lessons.gas import heater_gas
from combust.domain.catalogue import get_fuel
from combust.domain.limits import limit
from combust.domain.pump import density_at_pump, same_pulses
from combust.domain.site import Site
from combust.edge.figures.style import INK, LINE, MARK, THIRD, TONES, legend, marker_line, note, sheet, title
from combust.kernel.wiring import loop_resistance, source_voltage_for, voltage_under_load

if TYPE_CHECKING:
    from matplotlib.figure import Figure

TEMPERATURES_C = (-20.0, 0.0, 20.0)
AREAS_MM2 = (1.5, 2.5, 4.0)
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
        sites = [Site(float(height), intake_temp_c=temp) for height in heights]
        curve = np.array([demo.air_ratio_at_site(base_air_ratio, base, site) for site in sites])
        top.plot(heights, curve, color=color, linestyle=dash, label=f"intake air {temp:+.0f} °C")
        lean = curve >= 1.0
        low.plot(heights[lean], heater_gas("diesel_b7", curve[lean]).o2_dry_pct, color=color, linestyle=dash)
    soot = limit("air_ratio_soot")
    top.axhspan(0.8, soot, color=INK, alpha=0.08)
    note(top, f"below {soot:g}: watch-point of the trade (from memory)", (0, 0.82))
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
    left.plot([100.0], [100.0], marker="s", color=INK)
    for steepness, air, dash, color, name in (
        (0.0, found.air_flat, "-", LINE, "flat"),
        (2.0, found.air_steep, "--", MARK, "steep"),
    ):
        left.plot(100 * flows, 100 * flows**-steepness, dash, color=color, label=f"{name} blower curve")
        left.plot([100 * air], [100 * air**-steepness], marker="o", color=INK)
    crushed = 1.0 - share + share * found.multiplier
    for resistance, dash, name in ((1.0, ":", "sound"), (crushed, "-.", "crushed")):
        left.plot(100 * flows, 100 * resistance * flows**2, dash, color=INK, label=f"ducts, {name}")
    left.set(xlabel="air (% of healthy)", ylabel="pressure (% of healthy)", ylim=(0, 330))
    band = f"{found.multiplier_low:.2f} to {found.multiplier_high:.2f}"
    title(left, f"Exhaust resistance × {found.multiplier:.2f} ({band})")
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
    burnt = get_fuel(plate)
    own = density_at_pump(burnt, fuel_temp_c) / density_at_pump(burnt)
    swaps = [same_pulses(burnt, get_fuel(name), fuel_temp_c=fuel_temp_c) for name in names]
    ratios = [base_air_ratio * float(one.air_ratio) / own for one in swaps]
    heats = [100.0 * float(one.heat) * own for one in swaps]
    figure, (left, right) = sheet(1, 2, size=(7.2, 3.6), sharey=True)
    rows = np.arange(len(names))
    for plot, values, form in ((left, ratios, "%.2f"), (right, heats, "%.0f %%")):
        bars = plot.barh(rows, values, color=[LINE] + [THIRD] * len(FUELS_SHOWN), height=0.55)
        plot.bar_label(bars, fmt=form, padding=3, fontsize=8)
    left.set_yticks(rows, names)
    left.invert_yaxis()
    left.set(xlabel="lambda (air ratio)", xlim=(0, 2.2))
    right.set(xlabel="heat (% of the plate's fuel at 15 °C)", xlim=(0, 125))
    title(left, f"Same pulses, same air, fuel at {fuel_temp_c:+.0f} °C")
    title(right, "Burn only the fuel on the plate")
    listed = "; ".join(f"{n}: lambda {r:.2f}, heat {h:.0f} %" for n, r, h in zip(names, ratios, heats, strict=True))
    figure.set_label(f"Bars of lambda and heat at the same pump pulses, fuel at {fuel_temp_c:+.0f} degrees. {listed}.")
    return figure


def draw_supply(
    length_m: float,
    *,
    battery_v: float = 12.2,
    battery_mohm: float = 15.0,
    contacts_mohm: float = 20.0,
    glow_a: float = 10.0,
    run_a: float = 2.5,
    cutout_v: float = 10.5,
    disconnect_v: float = 11.5,
) -> Figure:
    """Draw the voltage at the heater over current for three cables, and the cut-outs referred to the battery.

    Parameters
    ----------
    length_m : float
        Cable, one way [m], 1 to 12.
    battery_v, battery_mohm, contacts_mohm : float
        Battery at rest [V], inner resistance and contacts [mohm].
    glow_a, run_a : float
        Current while glowing and while running [A].
    cutout_v, disconnect_v : float
        Heater's cut-out at the heater; vehicle's disconnect at the battery [V]. Invented demo values.
    """
    currents = np.linspace(0.0, 14.0, 57)
    figure, (left, right) = sheet(1, 2, size=(7.4, 3.9))
    told, acts = [], []
    for (color, dash), area in zip(TONES, AREAS_MM2, strict=False):
        loop = float(loop_resistance(length_m, area, contacts_mohm=contacts_mohm))
        curve = voltage_under_load(battery_v, currents, loop + battery_mohm * 1e-3)
        left.plot(currents, curve, color=color, linestyle=dash, label=f"{area:g} mm²")
        glow = float(voltage_under_load(battery_v, glow_a, loop + battery_mohm * 1e-3))
        left.plot([glow_a], [glow], marker="o", color=color, markersize=4)
        told.append(f"{area:g} mm²: {glow:.2f} V")
        at_battery = float(source_voltage_for(cutout_v, run_a, loop))
        acts.append(at_battery)
        right.plot([at_battery], [f"{area:g} mm²"], marker="s", color=color, linestyle="none")
        note(right, f"{at_battery:.2f} V", (at_battery, f"{area:g} mm²"), (0, 8), ha="center")
    left.axhline(cutout_v, color=INK, linewidth=0.8, linestyle="--")
    note(left, f"heater's cut-out {cutout_v:g} V", (0.2, cutout_v), (0, -10))
    marker_line(left, glow_a, "glow")
    left.set(xlabel="current (A)", ylabel="voltage at the heater (V)", xlim=(0, 14), ylim=(9.0, battery_v + 0.2))
    title(left, f"{length_m:g} m one way, {glow_a:g} A: {told[0]}")
    legend(left, loc="lower left")
    right.axvline(disconnect_v, color=MARK, linewidth=1.4)
    middle = ("data", "axes fraction")
    note(right, f"disconnect\n{disconnect_v:g} V", (disconnect_v, 0.5), (4, 0), xycoords=middle, color=MARK)
    right.set(xlabel="battery voltage at which it acts (V)", xlim=(10.2, 12.2), ylim=(-0.6, len(AREAS_MM2) - 0.2))
    right.set_ylabel("heater's cut-out,\nreferred to the battery")
    title(right, "Falling battery: what stands right acts first")
    order = "the disconnect acts first" if max(acts) < disconnect_v else "with the thinnest cable the heater acts first"
    figure.set_label(
        f"Voltage at the heater over current for three cables of {length_m:g} metres: {'; '.join(told)} at {glow_a:g} "
        f"ampere. Beside it the heater's cut-out referred to the battery, and the disconnect at "
        f"{disconnect_v:g} volt: {order}."
    )
    return figure
