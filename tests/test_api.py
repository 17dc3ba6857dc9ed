"""``combust`` as a stranger uses it: keywords, signatures, and whatever kind of numbers a notebook happens to hold."""

from __future__ import annotations

import ast
import inspect
import math
import pickle
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pint
import polars
import pytest

import combust

UNITS = pint.UnitRegistry()
BY_FLOAT = combust.air_ratio_from_o2(8.2, "diesel_b7")
FUNCTIONS = [name for name in combust.__all__ if callable(getattr(combust, name)) and name != "CombustError"]


# ---- names and signatures -------------------------------------------------------------------------------------------


def test_only_public_names_and_dunders_are_shown() -> None:
    combust.interpret  # noqa: B018  what was used before must not change what is shown
    assert [name for name in dir(combust) if not name.startswith("__")] == sorted(
        set(combust.__all__) - {"__version__"}
    )


def test_editors_and_type_checkers_see_the_same_names() -> None:
    tree = ast.parse(Path(combust.__file__).read_text(encoding="utf-8"))
    seen = {
        (f"{node.module}", name.name)
        for block in tree.body if isinstance(block, ast.If)
        for node in block.body if isinstance(node, ast.ImportFrom)
        for name in node.names
    }  # fmt: skip
    assert seen == {(module, name) for name, module in combust._PUBLIC.items()}


@pytest.mark.parametrize("name", FUNCTIONS)
def test_every_parameter_has_a_name_and_a_kind(name: str) -> None:
    signature = inspect.signature(getattr(combust, name))
    for parameter in signature.parameters.values():
        assert parameter.kind not in (parameter.VAR_KEYWORD, parameter.VAR_POSITIONAL), parameter
        assert parameter.annotation is not parameter.empty, parameter
    assert signature.return_annotation != "Any"
    positional = [one for one in signature.parameters.values() if one.kind is one.POSITIONAL_OR_KEYWORD]
    assert len(positional) <= 3 or isinstance(getattr(combust, name), type)
    assert inspect.getdoc(getattr(combust, name))


@pytest.mark.parametrize("name", [name for name in FUNCTIONS if inspect.signature(getattr(combust, name)).parameters])
def test_a_wrong_keyword_names_the_right_one(name: str) -> None:
    """The last letter is lost: the TypeError names the whole word, before anything is worked out."""
    called = getattr(combust, name)
    right = "o2_dry_pct" if name == "Reading" else list(inspect.signature(called).parameters)[-1]
    with pytest.raises(TypeError, match=rf"[Dd]id you mean .*{right}"):
        called(**{right[:-1]: None if name != "Reading" else 1.0})


def test_a_key_without_its_unit_is_a_type_error_that_names_the_key() -> None:
    with pytest.raises(TypeError, match="Did you mean o2_dry_pct") as caught:
        combust.Reading(o2_dry=8.2, co_dry_ppm=-5)
    assert isinstance(caught.value, combust.CombustError)
    assert [fault.quantity for fault in caught.value.faults] == ["o2_dry", "co_dry_ppm"]
    with pytest.raises(TypeError, match="did you mean co_dry_ppm"):
        combust.air_ratio_from_o2(8.2, "diesel_b7", co_dry=100)
    with pytest.raises(TypeError, match="did you mean altitude_m"):
        combust.Site(altitude=2000)


@pytest.mark.parametrize("name", FUNCTIONS)
def test_every_name_pickles(name: str) -> None:
    assert pickle.loads(pickle.dumps(getattr(combust, name))) is getattr(combust, name)


# ---- numbers of every kind ------------------------------------------------------------------------------------------

READ_ONLY = np.array([8.2, 3.0])
READ_ONLY.setflags(write=False)


@pytest.mark.parametrize(
    "given",
    [8.2, np.float64(8.2), np.float32(8.2), np.array(8.2), Fraction(41, 5), UNITS.Quantity(8.2, "percent"),
     UNITS.Quantity(0.082, ""), UNITS.Quantity(82_000, "ppm")],
)  # fmt: skip
def test_one_number_of_any_kind_gives_a_float(given: Any) -> None:
    told = combust.air_ratio_from_o2(given, "diesel_b7")
    assert type(told) is float
    assert told == pytest.approx(BY_FLOAT, abs=2e-7)  # a float32 holds 8.2 to 2e-7


