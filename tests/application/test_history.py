"""A heater over the winters: what counts, what is told, and the same answer through every door."""

from __future__ import annotations

import csv
import datetime
import itertools
import json
import math
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

import combust
from combust.application.heater.baseline import healthy_stage
from combust.application.history.drift_test import spent_after
from combust.application.history.fleet_history import fleet_history
from combust.application.history.heater_history import heater_history
from combust.application.history.visit_points import Event
from combust.data.errors import CombustError
from combust.domain.heater import Heater
from combust.domain.pump import same_pulses
from combust.domain.site import Site
from combust.edge.cli.history import command
from combust.edge.logbook.book import Logbook
from combust.edge.logbook.history import drift_history, fleet_drift_history
from combust.edge.logbook.visit_tables import visits_of_table
from combust.edge.logbook.visits import add
from combust.kernel.flue_gas import flue_gas_moles
from tests.simulator.heaters import hidden_heater, profile
from tests.simulator.physics import Condition

DATA = Path(__file__).parents[2] / "data"
HEATER = Heater.from_dict(
    {"heater_id": "heater-1", "fuel": "diesel_b7", "stages": {"high": {"air_ratio_band": [1.4, 1.9]}, "low": {}}}
)


TODAY = datetime.date(2026, 6, 1)


def oxygen(ratio, altitude=0.0, temp=15.0, fuel="diesel_b7"):
    """Dry O2 of HEATER at a site, where lambda at reference air on its own fuel is ``ratio``, by its working point."""
    stage = healthy_stage(HEATER, stage="high")
    here, home = (
        stage.at(stage.air_of(site), stage.fuel_density(site.intake_temp_c)).air_ratio.mean()
        for site in (Site(altitude_m=altitude, intake_temp_c=temp), Site())
    )
    local = ratio * here / home * same_pulses(HEATER.fuel, combust.get_fuel(fuel)).air_ratio
    gas = flue_gas_moles(combust.get_fuel(fuel), local)
    return float(100.0 * gas.o2 / gas.dry)


def row(year, ratio, altitude=0.0, temp=15.0, **more):
    return {
        "heater_id": "heater-1", "taken_at": f"{year}-11-05T09:00+01:00", "fuel": "diesel_b7", "stage": "high",
        "location": "outdoors", "altitude_m": altitude, "intake_temp_c": temp,
        "o2_dry_pct": oxygen(ratio, altitude, temp), **more,
    }  # fmt: skip


def steady(years=range(2018, 2026), slope=0.0, start=1.6, **more):
    return [row(year, start * math.exp(slope * (year - years[0])), **more) for year in years]


def test_heights_and_frost_leave_no_trace():
    """One heater read from 0 to 3300 m and +20 to -25 °C: at reference air it is always 1.60, within O2's rounding."""
    places = [(0, 15), (150, 8), (1850, -12), (2600, -18), (3300, -25), (410, 20)]
    rows = [row(2019 + n, 1.6, altitude, temp) for n, (altitude, temp) in enumerate(places)]
    told = heater_history(rows, HEATER)
    assert [point.air_ratio for point in told.points] == pytest.approx([1.6] * 6, rel=1e-3)
    assert told.drift_pct_per_year == pytest.approx(0.0, abs=0.02)
    assert not told.drifts


@pytest.mark.independent
def test_heights_and_frost_of_foreign_heaters():
    """Heaters of tests/simulator (blower curve, sections of the exchanger, radiation of their own) at six places.

    What height and frost leave in lambda at reference air is well below the scatter of a visit, and at most 0.6 of what
    dry-air density alone leaves.
    """
    pressure = np.array([1013.25, 950.0, 900.0, 845.0, 795.0, 740.0])
    temp = np.array([15.0, 8.0, -25.0, -2.0, 20.0, -18.0])
    left, left_by_density = [], []
    for seed in range(4):
        rng = np.random.default_rng(seed)
        hidden = hidden_heater(rng)
        told_of = Heater.from_dict(profile(hidden, rng))
        local = hidden.run(
            hidden.stages["high"], Condition(pressure_hpa=pressure, intake_c=temp, air_in_c=temp, fuel_c=temp)
        )
        gas = flue_gas_moles(combust.get_fuel("diesel_b7"), local["air_ratio"])
        rows = [
            {"taken_at": f"{2015 + n}-11-05", "fuel": "diesel_b7", "stage": "high", "location": "outdoors",
             "pressure_hpa": pressure[n], "intake_temp_c": temp[n], "o2_dry_pct": float(100.0 * gas.o2[n] / gas.dry[n])}
            for n in range(6)
        ]  # fmt: skip
        found = np.log([point.air_ratio for point in heater_history(rows, told_of).points])
        density = pressure / 1013.25 * 288.15 / (273.15 + temp)
        left.append(np.std(found))
        left_by_density.append(np.std(np.log(local["air_ratio"] / density)))
    assert np.sqrt(np.mean(np.square(left))) < 0.02
    assert np.sqrt(np.mean(np.square(left))) < 0.6 * np.sqrt(np.mean(np.square(left_by_density)))


