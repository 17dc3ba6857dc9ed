"""A user's own fuels file: read when it is good, refused with every fault told when it is not; and fuzzed."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from combust.data.errors import CombustError
from combust.domain.catalogue import get_fuel, load_fuels
from tests.refusals import refusal


def test_a_users_file_is_read(tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    path.write_text(
        '[fuel.depot_diesel]\nformula = "CH1.83O0.004"\nnet_heating_value = 42.6\ndensity = 838\n'
        '[fuel.known_molecule]\nformula = "C7H16"\nformation = -224.2\n'
        '[mixture.winter]\nby = "mass"\nparts = { depot_diesel = 0.7, kerosene = 0.3 }\n',
        encoding="utf-8-sig",
    )
    found = load_fuels(path)
    assert set(found) == {"depot_diesel", "known_molecule", "winter"}
    assert found["known_molecule"].net_heating_value_mj_per_kg == pytest.approx(
        get_fuel("n_heptane").net_heating_value_mj_per_kg
    )
    assert get_fuel("depot_diesel", catalogue=found).h_c == 1.83
    assert found["winter"].family == "blend"


def test_all_faults_of_a_users_file_are_told_at_once(tmp_path: Path) -> None:
    path = tmp_path / "bad.toml"
    path.write_text(
        '[fuel.a]\nformula = "XX"\n[fuel.b]\nformula = "CH1.8"\ndensity = "heavy"\ncolour = "red"\n'
        '[mixture.c]\nparts = { nobody = 1.0 }\n[fuel.d]\nformula = "CH1.8"\nnet_heating_value = 4.0\n',
        encoding="utf-8",
    )
    with pytest.raises(CombustError) as caught:
        load_fuels(path)
    text = str(caught.value)
    assert len(caught.value.faults) >= 5
    for word in ("XX", "density", "colour", "nobody", "net_heating_value"):
        assert word in text


KEYS = ("formula", "density", "net_heating_value", "formation", "h_c_u", "expansion", "label", "family", "parts", "by")

words = st.text(st.characters(max_codepoint=0x2FF), max_size=8)
keys = st.text("abchons_", min_size=1, max_size=6)
values = st.recursive(
    st.booleans() | st.integers() | st.floats() | words,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(keys, inner, max_size=3),
    max_leaves=8,
)


words_of_the_trade = st.sampled_from(["CH1.86", "mass", "mole", "volume", "C7H16", 800, 42.0, 0.001, -1.0])
shares = st.dictionaries(st.sampled_from(["diesel_b0", "n_heptane", "CH1.8", "nobody"]), st.floats() | st.just(0.5))
odd = st.dictionaries(st.sampled_from(KEYS), values | words_of_the_trade | shares, max_size=3)
rows = st.builds(lambda good, more: {**good, **more}, st.sampled_from([{}, {"formula": "CH1.86"}, {"by": "mass"}]), odd)


def as_toml(value: object) -> str:
    """Return a value as TOML text."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, float):
        return {"inf": "inf", "-inf": "-inf", "nan": "nan"}.get(repr(value), repr(value))
    if isinstance(value, int):
        return str(value)
    if isinstance(value, list):
        return "[" + ", ".join(as_toml(item) for item in value) + "]"
    if isinstance(value, dict):
        return "{" + ", ".join(f'"{key}" = {as_toml(item)}' for key, item in value.items()) + "}"
    return '"' + "".join(f"\\u{ord(c):04x}" for c in str(value)) + '"'


@settings(max_examples=300)
@given(
    section=st.sampled_from(["fuel", "mixture", "alias", "x"]),
    row=rows,
)
def test_any_toml_gives_fuels_or_told_faults(
    tmp_path_factory: pytest.TempPathFactory, section: str, row: dict[str, object]
) -> None:
    path = tmp_path_factory.getbasetemp() / "fuzz.toml"
    body = "\n".join(f"{key} = {as_toml(value)}" for key, value in row.items())
    path.write_text(f"[{section}.name]\n{body}\n", encoding="utf-8")
    check_file(path)


@given(st.binary(max_size=200))
def test_any_bytes_give_told_faults(tmp_path_factory: pytest.TempPathFactory, content: bytes) -> None:
    path = tmp_path_factory.getbasetemp() / "bytes.toml"
    path.write_bytes(content)
    check_file(path)


def check_file(path: Path) -> None:
    told, found = refusal(lambda: load_fuels(path))
    for fault in told.faults if told else ():
        assert fault.quantity
        assert fault.code
        assert fault.why or fault.hint
    for item in (found or {}).values():
        assert 5.0 <= item.net_heating_value_mj_per_kg <= 60.0
        assert math.isfinite(item.h_c)
        assert item.density_kg_per_m3 is None or 0.1 <= item.density_kg_per_m3 <= 2000.0
        assert item.expansion_per_k is None or math.isfinite(item.expansion_per_k)


def test_missing_file_and_folder_are_told(tmp_path: Path) -> None:
    for path in (tmp_path / "none.toml", tmp_path):
        with pytest.raises(CombustError, match="cannot be read"):
            load_fuels(path)


@pytest.mark.parametrize(
    "line",
    [
        "expansion = nan",
        "expansion = 0.0101",
        "density = 0.0",
        "density = 2001",
        "net_heating_value = 4.9",
        "net_heating_value = 60.1",
        "h_c_u = 0.51",
        "h_c_u = nan",
        "net_heating_value = nan",
        "formation = nan",
        "density = inf",
        'density = "833 kg"',
        "density = true",
        "colour = 1",
    ],
)
def test_values_that_no_fuel_has(tmp_path: Path, line: str) -> None:
    path = tmp_path / "own.toml"
    path.write_text(f'[fuel.own]\nformula = "CH1.86"\n{line}\n', encoding="utf-8")
    with pytest.raises(CombustError) as caught:
        load_fuels(path)
    assert all(fault.hint for fault in caught.value.faults)
    assert "own" in str(caught.value)


@pytest.mark.parametrize(
    "text",
    [
        '[mixture.a]\nbi = "mass"\nparts = { diesel_b0 = 1.0 }\n',
        '[fuels.a]\nformula = "CH1.8"\n',
        "x = 1\n",
        '[fuel.a]\nformula = "CH1.8"\n[mixtures.b]\nparts = {}\n',
        "[mixture.a]\nparts = {}\n",
        "fuel = 3\n",
        "",
    ],
)
def test_a_misspelt_word_is_told_not_passed_over(tmp_path: Path, text: str) -> None:
    path = tmp_path / "own.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(CombustError) as caught:
        load_fuels(path)
    assert all(fault.hint for fault in caught.value.faults)
