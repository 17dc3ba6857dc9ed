"""Figures of the lessons on the heater: altitude, crushed duct, stages, fuels, start, voltage. One figure a lesson."""

from __future__ import annotations

from typing import Any

import numpy as np

from combust.application.heater.baseline import healthy_stage
from combust.application.lessons import machine as demo
from combust.application.lessons.demonstrations import CUTOUT_V, DISCONNECT_V, RUN_A
from combust.application.lessons.gas import heater_gas
from combust.application.visit.start import StartTimeline
from combust.domain.catalogue import get_fuel
from combust.domain.limits import limit
from combust.domain.pump import density_at_pump, same_pulses
from combust.edge.figures.chart import AREA, Axis, Chart
from combust.edge.figures.lesson_gas import DASH, DOT
from combust.edge.figures.style import FOURTH, INK, LINE, MARK, THIRD
from combust.kernel.air import pressure_from_altitude
from combust.kernel.wiring import loop_resistance, source_voltage_for, voltage_under_load

FUEL, AIR_RATIO = get_fuel("diesel_b7"), demo.HIGH_AIR_RATIO  # of the healthy heater of every lesson
TEMPERATURES_C, TEMPERATURE_SHOWN_C = (-20.0, 0.0, 20.0), 0.0
FUELS_SHOWN = ("kerosene", "paraffinic", "biodiesel_b100")
AREAS_MM2 = (1.5, 2.5, 4.0)
STAGES_PCT, HEALTHY = 15.0, "#bbbbbb"  # of each cause of the two stages; the tone of the healthy heater
# Invented demo values: battery at rest, its inside and the contacts; current of the glow element.
BATTERY_V, BATTERY_OHM, CONTACTS_MOHM = 12.2, 0.015, 20.0
GLOW_A = 10.0
LOOKS = ((LINE, ""), (MARK, DASH), (THIRD, "10 3 2 3"), (FOURTH, DOT), (INK, "3 3"), ("#8A5A00", "12 4"))
LAMBDA_TICKS = (0.8, 1.0, 1.2, 1.4, 1.6, 1.8)


def draw_altitude(altitude_m: float) -> Chart:
    """Draw lambda over altitude for three intake temperatures: density, cold fuel, hot gas; O2 to expect is told.

    Parameters
    ----------
    altitude_m : float
        Of the marked point at 0 °C, 0 to 4500 [m].
    """
    healthy = healthy_stage(FUEL, air_ratio=AIR_RATIO, reference=demo.SEA_LEVEL)

    def expected(heights: Any, temp: float) -> Any:
        return healthy.lambda_at(healthy.air_at(pressure_from_altitude(heights), temp)).air_ratio_full

    ratio = float(expected(np.array([altitude_m]), TEMPERATURE_SHOWN_C)[0])
    o2 = (
        f", O2 to expect {float(heater_gas(FUEL, ratio).o2_dry_pct):.1f} %"
        if ratio >= 1.0
        else ", too little air to burn"
    )
    result = f"{altitude_m:.0f} m and {TEMPERATURE_SHOWN_C:g} °C: lambda {ratio:.2f}{o2}"
    soot, heights = limit("air_ratio_soot"), np.linspace(0.0, 4500.0, 46)
    legend = [(f"air {temp:.0f} °C", *look) for temp, look in zip(TEMPERATURES_C, LOOKS, strict=False)]
    chart = Chart(
        f"{result}. Cold buys altitude",
        f"Lambda falls with altitude; colder air lies higher. {result}. Below {soot:g} lies the watch-point for soot "
        "(from memory).",
        Axis("altitude (m)", 0.0, 4500.0, (0.0, 1000.0, 2000.0, 3000.0, 4000.0)),
        Axis("lambda (air ratio)", 0.8, 1.9, LAMBDA_TICKS),
        tuple(legend),
        columns=3,
    )
    chart.area([0.0, 4500.0], [0.8, 0.8], [soot, soot])
    chart.word(60.0, 0.83, f"below {soot:g}: soot watch-point")
    for temp, (color, dash) in zip(TEMPERATURES_C, LOOKS, strict=False):
        chart.line(heights, expected(heights, temp), color, dash)
    chart.upright(altitude_m)
    chart.mark(altitude_m, ratio, f"{ratio:.2f}")
    return chart


