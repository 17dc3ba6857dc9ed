"""Joint draws: standard normal numbers turned into severities and structure, one block for each way a cause can be.

A *variant* is one way a cause shows (blower slow, or weak at the right speed). A hypothesis is one or two variants.
Every parameter is a smooth function of standard normals, so that proposals can be made in one common space.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from combust.application.causes.catalogue import HEALTHY, Cause, Priors
from combust.application.heater.structure import (
    STRUCTURE,
    Parameters,
    bent,
    known_structure,
    scaled,
    share_of,
    structure_of,
)
from combust.data.tables import load_table
from combust.domain.catalogue import get_fuel
from combust.domain.heater import Heater
from combust.domain.pump import same_pulses
from combust.kernel.ducts import resistance_from_air_change
from combust.kernel.types import Floats

NORMALS_EACH = 3  # of each of up to two variants, beside those of the structure
SINGLE_SIZE = len(STRUCTURE) + NORMALS_EACH
PAIR_SIZE = SINGLE_SIZE + NORMALS_EACH
# Far proposals would overflow; beyond 4.5 standard deviations the prior has nothing left.
FARTHEST = 4.5
OTHER_FUEL, GASOLINE = "fuel_other", "gasoline"


@dataclass(frozen=True, slots=True, eq=False)
class Variant:
    """One way a cause shows; ``share`` is its part of the cause's prior. Compared by identity, as keys need speed."""

    cause: str
    name: str
    share: float


def variants_of(heater: Heater, priors: Priors) -> tuple[Variant, ...]:
    """Return every variant of every cause that the heater can have, healthy first; no baseline, none at fault."""
    found = []
    for cause in priors.causes.values():
        if cause.baseline and not heater.baselines:
            continue
        shares = _shares_of(cause, heater, priors)
        total = sum(shares.values())
        found += [Variant(cause.name, name, share / total) for name, share in shares.items()]
    return tuple(sorted(found, key=lambda variant: variant.cause != HEALTHY))


def _shares_of(cause: Cause, heater: Heater, priors: Priors) -> Mapping[str, float]:
    """Return how often a cause shows in which way: of other fuels it depends on the stated one."""
    if cause.name == OTHER_FUEL and heater.fuel.family == GASOLINE:
        shares: Mapping[str, float] = priors.table["other_fuels"]["of_gasoline"]["shares"]
        return shares
    return cause.variants


def severity_of(row: Mapping[str, float], u: Any) -> Any:
    """Return the size of a fault from a standard normal: lognormal, softly kept between smallest and largest."""
    raw = row["median"] * np.exp(np.log(row["factor"]) * u)
    above = bent(raw, row["largest"])
    return np.sqrt(above * above + row["smallest"] ** 2)


class Drawer:
    """Turns standard normals into parameters for one heater.

    Parameters
    ----------
    heater : Heater
        Its blower, regulation, shaft and port pressures decide which structure is believed.
    priors : Priors
        Causes and structural priors.
    """

    def __init__(self, heater: Heater, priors: Priors) -> None:
        self.heater, self.priors = heater, priors
        self.variants = variants_of(heater, priors)
        self.structure = priors.table["structure"]
        self.known = known_structure(heater)
        self.other_fuels = {kind: _other_fuels(heater, priors, kind) for kind in ("blend", GASOLINE)}
        self.settings = _settings(heater)

    def parameters(self, u: Floats, first: Variant, second: Variant | None = None) -> Parameters:
        """Return the parameters of draws (rows of ``u``) under one or two variants."""
        u = np.clip(u, -FARTHEST, FARTHEST)
        return self.under_causes(self.structure_of(u), u, first, second)

    def under_causes(self, p: Parameters, u: Floats, first: Variant, second: Variant | None = None) -> Parameters:
        """Return the parameters of draws whose structure is ``p`` (and is added to) under one or two variants."""
        start = len(STRUCTURE)
        for number, variant in enumerate((first, second)):
            if variant is not None:
                normals = u[:, start + NORMALS_EACH * number : start + NORMALS_EACH * (number + 1)]
                row = self.priors.causes[variant.cause].severity
                size = severity_of(row, normals[:, 0]) if row else 0.0
                p[f"size_{variant.cause}"] = _EFFECTS[variant.cause](self, p, normals, size, variant.name)
        return p

    def structure_of(self, u: Floats) -> Parameters:
        """Return what nobody knows of a heater, from the first columns of the normals."""
        return structure_of(self.structure, u, **self.known)

    def regulated(self, motor: Any) -> Any:
        """Return 1 where the speed is regulated, 0 where not; unknown is drawn half and half."""
        known = self.heater.speed_regulated
        if known is None:
            return (np.abs(motor) < 0.6745).astype(float)
        return np.full(np.shape(motor), float(known))


