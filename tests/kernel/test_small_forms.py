"""Short forms that everything leans on: ratios, inverses, water, heating values, each against another route."""

from __future__ import annotations

import cantera
import fluids
import numpy as np
import psychrolib
import pytest
from scipy import stats
from scipy.optimize import brentq

from combust.application.heater.structure import scaled, stratified_normals
from combust.domain.blend import mix_fuels
from combust.domain.catalogue import get_fuel
from combust.domain.fuel import fuel_from_formula
from combust.domain.limits import limit
from combust.domain.pump import density_at_pump
from combust.domain.reading import check_values
from combust.domain.site import Site
from combust.kernel import air, air_ratio, altitude, duct_table, ducts, flue_gas, heat, stoichiometry, wet_reading
from combust.kernel.constants import DRY_AIR
from combust.kernel.gas_flow import Duty
from combust.kernel.types import AtomsTuple
from tests.kernel.test_cantera import phase_with
from tests.kernel.test_stoichiometry import AIR_2095
from tests.source_rows import SourceRow, source_rows

psychrolib.SetUnitSystem(psychrolib.SI)
CH186 = AtomsTuple(1.86, 0.0)
TABLE_1976 = "public-domain standard-atmosphere tables (1976), geometric height"
TEXTBOOK = "textbook table of heating values"
CARBON_MASS = 13.886  # CH1.86 [kg/kmol C]
# Textbook table (read): net and gross [kJ/kg]. Its latent heat is another edition's: 0.02 % of the gross value. Its
# n-decane pair differs by 3372 kJ/kg where 11 mol of water a mol bring 3402: it does not close and is left out.
BOTH_HEATS = {
    "n_heptane": (44562.3, "48.0743"), "iso_octane": (44376.3, "47.8417"),
    "n_dodecane": (44143.7, "47.4928"), "ethanol": (26863.0, "29.7237"),
}  # fmt: skip


def lambda_by_cantera(phi: float) -> float:
    """Cantera mixes heptane and air to an equivalence ratio; the air in it over the stoichiometric air is lambda."""
    gas = phase_with(AtomsTuple(16.0 / 7.0, 0.0))
    gas.set_equivalence_ratio(phi, "FUEL", {"O2": 1.0, "N2": 3.76})
    return float(gas["O2"].X[0] / gas["FUEL"].X[0] / (11.0 / 7.0))  # C7H16 needs 11 O2


def rich_by_root(ratio: float) -> float:
    """CO of CH1.86 below lambda 1: oxygen balance and water-gas constant 3.5, solved by a root finder."""
    oxygen = 1.465 * ratio

    def water_gas(co: float) -> float:
        water = 2.0 * oxygen - 2.0 * (1.0 - co) - co
        return water * co - 3.5 * (1.0 - co) * (0.93 - water)

    return float(brentq(water_gas, 1e-9, 0.9))


def wet_by_cantera() -> float:
    """Water of CH1.86 burnt at lambda 1.6 with air of 15.02 mmol water per mol: counted by Cantera's elements."""
    gas = phase_with(CH186)
    moles = 1.6 * 1.465 / DRY_AIR.o2
    gas.TPX = 300.0, cantera.one_atm, {
        "CO2": 1.0 + moles * DRY_AIR.co2, "H2O": 0.93 + 0.01502 * moles, "O2": 0.6 * 1.465,
        "N2": moles * DRY_AIR.n2, "AR": moles * DRY_AIR.ar,
    }  # fmt: skip
    return float(gas["H2O"].X[0])


def duty() -> Duty:
    return Duty(2.0, 1.2, 1.8e-5)


def per_carbon_rows() -> list[SourceRow]:
    source = "worked apart: CH1.86, dry air of 20.95 % O2"
    return [
        SourceRow("independent", source, f"water in the wet gas at lambda {ratio} [vol %]", printed,
                  lambda ratio=ratio: 100.0 * wet_reading.flue_water_fraction(CH186, ratio, air=AIR_2095),
                  status="COMP")
        for ratio, printed in ((1.0, "12.47"), (1.2, "10.50"), (1.5, "8.49"), (2.0, "6.44"), (3.0, "4.34"))
    ]  # fmt: skip


