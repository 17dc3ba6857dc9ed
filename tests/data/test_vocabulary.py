"""The vocabulary: both ends of every band, foreign units against pint, errors that carry everything, layering."""

from __future__ import annotations

import math
import pickle
from pathlib import Path

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from combust.data.errors import CombustError, Fault, shorten
from combust.data.fields import as_number, is_missing
from combust.data.tables import load_table, read_toml
from combust.data.units import FOREIGN_UNITS, in_our_unit, strip_unit
from combust.data.vocabulary import input_keys, quantities, quantity
from tests.source_rows import SourceRow, source_rows

NUMBERS = [key for key, found in quantities().items() if found.kind == "number" and found.role != "result"]
CHOICES = [key for key, found in quantities().items() if found.kind == "choice"]
UNITS = pint.UnitRegistry()

# key in a foreign unit, pint's unit of it and of ours
FOREIGN = {
    "altitude_ft": ("foot", "meter"),
    "flue_temp_f": ("degF", "degC"),
    "intake_temp_f": ("degF", "degC"),
    "fuel_temp_f": ("degF", "degC"),
    "pressure_inhg": ("inHg", "hPa"),
    "pressure_mbar": ("mbar", "hPa"),
    "intake_static_mbar": ("mbar", "Pa"),
    "intake_static_inh2o": ("inH2O", "Pa"),
    "exhaust_static_mmh2o": ("mmH2O", "Pa"),
    "flue_drift_f_per_min": ("delta_degF / minute", "kelvin / minute"),
}


def converted(key: str, value: float) -> float:
    _, convert = in_our_unit(key, quantities())
    assert convert is not None, key
    return convert(value)


def by_pint(key: str, value: float) -> float:
    theirs, ours = FOREIGN[key]
    if theirs == "mmH2O":  # pint has no conventional millimetre of water: 9.80665 Pa by definition of kgf/m²
        return float(UNITS.Quantity(value, "kgf / meter ** 2").to(ours).magnitude)
    return float(UNITS.Quantity(value, theirs).to(ours).magnitude)


@source_rows(
    *(
        SourceRow(
            "independent",
            f"pint {pint.__version__}",
            f"{value:g} as {key} less pint's",
            "0",
            lambda key=key, value=value: converted(key, value) - by_pint(key, value),
            # Inches of mercury and water are defined by density conventions that differ in the sixth digit.
            tolerance=max(abs(by_pint(key, value)), 1.0) * (2e-6 if key.endswith(("inhg", "inh2o")) else 1e-12),
        )
        for key in FOREIGN
        for value in (-40.0, 1.0, 29.92, 451.0)
    ),
    SourceRow("hand", "1 % is 10 000 ppm", "0.1 % CO [ppm]", "1000", lambda: converted("co_dry_pct", 0.1)),
    SourceRow(
        "hand",
        "US gallon 231 in³ = 3.785411784 l exactly",
        "1 gal/h [l/h]",
        "3.785411784",
        lambda: FOREIGN_UNITS["_gal_us_per_h"][1](1.0),
    ),
    SourceRow(
        "hand",
        "imperial gallon = 4.54609 l exactly",
        "1 gal/h [l/h]",
        "4.54609",
        lambda: FOREIGN_UNITS["_gal_uk_per_h"][1](1.0),
    ),
    *(
        SourceRow(
            "memory",
            "American Wire Gauge, ASTM B258, as in wire tables of handbooks (from memory, high)",
            f"number {number} [mm²]",
            printed,
            lambda number=number: FOREIGN_UNITS["_awg"][1](number),
        )
        for number, printed in ((18, "0.823"), (16, "1.31"), (14, "2.08"), (12, "3.31"), (10, "5.26"), (8, "8.37"))
    ),
)
def test_foreign_units(row: SourceRow) -> None:
    row.check()


def test_every_foreign_suffix_is_compared_with_something() -> None:
    seen = {suffix for key in FOREIGN for suffix in FOREIGN_UNITS if key.endswith(suffix)}
    assert seen | {"_gal_us_per_h", "_gal_uk_per_h", "_awg", "_btu_per_h"} == set(FOREIGN_UNITS)


