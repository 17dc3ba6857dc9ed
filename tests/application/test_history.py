"""A heater over the winters: what counts, what is told, and the same answer through every door."""

from __future__ import annotations

import csv
import datetime
import json
import math
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

import combust
from combust.application.history.fleet_history import fleet_history
from combust.application.history.heater_history import heater_history, spent_by
from combust.application.history.visit_points import Event
from combust.data.errors import CombustError
from combust.domain.heater import Heater
from combust.domain.site import Site
from combust.edge.cli.history import command
from combust.edge.logbook.book import Logbook
from combust.edge.logbook.history import drift_history, fleet_drift_history
from combust.edge.logbook.visit_tables import visits_of_table
from combust.edge.logbook.visits import add
from combust.kernel.flue_gas import flue_gas_moles

DATA = Path(__file__).parents[2] / "data"
HEATER = Heater.from_dict(
    {"heater_id": "heater-1", "fuel": "diesel_b7", "stages": {"high": {"air_ratio_band": [1.4, 1.9]}, "low": {}}}
)


def oxygen(ratio, altitude=0.0, temp=15.0):
    local = ratio * Site(altitude_m=altitude, intake_temp_c=temp).dry_air_density_ratio
    gas = flue_gas_moles(combust.get_fuel("diesel_b7"), local)
    return float(100.0 * gas.o2 / gas.dry)


def row(year, ratio, altitude=0.0, temp=15.0, **more):
    return {
        "heater_id": "heater-1", "taken_at": f"{year}-11-05T09:00+01:00", "fuel": "diesel_b7", "stage": "high",
        "location": "outdoors", "altitude_m": altitude, "intake_temp_c": temp,
        "o2_dry_pct": oxygen(ratio, altitude, temp), **more,
    }  # fmt: skip


def steady(years=range(2018, 2026), slope=0.0, start=1.6, **more):
    return [row(year, start * math.exp(slope * (year - years[0])), **more) for year in years]


@pytest.mark.independent
def test_heights_and_frost_leave_no_trace():
    """One heater read from 0 to 3300 m and +20 to -25 °C: at reference air it is always 1.60, within O2's rounding."""
    places = [(0, 15), (150, 8), (1850, -12), (2600, -18), (3300, -25), (410, 20)]
    rows = [row(2019 + n, 1.6, altitude, temp) for n, (altitude, temp) in enumerate(places)]
    told = heater_history(rows, HEATER)
    assert [point.air_ratio for point in told.points] == pytest.approx([1.6] * 6, rel=1e-6)
    assert told.drift_pct_per_year == pytest.approx(0.0, abs=1e-4)
    assert not told.drifts


@pytest.mark.hand
def test_a_clean_drift_and_its_crossing():
    """1.6 falling 3 % a year reaches 1.4 after ln(1.6/1.4)/0.03 = 4.451 years; seven years on it is 1.297."""
    told = heater_history(steady(slope=-0.03), HEATER)
    assert told.drifts
    assert told.drift_pct_per_year == pytest.approx(100 * math.expm1(-0.03), abs=0.01)
    assert told.air_ratio_now == pytest.approx(1.6 * math.exp(-0.21), rel=1e-3)
    expected = datetime.date(2018, 11, 5) + datetime.timedelta(days=4.451 * 365.25)
    assert abs((told.crossing - expected).days) <= 10
    assert told.crossing_earliest < told.crossing < told.crossing_latest
    assert told.risk_next_winter > 0.99
    assert told.next_visit == datetime.date(2025, 11, 5)


def test_only_towards_rich_is_a_drift():
    leaner = heater_history(steady(slope=+0.03), HEATER)
    assert not leaner.drifts
    assert leaner.crossing is None


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
    blind = heater_history([*fall, *again], HEATER)
    assert abs(blind.drift_pct_per_year) < 2.0


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
    assert any("2021-11-05" in text and "counts only" in text for text in told.left_out)
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
    assert any("name no heater" in text for text in told.left_out)


def test_refused():
    with pytest.raises(CombustError, match="no reading that counts"):
        heater_history([], HEATER)
    with pytest.raises(CombustError, match="visit_noise_pct"):
        heater_history(steady(), HEATER, visit_noise_pct=0.0)
    with pytest.raises(CombustError, match="stage"):
        heater_history(steady(), HEATER, stage="full")
    one = heater_history(steady(range(2025, 2026)), HEATER)
    assert (one.drift_pct_per_year, one.crossing, one.drifts) == (None, None, False)
    assert "cannot be told" in str(one)


def test_all_looks_together_never_spend_more_than_five_per_cent():
    spent = [spent_by(visit) for visit in range(1, 200)]
    assert np.all(np.diff(spent) >= 0.0)
    assert spent[-1] <= 0.05


def test_promised_rates_through_the_front_door():
    """60 of the 2000 histories through readings, reference air and looks: the same decisions as the bare line."""
    from tests.kernel.test_trend import DRIFT, NOISE, promised

    found, values = promised(DRIFT, 6, seed=12)
    for index in range(60):
        rows = [
            {**row(2019, 1.6 * math.exp(value)), "taken_at": f"{2019 + n}-11-05"}
            for n, value in enumerate(values[index])
        ]
        told = heater_history(rows, HEATER, visit_noise_pct=100 * NOISE)
        first = next((look.visits for look in told.looks if look.drifts), 0)
        nearest = min((abs(look.z - look.bound) for look in told.looks if np.isfinite(look.bound)), default=1.0)
        assert first == found[index] or nearest < 0.01  # leap years move the dates by a thousandth of a year


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
