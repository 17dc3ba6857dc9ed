"""Around every function of numbers and arrays: what is no number is refused in words, a mask stays, nothing warns."""

from __future__ import annotations

import inspect
from collections.abc import Callable, Mapping
from contextvars import Context, ContextVar
from dataclasses import dataclass
from functools import reduce, wraps
from typing import Any, TypeVar, cast

import numpy as np

from combust.data.arguments import carries_unit
from combust.data.errors import CombustError, Fault
from combust.data.fields import Field, as_number, is_missing
from combust.kernel.types import Floats

F = TypeVar("F", bound=Callable[..., Any])

# Functions that are called by others of their kind have had their numbers looked at. Where they run, numpy does not
# warn; a context that stands ready is entered ten times faster than ``np.errstate``.
_INSIDE: ContextVar[bool] = ContextVar("inside", default=False)
_QUIET = Context()
_QUIET.run(np.seterr, all="ignore")
_QUIET.run(_INSIDE.set, True)
_FLOAT64 = np.dtype(np.float64)
_USUAL = frozenset((float, int, np.float64))
_QUANTITIES = ("X | float", "X | float | None", "float | Floats")


def elementwise(function: F) -> F:
    """Return a function of numbers and arrays that says what it cannot take, and keeps the kind of what it can.

    Parameters of type ``X | float`` and ``float | Floats`` are numbers of any real type or arrays of them, which count
    as float64; a 0-d array counts as a number. A list gives an array, a Series a Series with its labels, a masked array
    a masked one (masked where any input is). True and false, texts, nothing and numbers with a unit are refused. What
    cannot be (a division by 0, a root of less than 0) is infinity or NaN, of numbers as of arrays, without a warning.

    Parameters
    ----------
    function : callable
        On floats and arrays.

    Returns
    -------
    callable
        The same, with its arguments looked at.

    Raises
    ------
    CombustError
        By the function that is returned: everything that is refused, at once.
    """
    told = function.__annotations__
    names = function.__code__.co_varnames[: function.__code__.co_argcount]
    asked = tuple(told.get(name) in _QUANTITIES for name in names)

    @wraps(function)
    def call(*args: Any, **keywords: Any) -> Any:
        if _INSIDE.get():
            return function(*args, **keywords)
        arrays = False
        for one, number in zip(args, asked, strict=False):
            if number and type(one) not in _USUAL:
                if type(one) is not np.ndarray or one.dtype is not _FLOAT64:
                    return _of_any_kind(function, args, keywords)
                arrays = True
        for key, one in keywords.items():
            if type(one) not in _USUAL and told.get(key) in _QUANTITIES:
                if type(one) is not np.ndarray or one.dtype is not _FLOAT64:
                    return _of_any_kind(function, args, keywords)
                arrays = True
        found = _quietly(function, args, keywords)
        if type(found) is np.ndarray and found.ndim:
            return found
        parts = found if isinstance(found, tuple) else (found,)
        if arrays or np.ndarray in map(type, parts):
            return _of_one_shape(function, found, args, keywords)
        return found

    return cast(F, call)


def _quietly(function: Callable[..., Any], args: tuple[Any, ...], keywords: dict[str, Any]) -> Any:
    try:
        return _QUIET.copy().run(function, *args, **keywords)
    except ArithmeticError:  # by a number of Python, where one of numpy is infinity or NaN
        told, names = function.__annotations__, function.__code__.co_varnames
        first = [_of_numpy(one, told.get(key)) for key, one in zip(names, args, strict=False)]
        return _QUIET.copy().run(
            function, *first, **{key: _of_numpy(one, told.get(key)) for key, one in keywords.items()}
        )


def _of_numpy(one: Any, told: str | None) -> Any:
    if isinstance(one, tuple) and hasattr(one, "_fields"):
        parts: list[Any] = [np.float64(part) if type(part) is float else part for part in one]
        return type(one)(*parts)
    return np.float64(one) if told in _QUANTITIES and type(one) in _USUAL else one


def _of_one_shape(function: Callable[..., Any], found: Any, args: tuple[Any, ...], keywords: dict[str, Any]) -> Any:
    """Return a result, each part of it, in the shape of all quantities together; a number has no dimension."""
    told, names = function.__annotations__, function.__code__.co_varnames
    given = (*zip(names, args, strict=False), *keywords.items())
    parts = found if isinstance(found, tuple) else (found,)
    arrays = [one for key, one in given if told.get(key) in _QUANTITIES and type(one) is np.ndarray]
    arrays += [part for part in parts if type(part) is np.ndarray]
    if not arrays:
        return found
    shape = np.broadcast_shapes(*(one.shape for one in arrays))
    parts = tuple(
        np.array(np.broadcast_to(part, shape))[()]
        if isinstance(part, float | np.generic | np.ndarray) and np.shape(part) != shape
        else part[()] if type(part) is np.ndarray and not shape else part
        for part in parts
    )  # fmt: skip
    return type(found)(*parts) if hasattr(found, "_fields") else parts if isinstance(found, tuple) else parts[0]


def _of_any_kind(function: Callable[..., Any], args: tuple[Any, ...], keywords: dict[str, Any]) -> Any:
    bound = inspect.signature(function).bind(*args, **keywords)
    asked = {key: told for key, told in function.__annotations__.items() if told in _QUANTITIES}
    given = {
        key: value
        for key, value in bound.arguments.items()
        if key in asked and not (value is None and "None" in asked[key])
    }
    kind = taken(bound, given, _plain)
    found = _quietly(function, bound.args, bound.kwargs)
    return kind.give(_of_one_shape(function, found, bound.args, bound.kwargs))