def test_a_whole_number_is_a_number() -> None:
    assert combust.air_ratio_from_o2(8, "diesel_b7") == combust.air_ratio_from_o2(8.0, "diesel_b7")


@pytest.mark.parametrize(
    "given",
    [[8.2, 3], (8.2, 3.0), np.array([8.2, 3.0]), np.array([8.2, 3.0], dtype=np.float32), READ_ONLY,
     np.array([8.2, 0.0, 3.0])[::2], np.array([8.2, 3.0], dtype=object), polars.Series([8.2, 3.0]),
     UNITS.Quantity(np.array([8.2, 3.0]), "percent"), pd.Index([8.2, 3.0])],
)  # fmt: skip
def test_several_numbers_give_an_array(given: Any) -> None:
    told = combust.air_ratio_from_o2(given, "diesel_b7")
    assert type(told) is np.ndarray
    assert told.dtype == np.float64
    assert told == pytest.approx([BY_FLOAT, combust.air_ratio_from_o2(3.0, "diesel_b7")], abs=5e-7)


def test_empty_and_two_dimensions_and_missing() -> None:
    assert combust.air_ratio_from_o2([], "diesel_b7").shape == (0,)
    assert combust.air_ratio_from_o2(np.full((2, 3), 8.2), "diesel_b7").shape == (2, 3)
    assert combust.air_ratio_from_o2(np.full((2, 1), 8.2), "diesel_b7", co_dry_ppm=[0.0, 9.0, 99.0]).shape == (2, 3)
    told = combust.air_ratio_from_o2([8.2, None, math.nan], "diesel_b7")
    assert told[0] == BY_FLOAT
    assert np.isnan(told[1:]).all()
    assert math.isnan(combust.air_ratio_from_o2(math.nan, "diesel_b7"))


@pytest.mark.parametrize("given", [True, np.True_, [True, False], [8.2, True], np.array([True]), pd.Series([True])])
def test_true_and_false_are_no_per_cent(given: Any) -> None:
    with pytest.raises(combust.CombustError, match=r"o2_dry_pct = (True|False) is true or false"):
        combust.air_ratio_from_o2(given, "diesel_b7")


@pytest.mark.parametrize(
    "given",
    ["8.2", ["8.2"], np.array(["8.2"]), pd.Series(["8.2"]), 8.2 + 1j, np.datetime64("2024-01-01"), [[8.2], [8.2, 3.0]],
     pd.DataFrame({"o2_dry_pct": [8.2]}), {"o2_dry_pct": 8.2}, object()],
)  # fmt: skip
def test_what_is_no_number_is_refused_in_words(given: Any) -> None:
    with pytest.raises(combust.CombustError, match="o2_dry_pct") as caught:
        combust.air_ratio_from_o2(given, "diesel_b7")
    assert caught.value.code == "not_a_number"


def test_missing_is_told_and_all_faults_come_at_once() -> None:
    with pytest.raises(combust.CombustError) as caught:
        combust.air_ratio_from_balance(None, [9.4, 80.0], "diesel_b7", co_dry_ppm=-1.0, hc_dry_ppm="few")
    assert [(fault.quantity, fault.code) for fault in caught.value.faults] == [
        ("o2_dry_pct", "missing"), ("co2_dry_pct", "out_of_band"), ("co_dry_ppm", "out_of_band"),
        ("hc_dry_ppm", "not_a_number"),
    ]  # fmt: skip
    for wrong in (0.0, -1.0, math.inf, [1.5, 0.0]):
        with pytest.raises(combust.CombustError, match="air_ratio"):
            combust.flue_gas("diesel_b7", wrong)
    with pytest.raises(
        combust.CombustError, match=r"co_share = 5 mol/mol is above what can be \(allowed 0 to 1 mol/mol\)"
    ):
        combust.flue_gas("diesel_b7", 1.5, co_share=5.0)


# ---- pandas ---------------------------------------------------------------------------------------------------------


