"""Heater types of a fleet: profiles read once, as arrays that rows of vehicles index into."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from combust.application.fleet.policy import Policy
from combust.application.fleet.tables import Faults
from combust.application.heater.baseline import healthy_stage
from combust.application.heater.healthy import HealthyStage
from combust.application.site.derating import stage_columns
from combust.data.errors import CombustError, Fault, shorten
from combust.data.near import did_you_mean, near_matches
from combust.domain.catalogue import get_fuel
from combust.domain.heater import Heater
from combust.domain.pump import on_fuel
from combust.kernel.altitude import LambdaAtSite, fuel_trim_to_keep
from combust.kernel.types import Floats
from combust.kernel.working_point import SiteAir

OF_THE_OTHER = {True: {"diesel", "kerosene"}, False: {"gasoline"}}  # families by whether it is made for gasoline


@dataclass(frozen=True)
class HeaterType:
    """One profile as the plan uses it.

    Attributes
    ----------
    numbers : mapping
        useful_heat_kw, base_air_ratio and its uncertainty _u, expansion_per_k and fuel_temp_c of the baseline;
        efficiency, heating_value_kwh_per_l, air_ratio_min, run_power_w, glow_power_w, glow_s, cool_down_s; plugs (0 = a
        fuel without plugging point); and, NaN where not entered, low_air_ratio (healthy lambda of the low stage),
        low_heat_kw, altitude_limit_m, compensation_limit_m, blower_trim_pct and nominal_v.
    origins : mapping
        Where those come from that a policy can stand in for.
    heater : Heater
        The profile itself, on the fuel of its tank.
    """

    name: str
    base: HealthyStage
    numbers: Mapping[str, float]
    origins: Mapping[str, str]
    heater: Heater


def heater_type(name: str, heater: Heater, policy: Policy) -> HeaterType:
    """Return a heater profile as a type of the fleet.

    Raises
    ------
    CombustError
        No lambda, no useful heat or no fuel density in the profile.
    """
    base = healthy_stage(heater)
    if base.useful_heat_kw is None or base.fuel.density_kg_per_m3 is None:
        what = "useful_heat_kw of the stage" if base.useful_heat_kw is None else "density of the fuel"
        raise CombustError(Fault("profile", name, "missing", why=f"has no {what}", hint="Add it to the profile."))
    kwh_per_l = base.fuel.net_heating_value_mj_per_kg * base.fuel.density_kg_per_m3 / 3600.0
    start = heater.start
    given = {
        "air_ratio_min": heater.limits.air_ratio_min,
        "efficiency": base.useful_heat_kw / (base.fuel_l_per_h * kwh_per_l) if base.fuel_l_per_h else None,
        "run_power_w": heater.power_run_w,
        "glow_power_w": heater.glow_a * heater.nominal_v if heater.glow_a and heater.nominal_v else None,
        "glow_s": sum(start.preheat_s[:1]) + sum(start.attempt_s[:1]) if start and start.preheat_s else None,
        "cool_down_s": start.cool_down_s if start else None,
    }
    numbers = {key: policy[key] if number is None else number for key, number in given.items()} | {
        "useful_heat_kw": base.useful_heat_kw,
        "base_air_ratio": base.air_ratio,
        "base_air_ratio_u": base.air_ratio_u,
        "expansion_per_k": base.expansion_per_k,
        "fuel_temp_c": base.fuel_temp_c,
        "heating_value_kwh_per_l": kwh_per_l,
        "plugs": float(base.fuel.family != "gasoline"),
        **_low_stage(heater, base),
        **{key: np.nan if number is None else number for key, number in _where_entered(heater, base).items()},
    }
    stands_in = {key: f"policy: {policy.rows[key].origin}" for key, number in given.items() if number is None}
    return HeaterType(name, base, numbers, dict.fromkeys(given, "profile") | stands_in, heater)


def _where_entered(heater: Heater, base: HealthyStage) -> dict[str, float | None]:
    return {
        "altitude_limit_m": heater.limits.altitude_m,
        "compensation_limit_m": heater.limits.compensation_altitude_m,
        "blower_trim_pct": base.blower_left_pct,
        "nominal_v": heater.nominal_v,
    }


def _low_stage(heater: Heater, base: HealthyStage) -> dict[str, float]:
    """Return healthy lambda and heat of the stage with the least fuel or heat; NaN where there is none to tell."""
    low = min(heater.stages.values(), key=lambda one: (one.fuel_l_per_h or np.inf, one.useful_heat_kw or np.inf))
    if low.name == base.name:
        return {"low_air_ratio": np.nan, "low_heat_kw": np.nan}
    unknown = heater.baseline_of(low.name) is None and low.air_ratio_band is None
    return {
        "low_air_ratio": np.nan if unknown else healthy_stage(heater, stage=low.name).air_ratio,
        "low_heat_kw": low.useful_heat_kw or np.nan,
    }


def types_of(
    vehicles: pd.DataFrame,
    heaters: Mapping[str, Heater | str | Path],
    folder: Path | None,
    policy: Policy,
    faults: Faults,
    sold: Any,
) -> tuple[list[HeaterType], Any]:
    """Return (types, index of each vehicle's type); -1 and a fault where a profile or fuel is missing or refused.

    A vehicle's own ``fuel``, else that ``sold`` at its site, stands for that of its profile; a heater on it is a type
    of its own. Gasoline is never put into a heater made for diesel, nor diesel into one made for gasoline, in no blend.
    """
    names = np.where(vehicles["profile"] != "", vehicles["profile"], vehicles["heater_id"]).astype(str)
    own = vehicles["fuel"].to_numpy(dtype=str)
    pairs = pd.MultiIndex.from_arrays([names, own, np.where(own != "", "", np.asarray(sold, dtype=str))])
    codes, unique = pd.factorize(pairs)
    types: list[HeaterType] = []
    position = np.full(len(unique), -1)
    for code, (name, in_tank, at_site) in enumerate(unique):
        try:
            label, heater = _fuelled(str(name), _load(str(name), heaters, folder), in_tank, at_site)
            types.append(heater_type(label, heater, policy))
            position[code] = len(types) - 1
        except CombustError as error:
            text = f"profile {shorten(name) or 'not given'}: {' '.join(str(fault) for fault in error.faults)}"
            faults.add("vehicles", codes == code, "profile", names, error.code, text)
    return types, position[codes]


def _fuelled(name: str, heater: Heater, in_tank: str, at_site: str) -> tuple[str, Heater]:
    """Return (what the type is called, the heater on the fuel in its tank)."""
    asked = in_tank or at_site
    fuel = get_fuel(asked) if asked else heater.fuel
    if fuel == heater.fuel:
        return name, heater
    gasoline = heater.fuel.family == "gasoline"
    parts = fuel.families
    if parts & OF_THE_OTHER[gasoline] or (gasoline and "gasoline" not in parts):
        if not in_tank and not parts & OF_THE_OTHER[not gasoline]:
            return name, heater  # it gets its fuel elsewhere
        why, hint = f"is no fuel for a heater made for {heater.fuel.name}", "Correct the fuel of the vehicle."
        raise CombustError(Fault("fuel", asked, "conflict", why=why, hint=hint))
    return f"{name} on {fuel.name if '+' in asked else asked}", on_fuel(heater, fuel)


def names_in(folder: str | Path | None) -> list[str]:
    """Return the names by which vehicles name the profiles of a folder: those of its files, without their ending."""
    return [] if folder is None else sorted(path.stem for path in Path(folder).glob("*.toml"))


def _load(name: str, heaters: Mapping[str, Heater | str | Path], folder: Path | None) -> Heater:
    found = heaters.get(name)
    if isinstance(found, Heater):
        return found
    if found is not None:
        return Heater.load(found)
    if folder is not None and name:
        for place in (folder / name, folder / f"{name}.toml"):
            if place.suffix == ".toml" and _lies_in(place, folder):
                return Heater.load(place)
    near = did_you_mean(near_matches(name, [*heaters, *names_in(folder)], n=2), "")
    hint = f"{near} Write it (combust profile new), or say where the profiles lie (--profiles DIR).".strip()
    why = "has no heater profile" + (f" in {shorten(folder)}" if folder is not None else "")
    raise CombustError(Fault("profile", name or "empty", "missing", why=why, hint=hint))


def _lies_in(place: Path, folder: Path) -> bool:
    """Return True for a file inside the folder; a name that no file can have lies nowhere."""
    try:
        return place.is_file() and place.resolve().is_relative_to(folder.resolve())
    except (OSError, ValueError, RuntimeError):
        return False


class Fleet:
    """Arrays of the types' numbers, and lambdas and trims row by row of a fleet."""

    def __init__(self, types: list[HeaterType], index: Any) -> None:
        self.types, self.index = types, np.asarray(index)
        self._rows = [np.flatnonzero(self.index == code) for code in range(len(types))]

    def of(self, key: str) -> Any:
        """Return a number of each row's type."""
        return np.array([one.numbers[key] for one in self.types], dtype=float)[self.index]

    def _each(self, pressure_hpa: Any, temp_c: Any, work: Callable[..., Mapping[str, Any]]) -> dict[str, Any]:
        """Return the columns that ``work(type, air, temperatures)`` gives, a row each; equal nights are worked once."""
        size = len(self.index)
        nights = np.broadcast_to(pressure_hpa, size) + 1j * np.broadcast_to(temp_c, size)
        out: dict[str, Any] = {}
        for one, rows in zip(self.types, self._rows, strict=True):
            night_of, different = pd.factorize(nights[rows])
            temp = different.imag
            for key, column in work(one, one.base.air_at(different.real, temp), temp).items():
                out.setdefault(key, np.full(size, np.nan))[rows] = column[night_of]
        return out

    def columns_at(self, pressure_hpa: Any, temp_c: Any) -> dict[str, Any]:
        """Return :func:`stage_columns` of each row, and the fuel trims that hold lambda at its minimum only [%]."""

        def work(one: HeaterType, here: SiteAir[Any], temp: Any) -> Mapping[str, Any]:
            base, least = one.base, min(one.numbers["air_ratio_min"], one.base.air_ratio)
            columns = stage_columns(base, here, temp, base.air_ratio)
            factor = base.trim(here, base.fuel_density(temp), least, by="fuel").factor
            columns["fuel_trim_to_minimum_pct"] = fuel_trim_to_keep(columns["air_ratio"], least)
            return columns | {"fuel_trim_to_minimum_full_pct": 100.0 * (np.minimum(factor, 1.0) - 1.0)}

        return self._each(pressure_hpa, temp_c, work)

    def lambda_at(self, pressure_hpa: Any, temp_c: Any, *, air_ratio_shift: float = 0.0) -> LambdaAtSite[Floats]:
        """Return the three lambdas of each row at a pressure and temperature (arrays of the fleet's length)."""

        def work(one: HeaterType, here: SiteAir[Any], _temp: Any) -> Mapping[str, Any]:
            state = one.base.state
            shifted = state._replace(air_ratio=state.air_ratio + air_ratio_shift)
            return (replace(one.base, state=shifted) if air_ratio_shift else one.base).lambda_at(here)._asdict()

        return LambdaAtSite(**self._each(pressure_hpa, temp_c, work))