def _other_fuels(heater: Heater, priors: Priors, kind: str) -> list[tuple[float, float, float]]:
    """Return (air need by volume, heat per air, CO2 maximum) of other fuels over the stated one's."""
    stated = heater.fuel
    found = []
    table = priors.table["other_fuels"]
    for name in (table["of_gasoline"] if stated.family == GASOLINE else table)[kind]:
        other = get_fuel(name)
        if other.name != stated.name and other.density_kg_per_m3 and stated.density_kg_per_m3:
            swap = same_pulses(stated, other)
            maximum = other.co2_maximum_pct / stated.co2_maximum_pct
            found.append((1.0 / swap.air_ratio, swap.heat * swap.air_ratio, maximum))
    return sorted(found, reverse=True) or [(0.9, 1.0, 1.0)]


def _settings(heater: Heater) -> dict[str, float]:
    """Return ln(CO2 maximum of an analyser setting over the fuel's)."""
    table = load_table("instruments")["setting"]
    return {name: float(np.log(value / heater.fuel.co2_maximum_pct)) for name, value in table.items()}


# ---- effects of each cause on the parameters, returned is its size; absent keys are at their healthy value -----------
def _healthy(drawer: Drawer, p: Parameters, normals: Floats, size: Any, variant: str) -> Any:
    return np.zeros(len(normals))


def _restricted(side: str) -> Callable[..., Any]:
    share = {"r_in": "intake_share", "r_ex": "exhaust_share"}[side]

    def effect(drawer: Drawer, p: Parameters, normals: Floats, size: Any, variant: str) -> Any:
        added = (resistance_from_air_change(1.0 - size, p["steepness"]) - 1.0) / p[share]
        p[side] = p.get(side, 1.0) + added
        return -size

    return effect


def _recirculated(drawer: Drawer, p: Parameters, normals: Floats, size: Any, variant: str) -> Any:
    p["recirculated"] = size
    p["unseen_warming"] = share_of(normals[:, 1]) ** 2
    p["recirculated_heat"] = 0.2 + 0.8 * share_of(normals[:, 2])
    return size


def _supply_low(drawer: Drawer, p: Parameters, normals: Floats, size: Any, variant: str) -> Any:
    """The voltage that gives this speed at full stage; low stages of a regulated blower feel less of it."""
    rows = drawer.structure
    regulated = drawer.regulated(p["motor"])
    saturation = scaled(rows["saturation"], normals[:, 1])
    gain = scaled(rows["motor_gain"], normals[:, 2])
    p["regulated"] = regulated
    p["saturation"] = saturation
    p["voltage"] = np.where(regulated > 0.5, saturation * (1.0 - size), 1.0 - size / gain)
    p["slow_unregulated"] = np.where(regulated > 0.5, 0.0, size)
    p["lost_stroke"] = scaled(rows["stroke_at_low_voltage"], normals[:, 2]) * (1.0 - p["voltage"])
    return -size


def _blower_weak(drawer: Drawer, p: Parameters, normals: Floats, size: Any, variant: str) -> Any:
    if variant == "speed":
        p["blower_speed"] = 1.0 - size
    else:
        p["head"] = 1.0 / resistance_from_air_change(1.0 - size, p["steepness"])
    return -size


def _fuel(sign: float) -> Callable[..., Any]:
    def effect(drawer: Drawer, p: Parameters, normals: Floats, size: Any, variant: str) -> Any:
        if variant == "starving":
            p["starving"] = size
            p["starving_low"] = 0.5 * share_of(normals[:, 1])
            p["delivery"] = p.get("delivery", 1.0) * (1.0 - size * share_of(normals[:, 2]))
        else:
            for key in ("frequency",) if variant == "frequency" else ("stroke", "delivery"):
                p[key] = p.get(key, 1.0) * (1.0 + sign * size)
        return sign * size

    return effect


