"""Voltage on its way from the battery to the heater: charge, cable, contacts, load, cut-outs, energy of a night."""

from __future__ import annotations

import numpy as np

from combust.data.tables import load_table
from combust.kernel.elementwise import elementwise
from combust.kernel.types import X

TABLE_TEMP_C = 20.0
SECONDS_PER_HOUR = 3600.0
TABLES = ("usual", "flexible_maximum", "pure_copper")


@elementwise
def copper_resistivity(temp_c: X | float = TABLE_TEMP_C) -> X:
    """Return the resistivity of annealed copper [ohm mm²/m], linear in temperature.

    Parameters
    ----------
    temp_c : float or array
        Temperature of the conductor [°C], -60 to 150 (unchecked).

    Returns
    -------
    float or array
        Resistivity [ohm mm²/m], in the shape given.

    References
    ----------
    IEC 60028: 1/58 ohm mm²/m at 20 °C, 0.00393 per K (from memory, high).

    Examples
    --------
    >>> round(copper_resistivity(), 5)  # 1/58
    0.01724
    """
    table = load_table("cables")
    return table["copper_ohm_mm2_per_m"] * temperature_factor(temp_c)


@elementwise
def temperature_factor(temp_c: X | float) -> X:
    """Return resistance at a conductor temperature over that at 20 °C [-]: +0.39 % per kelvin.

    Parameters
    ----------
    temp_c : float or array
        Temperature of the conductor [°C], -60 to 150 (unchecked).

    Returns
    -------
    float or array
        Factor [-], in the shape given.

    References
    ----------
    IEC 60028: 0.00393 per K (from memory, high).

    Examples
    --------
    >>> round(temperature_factor(120.0), 3)  # 1 + 100 x 0.00393
    1.393
    """
    return 1.0 + load_table("cables")["temp_coefficient_per_k"] * (temp_c - TABLE_TEMP_C)


@elementwise
def conductor_resistance(area_mm2: X | float, temp_c: X | float = TABLE_TEMP_C, *, table: str = "usual") -> X:
    """Return the resistance of one metre of a copper conductor [ohm/m].

    Parameters
    ----------
    area_mm2 : float or array
        Nominal cross-section [mm²], 0.5 to 120 (unchecked); beyond the rows the resistivity of the last one.
    temp_c : float or array
        Temperature of the conductor [°C], -60 to 150 (unchecked).
    table : {'usual', 'flexible_maximum', 'pure_copper'}
        What the project computes with; the most a flexible conductor may have; the metal itself. A cross-section
        between two rows takes the resistivity between theirs.

    Returns
    -------
    float or array
        Resistance [ohm/m], in the broadcast shape.

    See Also
    --------
    cross_section_for : the inverse, from a voltage drop.

    References
    ----------
    combust/data/cables.toml, source and status beside each row.

    Examples
    --------
    >>> round(float(1000 * conductor_resistance(1.5)), 1)  # the table's row: 12.7 mohm/m
    12.7
    """
    if table == "pure_copper":
        return copper_resistivity(temp_c) / area_mm2
    rows = load_table("cables")[table]
    areas = np.array([row["area"] for row in rows])
    resistivity = np.array([row["milliohm_per_m"] for row in rows]) * 1e-3 * areas
    at_20 = np.interp(np.log(area_mm2), np.log(areas), resistivity) / area_mm2
    return at_20 * temperature_factor(temp_c)


@elementwise
def loop_resistance(
    length_m: X | float,
    area_mm2: X | float,
    *,
    contacts_mohm: X | float = 0.0,
    temp_c: X | float = TABLE_TEMP_C,
    table: str = "usual",
) -> X:
    """Return the resistance of feed and return with their contacts [ohm].

    Parameters
    ----------
    length_m : float or array
        One way [m], 0 or more (unchecked); the loop has twice as much conductor.
    area_mm2 : float or array
        Nominal cross-section [mm²], 0.5 to 120 (unchecked).
    contacts_mohm : float or array
        Fuse, plugs and terminals together [mohm], 0 or more (unchecked).
    temp_c : float or array
        Temperature of the conductor [°C], -60 to 150 (unchecked).
    table : {'usual', 'flexible_maximum', 'pure_copper'}
        As for :func:`conductor_resistance`.

    Returns
    -------
    float or array
        Resistance [ohm], in the broadcast shape.

    References
    ----------
    Resistances in series.

    Examples
    --------
    >>> round(float(loop_resistance(5.0, 1.5, contacts_mohm=20.0)), 3)  # 10 m x 0.0127 + 0.020
    0.147
    """
    return 2.0 * length_m * conductor_resistance(area_mm2, temp_c, table=table) + contacts_mohm * 1e-3