@pytest.mark.hand
def test_another_fuel_in_the_tank_is_no_change_of_the_heater():
    """B100 every other winter at the same pulses: 1.77 where B7 shows 1.60 (oxygen in the fuel, density).

    The cooler flame lets one per cent more air through, which the volume of the fuel alone does not tell.
    """
    rows = [row(y, 1.6, fuel="biodiesel_b100" if y % 2 else "diesel_b7") for y in range(2018, 2026)]
    for one in rows:
        one["o2_dry_pct"] = oxygen(1.6, fuel=one["fuel"])
    told = heater_history(rows, HEATER, on=TODAY)
    assert [point.air_ratio for point in told.points] == pytest.approx([1.6] * 8, rel=0.011)
    assert any("on another fuel than" in text for text in told.left_out)
    assert told.change is None


def test_no_band_is_left_before_the_readings_begin():
    told = heater_history(steady(start=1.30, slope=-0.02), HEATER, on=TODAY)
    assert told.crossing is None
    assert told.crossing_earliest is None or told.crossing_earliest >= told.points[0].date
    assert told.risk > 0.99


def test_what_is_foretold_is_never_in_the_past():
    late = datetime.date(2031, 2, 1)
    told = heater_history(steady(slope=-0.02, start=1.75), HEATER, on=late)
    assert told.points[-1].date < told.crossing < late
    assert (told.next_visit, told.on) == (late, late)
    lines = dict(told.lines())
    assert lines["next visit"].startswith("now")
    assert lines["risk"].endswith("chance that one reading on 2031-02-01 lies outside the band")
    assert lines["known from"].endswith("the last on 2025-11-05: 5.2 years before 2031-02-01")
    assert "about now" in lines["leaves its band"]


def test_a_step_is_told_from_a_drift():
    """Re-trimmed by 10 % in the summer of 2021, entered nowhere; and a fall of 3 % a year."""
    wobble = [0.99, 1.01, 1.0, 0.99, 1.01, 1.0, 0.99, 1.01]
    rows = [row(2018 + n, 1.6 * wobble[n] * (1.1 if n >= 4 else 1.0)) for n in range(8)]
    told = heater_history(rows, HEATER, on=TODAY)
    assert (told.change, told.drifts) == ("step", False)
    assert (told.step.before, told.step.after) == (datetime.date(2021, 11, 5), datetime.date(2022, 11, 5))
    assert told.step.size_pct == pytest.approx(10.0, abs=1.5)
    assert told.step.chance > told.step.drift_chance
    assert "STEP of +10 % between 2021-11-05 and 2022-11-05" in str(told)
    assert "Trimmed, repaired?" in str(told)
    for one in rows:
        one["instrument"] = "portable 1" if one["taken_at"] < "2022" else "portable 2"
    assert "Another analyser from then on" in str(heater_history(rows, HEATER, on=TODAY))
    entered = heater_history(rows, HEATER, events=[Event("repair", datetime.date(2022, 6, 1))], on=TODAY)
    assert entered.step is None
    assert entered.change is None
    falling = heater_history([row(2018 + n, 1.6 * wobble[n] * math.exp(-0.03 * n)) for n in range(8)], HEATER)
    assert (falling.change, falling.step) == ("drift", None)


def test_the_scatter_comes_from_the_visits():
    signs = (1, -1, -1, 1, 1, -1, -1, 1, 1, -1, -1, 1)
    quiet, loud = (
        heater_history([row(2014 + n, 1.6 * math.exp(size * sign)) for n, sign in enumerate(signs)], HEATER, on=TODAY)
        for size in (0.005, 0.06)
    )
    assert quiet.scatter_pct < 2.0 < 4.5 < loud.scatter_pct
    assert quiet.smallest_drift_pct_per_year < 0.5 * loud.smallest_drift_pct_per_year
    stated = heater_history(steady(), HEATER, visit_noise_pct=5.0, on=TODAY)
    assert stated.scatter_pct == pytest.approx(5.0)


