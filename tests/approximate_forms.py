"""Sweeps of every approximate form over its stated band: record of ``approximate_forms.toml`` -> curves of error.

The sweep test checks the curves against the record, the accuracy page draws them: both read the same numbers.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import cantera as ct
import fluids
import numpy as np
from CoolProp.CoolProp import PropsSI
from CoolProp.HumidAirProp import HAPropsSI
from scipy import stats

from combust.application.heater.baseline import healthy_stage
from combust.data.tables import load_table
from combust.domain.catalogue import get_fuel, shipped_fuels
from combust.domain.fuel import fuel_from_formula
from combust.domain.site import Site
from combust.kernel import air, air_ratio, altitude, fuel_delivery, gas_flow, heat, printed_forms, uncertainty
from combust.kernel.constants import DRY_AIR
from combust.kernel.flue_gas import flue_gas_moles
from combust.kernel.hot_gas import flame_temperature, fuel_heat
from combust.kernel.tails import normal_of_student
from combust.kernel.types import AtomsTuple
from combust.kernel.working_point import HealthyState, HeaterParameters, SiteAir, working_point
from tests.exact_working_point import exact_air_ratio

# A curve: what is held fixed, the swept quantity, the error in the record's unit.
Curve = tuple[str, np.ndarray, np.ndarray]


@dataclass(frozen=True, slots=True)
class ApproximateForm:
    """One validity record, as it stands in the table."""

    name: str
    form: str
    exact: str
    of: str
    unit: str
    band: tuple[float, float]
    error: tuple[float, float]
    error_unit: str
    why: str


def forms() -> dict[str, ApproximateForm]:
    """Return every validity record."""
    found = {}
    for name, row in load_table("approximate_forms").items():
        values = {key: tuple(value) if isinstance(value, list) else value for key, value in row.items()}
        found[name] = ApproximateForm(name=name, **values)
    return found


OXYGEN_FREE = {"CH1.70": AtomsTuple(1.7, 0.0), "CH1.86": AtomsTuple(1.86, 0.0), "CH2.20": AtomsTuple(2.2, 0.0)}
WITH_OXYGEN = {"B7": AtomsTuple(1.86, 0.007), "E10": AtomsTuple(1.93, 0.033), "B100": AtomsTuple(1.857, 0.107)}


def _grid(name: str, count: int = 121) -> np.ndarray:
    low, high = forms()[name].band
    return (
        np.geomspace(low, high, count) if high > 100.0 * max(low, 1e-9) and low > 0.0 else np.linspace(low, high, count)
    )


def _lambda_curves(name: str, fuels: dict[str, AtomsTuple], shares: tuple[float, ...]) -> Iterator[Curve]:
    ratio = _grid(name)
    for label, atoms in fuels.items():
        for share in shares:
            gas = flue_gas_moles(atoms, ratio, co_share=share)
            o2, co2, co = 100.0 * gas.o2 / gas.dry, 100.0 * gas.co2 / gas.dry, 1e6 * gas.co / gas.dry
            told = _closed_form(name.partition("_")[0], o2, co2, co, atoms)
            yield f"{label}, CO share {share:g}", ratio, 100.0 * (told / ratio - 1.0)


def _closed_form(form: str, o2: np.ndarray, co2: np.ndarray, co: np.ndarray, atoms: AtomsTuple) -> np.ndarray:
    if form == "shortcut":
        return printed_forms.air_ratio_shortcut(o2)
    route = {"brettschneider": printed_forms.air_ratio_brettschneider, "spindt": printed_forms.air_ratio_spindt}[form]
    return route(o2, co2, atoms, co_dry_ppm=co)


def _siegert() -> Iterator[Curve]:
    temp = _grid("siegert")
    for name in ("diesel_b0", "kerosene"):
        burnt = get_fuel(name)
        for ratio in (1.2, 1.6, 2.5):
            gas = flue_gas_moles(burnt, ratio)
            exact = heat.stack_loss(gas, temp, 20.0, burnt, burnt.net_heating_value_mj_per_kg)
            told = heat.stack_loss_siegert(temp, 20.0, 100.0 * float(gas.o2 / gas.dry))
            yield f"{name}, lambda {ratio}", temp, told - exact


def _flame() -> Iterator[Curve]:
    """n-Dodecane burnt in Cantera to equilibrium, its enthalpy set so that the heating value is ours."""
    ratios = _grid("flame_without_dissociation", 25)
    burnt = get_fuel("n_dodecane")
    names = ("O2", "N2", "AR", "CO2", "H2O", "CO", "H2", "OH", "O", "H", "NO")
    known = {one.name.upper(): one for one in ct.Species.list_from_file("nasa_gas.yaml")}
    gas = ct.Solution(thermo="ideal-gas", species=[known[name] for name in names])
    need = 1.0 + burnt.h_c / 4.0
    per_carbon = 12.011 + 1.008 * burnt.h_c
    formed = known["CO2"].thermo.h(298.15) + burnt.h_c / 2.0 * known["H2O"].thermo.h(298.15)
    for intake in (-25.0, 20.0):
        error = []
        for ratio in ratios:
            moles = ratio * need / DRY_AIR.o2
            parts = {"O2": DRY_AIR.o2, "N2": DRY_AIR.n2, "AR": DRY_AIR.ar, "CO2": DRY_AIR.co2}
            gas.TPX = 273.15 + intake, ct.one_atm, parts
            brought = moles * gas.enthalpy_mole + burnt.net_heating_value_mj_per_kg * 1e6 * per_carbon + formed
            made = {key: moles * part for key, part in parts.items()}
            made["O2"] -= need
            made["CO2"] += 1.0
            made["H2O"] = burnt.h_c / 2.0
            gas.TPX = 1500.0, ct.one_atm, made
            gas.HP = brought / sum(made.values()) / gas.mean_molecular_weight, ct.one_atm
            gas.equilibrate("HP")
            told = flame_temperature(fuel_heat(burnt, burnt.net_heating_value_mj_per_kg), ratio, intake - 25.0)
            error.append(float(told) + 298.15 - gas.T)
        yield f"intake {intake:g} °C", ratios, np.array(error)


def _viscosity() -> Iterator[Curve]:
    temp = _grid("gas_viscosity")
    exact = np.array([PropsSI("V", "T", t + 273.15, "P", 101325.0, "Air") for t in temp])
    yield "air", temp, 100.0 * (gas_flow.gas_viscosity(temp) / exact - 1.0)


def _transition() -> Iterator[Curve]:
    reynolds = _grid("friction_laminar_to_turbulent")
    exact = np.array([fluids.friction.Churchill_1977(float(re), 0.0) for re in reynolds])
    yield "smooth", reynolds, 100.0 * (gas_flow.friction_factor(reynolds) / exact - 1.0)


def _turbulent() -> Iterator[Curve]:
    reynolds = _grid("friction_turbulent")
    for roughness in (0.0, 0.003, 0.05):
        exact = np.array([fluids.friction_factor(Re=float(re), eD=roughness, Method="Colebrook") for re in reynolds])
        told = gas_flow.friction_factor(reynolds, roughness)
        yield f"roughness {roughness:g}", reynolds, 100.0 * (told / exact - 1.0)


def _saturation() -> Iterator[Curve]:
    temp = _grid("saturation_pressure")
    exact = np.array([PropsSI("P", "T", t + 273.15, "Q", 0, "Water") for t in temp])
    yield "over water", temp, 100.0 * (100.0 * air.saturation_pressure(temp) / exact - 1.0)


def _dew_point() -> Iterator[Curve]:
    temp = _grid("dew_point")
    pressure = np.array([PropsSI("P", "T", t + 273.15, "Q", 0, "Water") for t in temp])
    yield "water", temp, air.water_dew_point(pressure) - temp


def _density() -> Iterator[Curve]:
    temp = _grid("air_density", 66)
    for pressure in (540.0, 1013.25):
        for humidity in (0.0, 100.0):
            exact = []
            for one in temp:
                state = ("T", one + 273.15, "P", 100.0 * pressure, "R", humidity / 100.0)
                exact.append((1.0 + HAPropsSI("W", *state)) / HAPropsSI("Vda", *state))
            told = air.air_density(pressure, temp, humidity)
            yield f"{pressure:g} hPa, {humidity:g} %", temp, 100.0 * (told / np.array(exact) - 1.0)


def _fuel_density() -> Iterator[Curve]:
    whole = _grid("fuel_density")
    for name, melts in (("n-Heptane", -90.0), ("n-Decane", -29.0), ("n-Dodecane", -9.0)):
        temp = whole[whole > melts]

        def exact(celsius: float, name: str = name) -> float:
            return float(PropsSI("D", "T", celsius + 273.15, "P", 101325.0, name))

        expansion = -(exact(15.5) - exact(14.5)) / exact(15.0)
        told = fuel_delivery.fuel_density(exact(15.0), expansion, temp)
        yield name, temp, 100.0 * (told / np.array([exact(one) for one in temp]) - 1.0)


def _surface() -> Iterator[Curve]:
    height = _grid("altitude_surface", 60)
    base = healthy_stage("diesel_b7", air_ratio=1.6, air_ratio_u=0.02, reference=Site(0.0, None, 20.0))
    for temp in (-60.0, -25.0, 15.0, 60.0):
        told = altitude.lambda_from_surface(base.surface, altitude_m=height, temp_c=temp)
        exact = base.lambda_at(base.air_at(air.pressure_from_altitude(height), np.full_like(height, temp)))
        burns = exact.air_ratio_full >= 1.05  # and so does every draw of the structure
        yield f"{temp:g} °C", height[burns], (told.air_ratio_full - exact.air_ratio_full)[burns]


def _humid() -> Iterator[Curve]:
    humidity = _grid("altitude_surface_humid", 40)
    base = healthy_stage("diesel_b7", air_ratio=1.6, air_ratio_u=0.02, reference=Site(0.0, None, 20.0))
    for temp, height in ((-30.0, 3000.0), (0.0, 1500.0), (15.0, 0.0), (15.0, 3000.0)):
        pressure, cold = np.full(len(humidity), air.pressure_from_altitude(height)), np.full(len(humidity), temp)
        told = altitude.lambda_from_surface(base.surface, pressure_hpa=pressure, temp_c=cold, humidity_pct=humidity)
        exact = base.lambda_at(base.air_at(pressure, cold, humidity_pct=humidity))
        yield f"{temp:g} °C, {height:g} m", humidity, told.air_ratio_full - exact.air_ratio_full


def _trims() -> Iterator[Curve]:
    height = _grid("trim_surface", 30)
    base = healthy_stage("diesel_b7", air_ratio=1.6, air_ratio_u=0.02, reference=Site(0.0, None, 20.0))
    for temp in (-60.0, -25.0, 15.0, 60.0):
        pressure, cold = air.pressure_from_altitude(height), np.full_like(height, temp)
        here, density = base.air_at(pressure, cold), base.fuel_density(cold)
        by_density = here.dry_density / density
        for by, weights, scale in zip(
            ("fuel", "speed"), base.trims_fitted[:2], (by_density, 1 / by_density), strict=True
        ):
            told = altitude.value_from_surface(weights, pressure, cold) * scale
            exact = base.trim(here, density, base.air_ratio, by=by).factor
            yield f"{by}, {temp:g} °C", height, 100.0 * (told / exact - 1.0)


def _rounds() -> Iterator[Curve]:
    b7, flow = get_fuel("diesel_b7"), _grid("working_point_rounds")
    known = fuel_heat(b7, b7.net_heating_value_mj_per_kg)
    base = HealthyState(1.60, 350.0, 15.0, 15.0, 75.0)
    cases = (
        (1.0, 1.0, 0.4, 0.0),
        (0.6, 1.0, 0.0, 0.0),
        (0.6, 0.3, 0.0, 0.0),
        (0.8, 0.3, 2.5, 0.0),
        (0.6, 0.3, 0.0, 0.3),
    )
    for density, clean, steepness, radiated in cases:
        site = SiteAir(density, density, density, density, 15.0, 15.0)
        asked = HeaterParameters(fuel=flow, shaft=1.0, clean=clean, steepness=steepness, speed=0.7, radiated=radiated)
        quick, settled = (working_point(base, site, asked, known, **more) for more in ({}, {"rounds": 40}))
        yield (
            f"density {density:g}, clean {clean:g}, steepness {steepness:g}, radiated {radiated:g}",
            flow,
            100.0 * (quick.air_ratio / settled.air_ratio - 1.0),
        )


def _hot_gas() -> Iterator[Curve]:
    """Pure changes of the air at a site, no fault: fitted enthalpies against the polynomials, same air path."""
    b7, density = get_fuel("diesel_b7"), _grid("cubic_enthalpy", 22)
    known = fuel_heat(b7, b7.net_heating_value_mj_per_kg)
    steep, hot_share, flue = structure = np.array(
        list(itertools.product((0.0, 0.8, 2.5), (0.2, 0.9), (220.0, 400.0)))
    ).T
    asked = HeaterParameters(steepness=steep, intake_share=0.15, exhaust_share=0.35, hot_share=hot_share, air_side=0.0)
    for ratio, temp in itertools.product((1.4, 1.8, 2.6), (-60.0, 15.0, 60.0)):
        # No warming of the heating air at the baseline: both exchangers then face air of one temperature.
        base = HealthyState(ratio, flue, 20.0, 20.0, 0.0)
        path = (steep, 0.35, 0.5 * hot_share, 0.7)
        exact, _ = exact_air_ratio(b7, base, path, density=density[:, None], intake_c=temp, air_in_c=20.0)
        site = SiteAir(*(density[:, None] for _ in range(4)), temp, 20.0)
        told = working_point(base, site, asked, known).air_ratio
        for draw, (s, share, hot) in enumerate(structure.T):
            burns = exact[:, draw] >= 1.0
            error = 100.0 * (told / exact - 1.0)[burns, draw]
            yield f"lambda {ratio:g}, {temp:g} °C, s {s:g}, hot {share:g}, flue {hot:g} °C", density[burns], error


def _student() -> Iterator[Curve]:
    freedom = np.unique(np.round(_grid("student_t", 400)))
    yield "two-sided 95 %", freedom, 100.0 * (uncertainty.student_t(freedom) / stats.t.ppf(0.975, freedom) - 1.0)


def _student_tail() -> Iterator[Curve]:
    decades = _grid("student_as_normal")
    for freedom in (3.0, 5.0, 12.0, 300.0):
        told = normal_of_student(stats.t.isf(10.0**-decades, freedom), freedom)
        yield f"{freedom:g} degrees of freedom", decades, 100.0 * (told / stats.norm.isf(10.0**-decades) - 1.0)


def _first_order() -> Iterator[Curve]:
    oxygen, u = _grid("first_order_uncertainty"), 0.15
    for label, atoms in {**OXYGEN_FREE, **WITH_OXYGEN}.items():
        told = np.abs(uncertainty.uncertain_route(air_ratio.air_ratio_from_o2, oxygen, atoms, gas_u=u).by_gas)
        high, low = (air_ratio.air_ratio_from_o2(oxygen + step, atoms) for step in (u, -u))
        yield label, oxygen, 100.0 * (told / ((high - low) / 2.0) - 1.0)


def _hyperbola() -> Iterator[Curve]:
    ratio = _grid("lambda_hyperbola")
    for label, atoms in {**OXYGEN_FREE, **WITH_OXYGEN}.items():
        for share in (0.0, 0.03):
            gas = flue_gas_moles(atoms, ratio, co_share=share)
            oxygen, co = 100.0 * gas.o2 / gas.dry, 1e6 * gas.co / gas.dry
            here = uncertainty.uncertain_route(
                air_ratio.air_ratio_from_o2, oxygen, atoms, gas_u=0.15, co_dry_ppm=co, co_u=0.0
            )
            best = uncertainty.best_air_ratio(here, oxygen, 0.15, uncertainty.Route(*4 * (np.nan,)))
            for step in (-2.0, 2.0):
                exact = air_ratio.air_ratio_from_o2(oxygen + 0.15 * step, atoms, co_dry_ppm=co)
                yield f"{label}, CO {share:g}, O2 {0.15 * step:+g}", ratio, 100.0 * (best.at(step) / exact - 1.0)


def _formula_heat() -> Iterator[Curve]:
    pure = [one for one in shipped_fuels().values() if one.carbon and "formation" in str(one.provenance)]
    ratio = np.array([one.h_c for one in pure])
    told = np.array([fuel_from_formula(one.formula).net_heating_value_mj_per_kg for one in pure])
    exact = np.array([one.net_heating_value_mj_per_kg for one in pure])
    order = np.argsort(ratio)
    yield "pure fuels of the catalogue", ratio[order], 100.0 * (told / exact - 1.0)[order]


SWEEPS: dict[str, Callable[[], Iterator[Curve]]] = {
    "brettschneider": lambda: _lambda_curves("brettschneider", OXYGEN_FREE | WITH_OXYGEN, (0.0, 0.05)),
    "spindt": lambda: _lambda_curves("spindt", OXYGEN_FREE, (0.0, 0.05)),
    "spindt_oxygenated": lambda: _lambda_curves("spindt_oxygenated", WITH_OXYGEN, (0.0,)),
    "shortcut": lambda: _lambda_curves("shortcut", OXYGEN_FREE | WITH_OXYGEN, (0.0,)),
    "siegert": _siegert,
    "flame_without_dissociation": _flame,
    "gas_viscosity": _viscosity,
    "friction_laminar_to_turbulent": _transition,
    "friction_turbulent": _turbulent,
    "saturation_pressure": _saturation,
    "dew_point": _dew_point,
    "air_density": _density,
    "fuel_density": _fuel_density,
    "altitude_surface": _surface,
    "altitude_surface_humid": _humid,
    "trim_surface": _trims,
    "working_point_rounds": _rounds,
    "cubic_enthalpy": _hot_gas,
    "student_t": _student,
    "student_as_normal": _student_tail,
    "first_order_uncertainty": _first_order,
    "lambda_hyperbola": _hyperbola,
    "heat_from_formula": _formula_heat,
}
