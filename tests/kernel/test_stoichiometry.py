"""Air need, flue gas volumes and heating values: reference rows, and the open library chemicals as another route."""

from __future__ import annotations

import chemicals
import numpy as np
from chemicals.combustion import combustion_data, combustion_stoichiometry, fuel_air_spec_solver
from chemicals.identifiers import CAS_from_any
from chemicals.reaction import Hfl

from combust.domain.catalogue import get_fuel
from combust.domain.formula import parse_formula
from combust.kernel import stoichiometry as st
from combust.kernel.air_ratio import air_ratio_from_o2
from combust.kernel.constants import ATOMIC_WEIGHT, DRY_AIR, DryAir
from combust.kernel.flue_gas import flue_gas_moles
from combust.kernel.types import AtomsTuple
from tests.source_rows import SourceRow, source_rows

# The convention of these worked values: 20.95 % O2, no CO2, mean molar mass 28.9656 (argon makes up the mass). It mixes
# the atomic weights of 40 CFR 1065 (C 12.0107) with today's (12.011, as here), so a whole last unit is the tolerance.
_HEAVY = (28.9656 - 0.2095 * 2 * ATOMIC_WEIGHT["O"] - 0.7905 * 2 * ATOMIC_WEIGHT["N"]) / (
    ATOMIC_WEIGHT["Ar"] - 2 * ATOMIC_WEIGHT["N"]
)
AIR_2095 = DryAir(0.2095, 0.0, _HEAVY)
REFERENCE = "worked apart: element balance, air 20.95 % O2, M 28.9656"

# fuel: M per C, w_C, w_H, w_O, air/fuel, CO2 max, CO2 wet, H2O wet, Fo, V_air, V_dry, V_wet
COMPOSITION_ROWS = {
    "CH1.70": "13.724 .8751 .1249 0 14.356 15.68 13.84 11.76 1.333 11.109 10.415 11.803",
    "CH1.80": "13.825 .8688 .1312 0 14.501 15.45 13.57 12.21 1.3525 11.221 10.492 11.951",
    "CH1.86": "13.886 .8650 .1350 0 14.587 15.32 13.41 12.47 1.3643 11.288 10.537 12.038",
    "CH1.86O0.007": "13.998 .8581 .1339 .0080 14.436 15.35 13.43 12.49 1.3616 11.171 10.432 11.921",
    "CH1.93": "13.956 .8606 .1394 0 14.687 15.17 13.23 12.77 1.3781 11.365 10.590 12.140",
    "CH1.85": "13.875 .8656 .1344 0 14.573 15.34 13.43 12.43 1.3623 11.277 10.530 12.024",
    "CH1.89O0.016": "14.172 .8475 .1344 .0181 14.288 15.32 13.39 12.65 1.3639 11.056 10.321 11.816",
    "CH1.93O0.033": "14.484 .8292 .1343 .0365 13.994 15.31 13.34 12.87 1.3651 10.829 10.108 11.601",
    "C8H18": "14.279 .8412 .1588 0 15.130 14.50 12.47 14.03 1.4412 11.708 10.825 12.591",
    "C7H16": "14.315 .8391 .1609 0 15.178 14.43 12.39 14.16 1.4482 11.745 10.850 12.640",
    "C10H22": "14.228 .8441 .1559 0 15.062 14.60 12.58 13.84 1.4314 11.655 10.789 12.522",
    "C12H26": "14.195 .8461 .1539 0 15.016 14.67 12.66 13.71 1.4248 11.620 10.765 12.475",
    "C16H34": "14.153 .8487 .1513 0 14.959 14.75 12.75 13.55 1.4166 11.576 10.734 12.417",
    "C7H14": "14.027 .8563 .1437 0 14.786 15.02 13.05 13.05 1.3919 11.441 10.642 12.240",
    "C7H8": "13.163 .9125 .0875 0 13.505 17.09 15.57 8.90 1.2229 10.451 9.964 10.937",
    "C8H10": "13.271 .9051 .0949 0 13.674 16.80 15.20 9.50 1.2441 10.581 10.054 11.109",
    "C11H10": "12.927 .9291 .0709 0 13.126 17.76 16.43 7.47 1.1768 10.157 9.763 10.551",
    "C2H6O": "23.034 .5214 .1313 .3473 9.004 15.02 12.26 18.38 1.3919 6.967 6.481 7.940",
    "C19H36O2": "15.605 .7697 .1224 .1079 12.591 15.72 13.68 12.96 1.3297 9.743 9.138 10.499",
    "CH4": "16.043 .7487 .2513 0 17.237 11.70 9.48 18.96 1.7862 13.338 11.941 14.735",
}
COLUMNS = (
    ("mass per carbon [kg/kmol]", lambda f: st.molar_mass_per_carbon(f)),
    ("carbon share", lambda f: ATOMIC_WEIGHT["C"] / st.molar_mass_per_carbon(f)),
    ("hydrogen share", lambda f: ATOMIC_WEIGHT["H"] * f.h_c / st.molar_mass_per_carbon(f)),
    ("oxygen share", lambda f: ATOMIC_WEIGHT["O"] * f.o_c / st.molar_mass_per_carbon(f)),
    ("air/fuel by mass [kg/kg]", lambda f: st.stoichiometric_air_mass(f, air=AIR_2095)),
    ("CO2 maximum dry [vol %]", lambda f: st.co2_maximum(f, air=AIR_2095)),
    ("CO2 wet at lambda 1 [vol %]", lambda f: 100.0 / flue_gas_moles(f, 1.0, air=AIR_2095).wet),
    ("water wet at lambda 1 [vol %]", lambda f: 100.0 * _share("h2o", f)),
    ("fuel factor 20.9/CO2 maximum", lambda f: 20.9 / st.co2_maximum(f, air=AIR_2095)),
    ("air volume [m³/kg]", lambda f: st.stoichiometric_air_volume(f, air=AIR_2095)),
    ("dry flue gas [m³/kg]", lambda f: st.dry_flue_gas_volume(f, air=AIR_2095)),
    ("wet flue gas [m³/kg]", lambda f: st.wet_flue_gas_volume(f, air=AIR_2095)),
)


