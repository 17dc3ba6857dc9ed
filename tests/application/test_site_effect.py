"""What a site does: worked numbers of the trade and the method, rules that never bend, and independent libraries."""

from __future__ import annotations

import json
import math
from typing import Any

import psychrolib
import pytest

from combust.application.heater.baseline import healthy_stage
from combust.application.site.derating import derating_table
from combust.application.site.effect import site_effect
from combust.application.site.effect_result import SiteEffect
from combust.data.errors import CombustError
from combust.domain.heater import Heater
from combust.domain.reading import Reading
from combust.domain.site import Site

SEA_20 = Site(0.0, None, 20.0)


def effect(height: float, temp: float, **more: Any) -> SiteEffect:
    arguments: dict[str, Any] = {"air_ratio": 1.6, "reference": SEA_20, **more}
    return site_effect("diesel", Site(height, None, temp), **arguments)


def profile(**more: object) -> Heater:
    table: dict[str, object] = {
        "fuel": "diesel_b7",
        "heater_id": "heater-0001",
        "blower": "centrifugal",
        "blower_rpm_max": 5000,
        "limits": {"altitude_m": 1400, "source": "invented document"},
        "stages": {
            "high": {"fuel_l_per_h": 0.25, "useful_heat_kw": 2.0, "blower_rpm": 4000},
            "low": {"fuel_l_per_h": 0.11, "useful_heat_kw": 0.9, "air_ratio_band": [1.8, 2.4]},
        },
        "baseline": [
            {"stage": "high", "altitude_m": 0, "intake_temp_c": 20, "o2_dry_pct": 8.2, "co_dry_ppm": 40,
             "flue_temp_c": 300, "air_in_temp_c": 20, "air_out_temp_c": 95}
        ],
        **more,
    }  # fmt: skip
    return Heater.from_dict(table)


# Density ratio to 20 °C sea level (worked apart; printed to three digits, stated tolerance 0.003) and the trim
# that keeps lambda at +20 and -20 °C.
@pytest.mark.independent
@pytest.mark.parametrize(
    ("height", "ratios", "trims"),
    [
        (0, (1.00, 1.07, 1.16, 1.21), (0.0, 0.0)),
        (1500, (0.835, 0.896, 0.966, 1.006), (-16.5, -3.4)),
        (2000, (0.785, 0.842, 0.909, 0.946), (-21.5, -9.1)),
        (3000, (0.692, 0.743, 0.801, 0.834), (-30.8, -19.9)),
        (4000, (0.608, 0.653, 0.704, 0.733), (-39.2, -29.6)),
    ],
)
def test_table_of_density_ratios(height: float, ratios: tuple[float, ...], trims: tuple[float, float]) -> None:
    # The pressure formula of that table takes geopotential height.
    geometric = 6_356_766.0 * height / (6_356_766.0 - height)
    told = [effect(geometric, temp) for temp in (20.0, 0.0, -20.0, -30.0)]
    tolerance = 0.005 if height == 0 else 0.0006
    assert [one.dry_air_density_ratio for one in told] == pytest.approx(list(ratios), abs=tolerance)
    assert [told[0].fuel_trim_pct, told[2].fuel_trim_pct] == pytest.approx(list(trims), abs=0.06)


# Worked apart: base 1.60 at 20 °C and sea level, 2000 m, 0 °C: lambda 1.35, O2 5.7, CO2 11.2.
@pytest.mark.independent
def test_worked_site() -> None:
    one = effect(2000, 0.0)
    assert one.air_ratio == pytest.approx(1.347, abs=0.0006)
    assert one.o2_dry_pct == pytest.approx(5.68, abs=0.01)
    assert one.co2_dry_pct == pytest.approx(11.2, abs=0.05)


# B5: 3000 m, -20 °C: fuel -19.9 % or blower x 1.25; warned when the speed is not there.
@pytest.mark.independent
def test_trim_options_and_their_limits() -> None:
    one = effect(3000, -20.0)
    assert one.fuel_trim_pct == pytest.approx(-19.9, abs=0.05)
    assert 1.0 + one.blower_trim_pct / 100.0 == pytest.approx(1.25, abs=0.005)
    # 5000 of 4000 1/min: 25 % left; in full it needs more than the 24.8 % of dry-air density alone.
    unit = site_effect(profile(limits={"altitude_m": 4000.0}), Site(3000.0, None, -20.0))
    assert unit.blower_trim_limit_pct == pytest.approx(25.0, abs=1e-9)
    assert "blower_trim_beyond" in {finding.code for finding in unit.findings}
    assert unit.fuel_trim_limit_pct == pytest.approx(100.0 * (0.11 / 0.25 - 1.0), abs=1e-9)


