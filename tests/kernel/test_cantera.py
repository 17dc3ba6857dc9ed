"""Independent route: Cantera counts atoms and finds equilibria; our balances must say the same."""

from __future__ import annotations

from functools import cache
from typing import Any

import cantera as ct
import numpy as np
import pytest

from combust.kernel.air_ratio import air_ratio_from_balance
from combust.kernel.constants import ATOMIC_WEIGHT, DRY_AIR
from combust.kernel.flue_gas import flue_gas_moles
from combust.kernel.heat import gas_enthalpy, sensible_heat
from combust.kernel.printed_forms import air_ratio_brettschneider
from combust.kernel.stoichiometry import (
    net_heating_value_from_formation,
    stoichiometric_air_mass,
    stoichiometric_air_moles,
)
from combust.kernel.types import AtomsTuple
from tests.kernel.test_balance_exact import random_fuels
from tests.source_rows import SourceRow, source_rows

PRODUCTS = ("O2", "N2", "AR", "CO2", "H2O", "CO", "H2", "NO", "SO2")
CANTERA = f"Cantera {ct.__version__}"
AIR = {"O2": DRY_AIR.o2, "N2": DRY_AIR.n2, "AR": DRY_AIR.ar, "CO2": DRY_AIR.co2}
# Radicals are not on any analyser's display; they matter above 2000 K only.
RADICALS = ("OH", "O", "H", "NO2")


@cache
def nasa() -> dict[str, Any]:
    return {species.name.upper(): species for species in ct.Species.list_from_file("nasa_gas.yaml")}


def phase_with(fuel: AtomsTuple, *, extra: tuple[str, ...] = ()) -> Any:
    """Return an ideal gas of the products and of a fuel CHONS, so rich in energy that no equilibrium keeps any."""
    atoms = {"C": 1.0, "H": fuel.h_c, "O": fuel.o_c, "N": fuel.n_c, "S": fuel.s_c}
    species = ct.Species("FUEL", {name: float(count) for name, count in atoms.items() if count})
    species.thermo = ct.ConstantCp(200.0, 3500.0, ct.one_atm, [298.15, 5.0e8, 2.0e5, 3.0e4])
    return ct.Solution(thermo="ideal-gas", species=[nasa()[name] for name in PRODUCTS + extra] + [species])


def row_of(fuels: AtomsTuple, index: int) -> AtomsTuple:
    return AtomsTuple(*(float(column[index]) for column in fuels))


def worst_air_mass_by_cantera() -> float:
    fuels = random_fuels(np.random.default_rng(11), 300)
    ours = stoichiometric_air_mass(fuels)
    theirs = [phase_with(row_of(fuels, index)).stoich_air_fuel_ratio("FUEL", AIR) for index in range(300)]
    return float(np.abs(ours / theirs - 1.0).max())


def worst_air_moles_by_cantera() -> float:
    """Cantera's mass ratio over its own molar masses: the ratio by volume of ideal gases."""
    fuels = random_fuels(np.random.default_rng(12), 100)
    ours, theirs = stoichiometric_air_moles(fuels), []
    for index in range(100):
        gas = phase_with(row_of(fuels, index))
        mass = gas.stoich_air_fuel_ratio("FUEL", AIR)
        gas.X = AIR
        theirs.append(mass * gas.molecular_weights[gas.species_index("FUEL")] / gas.mean_molecular_weight)
    return float(np.abs(ours / theirs - 1.0).max())


def worst_forward_by_cantera() -> float:
    """Our wet gas of random fuel, lambda, CO, HC, NO and humidity; Cantera's mixture fraction finds lambda in it."""
    rng = np.random.default_rng(13)
    size = 200
    fuels, truth, water = random_fuels(rng, size), rng.uniform(1.0, 5.0, size), rng.uniform(0.0, 0.05, size)
    gas = flue_gas_moles(
        fuels,
        truth,
        co_share=rng.uniform(0, 0.1, size),
        hc_share=rng.uniform(0, 0.05, size),
        no_share=rng.uniform(0, 0.01, size),
        humidity_ratio=water,
    )
    found = []
    for index in range(size):
        names = ("o2", "n2", "ar", "co2", "h2o", "co", "h2", "no", "so2", "hc")
        theirs = phase_with(row_of(fuels, index))
        theirs.X = {("FUEL" if name == "hc" else name.upper()): float(getattr(gas, name)[index]) for name in names}
        found.append(1.0 / theirs.equivalence_ratio("FUEL", {**AIR, "H2O": float(water[index])}))
    return float(np.abs(np.array(found) / truth - 1.0).max())


