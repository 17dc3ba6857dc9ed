"""What kernel and domain say to a type checker is what they give: no Any, a float of floats, an array of arrays."""

from __future__ import annotations

import inspect
import re
import typing
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
import pytest

from combust.kernel.types import X
from tests.docstring_slots import Documented
from tests.recorded_calls import public, recorded

pytestmark = pytest.mark.regression

# What cannot be said closer: the values of a table of many fields, each of its own kind (the vocabulary says which).
OF_MANY_KINDS = {"check_part", "checked_profile", "check_values", "check_keys"}
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
    assert [name for name in wrong if name.rpartition(".")[2] not in OF_MANY_KINDS] == []


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
        for key in value._fields:
            yield from leaves(getattr(value, key), hints[key])
    elif isinstance(value, tuple):
        for part, of in zip(value, typing.get_args(hint), strict=True):
            yield from leaves(part, of)


def call(one: Documented, given: dict[str, Any]) -> Any:
    """Call a function with arguments by name."""
    parameters = inspect.signature(one.function).parameters
    named = [key for key, each in parameters.items() if each.kind is each.POSITIONAL_OR_KEYWORD]
    more = {key: value for key, value in given.items() if key not in named}
    return one.function(*(given[key] for key in named), **more)


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
