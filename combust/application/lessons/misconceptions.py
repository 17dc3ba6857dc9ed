"""Misconception cards: what is believed, what is so, and the number that shows it, computed when it is asked for."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from combust.application.chemistry.sweeps import reactor_table
from combust.application.lessons import gas as demo
from combust.application.lessons.machine import SEA_LEVEL, air_ratio_at_site, exhaust
from combust.data.fields import Field
from combust.data.tables import load_table
from combust.data.told import Several, Told
from combust.domain.catalogue import get_fuel
from combust.domain.limits import limit
from combust.domain.site import Site
from combust.kernel.air import water_dew_point
from combust.kernel.air_ratio import air_ratio_from_o2
from combust.kernel.carbon_monoxide import co_air_free
from combust.kernel.ducts import duct_loss
from combust.kernel.flue_gas import flue_gas_moles
from combust.kernel.fuel_delivery import delivered_while_attempting
from combust.kernel.printed_forms import air_ratio_shortcut
from combust.kernel.wiring import loop_resistance, source_voltage_for, voltage_under_load

FUEL = "diesel_b7"
Values = dict[str, float]


@dataclass(frozen=True)
class Card(Told):
    """One misconception with its counter-demonstration.

    Attributes
    ----------
    name, belief, truth, show, lesson, source : str
        ``show`` carries the computed numbers.
    values : mapping
        The numbers behind ``show``.
    """

    name: str
    belief: str
    truth: str
    show: str
    lesson: str
    source: str
    values: Mapping[str, float]

    def _repr_html_(self) -> str:
        from html import escape

        return (
            f"<section><p><b>“{escape(self.belief)}”</b></p><p>{escape(self.truth)}</p>"
            f"<p>{escape(self.show)}</p>"
            f"<p><small>Lesson {escape(self.lesson)} · {escape(self.source)}</small></p></section>"
        )

    def __str__(self) -> str:
        return f"“{self.belief}”\n  {self.truth}\n  {self.show}"


def misconception_cards() -> Several[Card]:
    """Return all cards with their numbers computed now.

    Returns
    -------
    list of Card, one below the other in a notebook
        What is believed, what is so, and the number [unit in its text] that shows it.

    References
    ----------
    Beside each card of ``combust/data/misconceptions.toml``.

    Examples
    --------
    >>> print(misconception_cards()[0].show)
    At lambda 1.6 it reads 1.64 (+2.6 %), at 2.0 it reads 2.07 (+3.5 %).
    """
    return Several(_card(row) for row in load_table("misconceptions")["card"])


def misconception_card(name: str) -> Card:
    """Return one card by name, with near names told when it is unknown.

    Raises
    ------
    CombustError
        Unknown name; near names are told.
    """
    rows = {row["name"]: row for row in load_table("misconceptions")["card"]}
    return _card(rows[Field("card", "choice", choices=tuple(rows)).checked(name)])


def _card(row: Mapping[str, str]) -> Card:
    shown = globals()[row["name"]]()  # the demonstrations below are named as the cards of the table
    values = {key: float(value) for key, value in shown.items()}
    texts = {**row, "show": row["show"].format(**values)}
    return Card(**texts, values=values)


def shortcut_is_exact() -> Values:
    """The shortcut against the balance at lambda 1.6 and 2.0."""
    found: Values = {}
    for name, ratio in (("16", 1.6), ("20", 2.0)):
        short = air_ratio_shortcut(demo.heater_gas(FUEL, ratio).o2_dry_pct)
        found[f"at_{name}"], found[f"error_{name}_pct"] = short, 100.0 * (short / ratio - 1.0)
    return found


def high_co2_is_good() -> Values:
    """CO2 in the soot range, and of two fuels at one lambda."""
    at = {"soot": (FUEL, 1.2), "b100": ("biodiesel_b100", 1.6), "paraffinic": ("paraffinic", 1.6)}
    return {f"co2_{key}_pct": demo.heater_gas(*case).co2_dry_pct for key, case in at.items()}


def co_compares_as_read() -> Values:
    """1000 ppm at two lambdas, air-free."""
    lean, rich = (demo.heater_gas(FUEL, ratio).o2_dry_pct for ratio in (2.2, 1.6))
    return {"lean_free_ppm": co_air_free(1000.0, lean), "rich_free_ppm": co_air_free(1000.0, rich)}


def air_free_is_the_truth() -> Values:
    """CO air-free of the reactor model with little and with enough air."""
    zone = demo.behind_burn_out()
    free = co_air_free(zone.dry_ppm("co"), 1e-4 * zone.dry_ppm("o2"))
    return {f"at_{name}_ppm": free[zone["air_ratio"] == ratio][0] for name, ratio in (("10", 1.0), ("16", 1.6))}


def more_air_is_cleaner() -> Values:
    """Floor of CO over lambda, CO far to the lean side, and where the flame is lost."""
    zone = demo.behind_burn_out()
    co = zone.dry_ppm("co")
    return {
        "floor_ppm": co.min(),
        "floor_air_ratio": zone["air_ratio"][np.argmin(co)],
        "lean_ppm": co[zone["air_ratio"] == 2.4][0],
        "lost_air_ratio": demo.stirred("blown_out")["air_ratio"].min(),
    }


def no_smoke_no_co() -> Values:
    """CO of a lean stirred reactor; equilibrium soot is zero above lambda 0.4 (see sooting.toml)."""
    rows = reactor_table().where(residence_ms=10.0, burn_out_ms=0.0, air_ratio=2.2)
    edge = load_table("sooting")["equilibrium"]["air_ratio_below"]
    return {"co_ppm": rows.dry_ppm("co")[0], "soot_pct": 0.0 if edge <= 2.2 else float("nan")}


def exhaust_leak_dilutes() -> Values:
    """Gauge pressure at the exhaust port of a 4 kW stage."""
    loss = duct_loss(*exhaust())
    head = loss.loss_pa - loss.port_static_pa
    return {"port_pa": loss.port_static_pa, "low_pa": loss.low_pa - head, "high_pa": loss.high_pa - head}


def agreeing_pair_proves_the_analyser() -> Values:
    """A cell 0.5 % low with calculated and with measured CO2."""
    true = demo.heater_gas(FUEL, 1.6)
    o2 = true.o2_dry_pct - 0.5
    blind = demo.SampledGas(o2, demo.co2_by_calculation(o2, FUEL), 0.0)
    return {
        "blind": demo.fuel_factor(blind),
        "honest": demo.fuel_factor(demo.SampledGas(o2, true.co2_dry_pct, 0.0)),
        "off_pct": 100.0 * abs(air_ratio_from_o2(o2, get_fuel(FUEL)) / 1.6 - 1.0),
    }


def thin_air_has_less_oxygen_percent() -> Values:
    """Density and lambda at 2000 m and 20 °C."""
    there = air_ratio_at_site(1.6, SEA_LEVEL, Site(2000.0, intake_temp_c=20.0))
    return {
        "density_pct": 100.0 * there.dry_air_density_ratio[0],
        "by_density": 1.6 * there.dry_air_density_ratio[0],
    } | {"air_ratio": there.air_ratio_full[0]}


def cold_makes_altitude_worse() -> Values:
    """Density ratio and lambda at 2600 m on a cold and on a mild night, from 20 °C at sea level."""
    found: Values = {}
    for night, temp in (("cold", -18.0), ("mild", 15.0)):
        there = air_ratio_at_site(1.6, SEA_LEVEL, Site(2600.0, intake_temp_c=temp))
        ratio = there.dry_air_density_ratio[0]
        found |= {f"{night}_ratio": ratio, f"{night}_by_density": 1.6 * ratio}
        found |= {f"{night}_air_ratio": there.air_ratio_full[0]}
    return found


def battery_volts_are_heater_volts() -> Values:
    """Voltage behind 5 m of 1.5 mm² at 10 A."""
    loop = loop_resistance(5.0, 1.5, contacts_mohm=20.0)
    return {"heater_v": voltage_under_load(12.2, 10.0, 0.015 + loop)}


def disconnect_protects_the_heater() -> Values:
    """The heater's cut-out referred to the battery post."""
    return {"cutout_at_battery_v": source_voltage_for(10.5, 2.5, 0.096)}


