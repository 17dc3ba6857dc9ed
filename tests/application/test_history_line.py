"""The line through the visits of a heater, and what is foretold with it, by hand."""

from __future__ import annotations

import datetime
import math

import pytest

from combust.application.history.drift_test import rule
from combust.application.history.heater_history import heater_history
from tests.application.test_history import HEATER, TODAY, steady


def foretold(told, slope, ends):
    """lambda at the last of eight yearly visits, and the years after the first at which a value is reached, by hand.

    A line through points of scatter s passes through their mean and has a slope of variance s²/42: the squares of the
    years about their mean, 3.5. A prior of width p draws the slope to p²/(p² + s²/42) of itself (from memory).
    """
    prior, variance = rule("drift_prior_pct_per_year") / 100.0, (told.scatter_pct / 100.0) ** 2 / 42.0
    drawn = slope * prior**2 / (prior**2 + variance)
    assert math.log1p(told.forecast_drift_pct_per_year / 100.0) == pytest.approx(drawn, rel=0.01)
    return 1.6 * math.exp(3.5 * slope + 3.5 * drawn), 3.5 + (math.log(ends / 1.6) - 3.5 * slope) / drawn


@pytest.mark.hand
def test_a_clean_drift_and_its_crossing():
    """1.6 falling 3 % a year reaches 1.4 after ln(1.6/1.4)/0.03 = 4.451 years; seven years on it is 1.297.

    On 2026-06-01 another 0.57 years have gone: 1.275; what is usual of heaters holds the drift back a little.
    """
    told = heater_history(steady(slope=-0.03), HEATER, on=TODAY)
    assert told.drifts
    assert told.change == "drift"
    assert "DRIFTS towards rich" in str(told)
    assert told.drift_pct_per_year == pytest.approx(100 * math.expm1(-0.03), abs=0.01)
    last, years = foretold(told, -0.03, 1.4)
    assert told.air_ratio_last == pytest.approx(last, rel=1e-3)
    crossing = datetime.date(2018, 11, 5) + datetime.timedelta(days=years * 365.25)
    assert abs((told.crossing - crossing).days) <= 10
    assert told.air_ratio_now == pytest.approx(1.6 * math.exp(-0.03 * 7.57), rel=5e-3)
    expected = datetime.date(2018, 11, 5) + datetime.timedelta(days=4.451 * 365.25)
    assert abs((told.crossing - expected).days) <= 10
    assert told.crossing_earliest < told.crossing < told.crossing_latest
    assert told.risk > 0.99


@pytest.mark.hand
def test_towards_lean_is_a_drift_too():
    """1.6 rising 3 % a year reaches 1.9 after ln(1.9/1.6)/0.03 = 5.728 years; what is usual holds it back a little."""
    leaner = heater_history(steady(slope=+0.03), HEATER, on=TODAY)
    assert leaner.drifts
    assert "DRIFTS towards lean" in str(leaner)
    expected = datetime.date(2018, 11, 5) + datetime.timedelta(days=5.728 * 365.25)
    assert leaner.crossing > expected
    _, years = foretold(leaner, +0.03, 1.9)
    crossing = datetime.date(2018, 11, 5) + datetime.timedelta(days=years * 365.25)
    assert abs((leaner.crossing - crossing).days) <= 10
    assert leaner.risk_rich < 0.01
    assert leaner.risk_lean > 0.9  # 1.6 exp(0.03 * 7.57) = 2.01 in a band up to 1.90
    assert leaner.risk == pytest.approx(leaner.risk_rich + leaner.risk_lean)
    assert (leaner.next_visit, leaner.due_now) == (TODAY, True)


@pytest.mark.hand
def test_everything_foretold_follows_one_line():
    """On the day of the last visit both lambdas are one number; on the day of the crossing lambda is the band's end.

    One year of the forecast drift d leaves lambda at (1 + d) of what it was: ln(1.7/1.4)/0.04 = 4.9 years to 1.40.
    """
    rows = steady(range(2020, 2024), start=1.7, slope=-0.04)
    last = heater_history(rows, HEATER, on=datetime.date(2023, 11, 5))
    assert last.air_ratio_now == last.air_ratio_last
    then = heater_history(rows, HEATER, on=last.crossing)
    assert then.air_ratio_now == pytest.approx(1.40, abs=5e-4)
    years = (last.crossing - last.points[-1].date).days / 365.25
    assert last.air_ratio_last * (1 + last.forecast_drift_pct_per_year / 100) ** years == pytest.approx(1.40, abs=1e-3)
    assert abs(last.forecast_drift_pct_per_year) < abs(
        last.drift_pct_per_year
    )  # the visits alone against what is usual
    assert then.trend == last.trend  # the figure's line
