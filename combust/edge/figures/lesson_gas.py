"""Figures of the lessons on the gas: air sweep, dilution, wet sample, calculated CO2. One figure a lesson."""

from __future__ import annotations

import numpy as np

from combust.application.lessons import gas as demo
from combust.domain.catalogue import get_fuel
from combust.edge.figures.chart import Axis, Chart
from combust.edge.figures.gas_plane import gas_line
from combust.edge.figures.style import INK, LINE, MARK, THIRD
from combust.kernel.air_ratio import air_ratio_from_o2
from combust.kernel.carbon_monoxide import co_air_free

FUEL, AIR_RATIO, CO_PPM = get_fuel("diesel_b7"), 1.6, 150.0  # of the heater of every lesson, which does not change
FLUE_TEMP_C = 300.0  # held while lambda moves
DASH, DOT = "7 5", "2 4"


def draw_air_sweep(air_ratio: float) -> Chart:
    """Draw CO, flame temperature and stack loss over lambda, with a mark on each at one lambda.

    All three stand on one axis of powers of ten, each in its unit. CO comes from a stirred reactor with a cooled
    burn-out zone: a shape, no ppm of a heater. The flame loses no heat, the loss is told at one flue temperature.

    Parameters
    ----------
    air_ratio : float
        Mark [-].
    """
    behind, reactor = demo.behind_burn_out(), demo.stirred("burning")
    lost = float(demo.stirred("blown_out")["air_ratio"].min())
    flame, loss = (float(one[0]) for one in demo.flame_and_loss(FUEL, air_ratio, FLUE_TEMP_C))
    burns = behind["air_ratio"].min() <= air_ratio <= behind["air_ratio"].max()
    ppm = float(np.exp(np.interp(air_ratio, behind["air_ratio"], np.log(behind.dry_ppm("co"))))) if burns else np.nan
    result = f"CO about {ppm:.0f} ppm in the model" if burns else "no flame in the model"
    powers = [1.0, 10.0, 100.0, 1e3, 1e4, 1e5]
    chart = Chart(
        f"Lambda {air_ratio:.2f}: {result}, flame {flame:.0f} °C, stack loss {loss:.1f} %. Too little air and too "
        "much air both make CO",
        f"CO over lambda has the shape of a bath tub. At lambda {air_ratio:.2f}: {result}, flame {flame:.0f} °C with "
        f"no heat lost, stack loss {loss:.1f} % at {FLUE_TEMP_C:g} °C. From lambda {lost:.1f} no flame in 10 ms.",
        Axis("lambda (air ratio)", 0.8, 3.0, (1.0, 1.5, 2.0, 2.5, 3.0)),
        Axis("ppm CO, °C, % loss", 1.0, 1e5, powers, ("1", "10", "100", "1000", "10⁴", "10⁵"), log=True),
        (
            ("CO, burn-out zone", LINE, ""),
            ("CO, stirred, 10 ms", MARK, DASH),
            ("flame (°C)", THIRD, ""),
            (f"loss at {FLUE_TEMP_C:g} °C (%)", INK, DOT),
        ),
    )
    chart.area([lost, 3.0], [1.0, 1.0], [1e5, 1e5])
    chart.word(3.0, 1.6, "no flame", "end")
    chart.line(reactor["air_ratio"], reactor.dry_ppm("co"), MARK, DASH)
    chart.line(behind["air_ratio"], behind.dry_ppm("co"), LINE)
    ratios = np.arange(1.0, lost + 0.01, 0.05)
    flames, losses = demo.flame_and_loss(FUEL, ratios, FLUE_TEMP_C)
    chart.line(ratios, flames, THIRD)
    chart.line(ratios, losses, INK, DOT)
    chart.upright(air_ratio)
    chart.mark(air_ratio, ppm, f"{ppm:.0f} ppm", below=True)
    chart.mark(air_ratio, flame, f"{flame:.0f} °C", shape="diamond", color=THIRD)
    chart.mark(air_ratio, loss, f"{loss:.1f} %", shape="square")
    return chart


def draw_dilution(air_share_pct: float) -> Chart:
    """Draw what false air in the sample does to CO as read and to CO air-free; O2, CO2 and lambda are told.

    Parameters
    ----------
    air_share_pct : float
        Share of the dry sample that is air [%], 0 to 30.
    """
    shares = np.linspace(0.0, 0.30, 31)
    true = demo.heater_gas(FUEL, AIR_RATIO, co_dry_ppm=CO_PPM)
    swept, now = demo.with_false_air(true, shares), demo.with_false_air(true, air_share_pct / 100.0)
    free = float(co_air_free(now.co_dry_ppm, now.o2_dry_pct))
    seen = float(air_ratio_from_o2(now.o2_dry_pct, FUEL, co_dry_ppm=now.co_dry_ppm))
    chart = Chart(
        f"{air_share_pct:g} % air in the hose: lambda reads {seen:.2f} instead of {AIR_RATIO:.2f}; air-free CO stays",
        f"With {air_share_pct:.0f} per cent air in the sample O2 reads {now.o2_dry_pct:.2f} %, "
        f"CO2 {now.co2_dry_pct:.2f} %, CO {now.co_dry_ppm:.0f} ppm, lambda {seen:.2f}; CO air-free stays at "
        f"{free:.0f} ppm.",
        Axis("air in the sample (%)", 0.0, 30.0, (0.0, 10.0, 20.0, 30.0)),
        Axis("CO (ppm)", 0.0, 300.0, (0.0, 100.0, 200.0, 300.0)),
        (("air-free", MARK, ""), ("as read", LINE, DASH)),
    )
    chart.line(100 * shares, co_air_free(swept.co_dry_ppm, swept.o2_dry_pct), MARK)
    chart.line(100 * shares, swept.co_dry_ppm, LINE, DASH)
    chart.upright(air_share_pct)
    chart.mark(air_share_pct, free, f"{free:.0f} ppm air-free", color=MARK)
    chart.mark(
        air_share_pct, float(now.co_dry_ppm), f"{now.co_dry_ppm:.0f} ppm read", below=True, shape="square", color=LINE
    )
    return chart


