"""``combust fuel`` from outside: the catalogue, one fuel, fuels of one's own."""

from __future__ import annotations

from pathlib import Path

import pytest

from combust.domain.catalogue import aliases, shipped_fuels
from tests.edge.runs import call, is_plain_refusal, spawn

# The names promised to users: they stay.
NAMES = (
    "diesel_b0", "diesel_b7", "biodiesel_b100", "paraffinic", "kerosene", "gasoline_e0", "gasoline_e5", "gasoline_e10",
    "n_heptane", "iso_octane", "n_dodecane", "n_hexadecane", "toluene", "ethanol",
)  # fmt: skip


def test_the_list_names_every_fuel_and_alias() -> None:
    run = spawn("fuel")
    assert run.code == 0
    for name in (*NAMES, *shipped_fuels()):
        assert any(line.startswith(f"{name} ") for line in run.out.splitlines()), name
    assert "diesel stands for diesel_b7" in run.out
    told = call("fuel", "--json").json
    assert {row["name"] for row in told["fuels"]} >= set(NAMES)
    assert set(told["aliases"]) >= {"diesel", "gasoline"}
    assert told["aliases"] == aliases()


@pytest.mark.parametrize("name", NAMES)
def test_one_fuel_shows_the_source_of_each_value(name: str) -> None:
    told = call("fuel", name, "--json").json
    assert told["name"] == name
    assert told["provenance"]["formula"]
    assert told["provenance"]["net_heating_value"]
    for key in ("stoichiometric_air_kg_per_kg", "co2_maximum_pct", "net_heating_value_mj_per_kg", "formula"):
        assert told[key]
    text = call("fuel", name).out
    assert "source of net_heating_value" in text


@pytest.mark.hand
def test_stoichiometric_air_of_a_formula() -> None:
    # C12H26 + 18.5 O2; air 20.946 % O2, 28.9652 kg/kmol with 0.78078 N2, 0.20946 O2, 0.00934 Ar, 0.00042 CO2;
    # fuel 12 x 12.011 + 26 x 1.008 = 170.340: 18.5 / 0.20946 x 28.965 / 170.340 = 15.02 kg/kg.
    told = call("fuel", "C12H26", "--json").json
    assert told["stoichiometric_air_kg_per_kg"] == pytest.approx(15.02, abs=0.005)


def test_an_alias_says_what_it_stands_for() -> None:
    told = call("fuel", "diesel", "--json").json
    assert (told["name"], told["asked_as"]) == ("diesel_b7", "diesel")


@pytest.mark.parametrize("name", ["deisel", "", "C", "CH9", "H2", "CH2.5.1", "C999999999H2", "CO2", "∞", "CH1.86O-1"])
def test_what_is_no_fuel_is_refused_with_a_remedy(name: str) -> None:
    run = call("fuel", name)
    is_plain_refusal(run)
    assert run.out == ""


def test_near_matches() -> None:
    assert "diesel_b7" in call("fuel", "disel_b7").err


def test_usage() -> None:
    assert call("fuel", "a", "b").code == 2
    assert call("fuel", "--nope").code == 2


def test_the_template_is_a_file_that_works(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(call("fuel", "--template").out, encoding="utf-8")
    told = call("fuel", "winter_diesel", "--fuels", str(path), "--json").json
    assert told["density_kg_per_m3"] == 820.0
    assert "the supplier's analysis (read)" in told["provenance"]["formula"]
    assert "user's file" in told["provenance"]["net_heating_value"]
    listed = call("fuel", "--fuels", str(path))
    assert "winter_diesel" in listed.out
    assert "my_blend" in listed.out


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "holds no [fuel.NAME]"),
        ("[fuel]\n", "holds no [fuel.NAME]"),
        ("fuel = 3\n", "fuel = 3"),
        ("[fuel.a]\n", "fuel.a.formula is missing"),
        ('[fuel.a]\nformula = "H2"\n', "H2"),
        ('[fuel.a]\nformula = "CH2"\ndensty = 800\n', "fuel.a.densty"),
        ('[fuel.a]\nformula = "CH2"\ndensity = "heavy"\n', "Give a plain number in kg/m³"),
        (
            '[fuel.a]\nformula = "CH2"\ndensity = nan\n',
            "fuel.a.density = nan is not a number. Give a plain number in kg/m³, 0.1 to 2000.",
        ),
        ('[fuel.a]\nformula = "CH2"\nnet_heating_value = 43000\n', "allowed 5 to 60 MJ/kg"),
        ('[fuel.a]\nformula = "CH2"\nexpansion = nan\n', "fuel.a.expansion"),
        ('[fuel.a]\nformula = "CH2"\nexpansion = inf\n', "fuel.a.expansion"),
        ('[fuel.a]\nformula = "CH2"\nh_c_u = true\n', "fuel.a.h_c_u"),
        ('[mixture.a]\nparts = { diesel_b0 = 0.8 }\nby = "mass"\n', "is the sum of the shares"),
        ('[mixture.a]\nparts = { diesel_b0 = 80, diesel_b7 = 20 }\nby = "mass"\n', "not per cent"),
        ('[mixture.a]\nparts = { deisel = 1.0 }\nby = "mass"\n', "Did you mean diesel"),
        ('[mixture.a]\nparts = { diesel_b0 = 1.0 }\nby = "weight"\n', "none of mass, volume, mole"),
        ("[mixture.a]\nparts = 5\n", "holds no shares"),
        ('[mixture.a]\nparts = { diesel_b0 = nan }\nby = "mass"\n', "parts = nan"),
        ('[mixture.a]\nparts = { diesel_b0 = 1.0 }\nbye = "mass"\n', "mixture.a.bye"),
        ("[fuel.a\n", "cannot be read at line"),
        ("a = " + "[" * 5000, "without end"),
        ("\ud800", "not UTF-8"),
    ],
)
def test_a_broken_fuels_file_is_refused_with_the_place_and_a_remedy(tmp_path: Path, text: str, told: str) -> None:
    path = tmp_path / "mine.toml"
    path.write_bytes(text.encode("utf-8", errors="surrogatepass"))
    run = call("fuel", "--fuels", str(path))
    is_plain_refusal(run)
    assert told in run.err


def test_all_faults_of_a_fuels_file_at_once(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text('[fuel.a]\nformula = "H2"\n[fuel.b]\nformula = "CH2"\ndensty = 1\n', encoding="utf-8")
    run = call("fuel", "--fuels", str(path))
    assert "H2" in run.err
    assert "fuel.b.densty" in run.err