def taken(
    bound: inspect.BoundArguments, given: Mapping[str, Any], plain: Callable[[str, Any, list[Fault]], Any]
) -> Kind:
    """Put plain floats where quantities were handed in, and return the kind of them together.

    Parameters
    ----------
    bound : inspect.BoundArguments
        Of the call; its arguments are changed.
    given : mapping
        Name -> quantity.
    plain : callable
        Name, value and the faults so far -> floats; what is wrong joins the faults.

    Returns
    -------
    Kind
        What the result is to be like.

    Raises
    ------
    CombustError
        Everything that is refused, at once.
    """
    faults: list[Fault] = []
    bound.arguments |= {key: plain(key, value, faults) for key, value in given.items()}
    kind = Kind.of(given, {key: np.shape(bound.arguments[key]) for key in given}, faults)
    if faults:
        raise CombustError(faults)
    return kind


def _plain(key: str, value: Any, faults: list[Fault]) -> Any:
    if value is None:
        faults.append(Fault(key, None, "missing", why="is missing", hint="Give a number, or an array of numbers."))
        return np.nan
    try:
        return floats_of(value)[()]
    except (TypeError, ValueError) as error:
        faults.append(Field(key).not_a_number(error.args[0] if isinstance(error, NoNumberError) else value))
        return np.nan


class NoNumberError(TypeError):
    """One element of several is no number."""


def floats_of(value: Any) -> Floats:
    """Return what somebody holds as an array of floats, NaN where nothing was measured.

    Parameters
    ----------
    value : float, array, list, Series or masked array
        Numbers [one unit], any.

    Returns
    -------
    array
        The numbers [the same unit], in the shape given.

    Raises
    ------
    NoNumberError
        With the first element that is no number.
    TypeError
        A table, or a number with a unit.

    Examples
    --------
    >>> floats_of([8.2, None, 3])
    array([8.2, nan, 3. ])
    """
    if hasattr(value, "columns") or carries_unit(value):
        raise TypeError
    array = np.asarray(value, dtype=object if isinstance(value, list | tuple) else None)
    if array.dtype == object:  # of mixed kinds, or with marks for what is missing
        numbers = [
            np.nan if is_missing(one) else None if isinstance(one, str) else as_number(one) for one in array.flat
        ]
        if None in numbers:
            raise NoNumberError(list(array.flat)[numbers.index(None)])
        return np.array(numbers, dtype=float).reshape(array.shape)
    if array.dtype.kind not in "iuf":
        raise NoNumberError(array.flat[0] if array.size else array.dtype)
    floats = np.asarray(array, dtype=float)
    return np.where(np.ma.getmaskarray(value), np.nan, floats) if np.ma.isMaskedArray(value) else floats


@dataclass(frozen=True, slots=True)
class Kind:
    """What goes out: the shape of all inputs together, the Series to be like, where anything is masked."""

    shape: tuple[int, ...]
    series: Any
    mask: Any

    @classmethod
    def of(cls, given: Mapping[str, Any], shapes: Mapping[str, tuple[int, ...]], faults: list[Fault]) -> Kind:
        """Return the kind of what was given; what does not fit together joins the faults.

        Parameters
        ----------
        given : mapping
            Name -> what was handed in.
        shapes : mapping
            Name -> its shape.
        faults : list of Fault
            Grows by what is wrong.

        Returns
        -------
        Kind
            Of all inputs together.
        """
        series = {key: one for key, one in given.items() if hasattr(one, "index") and hasattr(one, "to_numpy")}
        first = next(iter(series), "")
        hint = "Bring them to the same rows first, or give plain arrays of one length."
        for key, one in series.items():
            if not one.index.equals(series[first].index):
                faults.append(Fault(key, "its index", "conflict", why=f"is not the index of {first}", hint=hint))
        try:
            shape = np.broadcast_shapes(*shapes.values())
        except ValueError:
            shape = ()
        lengths = ", ".join(f"{key} {' x '.join(map(str, one))}" for key, one in shapes.items() if one)
        whole = (len(series[first]),) if series else shape
        if shape != whole or (not shape and lengths):
            faults.append(Fault(next(iter(given)), lengths, "conflict", why="do not fit together", hint=hint))
        masks = [np.ma.getmaskarray(one) for one in given.values() if np.ma.isMaskedArray(one)]
        masked = masks and not series and not faults
        return cls(whole, series.get(first), np.broadcast_to(reduce(np.logical_or, masks), shape) if masked else None)

    def give(self, value: object) -> object:
        """Return a result, or each number of a record, as the kind that was given.

        Parameters
        ----------
        value : object
            What was worked out: a float, an array, or a record of them.

        Returns
        -------
        float, array, Series, masked array, or tuple of them
            The same numbers.
        """
        if isinstance(value, tuple):
            parts: list[Any] = [self.give(part) for part in value]
            return type(value)(*parts) if hasattr(value, "_fields") else tuple(parts)
        if not isinstance(value, bool | float | np.generic | np.ndarray):
            return value
        shape = np.broadcast_shapes(np.shape(value), self.shape)
        full = np.asarray(value) if np.shape(value) == shape else np.array(np.broadcast_to(value, shape))
        if self.series is not None and full.shape == self.shape:
            return type(self.series)(full, index=self.series.index, name=self.series.name)
        if self.mask is not None:
            return np.ma.array(full, mask=np.broadcast_to(self.mask, shape))
        return full if full.ndim else full.item()
