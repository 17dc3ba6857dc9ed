"""What a docstring of a public function must hold, read with numpydoc's parser: the rule, apart from the test."""

from __future__ import annotations

import importlib
import inspect
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

from numpydoc.docscrape import NumpyDocString

from tests.outside_calls import bookkeeping, public_functions

UNIT = re.compile(r"\[[^\]]+\]")
# A band is said as a range, as one end, as "any", or by what is taken; "NaN outside" and "unchecked" say who holds it.
BAND = re.compile(
    r"\d to |\bto \d|above|below|or more|or less|at most|\bany\b|not 0|increasing|NaN|inside|counts as|held|refused"
)
HELD = re.compile(r"unchecked|NaN outside|\bany\b|counts as|held|refused|NaN where|where not")
NUMERIC = re.compile(r"^(float|int|pair of float|array|sequence of float|tuple of float)")
NO_RETURN = (None, "None")


@dataclass(frozen=True)
class Documented:
    """A public function with its docstring in slots."""

    name: str
    function: Callable[..., Any]
    slots: NumpyDocString
    is_property: bool
    called: Callable[..., Any]  # as it is called, with what looks at its arguments

    @property
    def parameters(self) -> list[str]:
        """Names of what it takes."""
        return [name for name in inspect.signature(self.function).parameters if name not in ("self", "cls")]

    @property
    def numberless(self) -> bool:
        """Whether it is bookkeeping: it holds no number that a source could give."""
        return self.name in bookkeeping()


def documented() -> Iterator[Documented]:
    """Return every public function, method and property of kernel, domain and ``combust``."""
    for name in public_functions():
        holder, _, last = name.rpartition(".")
        where = _found(holder)
        raw = inspect.getattr_static(where, last) if inspect.isclass(where) else getattr(where, last)
        is_property = isinstance(raw, property) or hasattr(raw, "func")
        plain = raw.fget if isinstance(raw, property) else getattr(raw, "func", getattr(raw, "__func__", raw))
        bare = inspect.unwrap(plain)
        yield Documented(name, bare, NumpyDocString(inspect.getdoc(bare) or ""), is_property, plain)


def _found(path: str) -> Any:
    try:
        return importlib.import_module(path)
    except ModuleNotFoundError:
        holder, _, last = path.rpartition(".")
        return getattr(_found(holder), last)


def missing(one: Documented, names: set[str]) -> list[str]:
    """Return in words every slot that a function lacks."""
    slots, wrong = one.slots, []
    said = " ".join([*slots["Summary"], *slots["Extended Summary"]])
    if not said:
        return ["no docstring"]
    if one.is_property:
        return [] if one.numberless or UNIT.search(said) else ["a property without its unit"]
    rows = {name.strip(" *"): row for row in slots["Parameters"] for name in row.name.split(",")}
    wrong += [f"parameter {name} is not listed" for name in one.parameters if name not in rows]
    for name, row in rows.items():
        told = " ".join(row.desc)
        if NUMERIC.match(row.type):
            wrong += [] if UNIT.search(told) else [f"{name}: no unit"]
            wrong += [] if BAND.search(told) else [f"{name}: no band"]
            wrong += [] if HELD.search(told) else [f"{name}: who holds the band?"]
    returned = inspect.signature(one.function).return_annotation
    if returned not in NO_RETURN:
        told = " ".join(f"{row.type} {' '.join(row.desc)}" for row in [*slots["Returns"], *slots["Yields"]])
        wrong += [] if told else ["no Returns"]
        wrong += [] if not told or one.numberless or UNIT.search(told) else ["Returns without unit"]
    if not one.numberless:
        wrong += [f"no {slot}" for slot in ("References", "Examples") if not slots[slot]]
    other = inverse_of(one.name, names)
    also = " ".join(name for group, _ in slots["See Also"] for name, _ in group)
    if other and other not in also:
        wrong.append(f"See Also does not name the inverse {other}")
    return wrong


def inverse_of(name: str, names: set[str]) -> str:
    """Return the inverse of ``x_from_y``: ``y_from_x``, where there is one."""
    holder, _, last = name.rpartition(".")
    start, between, end = last.partition("_from_")
    other = f"{end}_from_{start}"
    return other if between and f"{holder}.{other}" in names else ""
