"""Heaters over the winters as a fleet and at its edges: names, dates, stops that stay, profiles, what risk means."""

from __future__ import annotations

import datetime
import math
import shutil
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import norm

from combust.application.history.drift_test import look_at
from combust.application.history.fleet_history import fleet_history
from combust.application.history.foretold import Band, look_ahead
from combust.application.history.heater_history import heater_history
from combust.data.errors import CombustError
from combust.data.near import folded_name
from combust.domain.heater import Heater
from combust.edge.logbook.history import fleet_drift_history
from combust.kernel.trend import Trend, series_of, with_slope_prior
from tests.application.test_history import DATA, HEATER, TODAY, row, steady
from tests.edge.runs import call

CO_STOP = {"co_dry_ppm": 4000.0}
EVENTS = "visit_id,heater_id,taken_at,fuel,stage,location,altitude_m,intake_temp_c,o2_dry_pct,co_dry_ppm,serial"


def named(name, rows):
    return [{**one, "heater_id": name} for one in rows]


def profile(name, low=1.4, high=1.9):
    return Heater.from_dict(
        {"heater_id": name, "fuel": "diesel_b7", "stages": {"high": {"air_ratio_band": [low, high]}, "low": {}}}
    )


@pytest.mark.independent
def test_risk_is_the_share_of_readings_that_lie_outside_the_band():
    """2000 drawn heaters, drifts N(0, 2 %) a year, visits scatter by 3 %: readings are outside as often as foretold.

    Levels lie near the ends of the band, so that many risks lie between 0 and 1; seven winters, the eighth is asked.
    """
    rng, heaters = np.random.default_rng(77), 2000
    years, day = np.arange(7.0), datetime.date(2026, 11, 5)
    level = np.log(rng.choice([1.36, 1.44, 1.60, 1.82, 1.95], heaters)) + rng.normal(0.0, 0.03, heaters)
    slope = rng.normal(0.0, 0.02, heaters)
    drawn = level[:, None] + slope[:, None] * (np.arange(8.0) - 6.0) + rng.normal(0.0, 0.03, (heaters, 8))
    series = series_of(years, 0.03)
    lines, band = look_at(series, drawn[:, :7]).trend.at(-1), Band(1.4, 1.9, "of the test")
    last, foretold = day - datetime.timedelta(days=365), np.empty((heaters, 2))
    for number in range(heaters):
        line = Trend(*(float(np.broadcast_to(part, heaters)[number]) for part in lines))
        careful = with_slope_prior(line, 0.02)
        ahead = look_ahead(last, careful, line.noise * 0.03, band, day, found_drift=False)
        foretold[number] = ahead.rich, ahead.lean
    seen = np.column_stack([drawn[:, 7] < math.log(1.4), drawn[:, 7] > math.log(1.9)])
    for low, high in ((0.0, 0.02), (0.02, 0.2), (0.2, 0.5), (0.5, 0.8), (0.8, 1.0)):
        here = (foretold >= low) & (foretold < high)
        assert here.sum() > 100
        spread = math.sqrt(np.sum(foretold[here] * (1.0 - foretold[here])))
        assert abs(np.sum(seen[here]) - np.sum(foretold[here])) < 3.0 * spread


@pytest.mark.hand
def test_risk_of_a_known_line_by_the_normal_table():
    """Twelve visits at 1.5 that scatter by 3 %, stated: the level is known to 0.9 %, one reading to 3.1 % and more.

    ln(1.5/1.4) = 0.0690 and ln(1.9/1.5) = 0.236: outside is outside on the rich side, about 2 % of readings.
    """
    told = heater_history(
        steady(range(2014, 2026), start=1.5), HEATER, visit_noise_pct=3.0, on=datetime.date(2025, 11, 5)
    )
    u = math.hypot(told.air_ratio_now_u / told.air_ratio_now, 0.03)
    assert told.risk_rich == pytest.approx(norm.sf(math.log(1.5 / 1.4) / u), rel=0.02)
    assert 0.01 < told.risk_rich < 0.05
    assert told.risk_lean < 1e-6