def test_a_series_keeps_name_and_index() -> None:
    o2 = pd.Series([8.2, np.nan], index=["a", "b"], name="winter")
    for given in (o2, o2.astype("Float64"), o2.astype("float32"), o2.astype(object)):
        told = combust.air_ratio_from_o2(given, "diesel_b7", co_dry_ppm=pd.Series([150, 10], index=["a", "b"]))
        assert isinstance(told, pd.Series)
        assert list(told.index) == ["a", "b"]
        assert told.name == "winter"
        assert np.isnan(told["b"])
    gas = combust.flue_gas("diesel_b7", pd.Series([1.2, 1.6], index=["a", "b"], name="lambda"))
    assert all(isinstance(getattr(gas, key), pd.Series) for key in gas.__slots__)
    assert gas.so2_dry_ppm.name == "lambda"


def test_one_series_among_numbers_sets_the_kind() -> None:
    told = combust.air_ratio_from_o2(8.2, "diesel_b7", co_dry_ppm=pd.Series([0.0, 150.0], index=[5, 7], name="co"))
    assert list(told.index) == [5, 7]
    assert told[5] == BY_FLOAT


@pytest.mark.parametrize("other", [["b", "a"], ["a", "c"], ["a", "b", "c"]])
def test_series_with_other_labels_are_refused(other: list[str]) -> None:
    o2 = pd.Series([8.2, 9.0], index=["a", "b"])
    with pytest.raises(combust.CombustError, match="co_dry_ppm = its index is not the index of o2_dry_pct"):
        combust.air_ratio_from_o2(o2, "diesel_b7", co_dry_ppm=pd.Series(10.0, index=other))


def test_lengths_that_do_not_fit_are_refused() -> None:
    for co in ([1.0, 2.0, 3.0], np.ones((3, 1))):
        with pytest.raises(combust.CombustError, match="do not fit together"):
            combust.air_ratio_from_o2(pd.Series([8.2, 9.0]), "diesel_b7", co_dry_ppm=co)
    with pytest.raises(combust.CombustError, match="do not fit together"):
        combust.air_ratio_from_o2([8.2, 9.0], "diesel_b7", co_dry_ppm=[1.0, 2.0, 3.0])


# ---- masked arrays and units ----------------------------------------------------------------------------------------


def test_masked_stays_masked() -> None:
    """The value under the mask could not be; it is not looked at."""
    o2 = np.ma.array([8.2, 999.0, 8.2], mask=[False, True, False])
    told = combust.air_ratio_from_o2(o2, "diesel_b7", co_dry_ppm=np.ma.array([0.0, 0.0, 5.0], mask=[0, 0, 1]))
    assert isinstance(told, np.ma.MaskedArray)
    assert told.mask.tolist() == [False, True, True]
    assert told[0] == BY_FLOAT
    gas = combust.flue_gas("diesel_b7", np.ma.masked_invalid([1.2, np.nan]))
    assert gas.o2_dry_pct.mask.tolist() == gas.so2_dry_ppm.mask.tolist() == [False, True]


def test_quantities_with_units_are_converted_or_refused() -> None:
    told = combust.air_ratio_from_o2(8.2, "diesel_b7", co_dry_ppm=UNITS.Quantity(0.015, "percent"))
    assert told == combust.air_ratio_from_o2(8.2, "diesel_b7", co_dry_ppm=150.0)
    for wrong in (UNITS.Quantity(8.2, "degC"), UNITS.Quantity([8.2], "mbar"), [UNITS.Quantity(8.2, "percent")]):
        with pytest.raises(combust.CombustError, match="carries a unit"):
            combust.air_ratio_from_o2(wrong, "diesel_b7")


def test_units_in_a_reading_and_at_a_site() -> None:
    """Definitions: 5000 ft = 1524 m, 572 °F = 300 °C, 0.015 % = 150 ppm, 26.58 inHg = 900.1 hPa."""
    reading = combust.Reading(
        o2_dry_pct=UNITS.Quantity(8.2, "percent"), altitude_m=UNITS.Quantity(5000, "ft"),
        flue_temp_c=UNITS.Quantity(572, "degF"), co_dry_ppm=UNITS.Quantity(0.015, "percent"),
    )  # fmt: skip
    assert dict(reading) == pytest.approx(
        {"o2_dry_pct": 8.2, "altitude_m": 1524.0, "flue_temp_c": 300.0, "co_dry_ppm": 150}
    )
    site = combust.Site(pressure_hpa=UNITS.Quantity(26.58, "inHg"), intake_temp_c=UNITS.Quantity(14, "degF"))
    assert (site.pressure_hpa, site.intake_temp_c) == pytest.approx((900.1, -10.0), abs=0.05)
    for wrong in (UNITS.Quantity(8.2, "second"), UNITS.Quantity(3000, "rpm")):
        with pytest.raises(combust.CombustError, match="carries a unit"):
            combust.Reading(o2_dry_pct=wrong, blower_rpm=wrong)
    with pytest.raises(combust.CombustError, match="carries a unit"):
        combust.Reading(altitude_ft=UNITS.Quantity(1524, "m"))


