"""One checker for whatever is entered under a key: unknown keys, other units, twice given, missing, out of band."""

from __future__ import annotations

import math
from typing import Any

import pytest

from combust.application.fleet.policy import Policy
from combust.application.fleet.tables import fleet_fields
from combust.application.visit.record import record_fields
from combust.application.visit.supply import FIELDS
from combust.application.visit.words import HEAD
from combust.data.errors import CombustError
from combust.data.fields import Field, check_fields, fields_of
from combust.data.vocabulary import inputs
from combust.domain.fuel import FUEL_FIELDS
from combust.domain.instrument import CLASS_FIELDS
from combust.domain.profile_keys import PARTS, profile_keys

KNOWN = fields_of(
    {
        "height_m": {"unit": "m", "band": (0.0, 9000.0), "required": True, "meaning": "height"},
        "blower": {"kind": "choice", "choices": ["centrifugal", "side_channel"]},
        "times_s": {"kind": "numbers", "unit": "s", "band": (0.0, 100.0)},
        "band": {"kind": "band", "band": (0.5, 5.0)},
        "regulated": {"kind": "flag_or_unknown"},
        "name": {"kind": "text", "longest": 5},
    }
)
EVERY_TABLE = {
    "vocabulary": inputs(),
    **{f"profile, {part}": dict(profile_keys(part)) for part in PARTS},
    **{f"fleet, {name}": fleet_fields(name) for name in ("vehicles", "sites", "routes")},
    "supply": FIELDS,
    "head of a visit": HEAD,
    "record": record_fields(),
    "fuel": FUEL_FIELDS,
    "instrument": CLASS_FIELDS,
}


@pytest.mark.parametrize(
    ("given", "good", "codes"),
    [
        ({"height_m": 10}, {"height_m": 10.0}, []),
        ({"height_ft": 1000}, {"height_m": 304.8}, []),  # 1 ft = 0.3048 m exactly
        ({"height_ft": 1000, "height_m": 10}, {"height_m": 304.8}, ["conflict"]),
        ({}, {}, ["missing"]),
        ({"height_m": math.nan}, {}, ["missing"]),
        ({"height_m": 9000.1}, {}, ["out_of_band"]),
        ({"height_m": "10,5"}, {}, ["not_a_number"]),
        ({"height_m": True}, {}, ["not_a_number"]),
        ({"height_m": 1, "hieght": 1}, {"height_m": 1.0}, ["unknown_name"]),
        ({"height_m": 1, "blower": "side"}, {"height_m": 1.0}, ["unknown_name"]),
        ({"height_m": 1, "times_s": [1, 2]}, {"height_m": 1.0, "times_s": (1.0, 2.0)}, []),
        ({"height_m": 1, "times_s": []}, {"height_m": 1.0}, ["format"]),
        ({"height_m": 1, "band": [2, 1]}, {"height_m": 1.0}, ["out_of_band"]),
        ({"height_m": 1, "regulated": "unknown"}, {"height_m": 1.0, "regulated": None}, []),
        ({"height_m": 1, "name": "longer"}, {"height_m": 1.0}, ["too_large"]),
    ],
)
@pytest.mark.hand
def test_what_is_good_and_what_is_told(given: dict[str, Any], good: dict[str, Any], codes: list[str]) -> None:
    found, faults = check_fields(given, KNOWN, what="a place")
    assert found == good  # 1000 x 0.3048 is 304.8 as a float too
    assert [fault.code for _, fault in faults] == codes
    assert all(fault.why and fault.hint for _, fault in faults)


@pytest.mark.hand
def test_not_a_number_in_a_file_is_told_where_it_would_be_a_gap_in_a_table() -> None:
    assert [fault.code for _, fault in check_fields({"height_m": math.nan}, KNOWN, gaps=False)[1]] == ["not_a_number"]


@pytest.mark.parametrize("table", EVERY_TABLE)
def test_every_field_of_every_table_says_what_to_do(table: str) -> None:
    for field in EVERY_TABLE[table].values():
        assert isinstance(field, Field)
        assert field.low <= field.high
        for value in ("no such word", -1e9, [], {}):
            for fault in field.faults_of(value):
                assert fault.hint, (field.key, value)
                assert "  " not in str(fault)


@pytest.mark.hand
def test_a_policy_keeps_its_own_origin_and_refuses_what_cannot_be() -> None:
    policy = Policy.of({"cab_target_c": {"value": 18, "origin": "agreed with the drivers"}})
    assert policy["cab_target_c"] == 18.0
    assert policy.rows["cab_target_c"].origin == "agreed with the drivers"
    for wrong in ({"cab_target_c": 99}, {"cab_target": 20}, {"cab_target_c": math.nan}, {"cab_target_c": "warm"}):
        with pytest.raises(CombustError):
            Policy.of(wrong)