def _burner_fouled(drawer: Drawer, p: Parameters, normals: Floats, size: Any, variant: str) -> Any:
    p["co_extra"] = size
    p["smoke_extra"] = size * np.exp(0.4 * normals[:, 1] + 0.3)
    choked = 0.05 * np.exp(0.6 * normals[:, 2])
    p["r_burner"] = p.get("r_burner", 1.0) + _added_burner(p, choked)
    p["released"] = 1.0 - 0.03 * share_of(normals[:, 1])
    p["clean"] = p.get("clean", 1.0) * (1.0 - 0.12 * share_of(normals[:, 2]))
    return size


def _added_burner(p: Parameters, size: Any) -> Any:
    more = resistance_from_air_change(1.0 - np.minimum(size, 0.5), p["steepness"]) - 1.0
    return more / (1.0 - p["intake_share"] - p["exhaust_share"])


def _exchanger_fouled(drawer: Drawer, p: Parameters, normals: Floats, size: Any, variant: str) -> Any:
    p["clean"] = p.get("clean", 1.0) * (1.0 - size)
    p["r_burner"] = p.get("r_burner", 1.0) + _added_burner(p, size * 0.25 * share_of(normals[:, 1]))
    return -size


def _heating_air(drawer: Drawer, p: Parameters, normals: Floats, size: Any, variant: str) -> Any:
    p["heating_air"] = 1.0 - size
    return -size


def _air_leak(drawer: Drawer, p: Parameters, normals: Floats, size: Any, variant: str) -> Any:
    p["sample_air"] = size
    return size


def _wet(drawer: Drawer, p: Parameters, normals: Floats, size: Any, variant: str) -> Any:
    p["water_left"] = 0.35 + 0.65 * share_of(normals[:, 0] + 0.8)
    return p["water_left"]


def _drift(drawer: Drawer, p: Parameters, normals: Floats, size: Any, variant: str) -> Any:
    size = size * (1.0 if variant.endswith("high") else -1.0)
    if variant.startswith("offset"):
        p["o2_offset"] = size
    else:
        p["o2_slope"] = -size / 12.7  # size is told at 8.2 % O2, 12.7 below air
    return size


def _setting(drawer: Drawer, p: Parameters, normals: Floats, size: Any, variant: str) -> Any:
    if variant in drawer.settings:
        p["setting"] = drawer.settings[variant] + 0.01 * normals[:, 0]
    else:
        # away from the fuel's normal value, mostly below it
        p["setting"] = np.where(normals[:, 1] > 0.6, 1.0, -1.0) * (0.03 + 0.10 * share_of(normals[:, 0]))
    return np.expm1(p["setting"])


def _fuel_other(drawer: Drawer, p: Parameters, normals: Floats, size: Any, variant: str) -> Any:
    fuels = np.array(drawer.other_fuels[variant])
    # One continuous coordinate runs through the list, so that a proposal can move along it.
    place = share_of(normals[:, 0]) * (len(fuels) - 1)
    smallest = float(drawer.priors.table["other_fuels"]["smallest_share"])
    blend = smallest + (1.0 - smallest) * share_of(normals[:, 1])
    p["air_need"], p["heat_per_air"], p["co2_maximum"] = (
        1.0 + blend * (np.interp(place, np.arange(len(fuels)), column) - 1.0) for column in fuels.T
    )
    if variant == GASOLINE == drawer.heater.fuel.family:  # the other family: diesel, which evaporates badly there
        badly = drawer.priors.table["other_fuels"]["evaporates_badly"]
        p["co_extra"] = blend * badly["co"] * badly["factor"] ** normals[:, 2]
        p["smoke_extra"] = blend * badly["smoke"] * badly["factor"] ** normals[:, 0]
    return 1.0 / p["air_need"] - 1.0


