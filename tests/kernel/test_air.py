"""Standard atmosphere, humidity and density against printed tables and three independent libraries."""

from __future__ import annotations

import ambiance
import CoolProp
import fluids
import numpy as np
import psychrolib
import pytest
from CoolProp.CoolProp import PropsSI
from CoolProp.HumidAirProp import HAPropsSI

from combust.kernel import air
from tests.source_rows import SourceRow, source_rows

psychrolib.SetUnitSystem(psychrolib.SI)

# Public-domain standard-atmosphere table (geometric height): T [K], p [Pa], density [kg/m³], density ratio.
PRINTED_TABLE = {
    0: "288.1 101325 1.225 1.0000",
    500: "284.9 95461 1.167 .9529",
    1000: "281.7 89876 1.112 .9075",
    1500: "278.4 84559 1.058 .8638",
    2000: "275.2 79501 1.007 .8217",
    2500: "271.9 74691 0.957 .7812",
    3000: "268.7 70121 0.909 .7422",
    3500: "265.4 65780 0.863 .7048",
    4000: "262.2 61660 0.819 .6689",
    4500: "258.9 57752 0.777 .6343",
    5000: "255.7 54048 0.736 .6012",
}
# Worked apart from the constants of ICAO Doc 7488/3, columns by z.
COMPUTED_TABLE = {
    0: "288.150 101325.00 1.225000",
    500: "284.900 95461.29 1.167273",
    1000: "281.651 89876.28 1.111660",
    1500: "278.402 84559.67 1.058104",
    2000: "275.154 79501.41 1.006554",
    2500: "271.906 74691.74 0.956954",
    3000: "268.659 70121.14 0.909254",
    3500: "265.413 65780.37 0.863402",
    4000: "262.166 61660.42 0.819347",
    4500: "258.921 57752.55 0.777039",
    5000: "255.676 54048.26 0.736429",
}


def temperature(height: float) -> float:
    return float(air.standard_temperature(height)) + 273.15


def pressure(height: float) -> float:
    return 100.0 * float(air.pressure_from_altitude(height))


def density(height: float) -> float:
    return float(air.air_density(air.pressure_from_altitude(height), air.standard_temperature(height)))


QUANTITIES = (
    ("temperature [K]", temperature),
    ("pressure [Pa]", pressure),
    ("density [kg/m³]", density),
    ("density ratio", lambda height: density(height) / density(0.0)),
)


def printed_rows() -> list[SourceRow]:
    rows = []
    for height, text in PRINTED_TABLE.items():
        for (title, compute), printed in zip(QUANTITIES, text.split(), strict=True):
            # The table cuts 288.15 to 288.1 and the pressures to whole pascals instead of rounding them.
            cut = {"temperature [K]": 0.051, "pressure [Pa]": 1.0}.get(title)
            rows.append(
                SourceRow(
                    "published",
                    "public-domain standard-atmosphere tables (1976), geometric height",
                    f"{height} m: {title}",
                    printed,
                    lambda compute=compute, height=height: compute(float(height)),
                    tolerance=cut,
                    status="READ",
                )
            )
    return rows


def computed_rows() -> list[SourceRow]:
    return [
        SourceRow(
            "independent",
            "worked apart by z: from the constants of ICAO Doc 7488/3",
            f"{height} m: {title}, more digits",
            printed,
            lambda compute=compute, height=height: compute(float(height)),
            status="COMP",
        )
        for height, text in COMPUTED_TABLE.items()
        for (title, compute), printed in zip(QUANTITIES, text.split(), strict=False)
    ]


def icao_rows() -> list[SourceRow]:
    table = {1000: "1000 281.651 89876.3 1.11166", 2000: "1999 275.154 79501.4 1.00655"}
    quantities = (("geopotential height [m]", air.geopotential_height), *QUANTITIES)
    return [
        SourceRow(
            "published",
            "ICAO Doc 7488/3 rows, through the open package ambiance",
            f"ICAO {height} m: {title}",
            printed,
            lambda compute=compute, height=height: compute(float(height)),
            status="READ",
        )
        for height, text in table.items()
        for (title, compute), printed in zip(quantities, text.split(), strict=False)
    ]


def worst_against(theirs: np.ndarray, ours: np.ndarray) -> float:
    return float(np.abs(np.asarray(ours) / np.asarray(theirs) - 1.0).max())


HEIGHTS = np.linspace(-400.0, 9000.0, 48)


def against_ambiance() -> float:
    return worst_against(ambiance.Atmosphere(HEIGHTS).pressure, np.array([pressure(height) for height in HEIGHTS]))


def against_fluids() -> float:
    theirs = [fluids.ATMOSPHERE_1976(height).P for height in HEIGHTS if height >= 0.0]
    return worst_against(np.array(theirs), np.array([pressure(height) for height in HEIGHTS if height >= 0.0]))


HUMID = [
    (p, t, rh) for p in (540.0, 701.08, 1013.25) for t in (-30.0, -10.0, 5.0, 20.0, 35.0) for rh in (0, 30, 60, 100)
]


def against_psychrolib() -> float:
    theirs = []
    for p, t, rh in HUMID:
        ratio = psychrolib.GetHumRatioFromRelHum(t, rh / 100.0, 100.0 * p)
        theirs.append(psychrolib.GetMoistAirDensity(t, ratio, 100.0 * p))
    return worst_against(np.array(theirs), np.array([air.air_density(p, t, rh) for p, t, rh in HUMID]))


