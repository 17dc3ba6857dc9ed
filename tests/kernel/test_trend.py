"""Trends whose scatter is not known: against other routes and published values."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.special import logsumexp, softmax
from scipy.stats import kendalltau, multivariate_normal, norm
from scipy.stats import t as student

from combust.kernel.crossing import crossing_time
from combust.kernel.looks import critical_values
from combust.kernel.tails import normal_of_student, rising_chance, shares_of_logs, standard_normal_tail, tame_wild
from combust.kernel.trend import Scatter, find_step, follow_trend, series_of, with_slope_prior

WINTERS = np.arange(12.0)
Q90 = 1.6448536269514722  # standard normal, two-sided 90 % (any handbook table: 1.645)
# Beforehand one visit without scatter.
UNKNOWN = Scatter(freedom=1.0, scale=1e-4)


def fit_trend(times, values, noise, scatter=None, *, reference=0.0, **known):
    """The line after the last visit."""
    return follow_trend(series_of(times, noise, **known), values, scatter, reference=reference).at(-1)


@pytest.mark.independent
def test_line_against_a_polynomial_fit():
    rng = np.random.default_rng(1)
    values = 0.5 - 0.02 * WINTERS + rng.normal(0.0, 0.01, 12)
    found = fit_trend(WINTERS, values, 0.01)
    slope, level = np.polyfit(WINTERS, values, 1)
    assert (found.slope, found.level) == (pytest.approx(slope, rel=1e-6), pytest.approx(level, rel=1e-6))
    # Known noise: variance of the slope is u²/Sxx, Sxx = n (n² - 1)/12 = 143.
    assert found.variance_slope == pytest.approx(0.01**2 / 143.0, rel=1e-6)


@pytest.mark.independent
def test_unknown_scatter_against_ordinary_least_squares():
    """Numpy's sum of squared residuals over 10 + 1 degrees of freedom, and the tail of scipy's Student distribution."""
    rng = np.random.default_rng(5)
    values = 0.5 - 0.004 * WINTERS + rng.normal(0.0, 0.02, 12)
    found = fit_trend(WINTERS, values, 0.02, UNKNOWN)
    (slope, _), cover = np.polyfit(WINTERS, values, 1, cov=True)
    variance = cover[0, 0] * 10.0 / 11.0
    assert 0.02 * found.noise == pytest.approx(math.sqrt(variance * 143.0), rel=1e-5)
    assert found.tail == pytest.approx(student.sf(abs(slope) / math.sqrt(variance), 11), rel=0.02)
    assert found.variance_slope == pytest.approx(variance * (student.ppf(0.975, 11) / 1.96) ** 2, rel=0.005)


@pytest.mark.independent
def test_steps_and_shared_offsets_against_generalised_least_squares_written_out():
    rng = np.random.default_rng(2)
    group, segment = np.array([0] * 7 + [1] * 5), np.array([0] * 4 + [1] * 8)
    values = rng.normal(0.4, 0.05, 12)
    alike = Scatter(share=(0.4,), years=(2.0,))
    known = {"group": group, "group_u": 0.02, "segment": segment, "reference": 11.0}
    found = fit_trend(WINTERS, values, 0.03, alike, **known)
    design = np.column_stack([np.ones(12), WINTERS - 11.0, segment == 0])
    near = 0.6 * np.eye(12) + 0.4 * np.exp(-((np.subtract.outer(WINTERS, WINTERS) / 2.0) ** 2))
    cover = 0.03**2 * near + 0.02**2 * (group[:, None] == group[None, :])
    chol = np.linalg.inv(np.linalg.cholesky(cover))
    by_whitening, *_ = np.linalg.lstsq(chol @ design, chol @ values, rcond=None)
    assert (found.level, found.slope) == (pytest.approx(by_whitening[0]), pytest.approx(by_whitening[1]))
    inverse = np.linalg.inv(design.T @ np.linalg.inv(cover) @ design)
    assert found.variance_level == pytest.approx(inverse[0, 0])
    assert found.covariance == pytest.approx(inverse[0, 1])


@pytest.mark.independent
def test_every_look_is_the_fit_of_the_record_until_then():
    rng = np.random.default_rng(3)
    values = rng.normal(0.0, 0.03, (5, 12))
    scatter = Scatter((0.0, 0.6), (1.0, 1.0), (0.7, 0.3), 3.0, 1.1)
    together = follow_trend(series_of(WINTERS, 0.03), values, scatter, reference=11.0)
    for visits in (3, 7, 12):
        alone = fit_trend(WINTERS[:visits], values[2, :visits], 0.03, scatter, reference=11.0)
        for whole, one in zip(together, alone, strict=True):
            assert np.ravel(whole[visits - 1])[2 if np.size(whole[visits - 1]) > 1 else 0] == pytest.approx(one)


@pytest.mark.parametrize("where", range(12))
def test_one_wild_visit_hardly_moves_the_line_wherever_it_stands(where):
    values = 0.5 - 0.02 * WINTERS
    wild = values.copy()
    wild[where] += 0.6  # twenty times the noise
    tame = tame_wild(wild, 0.03)
    found = fit_trend(WINTERS, tame, 0.03)
    plain = np.polyfit(WINTERS, wild, 1)[0]
    assert abs(found.slope + 0.02) < max(0.5 * abs(plain + 0.02), 0.004)
    assert tame[where] < wild[where]


@pytest.mark.hand
def test_a_step_and_a_line_are_not_wild():
    """Neighbours' medians keep both: nothing is moved. Fewer than five visits have no middle."""
    line, step = 0.5 - 0.02 * WINTERS, 0.1 * (WINTERS > 5.0)
    assert np.array_equal(tame_wild(line, 0.03), line)
    assert np.array_equal(tame_wild(step, 0.03), step)
    assert np.array_equal(tame_wild([0.0, 1.0, 0.0], 0.03), [0.0, 1.0, 0.0])
    # Middle of 0, 0, 1, 0, 0 is 0; three scatters of 0.03 are left of 1.
    assert tame_wild([0.0, 0.0, 1.0, 0.0, 0.0], 0.03)[2] == pytest.approx(0.09)


