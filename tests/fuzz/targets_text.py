"""Fuzz targets of short texts: numbers, formulas, fuel names, blends, headings, one whole reading."""

from __future__ import annotations

import json
import math

from combust.application.reading.result import interpret
from combust.data.fields import as_number
from combust.data.units import in_our_unit
from combust.data.vocabulary import input_keys, quantities, quantity
from combust.domain.catalogue import aliases, blend, get_fuel, shipped_fuels
from combust.domain.formula import parse_formula
from combust.domain.fuel import Fuel, fuel_from_formula
from combust.domain.instrument import instrument_class
from combust.edge.tables.headings import match_headings
from tests.fuzz.registry import answer_or_refusal, target, text_of

NUMBERS = ["8.2", "8,2", "-1", "1e400", "0x1f", "1_000", " 7 ", "+.5", "nan", "-inf", "١٢", "1e-400", "1.200,5"]
FUEL_WORDS = [*shipped_fuels(), *aliases(), "CH1.86O0.007", "C12H26", "CH4", "C", "H", "O", "N", "S", "."]


def check_fuel(made: Fuel) -> None:
    """Fail unless a fuel that was accepted can be computed with and told."""
    told = made.to_dict()
    json.dumps(told, allow_nan=False)
    for value in (made.h_c, made.o_c, made.n_c, made.s_c, made.co2_maximum_pct):
        assert math.isfinite(value), f"{value} in {made}"
        assert value >= 0.0, f"{value} in {made}"
    assert made.net_heating_value_mj_per_kg > 0.0
    assert 0.0 < made.co2_maximum_pct < 100.0


@target(330, lambda: [text.encode() for text in NUMBERS], ["e", "E", ".", ",", "+", "-", "_", "inf", "nan", "0x"])
def number(data: bytes) -> None:
    """A text is a number or it is not; what a quantity accepts is finite and inside its band."""
    text = text_of(data)
    found = as_number(text)
    assert found is None or isinstance(found, float)
    for key in ("o2_dry_pct", "altitude_m", "supply_v"):
        record = quantity(key)
        fault = record.fault_of(text)
        if fault is None and text.strip():
            assert found is not None
            assert record.low <= found <= record.high
        elif fault is not None:
            assert str(fault).isprintable()


@target(170, lambda: [text.encode() for text in FUEL_WORDS[-9:-5]], FUEL_WORDS[-5:])
def formula(data: bytes) -> None:
    """A formula names a fuel with finite composition, or is refused."""
    found = answer_or_refusal(lambda: parse_formula(text_of(data)))
    if found is not None:
        carbon, atoms = found
        assert carbon > 0.0
        assert all(math.isfinite(count) and count >= 0.0 for count in atoms.values())
        made = answer_or_refusal(lambda: fuel_from_formula(text_of(data)))
        if made is not None:
            check_fuel(made)


@target(90, lambda: [text.encode() for text in FUEL_WORDS], FUEL_WORDS)
def fuel_name(data: bytes) -> None:
    """A text is a fuel of the catalogue, a formula, or is refused with near matches."""
    made = answer_or_refusal(lambda: get_fuel(text_of(data)))
    if made is not None:
        check_fuel(made)


@target(90, lambda: [b"mass\ndiesel_b0=0.8\nbiodiesel_b100=0.2", b"volume\nCH1.8=1", b"mole\nCH4=0.5\nC12H26=0.5"],
        [*FUEL_WORDS, "=", "\n", "mass", "volume", "mole"])  # fmt: skip
def blend_parts(data: bytes) -> None:
    """Shares of fuels by mass, volume or mole: a fuel, or every fault told."""
    by, *lines = text_of(data).split("\n")
    parts = {name: as_number(share) for name, _, share in (line.partition("=") for line in lines)}
    if any(share is None for share in parts.values()):
        return
    made = answer_or_refusal(lambda: blend({name: share or 0.0 for name, share in parts.items()}, by=by))
    if made is not None:
        check_fuel(made)


@target(20, lambda: [b"portable", b"garage_0", b"portble", b"x.toml"], ["portable", "garage", ".toml"])
def instrument_name(data: bytes) -> None:
    """A text is a class of analysers or is refused."""
    answer_or_refusal(lambda: instrument_class(text_of(data).replace("/", "")))


HEADINGS = [*input_keys(), "altitude_ft", "flue_temp_f", "co_dry_pct", "pressure_mbar", "O2 %", "CO [ppm]", "Tflue"]


@target(25, lambda: [",".join(HEADINGS[at : at + 5]).encode() for at in range(0, len(HEADINGS), 5)], HEADINGS)
def headings(data: bytes) -> None:
    """Any headings are keys, are carried through, or are refused; the columns stay as many as they were."""
    header = text_of(data).split(",")
    found = match_headings(header, {})
    assert [one.name for one in found.headings] == header
    assert all(str(fault).isprintable() for fault in found.faults)
    if not found.faults:
        keys = [one.key for one in found.headings if one.key]
        assert len(keys) == len(set(keys)), "two columns for one quantity"


READINGS = [
    b"fuel=diesel_b7\no2_dry_pct=8.2\nco_dry_ppm=150\nlocation=outdoors",
    b"o2_dry_pct=7.54\nco2_dry_pct=8.53\nco2_origin=measured\nflue_temp_c=300\nintake_temp_c=20",
    b"o2_wet_pct=7\nco_wet_ppm=100\nhumidity_pct=50\nintake_temp_c=-10\npressure_hpa=700\nfuel=CH1.8",
    b"cab_co_in_ppm=60\nlocation=indoors\no2_dry_pct=20.9",
]


@target(40, lambda: READINGS, [*(f"{key}=" for key in input_keys()), "\n", "indoors", "outdoors", "measured", "1e300"])
def reading(data: bytes) -> None:
    """One reading by keys: refused, or a result without NaN, stops first, no lambda missing without a word."""
    pairs = (line.partition("=") for line in text_of(data).split("\n"))
    values = {in_our_unit(key, quantities())[0]: value for key, _, value in pairs}
    result = answer_or_refusal(lambda: interpret(values))
    if result is None:
        return
    told = result.to_dict()
    json.dumps(told, allow_nan=False)
    str(result)
    severities = [finding.severity for finding in result.findings]
    assert severities == sorted(severities, key=["stop", "warn", "note"].index), "a stop does not come first"
    if result.air_ratio is None:
        gases = {key for key in ("o2_dry_pct", "co2_dry_pct", "o2_wet_pct", "co2_wet_pct") if key in result.inputs}
        assert result.findings or not gases, "no lambda and no word about it"
    else:
        assert 0.0 < result.air_ratio < 1e3
        assert result.air_ratio_u is not None
        assert result.air_ratio_u >= 0.0
    known = quantities()
    for key, value in result.inputs.items():
        if known[key].kind == "number":
            assert known[key].low <= value <= known[key].high, f"{key} = {value} was let in"
