"""A heater stage at its healthy baseline: what every question about a site starts from."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from combust.application.reading.columns import columns_of_reading
from combust.application.reading.interpret import interpret_columns
from combust.data.errors import Code, CombustError, Fault
from combust.data.tables import load_table
from combust.domain.catalogue import get_fuel
from combust.domain.fuel import Fuel
from combust.domain.heater import Baseline, Heater, Stage
from combust.domain.instrument import instrument_class
from combust.domain.result import Assumed, assume
from combust.domain.site import Site
from combust.kernel import altitude, hot_gas
from combust.kernel.air import dry_air_density

DRAWS = 64


@dataclass(frozen=True)
class AltitudeBase:
    """A heater stage (or a bare fuel and lambda) with the air its lambda belongs to.

    Attributes
    ----------
    fuel : Fuel
    air_ratio, air_ratio_u : float
        lambda of the healthy baseline and its standard uncertainty [-].
    reference : Site
        The baseline's own air.
    fuel_temp_c, expansion_per_k : float
        Fuel at the pump at the baseline [°C]; volume expansion [1/K].
    hot : HotGasBase
    draws : PathDraws
        Uncertain structure of the air path.
    air_in_temp_c, air_out_temp_c, useful_heat_kw, fuel_l_per_h : float or None
    assumed : mapping
        Every value that was not given -> value and origin.
    """

    fuel: Fuel
    air_ratio: float
    air_ratio_u: float
    reference: Site
    fuel_temp_c: float
    expansion_per_k: float
    hot: hot_gas.HotGasBase
    draws: hot_gas.PathDraws
    air_in_temp_c: float
    air_out_temp_c: float | None
    useful_heat_kw: float | None
    fuel_l_per_h: float | None
    heater: Heater | None
    stage: Stage | None
    baseline: Baseline | None
    assumed: Mapping[str, Assumed]

    @cached_property
    def fitted(self) -> tuple[altitude.Derating, float]:
        """The stage as the fast kernel's numbers, and the largest misfit of its hot-gas surface [-]."""
        density = self.reference.dry_air_density_kg_m3
        pressure, temp = altitude.fit_nodes()
        state = hot_gas.hot_gas_state(
            self.hot,
            self.draws,
            dry_air_density_ratio=dry_air_density(pressure, temp) / density,
            fuel_density_ratio=altitude.fuel_density_ratio(temp, self.fuel_temp_c, self.expansion_per_k),
            intake_temp_c=temp,
        )
        mean, spread = state.flow_factor.mean(axis=-1), self.relative_u(state.flow_factor, temp)
        flow, misfit = altitude.fit_surface(mean, pressure, temp)
        square, _ = altitude.fit_surface(spread**2, pressure, temp)
        numbers = altitude.Derating(self.air_ratio, density, self.expansion_per_k, self.fuel_temp_c, flow, square)
        return numbers, misfit

    @property
    def derating(self) -> altitude.Derating:
        """The stage as the fast kernel's numbers."""
        return self.fitted[0]

    def trim_factor(self, hold: str, keep: float, pressure_hpa: Any, temp_c: Any) -> Any:
        """Return the fuel (``hold="fuel"``) or speed (``"blower"``) that makes full lambda ``keep``, over baseline.

        From a surface fitted to the exact state; fuel as cold as the air, dry air, heating air as at the baseline.
        """
        key = (hold, keep)
        if key not in self._trims:
            pressure, temp = altitude.fit_nodes()
            state = hot_gas.hot_gas_state(
                self.hot,
                self.draws,
                dry_air_density_ratio=dry_air_density(pressure, temp) / self.reference.dry_air_density_kg_m3,
                fuel_density_ratio=altitude.fuel_density_ratio(temp, self.fuel_temp_c, self.expansion_per_k),
                intake_temp_c=temp,
                hold=hold,
                hold_air_ratio=keep,
            )
            values = (state.fuel_factor if hold == "fuel" else state.speed_factor).mean(axis=-1)
            # Logarithm: a speed factor spans a decade over the bands, its logarithm is nearly straight.
            self._trims[key] = altitude.fit_surface(np.log(values), pressure, temp)[0]
        return np.exp(altitude.evaluate_surface(self._trims[key], pressure_hpa, temp_c))

    @cached_property
    def _trims(self) -> dict[tuple[str, float], Any]:
        return {}

    def relative_u(self, flow_factor: Any, fuel_temp_c: Any) -> Any:
        """Return the relative standard uncertainty of the full lambda: baseline, fuel expansion, hot-gas priors [-]."""
        hot = flow_factor.std(axis=-1) / flow_factor.mean(axis=-1)
        share = load_table("altitude")["expansion_u_share"]["value"]
        fuel = share * self.expansion_per_k * (fuel_temp_c - self.fuel_temp_c)
        return np.sqrt(hot**2 + fuel**2 + (self.air_ratio_u / self.air_ratio) ** 2)


