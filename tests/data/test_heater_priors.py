"""The structure that nobody knows of a heater: one table, its distributions against the ends that corners use."""

from __future__ import annotations

import math
from statistics import NormalDist

import pytest

from combust.data.tables import load_table

PRIORS = load_table("heater_priors")
DRAWN = PRIORS["structure"]
BLOWERS = ("centrifugal", "side_channel", "unknown")


def share_between(row: dict, low: float, high: float) -> float:
    """Return how much of a lognormal of the table lies between two numbers."""
    normal = NormalDist(math.log(row["median"]), math.log(row["factor"]))
    return normal.cdf(math.log(high)) - (normal.cdf(math.log(low)) if low > 0.0 else 0.0)


@pytest.mark.regression
def test_every_number_has_an_origin() -> None:
    for row in [*DRAWN.values(), *(PRIORS[key] for key in ("duct_share", "type_spread", "unknown"))]:
        assert len(row["origin"]) > 10


@pytest.mark.hand
@pytest.mark.parametrize("blower", BLOWERS)
def test_steepness_lies_within_its_ends(blower: str) -> None:
    """Corners reach as far as four fifths of the draws."""
    row = DRAWN[f"steepness_{blower}"]
    assert row["ends"][0] < row["median"] < row["ends"][1]
    assert share_between(row, *row["ends"]) > 0.8


@pytest.mark.hand
def test_shares_of_the_path_agree() -> None:
    """Intake and exhaust are counted against the burner (0.45 and 0.60): of the whole they are 0.22 and 0.29."""
    intake, exhaust = DRAWN["intake_to_burner"]["median"], DRAWN["exhaust_to_burner"]["median"]
    low, high = PRIORS["duct_share"]["ends"]
    for duct, share in ((intake, 0.2195), (exhaust, 0.2927)):
        assert duct / (1.0 + intake + exhaust) == pytest.approx(share, abs=1e-4)
        assert low < share < high