def test_both_sides_of_the_band_are_ranked_the_worst_first_and_the_answer_stands_first():
    rows = [
        *named("level", steady()),
        *named("leaner", steady(slope=0.025)),
        *named("richer", steady(slope=-0.02)),
        *named("gassy", [*steady(), row(2026, 1.6, **CO_STOP)]),
        *named("single", steady(range(2025, 2026))),
        *named("unknown", steady()),
    ]
    names = ("level", "leaner", "richer", "gassy", "single", "stored")
    told = fleet_history(rows, [profile(name) for name in names], on=datetime.date(2026, 11, 10))
    assert [one.heater_id for one in told.heaters[:3]] == ["gassy", "leaner", "richer"]
    assert told.heaters[0].when_due == "HEATER OFF"
    assert told.heaters[0].next_visit is None
    assert told.heaters[1].risk_words.endswith("lean")
    assert told.without_visits == ("stored",)
    assert told.without_profile == ("unknown",)
    assert told.summary.startswith("gassy must stay OFF by the last visit. Due now: leaner (")
    assert "richer" in told.summary
    assert "level" not in told.summary.split("Drifting")[0].split("Due now")[0]
    assert told.safety.state == "heater_off"


def test_a_stop_is_not_cleared_by_another_heater_a_date_to_come_or_a_visit_without_co():
    """CO of 4000 ppm at the last visit; whatever else the log holds of later days takes nothing back."""
    gassy = [*steady(), row(2026, 1.6, **CO_STOP)]
    on = datetime.date(2026, 11, 20)
    for more in (
        [{**row(2026, 1.6, heater_id="heater-9"), "taken_at": "2026-11-15"}],
        [{**row(2026, 1.6, co_dry_ppm=40.0), "taken_at": "2062-11-15"}],
        [{**row(2026, 1.6), "taken_at": "2026-11-15"}],
        [{**row(2026, 1.6, co_dry_ppm=40.0), "taken_at": None}],
        [{**row(2026, 1.6), "taken_at": f"2026-11-{day}"} for day in (12, 15)],
    ):
        told = heater_history([*gassy, *more], HEATER, on=on)
        assert told.stopped, more
        assert told.when_due == "HEATER OFF"
    cleared = heater_history([*gassy, {**row(2026, 1.6, co_dry_ppm=40.0), "taken_at": "2026-11-15"}], HEATER, on=on)
    assert not cleared.stopped
    for date in (None, "2062-11-05"):  # a stop whose day is not known, or cannot be, is not over
        assert heater_history([*steady(), {**row(2026, 1.6, **CO_STOP), "taken_at": date}], HEATER, on=on).stopped
    with pytest.raises(CombustError, match="no reading that counts") as caught:
        heater_history([{**row(2026, 1.6, **CO_STOP), "taken_at": None}], HEATER)
    assert caught.value.safety.state == "heater_off"


@pytest.mark.practice
@pytest.mark.parametrize(
    ("stop", "later", "stays"),
    [
        ({"cab_co_in_ppm": 60.0}, {"co_dry_ppm": 45.0}, True),
        ({"cab_co_in_ppm": 60.0}, {"co_dry_ppm": 45.0, "cab_co_in_ppm": 1.0}, False),
        ({"joints": "leaking"}, {"co_dry_ppm": 45.0}, True),
        ({"joints": "leaking"}, {"joints": "tight"}, False),
        ({"heating_air_smell": "exhaust"}, {"co_dry_ppm": 45.0}, True),
        ({"terminals": "both"}, {"co_dry_ppm": 45.0}, True),
        ({"fuel_sample": "gasoline"}, {"co_dry_ppm": 45.0}, True),
        (CO_STOP, {"co_dry_ppm": 45.0}, False),
        (CO_STOP, {"co_dry_ppm": 45.0, "stage": "low"}, True),  # the other stage
        (CO_STOP, {"co_dry_ppm": 45.0, "stage": None}, True),
        (CO_STOP, {"co_dry_ppm": 0.0, "o2_dry_pct": 20.7}, True),  # the probe in fresh air
    ],
)
def test_an_old_stop_stays_until_the_same_was_read_again(stop, later, stays):
    """Common practice, no source: what showed a danger shows that it is gone; an empty cell shows nothing."""
    first = {**row(2026, 1.6), "stage": "high", **stop}
    then = {**row(2026, 1.6), "taken_at": "2026-11-15", "stage": "high", **later}
    told = heater_history([*steady(), first, then], HEATER, on=datetime.date(2026, 11, 20), stage="high")
    assert told.stopped == stays