def altitude_base(
    heater_or_fuel: Heater | Fuel | str,
    *,
    stage: str | None = None,
    air_ratio: float | None = None,
    air_ratio_u: float = 0.0,
    reference: Site | None = None,
    useful_heat_kw: float | None = None,
) -> AltitudeBase:
    """Return the starting point of a site effect.

    Parameters
    ----------
    heater_or_fuel : Heater, Fuel or str
        A heater profile, or a fuel with ``air_ratio`` at a stated ``reference`` air.
    stage : str, optional
        Heat stage; default the one with the most fuel or heat.
    air_ratio, air_ratio_u : float
        lambda and its standard uncertainty, only with a bare fuel [-].
    reference : Site, optional
        Air the lambda belongs to, only with a bare fuel; default 1013.25 hPa, 15 °C, dry, listed in ``assumed``.
    useful_heat_kw : float, optional
        Useful heat at the baseline [kW], only with a bare fuel.

    Raises
    ------
    CombustError
        Missing lambda, unknown stage, or a baseline that gives no lambda.
    """
    if isinstance(heater_or_fuel, Heater):
        return _of_heater(heater_or_fuel, stage)
    return _of_fuel(get_fuel(heater_or_fuel), air_ratio, air_ratio_u, reference, useful_heat_kw)


def _of_fuel(
    fuel: Fuel, air_ratio: float | None, air_ratio_u: float, reference: Site | None, useful_heat_kw: float | None
) -> AltitudeBase:
    notes = _Notes()
    if air_ratio is None or not math.isfinite(air_ratio) or not 0.5 <= air_ratio <= 10.0:
        hint = "Give lambda at the reference air, for example air_ratio=1.6, or a heater profile."
        code: Code = "missing" if air_ratio is None else "out_of_band"
        raise CombustError(Fault("air_ratio", air_ratio, code, low=0.5, high=10.0, why="cannot be used", hint=hint))
    if reference is None:
        reference = Site()
        notes.add("reference", "1013.25 hPa, 15 °C, dry", "ISO 2533 sea level; no reference air was given")
    air_in = notes.prior_value("air_in_temp_c", "air_in_temp_c at the baseline")
    hot = hot_gas.HotGasBase(fuel, fuel.net_heating_value_mj_per_kg, air_ratio, reference.intake_temp_c, air_in)
    return AltitudeBase(
        fuel,
        air_ratio,
        air_ratio_u,
        reference,
        notes.take("fuel_temp_c at the baseline", None, reference.intake_temp_c, "as cold as the reference air"),
        _expansion(fuel, notes),
        hot,
        _draws("unknown", None, None, None, notes),
        air_in,
        None,
        useful_heat_kw,
        None,
        None,
        None,
        None,
        notes.rows,
    )


def _of_heater(heater: Heater, stage: str | None) -> AltitudeBase:
    notes = _Notes()
    chosen = heater.stage_of(stage) if stage else _main_stage(heater)
    if not stage:
        notes.add("stage", chosen.name, "the stage with the most fuel or heat")
    baseline = heater.baseline_of(chosen.name)
    reading: Mapping[str, Any] = baseline.reading if baseline else {}
    lam, lam_u = _healthy_air_ratio(heater, chosen, baseline, notes)
    intake = notes.take("intake_temp_c at the baseline", reading.get("intake_temp_c"), 15.0, "standard air")
    height = reading.get("altitude_m")
    if height is None and reading.get("pressure_hpa") is None:
        height = notes.take("altitude_m at the baseline", None, 0.0, "sea level")
    reference = Site(height, reading.get("pressure_hpa"), intake, reading.get("humidity_pct") or 0.0)
    air_in = reading.get("air_in_temp_c")
    air_in = notes.prior_value("air_in_temp_c", "air_in_temp_c at the baseline") if air_in is None else air_in
    fuel = heater.fuel
    hot = hot_gas.HotGasBase(fuel, fuel.net_heating_value_mj_per_kg, lam, intake, air_in)
    draws = _draws(
        heater.blower,
        reading.get("flue_temp_c"),
        reading.get("intake_static_pa"),
        reading.get("exhaust_static_pa"),
        notes,
    )
    return AltitudeBase(
        fuel,
        lam,
        lam_u,
        reference,
        notes.take("fuel_temp_c at the baseline", reading.get("fuel_temp_c"), intake, "as cold as the intake air"),
        _expansion(fuel, notes),
        hot,
        draws,
        air_in,
        reading.get("air_out_temp_c"),
        chosen.useful_heat_kw,
        chosen.fuel_l_per_h,
        heater,
        chosen,
        baseline,
        notes.rows,
    )