def test_the_smallest_drift_that_can_be_found_is_told_and_falls_with_the_winters():
    told = heater_history(steady(range(2021, 2026)), HEATER, on=TODAY)
    coming = [told.smallest_drift_pct_per_year, *told.smallest_drift_coming]
    assert all(later < before for before, later in itertools.pairwise(coming))
    assert "% a year with these visits" in dict(told.lines())["smallest drift to be found"]
    two = heater_history(steady(range(2024, 2026)), HEATER, on=TODAY)
    assert two.smallest_drift_pct_per_year is None
    assert two.smallest_drift_coming[-1] is not None
    assert "none with these visits" in dict(two.lines())["smallest drift to be found"]


def test_one_visit_two_visits_and_a_week_of_visits():
    one = heater_history(steady(range(2025, 2026)), HEATER, on=TODAY)
    assert (one.drift_pct_per_year, one.crossing, one.drifts, one.looks) == (None, None, False, ())
    assert one.air_ratio_now == pytest.approx(1.6, rel=1e-3)
    assert one.risk is None
    assert "cannot be told" in str(one)
    two = heater_history([row(2024, 1.6), row(2025, 1.5)], HEATER, on=TODAY)
    assert (two.looks, two.drifts) == ((), False)
    week = [{**row(2025, 1.6 - 0.02 * day), "taken_at": f"2025-11-{day + 3:02d}"} for day in range(6)]
    told = heater_history(week, HEATER, on=TODAY)
    assert (told.drift_pct_per_year, told.drifts) == (None, False)


def test_days_as_people_write_them():
    rows = [{**row(2018 + n, 1.6), "taken_at": f"5.11.{2018 + n}"} for n in range(8)]
    told = drift_history(rows, HEATER, on="1.6.2026")
    assert told.on == TODAY
    assert told.points[0].date == datetime.date(2018, 11, 5)
    with pytest.raises(CombustError, match="on"):
        drift_history(rows, HEATER, on="soon")


def test_a_repair_is_a_step_and_no_recovery_hides_the_drift():
    fall = [row(2014 + n, 1.6 * math.exp(-0.03 * n)) for n in range(6)]
    work = row(2019, 1.6, phase="after")
    work["taken_at"] = "2019-11-05T12:00+01:00"
    again = [row(2020 + n, 1.6 * math.exp(-0.03 * (n + 1))) for n in range(5)]
    told = heater_history([*fall, work, *again], HEATER)
    assert told.drift_pct_per_year == pytest.approx(-2.96, abs=0.05)
    assert told.drifts
    by_event = heater_history([*fall, *again], HEATER, events=[Event("repair", datetime.date(2020, 6, 1))])
    assert by_event.drift_pct_per_year == pytest.approx(-2.96, abs=0.05)


def test_what_is_left_out_is_told():
    rows = steady()
    extra = [
        rows[2],
        row(2019, 1.6, heater_id="heater-9"),
        {**row(2019, 1.2), "taken_at": None},
        {**row(2019, 1.2), "taken_at": "soon"},
        row(2019, 2.2, stage="low"),
        row(2019, 1.2, probe_leak_test="fail"),
        row(2019, 1.2, sample_line="wet"),
        row(2019, 2.2, arrangement="intake_duct_off"),
        {**row(2019, 1.6), "o2_dry_pct": 20.9},
    ]
    told = heater_history([*rows, *extra], HEATER)
    clean = heater_history(rows, HEATER)
    assert [point.air_ratio for point in told.points] == [point.air_ratio for point in clean.points]
    text = " ".join(told.left_out)
    for piece in ("came twice", "another heater", "2 readings without a date", "other stages", "leak test failed",
                  "sample wet", "a duct was off"):  # fmt: skip
        assert piece in text


def test_repeats_on_one_day_are_one_visit_and_gaps_are_told():
    rows = [*steady(range(2015, 2018)), *steady(range(2021, 2026)), row(2022, 1.61), row(2022, 1.59, note="x")]
    told = heater_history(rows, HEATER)
    assert len(told.points) == 8
    assert next(point.readings for point in told.points if point.date.year == 2022) == 3
    assert "No visit between 2017-11-05 and 2021-11-05." in told.left_out


def test_a_wild_visit_is_told_and_counts_less():
    rows = steady()
    rows[3] = row(2021, 1.2)
    told = heater_history(rows, HEATER)
    assert any("2021-11-05" in text and "counts as" in text for text in told.left_out)
    assert not told.drifts


