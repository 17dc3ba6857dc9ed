"""Figures of the lessons on the heater: altitude, crushed duct and blower curve, stages, fuels, voltage."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from combust.application.heater.baseline import healthy_stage
from combust.application.lessons import machine as demo
from combust.application.lessons.gas import heater_gas
from combust.domain.catalogue import get_fuel
from combust.domain.limits import limit
from combust.domain.pump import density_at_pump, same_pulses
from combust.edge.figures.style import INK, LINE, MARK, THIRD, TONES, legend, marker_line, note, sheet, title
from combust.kernel.air import pressure_from_altitude
from combust.kernel.wiring import loop_resistance, source_voltage_for, voltage_under_load

if TYPE_CHECKING:
    from matplotlib.figure import Figure

FUEL, AIR_RATIO = get_fuel("diesel_b7"), demo.HIGH_AIR_RATIO  # of the healthy heater of every lesson
TEMPERATURES_C, TEMPERATURE_SHOWN_C = (-20.0, 0.0, 20.0), 0.0
FUELS_SHOWN = ("kerosene", "paraffinic", "biodiesel_b100")
AREAS_MM2 = (1.5, 2.5, 4.0)
# Invented demo values: battery at rest, its inside and the contacts; currents; heater's cut-out, vehicle's disconnect.
BATTERY_V, BATTERY_OHM, CONTACTS_MOHM = 12.2, 0.015, 20.0
GLOW_A, RUN_A = 10.0, 2.5
CUTOUT_V, DISCONNECT_V = 10.5, 11.5


def draw_altitude(altitude_m: float) -> Figure:
    """Draw lambda and the O2 to expect over altitude for three intake temperatures: density, cold fuel, hot gas.

    Parameters
    ----------
    altitude_m : float
        Of the marked point at 0 °C, 0 to 4500 [m].
    """

    healthy = healthy_stage(FUEL, air_ratio=AIR_RATIO, reference=demo.SEA_LEVEL)

    def expected(heights: Any, temp: float) -> tuple[Any, Any]:
        ratio = healthy.lambda_at(healthy.air_at(pressure_from_altitude(heights), temp)).air_ratio_full
        return ratio, np.where(ratio >= 1.0, heater_gas(FUEL, np.maximum(ratio, 1.0)).o2_dry_pct, np.nan)

    heights = np.linspace(0.0, 4500.0, 46)
    figure, (top, low) = sheet(2, 1, size=(6.4, 6.0), sharex=True)
    for (color, dash), temp in zip(TONES, TEMPERATURES_C, strict=False):
        for plot, curve in zip((top, low), expected(heights, temp), strict=True):
            plot.plot(heights, curve, color=color, linestyle=dash, label=f"intake air {temp:g} °C")
    soot = limit("air_ratio_soot")
    top.axhspan(0.8, soot, color=INK, alpha=0.08)
    note(top, f"below {soot:g}: watch-point of the trade (from memory)", (0, 0.82))
    here = expected(np.array([altitude_m]), TEMPERATURE_SHOWN_C)
    for plot, value in zip((top, low), here, strict=True):
        plot.plot([altitude_m], value, marker="o", color=INK)
        marker_line(plot, altitude_m)
    (ratio,), (o2,) = here
    result = f"lambda {ratio:.2f}" + (f", O2 to expect {o2:.1f} %" if ratio >= 1.0 else "")
    title(top, f"{altitude_m:.0f} m and {TEMPERATURE_SHOWN_C:g} °C: {result}. Cold buys altitude")
    top.set(ylabel="lambda (air ratio)", ylim=(0.8, None))
    low.set(xlabel="altitude (m)", ylabel="O2 to expect (vol %)", xlim=(0, 4500), ylim=(0, None))
    legend(top, loc="upper right")
    figure.set_label(
        f"Lambda and expected O2 fall with altitude, for three intake temperatures; colder air lies higher. "
        f"At {altitude_m:.0f} metres and {TEMPERATURE_SHOWN_C:g} degrees: {result}."
    )
    return figure


def draw_duct(crushed_bore_mm: float) -> Figure:
    """Draw a crushed exhaust on two blower curves, and lambda over the bore that is left.

    Parameters
    ----------
    crushed_bore_mm : float
        Bore left over 0.3 m of a duct of 24 mm [mm], 12 to 24.
    """
    figure, (left, right) = sheet(1, 2, size=(7.4, 3.9))
    shares, bores, flows = np.array([0.2, 0.3, 0.4]), np.linspace(12.0, demo.BORE_MM, 25), np.linspace(0.5, 1.25, 100)
    found = demo.crushed_exhaust(demo.BORE_MM, crushed_bore_mm=crushed_bore_mm, share=shares[1])
    swept = [demo.crushed_exhaust(demo.BORE_MM, crushed_bore_mm=float(bore), share=shares) for bore in bores]
    left.plot([100.0], [100.0], marker="s", color=INK)
    for name, steepness, dash, color in (("flat", 0.0, "-", LINE), ("steep", 2.0, "--", MARK)):
        look: dict[str, Any] = {"linestyle": dash, "color": color, "label": f"{name} blower curve"}
        air = getattr(found, f"air_{name}")
        left.plot(100 * flows, 100 * flows**-steepness, **look)
        left.plot([100 * air], [100 * air**-steepness], marker="o", color=INK)
        least, middle, most = (AIR_RATIO * np.array([getattr(one, f"air_{name}") for one in swept])).T
        right.plot(bores, middle, **look)
        right.fill_between(bores, most, least, color=color, alpha=0.15, linewidth=0)
    crushed = 1.0 - shares[1] + shares[1] * found.multiplier
    for resistance, dash, name in ((1.0, ":", "sound"), (crushed, "-.", "crushed")):
        left.plot(100 * flows, 100 * resistance * flows**2, dash, color=INK, label=f"ducts, {name}")
    left.set(xlabel="air (% of healthy)", ylabel="pressure (% of healthy)", ylim=(0, 330))
    band = f"{found.multiplier_low:.2f} to {found.multiplier_high:.2f}"
    title(left, f"Exhaust resistance × {found.multiplier:.2f} ({band})")
    legend(left, loc="upper right")
    right.axhspan(0.6, limit("air_ratio_soot"), color=INK, alpha=0.08)
    right.set(xlabel="bore left over 0.3 m (mm)", ylabel="lambda (air ratio)", ylim=(0.6, AIR_RATIO + 0.1))
    marker_line(right, crushed_bore_mm)
    flat, steep = AIR_RATIO * found.air_flat, AIR_RATIO * found.air_steep
    title(right, f"lambda {flat:.2f} (flat) or {steep:.2f} (steep)")
    legend(right, loc="lower right")
    figure.set_label(
        f"Left: blower curves and duct curves cross; crushing to {crushed_bore_mm:.0f} millimetres multiplies the "
        f"exhaust's resistance by {found.multiplier:.2f}. Right: lambda over the bore that is left, {flat:.2f} with a "
        f"flat and {steep:.2f} with a steep blower curve, when the exhaust has 30 per cent of the resistance; "
        "bands from 20 to 40."
    )
    return figure


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
    shown, rule = demo.stage_pattern(cause, size_pct), demo.STAGE_CAUSES[cause]
    for (name, other), mark in zip(demo.STAGE_CAUSES.items(), "os^DvP", strict=True):
        look = {"color": MARK, "linewidth": 2.2} if name == cause else {"color": INK, "alpha": 0.45, "linewidth": 1.0}
        pattern = demo.stage_pattern(name, size_pct)
        plot.plot(
            [0, 1], [gas.o2_dry_pct for gas in (pattern.low, pattern.high)], marker=mark, label=other.label, **look
        )
    healthy = [gas.o2_dry_pct for gas in (shown.healthy_low, shown.healthy_high)]
    plot.plot([0, 1], healthy, color=LINE, linestyle="--", label="healthy")
    plot.set(xlim=(-0.15, 1.15), ylabel="O2, dry (vol %)", ylim=(2, 18))
    plot.set_xticks([0, 1], ["low stage", "high stage"])
    result = f"O2 {shown.low.o2_dry_pct:.1f} % low, {shown.high.o2_dry_pct:.1f} % high"
    title(plot, f"{rule.label}, {size_pct:.0f} %: {result}")
    legend(plot, ncols=2, loc="upper right")
    figure.set_label(
        f"O2 at low and high stage, healthy and for six causes. Marked: {rule.label} of "
        f"{size_pct:.0f} per cent, {result}: {rule.sign}."
    )
    return figure


def draw_fuels(fuel_temp_c: float) -> Figure:
    """Draw lambda and heat of other fuels at the same pump pulses: arithmetic, not advice.

    Parameters
    ----------
    fuel_temp_c : float
        Of the fuel at the pump; the plate's fuel is at 15 °C at the baseline [°C], -40 to 40.
    """
    names = (FUEL.name, *FUELS_SHOWN)
    density = density_at_pump(FUEL, fuel_temp_c) / density_at_pump(FUEL)
    swaps = [same_pulses(FUEL, get_fuel(name), fuel_temp_c=fuel_temp_c) for name in names]
    ratios = [AIR_RATIO * float(one.air_ratio) / density for one in swaps]
    heats = [100.0 * float(one.heat) * density for one in swaps]
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


def draw_supply(length_m: float) -> Figure:
    """Draw the voltage at the heater over current for three cables, and the cut-outs referred to the battery.

    Parameters
    ----------
    length_m : float
        Cable, one way [m], 1 to 12.
    """
    currents = np.linspace(0.0, 14.0, 57)
    figure, (left, right) = sheet(1, 2, size=(7.4, 3.9))
    volts, acts = [], []
    for (color, dash), area in zip(TONES, AREAS_MM2, strict=False):
        loop = float(loop_resistance(length_m, area, contacts_mohm=CONTACTS_MOHM))
        curve = voltage_under_load(BATTERY_V, currents, loop + BATTERY_OHM)
        left.plot(currents, curve, color=color, linestyle=dash, label=f"{area:g} mm²")
        glow = float(voltage_under_load(BATTERY_V, GLOW_A, loop + BATTERY_OHM))
        left.plot([GLOW_A], [glow], marker="o", color=color, markersize=4)
        volts.append(f"{area:g} mm²: {glow:.2f} V")
        at_battery = float(source_voltage_for(CUTOUT_V, RUN_A, loop))
        acts.append(at_battery)
        right.plot([at_battery], [f"{area:g} mm²"], marker="s", color=color, linestyle="none")
        note(right, f"{at_battery:.2f} V", (at_battery, f"{area:g} mm²"), (0, 8), ha="center")
    left.axhline(CUTOUT_V, color=INK, linewidth=0.8, linestyle="--")
    note(left, f"heater's cut-out {CUTOUT_V:g} V", (0.2, CUTOUT_V), (0, -10))
    marker_line(left, GLOW_A, "glow")
    left.set(xlabel="current (A)", ylabel="voltage at the heater (V)", xlim=(0, 14), ylim=(9.0, BATTERY_V + 0.2))
    title(left, f"{length_m:g} m one way, {GLOW_A:g} A: {volts[0]}")
    legend(left, loc="lower left")
    right.axvline(DISCONNECT_V, color=MARK, linewidth=1.4)
    middle = ("data", "axes fraction")
    note(right, f"disconnect\n{DISCONNECT_V:g} V", (DISCONNECT_V, 0.5), (4, 0), xycoords=middle, color=MARK)
    right.set(xlabel="battery voltage at which it acts (V)", xlim=(10.2, 12.2), ylim=(-0.6, len(AREAS_MM2) - 0.2))
    right.set_ylabel("heater's cut-out,\nreferred to the battery")
    title(right, "Falling battery: what stands right acts first")
    order = "the disconnect acts first" if max(acts) < DISCONNECT_V else "with the thinnest cable the heater acts first"
    figure.set_label(
        f"Voltage at the heater over current for three cables of {length_m:g} metres: {'; '.join(volts)} at {GLOW_A:g} "
        f"ampere. Beside it the heater's cut-out referred to the battery, and the disconnect at "
        f"{DISCONNECT_V:g} volt: {order}."
    )
    return figure