def worst_enthalpy_by_cantera() -> float:
    """Mixture enthalpy differences over 230 to 1473 K against Cantera's own polynomials [relative]."""
    rng = np.random.default_rng(15)
    worst = 0.0
    fuel = AtomsTuple(1.86, 0.007, 0.01, 0.001)
    theirs = phase_with(fuel)
    for _ in range(100):
        gas = flue_gas_moles(fuel, rng.uniform(1, 4), co_share=0.02, no_share=0.002, humidity_ratio=0.02)
        theirs.X = {name: float(getattr(gas, name.lower())) for name in PRODUCTS}
        hot, cold = rng.uniform(100.0, 1200.0), rng.uniform(-40.0, 60.0)
        heat = []
        for temp in (hot, cold):
            theirs.TP = temp + 273.15, ct.one_atm
            heat.append(theirs.enthalpy_mole * float(gas.wet))
        ours = sensible_heat(gas, hot, cold)
        worst = max(worst, abs(ours / (heat[0] - heat[1]) - 1.0))
        assert gas_enthalpy(gas, hot) == pytest.approx(heat[0], rel=1e-9)
    return worst


@source_rows(
    SourceRow(
        "independent",
        f"{CANTERA}, stoich_air_fuel_ratio with the same air",
        "stoichiometric air by mass, 300 random CHONS fuels, largest relative difference",
        "0",
        worst_air_mass_by_cantera,
        tolerance=1e-9,
    ),
    SourceRow(
        "independent",
        f"{CANTERA}, stoich_air_fuel_ratio over its molar masses",
        "stoichiometric air by volume, 100 random CHONS fuels, largest relative difference",
        "0",
        worst_air_moles_by_cantera,
        tolerance=1e-9,
    ),
    SourceRow(
        "independent",
        f"{CANTERA}, equivalence_ratio(fuel, oxidiser) of our wet gas",
        "lambda of the forward gas with CO, H2, HC, NO, humidity, 200 fuels, largest relative difference",
        "0",
        worst_forward_by_cantera,
        tolerance=1e-9,
    ),
    SourceRow(
        "independent",
        f"{CANTERA}, nasa_gas.yaml",
        "sensible heat of flue gas, -40 to 1200 °C, largest relative difference",
        "0",
        worst_enthalpy_by_cantera,
        tolerance=1e-9,
    ),
)
def test_cantera_says_the_same(row: SourceRow) -> None:
    row.check()


def test_the_atomic_weights_are_canteras() -> None:
    """So that the comparisons above compare the same thing."""
    assert {name: ct.Element(name).weight for name in ATOMIC_WEIGHT} == ATOMIC_WEIGHT


@pytest.mark.independent
def test_brettschneider_counts_atoms() -> None:
    """Fuels without oxygen: Cantera's own count of C, H and O in the gas rebuilt with K = 3.5 and CO2-free air."""
    rng = np.random.default_rng(16)
    for _ in range(100):
        fuel = AtomsTuple(rng.uniform(1.5, 3.0), 0.0)
        o2, co2, co = rng.uniform(0, 17), rng.uniform(2, 14), rng.uniform(0, 3)
        hydrogen = fuel.h_c / 2 * (co2 + co)
        water = hydrogen * 3.5 / (3.5 + co / co2)
        gas = phase_with(fuel)
        gas.X = {"O2": o2, "CO2": co2, "CO": co, "H2O": water, "H2": hydrogen - water, "N2": 80.0}
        ours = air_ratio_brettschneider(o2, co2, fuel, co_dry_ppm=co * 1e4)
        assert ours == pytest.approx(1.0 / gas.equivalence_ratio(), rel=1e-12)


