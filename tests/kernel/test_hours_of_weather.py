"""What hourly series need of the kernel: station pressure from sea level, heat loss covered, humid surfaces."""

from __future__ import annotations

import ambiance
import numpy as np
import pytest

from combust.application.heater.baseline import healthy_stage
from combust.domain.heater import Heater
from combust.kernel.air import pressure_from_altitude, standard_temperature, station_pressure_from_sea_level
from combust.kernel.altitude import fit_nodes, fit_surface, lambda_from_surface, value_from_surface
from combust.kernel.cab import heat_demand, heat_loss_covered
from tests.edge.runs import DATA

HEIGHTS = np.array([0.0, 500.0, 1500.0, 3000.0, 4300.0])


@pytest.mark.independent
def test_the_standard_column_gives_the_standard_pressure() -> None:
    """With 1013.25 hPa and the standard temperature of each height: ISO 2533 by the library ambiance."""
    told = station_pressure_from_sea_level(1013.25, standard_temperature(HEIGHTS), HEIGHTS)
    assert told == pytest.approx(ambiance.Atmosphere(HEIGHTS).pressure / 100.0, rel=1e-5)


@pytest.mark.independent
@pytest.mark.parametrize(("temp", "height"), [(-25.0, 3000.0), (-10.0, 1500.0), (5.0, 4300.0), (10.0, 150.0)])
def test_the_hypsometric_equation_summed_up_layer_by_layer(temp: float, height: float) -> None:
    """ln p0/p is the sum of g dz / (R T) over thin layers, T rising by 6.5 K/km downwards, g of each height."""
    z = np.linspace(0.0, height, 20_001)
    middle = 0.5 * (z[1:] + z[:-1])
    gravity = 9.80665 * (6_356_766.0 / (6_356_766.0 + middle)) ** 2
    # the lapse is per geopotential metre: 0.3 % at most over this height
    kelvin = temp + 273.15 + 0.0065 * (height - middle)
    ratio = np.exp(-np.sum(gravity * np.diff(z) / (287.05287 * kelvin)))
    assert station_pressure_from_sea_level(1018.0, temp, height) == pytest.approx(1018.0 * ratio, abs=0.05)


@pytest.mark.hand
def test_heat_that_covers_a_loss() -> None:
    """2 kW hold 20 °C at -20 °C against 2000/40 = 50 W/K; where it is as warm outside, any loss is covered."""
    assert heat_loss_covered(2.0, 20.0, np.array([-20.0, 0.0])) == pytest.approx([50.0, 100.0])
    assert np.isinf(heat_loss_covered(2.0, 20.0, np.array([20.0, 25.0]))).all()
    losses = heat_loss_covered(1.9, 19.5, np.array([-30.0, -4.0, 19.0]))
    assert heat_demand(losses, 19.5, np.array([-30.0, -4.0, 19.0])) == pytest.approx([1.9] * 3)


@pytest.fixture(scope="module", params=["small", "large_high", "clinic_gasoline"])
def heater(request: pytest.FixtureRequest) -> Heater:
    return Heater.load(DATA / "larkfell_fleet" / "profiles" / f"{request.param}.toml")


@pytest.mark.independent
def test_trims_on_their_surfaces_against_the_working_point(heater: Heater) -> None:
    """The trims that hold lambda, solved point by point, from sea level to 4500 m and -45 to 15 °C, dry to wet."""
    base, chance = healthy_stage(heater), np.random.default_rng(5)
    pressure = pressure_from_altitude(chance.uniform(-200.0, 4500.0, 60))
    temp, humidity = chance.uniform(-45.0, 15.0, 60), chance.uniform(0.0, 100.0, 60)
    fuel, speed, misfit = base.trims_fitted
    here, density = base.air_at(pressure, temp, humidity_pct=humidity), base.fuel_density(temp)
    told = lambda_from_surface(base.surface, pressure_hpa=pressure, temp_c=temp, humidity_pct=humidity)
    by_density = told.air_ratio_with_fuel_density / base.air_ratio
    assert misfit < 1e-4
    for weights, scale, by in ((fuel, by_density, "fuel"), (speed, 1.0 / by_density, "speed")):
        exact = base.trim(here, density, base.air_ratio, by=by).factor
        assert value_from_surface(weights, pressure, temp) * scale == pytest.approx(exact, rel=1.5e-3)
    assert np.isnan(value_from_surface(fuel, np.array([700.0, 200.0]), np.array([-70.0, 0.0]))).all()


@pytest.mark.independent
def test_humid_air_on_the_surface_against_the_working_point(heater: Heater) -> None:
    """Vapour takes the place of dry air; told humidity takes its part of the uncertainty away."""
    base, chance = healthy_stage(heater), np.random.default_rng(6)
    pressure = pressure_from_altitude(chance.uniform(-200.0, 3500.0, 60))
    temp, humidity = chance.uniform(-45.0, 15.0, 60), chance.uniform(5.0, 100.0, 60)
    exact = base.lambda_at(base.air_at(pressure, temp, humidity_pct=humidity))
    told = lambda_from_surface(base.surface, pressure_hpa=pressure, temp_c=temp, humidity_pct=humidity)
    burns = exact.air_ratio_full > 1.05
    assert told.air_ratio == pytest.approx(exact.air_ratio, rel=1e-9)
    assert told.air_ratio_full[burns] == pytest.approx(exact.air_ratio_full[burns], abs=1.5e-3)
    assert told.air_ratio_full_u[burns] == pytest.approx(exact.air_ratio_full_u[burns], abs=1.5e-3)
    untold = lambda_from_surface(base.surface, pressure_hpa=pressure, temp_c=temp, humidity_pct=np.full(60, np.nan))
    dry = lambda_from_surface(base.surface, pressure_hpa=pressure, temp_c=temp)
    for one, other in zip(untold, dry, strict=True):
        assert np.array_equal(one, other)


@pytest.mark.hand
def test_a_surface_goes_through_what_it_was_fitted_to() -> None:
    """A polynomial of degree 2 in ln p and 1/T comes back: 1 + ln(p/p0) (1000/T - 3.6)."""
    pressure, temp = fit_nodes()

    def value(hpa: np.ndarray, celsius: np.ndarray) -> np.ndarray:
        return 1.0 + np.log(hpa / 1013.25) * (1000.0 / (celsius + 273.15) - 3.6)

    weights, misfit = fit_surface(value(pressure, temp), pressure, temp)
    assert misfit < 1e-12
    there = np.array([1000.0, 850.0, 700.0]), np.array([-40.0, 0.0, 30.0])
    assert value_from_surface(weights, *there) == pytest.approx(value(*there), abs=1e-10)