def test_what_fixes_no_slope_is_not_told():
    assert fit_trend([1.0, 1.0], [0.5, 0.4], 0.03).variance_slope > 1000.0
    assert fit_trend([1.0, 2.0], [0.5, 0.4], 0.03, segment=[0, 1]).variance_slope > 1000.0
    with_prior = with_slope_prior(fit_trend([1.0], [0.5], 0.03, reference=1.0), 0.02)
    assert (with_prior.slope, with_prior.level) == (pytest.approx(0.0, abs=1e-9), pytest.approx(0.5, rel=1e-6))
    assert with_prior.variance_slope == pytest.approx(0.02**2, rel=1e-3)


@pytest.mark.independent
def test_a_prior_of_the_slope_against_one_more_row_of_least_squares():
    """A prior N(0, 0.01²) is a row slope/0.01 = 0."""
    values = 0.4 - 0.03 * WINTERS + np.random.default_rng(9).normal(0.0, 0.05, 12)
    found = with_slope_prior(fit_trend(WINTERS, values, 0.05), 0.01)
    design = np.vstack([np.column_stack([np.ones(12), WINTERS]) / 0.05, [0.0, 1.0 / 0.01]])
    level, slope = np.linalg.lstsq(design, np.append(values / 0.05, 0.0), rcond=None)[0]
    cover = np.linalg.inv(design.T @ design)
    assert (found.level, found.slope) == (pytest.approx(level, rel=1e-5), pytest.approx(slope, rel=1e-5))
    told = (found.variance_level, found.covariance, found.variance_slope)
    assert told == (
        pytest.approx(cover[0, 0], rel=1e-5), pytest.approx(cover[0, 1], rel=1e-5), pytest.approx(cover[1, 1], rel=1e-5)
    )  # fmt: skip


@pytest.mark.independent
def test_evidence_of_a_step_against_the_multivariate_normal():
    """Known scatter: the chance of each explanation is its prior times scipy's density of the values under it."""
    rng = np.random.default_rng(6)
    times = np.arange(8.0)
    values = rng.normal(0.0, 0.03, 8) + 0.05 * (times > 3.0)
    asked = {"least": 3, "step_u": 0.1, "slope_u": 0.02, "odds": (1.0, 0.5, 0.8)}
    found = find_step(series_of(times, 0.03), values, Scatter(), **asked)
    # The level is free: a variance that swamps all others.
    bare = 0.03**2 * np.eye(8) + 1e4
    line = 0.02**2 * np.outer(times - times.mean(), times - times.mean())
    steps = [0.1**2 * np.outer(times >= place, times >= place) for place in (3, 4, 5)]

    def density(cover):
        return multivariate_normal(np.zeros(8), cover).pdf(values)

    neither, drift = density(bare), 0.5 * density(bare + line)
    alone = [0.8 / 3 * density(bare + step) for step in steps]
    total = neither + drift + sum(alone)
    assert found.chance == pytest.approx(sum(alone) / total, rel=1e-4)
    assert found.drift == pytest.approx(drift / total, rel=1e-4)
    assert found.index == 3 + int(np.argmax(alone))
    # A known noise u and a prior of spread s: the mean difference, shrunk by 1/(1 + u² (1/before + 1/after)/s²).
    before, after = values[: found.index], values[found.index :]
    shrunk = 1.0 + 0.03**2 * (1.0 / len(before) + 1.0 / len(after)) / 0.1**2
    assert found.size == pytest.approx((after.mean() - before.mean()) / shrunk)
    few = find_step(series_of(times[:5], 0.03), values[:5], Scatter(), **asked)
    assert (few.index, few.chance) == (-1, 0.0)


