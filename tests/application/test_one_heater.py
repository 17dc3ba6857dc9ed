"""One healthy heater: site, causes, adjustment and fleet give the same lambda, to the last digit, on every fuel."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from combust.application.causes.catalogue import get_priors
from combust.application.causes.engine import Engine
from combust.application.fleet.heater_types import Fleet, heater_type
from combust.application.fleet.policy import Policy
from combust.application.heater.baseline import healthy_stage, usual_flue_temp
from combust.application.heater.structure import PRIOR_DRAWS
from combust.application.lessons.gas import heater_gas
from combust.application.site.effect import site_effect
from combust.data.errors import CombustError
from combust.domain.catalogue import get_fuel
from combust.domain.fuel import Fuel
from combust.domain.heater import Heater, Stage
from combust.domain.instrument import instrument_class
from combust.domain.reading import Reading
from combust.domain.site import Site, pressure_mismatch

ROOT = Path(__file__).parents[2] / "data"
PROFILES = [*sorted((ROOT / "heaters").glob("*.toml")), *sorted((ROOT / "profiles").glob("*.toml"))]
PLACES = ((0.0, 15.0), (150.0, 8.0), (2000.0, 0.0), (2600.0, -18.0), (3300.0, -25.0), (4100.0, 31.5))


def healthy_prior(heater: Heater, stage: str, reading: dict[str, float]) -> tuple[float, float]:
    """Return lambda of the healthy heater as the causes draw it before any gas is read, and as an adjustment aims."""
    engine = Engine(heater, get_priors(), instrument_class(None), 1)
    rows = [engine.row({**reading, "stage": stage}, several=True), engine.row({"stage": stage})]
    state = engine.model.states(rows, [row.healthy.state for row in rows], engine.shared.parameters)
    assert engine.order[0].cause == "healthy"
    drawn = np.atleast_2d(state.air_ratio)[0][engine.shared.index][:PRIOR_DRAWS]
    return float(drawn.mean()), rows[0].healthy_air_ratio()


@pytest.mark.independent
@pytest.mark.parametrize("path", PROFILES, ids=lambda path: path.stem)
def test_the_same_lambda_to_the_last_digit(path: Path) -> None:
    """Four ways to one number: alone, stacked with every fault and another row, and as rows of a fleet's table."""
    heater = Heater.load(path)
    for stage in heater.stages:
        if heater.baseline_of(stage) is None and heater.stages[stage].air_ratio_band is None:
            continue
        by_site = [site_effect(heater, Site(height, None, temp), stage=stage).air_ratio_full for height, temp in PLACES]
        for (height, temp), told in zip(PLACES, by_site, strict=True):
            by_causes = healthy_prior(heater, stage, {"altitude_m": height, "intake_temp_c": temp})
            assert by_causes == (told, told)
        base = healthy_stage(heater, stage=stage)
        one = replace(heater_type(path.stem, heater, Policy.of()), base=base)
        fleet = Fleet([one], np.zeros(2 * len(PLACES), dtype=int))
        pressure = np.array([Site(height, None, temp).pressure for height, temp in PLACES] * 2)
        by_fleet = fleet.lambda_at(pressure, np.array([temp for _, temp in PLACES] * 2))
        assert by_fleet.air_ratio_full.tolist() == by_site * 2


# Air per kg of fuel from its atoms: (1 + h/4 - o/2)/0.20946 mol of air of 28.965 g for 12.011 + 1.008 h + 15.999 o g.
def air_by_volume(fuel: Fuel) -> float:
    need = (1.0 + fuel.h_c / 4.0 - fuel.o_c / 2.0) / 0.20946 * 28.965
    return need / (12.011 + 1.008 * fuel.h_c + 15.999 * fuel.o_c) * float(fuel.density_kg_per_m3 or 0.0)


@pytest.mark.hand
@pytest.mark.parametrize("name", ["biodiesel_b100", "kerosene", "paraffinic", "gasoline_e10"])
def test_another_fuel_than_the_baselines_is_metered_by_volume(name: str) -> None:
    """lambda goes by (density x air need) of the fuels; site, causes, adjustment and fleet all count it."""
    heater = Heater.load(ROOT / "heaters" / "heater-0312.toml")
    other = replace(heater, fuel=get_fuel(name))
    expected = air_by_volume(heater.fuel) / air_by_volume(other.fuel)
    assert expected != pytest.approx(1.0, abs=0.01)
    home, here = Site(2000.0, None, 0.0), {"altitude_m": 2000.0, "intake_temp_c": 0.0}
    before, after = (site_effect(one, home, stage="high") for one in (heater, other))
    assert after.base_air_ratio / before.base_air_ratio == pytest.approx(expected, rel=2e-4)
    assert after.air_ratio_full / before.air_ratio_full == pytest.approx(expected, rel=0.01)  # hot gas and expansion
    assert healthy_prior(other, "high", here) == (after.air_ratio_full, after.air_ratio_full)
    one = heater_type("other", other, Policy.of())
    fleet = Fleet([one], np.array([0])).lambda_at(np.array([home.pressure]), np.array([0.0]))
    assert fleet.air_ratio_full[0] == after.air_ratio_full
    assert any("viscosity not counted" in told.origin for told in after.assumed)


