"""Every public function of kernel, domain and ``combust`` says what it takes and gives and rests on; its bands hold."""

from __future__ import annotations

import inspect
import math
import re
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpydoc.docscrape import NumpyDocString

from combust.kernel import air
from combust.kernel.altitude import ceiling_altitude
from tests.docstring_slots import Documented, documented, missing

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


# What a docstring says is NaN outside a band: the function, both ends of the band, and a value beyond each.
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
