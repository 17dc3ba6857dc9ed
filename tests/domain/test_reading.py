"""The reading: every fault at once, units once, nothing twice, nothing invented; fuzzed."""

from __future__ import annotations

import copy
import math
import pickle

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from combust.data.errors import CombustError
from combust.data.units import FOREIGN_UNITS
from combust.data.vocabulary import input_keys, quantities, quantity
from combust.domain.reading import Reading, check_keys, check_values
from tests.refusals import refusal


def codes(**values: object) -> list[tuple[str, str]]:
    with pytest.raises(CombustError) as caught:
        Reading(**values)
    return [(fault.quantity, fault.code) for fault in caught.value.faults]


def test_every_fault_is_told_at_once() -> None:
    found = codes(
        o2_dry_pct=23.1,
        co_dry_ppm=-5,
        flue_temp_c="hot",
        co2_origin="guessed",
        altitude_ft="high",
        oxygen=8.2,
        air_ratio=1.6,
        humidity_pct=101,
    )
    assert sorted(found) == sorted(
        [
            ("o2_dry_pct", "out_of_band"),
            ("co_dry_ppm", "out_of_band"),
            ("flue_temp_c", "not_a_number"),
            ("co2_origin", "unknown_name"),
            ("altitude_ft", "not_a_number"),
            ("oxygen", "unknown_name"),
            ("air_ratio", "unknown_name"),
            ("humidity_pct", "out_of_band"),
        ]
    )


def test_the_sentence_of_the_style_guide() -> None:
    """Style guide: what, value, unit, band, why, what to do."""
    with pytest.raises(CombustError) as caught:
        Reading(o2_dry_pct=23.1)
    text = str(caught.value)
    for part in ("o2_dry_pct = 23.1", "vol %", "fresh air (20.9 %)", "0 to 21.5", "Zero the probe outdoors"):
        assert part in text


@pytest.mark.parametrize(
    ("one", "two"),
    [
        ({"altitude_m": 1500}, {"altitude_ft": 4921}),
        ({"pressure_hpa": 900}, {"pressure_mbar": 900}),
        ({"pressure_hpa": 900}, {"pressure_inhg": 26.58}),
        ({"flue_temp_c": 300}, {"flue_temp_f": 572}),
        ({"co_dry_ppm": 150}, {"co_dry_pct": 0.015}),
        ({"intake_static_pa": -60}, {"intake_static_mbar": -0.6}),
        ({"o2_dry_pct": 8.2}, {"o2_wet_pct": 7.5}),
        ({"co2_dry_pct": 9.3}, {"co2_wet_pct": 8.5}),
        ({"co_dry_ppm": 150}, {"co_wet_ppm": 140}),
    ],
)
def test_two_values_for_one_quantity_are_a_fault_even_when_they_agree(one: dict, two: dict) -> None:
    assert "conflict" in [code for _, code in codes(**one, **two)]
    assert len(Reading(**one)) == len(Reading(**two)) == 1


def test_units_are_converted_once() -> None:
    """Hand: 572 °F = 300 °C; 5000 ft = 1524 m; 0.015 % = 150 ppm; -0.6 mbar = -60 Pa."""
    reading = Reading(flue_temp_f=572, altitude_ft=5000, co_dry_pct="0.015", intake_static_mbar=-0.6)
    assert dict(reading) == pytest.approx(
        {"flue_temp_c": 300.0, "altitude_m": 1524.0, "co_dry_ppm": 150.0, "intake_static_pa": -60.0}
    )


def test_a_foreign_value_is_checked_in_our_band() -> None:
    assert codes(altitude_ft=30_000) == [("altitude_m", "out_of_band")]
    assert codes(co_dry_pct=21) == [("co_dry_ppm", "out_of_band")]


def test_missing_is_left_out_never_zero() -> None:
    nothing = {"co_dry_ppm": None, "co2_dry_pct": float("nan"), "note": "", "location": "  ", "altitude_ft": None}
    reading = Reading(o2_dry_pct=8.2, **nothing)
    assert dict(reading) == {"o2_dry_pct": 8.2}
    assert reading.co_dry_ppm is None
    with pytest.raises(AttributeError, match="no key that combust knows"):
        _ = reading.oxygen


@pytest.mark.parametrize(("wrong", "near"), [("o2", "o2_"), ("co_ppm", "co_"), ("O2_dry_pct", "o2_dry_pct")])
def test_near_misses_are_told(wrong: str, near: str) -> None:
    with pytest.raises(CombustError, match=near):
        Reading(**{wrong: 1.0})


def test_frozen_replaceable_copyable() -> None:
    reading = Reading(fuel="diesel_b7", o2_dry_pct=8.2)
    with pytest.raises(AttributeError, match="cannot be changed"):
        reading.o2_dry_pct = 9.0
    with pytest.raises(TypeError):
        reading["o2_dry_pct"] = 9.0
    assert dict(reading.replace(o2_dry_pct=None, co_dry_ppm=5)) == {"fuel": "diesel_b7", "co_dry_ppm": 5.0}
    assert reading["o2_dry_pct"] == 8.2
    assert dict(pickle.loads(pickle.dumps(reading))) == dict(copy.deepcopy(reading)) == dict(reading)
    assert "8.2" in repr(reading)


KEYS = st.one_of(
    st.sampled_from(input_keys()),
    st.sampled_from([key.rsplit("_", 1)[0] + suffix for key in input_keys() for suffix in FOREIGN_UNITS]),
    st.text(st.characters(max_codepoint=0x2FF), min_size=1, max_size=12),
)
VALUES = st.one_of(
    st.floats(),
    st.integers(),
    st.none(),
    st.booleans(),
    st.text(st.characters(max_codepoint=0x2FF), max_size=10),
    st.sampled_from([name for found in quantities().values() for name in found.choices]),
    st.floats(-100, 100).map(str),
    st.lists(st.integers(), max_size=2),
)


@settings(max_examples=500)
@example({"self": None})  # once a TypeError of Python instead of a refusal
@given(st.dictionaries(KEYS, VALUES, max_size=8))
def test_any_mapping_is_read_or_refused_in_words(values: dict[str, object]) -> None:
    told, reading = refusal(lambda: Reading(**values))
    for fault in told.faults if told else ():
        assert fault.quantity
        assert fault.why, fault
        assert fault.hint, fault
        assert str(fault).isprintable()
        if fault.code == "out_of_band":
            assert fault.low is not None
            assert fault.high is not None
    for key, value in (reading or {}).items():
        found = quantity(key)
        assert found.fault_of(value) is None
        assert isinstance(value, float if found.kind == "number" else str)
        assert not (isinstance(value, float) and math.isnan(value))


@given(st.dictionaries(st.sampled_from(input_keys()), st.none() | st.just("") | st.just(float("nan"))))
def test_nothing_measured_gives_an_empty_reading(values: dict[str, object]) -> None:
    assert check_values(values) == ({}, [])


# 1 ft = 0.3048 m and 0 °C = 32 °F by definition; 1 vol % = 10 000 ppm.
@pytest.mark.hand
def test_keys_in_other_units_come_in_by_their_definition() -> None:
    checked, refused = check_keys({"altitude_ft": 1000.0, "flue_temp_f": 572.0, "co_dry_pct": 0.015})
    assert not refused
    assert checked == pytest.approx({"altitude_m": 304.8, "flue_temp_c": 300.0, "co_dry_ppm": 150.0}, rel=1e-12)
