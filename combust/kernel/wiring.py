"""Voltage on its way from the battery to the heater: charge, cable, contacts, load, cut-outs, energy of a night."""

from __future__ import annotations

from typing import Any

import numpy as np

from combust.data.tables import load_table

TABLE_TEMP_C = 20.0
SECONDS_PER_HOUR = 3600.0
TABLES = ("usual", "flexible_maximum", "pure_copper")


def copper_resistivity(temp_c: Any = TABLE_TEMP_C) -> Any:
    """Return the resistivity of annealed copper [ohm mm²/m], linear in temperature, -60 to 150 °C.

    References
    ----------
    IEC 60028: 1/58 ohm mm²/m at 20 °C, 0.00393 per K (from memory, high).

    Examples
    --------
    >>> round(copper_resistivity(), 5)
    0.01724
    """
    table = load_table("cables")
    return table["copper_ohm_mm2_per_m"] * temperature_factor(temp_c)


def temperature_factor(temp_c: Any) -> Any:
    """Return resistance at a conductor temperature over that at 20 °C [-]: +0.39 % per kelvin."""
    return 1.0 + load_table("cables")["temp_coefficient_per_k"] * (temp_c - TABLE_TEMP_C)


def conductor_resistance(area_mm2: Any, temp_c: Any = TABLE_TEMP_C, *, table: str = "usual") -> Any:
    """Return the resistance of one metre of a copper conductor [ohm/m].

    Parameters
    ----------
    area_mm2 : float or array
        Nominal cross-section, 0.5 to 120 mm².
    temp_c : float or array
        Temperature of the conductor.
    table : {'usual', 'flexible_maximum', 'pure_copper'}
        What the project computes with; the most a flexible conductor may have; the metal itself. A cross-section
        between two rows takes the resistivity between theirs, beyond the rows that of the last one.

    References
    ----------
    combust/data/cables.toml, source and status beside each row.

    Examples
    --------
    >>> round(float(1000 * conductor_resistance(1.5)), 1)
    12.7
    """
    if table == "pure_copper":
        return copper_resistivity(temp_c) / area_mm2
    rows = load_table("cables")[table]
    areas = np.array([row["area"] for row in rows])
    resistivity = np.array([row["milliohm_per_m"] for row in rows]) * 1e-3 * areas
    at_20 = np.interp(np.log(area_mm2), np.log(areas), resistivity) / area_mm2
    return (at_20 * temperature_factor(temp_c))[()]


def loop_resistance(
    length_m: Any, area_mm2: Any, *, contacts_mohm: Any = 0.0, temp_c: Any = TABLE_TEMP_C, table: str = "usual"
) -> Any:
    """Return the resistance of feed and return with their contacts [ohm].

    Parameters
    ----------
    length_m : float or array
        One way; the loop has twice as much conductor.
    area_mm2, temp_c, table
        As for :func:`conductor_resistance`.
    contacts_mohm : float or array
        Fuse, plugs and terminals together.

    Examples
    --------
    >>> round(float(loop_resistance(5.0, 1.5, contacts_mohm=20.0)), 3)
    0.147
    """
    return 2.0 * length_m * conductor_resistance(area_mm2, temp_c, table=table) + contacts_mohm * 1e-3


def charge_at_rest(open_circuit_v: Any, nominal_v: Any) -> Any:
    """Return the share of the full charge of a lead-acid battery from its voltage at rest [-], held at 0 and 1.

    Parameters
    ----------
    open_circuit_v : float or array
        Hours after the last load or charge, nothing switched on [V].
    nominal_v : float or array
        12 V is six cells; others in proportion [V].

    References
    ----------
    combust/data/battery.toml (from memory, medium).

    Examples
    --------
    >>> round(float(charge_at_rest(12.24, 12.0)), 2), float(charge_at_rest(23.2, 24.0))
    (0.5, 0.0)
    """
    rows = load_table("battery")["resting"]
    volts, charge = ([row[key] for row in rows] for key in ("volts", "charge"))
    return np.interp(np.asarray(open_circuit_v, dtype=float) * 12.0 / nominal_v, volts, charge)[()]


def resistance_of_drop(source_v: Any, load_v: Any, current_a: Any) -> Any:
    """Return the resistance between two measured voltages at a current [ohm].

    Examples
    --------
    >>> round(resistance_of_drop(12.4, 11.1, 10.0), 3)
    0.13
    """
    return (source_v - load_v) / current_a


def voltage_under_load(source_v: Any, current_a: Any, resistance_ohm: Any) -> Any:
    """Return the voltage behind a resistance at a current [V].

    Examples
    --------
    >>> round(voltage_under_load(12.2, 10.0, 0.015 + 0.147), 2)
    10.58
    """
    return source_v - current_a * resistance_ohm


def current_of_power(power_w: Any, source_v: Any, resistance_ohm: Any) -> Any:
    """Return the current of a load that takes constant power behind a resistance [A]; NaN where it cannot be carried.

    The smaller root of P = (E - I R) I: the load settles at the higher voltage.
    """
    squared = np.asarray(source_v**2 - 4.0 * power_w * resistance_ohm, dtype=float)
    root = np.sqrt(np.where(squared < 0.0, np.nan, squared))
    return (2.0 * power_w / (source_v + root))[()]


def source_voltage_for(load_v: Any, current_a: Any, resistance_ohm: Any) -> Any:
    """Return the voltage in front of a resistance for a voltage behind it [V]; the inverse of the drop.

    This refers a cut-out at the heater to the battery post.

    Examples
    --------
    >>> round(source_voltage_for(10.5, 2.5, 0.096), 2)
    10.74
    """
    return load_v + current_a * resistance_ohm


def cross_section_for(drop_v: Any, length_m: Any, current_a: Any, *, temp_c: Any = TABLE_TEMP_C) -> Any:
    """Return the cross-section that keeps the drop of both conductors at a limit [mm²].

    Resistivity as in the 1.5 mm² row of the table (0.0127 ohm/m, read), so that the answer is not the metal's ideal.
    """
    row = load_table("cables")["usual"][0]
    resistivity = row["milliohm_per_m"] * 1e-3 * row["area"] * temperature_factor(temp_c)
    return 2.0 * length_m * current_a * resistivity / drop_v


def night_energy(
    mean_power_w: Any, hours: Any, *, starts: Any = 0.0, glow_w: Any = 0.0, glow_s: Any = 0.0,
    run_on_w: Any = 0.0, run_on_s: Any = 0.0,
) -> Any:  # fmt: skip
    """Return the electric energy of a night [Wh]: running, and for each start its glow and its run-on.

    Examples
    --------
    >>> round(night_energy(15.0, 10.0, starts=2, glow_w=110.0, glow_s=125.0, run_on_w=25.0, run_on_s=200.0))
    160
    """
    return mean_power_w * hours + starts * (glow_w * glow_s + run_on_w * run_on_s) / SECONDS_PER_HOUR