def test_a_heater_that_cannot_be_followed_is_named_and_its_stop_is_told():
    lost = [{**row(2026, 1.6, heater_id="lost", **CO_STOP), "taken_at": None}]
    told = fleet_history([*steady(), *lost], [HEATER], on=TODAY)
    assert list(told.not_followed) == ["lost"]
    assert any(one.text.startswith("lost: STOP") for one in told.safety.stops)
    assert "Not followed: lost." in told.summary


def test_names_that_differ_in_capitals_or_a_blank_are_two_heaters_and_told():
    assert folded_name("Heater-1 ") == folded_name("heater-1")
    rows = [*steady(), *named("Heater-1 ", steady(slope=-0.03))]
    told = fleet_history(rows, [HEATER], on=TODAY)
    assert {one.heater_id for one in told.heaters} == {"heater-1", "Heater-1 "}
    assert next(one for one in told.heaters if one.heater_id == "heater-1").change is None
    assert any("nearly alike" in text and "'Heater-1 '" in text for text in told.left_out)


def test_the_order_of_the_rows_does_not_matter():
    rows = steady(slope=-0.02)
    mixed = [rows[index] for index in (5, 0, 7, 3, 1, 6, 2, 4)]
    one, other = heater_history(rows, HEATER, on=TODAY), heater_history(mixed, HEATER, on=TODAY)
    assert [point.date for point in other.points] == [point.date for point in one.points]
    assert other.risk == pytest.approx(one.risk)


def test_one_visit_has_no_risk_unless_it_lies_outside_the_band():
    one = heater_history(steady(range(2025, 2026)), HEATER, on=TODAY)
    assert one.risk is None
    assert one.risk_words == "not known"
    assert one.next_visit == datetime.date(2026, 11, 5)
    lean = heater_history(steady(range(2025, 2026), start=2.3), HEATER, on=TODAY)
    assert any(one.code == "leaves_its_band" and "too lean" in one.text for one in lean.findings)
    assert lean.due_now


def test_a_date_to_come_is_left_out_and_a_question_of_the_past_sees_only_its_past():
    rows = [*steady(), row(2062, 1.2)]
    told = heater_history(rows, HEATER)
    assert told.last_visit == datetime.date(2025, 11, 5)
    assert any("2062-11-05" in text and "year and clock" in text for text in told.left_out)
    ahead = heater_history(rows, HEATER, on=datetime.date(2063, 1, 1))  # nothing was read then yet
    assert (ahead.last_visit, ahead.left_out) == (told.last_visit, told.left_out)
    past = heater_history(rows, HEATER, on=datetime.date(2022, 1, 1))
    assert past.last_visit == datetime.date(2021, 11, 5)
    assert past.age == "57 days"
    with pytest.raises(CombustError, match="clock"):
        heater_history(steady(), HEATER, on=datetime.date(1970, 1, 1))


def test_another_serial_in_the_middle_is_another_heater(tmp_path):
    """The old unit drifts by 5 % a year, the new one does not: nothing of the old is held against the new."""
    lines = [EVENTS]
    for one in [*steady(range(2015, 2020), slope=-0.05), *steady(range(2020, 2026))]:
        serial = "SN 0017" if one["taken_at"] < "2020" else "SN 0402"
        cells = [one["taken_at"][:10], *(one[key] for key in ("heater_id", "taken_at", "fuel", "stage", "location"))]
        lines.append(",".join(map(str, [*cells, 0, 15, round(one["o2_dry_pct"], 3), 40, serial])))
    (tmp_path / "log.csv").write_text("\n".join(lines), encoding="utf-8")
    told = fleet_drift_history(tmp_path / "log.csv", [HEATER], on=TODAY)
    assert len(told.heaters[0].points) == 6
    assert not told.heaters[0].drifts
    assert any("SN 0017" in text and "SN 0402" in text and "another unit" in text for text in told.left_out)
    same = (tmp_path / "log.csv").read_text(encoding="utf-8").replace("SN 0402", "sn0017")
    (tmp_path / "log.csv").write_text(same, encoding="utf-8")
    assert len(fleet_drift_history(tmp_path / "log.csv", [HEATER], on=TODAY).heaters[0].points) == 11


def test_a_missing_co_alarm_of_the_last_visit_is_told_by_the_history(tmp_path):
    lines = ["visit_id,heater_id,taken_at,fuel,stage,location,o2_dry_pct,co_dry_ppm,co_alarm"]
    for year in range(2018, 2026):
        alarm = "missing" if year == 2025 else "works"
        lines.append(f"V{year},heater-1,{year}-11-05,diesel_b7,high,outdoors,8.2,40,{alarm}")
    (tmp_path / "log.csv").write_text("\n".join(lines), encoding="utf-8")
    found = fleet_drift_history(tmp_path / "log.csv", [HEATER], on=TODAY)
    assert any(one.code == "no_co_alarm" for one in found.safety.findings)