@source_rows(
    # ---- ratios
    SourceRow("independent", f"Cantera {cantera.__version__}, set_equivalence_ratio", "lambda of phi 0.8",
              "1.25", lambda: 1.25 + air_ratio.air_ratio_from_equivalence_ratio(0.8) - lambda_by_cantera(0.8),
              tolerance=1e-9),
    SourceRow("independent", f"Cantera {cantera.__version__}, set_equivalence_ratio", "phi of the lambda Cantera mixed",
              "0.8", lambda: air_ratio.equivalence_ratio_from_air_ratio(lambda_by_cantera(0.8)), tolerance=1e-9),
    SourceRow("independent", "worked apart: air/fuel 14.587 of CH1.86, times 1.5",
              "air/fuel at lambda 1.5 [kg/kg]", "21.881",
              lambda: air_ratio.air_fuel_ratio_from_air_ratio(1.5, CH186, air=AIR_2095),
              tolerance=0.002, status="COMP"),
    # ---- heating values and volumes
    *(
        SourceRow("published", TEXTBOOK, f"gross from net, {name} [MJ/kg]", printed,
                  lambda name=name, net=net: stoichiometry.gross_from_net_heating_value(net / 1000.0, get_fuel(name)),
                  tolerance=2e-4 * float(printed), status="READ")
        for name, (net, printed) in BOTH_HEATS.items()
    ),
    SourceRow("independent", "worked apart: hydrogen share 0.1350 of CH1.86; water 18.015/2.016 of it",
              "water formed [kg/kg]", "1.2064", lambda: stoichiometry.flue_water_mass(CH186), tolerance=5e-4,
              status="COMP"),
    SourceRow("independent", "worked apart: 10.537 m³/kg times 13.886 kg over 22.414 m³",
              "dry stoichiometric flue gas [mol/mol C]", "6.528",
              lambda: stoichiometry.dry_flue_gas_moles(CH186, air=AIR_2095), tolerance=1e-3, status="COMP"),
    SourceRow("independent", "worked apart: 594.3 MJ/kmol C of CH1.86 at 42.8 MJ/kg", "heat a carbon [MJ/kmol]",
              "594.3", lambda: 1e-6 * heat.heat_input_per_carbon(CH186, 42.8), status="COMP"),
    SourceRow("published", TEXTBOOK, "heating value from the formula alone, n-octane C8H18 [MJ/kg]", "44.4228",
              lambda: fuel_from_formula("C8H18").net_heating_value_mj_per_kg, tolerance=0.02 * 44.4228, status="READ"),
    SourceRow("published", TEXTBOOK, "heating value from the formula alone, ethanol C2H6O [MJ/kg]", "26.863",
              lambda: fuel_from_formula("C2H6O").net_heating_value_mj_per_kg, tolerance=0.02 * 26.863, status="READ"),
    SourceRow("independent", "87 % iC8, 13 % nC7 by volume with CRC densities",
              "mix_fuels: H/C of the mixture", "2.255",
              lambda: mix_fuels([(get_fuel("iso_octane"), 0.87), (get_fuel("n_heptane"), 0.13)], by="volume",
                                name="p").h_c,
              status="COMP"),
    # ---- water
    *per_carbon_rows(),
    SourceRow("independent", f"Cantera {cantera.__version__}, mole fraction of the mixed gas",
              "water in the wet gas at lambda 1.6, 15 mmol/mol in the air", "0",
              lambda: wet_reading.flue_water_fraction(CH186, 1.6, humidity_ratio=0.01502) - wet_by_cantera(),
              tolerance=1e-9),
    SourceRow("independent", "worked apart: 8.20 dry reads 7.54 fully wet", "dry fraction of a wet O2 of 7.54",
              "0.9195", lambda: wet_reading.dry_fraction_of_wet_reading(get_fuel("diesel_b7"), o2_wet_pct=7.54),
              tolerance=7e-4, status="COMP"),
    SourceRow("independent", "psychrolib 2.5, GetVapPresFromRelHum [hPa]", "vapour at 23 °C, 47 %", "0",
              lambda: air.vapour_pressure(23.0, 47.0) - psychrolib.GetVapPresFromRelHum(23.0, 0.47) / 100.0,
              tolerance=1e-5),
    SourceRow("independent", "psychrolib 2.5, GetHumRatioFromRelHum over 0.621945", "Site.humidity_ratio, 23 °C, 47 %",
              "0", lambda: Site(intake_temp_c=23.0, humidity_pct=47.0).humidity_ratio
              - psychrolib.GetHumRatioFromRelHum(23.0, 0.47, 101325.0) / 0.621945, tolerance=1e-7),
    # ---- atmosphere, inverse: the tables cut their pressures to whole pascals, 0.09 to 0.14 m
    *(
        SourceRow("published", TABLE_1976, f"height of {pascal} Pa [m]", str(height),
                  lambda p=pascal: air.altitude_from_pressure(p / 100.0), tolerance=0.15, status="READ")
        for height, pascal in ((500, 95461), (1000, 89876), (2000, 79501), (3000, 70121), (4000, 61660), (5000, 54048))
    ),
    SourceRow("published", TABLE_1976, "Site.pressure at 3000 m [Pa]", "70121",
              lambda: 100.0 * Site(altitude_m=3000).pressure, tolerance=1.0, status="READ"),
    # ---- trims, by hand
    SourceRow("hand", "1.2/1.6 = 0.75", "fuel trim that lifts lambda 1.2 to 1.6 [%]", "-25",
              lambda: altitude.fuel_trim_to_keep(1.2, 1.6)),
    SourceRow("hand", "1.6/1.2 = 4/3", "blower trim that lifts lambda 1.2 to 1.6 [%]", "33.333",
              lambda: altitude.blower_trim_to_keep(1.2, 1.6)),
    SourceRow("hand", "never upward", "fuel trim at lambda 1.7 to keep 1.6 [%]", "0",
              lambda: altitude.fuel_trim_to_keep(1.7, 1.6), tolerance=1e-12),
    # ---- ducts
    SourceRow("independent", f"fluids {fluids.__version__}, Reynolds", "Reynolds number, 2 kg/h of air in 24 mm", "0",
              lambda: ducts.velocity_head(duty(), 24.0)[1]
              - fluids.Reynolds(V=2.0 / 3600 / 1.2 / (np.pi / 4 * 0.024**2), D=0.024, rho=1.2, mu=1.8e-5),
              tolerance=1e-9),
    SourceRow("independent", f"fluids {fluids.__version__}, dP_from_K of K 1", "velocity head [Pa]", "0",
              lambda: ducts.velocity_head(duty(), 24.0)[2]
              - fluids.dP_from_K(1.0, rho=1.2, V=2.0 / 3600 / 1.2 / (np.pi / 4 * 0.024**2)), tolerance=1e-12),
    SourceRow("memory", "transition of pipe flow from Re 2300 to 4000 (any hydraulics textbook)",
              "flow called turning at Re 3000 (1) and at 1000 and 10 000 (0)", "100",
              lambda: 100 * ducts.in_transition(3000) + 10 * ducts.in_transition(1000) + ducts.in_transition(10_000),
              status="MEM-H"),
    SourceRow("memory", "hydraulics handbooks: a corrugated metal hose has about twice the friction of a smooth pipe",
              "friction of corrugated over smooth", "2.0", lambda: duct_table.wall_factor("corrugated")[0],
              status="MEM-M"),
    # ---- rich side
    *(
        SourceRow("independent", "oxygen balance and water-gas constant by scipy brentq",
                  f"CO share of CH1.86 at lambda {ratio}, less theirs", "0",
                  lambda ratio=ratio: flue_gas.rich_co_share(CH186, ratio) - rich_by_root(ratio), tolerance=1e-9)
        for ratio in (0.7, 0.85, 0.99)
    ),
    # ---- what nobody knows of a heater
    SourceRow("independent", "standard normal quantile at 7/8 by scipy.stats", "last of four layers of normals",
              f"{stats.norm.ppf(0.875):.6f}",
              lambda: stratified_normals(4, 1, np.random.default_rng(1)).max(), tolerance=1e-6),
    SourceRow("hand", "lognormal, median 0.55, factor 1.9: one standard deviation up is 0.55 x 1.9", "scaled", "1.045",
              lambda: scaled({"kind": "lognormal", "median": 0.55, "factor": 1.9}, 1.0), tolerance=1e-9),
    # ---- limits and small print
    SourceRow("published", "Directive 2001/56/EC Annex IV: cab CO less than 20 ppm above outside",
              "limit of the rise of CO in the cab [ppm]", "20", lambda: limit("cab_co_rise_stop"), status="READ"),
    SourceRow("memory", "volume expansion of diesel 0.00083 per kelvin (textbook)",
              "density at -20 °C over that at 15 °C", "1.029",
              lambda: density_at_pump(get_fuel("diesel_b0"), -20.0) / density_at_pump(get_fuel("diesel_b0"), 15.0),
              status="MEM-H"),
    SourceRow("hand", "(572 - 32)/1.8 = 300", "check_values: 572 °F [°C]", "300",
              lambda: check_values({"fuel": "diesel", "o2_dry_pct": 8.2, "flue_temp_f": 572})[0]["flue_temp_c"],
              tolerance=1e-9),
)  # fmt: skip
def test_small_forms(row: SourceRow) -> None:
    row.check()