def draw_duct(crushed_bore_mm: float) -> Chart:
    """Draw lambda over the bore that a dent leaves, on a flat and on a steep blower curve, for a range of shares.

    Parameters
    ----------
    crushed_bore_mm : float
        Bore left over 0.3 m of a duct of 24 mm [mm], 12 to 24.
    """
    shares, bores = np.array([0.2, 0.3, 0.4]), np.linspace(12.0, demo.BORE_MM, 25)
    found = demo.crushed_exhaust(demo.BORE_MM, crushed_bore_mm=crushed_bore_mm, share=shares[1])
    swept = [demo.crushed_exhaust(demo.BORE_MM, crushed_bore_mm=float(bore), share=shares) for bore in bores]
    flat, steep = AIR_RATIO * float(found.air_flat), AIR_RATIO * float(found.air_steep)
    chart = Chart(
        f"{crushed_bore_mm:g} mm left: lambda {flat:.2f} on a flat blower curve, {steep:.2f} on a steep one",
        f"Crushing to {crushed_bore_mm:.0f} millimetres multiplies the exhaust's resistance by {found.multiplier:.2f} "
        f"(95 %: {found.multiplier_low:.2f} to {found.multiplier_high:.2f}). Lambda {flat:.2f} with a flat and "
        f"{steep:.2f} with a steep blower curve, when the exhaust has 30 per cent of the resistance; bands from 20 "
        "to 40 per cent.",
        Axis("bore left over 0.3 m (mm)", 12.0, demo.BORE_MM, (12.0, 15.0, 18.0, 21.0, 24.0)),
        Axis("lambda (air ratio)", 0.6, 1.8, (0.6, 0.8, 1.0, 1.2, 1.4, 1.6, 1.8)),
        (
            ("flat blower curve", LINE, ""),
            ("steep", MARK, DASH),
            ("bands: exhaust 20 to 40 % of the resistance", LINE, AREA),
        ),
    )
    for name, (color, dash), shown, low in (("flat", LOOKS[0], flat, True), ("steep", LOOKS[1], steep, False)):
        least, middle, most = (AIR_RATIO * np.array([getattr(one, f"air_{name}") for one in swept])).T
        chart.area(bores, most, least, color)
        chart.line(bores, middle, color, dash)
        chart.mark(crushed_bore_mm, shown, f"{shown:.2f}", color=color, below=low)
    chart.upright(crushed_bore_mm)
    return chart


def draw_stages(cause: str = "restriction") -> Chart:
    """Draw what one cause does to the O2 of both stages, among the other causes of the lesson at the same size.

    Parameters
    ----------
    cause : str
        The one that stands out, a key of ``STAGE_CAUSES``.
    """
    shown, rule = demo.stage_pattern(cause, STAGES_PCT), demo.STAGE_CAUSES[cause]
    healthy = [float(gas.o2_dry_pct) for gas in (shown.healthy_low, shown.healthy_high)]
    there = [float(gas.o2_dry_pct) for gas in (shown.low, shown.high)]
    result = f"O2 {there[0]:.1f} % low, {there[1]:.1f} % high"
    names = ("duct", "pump", "voltage", "fuel line", "hose", "tail")
    chart = Chart(
        f"{rule.label}, {STAGES_PCT:.0f} %: {rule.sign}",
        f"O2 at low and high stage, healthy {healthy[0]:.1f} and {healthy[1]:.1f} %, and for six causes. "
        f"{rule.label} of {STAGES_PCT:.0f} per cent, {result}: {rule.sign}.",
        Axis("heat stage", -0.3, 1.3, (0.0, 1.0), ("low", "high")),
        Axis("O2, dry (vol %)", 4.0, 15.0, (4.0, 6.0, 8.0, 10.0, 12.0, 14.0)),
        (("healthy", HEALTHY, ""), *((name, *look) for name, look in zip(names, LOOKS, strict=True))),
        columns=4,
    )
    chart.line([0, 1], healthy, HEALTHY, "", 7.0)
    for name, (color, dash) in zip(demo.STAGE_CAUSES, LOOKS, strict=True):
        found = demo.stage_pattern(name, STAGES_PCT)
        ends = [found.low.o2_dry_pct, found.high.o2_dry_pct]
        chart.line([0, 1], ends, color, dash, 5.0 if name == cause else 1.5)
        for stage, o2 in enumerate(there if name == cause else ()):
            chart.mark(stage, o2, f"{o2:.1f} %", color=color, below=o2 < healthy[stage])
    return chart


def draw_fuels(fuel_temp_c: float) -> Chart:
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
    listed = "; ".join(f"{n}: lambda {r:.2f}, heat {h:.0f} %" for n, r, h in zip(names, ratios, heats, strict=True))
    chart = Chart(
        f"Same pulses, same air, fuel at {fuel_temp_c:+.0f} °C. Burn only the fuel on the plate",
        f"Lambda and heat at the same pump pulses, fuel at {fuel_temp_c:+.0f} degrees. {listed}. Heat is a share of "
        "the plate's fuel at 15 °C.",
        Axis("lambda (air ratio)", 0.0, 3.3, (0.0, 0.5, 1.0, 1.5, 2.0)),
        Axis("fuel in the tank", 3.5, -0.5, (0.0, 1.0, 2.0, 3.0), names),
        (("plate's fuel at 15 °C", INK, DASH),),
        columns=1,
    )
    chart.upright(AIR_RATIO, INK, DASH)
    for row, (name, ratio, heat) in enumerate(zip(names, ratios, heats, strict=True)):
        chart.line([0.0, ratio], [row, row], LINE if name == FUEL.name else THIRD, "", 14.0)
        chart.word(max(ratio, AIR_RATIO) + 0.12, row + 0.1, f"{ratio:.2f}, heat {heat:.0f} %")
    return chart


