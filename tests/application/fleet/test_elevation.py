"""Routes over their way: the same in any blocks, stretches by hand, a picture that says in words what it hatches."""

from __future__ import annotations

import base64
import math
from xml.etree import ElementTree

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from combust.application.fleet.elevation import CELLS, elevation, stretch_words, stretches_above
from combust.edge.figures.elevation import elevation_picture
from combust.edge.tables.fleet import plan_fleet
from tests.application.fleet import worked

pytestmark = pytest.mark.hand
# 900, 1300, 2500, 1200, 900 m at 0, 16, 27, 48, 60 km. Over 1400 m: from 16 + 100/1200 * 11 = 16.92 km to
# 27 + 1100/1300 * 21 = 44.77 km, outwards 16.9 and 44.8. Over 1250 m: from 16 - 50/400 * 16 = 14 to
# 27 + 1250/1300 * 21 = 47.19, outwards 47.2.
PASS = ([0, 16, 27, 48, 60], [900, 1300, 2500, 1200, 900])


@pytest.mark.parametrize(
    ("limit", "found"),
    [(1400, "km 16.9 to 44.8"), (1250, "km 14 to 47.2"), (2500, ""), (800, "km 0 to 60"), (math.nan, "")],
)
def test_stretches_above_a_limit(limit: float, found: str) -> None:
    assert stretch_words(stretches_above(elevation(*PASS), limit)) == found


def test_two_passes_are_two_stretches() -> None:
    way = elevation([0, 10, 20, 30, 40], [500, 1500, 500, 1500, 500])
    assert stretch_words(stretches_above(way, 1000)) == "km 5 to 15 and 25 to 35"


# Whatever the blocks and their order: the highest point of each cell, nothing above it is lost, bounded in number.
@given(
    points=st.lists(st.tuples(st.floats(0, 5000) | st.just(math.nan), st.floats(-400, 6000)), min_size=1, max_size=60),
    cut=st.integers(0, 60),
    turned=st.booleans(),
)
def test_blocks_make_no_difference(points: list[tuple[float, float]], cut: int, turned: bool) -> None:
    def way(part: list[tuple[float, float]]) -> tuple[list[float], list[float]]:
        return [one[0] for one in part], [one[1] for one in part]

    whole, parts = elevation(*way(points)), [elevation(*way(points[:cut])), elevation(*way(points[cut:]))]
    both = parts[1].joined(parts[0]) if turned else parts[0].joined(parts[1])
    assert both.distance_km.tolist() == whole.distance_km.tolist()
    assert both.height_m.tolist() == whole.height_m.tolist()
    known = [point for point in points if not math.isnan(point[0])]
    assert both.without == whole.without == len(points) - len(known)
    assert len(whole.height_m) <= CELLS + 1
    assert set(zip(whole.distance_km.tolist(), whole.height_m.tolist(), strict=True)) <= set(known)
    assert max(whole.height_m, default=0.0) == max((height for _, height in known), default=0.0)


def test_the_picture_says_in_words_what_it_hatches() -> None:
    picture = elevation_picture(elevation(*PASS), [1400, math.nan, 2600], "lark<pass")
    assert picture["alt"] == (
        "lark<pass: 60 km, 900 to 2500 m; above the limit of 1400 m, heater off: km 16.9 to 44.8; "
        "above the limit of 2600 m, heater off: nowhere"
    )
    svg = ElementTree.fromstring(base64.b64decode(picture["src"].partition(",")[2]))
    texts = [one.text for one in svg.iter() if one.tag.endswith("text")]
    for word in ("limit 1400 m", "OFF", "km", "m", "nowhere above it"):
        assert word in texts
    hatched = [one for one in svg.iter() if one.get("fill") == "url(#h)"]
    assert len(hatched) == 2  # the ground above the lower limit, and its strip
    strip = next(one for one in hatched if one.tag.endswith("rect"))
    left, width = float(strip.get("x", "")), float(strip.get("width", ""))
    scale = (372 - 46) / 60  # from the axis to the right end, 60 km
    assert (left - 46) / scale == pytest.approx(16.9, abs=0.05)
    assert (left + width - 46) / scale == pytest.approx(44.8, abs=0.05)


def test_points_without_a_distance_still_say_how_long() -> None:
    """Nothing is drawn, the minutes stand, and the column that is lacking is named."""
    routes = pd.DataFrame({"route_id": "larkpass", "altitude_m": PASS[1], "minutes": [30, 25, 40, 20, 0]})
    cars = worked.vehicles().iloc[:1].assign(route_id="larkpass")
    plan = plan_fleet(cars, worked.sites(), routes, heaters=worked.HEATERS)
    row = plan.routes.iloc[0]
    assert plan.ways.empty
    assert row["minutes_above_limit"] == 40.0
    assert "no distance_km" in row["text"]
    drawn = plan_fleet(cars, worked.sites(), routes.assign(distance_km=PASS[0]), heaters=worked.HEATERS)
    assert drawn.ways["altitude_m"].tolist() == PASS[1]
    assert "km 16.9 to 44.8" in drawn.routes.iloc[0]["text"]
    assert np.isclose(drawn.routes.iloc[0]["highest_m"], 2500)