def test_two_analysers_and_a_new_zero_widen_the_drift():
    rows = steady(instrument="portable 1")
    same = heater_history(rows, HEATER)
    other = heater_history([*rows[:4], *({**r, "instrument": "portable 2"} for r in rows[4:])], HEATER)
    zeroed = heater_history(rows, HEATER, events=[Event("rezero", datetime.date(2022, 1, 1))])
    assert other.drift_u_pct_per_year > 1.1 * same.drift_u_pct_per_year
    assert zeroed.drift_u_pct_per_year == pytest.approx(other.drift_u_pct_per_year)
    assert any("set anew" in text for text in zeroed.left_out)


def test_a_swapped_heater_starts_again():
    rows = [*steady(range(2015, 2020), slope=-0.05), *steady(range(2020, 2026))]
    told = heater_history(rows, HEATER, events=[Event("swap", datetime.date(2020, 3, 1))])
    assert len(told.points) == 6
    assert not told.drifts
    assert any("another unit" in text for text in told.left_out)


def test_interchanged_readings_of_two_heaters_are_suspected():
    a = [row(2015 + n, 1.9, heater_id="A") for n in range(8)]
    b = [row(2015 + n, 1.5, heater_id="B") for n in range(8)]
    a[4]["o2_dry_pct"], b[4]["o2_dry_pct"] = b[4]["o2_dry_pct"], a[4]["o2_dry_pct"]
    told = fleet_history([*a, *b])
    assert any("2019-11-05" in text and "the other way round" in text for text in told.left_out)
    honest = fleet_history([row(2015 + n, 1.9, heater_id="A") for n in range(8)])
    assert honest.left_out == ()


def test_fleet_ranked_by_risk():
    drift = [{**r, "heater_id": "heater-2"} for r in steady(slope=-0.02)]
    second = Heater.from_dict(
        {"heater_id": "heater-2", "fuel": "diesel_b7", "stages": {"high": {"air_ratio_band": [1.4, 1.9]}}}
    )
    loose = [{**r, "heater_id": None} for r in steady()][:2]
    told = fleet_history([*steady(), *drift, *loose], [HEATER, second])
    assert [one.heater_id for one in told.heaters] == ["heater-2", "heater-1"]
    assert any("readings without a heater" in text for text in told.left_out)


def test_refused():
    with pytest.raises(CombustError, match="no reading that counts"):
        heater_history([], HEATER)
    with pytest.raises(CombustError, match="visit_noise_pct"):
        heater_history(steady(), HEATER, visit_noise_pct=0.0)
    with pytest.raises(CombustError, match="stage"):
        heater_history(steady(), HEATER, stage="full")


def test_all_looks_together_never_spend_more_than_five_per_cent():
    spent = spent_after(np.linspace(0.0, 200.0, 2001))
    assert np.all(np.diff(spent) >= 0.0)
    assert spent[0] == 0.0
    assert spent[-1] <= 0.05


def test_every_door_gives_the_same_answer(tmp_path):
    profile = DATA / "heaters" / "heater-0107.toml"
    by_csv = drift_history(DATA / "larkfell_winters.csv", profile)
    with Logbook(tmp_path / "w.book", create=True) as book:
        add(book, visits_of_table(DATA / "larkfell_winters.csv")[0])
    by_book = combust.drift_history(tmp_path / "w.book", combust.Heater.load(profile))
    assert by_book.drift_pct_per_year == pytest.approx(by_csv.drift_pct_per_year)
    assert by_csv.drifts
    assert [point.date for point in by_book.points] == [point.date for point in by_csv.points]
    with (DATA / "larkfell_winters.csv").open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    by_rows = drift_history(rows, profile)
    assert by_rows.drift_pct_per_year == pytest.approx(by_csv.drift_pct_per_year)
    ranked = fleet_drift_history(DATA / "larkfell_winters.csv", [combust.Heater.load(profile)])
    assert ranked.heaters[0].heater_id == "heater-0107"


def test_command(tmp_path):
    typed = [str(DATA / "larkfell_winters.csv"), "--heater", str(DATA / "heaters" / "heater-0107.toml")]
    done = CliRunner().invoke(command, [*typed, "--figure", str(tmp_path / "h.svg")])
    assert done.exit_code == 0
    assert "DRIFTS" in done.stdout
    assert "refused" in done.stderr
    assert "Carbon monoxide" in done.stderr
    assert "<svg" in (tmp_path / "h.svg").read_text()
    facts = json.loads(CliRunner().invoke(command, [*typed, "--json"]).stdout)
    assert facts["drifts"] is True
    assert facts["crossing_earliest"] < facts["crossing"] < facts["crossing_latest"]
    whole = json.loads(CliRunner().invoke(command, [typed[0], "--fleet", "--json"]).stdout)
    assert len(whole["heaters"]) == 3
