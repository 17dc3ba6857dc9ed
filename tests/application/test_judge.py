"""Stops, warnings and notes: both ends of every limit, and a missing number that never clears a stop."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

import combust
from combust.application.heater.profile_check import check_heater
from combust.application.reading.columns import Columns
from combust.application.reading.interpret import RESULT_KEYS, interpret_columns
from combust.application.reading.judge import codes_of
from combust.application.reading.result import interpret, safety_of
from combust.data.vocabulary import input_keys, quantities
from combust.domain.catalogue import get_fuel
from combust.domain.instrument import instrument_class
from combust.domain.limits import finding_kinds
from combust.domain.reading import WORTH_TELLING, check_values
from tests.application.one import interpret_one

CLEAR = {"location": "outdoors", "probe_leak_test": "pass", "o2_dry_pct": 8.2, "co_dry_ppm": 50.0}
UP, DOWN = math.inf, -math.inf


def stops(**values: Any) -> list[str]:
    return interpret_one(**{**CLEAR, **values}).stops


def over(value: float) -> float:
    return math.nextafter(value, UP)


def under(value: float) -> float:
    return math.nextafter(value, DOWN)


def test_nothing_stops_a_clear_reading() -> None:
    assert stops() == []


@pytest.mark.parametrize(
    ("code", "just_in", "just_out"),
    [
        # more than 0.1 vol % as measured, dry
        ("exhaust_co_high", {"co_dry_ppm": over(1000.0)}, {"co_dry_ppm": 1000.0}),
        # 20 ppm and more above outside; 35 and more; 200 and more
        ("cab_co_rise", {"cab_co_in_ppm": 20.0, "cab_co_out_ppm": 0.0}, {"cab_co_in_ppm": under(20.0)}),
        ("cab_co_rise", {"cab_co_in_ppm": 23.0, "cab_co_out_ppm": 1.0}, {"cab_co_in_ppm": 23.0, "cab_co_out_ppm": 3.5}),
        ("cab_co_rise", {"cab_co_in_ppm": 20.0}, {"cab_co_in_ppm": 20.0, "cab_co_out_ppm": 0.001}),
        ("cab_co_level", {"cab_co_in_ppm": 35.0, "cab_co_out_ppm": 34.0}, {"cab_co_in_ppm": under(35.0)}),
        ("cab_co_everyone_out", {"cab_co_in_ppm": 200.0, "cab_co_out_ppm": 190.0}, {"cab_co_in_ppm": under(200.0)}),
        ("indoors", {"location": "indoors"}, {"location": "outdoors"}),
        ("location_unknown", {"location": None}, {"location": "outdoors"}),
        ("gasoline_in_diesel_heater", {"fuel_sample": "gasoline"}, {"fuel_sample": "as_stated"}),
        ("terminals_blocked", {"terminals": "intake_blocked"}, {"terminals": "clear"}),
        ("heating_air_exhaust", {"heating_air_smell": "exhaust"}, {"heating_air_smell": "fuel"}),
        ("joints_leaking", {"joints": "leaking"}, {"joints": "tight"}),
        ("terminals_blocked", {"terminals": "both"}, {"terminals": None}),
    ],
)
def test_both_ends_of_every_stop(code: str, just_in: dict[str, Any], just_out: dict[str, Any]) -> None:
    assert code in stops(**just_in)
    assert code not in stops(**just_out)


def test_air_free_co_stops_unless_the_leak_test_passed() -> None:
    """Hand: 12 % O2 makes CO·20.946/8.946; 1000 air-free are 427.1 ppm as measured."""
    edge = 1000.0 * (20.946 - 12.0) / 20.946
    for leak_test in (None, "fail"):
        found = {"probe_leak_test": leak_test, "o2_dry_pct": 12.0}
        assert "exhaust_co_air_free_high" in stops(**found, co_dry_ppm=edge + 0.001)
        assert "exhaust_co_air_free_high" not in stops(**found, co_dry_ppm=edge - 0.001)
    assert stops(o2_dry_pct=12.0, co_dry_ppm=900.0) == []


def test_cab_co_of_the_trade_notes() -> None:
    """A8: cab 23 ppm against 1 outside stops; 1200 ppm in the exhaust stops; gasoline in a diesel unit stops."""
    assert stops(cab_co_in_ppm=23, cab_co_out_ppm=1) == ["cab_co_rise"]
    assert stops(co_dry_ppm=1200) == ["exhaust_co_high"]
    assert stops(fuel_sample="gasoline") == ["gasoline_in_diesel_heater"]
    assert "gasoline_in_diesel_heater" not in stops(fuel_sample="gasoline", fuel_name="gasoline_e5")


@pytest.mark.parametrize(
    "name", ["diesel_b0", "kerosene", "paraffinic", "biodiesel_b100", "CH1.86O0.007", "sr23_diesel"]
)
def test_gasoline_stops_unless_the_stated_fuel_is_known_to_be_gasoline(name: str) -> None:
    assert "gasoline_in_diesel_heater" in stops(fuel_sample="gasoline", fuel_name=name)


def test_a_wet_co_reading_stops_on_its_dry_value() -> None:
    """950 ppm wet are more than 1000 dry in any gas with over 5 % water (lambda below 2.5)."""
    values = {"co_dry_ppm": None, "co_wet_ppm": 950.0, "o2_dry_pct": None, "o2_wet_pct": 7.5}
    assert "exhaust_co_high" in stops(**values)


@pytest.mark.parametrize(
    ("entered", "code", "number"),
    [
        ({"co_dry_ppm": 1530.4}, "exhaust_co_high", 1530.4),
        ({"co_dry_ppm": 900.0, "o2_dry_pct": 12.0}, "exhaust_co_air_free_high", 900.0 * 20.946 / 8.946),
        ({"cab_co_in_ppm": 31.0, "cab_co_out_ppm": 4.0}, "cab_co_rise", 27.0),
        ({"cab_co_in_ppm": 31.0}, "cab_co_rise", 31.0),  # outside not measured counts as 0
    ],
)
def test_a_finding_holds_its_number(entered: dict[str, Any], code: str, number: float) -> None:
    """Hand: as entered, air-free by 20.946/(20.946 - O2), cab less outside."""
    found = next(one for one in safety_of({"location": "outdoors", **entered}).stops if one.code == code)
    assert (found.value, found.unit) == (pytest.approx(number, rel=1e-9), "ppm")


def test_the_number_of_a_finding_has_the_unit_of_its_quantity() -> None:
    kinds = [one for one in finding_kinds().values() if one.quantity in quantities()]
    assert kinds
    assert [one.code for one in kinds if one.unit != quantities()[one.quantity].unit] == []


STOPPING = {
    "exhaust_co_high": {"co_dry_ppm": 1500.0},
    "exhaust_co_air_free_high": {"co_dry_ppm": 900.0, "o2_dry_pct": 12.0, "probe_leak_test": "fail"},
    "cab_co_everyone_out": {"cab_co_in_ppm": 250.0},
    "cab_co_level": {"cab_co_in_ppm": 40.0},
    "cab_co_rise": {"cab_co_in_ppm": 25.0},
    "gasoline_in_diesel_heater": {"fuel_sample": "gasoline"},
    "heating_air_exhaust": {"heating_air_smell": "exhaust"},
    "joints_leaking": {"joints": "leaking"},
    "terminals_blocked": {"terminals": "exhaust_blocked"},
    "indoors": {"location": "indoors"},
    "location_unknown": {"location": None},
}


def test_every_stop_is_tried_here() -> None:
    assert set(STOPPING) == {code for code, kind in finding_kinds("reading").items() if kind.severity == "stop"}


@pytest.mark.parametrize("code", STOPPING)
def test_missing_never_clears_a_stop(code: str) -> None:
    """Take away anything else that was entered: the stop stays. More values never clear it either."""
    values = {**CLEAR, **STOPPING[code], "co2_dry_pct": 9.2, "co2_origin": "measured", "flue_temp_c": 300.0}
    others = [key for key in values if key not in STOPPING[code]]
    for count in range(len(others) + 1):
        for gone in itertools.combinations(others, count):
            kept = {key: value for key, value in values.items() if key not in gone}
            if code == "location_unknown" and not kept.keys() & set(WORTH_TELLING):
                assert interpret_one(**kept).codes[-1] == "nothing_entered"  # an empty record is not judged yet
                continue
            assert code in interpret_one(**kept).stops, gone
    for outside in (None, float("nan")):
        assert "cab_co_rise" in stops(cab_co_in_ppm=20.0, cab_co_out_ppm=outside)


BASE: dict[str, Any] = {**CLEAR, "co2_dry_pct": 9.28, "co2_origin": "measured", "flue_temp_c": 300, "intake_temp_c": 20}
# code -> (what makes it appear, what does not): both sides of each limit, and of what is usual in quantities.toml
BOTH_SIDES: dict[str, tuple[dict[str, Any], dict[str, Any]]] = {
    "co2_above_maximum": ({"o2_dry_pct": 0.5, "co2_dry_pct": 16.5}, {"o2_dry_pct": 0.5, "co2_dry_pct": 15.0}),
    "o2_like_air": ({"o2_dry_pct": 20.5}, {"o2_dry_pct": under(20.5)}),
    "o2_near_air": ({"o2_dry_pct": 18.0}, {"o2_dry_pct": under(18.0)}),
    "looks_like_fraction": ({"o2_dry_pct": 0.082}, {"o2_dry_pct": 0.21}),
    "unit_doubtful": ({"intake_static_pa": -1.4}, {"intake_static_pa": -2.0}),
    "co_looks_like_pct": ({"co_dry_ppm": under(1.0)}, {"co_dry_ppm": 1.0}),
    "no_gas": ({"o2_dry_pct": None, "co2_dry_pct": None}, {"co2_dry_pct": None}),
    "co2_alone": ({"o2_dry_pct": None, "co2_origin": None}, {"o2_dry_pct": None}),
    "co2_only": ({"o2_dry_pct": None}, {}),
    "leak_test_failed": ({"probe_leak_test": "fail"}, {}),
    "leak_test_not_done": ({"probe_leak_test": None}, {}),
    "sample_wet": ({"sample_line": "wet"}, {"sample_line": "dry"}),
    "ambient_o2_off": ({"ambient_o2_pct": 20.59}, {"ambient_o2_pct": 20.61}),
    "ambient_co_off": ({"ambient_co_ppm": -10.1}, {"ambient_co_ppm": -10.0}),
    "span_gas_off": (
        {"span_o2_pct": 8.0, "span_o2_read_pct": 8.31},
        {"span_o2_pct": 8.0, "span_o2_read_pct": 8.29},
    ),
    "not_steady": ({"o2_span_over_3min_pct": 0.31}, {"o2_span_over_3min_pct": 0.3, "flue_drift_k_per_min": 2.0}),
    "simulated": ({"simulated": "yes"}, {"simulated": "no"}),
    "too_early": ({"minutes_since_ignition": 9.9}, {"minutes_since_ignition": 10.0}),
    "intake_recirculation": ({"intake_co2_pct": 0.11}, {"intake_co2_pct": 0.1, "intake_o2_pct": 20.7}),
    "fuel_not_as_stated": ({"fuel_sample": "other"}, {"fuel_sample": "water"}),
    "fuel_sample_waxed": ({"fuel_sample": "waxed"}, {"fuel_sample": "other"}),
    "fuel_sample_water": ({"fuel_sample": "water"}, {"fuel_sample": "waxed"}),
    "exhaust_co_warn": ({"co_dry_ppm": over(400.0)}, {"co_dry_ppm": 400.0}),
    "exhaust_co_air_free_warn": (
        {"co_dry_ppm": 300.0, "probe_leak_test": None},
        {"co_dry_ppm": 240.0, "probe_leak_test": None},
    ),
    "exhaust_hc_warn": ({"hc_dry_ppm": over(100.0)}, {"hc_dry_ppm": 100.0}),
    "no_over_approval": ({"no_dry_ppm": over(200.0)}, {"no_dry_ppm": 200.0}),
    "co_not_entered": ({"co_dry_ppm": None}, {"co_dry_ppm": 0.0}),
    "smoke_warn": ({"smoke_number": 5}, {"smoke_number": 4}),
    "smoke_note": ({"smoke_number": 3}, {"smoke_number": 2}),
    "flue_below_intake": ({"flue_temp_c": 19.9}, {"flue_temp_c": 20.0}),
    "flue_condensing": ({"flue_temp_c": 40.0}, {"flue_temp_c": 45.0}),
    "wet_converted": ({"co_dry_ppm": None, "co_wet_ppm": 45.0}, {}),
    "pressure_and_altitude": ({"altitude_m": 2000, "pressure_hpa": 840}, {"altitude_m": 2000, "pressure_hpa": 830}),
    "outside_checked_range": ({"flue_temp_c": 800.1}, {"flue_temp_c": 800.0}),
    "heating_value_estimated": ({"fuel_name": "CH1.86"}, {}),
    "co2_origin_unknown": ({"co2_origin": None}, {"co2_origin": "calculated"}),
    "pair_cannot_be_checked": ({"co2_origin": "calculated"}, {}),
    "pair_disagrees": ({"co2_dry_pct": 8.53}, {}),
    "pair_impossible": ({"co2_dry_pct": 5.0}, {"co2_dry_pct": 8.53}),
    # 17 % unburnt fuel and 20 % CO beside 16 % O2: no amount of this fuel and air brings that much
    "gases_impossible": (
        {"o2_dry_pct": 16.0, "co2_dry_pct": None, "co_dry_ppm": 200_000.0, "hc_dry_ppm": 166_000.0},
        {"o2_dry_pct": 5.0, "co2_dry_pct": None, "co_dry_ppm": 50_000.0, "hc_dry_ppm": 20_000.0},
    ),
    # an instrument set to natural gas (11.8 %) shows CO2 = 11.8 (20.946 - 8.2)/20.946 = 7.18; this fuel gives 9.34
    "analyser_fuel_other": (
        {"co2_dry_pct": 7.2, "co2_origin": "calculated"},
        {"co2_dry_pct": 9.3, "co2_origin": "calculated"},
    ),
    "rich": ({"o2_dry_pct": 0.0, "co2_dry_pct": None, "co_dry_ppm": 900.0}, {"o2_dry_pct": 1.0, "co2_dry_pct": None}),
    # a rich flame leaves no oxygen either: 0.9 % O2 without CO, against CO read, and against 1.0 %
    "at_most": (
        {"o2_dry_pct": under(1.0), "co2_dry_pct": None, "co_dry_ppm": None},
        {"o2_dry_pct": 1.0, "co2_dry_pct": None, "co_dry_ppm": None},
    ),
    "o2_from_analyser": ({"o2_dry_pct": None, "co2_dry_pct": None, "analyser_excess_air_pct": 60.0}, {}),
    "soot_range": ({"o2_dry_pct": 5.0, "co2_dry_pct": None}, {"o2_dry_pct": 5.3, "co2_dry_pct": None}),
    "not_judged": ({**dict.fromkeys(BASE), "location": "outdoors"}, {}),
    "nothing_entered": (dict.fromkeys(BASE), {"location": None}),
    "very_lean": ({"o2_dry_pct": 13.0, "co2_dry_pct": None}, {"o2_dry_pct": 12.7, "co2_dry_pct": None}),
}


def test_every_finding_is_tried_on_both_sides() -> None:
    assert set(BOTH_SIDES) | set(STOPPING) == set(finding_kinds("reading"))


@pytest.mark.parametrize("code", BOTH_SIDES)
def test_both_sides_of_every_finding(code: str) -> None:
    on, off = BOTH_SIDES[code]
    assert code in interpret_one(**{**BASE, **on}).codes
    assert code not in interpret_one(**{**BASE, **off}).codes


@pytest.mark.parametrize(("o2", "given"), [(under(20.5), True), (20.5, False), (21.5, False)])
def test_no_lambda_from_air(o2: float, given: bool) -> None:
    found = interpret_one(**{**CLEAR, "o2_dry_pct": o2})
    assert (not math.isnan(found["air_ratio"])) == given
    assert (not math.isnan(found["co_air_free_ppm"])) == given


def test_the_stops_come_first_in_every_mask() -> None:
    everything = codes_of((1 << len(finding_kinds("reading"))) - 1)
    severities = [finding_kinds("reading")[code].severity for code in everything]
    assert severities == sorted(severities, key=("stop", "warn", "note").index)


# ---- arrays and scalars, and anything that may enter -------------------------------------------------------------

NUMBERS = [key for key in input_keys() if quantities()[key].kind == "number"]
CHOICES = [key for key in input_keys() if quantities()[key].kind == "choice"]


def random_columns(size: int, seed: int, names: tuple[str, ...]) -> Columns:
    """Return rows over the whole bands, a third of everything missing, several fuels mixed."""
    rng = np.random.default_rng(seed)
    values: dict[str, Any] = {}
    for key in NUMBERS:
        found = quantities()[key]
        column = rng.uniform(found.low, found.high, size)
        if key in ("o2_dry_pct", "co2_dry_pct"):
            column = rng.uniform(0.0, 16.0, size)
        values[key] = np.where(rng.random(size) < 0.33, np.nan, column)
    for key in CHOICES:
        values[key] = rng.integers(-1, len(quantities()[key].choices), size).astype(np.int8)
    for dry_key in [key for key in NUMBERS if quantities()[key].wet_twin]:
        values[quantities()[dry_key].wet_twin][~np.isnan(values[dry_key])] = np.nan
    index = rng.integers(0, len(names), size) if len(names) > 1 else None
    return Columns(size, values, [get_fuel(name) for name in names], index)


def test_a_long_table_is_its_rows() -> None:
    """70 001 rows in blocks and threads give, row by row, what each row gives alone."""
    table = random_columns(70_001, 51, ("diesel_b7", "gasoline_e5", "CH2.1O0.1N0.01S0.001"))
    whole = interpret_columns(table, instrument_class())
    for row in (0, 1, 32_767, 32_768, 40_000, 65_535, 65_536, 70_000):
        alone = interpret_columns(table.part(row, row + 1), instrument_class())
        for key in RESULT_KEYS:
            assert whole.values[key][row] == pytest.approx(alone.values[key][0], rel=1e-9, nan_ok=True), (key, row)
        assert whole.mask[row] == alone.mask[0]
        assert whole.verdict[row] == alone.verdict[0]


def test_no_result_is_infinite_and_unknown_location_is_always_a_stop() -> None:
    """20 000 rows over the whole bands: lambda is NaN or finite and above zero, u above zero, no warning."""
    table = random_columns(20_000, 52, ("diesel_b7",))
    found = interpret_columns(table, instrument_class())
    ratio, u = found.values["air_ratio"], found.values["air_ratio_u"]
    told = ~np.isnan(ratio)
    assert told.mean() > 0.2
    assert np.all(np.isfinite(ratio[told]))
    assert np.all(ratio[told] > 0.0)
    assert np.all(u[told] > 0.0)
    assert np.array_equal(np.isnan(u), ~told)
    for key in RESULT_KEYS:
        assert not np.isinf(found.values[key]).any(), key
    stop_bits = sum(1 << kind.bit for kind in finding_kinds("reading").values() if kind.severity == "stop")
    not_outdoors = table.values["location"] != 0
    assert np.all(found.mask[not_outdoors] & np.uint64(stop_bits))


IN_BAND = st.sampled_from(NUMBERS).flatmap(
    lambda key: st.tuples(st.just(key), st.floats(quantities()[key].low, quantities()[key].high))
)


@given(st.lists(IN_BAND, max_size=8).map(dict))
def test_any_numbers_inside_their_bands_are_interpreted(values: dict[str, float]) -> None:
    accepted, faults = check_values(values)
    assume(not faults)
    found = interpret_one(**accepted)
    assert {"location_unknown", "nothing_entered"} & set(found.codes)
    assert not any(math.isinf(value) for value in found.values.values())
    assert math.isnan(found["air_ratio"]) == math.isnan(found["air_ratio_u"])


@pytest.mark.practice
def test_a_sample_that_is_nearly_air_does_not_hide_its_co() -> None:
    """Common practice, no source: 300 ppm CO in almost pure air is a strongly diluted, very dirty exhaust gas.

    By hand, O2 counted as 20.5 %: 300 * 20.946 / (20.946 - 20.5) = 14 089 ppm air-free. 20 ppm give 939: no stop.
    """
    dirty = interpret({"o2_dry_pct": 20.8, "co_dry_ppm": 300, "location": "outdoors"})
    assert [finding.code for finding in dirty.stops] == ["exhaust_co_air_free_high"]
    assert "14089 ppm" in dirty.stops[0].text
    clean = interpret({"o2_dry_pct": 20.8, "co_dry_ppm": 20, "location": "outdoors"})
    assert not clean.stops
    tested = interpret({"o2_dry_pct": 20.8, "co_dry_ppm": 300, "location": "outdoors", "probe_leak_test": "pass"})
    assert not tested.stops


# ---- numbers that are probably in another unit ----------------------------------------------------------------------
@pytest.mark.parametrize(
    ("given", "told"),
    [
        ({"intake_static_pa": -1.4}, "intake_static_mbar"),  # 1 mbar = 100 Pa: -140 Pa was meant
        ({"exhaust_static_pa": -14000.0}, "exhaust_static_mbar"),
        ({"humidity_pct": 0.6}, "60 % is entered as 60"),
        ({"blower_rpm": 70.0}, "Times 60 it is 1/min"),
        ({"intake_static_pa": 0.0}, ""),
        ({"intake_static_pa": -1.4, "arrangement": "intake_duct_off"}, ""),  # nothing is left to suck through
        ({"exhaust_static_pa": 1.4, "arrangement": "intake_duct_off"}, "exhaust_static_pa = 1.4 Pa"),
    ],
)
def test_a_number_in_another_unit_is_told_with_the_key_that_takes_it(given: dict[str, Any], told: str) -> None:
    result = interpret({**BASE, **given})
    texts = [one.text for one in result.findings if one.code == "unit_doubtful"]
    assert len(texts) == bool(told)
    assert told in "".join(texts)


def test_a_share_for_per_cent_is_told_wherever_a_reading_enters() -> None:
    """A kernel function takes 0.082 % as it stands: a rich flame can leave so little. Whoever judges it says so."""
    row = {"fuel": "diesel_b7", "o2_dry_pct": 0.082, "co_dry_ppm": 40.0, "stage": "high", "location": "outdoors"}
    heater = combust.Heater.load(Path(__file__).parents[2] / "data" / "heaters" / "heater-0312.toml")
    wrong = replace(heater, baselines=(replace(heater.baselines[0], reading=combust.Reading(**row)),))
    rows = [{**row, "o2_dry_pct": o2, "taken_at": f"202{year}-01-12"} for year, o2 in enumerate([8.1, 8.2, 8.3, 0.082])]
    code = "looks_like_fraction"
    assert code in [one.code for one in interpret(row).findings]
    assert code in combust.interpret_table(pd.DataFrame([row])).loc[0, "findings"]
    assert code in [one.code for one in combust.rank_causes(heater, [combust.Reading(**row)])[0].findings]
    assert "1 reading left out: looks like fraction." in str(combust.drift_history(rows, heater))
    told = [check_heater(wrong), combust.site_effect(wrong, combust.Site(altitude_m=500.0), stage="high")]
    for result in told:
        assert ["healthy reading of stage high: O2 0.082 %" in one.text for one in result.findings].count(True) == 1
    assert combust.air_ratio_from_o2(0.082, "diesel_b7") == pytest.approx(
        1.0037, abs=0.0002
    )  # 0.082/(20.95 - 0.082) x 0.93