@elementwise
def charge_at_rest(open_circuit_v: X | float, nominal_v: X | float) -> X:
    """Return the share of the full charge of a lead-acid battery from its voltage at rest [-].

    Parameters
    ----------
    open_circuit_v : float or array
        Hours after the last load or charge, nothing switched on [V], any: held at the ends of the table.
    nominal_v : float or array
        12 V is six cells; others in proportion [V], above 0 (unchecked).

    Returns
    -------
    float or array
        Share [-], 0 to 1, in the broadcast shape.

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
    return np.interp(np.asarray(open_circuit_v, dtype=float) * 12.0 / nominal_v, volts, charge)


@elementwise
def resistance_of_drop(source_v: X | float, load_v: X | float, current_a: X | float) -> X:
    """Return the resistance between two measured voltages at a current [ohm].

    Parameters
    ----------
    source_v, load_v : float or array
        In front and behind [V], any.
    current_a : float or array
        Current [A], not 0 (unchecked).

    Returns
    -------
    float or array
        Resistance [ohm], in the broadcast shape.

    See Also
    --------
    voltage_under_load : the inverse.

    References
    ----------
    Ohm's law.

    Examples
    --------
    >>> round(resistance_of_drop(12.4, 11.1, 10.0), 3)  # 1.3 V / 10 A
    0.13
    """
    return (source_v - load_v) / current_a


@elementwise
def voltage_under_load(source_v: X | float, current_a: X | float, resistance_ohm: X | float) -> X:
    """Return the voltage behind a resistance at a current [V].

    Parameters
    ----------
    source_v : float or array
        In front [V], any.
    current_a : float or array
        Current [A], any.
    resistance_ohm : float or array
        Resistance [ohm], 0 or more (unchecked).

    Returns
    -------
    float or array
        Voltage [V], in the broadcast shape.

    See Also
    --------
    source_voltage_for : the inverse in the voltage.
    resistance_of_drop : the inverse in the resistance.

    References
    ----------
    Ohm's law.

    Examples
    --------
    >>> round(voltage_under_load(12.2, 10.0, 0.015 + 0.147), 2)  # 12.2 - 1.62
    10.58
    """
    return source_v - current_a * resistance_ohm


@elementwise
def current_of_power(power_w: X | float, source_v: X | float, resistance_ohm: X | float) -> X:
    """Return the current of a load that takes constant power behind a resistance [A].

    The smaller root of P = (E - I R) I: the load settles at the higher voltage.

    Parameters
    ----------
    power_w : float or array
        Power of the load [W], 0 or more (unchecked).
    source_v : float or array
        In front [V], above 0 (unchecked).
    resistance_ohm : float or array
        Resistance [ohm], 0 or more (unchecked).

    Returns
    -------
    float or array
        Current [A], in the broadcast shape; NaN where the power cannot be carried.

    References
    ----------
    Ohm's law.

    Examples
    --------
    >>> float(current_of_power(100.0, 12.0, 0.2))  # 10 A x (12 V - 2 V) = 100 W
    10.0
    """
    squared = np.asarray(source_v**2 - 4.0 * power_w * resistance_ohm, dtype=float)
    root = np.sqrt(np.where(squared < 0.0, np.nan, squared))
    return 2.0 * power_w / (source_v + root)


@elementwise
def source_voltage_for(load_v: X | float, current_a: X | float, resistance_ohm: X | float) -> X:
    """Return the voltage in front of a resistance for a voltage behind it [V].

    This refers a cut-out at the heater to the battery post.

    Parameters
    ----------
    load_v : float or array
        Behind [V], any.
    current_a : float or array
        Current [A], any.
    resistance_ohm : float or array
        Resistance [ohm], 0 or more (unchecked).

    Returns
    -------
    float or array
        Voltage [V], in the broadcast shape.

    See Also
    --------
    voltage_under_load : the inverse.

    References
    ----------
    Ohm's law.

    Examples
    --------
    >>> round(source_voltage_for(10.5, 2.5, 0.096), 2)  # 10.5 + 0.24
    10.74
    """
    return load_v + current_a * resistance_ohm


@elementwise
def cross_section_for(
    drop_v: X | float, length_m: X | float, current_a: X | float, *, temp_c: X | float = TABLE_TEMP_C
) -> X:
    """Return the cross-section that keeps the drop of both conductors at a limit [mm²].

    Resistivity as in the 1.5 mm² row of the table, so that the answer is not the metal's ideal.

    Parameters
    ----------
    drop_v : float or array
        Drop that is allowed [V], above 0 (unchecked).
    length_m : float or array
        One way [m], 0 or more (unchecked).
    current_a : float or array
        Current [A], 0 or more (unchecked).
    temp_c : float or array
        Temperature of the conductor [°C], -60 to 150 (unchecked).

    Returns
    -------
    float or array
        Cross-section [mm²], in the broadcast shape.

    See Also
    --------
    conductor_resistance : the inverse.

    References
    ----------
    Ohm's law; 0.0127 ohm/m at 1.5 mm² (read).

    Examples
    --------
    >>> round(float(cross_section_for(0.5, 5.0, 10.0)), 1)  # 2 x 5 x 10 x 0.01905/0.5
    3.8
    """
    row = load_table("cables")["usual"][0]
    resistivity = row["milliohm_per_m"] * 1e-3 * row["area"] * temperature_factor(temp_c)
    return 2.0 * length_m * current_a * resistivity / drop_v


@elementwise
def night_energy(
    mean_power_w: X | float,
    hours: X | float,
    *,
    starts: X | float = 0.0,
    glow_w: X | float = 0.0,
    glow_s: X | float = 0.0,
    run_on_w: X | float = 0.0,
    run_on_s: X | float = 0.0,
) -> X:
    """Return the electric energy of a night [Wh]: running, and for each start its glow and its run-on.

    Parameters
    ----------
    mean_power_w, hours : float or array
        Mean power while it runs [W], and how long it runs [h], 0 or more (unchecked).
    starts : float or array
        How many starts [-], 0 or more (unchecked).
    glow_w, run_on_w : float or array
        Power of the glow and of the run-on [W], 0 or more (unchecked).
    glow_s, run_on_s : float or array
        How long each of them takes [s], 0 or more (unchecked).

    Returns
    -------
    float or array
        Energy [Wh], in the broadcast shape.

    References
    ----------
    Power times time.

    Examples
    --------
    >>> round(night_energy(15.0, 10.0, starts=2, glow_w=110.0, glow_s=125.0, run_on_w=25.0, run_on_s=200.0))
    160
    """
    return mean_power_w * hours + starts * (glow_w * glow_s + run_on_w * run_on_s) / SECONDS_PER_HOUR