def against_coolprop() -> float:
    theirs = []
    for p, t, rh in HUMID:
        state = ("T", t + 273.15, "P", 100.0 * p, "R", rh / 100.0)
        theirs.append((1.0 + HAPropsSI("W", *state)) / HAPropsSI("Vda", *state))
    return worst_against(np.array(theirs), np.array([air.air_density(p, t, rh) for p, t, rh in HUMID]))


def moles_against_coolprop() -> float:
    """Water per mol dry air; CoolProp's real moist air holds up to 0.5 % more water than ideal gas."""
    cases = [case for case in HUMID if case[2] > 0]
    theirs = [HAPropsSI("psi_w", "T", t + 273.15, "P", 100.0 * p, "R", rh / 100.0) for p, t, rh in cases]
    theirs = [share / (1.0 - share) for share in theirs]
    return worst_against(np.array(theirs), np.array([air.humidity_ratio_moles(*case) for case in cases]))


WARM, COLD = np.linspace(0.02, 100.0, 60), np.linspace(-60.0, 0.0, 40)


def saturation_against_psychrolib() -> float:
    temps = np.concatenate([WARM, COLD])
    theirs = np.array([psychrolib.GetSatVapPres(temp) for temp in temps])
    return worst_against(theirs, 100.0 * np.asarray(air.saturation_pressure(temps)))


def saturation_against_coolprop() -> float:
    theirs = np.array([PropsSI("P", "T", temp + 273.15, "Q", 0, "Water") for temp in WARM])
    return worst_against(theirs, 100.0 * np.asarray(air.saturation_pressure(WARM)))


def dew_point_against_coolprop() -> float:
    temps = np.linspace(1.0, 80.0, 40)
    pressures = np.array([PropsSI("P", "T", temp + 273.15, "Q", 0, "Water") for temp in temps])
    return float(np.abs(np.asarray(air.water_dew_point(pressures)) - temps).max())


PSYCHRO, COOL = "psychrolib 2.5", f"CoolProp {CoolProp.__version__}"


@source_rows(
    *printed_rows(),
    *computed_rows(),
    *icao_rows(),
    SourceRow(
        "independent",
        "ambiance 1.3 (ICAO Doc 7488/3)",
        "pressure, -400 to 9000 m, largest relative difference",
        "0",
        against_ambiance,
        tolerance=1e-6,
    ),
    SourceRow(
        "independent",
        "fluids 1.3, ATMOSPHERE_1976",
        "pressure, 0 to 9000 m, largest relative difference",
        "0",
        against_fluids,
        tolerance=1e-6,
    ),
    SourceRow(
        "independent",
        f"{PSYCHRO}, GetMoistAirDensity",
        "moist density, -30 to 35 °C, 540 to 1013 hPa, largest relative difference",
        "0",
        against_psychrolib,
        tolerance=1e-4,
    ),
    SourceRow(
        "independent",
        f"{COOL}, HAPropsSI (real gas)",
        "moist density, largest relative difference to real air",
        "0",
        against_coolprop,
        tolerance=1.5e-3,
    ),
    SourceRow(
        "independent",
        f"{COOL}, HAPropsSI psi_w (real gas)",
        "water per mol dry air, largest relative difference to real air",
        "0",
        moles_against_coolprop,
        tolerance=8e-3,
    ),
    SourceRow(
        "independent",
        f"{PSYCHRO}, GetSatVapPres",
        "saturation pressure, -60 to 100 °C, largest relative difference",
        "0",
        saturation_against_psychrolib,
        tolerance=1e-6,
    ),
    SourceRow(
        "independent",
        f"{COOL}, PropsSI of water",
        "saturation pressure over water, 0 to 100 °C, largest relative difference",
        "0",
        saturation_against_coolprop,
        tolerance=1e-3,
    ),
    SourceRow(
        "independent",
        f"{COOL}, PropsSI of water",
        "dew point by 40 CFR 1065.645, 1 to 80 °C, largest difference [K]",
        "0",
        dew_point_against_coolprop,
        tolerance=0.05,
    ),
)
def test_air(row: SourceRow) -> None:
    row.check()


def test_pressure_and_altitude_are_inverse() -> None:
    np.testing.assert_allclose(air.altitude_from_pressure(air.pressure_from_altitude(HEIGHTS)), HEIGHTS, atol=1e-6)


def test_dry_air_is_the_moist_air_less_its_water() -> None:
    """Hand: at 20 °C, 50 % the vapour is half the saturation pressure; its density is M_w e/(R T) = 18.015 e/(R T)."""
    moist, dry = air.air_density(1000.0, 20.0, 50.0), air.dry_air_density(1000.0, 20.0, 50.0)
    vapour = 50.0 * air.saturation_pressure(20.0)
    assert moist - dry == pytest.approx(18.015 * vapour / (8314.46 * 293.15), rel=2e-4)
    assert air.dry_air_density(1000.0, 20.0, 0.0) == air.air_density(1000.0, 20.0, 0.0)


def test_saturation_does_not_jump_at_the_triple_point() -> None:
    """Ice and water share 611.657 Pa at 0.01 °C (triple point, IAPWS, from memory)."""
    below, above = air.saturation_pressure(0.0099999), air.saturation_pressure(0.01)
    assert above == pytest.approx(6.11657, abs=1e-3)
    assert below == pytest.approx(above, rel=1e-4)
