"""Inverse: from measured gases to lambda, and from a hot, wet reading to the dry one with the water of the balance.

Each route is a function of its own, solved in closed form.

Notation, all per mol of dry gas: ``z`` dry air, ``burnt`` carbon of CO2 and CO from the fuel, X and N the oxygen and
the CO2 of the air, nu the oxygen need of one carbon, K the water-gas constant. Oxygen and the sum of fractions give

    X z = O2 + NO/2 + nu burnt - CO/2 - H2/2
    1   = z (1 - X) + (1 + n/2 + s) burnt + O2 + H2 + HC + NO/2

and the water-gas relation H2 (K (burnt - CO) + CO) = h/2 CO burnt makes every route a quadratic.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from combust.kernel.blocks import in_blocks
from combust.kernel.constants import DRY_AIR, WATER_GAS_CONSTANT, DryAir
from combust.kernel.flue_gas import flue_gas_moles
from combust.kernel.stoichiometry import molar_mass_per_carbon, stoichiometric_oxygen
from combust.kernel.types import Atoms

PPM = 1e-6
PCT = 1e-2
BLOCK = 32_768
WET_ROUNDS = 40


def air_ratio_from_o2(
    o2_dry_pct: Any,
    fuel: Atoms,
    *,
    co_dry_ppm: Any = 0.0,
    hc_dry_ppm: Any = 0.0,
    no_dry_ppm: Any = 0.0,
    air: DryAir = DRY_AIR,
) -> Any:
    """Return lambda from O2, with the CO, HC and NO that came with it [-].

    Exact for the gases given; those not given are taken as absent.
    """
    oxygen, co, hc, no = o2_dry_pct * PCT, co_dry_ppm * PPM, hc_dry_ppm * PPM, no_dry_ppm * PPM
    nu = stoichiometric_oxygen(fuel)
    left = 1.0 - 3.0 * air.o2
    slope = (1.0 + fuel.n_c / 2.0 + fuel.s_c) + 2.0 * nu
    start = 1.0 - 3.0 * oxygen - hc - 1.5 * no + co
    hydrogen_0 = 2.0 * oxygen + no - co - 2.0 * air.o2 * start / left
    hydrogen_1 = 2.0 * nu + 2.0 * air.o2 * slope / left
    a = hydrogen_1 * WATER_GAS_CONSTANT
    b = hydrogen_0 * WATER_GAS_CONSTANT - (hydrogen_1 * (WATER_GAS_CONSTANT - 1.0) + fuel.h_c / 2.0) * co
    c = -hydrogen_0 * (WATER_GAS_CONSTANT - 1.0) * co
    burnt = (np.sqrt(np.maximum(b * b - 4.0 * a * c, 0.0)) - b) / (2.0 * a)
    dry_air = (start - slope * burnt) / left
    return dry_air * air.o2 / (nu * (burnt + hc))


def air_ratio_from_co2(
    co2_dry_pct: Any,
    fuel: Atoms,
    *,
    co_dry_ppm: Any = 0.0,
    hc_dry_ppm: Any = 0.0,
    air: DryAir = DRY_AIR,
) -> Any:
    """Return lambda from CO2, with the CO and HC that came with it [-].

    Without CO the lean side is assumed: a CO2 below the maximum has a rich twin.
    """
    dry_air, burnt = _air_and_carbon(co2_dry_pct * PCT, co_dry_ppm * PPM, hc_dry_ppm * PPM, fuel, air)
    with np.errstate(divide="ignore", invalid="ignore"):
        return dry_air * air.o2 / (stoichiometric_oxygen(fuel) * (burnt + hc_dry_ppm * PPM))


def o2_from_co2(
    co2_dry_pct: Any,
    fuel: Atoms,
    *,
    co_dry_ppm: Any = 0.0,
    hc_dry_ppm: Any = 0.0,
    no_dry_ppm: Any = 0.0,
    air: DryAir = DRY_AIR,
) -> Any:
    """Return the O2 that belongs to a CO2, with the CO, HC and NO that came with it [vol %, dry].

    Without CO a straight line from the CO2 maximum at no O2 to clean air: its errors stay Gaussian at any lambda. Exact
    for the gases given; the lean side is assumed as in :func:`air_ratio_from_co2`.
    """
    co2, co, hc, no = co2_dry_pct * PCT, co_dry_ppm * PPM, hc_dry_ppm * PPM, no_dry_ppm * PPM
    dry_air, burnt = _air_and_carbon(co2, co, hc, fuel, air)
    with np.errstate(divide="ignore", invalid="ignore"):
        water_gas = fuel.h_c / 2.0 * co * burnt / (WATER_GAS_CONSTANT * (burnt - co) + co)
    hydrogen = np.where(co > 0.0, water_gas, 0.0)
    grown = (1.0 + fuel.n_c / 2.0 + fuel.s_c) * burnt
    return (1.0 - dry_air * (1.0 - air.o2) - grown - hydrogen - hc - no / 2.0)[()] / PCT


def _air_and_carbon(co2: Any, co: Any, hc: Any, fuel: Atoms, air: DryAir) -> tuple[Any, Any]:
    """Return dry air and burnt carbon per mol of dry gas, from fractions of CO2, CO and HC."""
    surplus = 1.0 + fuel.n_c / 2.0 + fuel.s_c - stoichiometric_oxygen(fuel)
    hydrogen_0 = (1.0 - surplus * (co2 + co) - co / 2.0 - hc) / 1.5
    hydrogen_1 = (1.0 - surplus * air.co2) / 1.5
    h, j = WATER_GAS_CONSTANT * co2 + co, WATER_GAS_CONSTANT * air.co2
    a = hydrogen_1 * j
    b = hydrogen_1 * h + hydrogen_0 * j - fuel.h_c / 2.0 * co * air.co2
    c = hydrogen_0 * h - fuel.h_c / 2.0 * co * (co2 + co)
    dry_air = 2.0 * c / (b + np.sqrt(np.maximum(b * b - 4.0 * a * c, 0.0)))
    # Near clean air the other root of the quadratic, gas without burnt carbon, comes first: there CO is left out.
    dry_air = np.where(co2 > 2.0 * air.co2, dry_air, (hydrogen_0 + surplus * co / 1.5) / hydrogen_1)
    return dry_air, co2 - air.co2 * dry_air + co


def air_ratio_from_balance(
    o2_dry_pct: Any,
    co2_dry_pct: Any,
    fuel: Atoms,
    *,
    co_dry_ppm: Any = 0.0,
    hc_dry_ppm: Any = 0.0,
    no_dry_ppm: Any = 0.0,
    air: DryAir = DRY_AIR,
) -> Any:
    """Return lambda from the carbon and the oxygen balance of O2, CO2, CO, HC and NO together [-].

    Rich and lean. The balances are solved exactly: the forward model's lambda comes back. Long arrays are worked in
    blocks that stay in the processor's cache, on all cores.
    """
    gases = (o2_dry_pct, co2_dry_pct, co_dry_ppm, hc_dry_ppm, no_dry_ppm)
    return in_blocks(_balance, [*gases, *_balance_weights(fuel, air)], BLOCK, 1)[0]


def _balance_weights(fuel: Atoms, air: DryAir) -> tuple[Any, ...]:
    """Return the constants of the quadratic in z, for O2 and CO2 in per cent and CO in ppm.

    (E z - G)(H - J z) = h K/4 (co2 - N z)(co2 + co - N z), with E = X + m N, G = O2 + NO/2 + m co2 + m' co,
    H = K co2 + co, J = K N, m = 1 + s - o/2, m' = m - 1/2. Sorted by powers of z: -A z² + B z - C = 0, with
    C = co2 U + co V, V = O2 + NO/2 + m' co, U = K V + (K m + h K/4) co2 + (m + h K/4) co.
    """
    k, m = WATER_GAS_CONSTANT, 1.0 + fuel.s_c - fuel.o_c / 2.0
    e, j, q = air.o2 + m * air.co2, k * air.co2, fuel.h_c * k / 4.0
    qn = q * air.co2
    b_of_gases = (j, e * k + j * m + 2.0 * qn, (e + j * (m - 0.5) + qn) * 1e-4)
    # C comes out times 1e4, because CO enters it in ppm: the weights of C carry 1e-4 instead.
    u_of_gases = (k * 1e4, (k * m + q) * 1e4, m + q)
    four_a = 4e-4 * (e * j + qn * air.co2)
    scale = 2e-4 * air.o2 / stoichiometric_oxygen(fuel)
    return ((m - 0.5) * 1e-4, *u_of_gases, *b_of_gases, four_a, 2e-4 * air.co2, scale)


def _balance(o2: Any, co2: Any, co: Any, hc: Any, no: Any, *weights: Any) -> tuple[Any]:
    """Return lambda of one block."""
    m_co, u_v, u_co2, u_co, b_o2, b_co2, b_co, four_a, two_n, scale = weights
    oxygen = o2 + no * 0.5e-4
    v = oxygen + co * m_co
    c = (v * u_v + co2 * u_co2 + co * u_co) * co2 + v * co
    b = co2 * b_co2 + oxygen * b_o2 + co * b_co
    b = b + np.sqrt(b * b - c * four_a)
    # lambda = (X/nu) z / (carbon - N z) with z = 2 C / (B + root)
    return (c * scale / ((co2 + co * 1e-4 + hc * 1e-4) * b - c * two_n),)


def air_ratio_brettschneider(
    o2_dry_pct: Any,
    co2_dry_pct: Any,
    fuel: Atoms,
    *,
    co_dry_ppm: Any = 0.0,
    hc_dry_ppm: Any = 0.0,
    no_dry_ppm: Any = 0.0,
) -> Any:
    """Return lambda by the closed form of Brettschneider (1979) [-].

    It counts the CO2 of the air as burnt fuel: exact at lambda 1, 0.3 % low at 2, 0.8 to 0.93 % low at 4.

    Validity record ``brettschneider`` (``combust/data/approximate_forms.toml``).

    References
    ----------
    J. Brettschneider, Technische Berichte 6 (1979) no. 4, 177-186 (form from memory; HC as C1: factor 1e-4).
    """
    co, hc, no = co_dry_ppm * 1e-4, hc_dry_ppm * 1e-4, no_dry_ppm * 1e-4
    with np.errstate(divide="ignore", invalid="ignore"):
        water = fuel.h_c / 4.0 * WATER_GAS_CONSTANT / (WATER_GAS_CONSTANT + co / co2_dry_pct)
        oxygen = co2_dry_pct + co / 2.0 + o2_dry_pct + no / 2.0 + (water - fuel.o_c / 2.0) * (co2_dry_pct + co)
        need = (1.0 + fuel.h_c / 4.0 - fuel.o_c / 2.0) * (co2_dry_pct + co + hc)
        return oxygen / need


def air_ratio_spindt(
    o2_dry_pct: Any, co2_dry_pct: Any, fuel: Atoms, *, co_dry_ppm: Any = 0.0, hc_dry_ppm: Any = 0.0
) -> Any:
    """Return lambda by Spindt's form over the oxygen-free stoichiometric ratio 138 (1 + h/4)/(12.01 + 1.008 h) [-].

    Between 0.1 % high and 0.9 % low over lambda 1 to 4 for fuels without oxygen. It knows no fuel oxygen: B7 reads up
    to 1.05 % low, B100 up to 3.6 %.

    Validity record ``spindt`` and ``spindt_oxygenated`` (``combust/data/approximate_forms.toml``).

    References
    ----------
    R. S. Spindt, SAE 650507 (1965).
    """
    co, hc = co_dry_ppm * 1e-4, hc_dry_ppm * 1e-4
    return air_fuel_ratio_spindt(o2_dry_pct, co2_dry_pct, co, hc, fuel.h_c) / (
        138.0 * (1.0 + fuel.h_c / 4.0) / (12.011 + 1.00794 * fuel.h_c)
    )


def air_fuel_ratio_spindt(o2_pct: Any, co2_pct: Any, co_pct: Any, hc_pct: Any, h_c: Any) -> Any:
    """Return Spindt's air/fuel ratio by mass [kg/kg] from dry gases in vol %, HC as C1 (SAE 650507)."""
    with np.errstate(divide="ignore", invalid="ignore"):
        q, r = o2_pct / co2_pct, co_pct / co2_pct
        f_b = (co2_pct + co_pct) / (co2_pct + co_pct + hc_pct)
        f_c = 12.01 / (12.01 + 1.008 * h_c)
        return f_b * (11.492 * f_c * (1.0 + r / 2.0 + q) / (1.0 + r) + 120.0 * (1.0 - f_c) / (3.5 + r))


