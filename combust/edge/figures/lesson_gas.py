"""Figures of the lessons on the gas: air sweep, dilution, wet sample, calculated CO2."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from combust.application.chemistry.sweeps import equilibrium_table, reactor_table, tabled_flame_temperature
from combust.application.lessons import gas as demo
from combust.domain.catalogue import get_fuel
from combust.edge.figures.gas_plane import draw_fuel_line
from combust.edge.figures.style import INK, LINE, MARK, THIRD, legend, marker_line, note, sheet, title
from combust.kernel.air_ratio import air_ratio_from_o2
from combust.kernel.carbon_monoxide import co_air_free
from combust.kernel.constants import ZERO_CELSIUS_K
from combust.kernel.flue_gas import flue_gas_moles
from combust.kernel.heat import stack_loss

if TYPE_CHECKING:
    from matplotlib.figure import Figure


FUEL, AIR_RATIO, CO_PPM = get_fuel("diesel_b7"), 1.6, 150.0  # of the heater of every lesson, which does not change
FLUE_TEMP_C = 300.0  # held while lambda moves


def draw_air_sweep(air_ratio: float) -> Figure:
    """Draw CO, flame temperature and stack loss over lambda, with a mark at one lambda.

    CO comes from a stirred reactor with a cooled burn-out zone: a shape, no ppm of a heater. The loss is drawn at one
    flue temperature.

    Parameters
    ----------
    air_ratio : float
        Mark [-].
    """
    figure, (top, middle, low) = sheet(3, 1, size=(6.4, 7.2), sharex=True, height_ratios=(2, 1.2, 1.2))
    result = _bath_tub(top, air_ratio)
    sweep = np.linspace(1.0, 3.0, 81)
    flames = tabled_flame_temperature(FUEL.name, sweep) - ZERO_CELSIUS_K
    losses = stack_loss(flue_gas_moles(FUEL, sweep), FLUE_TEMP_C, 20.0, FUEL, FUEL.net_heating_value_mj_per_kg)
    middle.plot(sweep, flames, color=LINE)
    middle.set_ylabel("flame, no\nheat lost (°C)")
    low.plot(sweep, losses, color=LINE)
    loss_label = f"stack loss (%)\nat {FLUE_TEMP_C:g} °C"
    low.set(xlabel="lambda (air ratio)", ylabel=loss_label, xlim=(0.8, 3.0), ylim=(0, None))
    flame, loss = (float(np.interp(air_ratio, sweep, curve)) for curve in (flames, losses))
    for plot in (top, middle, low):
        marker_line(plot, air_ratio)
    note(middle, f"{flame:.0f} °C", (air_ratio, flame))
    note(low, f"{loss:.1f} %", (air_ratio, loss), (5, -11))
    figure.set_label(
        f"Three curves over lambda from 0.8 to 3. CO has the shape of a bath tub with a floor near 1.7. Flame "
        f"temperature falls and stack loss rises with lambda. At lambda {air_ratio:.2f}: {result}, flame {flame:.0f} "
        f"degrees Celsius, loss {loss:.1f} per cent."
    )
    return figure


def _bath_tub(plot: Any, air_ratio: float) -> str:
    table = reactor_table()
    reactor = table.where(residence_ms=10.0, burn_out_ms=0.0, status="burning")
    behind = table.where(burn_out_ms=100.0, cooling_ms=30.0, status="burning")
    rest = equilibrium_table().where(fuel="n_dodecane")
    for rows, color, dash, words in (
        (behind, LINE, "o-", "after a burn-out zone that cools"),
        (reactor, MARK, "--", "stirred reactor, 10 ms"),
        (rest, INK, ":", "unlimited time, no heat lost"),
    ):
        plot.semilogy(rows["air_ratio"], rows.dry_ppm("co"), dash, color=color, markersize=3, label=words)
    lost = table.where(residence_ms=10.0, burn_out_ms=0.0, status="blown_out")["air_ratio"].min()
    plot.axvspan(lost, 3.0, color=INK, alpha=0.08)
    note(plot, "no flame\nin 10 ms", (lost, 3e4), (6, 0))
    plot.set(ylabel="CO, dry (ppm)", ylim=(0.02, 3e5))
    plot.minorticks_off()  # the small ticks of a log axis cost half of the drawing time
    title(plot, "Too little air and too much air both make CO: the shape, not the ppm of a heater")
    legend(plot, loc="lower left")
    if not behind["air_ratio"].min() <= air_ratio <= behind["air_ratio"].max():
        return "no flame"
    value = float(np.exp(np.interp(air_ratio, behind["air_ratio"], np.log(behind.dry_ppm("co")))))
    return f"CO about {value:.0f} ppm behind the burn-out zone of the model"


def draw_dilution(air_share_pct: float) -> Figure:
    """Draw what false air in the sample does to O2, to CO as read, and to CO air-free.

    Parameters
    ----------
    air_share_pct : float
        Share of the dry sample that is air [%], 0 to 30.
    """
    shares = np.linspace(0.0, 0.30, 61)
    true = demo.heater_gas(FUEL, AIR_RATIO, co_dry_ppm=CO_PPM)
    swept = demo.with_false_air(true, shares)
    now = demo.with_false_air(true, air_share_pct / 100.0)
    figure, (left, right) = sheet(1, 2, size=(7.2, 3.8))
    seen = _plane(left, true, now, whole=True)
    title(left, f"It slides along the line: lambda reads {seen:.2f}")
    right.plot(100 * shares, swept.co_dry_ppm, color=LINE, linestyle="--", label="as read")
    right.plot(100 * shares, co_air_free(swept.co_dry_ppm, swept.o2_dry_pct), color=MARK, label="air-free")
    marker_line(right, air_share_pct)
    right.set(xlabel="air in the sample (%)", ylabel="CO (ppm)", xlim=(0, 30), ylim=(0, None))
    title(right, "Air-free CO does not move")
    legend(right, loc="lower left")
    free = float(co_air_free(now.co_dry_ppm, now.o2_dry_pct))
    figure.set_label(
        f"With {air_share_pct:.0f} per cent air in the sample O2 reads {now.o2_dry_pct:.2f}, "
        f"CO2 {now.co2_dry_pct:.2f}, CO {now.co_dry_ppm:.0f} ppm; CO air-free stays at "
        f"{free:.0f} ppm. The point slides along the fuel line."
    )
    return figure


def draw_wet(water_left_pct: float) -> Figure:
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
    figure, plot = sheet()
    plot.plot(*zip(dry[:2], wet[:2], strict=True), color=THIRD, linestyle="-.", label="from dry to wet")
    seen = _plane(plot, dry, now)
    result = f"fuel factor {factor:.2f} instead of {of_fuel:.2f}; O2 alone says {seen:.2f}"
    title(plot, f"Water pulls the pair OFF the line: {result}")
    figure.set_label(
        f"CO2 against O2 with the fuel line. With {water_left_pct:.0f} per cent of the water left in the sample "
        f"the point reads O2 {now.o2_dry_pct:.2f}, CO2 {now.co2_dry_pct:.2f}: off the line, fuel factor {factor:.2f}."
    )
    return figure


def draw_calculated(cell_offset_pct: float) -> Figure:
    """Draw one O2 cell fault on two instruments: CO2 by calculation and CO2 by a cell of its own.

    Parameters
    ----------
    cell_offset_pct : float
        What the O2 cell shows too much [vol %], -2 to 2.
    """
    true = demo.heater_gas(FUEL, AIR_RATIO)
    o2 = true.o2_dry_pct + cell_offset_pct
    figure, plots = sheet(1, 2, size=(7.2, 3.8), sharey=True)
    factors = []
    for plot, name, co2 in zip(
        plots, ("calculated", "measured"), (demo.co2_by_calculation(o2, FUEL), true.co2_dry_pct), strict=True
    ):
        gas = demo.SampledGas(o2, co2, 0.0)
        seen = _plane(plot, true, gas)
        factors.append(f"{float(demo.fuel_factor(gas)):.2f}")
        title(plot, f"CO2 {name}: fuel factor {factors[-1]}")
    plots[1].set_ylabel("")
    figure.set_label(
        f"Two planes of CO2 against O2. The O2 cell is off by {cell_offset_pct:+.1f}. With calculated CO2 the point "
        f"stays on the line with fuel factor {factors[0]}; with measured CO2 it leaves the line, fuel factor "
        f"{factors[1]}. Lambda by O2 reads {seen:.2f} on both."
    )
    return figure


def _plane(plot: Any, true: demo.SampledGas, shown: demo.SampledGas, *, whole: bool = False) -> float:
    """Draw the heater's gas and the one on the display beside the fuel's line, and return lambda by the O2 displayed.

    The plane is drawn whole, or around the heater's gas.
    """
    draw_fuel_line(plot, FUEL)
    for gas, mark, color, words in ((true, "s", INK, "in the heater"), (shown, "o", MARK, "on the display")):
        plot.plot(*gas[:2], marker=mark, color=color, linestyle="none", label=words)
    legend(plot, loc="upper right")
    if not whole:
        plot.set(xlim=(true.o2_dry_pct - 3.0, true.o2_dry_pct + 3.0))
        plot.set(ylim=(true.co2_dry_pct - 2.5, true.co2_dry_pct + 3.0))
    return float(air_ratio_from_o2(shown.o2_dry_pct, FUEL))