def _main_stage(heater: Heater) -> Stage:
    return max(heater.stages.values(), key=lambda one: (one.fuel_l_per_h or 0.0, one.useful_heat_kw or 0.0))


def _healthy_air_ratio(heater: Heater, stage: Stage, baseline: Baseline | None, notes: _Notes) -> tuple[float, float]:
    """Return lambda and its standard uncertainty, from the baseline reading or the middle of the healthy band."""
    if baseline is not None:
        columns = columns_of_reading(baseline.reading, heater.fuel)
        values = interpret_columns(columns, instrument_class()).values
        lam, u = float(values["air_ratio"][0]), float(values["air_ratio_u"][0])
        if math.isfinite(lam):
            if baseline.origin == "type":
                u = math.hypot(u, notes.prior_value("type_baseline_u"))
            return lam, u
    if stage.air_ratio_band is None:
        hint = "Enter a healthy reading with O2, or the healthy band of lambda from the unit's document."
        raise CombustError(Fault(f"baseline of stage {stage.name}", None, "missing", why="gives no lambda", hint=hint))
    low, high = stage.air_ratio_band
    notes.add("air_ratio at the baseline", (low + high) / 2.0, "middle of the profile's healthy band, rectangular")
    return (low + high) / 2.0, (high - low) / (2.0 * math.sqrt(3.0))


def _expansion(fuel: Fuel, notes: _Notes) -> float:
    return notes.take("expansion_per_k", fuel.expansion_per_k, 0.00083, "textbook value of diesel, from memory")


def _draws(
    blower: str, flue_temp: float | None, suction: float | None, back_pressure: float | None, notes: _Notes
) -> hot_gas.PathDraws:
    """Return evenly spread draws of the air path's structure from the stated priors."""
    prior = load_table("air_path")
    points = hot_gas.spread_points(DRAWS, 6)

    def drawn(column: int, low: float, high: float) -> Any:
        return low + (high - low) * points[:, column]

    ducts = prior["exhaust_of_ducts"]["range"]
    if suction is not None and back_pressure is not None and suction < 0.0 < back_pressure:
        share, half = back_pressure / (back_pressure - suction), prior["exhaust_of_ducts"]["measured_half_width"]
        ducts = [max(share - half, 0.0), min(share + half, 1.0)]
    else:
        notes.add("exhaust_of_ducts", ducts, prior["exhaust_of_ducts"]["origin"])
    for key in ("burner_share", "hot_share", "exchanger_exponent"):
        notes.add(key, prior[key]["range"], prior[key]["origin"])
    notes.add("steepness", prior["steepness"][blower]["range"], f"blower {blower}: {prior['steepness']['origin']}")
    burner, exhaust = drawn(1, *prior["burner_share"]["range"]), drawn(2, *ducts)
    if flue_temp is None:
        usual = load_table("altitude")["flue_temp_c"]
        flue = drawn(5, *usual["range"])
        notes.add("flue_temp_c at the baseline", usual["range"], usual["origin"])
    else:
        flue = np.full(DRAWS, float(flue_temp))
    return hot_gas.PathDraws(
        steepness=drawn(0, *prior["steepness"][blower]["range"]),
        intake_share=(1.0 - burner) * (1.0 - exhaust),
        burner_share=burner,
        exhaust_share=(1.0 - burner) * exhaust,
        hot_share=drawn(3, *prior["hot_share"]["range"]),
        exchanger_exponent=drawn(4, *prior["exchanger_exponent"]["range"]),
        flue_temp=flue,
    )


class _Notes:
    """Collects what was not given and was filled in."""

    def __init__(self) -> None:
        self.rows: dict[str, Assumed] = {}

    def add(self, quantity: str, value: Any, origin: str) -> None:
        self.rows[quantity] = assume(quantity, value, origin)

    def take(self, quantity: str, given: float | None, filled: float, origin: str) -> float:
        if given is not None:
            return float(given)
        self.add(quantity, filled, origin)
        return filled

    def prior_value(self, key: str, quantity: str = "") -> float:
        row = load_table("altitude")[key]
        self.add(quantity or key, row["value"], row["origin"])
        return float(row["value"])
