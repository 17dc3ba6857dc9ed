"""What kernel and domain say to a type checker is what they give, whatever kind of number comes in.

Arguments are those of the examples in the docstrings; what must hold is said here once for all functions.
"""

from __future__ import annotations

import inspect
import math
import re
import typing
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
import pandas as pd
import pint
import pytest

from combust.data.errors import CombustError
from combust.kernel.types import X
from tests.docstring_slots import Documented
from tests.recorded_calls import call, public, recorded

pytestmark = pytest.mark.regression
UNITS = pint.UnitRegistry()

KIND = re.compile(r"\bX\b")
WITH_KIND = [
    one
    for one in public()
    if not one.is_property and KIND.search(str(inspect.signature(one.function).return_annotation))
]


def holds(hint: object, asked: object) -> bool:
    """Return whether a type stands anywhere in another; the shape of an array is none."""
    if typing.get_origin(hint) is np.ndarray:
        return holds(typing.get_args(hint)[1], asked)
    return hint is asked or any(holds(part, asked) for part in typing.get_args(hint))


def test_no_function_returns_any() -> None:
    found = {one.name: typing.get_type_hints(one.function).get("return") for one in public()}
    assert len(found) > 200
    wrong = [name for name, hint in found.items() if hint is None or holds(hint, Any)]
    assert wrong == []


def made(value: Any, hint: Any, of: Callable[[float], Any]) -> Any:
    """Return a value with each number that is of either kind, also in a record, as another kind of number."""
    if hasattr(value, "_fields") and not isinstance(value, type):
        hints = typing.get_type_hints(type(value))
        return type(value)(*(made(getattr(value, key), hints[key], of) for key in value._fields))
    if not holds(hint, X):
        return value
    if isinstance(value, tuple):
        return tuple(made(part, of_part, of) for part, of_part in zip(value, typing.get_args(hint), strict=True))
    return of(float(value)) if isinstance(value, int | float | np.number) and not isinstance(value, bool) else value


def leaves(value: Any, hint: Any) -> Iterator[Any]:
    """Yield what stands where a type says X, in records and pairs too."""
    if hint is X:
        yield value
    elif hasattr(value, "_fields"):
        hints = typing.get_type_hints(type(value))
        for key in value._fields if typing.get_origin(hint) is type(value) else ():  # not one that is of either kind
            yield from leaves(getattr(value, key), hints[key])
    elif isinstance(value, tuple):
        for part, of in zip(value, typing.get_args(hint), strict=True):
            yield from leaves(part, of)


@pytest.mark.parametrize("one", WITH_KIND, ids=lambda one: one.name.removeprefix("combust."))
def test_a_float_of_floats_and_an_array_of_arrays(one: Documented) -> None:
    hints = typing.get_type_hints(one.function)
    given = recorded()[one.name]
    floats = {key: made(value, hints.get(key), float) for key, value in given.items()}
    by_floats = list(leaves(call(one, floats), hints["return"]))
    assert by_floats
    assert all(isinstance(found, float) for found in by_floats)
    several = {key: made(value, hints.get(key), lambda x: np.array([x, x])) for key, value in given.items()}
    for found in leaves(call(one, several), hints["return"]):
        assert type(found) is np.ndarray
        assert found.dtype == np.float64
        assert found.shape == (2,)


# ---- each quantity of each function, one at a time ------------------------------------------------------------------


def quantities() -> Iterator[tuple[Documented, str]]:
    """Yield each function with each of its parameters that is a number or an array of numbers, given in its example."""
    for one in public():
        for key, told in one.function.__annotations__.items():
            if (
                told in ("X | float", "X | float | None", "float | Floats")
                and recorded()[one.name].get(key) is not None
            ):
                yield one, key


def tried(one: Documented, key: str, value: Any) -> list[Any]:
    """Return the numbers of a result, where one argument of the example is another."""
    found = call(one, {**recorded()[one.name], key: value})
    return list(leaves(found, typing.get_type_hints(one.function)["return"])) or [found]


def each(check: Callable[[Documented, str], str]) -> None:
    """Run a check of every quantity; what it tells is wrong."""
    told = {f"{one.name}({key})": check(one, key) for one, key in quantities()}
    assert len(told) > 200
    assert {name: wrong for name, wrong in told.items() if wrong} == {}


@pytest.mark.parametrize(
    ("given", "word"),
    [(True, "true or false"), (np.array([True, False]), "true or false"), ([8.0, True], "true or false"),
     ("8", "not a number"), (None, "missing"), (UNITS.Quantity(8.0, "m"), "carries a unit")],
)  # fmt: skip
def test_what_is_no_number_is_refused_in_words(given: Any, word: str) -> None:
    def check(one: Documented, key: str) -> str:
        if given is None and "None" in one.function.__annotations__[key]:
            return ""
        try:
            tried(one, key, given)
        except CombustError as error:
            return "" if word in str(error) and key in str(error) else str(error)
        return "taken"

    each(check)


def test_every_kind_of_numbers_comes_back_as_it_went_in() -> None:
    """A list and whole numbers as an array of float64, one among numbers; 0-d as a number; a mask and labels stay."""

    def check(one: Documented, key: str) -> str:
        number = float(recorded()[one.name][key])
        whole = number.is_integer()
        plain = tried(one, key, np.array([number, number]))
        several: list[tuple[Any, type]] = [([number, number], np.ndarray), (pd.Series([number, number]), pd.Series)]
        several += [(np.array([number, number], dtype=np.int32), np.ndarray)] if whole else []
        several += (
            [(np.array([number, number], dtype=np.float32), np.ndarray)] if float(np.float32(number)) == number else []
        )
        for given, kind in several:
            for found, expected in zip(tried(one, key, given), plain, strict=True):
                if (
                    type(found) is not kind
                    or found.shape != (2,)
                    or not np.array_equal(found, expected, equal_nan=True)
                ):
                    return f"{given!r} gives {found!r}"
        for found in plain:
            if type(found) is not np.ndarray or found.shape != (2,):
                return f"an array gives {found!r}"
        if any(np.ndim(found) for found in tried(one, key, np.array(number))):
            return "0-d gives an array"
        hidden = np.ma.array([number, number], mask=[False, True])
        hidden.data[1] = -1e300
        for found, expected in zip(tried(one, key, hidden), plain, strict=True):
            if not isinstance(found, np.ma.MaskedArray) or found.mask.tolist() != [False, True]:
                return f"the mask is lost: {found!r}"
            if not np.array_equal(found.data[:1], expected[:1], equal_nan=True):
                return f"{found!r} under a mask, {expected!r} without"
        return ""

    each(check)


@pytest.mark.filterwarnings("error")
def test_nothing_warns_or_breaks_whatever_the_number() -> None:
    """The same number comes out of a float as out of an array, infinity and NaN where a division by 0 is."""

    def check(one: Documented, key: str) -> str:
        for number in (math.nan, math.inf, -math.inf, 0, 0.0, -1.0, 1e300, -1e300, 1e-300):
            alone = [float(found) for found in tried(one, key, number)]
            beside = [
                float(np.ravel(found)[0]) for found in tried(one, key, np.array([number, recorded()[one.name][key]]))
            ]
            if alone != pytest.approx(beside, rel=1e-9, nan_ok=True):
                return f"{number}: {alone} alone, {beside} beside another"
        return ""

    each(check)