def lambda_error_pct(truth: float, kelvin: float) -> float:
    """Return the error of our balance, in per cent, on a gas that Cantera equilibrated at lambda and temperature."""
    fuel = AtomsTuple(1.86, 0.0)
    gas = phase_with(fuel, extra=RADICALS)
    gas.TP = kelvin, ct.one_atm
    gas.set_equivalence_ratio(1.0 / truth, "FUEL", AIR)
    gas.equilibrate("TP")
    share = dict(zip((name.upper() for name in gas.species_names), gas.X, strict=True))
    dry = 1.0 - share["H2O"]
    found = air_ratio_from_balance(
        100.0 * share["O2"] / dry,
        100.0 * share["CO2"] / dry,
        fuel,
        co_dry_ppm=1e6 * share["CO"] / dry,
        no_dry_ppm=1e6 * share["NO"] / dry,
    )
    return 100.0 * (found / truth - 1.0)


@pytest.mark.independent
@pytest.mark.parametrize(
    ("truth", "kelvin", "bound_pct"),
    # The bound grows with what the balance does not see: H2 where K is not 3.5, radicals where it is hot. 1720 K is
    # where the water gas has K = 3.5, so there a rich gas must fit best.
    [
        (1.2, 1200.0, 0.01),
        (1.8, 1200.0, 0.01),
        (2.5, 1200.0, 0.01),
        (1.2, 1600.0, 0.03),
        (1.8, 1600.0, 0.03),
        (2.5, 1600.0, 0.03),
        (0.95, 1720.0, 0.10),
        (0.8, 1720.0, 0.10),
        (0.95, 1600.0, 0.25),
        (0.8, 1600.0, 1.0),
        (0.95, 1200.0, 1.5),
        (0.8, 1200.0, 6.0),
    ],
)
def test_equilibrated_gas_gives_its_lambda(truth: float, kelvin: float, bound_pct: float) -> None:
    assert abs(lambda_error_pct(truth, kelvin)) < bound_pct


@pytest.mark.independent
@pytest.mark.parametrize("truth", [1.05, 1.2, 1.6, 2.0, 3.0])
def test_lean_cold_equilibrium_is_our_forward_gas(truth: float) -> None:
    """At 700 K a lean gas is burnt out: every species of the forward model, wet, to 1e-6."""
    fuel = AtomsTuple(1.86, 0.02, 0.01, 0.002)
    theirs = phase_with(fuel)
    theirs.TP = 700.0, ct.one_atm
    theirs.set_equivalence_ratio(1.0 / truth, "FUEL", {**AIR, "H2O": 0.02})
    theirs.equilibrate("TP")
    ours = flue_gas_moles(fuel, truth, humidity_ratio=0.02)
    for name in ("O2", "CO2", "H2O", "N2", "AR", "SO2"):
        expected = theirs[name].X[0]
        assert float(getattr(ours, name.lower()) / ours.wet) == pytest.approx(expected, abs=1e-6), name


@pytest.mark.independent
@pytest.mark.parametrize(
    ("name", "carbon", "hydrogen", "oxygen"),
    [("CH4", 1, 4, 0), ("C3H8", 3, 8, 0), ("C7H8", 7, 8, 0), ("C2H5OH", 2, 6, 1), ("C7H16,N-HEPTANE", 7, 16, 0)],
)
def test_net_heating_value_of_gaseous_fuels(name: str, carbon: int, hydrogen: int, oxygen: int) -> None:
    """Cantera's enthalpies of reaction at 25 °C; its CO2 and H2O differ from CODATA's by less than 0.03 kJ/mol."""
    enthalpy = {species: nasa()[species].thermo.h(298.15) for species in (name, "CO2", "H2O", "O2")}
    oxygen_need = carbon + hydrogen / 4 - oxygen / 2
    heat = enthalpy[name] + oxygen_need * enthalpy["O2"] - carbon * enthalpy["CO2"] - hydrogen / 2 * enthalpy["H2O"]
    mass = 12.011 * carbon + 1.008 * hydrogen + 15.999 * oxygen
    fuel = AtomsTuple(hydrogen / carbon, oxygen / carbon)
    ours = net_heating_value_from_formation(enthalpy[name], carbon, fuel)
    assert ours == pytest.approx(heat / mass * 1e-6, rel=1e-4)