def draw_wet(water_left_pct: float) -> Chart:
    """Draw a reading on the CO2-O2 plane when a part of the water stays in the sample.

    Parameters
    ----------
    water_left_pct : float
        Part of the flue water that the trap lets through [%]: 0 dry, 100 wet.
    """
    dry, part = demo.heater_gas(FUEL, AIR_RATIO), water_left_pct / 100.0
    wet = demo.read_wet(dry, FUEL, AIR_RATIO)
    now = demo.SampledGas(*(a / (1.0 + part * (a / b - 1.0)) if b else a for a, b in zip(dry, wet, strict=True)))
    factor, of_fuel = float(demo.fuel_factor(now)), float(demo.fuel_factor(dry))
    seen = float(air_ratio_from_o2(now.o2_dry_pct, FUEL))
    chart = _plane(
        f"{water_left_pct:g} % of the water left: fuel factor {factor:.2f}, "
        + (f"the fuel's is {of_fuel:.2f}: off the line" if part else "the fuel's own: on the line"),
        f"CO2 against O2 with the fuel's line. With {water_left_pct:.0f} per cent of the water left in the sample "
        f"the point reads O2 {now.o2_dry_pct:.2f} %, CO2 {now.co2_dry_pct:.2f} %: fuel factor {factor:.2f} instead of "
        f"{of_fuel:.2f}; O2 alone would say lambda {seen:.2f}.",
        dry,
        (("from dry to wet", THIRD, DASH),),
    )
    chart.line([dry[0], wet[0]], [dry[1], wet[1]], THIRD, DASH)
    chart.mark(float(now.o2_dry_pct), float(now.co2_dry_pct), "on the display", color=MARK, below=True)
    return chart


def draw_calculated(cell_offset_pct: float) -> Chart:
    """Draw one O2 cell fault on two instruments: CO2 by calculation and CO2 by a cell of its own.

    Parameters
    ----------
    cell_offset_pct : float
        What the O2 cell shows too much [vol %], -2 to 2.
    """
    true = demo.heater_gas(FUEL, AIR_RATIO)
    o2 = float(true.o2_dry_pct + cell_offset_pct)
    pairs = {"calculated": float(demo.co2_by_calculation(o2, FUEL)), "measured": float(true.co2_dry_pct)}
    factors = {name: float(demo.fuel_factor(demo.SampledGas(o2, co2, 0.0))) for name, co2 in pairs.items()}
    seen = float(air_ratio_from_o2(o2, FUEL))
    chart = _plane(
        f"O2 cell off by {cell_offset_pct:+.1f} %: fuel factor {factors['calculated']:.2f} calculated, "
        f"{factors['measured']:.2f} measured",
        f"CO2 against O2. The O2 cell is off by {cell_offset_pct:+.1f}. With calculated CO2 the point stays on the "
        f"fuel's line, fuel factor {factors['calculated']:.2f}; with measured CO2 it leaves the line, fuel factor "
        f"{factors['measured']:.2f}. Lambda by O2 reads {seen:.2f} on both instead of {AIR_RATIO:.2f}.",
        true,
    )
    chart.mark(o2, pairs["calculated"], "calculated", color=MARK)
    chart.mark(o2, pairs["measured"], "measured", shape="diamond", color=THIRD, below=True)
    return chart


def _plane(title: str, told: str, true: demo.SampledGas, legend: tuple[tuple[str, str, str], ...] = ()) -> Chart:
    """Return the plane around the heater's own gas, with the fuel's line and that gas on it."""
    chart = Chart(
        title,
        told,
        Axis("O2, dry (vol %)", 5.0, 12.0, (5.0, 6.0, 7.0, 8.0, 9.0, 10.0, 11.0, 12.0)),
        Axis("CO2, dry (vol %)", 7.0, 12.0, (7.0, 8.0, 9.0, 10.0, 11.0, 12.0)),
        ((f"line of {FUEL.name}", LINE, ""), *legend),
    )
    ratios = air_ratio_from_o2(np.linspace(5.1, 11.3, 30), FUEL)
    chart.line(*gas_line(FUEL, ratios))
    chart.mark(float(true.o2_dry_pct), float(true.co2_dry_pct), "in the heater", shape="square")
    return chart