@pytest.mark.hand
@pytest.mark.parametrize("name", ["biodiesel_b100", "kerosene"])
def test_a_reading_on_another_fuel_is_held_against_the_heater_on_that_fuel(name: str) -> None:
    """A healthy heater with lambda 1.6 on diesel shows 1.6 x (density x air need, diesel over this fuel) on it."""
    sea, other = Site(0.0, None, 20.0), get_fuel(name)
    healthy = 1.6 * air_by_volume(get_fuel("diesel_b7")) / air_by_volume(other)
    gas = {"o2_dry_pct": round(float(heater_gas(other, healthy).o2_dry_pct), 2), "location": "outdoors"}
    on_diesel = {"air_ratio": 1.6, "reference": sea}
    told = site_effect("diesel_b7", sea, **on_diesel, reading=Reading(fuel=name, **gas)).reading
    assert told["verdict"] == "as_expected_here"
    assert abs(told["z"]) < 0.1  # the hot gas alone is apart
    assert told["air_ratio"] == pytest.approx(healthy, rel=2e-3)


@pytest.mark.hand
def test_b100_reads_leaner_and_is_cooler() -> None:
    """Volume is metered: a tenth less air is needed (0.905, own arithmetic), and less heat comes."""
    heater = Heater.load(ROOT / "heaters" / "heater-0312.toml")
    diesel, ester = (healthy_stage(replace(heater, fuel=get_fuel(name))) for name in ("diesel_b7", "biodiesel_b100"))
    assert ester.air_ratio / diesel.air_ratio == pytest.approx(1.0 / 0.91, abs=0.015)
    assert ester.state.flue_c < diesel.state.flue_c
    assert ester.state.rise_k < diesel.state.rise_k


@pytest.mark.hand
def test_usual_flue_temperature_by_hand() -> None:
    """0.25 l/h of 800 kg/m³ and 43.2 MJ/kg are 0.2 kg/h and 8.64 MJ/h = 2.4 kW; 2.0 kW useful lose 16.67 %.

    lambda 1.6: O2 20.946 (1 - 1/1.642) = 8.190; Siegert's slope 0.68/12.810 + 0.007 = 0.06008 % per K: 277.4 K.
    """
    fuel = Fuel("made up", 1.86, 0.0, net_heating_value_mj_per_kg=43.2, density_kg_per_m3=800.0)
    stage = Stage("high", fuel_l_per_h=0.25, useful_heat_kw=2.0)
    assert usual_flue_temp(stage, fuel, 1.6, 20.0, 0.80) == pytest.approx(297.4, abs=0.05)
    # without fuel flow the usual efficiency: 20 % lost, 332.9 K
    assert usual_flue_temp(None, fuel, 1.6, 20.0, 0.80) == pytest.approx(352.9, abs=0.05)


@pytest.mark.published
@pytest.mark.parametrize(("height", "pressure", "fits"), [
    (3000.0, 1013.0, False),  # ISO 2533: 701.1 hPa at 3000 m
    (3000.0, 701.1, True), (3000.0, 735.0, True), (0.0, 1040.0, True), (0.0, 930.0, False),
])  # fmt: skip
def test_a_sea_level_pressure_up_high_is_refused(height: float, pressure: float, fits: bool) -> None:
    assert pressure_mismatch(height, pressure) == (not fits)
    if fits:
        assert Site(height, pressure).pressure == pressure
        return
    with pytest.raises(CombustError, match="does not belong"):
        Site(height, pressure)


@pytest.mark.independent
@pytest.mark.parametrize("temp", [-25.0, 18.0])
def test_site_and_fleet_show_the_same_gases_and_trims(temp: float) -> None:
    """One heater below its own limit: what a place does to it, and the same place as the second row of a fleet."""
    heater = Heater.load(ROOT / "heaters" / "heater-0312.toml")
    place = Site(1200.0, None, temp)
    alone = site_effect(heater, place)
    assert alone.fuel_trim_full_pct is not None
    one = heater_type("one", heater, Policy.of())
    pressures, temps = np.array([1013.25, place.pressure]), np.array([10.0, temp])
    row = {key: column[1] for key, column in Fleet([one, one], np.array([1, 0])).columns_at(pressures, temps).items()}
    shown = [key for key in row if "_trim_" in key and "_minimum_" not in key] + [key for key in row if "o2_" in key]
    assert len(shown) == 12
    assert {key: row[key] for key in shown} == {key: getattr(alone, key) for key in shown}