@pytest.mark.parametrize("key", NUMBERS)
def test_both_ends_of_every_band(key: str) -> None:
    found = quantity(key)
    for edge, beyond in ((found.low, -math.inf), (found.high, math.inf)):
        assert found.fault_of(edge) is None
        outside = math.nextafter(edge, beyond)
        fault = found.fault_of(outside)
        assert fault is not None
        assert (fault.quantity, fault.code, fault.unit) == (key, "out_of_band", found.unit)
        assert (fault.low, fault.high) == (found.low, found.high)
        assert fault.why
        assert fault.hint, "every refusal names a remedy"
    for infinite in (math.inf, -math.inf):
        assert found.fault_of(infinite) is not None
    assert found.low <= found.validated_low < found.validated_high <= found.high
    assert found.meaning


@pytest.mark.parametrize("key", NUMBERS)
def test_what_is_no_number_is_told_with_the_remedy(key: str) -> None:
    for value in ("eight", "8,2", True, [8.2], "1_0", "inf", "nan(1)", {}):
        fault = quantity(key).fault_of(value)
        assert fault is not None
        assert fault.code == "not_a_number"
        assert fault.hint
    for value in (None, float("nan"), "", "  "):
        assert quantity(key).fault_of(value) is None, "missing is no fault here"


@pytest.mark.parametrize("key", CHOICES)
def test_choices(key: str) -> None:
    found = quantity(key)
    for choice in found.choices:
        assert found.fault_of(choice) is None
        fault = found.fault_of(choice.upper() + "x")
        assert fault is not None
        assert all(name in str(fault) for name in found.choices)


# Words and bands promised to users, copied by hand: they stay.
INPUT_WORDS = """o2_dry_pct co2_dry_pct co2_origin co_dry_ppm hc_dry_ppm no_dry_ppm o2_wet_pct co2_wet_pct co_wet_ppm
    smoke_number flue_temp_c intake_temp_c air_in_temp_c air_out_temp_c altitude_m pressure_hpa humidity_pct
    fuel_temp_c supply_v blower_rpm intake_static_pa exhaust_static_pa pump_hz strokes delivered_ml ambient_o2_pct
    ambient_co_ppm span_o2_pct span_o2_read_pct analyser_fuel analyser_o2_reference_pct sample_line
    o2_span_over_3min_pct flue_drift_k_per_min minutes_since_ignition probe_leak_test intake_co2_pct intake_o2_pct
    terminals fuel_sample strip_down cab_co_in_ppm cab_co_out_ppm location arrangement stage phase instrument
    taken_at heater_id visit_id reading_id note"""
RESULT_WORDS = """air_ratio air_ratio_u excess_air_pct co_air_free_ppm co_at_3pct_o2_ppm co_mg_per_kwh stack_loss_pct
    stack_loss_siegert_pct efficiency_net_pct loss_unburnt_pct efficiency_gross_pct water_dew_point_c density_ratio
    dry_air_density_ratio air_ratio_at_reference fuel_trim_pct blower_trim_pct useful_heat_kw"""


def test_promised_words_are_all_there() -> None:
    assert set(INPUT_WORDS.split()) <= set(input_keys())
    assert set(RESULT_WORDS.split()) <= set(quantities()) - set(input_keys())


PROMISED_BANDS = {
    "o2_dry_pct": (0, 21.5),
    "co2_dry_pct": (0, 20),
    "co_dry_ppm": (0, 200_000),
    "hc_dry_ppm": (0, 200_000),
    "no_dry_ppm": (0, 20_000),
    "smoke_number": (0, 9),
    "flue_temp_c": (-50, 1200),
    "intake_temp_c": (-60, 120),
    "air_out_temp_c": (-60, 250),
    "altitude_m": (-430, 9000),
    "pressure_hpa": (300, 1100),
    "humidity_pct": (0, 100),
    "fuel_temp_c": (-60, 80),
    "supply_v": (0, 40),
    "blower_rpm": (0, 60_000),
    "intake_static_pa": (-20_000, 20_000),
    "exhaust_static_pa": (-20_000, 20_000),
    "pump_hz": (0, 50),
    "ambient_o2_pct": (0, 25),
    "ambient_co_ppm": (-200, 2000),
    "intake_co2_pct": (0, 20),
    "intake_o2_pct": (0, 21.5),
    "cab_co_in_ppm": (0, 10_000),
}