# Worked apart: 3300 m, -25 °C, base 1.6, 2 kW: sigma 0.787, lambda 1.26, fuel -21 %, 1.57 kW.
@pytest.mark.independent
def test_worked_high_site() -> None:
    one = effect(3300, -25.0, useful_heat_kw=2.0)
    assert one.dry_air_density_ratio == pytest.approx(0.787, abs=0.0005)
    assert one.air_ratio == pytest.approx(1.26, abs=0.005)
    assert one.fuel_trim_pct == pytest.approx(-21.3, abs=0.05)
    assert one.useful_heat_kw == pytest.approx(1.57, abs=0.005)


# Heating-air rise: 75 K at 95 kg/h becomes 100 K when its mass flow falls to 0.75 (hand: 75/0.75).
@pytest.mark.hand
def test_outlet_grows_hotter_as_the_heating_air_thins() -> None:
    # At 2391 m the pressure is 0.75 of sea level's; the heating air enters at 20 °C as at the baseline, so its density
    # ratio is the pressure ratio, and the rise is heat / 0.75.
    one = site_effect(profile(), Site(None, 0.75 * 1013.25, 20.0), air_in_temp_c=20.0)
    assert one.useful_heat_untrimmed_kw is not None
    assert one.air_out_temp_c is not None
    heat = one.useful_heat_untrimmed_kw / 2.0
    assert one.air_out_temp_c - 20.0 == pytest.approx(75.0 * heat / 0.75, abs=1e-6)
    assert 1.0 < heat < 1.06  # the same fuel in less air: the flue is hotter, the gas is less
    # 110 °C at home are a rise of 90 K; at 0.65 of the pressure that is 138 K or more, and 158 °C at the outlet.
    row = {"stage": "high", "altitude_m": 0, "intake_temp_c": 20, "o2_dry_pct": 8.2, "air_out_temp_c": 110}
    hot = site_effect(profile(baseline=[row]), Site(None, 0.65 * 1013.25, 20.0))
    assert "outlet_hot" in {finding.code for finding in hot.findings}


@pytest.mark.hand
def test_no_upward_trim_ever() -> None:
    one = site_effect(profile(), Site(0.0, None, -30.0))
    assert one.air_ratio > 1.6
    for value in (one.fuel_trim_pct, one.fuel_trim_full_pct, one.fuel_trim_with_fuel_density_pct, one.blower_trim_pct):
        assert value == 0.0
    assert "no_upward_trim" in {finding.code for finding in one.findings}
    assert one.useful_heat_kw == pytest.approx(2.0)


@pytest.mark.hand
def test_unit_limit_decides_and_is_said() -> None:
    codes = {finding.code for finding in site_effect(profile(), Site(1850.0, None, -12.0)).findings}
    assert "above_heater_limit" in codes
    assert "above_heater_limit" not in {one.code for one in site_effect(profile(), Site(1400.0, None, 0.0)).findings}
    # A limit that nobody looked up is no permission: well up the heater stays off, low down nothing is judged.
    low, high = (site_effect(profile(limits={}), Site(height, None, 0.0)) for height in (400.0, 1400.0))
    assert "heater_limit_unknown" in {one.code for one in low.findings}
    assert (low.safety.state, high.safety.state) == ("not_judged", "heater_off")
    assert high.fuel_trim_pct is None


# A6: a reading of 5.7 where 5.68 belongs: the site explains it. One of 3.0 it does not.
@pytest.mark.independent
def test_is_the_reading_what_the_site_explains() -> None:
    place = {"location": "outdoors", "probe_leak_test": "pass"}
    told = effect(2000, 0.0, reading=Reading(o2_dry_pct=5.7, **place))
    assert told.reading is not None
    assert told.reading["verdict"] == "as_expected_here"
    assert told.fuel_trim_pct is not None
    rich = effect(2000, 0.0, reading=Reading(o2_dry_pct=3.0, **place))
    assert rich.reading is not None
    assert rich.reading["verdict"] == "richer_than_expected"
    lean = effect(2000, 0.0, reading=Reading(o2_dry_pct=9.0, **place))
    assert lean.reading is not None
    assert lean.reading["verdict"] == "leaner_than_expected"


@pytest.mark.hand
@pytest.mark.parametrize(
    "reading",
    [
        {"o2_dry_pct": 5.7, "co_dry_ppm": 1200, "location": "outdoors"},
        {"o2_dry_pct": 5.7, "location": "indoors"},
        {"o2_dry_pct": 5.7},
        {"o2_dry_pct": 5.7, "cab_co_in_ppm": 40, "location": "outdoors"},
    ],
)
def test_a_stop_comes_first_and_withholds_every_trim(reading: dict[str, object]) -> None:
    one = effect(2000, 0.0, reading=Reading(**reading))
    assert one.findings[0].severity == "stop"
    trims = [key for key in one.to_dict() if "trim_" in key and key.endswith("_pct") and "limit" not in key]
    assert len(trims) == 8
    assert all(one.to_dict()[key] is None for key in trims)