def draw_start_fuel(timeline: StartTimeline) -> Chart:
    """Draw the fuel that lies in the burner over a start whose attempts all fail, and a power cut.

    Parameters
    ----------
    timeline : StartTimeline
    """
    end = timeline.phases[-1].end_s
    stroke_ml_per_s = (timeline.fuel_ml_per_cycle or 0.0) / timeline.fuel_on_s
    cut = end if timeline.cut_at_s is None else timeline.cut_at_s
    times, fuel = [0.0], [0.0]
    for phase in timeline.phases:
        on = max(0.0, min(phase.end_s, cut) - phase.begin_s) if phase.name == "attempt" else 0.0
        times += [phase.begin_s + on, phase.end_s]
        fuel += [fuel[-1] + stroke_ml_per_s * on] * 2
    most = max(6.0, np.ceil(stroke_ml_per_s * timeline.fuel_on_s))
    said = f"power cut at {cut:.0f} s" if timeline.cut_at_s is not None else f"restart not before {end:.0f} s"
    lies = fuel[-1]
    chart = Chart(
        f"{lies:.1f} ml of fuel in the burner, {said}",
        f"Fuel in the burner over a start whose attempts fail: {lies:.1f} ml are dosed by the end; {said}. "
        + " ".join(f"{one.begin_s:.0f} s: {one.label}." for one in timeline.phases),
        Axis("time after switching on (s)", 0.0, end, tuple(range(0, int(end), 100))),
        Axis("fuel in the burner (ml)", 0.0, most, tuple(range(0, int(most) + 1, 2))),
        (("fuel", LINE, ""), ("power cut", MARK, DASH)) if timeline.cut_at_s is not None else (("fuel", LINE, ""),),
    )
    for phase in timeline.phases:
        if phase.name == "attempt":
            chart.area([phase.begin_s, phase.end_s], [0.0, 0.0], [most, most])
            chart.word((phase.begin_s + phase.end_s) / 2, most * 0.9, f"attempt {phase.number}", "middle")
    chart.word(end, most * 0.04, "cool-down needs power", "end")
    chart.line(times, fuel)
    if timeline.cut_at_s is not None:
        chart.upright(cut, MARK, DASH)
    chart.mark(min(cut, end), float(np.interp(cut, times, fuel)), f"{lies:.1f} ml")
    return chart


def draw_supply(length_m: float) -> Chart:
    """Draw the voltage at the heater over current for three cables; who acts first on a falling battery is told.

    Parameters
    ----------
    length_m : float
        Cable, one way [m], 1 to 12.
    """
    currents = np.linspace(0.0, 14.0, 29)
    loops = [float(loop_resistance(length_m, area, contacts_mohm=CONTACTS_MOHM)) for area in AREAS_MM2]
    glows = [float(voltage_under_load(BATTERY_V, GLOW_A, loop + BATTERY_OHM)) for loop in loops]
    acts = [float(source_voltage_for(CUTOUT_V, RUN_A, loop)) for loop in loops]
    volts = "; ".join(f"{area:g} mm²: {glow:.2f} V" for area, glow in zip(AREAS_MM2, glows, strict=True))
    order = "the disconnect acts first" if max(acts) < DISCONNECT_V else "with the thinnest cable the heater acts first"
    chart = Chart(
        f"{length_m:g} m of {AREAS_MM2[0]:g} mm² at {GLOW_A:g} A of glow: {glows[0]:.2f} V at the heater",
        f"Voltage at the heater over current for three cables of {length_m:g} m: {volts} at {GLOW_A:g} A; the heater's "
        f"cut-out is {CUTOUT_V:g} V. In operation ({RUN_A:g} A) it acts at {max(acts):.2f} V at the battery with the "
        f"thinnest cable, the vehicle's disconnect at {DISCONNECT_V:g} V: {order}.",
        Axis("current (A)", 0.0, 14.0, (0.0, 2.0, 4.0, 6.0, 8.0, 10.0, 12.0, 14.0)),
        Axis("voltage at the heater (V)", 7.0, 12.5, (7.0, 8.0, 9.0, 10.0, 11.0, 12.0)),
        tuple((f"{area:g} mm²", *look) for area, look in zip(AREAS_MM2, LOOKS, strict=False)),
        columns=3,
    )
    for loop, (color, dash) in zip(loops, LOOKS, strict=False):
        chart.line(currents, voltage_under_load(BATTERY_V, currents, loop + BATTERY_OHM), color, dash)
    chart.level(CUTOUT_V)
    chart.word(0.3, CUTOUT_V - 0.4, f"cut-out {CUTOUT_V:g} V")
    chart.upright(GLOW_A)
    chart.mark(GLOW_A, glows[0], f"{glows[0]:.2f} V", below=True)
    return chart