def _share(name: str, atoms: AtomsTuple) -> float:
    gas = flue_gas_moles(atoms, 1.0, air=AIR_2095)
    return float(getattr(gas, name) / gas.wet)


def atoms_of(formula: str) -> AtomsTuple:
    atoms = parse_formula(formula)[1]
    return AtomsTuple(atoms["H"], atoms["O"], atoms["N"], atoms["S"])


@source_rows(
    *(
        SourceRow(
            "independent",
            REFERENCE,
            f"{formula}: {title}",
            printed,
            lambda compute=compute, formula=formula: compute(atoms_of(formula)),
            tolerance=10.0 ** -len(printed.partition(".")[2]),
            status="COMP",
        )
        for formula, row in COMPOSITION_ROWS.items()
        for (title, compute), printed in zip(COLUMNS, row.split(), strict=True)
        if printed != "0"
    )
)
def test_stoichiometry_of_the_reference_fuels(row: SourceRow) -> None:
    row.check()


# ---- the open library chemicals --------------------------------------------------------------------------------

PURE = ("n_heptane", "iso_octane", "n_dodecane", "n_hexadecane", "toluene", "ethanol", "methylcyclohexane")
NAMES = {"iso_octane": "2,2,4-trimethylpentane", "n_heptane": "heptane", "n_dodecane": "dodecane"}
NAMES |= {"n_hexadecane": "hexadecane", "n_decane": "decane", "methylnaphthalene_1": "1-methylnaphthalene"}
CHEMICALS = f"chemicals {chemicals.__version__}"


def molecule(name: str) -> dict[str, int]:
    found = get_fuel(name)
    carbon = found.carbon or 1.0
    counts = {"C": carbon, "H": carbon * found.h_c, "O": carbon * found.o_c}
    return {element: round(count) for element, count in counts.items() if round(count)}


