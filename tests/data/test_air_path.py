"""The air path's unknown structure: one table of ranges, and the distributions of the ranking of causes beside it."""

from __future__ import annotations

import math
from statistics import NormalDist

import pytest

from combust.data.tables import load_table

RANGES, DRAWN = load_table("air_path"), load_table("causes")["structure"]
BLOWERS = ("centrifugal", "side_channel", "unknown")


def share_between(row: dict, low: float, high: float) -> float:
    """Return how much of a distribution of ``causes.toml`` lies between two numbers."""
    if row["kind"] == "normal":
        normal = NormalDist(row["median"], row["sd"])
        return normal.cdf(high) - normal.cdf(low)
    normal = NormalDist(math.log(row["median"]), math.log(row["factor"]))
    return normal.cdf(math.log(high)) - (normal.cdf(math.log(low)) if low > 0.0 else 0.0)


@pytest.mark.regression
def test_every_number_has_an_origin() -> None:
    for row in RANGES.values():
        assert len(row["origin"]) > 20
    assert all(len(RANGES["steepness"][blower]["source"]) > 10 for blower in BLOWERS)


@pytest.mark.hand
@pytest.mark.parametrize("blower", BLOWERS)
def test_steepness_is_one_quantity_in_all_three_uses(blower: str) -> None:
    """Draws lie within the ends; the distribution has its middle in the range and four fifths within the ends."""
    told, drawn = RANGES["steepness"][blower], DRAWN[f"steepness_{blower}"]
    assert told["ends"][0] <= told["range"][0] < told["range"][1] <= told["ends"][1]
    assert told["range"][0] < drawn["median"] < told["range"][1]
    assert share_between(drawn, *told["ends"]) > 0.8


@pytest.mark.hand
def test_shares_of_the_path_agree() -> None:
    """causes.toml counts intake and exhaust against the burner (0.45 and 0.60): of the whole they are what follows."""
    intake, exhaust = DRAWN["intake_to_burner"]["median"], DRAWN["exhaust_to_burner"]["median"]
    whole = 1.0 + intake + exhaust
    # 1/2.05 = 0.488 for the burner; 0.22 and 0.29 for the ducts; 0.60/1.05 = 0.571 of both ducts
    for key, kind, value in (
        ("burner_share", "range", 1.0 / whole),
        ("duct_share", "ends", intake / whole),
        ("duct_share", "ends", exhaust / whole),
        ("exhaust_of_ducts", "range", exhaust / (intake + exhaust)),
    ):
        low, high = RANGES[key][kind]
        assert low < value < high, key


@pytest.mark.hand
def test_hot_share_and_exchanger_exponent_agree() -> None:
    assert [DRAWN["hot_share"]["low"], DRAWN["hot_share"]["high"]] == RANGES["hot_share"]["range"]
    # 0.70 +- 0.06 against 0.6 to 0.8: 1.67 standard deviations each way, nine tenths
    assert share_between(DRAWN["exponent"], *RANGES["exchanger_exponent"]["range"]) == pytest.approx(0.904, abs=0.002)