def _stage(drawer: Drawer, p: Parameters, normals: Floats, size: Any, variant: str) -> Any:
    p[f"stage_shift_{variant}"] = 0.35 + 0.65 * share_of(normals[:, 0] + 0.8)
    p["stage_unknown"] = normals[:, 1:3]
    return p[f"stage_shift_{variant}"]


def _unsteady(drawer: Drawer, p: Parameters, normals: Floats, size: Any, variant: str) -> Any:
    p["unsteady"] = np.ones(len(normals))
    return np.zeros(len(normals))


def _waxed(drawer: Drawer, p: Parameters, normals: Floats, size: Any, variant: str) -> Any:
    """Wax closes strainer and line: the pump starves, at full stage most."""
    return _fuel(-1.0)(drawer, p, normals, size, "starving")


def _water(drawer: Drawer, p: Parameters, normals: Floats, size: Any, variant: str) -> Any:
    """Water takes its share of each stroke: that much less fuel burns in the same air."""
    p["stroke"] = p.get("stroke", 1.0) * (1.0 - size)
    return size


def _baseline_not_healthy(drawer: Drawer, p: Parameters, normals: Floats, size: Any, variant: str) -> Any:
    """The fault lay in the baseline and is gone: against such a baseline a healthy heater shows its inverse."""
    if variant == "exchanger":
        p["clean"] = p.get("clean", 1.0) / (1.0 - size)
        return size
    over = {"fuel_over": 1.0 / (1.0 + size), "fuel_under": 1.0 / (1.0 - size)}.get(variant, 1.0 - size)
    p["baseline_air_ratio"] = np.log(over)
    if variant in ("intake", "exhaust"):
        _cleared_since(drawer, p, size, variant)
    else:
        p["stroke"] = p.get("stroke", 1.0) * over
    return size


def _cleared_since(drawer: Drawer, p: Parameters, size: Any, side: str) -> None:
    """Take a restriction out of one side of a path whose shares were drawn as those of the healthy heater."""
    burner = 1.0 - p["intake_share"] - p["exhaust_share"]
    ways = {"intake": p["intake_share"] / burner, "exhaust": p["exhaust_share"] / burner}
    ratio = drawer.known["port_ratio"]
    if ratio is not None:  # the ports were read with the restriction in: they say nothing about the healthy path
        rows = drawer.structure
        normal = np.log(ways["exhaust"] / (ways["intake"] * ratio)) / np.log(
            rows["exhaust_to_intake_given_ports"]["factor"]
        )
        ways["exhaust"] = scaled(rows["exhaust_to_burner"], normal)
    whole = 1.0 + ways["intake"] + ways["exhaust"]
    over = resistance_from_air_change(1.0 - size, p["steepness"])
    narrowed = 1.0 + whole * (over - 1.0) / ways[side]
    ways[side] = ways[side] * narrowed
    p["intake_share"], p["exhaust_share"] = (ways[name] / (whole * over) for name in ("intake", "exhaust"))
    key = {"intake": "r_in", "exhaust": "r_ex"}[side]
    p[key] = p.get(key, 1.0) / narrowed


_EFFECTS: dict[str, Callable[..., Any]] = {
    HEALTHY: _healthy,
    "intake_restricted": _restricted("r_in"),
    "exhaust_restricted": _restricted("r_ex"),
    "exhaust_recirculated": _recirculated,
    "supply_low": _supply_low,
    "blower_weak": _blower_weak,
    "fuel_over": _fuel(1.0),
    "fuel_under": _fuel(-1.0),
    "burner_fouled": _burner_fouled,
    "exchanger_fouled": _exchanger_fouled,
    "heating_air_restricted": _heating_air,
    "sample_air_leak": _air_leak,
    "sample_wet": _wet,
    "o2_cell_drift": _drift,
    "analyser_fuel_setting": _setting,
    "fuel_other": _fuel_other,
    "stage_mistaken": _stage,
    "not_steady": _unsteady,
    "baseline_not_healthy": _baseline_not_healthy,
    "baseline_of_another_heater": _healthy,
    # These leave no trace in a reading of a heater that burns.
    "exhaust_leak": _healthy,
    "glow_voltage_low": _healthy,
    "glow_weak": _healthy,
    "flame_sensor": _healthy,
    "fuel_waxed": _waxed,
    "fuel_contaminated": _water,
}
