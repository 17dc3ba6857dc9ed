"""Every public function of kernel, domain and ``combust`` says what it takes and gives and rests on; its bands hold."""

from __future__ import annotations

import inspect
import math
import re
from collections.abc import Iterator
from dataclasses import fields, is_dataclass, replace
from typing import Any

import numpy as np
import pytest
from numpydoc.docscrape import NumpyDocString

from combust.data.errors import CombustError
from combust.kernel import air
from combust.kernel.altitude import ceiling_altitude
from tests.docstring_slots import Documented, documented, missing
from tests.recorded_calls import call, public, recorded

pytestmark = pytest.mark.regression

ALL = list(documented())
NAMES = {one.name for one in ALL}


def module_of(one: Documented) -> str:
    parts = one.name.split(".")
    return ".".join(parts[:3]) if parts[1] in ("kernel", "domain") else "combust"


@pytest.mark.parametrize("module", sorted({module_of(one) for one in ALL}))
def test_no_slot_is_missing(module: str) -> None:
    wrong = [f"{one.name}: {what}" for one in ALL if module_of(one) == module for what in missing(one, NAMES)]
    assert not wrong, "\n".join(wrong)


# A band that somebody holds, as a docstring states it: both ends, or the lower one alone.
NUMBER = r"-?\d[\d ]*(?:\.\d+)?"
BOTH_ENDS = re.compile(rf"\[[^\]]+\], ({NUMBER}) to ({NUMBER})\b")
LOWER_END = re.compile(rf"\[[^\]]+\], ({NUMBER}) or more;")


def held_bands() -> Iterator[tuple[Documented, str, list[tuple[float, float]]]]:
    """Yield (function, parameter, ends with the side that lies beyond) of what is NaN or refused outside a band."""
    for one in public():
        for row in one.slots["Parameters"]:
            told = " ".join(row.desc)
            if not row.type.startswith("float") or not re.search("NaN outside|refused", told):
                continue
            both, lower = BOTH_ENDS.search(told), LOWER_END.search(told)
            found = [both[1], both[2]] if both else [lower[1]] if lower else []
            ends = [(float(end.replace(" ", "")), side) for end, side in zip(found, (-1.0, 1.0), strict=False)]
            names = row.name.split(", ")
            for name in names[:1] if "of the same band" in told else names:
                yield one, name, ends


HELD_BANDS = {f"{one.name}({name})": (one, name, ends) for one, name, ends in held_bands()}
# Where the band is said in another unit or of another kind of result; each has a test of its own.
ELSEWHERE = {"combust.kernel.altitude.value_from_surface(pressure_hpa)", "combust.domain.gas.flue_gas(air_ratio)"}
NO_NUMBER = {"combust.domain.site.pressure_mismatch(altitude_m)", "combust.domain.site.mismatch_words(altitude_m)"}


def numbers_in(found: Any) -> list[float]:
    """Return the numbers of a result."""
    parts = [getattr(found, key.name) for key in fields(found)] if is_dataclass(found) else found
    return [float(part) for part in parts] if isinstance(parts, list | tuple) else [float(parts)]


def test_every_held_band_is_read() -> None:
    assert len(HELD_BANDS) > 25
    assert {name for name, (_, _, ends) in HELD_BANDS.items() if not ends} == ELSEWHERE


@pytest.mark.parametrize("name", sorted(set(HELD_BANDS) - ELSEWHERE - NO_NUMBER))
def test_a_band_that_is_stated_is_the_band_that_is_held(name: str) -> None:
    """At an end it is taken, a millionth beyond it NaN or refused, with the name of the parameter and the same end."""
    one, key, ends = HELD_BANDS[name]
    given = recorded()[one.name]
    for end, side in ends:
        inside = numbers_in(call(one, given | {key: end}))
        beyond = given | {key: end + side * 1e-6 * max(1.0, abs(end))}
        if "NaN outside" in " ".join(next(row for row in one.slots["Parameters"] if key in row.name).desc):
            assert np.isfinite(inside).all()
            assert np.isnan(numbers_in(call(one, beyond))).any()
            continue
        with pytest.raises(CombustError, match=key) as caught:
            call(one, beyond)
        assert end in (caught.value.low, caught.value.high)


# The same bands by hand, alone and in an array: the function, both ends, and a value beyond each.
BANDS = [
    (air.pressure_from_altitude, (-5000.0, 11_019.0), (-5001.0, 11_020.0)),
    (air.standard_temperature, (-5000.0, 11_019.0), (-5001.0, 11_020.0)),
    (air.altitude_from_pressure, (226.32, 1777.62), (226.31, 1777.63)),
    (air.saturation_pressure, (-100.0, 200.0), (-100.1, 200.1)),
    (lambda ratio: ceiling_altitude(ratio, 15.0, 1.225), (0.3, 1.7), (0.2, 1.8)),
]


@pytest.mark.parametrize(("function", "inside", "outside"), BANDS)
def test_a_band_that_is_stated_is_held(function: Any, inside: tuple[float, ...], outside: tuple[float, ...]) -> None:
    """At both ends a number, beyond them NaN, alone and in an array whose other values stay as they are."""
    for good, bad in zip(inside, outside, strict=True):
        assert math.isfinite(function(good))
        assert math.isnan(function(bad))
        both = function(np.array([good, bad, math.nan]))
        assert both[0] == pytest.approx(function(good), rel=1e-12)
        assert np.isnan(both[1:]).all()


@pytest.mark.parametrize(
    ("cut", "told"),
    [(r"    Geometric height.*\n", "no unit"), (r" \(NaN outside\)", "who holds"),
     (r"\[hPa\], in", "Returns without unit"), (r"Returns\n(.*\n){4}", "no Returns"),
     (r"References\n(.*\n){3}", "no References"), (r"altitude_from_pressure(?= : the)", "does not name the inverse"),
     (r"altitude_m(?= : float)", "is not listed"), (r"Examples\n[\s\S]*", "no Examples")],
)  # fmt: skip
def test_a_slot_that_is_taken_away_is_noticed(cut: str, told: str) -> None:
    whole = next(one for one in ALL if one.name == "combust.kernel.air.pressure_from_altitude")
    text = inspect.getdoc(whole.function) or ""
    assert missing(whole, NAMES) == []
    shorter = re.sub(cut, "other" if "(?=" in cut else "", text)
    assert shorter != text
    found = missing(replace(whole, slots=NumpyDocString(shorter)), NAMES)
    assert any(told in each for each in found), found