def test_a_folder_of_profiles_with_a_broken_one(tmp_path):
    folder = Path(shutil.copytree(DATA / "heaters", tmp_path / "heaters"))
    (folder / "a_broken.toml").write_text('heater_id = "heater-9"\nfuel = [', encoding="utf-8")
    (folder / "nameless.toml").write_text('fuel = "diesel_b7"\n[stages.high]\nair_ratio_band = [1.4, 1.9]\n', "utf-8")
    (folder / "stored.toml").write_text(
        'heater_id = "heater-0999"\nfuel = "diesel_b7"\n[stages.high]\nair_ratio_band = [1.4, 1.9]\n', encoding="utf-8"
    )
    asked = ("history", str(DATA / "larkfell_winters.csv"), "--fleet", "--heater", str(folder), "--on", "2026-11-26")
    run = call(*asked)
    assert run.code == 0
    first = run.out.splitlines()
    assert first[0].startswith("heater-0312: STOP")
    assert first[1].startswith("heater-0312 must stay OFF by the last visit.")
    assert "Never visited: heater-0999." in first[1]
    rows = [line.split() for line in first if line.startswith("heater-0")][2:]
    assert [cells[0] for cells in rows] == ["heater-0312", "heater-0107", "heater-0203"]
    assert "a_broken.toml is broken" in run.err
    assert "nameless.toml names no heater_id" in run.err
    assert "No visit of heater-0999" in run.err
    told = call(*asked, "--json").json
    assert (told["on"], told["without_visits"], told["without_profile"]) == (
        "2026-11-26", ["heater-0999"], ["heater-0203"]
    )  # fmt: skip
    assert told["heaters"][1]["risk"] == pytest.approx(
        told["heaters"][1]["risk_rich"] + told["heaters"][1]["risk_lean"]
    )
    empty = call("history", str(DATA / "larkfell_winters.csv"), "--fleet", "--heater", str(tmp_path))
    assert empty.code == 3
    assert "holds no heater profile" in empty.err


def test_a_visit_of_a_logbook_is_judged_by_all_its_entries(tmp_path):
    """A stop is over once gas was read again after the work; work alone clears none."""
    book = str(tmp_path / "w.book")
    at = ("--heater", str(DATA / "heaters" / "heater-0107.toml"))
    first = (
        "visit",
        "open",
        book,
        "heater-0107",
        "--visit-id",
        "V1",
        "outdoors",
        "stage",
        "high",
        "o2",
        "8.2",
        "co",
        "2400",
    )
    assert call(*first).code == 0
    asked = ("history", book, *at, "--json")
    assert call(*asked).json["safety"]["state"] == "heater_off"
    assert call("visit", "enter", book, "repair", "burner cleaned").code == 0
    told = call(*asked).json
    assert told["safety"]["state"] == "heater_off"
    assert told["next_visit"] is None
    assert call("visit", "enter", book, "stage", "high", "o2", "8.2", "co", "50").code == 0
    told = call(*asked).json
    assert told["safety"]["stops"] == []
    assert told["next_visit"] is not None


@pytest.mark.practice
@pytest.mark.parametrize(
    ("later", "stays"), [(("stage", "low", "o2", "10.2"), True), (("stage", "high", "o2", "8.2"), False)]
)
def test_co_over_the_range_of_an_older_visit_stays_until_its_stage_was_read_again(tmp_path, later, stays):
    """Common practice, no source: over the range is more CO than can be read, no CO that was not read."""
    book = str(tmp_path / "w.book")
    opened = ("visit", "open", book, "heater-0107", "outdoors", "altitude", "300", "air", "5", "--visit-id")
    assert call(*opened, "V1", "at", "2025-01-10T10:00", "stage", "high", "o2", "8.2", "co", "over", "2000").code == 0
    assert call(*opened, "V2", "at", "2025-03-10T10:00", *later, "co", "45").code == 0
    told = call("history", book, "--heater", str(DATA / "heaters" / "heater-0107.toml"), "--on", "2025-04-01", "--json")
    assert ("exhaust_co_high" in [one["code"] for one in told.json["safety"]["stops"]]) is stays
