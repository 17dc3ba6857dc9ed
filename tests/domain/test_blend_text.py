"""A blend as a text: one way to write it, wherever a fuel is named."""

from __future__ import annotations

import re

import pytest

from combust.data.errors import CombustError
from combust.domain.blend import blend_parts
from combust.domain.catalogue import get_fuel


# 1 l: four parts diesel (832.5 kg/m3) and one of kerosene (800) are 0.666 and 0.160 kg: 826 kg/m3, 80.6 % by mass.
@pytest.mark.hand
@pytest.mark.parametrize(
    "text",
    [
        "0.8 diesel_b7 + 0.2 kerosene",
        "80 % diesel + 20% kerosene by volume",
        "0,8 diesel_b7+0,2 kerosene by volume",
        "0.8063 diesel_b7 + 0.1937 kerosene by mass",
    ],
)
def test_a_blend_written_as_a_text(text: str) -> None:
    found = get_fuel(text)
    assert found.density_kg_per_m3 == pytest.approx(826.0, abs=0.05)
    assert found.family == "blend"
    assert get_fuel(found.name).density_kg_per_m3 == found.density_kg_per_m3  # what it tells of itself is read again
    parts, by = blend_parts(text)
    assert [round(share, 1) for _, share in parts] == [0.8, 0.2]
    assert by == ("mass" if "mass" in text else "volume")


@pytest.mark.hand
@pytest.mark.parametrize(
    ("text", "piece"),
    [
        ("diesel_b7 + 0.2 kerosene", "a part lacks share or name"),
        ("0.8 diesel_b7 + kerosene", "a part lacks share or name"),
        ("0.8 diesel_b7 + 0.3 kerosene", "is the sum of the shares, not 1"),
        ("80 diesel_b7 + 20 kerosene", "Give shares of one, not per cent"),
        ("0.8 diesel_b7 + 0.2 kerosen", "Did you mean kerosene"),
        ("0.8 diesel_b7 + 0.2 kerosene by weight", "by"),
        ("+", "a part lacks share or name"),
    ],
)
def test_a_text_that_is_no_blend_is_told(text: str, piece: str) -> None:
    with pytest.raises(CombustError, match=re.escape(piece)):
        get_fuel(text)