@pytest.mark.parametrize("key", PROMISED_BANDS)
def test_bands_are_those_promised(key: str) -> None:
    assert (quantity(key).low, quantity(key).high) == PROMISED_BANDS[key]


def test_options_and_keys() -> None:
    assert quantity("o2_dry_pct").option == "--o2-dry"
    assert quantity("o2_dry_pct").metavar == "PCT"
    assert strip_unit("flue_drift_k_per_min") == "flue_drift"
    options = [quantity(key).option for key in input_keys()]
    assert len(options) == len(set(options)), "two quantities would share an option"


@pytest.mark.parametrize("key", ["o2_dry_pct", "nonsense_ft", "note", "pressure_hpa", "_f", "_ft", ""])
def test_keys_that_have_no_foreign_twin(key: str) -> None:
    assert in_our_unit(key, quantities())[1] is None


@given(st.one_of(st.text(max_size=12), st.floats(), st.integers(), st.booleans(), st.none(), st.binary(max_size=4)))
def test_as_number_and_is_missing_never_raise(value: object) -> None:
    number = as_number(value)
    assert number is None or isinstance(number, float)
    assert is_missing(value) in (True, False)
    for key in ("o2_dry_pct", "co2_origin", "note"):
        fault = quantity(key).fault_of(value)
        assert fault is None or str(fault)


# ---- errors ------------------------------------------------------------------------------------------------------


def test_an_error_is_a_value_error_with_the_fields_of_its_first_fault() -> None:
    faults = [
        Fault("o2_dry_pct", 23.1, "out_of_band", unit="vol %", low=0.0, high=21.5, why="is too high", hint="Zero it."),
        Fault("co_dry_ppm", -1.0, "out_of_band", unit="ppm", why="is below zero", hint="Zero it."),
    ]
    error = CombustError(faults)
    assert isinstance(error, ValueError)
    assert (error.quantity, error.value, error.unit, error.low, error.high) == ("o2_dry_pct", 23.1, "vol %", 0.0, 21.5)
    assert (error.code, error.hint) == ("out_of_band", "Zero it.")
    assert str(error).count("\n") == 1
    assert "o2_dry_pct = 23.1 vol % is too high (allowed 0 to 21.5 vol %). Zero it." in str(error)
    again = pickle.loads(pickle.dumps(error))
    assert str(again) == str(error)
    assert [fault.to_dict()["quantity"] for fault in again.faults] == ["o2_dry_pct", "co_dry_ppm"]


@given(st.text(max_size=300))
def test_hostile_text_cannot_flood_or_steer_a_terminal(text: str) -> None:
    shown = shorten(text)
    assert len(shown) <= 60
    assert shown.isprintable()
    assert "\x1b" not in str(Fault("note", text, "format", why=text, hint=text))


def test_shipped_tables_are_complete() -> None:
    for name, row in load_table("limits").items():
        assert {"value", "unit", "basis", "origin"} <= set(row), name
        assert row["origin"], name
    for name, row in load_table("findings").items():
        assert row["severity"] in ("stop", "warn", "note"), name
        assert row["text"].strip(), name
        assert "safe" not in row["text"].lower(), name
    told = load_table("cautions")
    assert "safe" not in " ".join([*told["always"], told["no_stop"]]).lower()
    assert told["no_stop"] == "No stop condition found in what was entered."


def test_toml_files_that_cannot_be_read(tmp_path: Path) -> None:
    large = tmp_path / "large.toml"
    large.write_bytes(b"#" * 101)
    with pytest.raises(CombustError) as caught:
        read_toml(large, max_bytes=100)
    assert caught.value.code == "too_large"
    latin = tmp_path / "latin.toml"
    latin.write_bytes("x = 'é'".encode("latin-1"))
    with pytest.raises(CombustError, match="UTF-8"):
        read_toml(latin)
    deep = tmp_path / "deep.toml"
    deep.write_text("x = " + "[" * 20_000)
    with pytest.raises(CombustError, match="brackets within brackets"):
        read_toml(deep)
    with pytest.raises(CombustError, match="cannot be read"):
        read_toml("a\0b")
