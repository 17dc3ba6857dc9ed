"""Figure of the lesson on voltage: what arrives at the heater, and who acts first on a falling battery."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from combust.edge.figures.style import INK, MARK, TONES, legend, marker_line, sheet, title
from combust.kernel.wiring import loop_resistance, source_voltage_for, voltage_under_load

if TYPE_CHECKING:
    from matplotlib.figure import Figure

AREAS_MM2 = (1.5, 2.5, 4.0)


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
        right.annotate(f"{at_battery:.2f} V", (at_battery, f"{area:g} mm²"), xytext=(0, 8), fontsize=8, ha="center",
                       textcoords="offset points")  # fmt: skip
    left.axhline(cutout_v, color=INK, linewidth=0.8, linestyle="--")
    left.annotate(
        f"heater's cut-out {cutout_v:g} V", (0.2, cutout_v), xytext=(0, -10), textcoords="offset points", fontsize=8
    )
    marker_line(left, glow_a, "glow")
    left.set(xlabel="current (A)", ylabel="voltage at the heater (V)", xlim=(0, 14), ylim=(9.0, battery_v + 0.2))
    title(left, f"{length_m:g} m one way, {glow_a:g} A: {told[0]}")
    legend(left, loc="lower left")
    right.axvline(disconnect_v, color=MARK, linewidth=1.4)
    right.annotate(f"disconnect\n{disconnect_v:g} V", (disconnect_v, 0.5), xycoords=("data", "axes fraction"),
                   xytext=(4, 0), textcoords="offset points", color=MARK, fontsize=8)  # fmt: skip
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