@pytest.mark.hand
def test_json_is_complete_and_has_no_nan() -> None:
    keys = (
        "density_ratio dry_air_density_ratio air_ratio air_ratio_with_fuel_density air_ratio_full air_ratio_full_u "
        "o2_dry_pct co2_dry_pct fuel_trim_pct blower_trim_pct useful_heat_kw ceiling_altitude_m"
    )
    for one in (site_effect(profile(), Site(2600.0, None, -18.0)), effect(4300, 40.0)):
        table = one.to_dict()
        json.dumps(table, allow_nan=False)
        assert set(keys.split()) <= set(table)
        assert table["cautions"]
        for row in table["assumed"].values():
            assert row["origin"]


@pytest.mark.hand
def test_weather_band_and_curve() -> None:
    one = effect(1500, 0.0)
    # 30 hPa of about 846 hPa are 3.5 %: in round numbers +- 3.6 %
    assert one.weather["air_ratio_high"] / one.air_ratio == pytest.approx(1.0 + 30.0 / 845.6, abs=1e-4)
    heights = [row["ceiling_altitude_m"] for row in one.ceiling_curve]
    known = [height for height in heights if height is not None]
    assert len(known) == len(heights)
    assert known == sorted(known, reverse=True)


# Moist air: density by psychrolib (ASHRAE), within the 0.01 % the issue asks for.
@pytest.mark.independent
@pytest.mark.parametrize(
    ("temp", "humidity", "pressure"), [(30.0, 100.0, 1013.25), (20.0, 50.0, 701.08), (-5.0, 80.0, 845.0)]
)
def test_moist_density_ratio_against_psychrolib(temp: float, humidity: float, pressure: float) -> None:
    psychrolib.SetUnitSystem(psychrolib.SI)
    ratio = psychrolib.GetHumRatioFromRelHum(temp, humidity / 100.0, 100.0 * pressure)
    moist = psychrolib.GetMoistAirDensity(temp, ratio, 100.0 * pressure)
    dry = psychrolib.GetMoistAirDensity(20.0, 0.0, 101325.0)
    one = site_effect(
        "diesel", Site(None, pressure, temp, humidity), air_ratio=1.6, reference=Site(None, 1013.25, 20.0)
    )
    assert one.density_ratio == pytest.approx(moist / dry, rel=1e-4)
    assert one.dry_air_density_ratio == pytest.approx(moist / (1.0 + ratio) / dry, rel=1e-4)
    if temp == 30.0:  # moist and dry differ by 2.6 points at 30 °C saturated (worked apart)
        assert 100.0 * (one.density_ratio - one.dry_air_density_ratio) == pytest.approx(2.6, abs=0.1)


@pytest.mark.hand
def test_refusals_tell_everything_at_once() -> None:
    with pytest.raises(CombustError) as caught:
        effect(2000, 0.0, minimum_air_ratio=9.0, keep_air_ratio=0.1, fuel_temp_c=200.0)
    assert {fault.quantity for fault in caught.value.faults} == {"minimum_air_ratio", "keep_air_ratio", "fuel_temp_c"}
    with pytest.raises(CombustError, match="air_ratio"):
        site_effect("diesel", Site(2000.0, None, 0.0))
    with pytest.raises(CombustError, match="air_ratio_band"):
        site_effect(Heater.from_dict({"fuel": "diesel", "stages": {"high": {"useful_heat_kw": 2.0}}}), Site(2000.0))


@pytest.mark.hand
def test_uncertainty_grows_with_what_is_not_known() -> None:
    sure = site_effect(profile(), Site(3000.0, None, -20.0))
    row = {"origin": "type", "stage": "high", "altitude_m": 0, "intake_temp_c": 20, "o2_dry_pct": 8.2}
    unsure = site_effect(profile(baseline=[row]), Site(3000.0, None, -20.0))
    assert unsure.air_ratio_full_u > sure.air_ratio_full_u
    home = effect(0, 20.0)
    assert home.air_ratio_full == pytest.approx(1.6, abs=1e-12)
    # Saturated air of 20 °C holds 23.4 hPa of vapour (textbook): untold humidity, 0 to 100 %, is all that is left.
    assert home.air_ratio_full_u == pytest.approx(1.6 * 23.4 / 1013.25 / 12.0**0.5, abs=1e-4)


@pytest.mark.independent
def test_derating_table_equals_single_sites() -> None:
    base = healthy_stage("diesel", air_ratio=1.6, reference=SEA_20, useful_heat_kw=2.0)
    table = derating_table(base, altitude_m=[0, 1850, 3300], intake_temp_c=[-25, 15])
    for row in table.itertuples():
        one = effect(row.altitude_m, row.intake_temp_c, useful_heat_kw=2.0)
        assert row.air_ratio == pytest.approx(one.air_ratio, rel=1e-9)
        assert row.air_ratio_full == pytest.approx(one.air_ratio_full, abs=3e-5)
        assert row.fuel_trim_full_pct == pytest.approx(one.fuel_trim_full_pct, abs=0.02)
        assert row.blower_trim_full_pct == pytest.approx(one.blower_trim_full_pct, abs=0.05)
        assert math.isclose(row.useful_heat_kw, one.useful_heat_kw or 0.0, rel_tol=1e-9)