def approval_limits_are_targets() -> Values:
    """The approval limit against the workshop's watch-point."""
    watch, o2 = limit("exhaust_co_warn"), demo.heater_gas(FUEL, 1.6).o2_dry_pct
    return {"times": 1000.0 / watch, "watch_ppm": watch, "free_ppm": co_air_free(1000.0, o2)}


def lean_reading_is_a_leaking_intake() -> Values:
    """Three reasons for a lean reading from the same healthy heater."""
    healthy = demo.heater_gas(FUEL, 1.6)
    cold = air_ratio_at_site(1.6, SEA_LEVEL, Site(0.0, intake_temp_c=-10.0)).air_ratio_full[0]
    return {
        "fuel_o2_pct": demo.heater_gas(FUEL, 1.6 / 0.9).o2_dry_pct,
        "cold_o2_pct": demo.heater_gas(FUEL, cold).o2_dry_pct,
        "hose_o2_pct": demo.with_false_air(healthy, 0.10).o2_dry_pct,
    }


def white_smoke_is_water() -> Values:
    """Dew point of lean flue gas, and the fuel of two failed attempts."""
    moles = flue_gas_moles(get_fuel(FUEL), 2.0)
    dew = water_dew_point(101_325.0 * moles.h2o / moles.wet)
    return {"dew_c": dew, "fuel_ml": delivered_while_attempting(24.0, 1.5, 150.0)}


def tables_are_dry() -> Values:
    """Dry and wet CO2 and the water at lambda 1."""
    moles = flue_gas_moles(get_fuel(FUEL), 1.0)
    parts = {"dry_pct": moles.co2 / moles.dry, "wet_pct": moles.co2 / moles.wet, "water_pct": moles.h2o / moles.wet}
    return {key: 100.0 * value for key, value in parts.items()}