# ---- what takes one value says so -----------------------------------------------------------------------------------


@pytest.mark.parametrize("several", [[2000, 3000], np.array([2000.0]), pd.Series([2000.0, 3000.0])])
def test_a_site_and_a_reading_take_one_value_and_say_so(several: Any) -> None:
    for called in (combust.Site, combust.Reading):
        with pytest.raises(combust.CombustError, match=r"altitude_m.* holds several values where one number is taken"):
            called(altitude_m=several)


@pytest.mark.parametrize("missing", [None, math.nan, np.float32("nan"), np.ma.masked, pd.NA, pd.NaT, ""])
def test_every_mark_of_missing_is_not_measured(missing: Any) -> None:
    assert "co_dry_ppm" not in combust.Reading(o2_dry_pct=8.2, co_dry_ppm=missing)


def test_a_site_takes_text_numbers_as_a_reading_does_and_refuses_true() -> None:
    assert combust.Site(altitude_m="2000") == combust.Site(altitude_m=2000.0)
    assert math.isnan(combust.Site(altitude_m=math.nan).air_density_kg_m3)  # never sea level in silence
    with pytest.raises(combust.CombustError, match="true or false"):
        combust.Site(humidity_pct=True)


@pytest.mark.parametrize("given", [[1.2, 1.5], np.array([1.2]), True, "rich", UNITS.Quantity(1.2, "m")])
def test_the_flame_takes_one_lambda_and_says_so(given: Any) -> None:
    with pytest.raises(combust.CombustError, match=r"air_ratio.*(several values|true or false|no|unit)"):
        combust.flame_equilibrium("diesel_b7", given)
    with pytest.raises(combust.CombustError, match="intake_temp_c"):
        combust.flame_equilibrium("diesel_b7", 1.5, intake_temp_c=[0.0, 25.0])


HEATER = {
    "fuel": "diesel_b7",
    "stages": {"high": {}},
    "baseline": [{"stage": "high", "altitude_m": 0, "intake_temp_c": 15, "o2_dry_pct": 8.2, "flue_temp_c": 330}],
}
ROW = {"fuel": "diesel_b7", "o2_dry_pct": 8.2, "location": "outdoors"}
BY_HEATER = combust.Heater.from_dict(HEATER)
CO_TOLD: dict[str, Callable[[dict[str, Any]], Any]] = {
    "Reading": lambda row: dict(combust.Reading(**row)),
    "interpret": lambda row: combust.interpret(row).co_mg_per_m3,
    "interpret_table": lambda row: combust.interpret_table(pd.DataFrame([row]))["co_mg_per_m3"][0],
    "rank_causes": lambda row: combust.rank_causes(
        BY_HEATER, row, pairs=False, next_checks=False
    )[0].marginal,
    "site_effect": lambda row: str(combust.site_effect(BY_HEATER, combust.Site(altitude_m=2000), reading=row).reading),
    "drift_history": lambda row: combust.drift_history(
        [{**row, "taken_at": f"202{year}-01-12"} for year in range(3)]
    ).points[0].air_ratio,
}  # fmt: skip


@pytest.mark.parametrize("name", CO_TOLD)
def test_co_in_per_cent_is_taken_wherever_a_reading_is(name: str) -> None:
    """0.03 vol % are 300 ppm, by definition."""
    by_percent, by_ppm = CO_TOLD[name]({**ROW, "co_dry_pct": 0.03}), CO_TOLD[name]({**ROW, "co_dry_ppm": 300.0})
    assert by_percent == (by_ppm if isinstance(by_ppm, str) else pytest.approx(by_ppm))
    assert by_percent != CO_TOLD[name](ROW)
