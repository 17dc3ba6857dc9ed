"""CO that climbs from visit to visit is told long before a limit, also within one winter; scatter alone seldom is."""

from __future__ import annotations

import datetime
import math

import numpy as np
import pytest

from combust.application.history.climbing import climb_of
from combust.application.history.fleet_history import fleet_history
from combust.application.history.heater_history import heater_history
from combust.application.history.visit_points import Event, Point
from combust.domain.limits import limit
from combust.edge.logbook.history import fleet_drift_history
from tests.application.test_history import HEATER, TODAY, row

WINTER = ("2025-10-04", "2025-11-03", "2025-12-05", "2026-01-06")
SCATTER, VISITS, HEATERS = 0.30, 12, 1500


def winter(co, days=WINTER, **more):
    return [
        {**row(2025, 1.6), "taken_at": day, "co_dry_ppm": float(one), **more} for day, one in zip(days, co, strict=True)
    ]


def told(rows, **more):
    found = heater_history(rows, HEATER, on=more.pop("on", datetime.date(2026, 1, 10)), **more)
    return found, [one for one in found.findings if one.code == "co_climbs"]


def test_a_heater_that_creeps_within_one_winter_is_told_and_comes_sooner() -> None:
    """45, 70, 110, 180 ppm in a winter, a factor of about 1.6 a month; at O2 8.2 % air-free 20.95/12.75 = 1.643 times
    as much. From 296 ppm to 400 it is ln(1.35)/ln(1.6) = 0.65 of a month. By lambda alone it comes in a year.
    """
    found, climbs = told(winter((45, 70, 110, 180)))
    assert len(climbs) == 1
    assert "74, 115, 181, 296 ppm" in climbs[0].text
    assert not found.drifts
    assert found.next_visit is not None
    assert datetime.date(2026, 1, 18) <= found.next_visit <= datetime.date(2026, 2, 2)
    assert "CO climbs" in found.why_then


@pytest.mark.parametrize(
    "co",
    [(45, 70, 110), (180, 110, 70, 45), (60, 70, 80, 90), (45, 110, 70, 180), (5, 9, 14, 25), (None,) * 4],
    ids=["three visits", "falls", "little", "up and down", "less than a meter tells", "no CO"],
)
def test_what_does_not_climb_is_not_told(co) -> None:
    rows = winter([one or 0.0 for one in co], WINTER[: len(co)])
    if co[0] is None:
        rows = [{key: value for key, value in one.items() if key != "co_dry_ppm"} for one in rows]
    found, climbs = told(rows)
    assert climbs == []
    assert found.next_visit == datetime.date.fromisoformat(WINTER[len(co) - 1]) + datetime.timedelta(days=365)


def test_work_on_the_heater_begins_it_anew_and_a_stop_comes_first() -> None:
    rows = winter((45, 70, 110, 180))
    _, climbs = told(rows, events=[Event("repair", datetime.date(2025, 11, 20))])
    assert climbs == []
    found, climbs = told([*rows, *winter((2400,), ("2026-01-08",))])
    assert climbs
    assert found.stopped
    assert found.next_visit is None


def test_at_the_watch_point_already_it_is_due_now() -> None:
    assert limit("exhaust_co_warn") == 400.0
    found, _ = told(winter((60, 120, 200, 350)), on=TODAY)
    assert found.due_now
    found, climbs = told(winter((300,), WINTER[:1]))  # 493 ppm air-free, of one visit
    assert climbs == []
    assert found.due_now
    assert "493 ppm" in found.why_then


def points(logs):
    day = datetime.date(2014, 11, 5)
    return [
        Point(day + datetime.timedelta(days=365 * place), False, 1.6, 0.03, 1, None, "", 0, 60.0 * math.exp(one))
        for place, one in enumerate(logs)
    ]


@pytest.mark.independent
def test_scatter_alone_is_seldom_told_and_a_doubling_in_three_years_nearly_always() -> None:
    """Independent lognormal CO of 30 % scatter: in twelve visits, looked at after each, under 5 % of the heaters."""
    rng = np.random.default_rng(60)
    draws = rng.normal(0.0, SCATTER, (HEATERS, VISITS))
    quiet = [any(climb_of(points(one[:count])) for count in range(4, VISITS + 1)) for one in draws[: HEATERS // 3]]
    assert np.mean(quiet) < 0.05 + 2.0 * math.sqrt(0.05 * 0.95 / len(quiet))
    climbing = draws + math.log(2.0) / 3.0 * np.arange(VISITS)
    assert np.mean([climb_of(points(one)) is not None for one in climbing]) > 0.95


def test_a_sample_with_outside_air_takes_no_stop_back() -> None:
    """CO of a leaking sample reads low (common practice, no source): the stop of the day before stands."""
    stopped, leaking = winter((1450, 60), WINTER[:2])
    for one, stands in (({**leaking, "probe_leak_test": "fail", "o2_dry_pct": 16.2}, True), (leaking, False)):
        found, _ = told([stopped, one])
        assert found.stopped is stands


def test_rows_that_name_no_heater_keep_their_stop() -> None:
    rows = [*winter((45, 50), WINTER[:2]), {**winter((2500,), WINTER[:1])[0], "heater_id": None, "visit_id": "C9"}]
    found = fleet_history(rows, [HEATER], on=TODAY)
    assert [one.code for one in found.safety.stops][:1] == ["exhaust_co_high"]
    assert "2025-10-04" in found.safety.stops[0].text
    assert not found.heaters[0].stopped


def test_a_heater_stays_off_by_a_row_that_was_refused(tmp_path) -> None:
    """Found by a person: the stop stood above the table, and the table made the same heater due in a year."""
    table = tmp_path / "w.csv"
    head = "heater_id,taken_at,fuel,stage,location,o2_dry_pct,co_dry_ppm"
    lines = [
        "H-05,2025-10-17,diesel_b7,high,outdoors,8.2,45", "H-05,2025-12-14,diesel_b7,high,outdoors,8.2,9999999",
        "H-12,2025-10-17,diesel_b7,high,outdoors,8.2,50", "H-12,31.11.2025,diesel_b7,high,outdoors,8.2,2500",
        "H-02,2025-10-17,diesel_b7,high,outdoors,8.2,50", "H-01,2025-10-17,diesel_b7,high,outdoors,,1500",
        "H-07,2025-10-17,diesel_b7,high,outdoors,25,2500", "H-07,2025-10-19,diesel_b7,high,outdoors,8.2,50",
    ]  # fmt: skip
    table.write_text("\n".join([head, *lines]) + "\n", encoding="utf-8")
    found = fleet_drift_history(table, on=datetime.date(2026, 3, 1))
    assert {one.heater_id: one.stopped for one in found.heaters} == {
        "H-05": True, "H-12": True, "H-02": False, "H-07": False,  # of H-07 CO was read again
    }  # fmt: skip
    assert "H-05, H-12, H-01 must stay OFF" in found.summary
