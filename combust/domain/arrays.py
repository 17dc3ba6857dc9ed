"""The edge of the public array functions: numbers of any kind in, plain floats inside, the same kind out."""

from __future__ import annotations

import inspect
from collections.abc import Callable
from dataclasses import fields, is_dataclass, replace
from functools import wraps
from typing import Any, Protocol, TypeVar, cast

import numpy as np

from combust.data.arguments import carries_unit, magnitude_in
from combust.data.errors import Fault
from combust.data.fields import Field
from combust.data.vocabulary import quantities
from combust.kernel.elementwise import NoNumberError, floats_of, taken
from combust.kernel.types import Floats

F = TypeVar("F", bound=Callable[..., Any])


class Labelled(Protocol):
    """A Series: numbers with labels and a name."""

    index: Any
    name: Any

    def to_numpy(self) -> Any:
        """Return the numbers."""


Numbers = TypeVar("Numbers", float, Floats, Labelled)
"""A float, an array or a Series: what comes out is of the kind that went in."""

_ANNOTATIONS = ("Numbers", "ArrayLike")
_SHARES = {
    key: Field(key, unit="mol/mol", low=0.0, high=1.0, hint="Give a share of 1, not per cent.")
    for key in ("co_share", "hc_share", "humidity_ratio")
}


def takes_arrays(function: F) -> F:
    """Return a function on floats and arrays as one that stands at the edge.

    Every parameter annotated ``Numbers`` or ``ArrayLike`` may be a number, a list, an array of any numeric type, a
    masked array, a Series, or a quantity of a unit library, which is converted or refused. Values outside their band,
    booleans, texts, and Series with different labels are refused, all at once. The result is a Series (labels and
    name of the first one given), a masked array (masked where any input is), an array, or a float.

    Parameters
    ----------
    function : callable
        On floats and arrays.

    Returns
    -------
    callable
        The same, which takes every kind of number.

    Raises
    ------
    CombustError
        By the function that is returned: everything that is refused, at once.
    """
    signature = inspect.signature(function)
    names = [key for key, parameter in signature.parameters.items() if parameter.annotation in _ANNOTATIONS]

    @wraps(function)
    def call(*args: Any, **keywords: Any) -> Any:
        bound = signature.bind(*args, **keywords)
        given = {key: bound.arguments[key] for key in names if key in bound.arguments}
        kind = taken(bound, given, _plain)
        found = function(*bound.args, **bound.kwargs)
        if is_dataclass(found) and not isinstance(found, type):
            return replace(found, **{one.name: kind.give(getattr(found, one.name)) for one in fields(found)})
        return kind.give(found)

    return cast(F, call)


def _plain(key: str, value: Any, faults: list[Fault]) -> Any:
    """Return a value as floats with NaN where nothing was measured; what is wrong with it joins the faults."""
    record = _SHARES.get(key) or quantities()[key]
    if carries_unit(value):
        bare = magnitude_in(value, record.unit)
        if bare is None:
            faults.append(record.not_a_number(value))
            return np.nan
        value = bare
    if value is None:
        faults.append(Fault(key, None, "missing", unit=record.unit, why="is missing", hint=record.hint))
        return np.nan
    try:
        array = floats_of(value)
    except (TypeError, ValueError) as error:
        faults.append(record.not_a_number(error.args[0] if isinstance(error, NoNumberError) else value))
        return np.nan
    low = np.nextafter(0.0, 1.0) if key == "air_ratio" else record.low
    wrong = ~((array >= low) & (array <= record.high) & np.isfinite(array)) & ~np.isnan(array)
    if wrong.any():
        first = float(array[wrong][0]) if array.ndim else float(array)
        above = Fault(key, first, "out_of_band", why="is 0, or no number that can be", hint="Give a number above 0.")
        faults.append(record.fault_of(first) or above)
    return array[()]