def air_ratio_shortcut(o2_dry_pct: Any) -> Any:
    """Return 20.95/(20.95 - O2), kept only to show how far off it is [-].

    Liquid fuels without CO: 2.4 to 3 % high at lambda 1.6, 3.2 to 4 % at 2, up to 6 % at 4; CO makes it worse.

    Validity record ``shortcut`` (``combust/data/approximate_forms.toml``).
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        return 20.95 / (20.95 - o2_dry_pct)


def air_fuel_ratio_from_air_ratio(air_ratio: Any, fuel: Atoms, *, air: DryAir = DRY_AIR) -> Any:
    """Return the actual air/fuel ratio by mass, dry air [kg/kg]."""
    return air_ratio * stoichiometric_oxygen(fuel) / air.o2 * air.molar_mass / molar_mass_per_carbon(fuel)


def air_ratio_from_equivalence_ratio(equivalence_ratio: Any) -> Any:
    """Return lambda = 1/phi; phi, the fuel-based ratio of the engine trade, appears nowhere else."""
    return 1.0 / equivalence_ratio


def equivalence_ratio_from_air_ratio(air_ratio: Any) -> Any:
    """Return phi = 1/lambda."""
    return 1.0 / air_ratio


def flue_water_fraction(
    fuel: Atoms,
    air_ratio: Any,
    *,
    co_dry_ppm: Any = 0.0,
    hc_dry_ppm: Any = 0.0,
    humidity_ratio: Any = 0.0,
    air: DryAir = DRY_AIR,
) -> Any:
    """Return water in the wet flue gas of a lambda and the dry CO and HC found in it [mol/mol]."""
    dry = flue_gas_moles(fuel, air_ratio, air=air).dry
    for _ in range(3):
        shares = {"co_share": co_dry_ppm * PPM * dry, "hc_share": hc_dry_ppm * PPM * dry}
        gas = flue_gas_moles(fuel, air_ratio, humidity_ratio=humidity_ratio, air=air, **shares)
        dry = gas.dry
    return gas.h2o / gas.wet


def dry_fraction_of_wet_reading(
    fuel: Atoms,
    *,
    o2_wet_pct: Any = np.nan,
    co2_wet_pct: Any = np.nan,
    co_wet_ppm: Any = 0.0,
    hc_wet_ppm: Any = 0.0,
    humidity_ratio: Any = 0.0,
    air: DryAir = DRY_AIR,
) -> Any:
    """Return dry over wet gas [mol/mol]: a wet reading divided by it is the dry reading.

    The water follows from O2 where there is one, else from CO2. Solved by fixed point (the map contracts to a tenth
    a round). NaN where neither gas is given.
    """
    o2_wet, co2_wet = np.asarray(o2_wet_pct, dtype=float), np.asarray(co2_wet_pct, dtype=float)
    share = np.full(np.broadcast(o2_wet, co2_wet, np.asarray(co_wet_ppm, dtype=float)).shape, 0.9)
    for _ in range(WET_ROUNDS):
        gases: dict[str, Any] = {"co_dry_ppm": co_wet_ppm / share, "hc_dry_ppm": hc_wet_ppm / share, "air": air}
        from_o2 = air_ratio_from_o2(o2_wet / share, fuel, **gases)
        from_co2 = air_ratio_from_co2(co2_wet / share, fuel, **gases)
        air_ratio = np.where(np.isnan(o2_wet), from_co2, from_o2)
        water = flue_water_fraction(fuel, air_ratio, humidity_ratio=humidity_ratio, **gases)
        last, share = share, 1.0 - water
        if not np.any(np.abs(share - last) >= 1e-14):
            break
    return share