@pytest.mark.independent
@pytest.mark.parametrize("freedom", [3, 5, 20])
def test_student_as_normal_against_scipy(freedom):
    """The band of its validity record: three degrees of freedom and more, tails down to 1e-4."""
    t = student.isf([0.4, 0.1, 0.025, 0.005, 1e-3, 1e-4], freedom)
    assert normal_of_student(t, freedom) == pytest.approx(norm.isf(student.sf(t, freedom)), rel=0.027)
    assert np.array_equal(normal_of_student(-t, freedom), -normal_of_student(t, freedom))


@pytest.mark.published
@pytest.mark.parametrize(("alpha", "bound"), [(0.10, 1.645), (0.05, 1.960), (0.02, 2.326)])
def test_one_look_is_the_normal_table(alpha, bound):
    """Two-sided points of the standard normal distribution, any handbook table."""
    assert critical_values((1.0,), (alpha,))[0] == pytest.approx(bound, abs=0.001)


FIFTHS = np.arange(1, 6) / 5


@pytest.mark.memory
@pytest.mark.parametrize(
    ("spent", "printed"),
    [
        (4.0 * norm.sf(norm.isf(0.0125) / np.sqrt(FIFTHS)), (4.877, 3.357, 2.680, 2.290, 2.031)),
        (0.05 * np.log(1.0 + (math.e - 1.0) * FIFTHS), (2.438, 2.427, 2.410, 2.397, 2.386)),
    ],
)
def test_bounds_of_five_looks_as_published(spent, printed):
    """Spending like O'Brien and Fleming and like Pocock, five equal looks, two-sided 5 %.

    K. K. G. Lan, D. L. DeMets 1983, Biometrika 70, 659-663, and D. M. Reboussin et al. 2000 (from memory).
    """
    assert critical_values(tuple(FIFTHS), tuple(spent)) == pytest.approx(printed, abs=0.002)


@pytest.mark.memory
@pytest.mark.parametrize(("looks", "constant"), [(2, 2.178), (3, 2.289), (4, 2.361), (5, 2.413)])
def test_pocock_constants(looks, constant):
    """C. Jennison, B. W. Turnbull 2000, table 2.1, alpha = 0.05 (from memory): one bound for all looks spends 5 %.

    What each look spends at that bound comes from scipy's multivariate normal; the last must be 5 %, and the bounds
    that spend it must be the constant.
    """
    information = np.arange(1.0, looks + 1.0)
    spent = []
    for upto in range(1, looks + 1):
        info = information[:upto]
        cover = np.sqrt(np.minimum.outer(info, info) / np.maximum.outer(info, info))
        inside = multivariate_normal(np.zeros(upto), cover, abseps=1e-5, maxpts=200_000)
        spent.append(1.0 - inside.cdf(np.full(upto, constant), lower_limit=np.full(upto, -constant)))
    assert spent[-1] == pytest.approx(0.05, abs=0.0002)
    assert critical_values(tuple(information), tuple(spent)) == pytest.approx([constant] * looks, abs=0.002)


@pytest.mark.independent
def test_bounds_of_many_looks_against_the_multivariate_normal():
    """Scores with independent increments: correlation of looks j < k is sqrt(I_j/I_k). P(no alarm) by scipy."""
    information, spent = (2.0, 5.0, 10.0, 17.5), (0.005, 0.015, 0.03, 0.05)
    bounds = np.array(critical_values(information, spent))
    for looks in range(1, 5):
        info = np.array(information[:looks])
        cover = np.sqrt(np.minimum.outer(info, info) / np.maximum.outer(info, info))
        inside = multivariate_normal(np.zeros(looks), cover, abseps=1e-6, maxpts=400_000)
        quiet = inside.cdf(bounds[:looks], lower_limit=-bounds[:looks])
        assert 1.0 - quiet == pytest.approx(spent[looks - 1], abs=3e-4)
    assert critical_values((1.0, 2.0), (0.0, 0.05))[0] == np.inf


