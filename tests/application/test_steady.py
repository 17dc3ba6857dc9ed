"""The steadiness rule: both ends of every limit, the window against enumeration, series from files."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from combust.application.reading.result import interpret
from combust.application.visit.steady import steady_rule, steady_window, visit_procedure
from combust.data.errors import CombustError
from combust.domain.reading import Reading
from combust.edge.tables.series import judge_series, read_series

CLOCK = np.arange(0.0, 241.0, 10.0)


def flat(**more):
    return {"o2_dry_pct": np.full(CLOCK.shape, 8.2), **more}


@pytest.mark.practice
def test_rule_of_the_trade():
    """3 min, samples every 10 s, O2 0.3 %, CO 10 ppm or 10 %, flue 2 K/min, 10 min after ignition: no source."""
    rule = steady_rule()
    assert (rule.window_s, rule.sample_s, rule.o2_span_pct) == (180.0, 10.0, 0.3)
    assert (rule.co_span_ppm, rule.co_span_share, rule.flue_drift_k_per_min) == (10.0, 0.1, 2.0)
    assert rule.minutes_since_ignition == 10.0


@pytest.mark.hand
@pytest.mark.parametrize(("span", "steady"), [(0.30, True), (0.31, False), (0.5, False)])
def test_o2_span(span, steady):
    saw = 8.2 + span * (np.arange(len(CLOCK)) % 2)
    told = steady_window(CLOCK, {"o2_dry_pct": saw})
    assert told.steady is steady
    assert bool(told.values) is steady
    assert any("O2 spans" in why for why in told.why) is not steady


@pytest.mark.hand
@pytest.mark.parametrize(
    ("level", "span", "steady"), [(40, 10, True), (40, 11, False), (400, 41, True), (400, 44, False)]
)
def test_co_span(level, span, steady):
    """10 ppm, or 10 % of the mean: 400 and 441 alternating have the mean 420, 10 % = 42."""
    saw = level + span * (np.arange(len(CLOCK)) % 2)
    assert steady_window(CLOCK, flat(co_dry_ppm=saw)).steady is steady


@pytest.mark.hand
@pytest.mark.parametrize(("drift", "steady"), [(2.0 - 1e-6, True), (2.01, False), (-2.01, False), (-1.99, True)])
def test_flue_drift(drift, steady):
    assert steady_window(CLOCK, flat(flue_temp_c=300.0 + drift * CLOCK / 60.0)).steady is steady


@pytest.mark.hand
@pytest.mark.parametrize(
    ("step", "count", "steady"), [(10, 19, True), (10, 18, False), (11, 30, False), (1, 181, True)]
)
def test_length_and_step(step, count, steady):
    """18 steps of 10 s are 180 s."""
    clock = step * np.arange(float(count))
    told = steady_window(clock, {"o2_dry_pct": np.full(count, 8.2)})
    assert told.steady is steady
    assert bool(told.why) is not steady


def test_a_stage_change_breaks_it_and_the_longer_side_counts():
    stage = ["low"] * 8 + ["high"] * 19
    clock = 10.0 * np.arange(27.0)
    told = steady_window(clock, {"o2_dry_pct": np.full(27, 9.0)}, stage=stage)
    assert (told.begin_s, told.end_s) == (80.0, 260.0)
    mixed = steady_window(clock, {"o2_dry_pct": np.full(27, 9.0)}, stage=["low", "high", "low"] * 9)
    assert not mixed.steady
    assert "The stage changed." in mixed.why


@pytest.mark.parametrize(("minutes", "steady"), [(10.0, True), (9.9, False)])
def test_warm_up(minutes, steady):
    told = steady_window(CLOCK, flat(minutes_since_ignition=np.full(CLOCK.shape, minutes)))
    assert told.steady is steady


@pytest.mark.independent
@settings(max_examples=40, deadline=None)
@given(st.lists(st.sampled_from([8.0, 8.1, 8.2, 8.3, 8.4, 8.6]), min_size=19, max_size=30), st.integers(0, 10**6))
def test_window_against_enumeration(oxygen, seed):
    """Every pair of ends tried one by one with plain numpy and a polynomial fit."""
    rng = np.random.default_rng(seed)
    clock = 10.0 * np.arange(float(len(oxygen)))
    data = {
        "o2_dry_pct": np.array(oxygen),
        "co_dry_ppm": rng.integers(40, 56, len(oxygen)).astype(float),
        "flue_temp_c": 300.0 + rng.normal(0.0, 2.0, len(oxygen)).cumsum(),
    }
    longest = -1.0
    for i in range(len(clock)):
        for j in range(i + 18, len(clock)):
            o2, co, flue = (data[key][i : j + 1] for key in ("o2_dry_pct", "co_dry_ppm", "flue_temp_c"))
            drift = np.polyfit(clock[i : j + 1] / 60.0, flue, 1)[0]
            early = np.polyfit(clock[i : i + 19] / 60.0, flue[:19], 1)[0]  # 18 steps of 10 s: the first three minutes
            if abs(early) > 2.0:
                continue
            if np.ptp(o2) <= 0.3 + 1e-9 and np.ptp(co) <= max(10.0, 0.1 * co.mean()) + 1e-9 and abs(drift) <= 2.0:
                longest = max(longest, clock[j] - clock[i])
    told = steady_window(clock, data)
    assert told.steady is (longest >= 0.0)
    if told.steady:
        assert told.end_s - told.begin_s == longest


@pytest.mark.independent
@pytest.mark.parametrize("minutes", [2.0, 3.0, 5.0])
def test_a_long_calm_tail_does_not_hide_the_warm_up(minutes):
    """A flue that closes in on 330 °C from 100 K below, by itself or to the half hour: the window begins where the fit
    of three minutes (numpy) falls to 2 K/min, however calm the rest is."""
    clock = np.arange(0.0, 1801.0, 10.0)
    flue = 330.0 - 100.0 * np.exp(-clock / 60.0 / minutes)
    told = steady_window(clock, {"o2_dry_pct": np.full(clock.shape, 8.2), "flue_temp_c": flue})
    slopes = np.array([np.polyfit(clock[i : i + 19] / 60.0, flue[i : i + 19], 1)[0] for i in range(len(clock) - 18)])
    assert told.begin_s == clock[np.argmax(np.abs(slopes) <= 2.0)]
    assert told.end_s == 1800.0


def test_averages_are_those_of_the_window():
    oxygen = np.where(CLOCK < 60.0, 12.0, 8.2)
    told = steady_window(CLOCK, {"o2_dry_pct": oxygen, "co_dry_ppm": np.full(CLOCK.shape, 50.0)})
    assert (told.begin_s, told.end_s) == (60.0, 240.0)
    assert told.values["o2_dry_pct"] == pytest.approx(8.2)
    assert (told.values["repeats"], told.values["o2_repeat_sd_pct"]) == (3.0, pytest.approx(0.0))


def test_faults():
    for clock, columns in (
        (CLOCK, {}),
        (CLOCK[:-1], flat()),
        (CLOCK[::-1], flat()),
        ([], {"o2_dry_pct": []}),
        (np.arange(20_001.0), {"o2_dry_pct": np.zeros(20_001)}),
    ):
        with pytest.raises(CombustError):
            steady_window(clock, columns)


def series_file(path, oxygen, *, step=10, extra=""):
    rows = ["taken_at;O2 %;co_dry_ppm;stage;fuel;location"]
    for index, value in enumerate(oxygen):
        at = f"2026-01-12T09:{index * step // 60:02d}:{index * step % 60:02d}+01:00"
        rows.append(f"{at};{value:.2f};50;high;diesel_b7;outdoors".replace(".", ","))
    path.write_text("\n".join([*rows, extra]) + "\n", encoding="utf-8")


def test_series_from_a_spreadsheet(tmp_path):
    """Decimal comma, a heading mapped, a row that is wrong and one that comes twice: told, the rest is averaged."""
    extra = "2026-01-12T09:04:10+01:00;99,9;50;high;diesel_b7;outdoors\n2026-01-12T09:04:00+01:00;8,2;50;high;;"
    series_file(tmp_path / "log.csv", [8.2] * 25, extra=extra)
    series = read_series(tmp_path / "log.csv", mapping={"O2 %": "o2_dry_pct"})
    assert any("Row 27 left out" in text for text in series.notes)
    assert any("time of the one before" in text for text in series.notes)
    result, values = judge_series(series)
    assert result.steady
    assert (values["stage"], values["fuel"], values["taken_at"]) == ("high", "diesel_b7", "2026-01-12T09:04:00+01:00")
    assert interpret(Reading(**values)).air_ratio == pytest.approx(1.60, abs=0.01)


def test_an_unsteady_series_gives_no_reading(tmp_path):
    """O2 rising by 0.5 % in 3 min (acceptance A11): no lambda, and why."""
    series_file(tmp_path / "log.csv", np.linspace(8.0, 8.7, 25))
    result, values = judge_series(read_series(tmp_path / "log.csv", mapping={"O2 %": "o2_dry_pct"}))
    assert (result.steady, values) == (False, None)
    assert "no lambda" in str(result)
    assert "0.3 % is allowed" in " ".join(result.why)


def test_no_times_no_series(tmp_path):
    (tmp_path / "log.csv").write_text("o2_dry_pct\n8.2\n")
    with pytest.raises(CombustError, match="needs times"):
        read_series(tmp_path / "log.csv")
    (tmp_path / "log.csv").write_text("time_s,o2_dry_pct\nsoon,8.2\n")
    with pytest.raises(CombustError, match="no usable row"):
        read_series(tmp_path / "log.csv")


def test_procedure_is_data(tmp_path):
    parts = visit_procedure()
    assert [part["key"] for part in parts][:3] == ["look_first", "ask", "analyser"]
    assert any("CO alarm" in step for step in parts[0]["steps"])
    (tmp_path / "own.toml").write_text('[[part]]\nkey = "a"\ntitle = "A"\nsteps = ["look"]\n')
    assert visit_procedure(str(tmp_path / "own.toml"))[0]["steps"] == ["look"]
    (tmp_path / "own.toml").write_text('[[part]]\nkey = "a"\n')
    with pytest.raises(CombustError, match="title"):
        visit_procedure(str(tmp_path / "own.toml"))