def solved(name: str, **known: float) -> dict[str, float]:
    """Return the solution of chemicals for a pure fuel in our dry air (argon and CO2 of the air included)."""
    return fuel_air_spec_solver(
        zs_air=[DRY_AIR.o2, DRY_AIR.n2, DRY_AIR.ar, DRY_AIR.co2, 0.0, 0.0],
        zs_fuel=[0.0, 0.0, 0.0, 0.0, 0.0, 1.0],
        CASs=["7782-44-7", "7727-37-9", "7440-37-1", "124-38-9", "7732-18-5", CAS_from_any(NAMES.get(name, name))],
        atomss=[{"O": 2}, {"N": 2}, {"Ar": 1}, {"C": 1, "O": 2}, {"H": 2, "O": 1}, molecule(name)],
        n_fuel=1.0,
        MW_air=DRY_AIR.molar_mass,
        MW_fuel=get_fuel(name).molar_mass_per_carbon * (get_fuel(name).carbon or 1.0),
        Vm_air=1.0,
        Vm_fuel=1.0,
        **known,
    )


def worst_lambda_from_o2(name: str) -> float:
    """Return the largest relative difference of lambda over 0 to 20 % O2."""
    oxygen = np.linspace(0.0, 20.0, 81)
    theirs = np.array([1.0 + solved(name, frac_out_O2_dry=value / 100.0)["O2_excess"] for value in oxygen])
    return float(np.abs(air_ratio_from_o2(oxygen, get_fuel(name)) / theirs - 1.0).max())


def need_difference(name: str) -> float:
    theirs = -combustion_stoichiometry(molecule(name))["O2"] / (get_fuel(name).carbon or 1.0)
    return float(st.stoichiometric_oxygen(get_fuel(name))) - theirs


def library_net_heating_value(name: str) -> float:
    """Return the net heating value with chemicals' own heat of formation and products [MJ/kg]."""
    formation = Hfl(CAS_from_any(NAMES.get(name, name)))
    found = combustion_data(molecule(name), Hf=formation)
    ours = st.net_heating_value_from_formation(formation * 1e3, get_fuel(name).carbon, get_fuel(name))
    return float(ours) - (-found.LHV / found.MW * 1e-3)


@source_rows(
    *(
        SourceRow(
            "independent",
            f"{CHEMICALS}, fuel_air_spec_solver with frac_out_O2_dry",
            f"lambda from 0 to 20 % O2, {name}, largest relative difference",
            "0",
            lambda name=name: worst_lambda_from_o2(name),
            tolerance=1e-6,
        )
        for name in PURE
    ),
    *(
        SourceRow(
            "independent",
            f"{CHEMICALS}, fuel_air_spec_solver with O2_excess 0",
            f"stoichiometric air by mass over theirs, {name}",
            "1",
            lambda name=name: st.stoichiometric_air_mass(get_fuel(name)) / solved(name, O2_excess=0.0)["mass_ratio"],
            tolerance=1e-6,
        )
        for name in PURE
    ),
    *(
        SourceRow(
            "independent",
            f"{CHEMICALS}, combustion_stoichiometry",
            f"oxygen need less theirs, {name} [mol/mol C]",
            "0",
            lambda name=name: need_difference(name),
            tolerance=1e-12,
        )
        for name in PURE
    ),
    *(
        # Its CO2 and H2O are -393.474 and -241.822 kJ/mol, ours -393.51 and -241.826; its atomic weights are older.
        SourceRow(
            "independent",
            f"{CHEMICALS}, combustion_data with its own liquid heat of formation",
            f"net heating value less theirs, {name} [MJ/kg]",
            "0",
            lambda name=name: library_net_heating_value(name),
            tolerance=0.006,
        )
        for name in PURE
    ),
)
def test_chemicals_says_the_same(row: SourceRow) -> None:
    row.check()


def test_molecules_and_air_as_hand_written() -> None:
    """Hand: C12H26 needs 12 + 26/4 = 18.5 O2; ethanol C2H6O needs 2 + 6/4 - 1/2 = 3; air fractions sum to 1."""
    assert st.stoichiometric_oxygen(get_fuel("n_dodecane")) * 12 == 18.5
    assert st.stoichiometric_oxygen(get_fuel("ethanol")) * 2 == 3.0
    assert DRY_AIR.o2 + DRY_AIR.co2 + DRY_AIR.ar + DRY_AIR.n2 == 1.0
    assert round(DRY_AIR.n2, 10) == 0.78078