@pytest.mark.independent
def test_bounds_of_250_looks_against_drawn_scores():
    """Monthly visits over twenty years, 40 000 scores drawn step by step: as many alarms by each date as were spent."""
    months = np.arange(3.0, 253.0)
    information = months * (months**2 - 1.0) / 12.0
    spent = np.clip((months - 24.0) / 228.0, 0.0, 1.0) * 0.05
    bounds = np.array(critical_values(tuple(information), tuple(spent)))
    rng = np.random.default_rng(31)
    steps = np.sqrt(np.diff(information, prepend=0.0))
    alarmed = np.zeros(len(months))
    for _ in range(4):
        score = np.cumsum(rng.normal(size=(10_000, len(months))) * steps, axis=1) / np.sqrt(information)
        alarmed += np.mean(np.maximum.accumulate(np.abs(score) >= bounds, axis=1), axis=0) / 4.0
    assert np.all(alarmed[months <= 24.0] == 0.0)
    assert alarmed == pytest.approx(spent, abs=3.5 * (0.05 / 40_000) ** 0.5)


@pytest.mark.independent
def test_normal_tail():
    z = np.linspace(-6, 6, 25)
    assert standard_normal_tail(z) == pytest.approx(norm.sf(z), rel=1e-9)


@pytest.mark.independent
def test_shares_of_logarithms_of_any_size():
    moved = np.array([0.0, 2000.0, -2000.0, -np.inf])
    logs = np.random.default_rng(2).normal(0.0, 3.0, (4, 5, 6)) + moved[:, None, None]
    logs[3, :, 0] = 7.0
    for axis in (1, -1):
        shares, log_sum = shares_of_logs(logs[:3], axis=axis)
        assert shares == pytest.approx(softmax(logs[:3], axis=axis), rel=1e-12)
        assert log_sum == pytest.approx(logsumexp(logs[:3], axis=axis), rel=1e-14)
    assert shares_of_logs(logs[3])[0][:, 0] == pytest.approx(np.ones(5))  # of nothing there is no share


def in_crossing_set(trend, limit, quantile, time):
    """Whether the line's value at a time cannot be told from the limit: Fieller's set by its definition."""
    variance = trend.variance_level + 2.0 * time * trend.covariance + time**2 * trend.variance_slope
    return np.abs(trend.level + trend.slope * time - limit) <= quantile * np.sqrt(variance)


@pytest.mark.independent
def test_crossing_set_against_a_search():
    """The ends of the set are where the line's distance from the limit is 1.645 of its own standard deviations."""
    rng = np.random.default_rng(4)
    kinds = set()
    for slope in (-0.08, -0.02, 0.0, 0.02):
        for _ in range(20):
            found = fit_trend(WINTERS[:6], 0.5 + slope * WINTERS[:6] + rng.normal(0, 0.03, 6), 0.03, reference=5.0)
            cross = crossing_time(found, 0.35, Q90)
            times = np.linspace(-80.0, 80.0, 16_001)
            inside = in_crossing_set(found, 0.35, Q90, times)
            told = (times >= cross.earliest) & (times <= cross.latest)
            kinds.add((bool(np.isfinite(cross.earliest)), bool(np.isfinite(cross.latest))))
            ahead = times > 0.0  # behind the last visit an open set may hold a second part that is not shown
            assert np.mean(inside[ahead] != told[ahead]) < 1e-3
    assert len(kinds) >= 2


@pytest.mark.hand
def test_two_visits_under_two_laws_and_in_two_segments() -> None:
    """By hand: noise 0.02, an offset 0.01 of one analyser; half the variance common, fading in 2 years: e^-0.25."""
    series = series_of([0.0, 1.0], 0.02, segment=[0, 1], group_u=0.01)
    assert series.levels.tolist() == [[1.0, 0.0], [0.0, 1.0]]
    factors = series.factors(Scatter(share=(0.0, 0.5), years=(1.0, 2.0), chance=(0.5, 0.5)))
    found = factors @ factors.transpose(0, 2, 1)
    common = 0.5 * 0.7788008 * 4e-4
    assert found[0] == pytest.approx(np.array([[5e-4, 1e-4], [1e-4, 5e-4]]), rel=1e-9)
    assert found[1] == pytest.approx(np.array([[5e-4, 1e-4 + common], [1e-4 + common, 5e-4]]), rel=1e-6)


@pytest.mark.independent
@pytest.mark.parametrize("count", [2, 4, 7, 12])
def test_pairs_that_rise_against_kendall_s_exact_test(count: int) -> None:
    """scipy's kendalltau, one-sided and exact, for orders that rise in all, most or few of their pairs."""
    rng = np.random.default_rng(count)
    for disorder in (0.0, 0.5, 1.0, 2.0):
        values = np.arange(count) + disorder * count * rng.standard_normal(count)
        rising = int(np.sum(values[None, :] > values[:, None], where=np.triu(np.ones((count, count), bool), 1)))
        theirs = kendalltau(np.arange(count), values, method="exact", alternative="greater").pvalue
        assert rising_chance(rising, count) == pytest.approx(theirs, rel=1e-9)