@pytest.mark.independent
def test_surface_of_a_polynomial_is_that_polynomial() -> None:
    """A polynomial of total degree 4 in the scaled coordinates comes back, judged by numpy's own polyval2d."""
    weights = np.zeros((5, 5))
    weights[0, 0], weights[1, 2], weights[4, 0], weights[0, 3] = 1.0, -0.2, 0.07, 0.11
    pressure, temp = altitude.fit_nodes()
    # The nodes are Chebyshev's: numpy's chebpts1 of as many points, in ln(p) and 1/T.
    nodes = np.polynomial.chebyshev.chebpts1(9)
    scaled = np.unique(np.round(np.log(pressure), 9))
    centre, half = (scaled[-1] + scaled[0]) / 2, (scaled[-1] - scaled[0]) / 2 / nodes[-1]
    assert np.sort(scaled) == pytest.approx(centre + half * nodes, abs=1e-7)
    x = (np.log(pressure) - centre) / half
    inverse = 1.0 / (temp + 273.15)
    low, high = inverse.min(), inverse.max()
    y = (inverse - (low + high) / 2) / ((high - low) / 2 / nodes[-1])
    values = np.polynomial.polynomial.polyval2d(x, y, weights)
    fitted, misfit = altitude.fit_surface(values, pressure, temp)
    assert misfit < 1e-9
    again = np.polynomial.polynomial.polyval2d(x[::3], y[::3], fitted)
    assert again == pytest.approx(values[::3], abs=1e-9)
