"""What to check next: cases worked by hand, the safety of the list, and minutes to a right answer."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad

from combust.application.causes.look_ahead import Imagined, Shows, news_of, worths
from combust.application.causes.rank import rank_causes
from combust.domain.heater import Heater
from tests.simulator.conditions import CONDITIONS
from tests.simulator.foreign import STANDARD_SEED, group_of
from tests.simulator.policy import walk

HERE = {"stage": "high", "altitude_m": 0, "intake_temp_c": 20, "location": "outdoors"}
RICH = {**HERE, "o2_dry_pct": 4.84, "co2_dry_pct": 11.73, "co2_origin": "calculated"}
VALID = {"ambient_o2_pct": 20.9, "probe_leak_test": "pass", "sample_line": "dry", "analyser_fuel": "heating oil"}
STEADY = {"o2_span_over_3min_pct": 0.1, "flue_drift_k_per_min": 0.5, "pump_hz": 3.0, "minutes_since_ignition": 20}


def imagined(share, label, center=None, noise=None):
    """Imagined results of some hypotheses, by default without a channel that tells anything."""
    count = len(share)
    center = np.zeros((count, 8, 1)) if center is None else np.asarray(center, dtype=float)
    noise = np.stack([np.eye(center.shape[2]) if noise is None else noise] * count)
    return Imagined(np.asarray(share, dtype=float), label, center, noise, np.random.default_rng(7))


@pytest.mark.hand
def test_two_checks_that_tell_nothing_alone_and_all_together_are_proposed():
    """Two causes, each in two forms as likely as each other; two looks, each with the answers 0 and 1.

    Cause A shows 0 0 or 1 1, cause B 0 1 or 1 0. One look leaves A and B at a half: 0 bit. Both settle it: 1 bit. The
    third check tells A from B in one case of ten: 0.9 x 0 + 0.1 x 1 = 0.1 bit in 4 min, 0.025 a minute. The pair takes
    6 + 2 min: 0.125 a minute, and comes first; of the two neither tells more alone, so the shorter begins.
    """
    four = imagined([0.25] * 4, [0, 0, 1, 1])
    zero, one, sure = [1.0, 0.0], [0.0, 1.0], [0.9, 0.1, 0.0]
    shows = {
        "first": Shows((), four.seen(np.array([zero, one, zero, one]))),
        "second": Shows((), four.seen(np.array([zero, one, one, zero]))),
        "third": Shows((), four.seen(np.array([sure, sure, [0.9, 0.0, 0.1], [0.9, 0.0, 0.1]]))),
    }
    found = worths(four, shows, {"first": 6.0, "second": 2.0, "third": 4.0}, 0.0, ())
    assert found["first"].bits == pytest.approx(0.0, abs=1e-4)
    assert found["second"].bits == pytest.approx(0.0, abs=1e-4)
    assert found["third"].bits == pytest.approx(0.1, abs=0.04)
    for name, other in (("first", "second"), ("second", "first")):
        assert found[name].beside == other
        assert found[name].bits_of_both == pytest.approx(1.0, abs=1e-3)
        assert found[name].minutes_of_both == 8.0
        assert found[name].rate == pytest.approx(0.125, abs=1e-3)
        assert found[name].adds == pytest.approx(1.0, abs=1e-3)
    assert min(found, key=lambda name: found[name].order) == "second"
    assert max(found, key=lambda name: found[name].order) == "third"


@pytest.mark.hand
def test_near_an_answer_what_brings_it_comes_first():
    """A has 0.8, B and C 0.1 each. One look tells A and B from C, in 2 min; one tells A from B and C, in 4 min.

    The first leaves A at 0.8/0.9 = 0.89 in nine cases of ten and finds C in one: an answer in 0.1. The second always
    ends: A, or not A, where B and C are left at a half each; an answer (A) in 0.8. Bits: the first tells h(0.1) =
    0.469, 0.234 a minute; the second h(0.2) = 0.722, 0.180 a minute, and comes second. With an answer worth 5 bits it
    has (0.722 + 4)/4 = 1.18 a minute against (0.469 + 0.5)/2 = 0.48, and comes first.
    """
    share, center, noise = np.array([0.8, 0.1, 0.1]), np.zeros((3, 8, 1)), np.ones((3, 1, 1))
    three = Imagined(share, [0, 1, 2], center, noise, np.random.default_rng(7), certain=0.9)
    yes, no = [1.0, 0.0], [0.0, 1.0]
    shows = {
        "is it C": Shows((), three.seen(np.array([no, no, yes]))),
        "is it A": Shows((), three.seen(np.array([yes, no, no]))),
    }
    minutes = {"is it C": 2.0, "is it A": 4.0}
    by_bits = worths(three, shows, minutes, 0.0, (), alone=shows)
    by_answer = worths(three, shows, minutes, 0.0, (), alone=shows, answer_bits=5.0)
    assert by_bits["is it C"].rate == pytest.approx(0.469 / 2.0, abs=1e-3)
    assert by_bits["is it A"].rate == pytest.approx(0.722 / 4.0, abs=1e-3)
    assert by_answer["is it C"].rate == pytest.approx((0.469 + 0.5) / 2.0, abs=1e-3)
    assert by_answer["is it A"].rate == pytest.approx((0.722 + 4.0) / 4.0, abs=1e-3)
    assert min(by_answer, key=lambda name: by_answer[name].order) == "is it A"


@pytest.mark.hand
def test_the_correlation_of_channels_and_draws_is_kept():
    """Under A two channels move together, under B against each other; each alone looks the same under both.

    So each alone is 0 bit. Together, spread 10 and noise 0.1: A lies on one diagonal, B on the other; 1 bit but for the
    middle, where |d| is of the size of the noise.
    """
    away = np.concatenate([np.linspace(1.0, 10.0, 20), -np.linspace(1.0, 10.0, 20)])
    center = np.stack([np.stack([away, away], axis=1), np.stack([away, -away], axis=1)])
    two = imagined([0.5, 0.5], [0, 1], center, 0.01 * np.eye(2))
    first, second = Shows((0,)), Shows((1,))
    assert news_of(two, [[first]])[0].bits == pytest.approx(0.0, abs=1e-4)
    assert news_of(two, [[second]])[0].bits == pytest.approx(0.0, abs=1e-4)
    assert news_of(two, [[first, second]])[0].bits > 0.97


@pytest.mark.independent
@pytest.mark.parametrize("apart", [0.5, 1.0, 2.0])
def test_bits_of_one_channel_are_those_of_the_integral(apart):
    """Two hypotheses, as likely as each other, means -a and +a, noise 1: 1 bit less the mean of log2(1+exp(-2ax))."""
    two = imagined([0.5, 0.5], [0, 1], np.array([[[-apart]] * 4, [[apart]] * 4]))

    def missing(x):
        return np.exp(-0.5 * (x - apart) ** 2) / np.sqrt(2.0 * np.pi) * np.log2(1.0 + np.exp(-2.0 * apart * x))

    expected = 1.0 - quad(missing, apart - 12.0, apart + 12.0)[0]
    # 480 imagined results: four standard errors of a mean with a spread of 0.4 bit
    assert news_of(two, [[Shows((0,))]])[0].bits == pytest.approx(expected, abs=4.0 * 0.4 / np.sqrt(480.0))


@pytest.mark.hand
def test_the_second_check_with_the_heater_cold_saves_the_cooling():
    """Two looks of 5 and 8 min that only together tell: 13 min, but 9 where 4 min of cooling down are needed once."""
    four = imagined([0.25] * 4, [0, 0, 1, 1])
    shows = {
        "ports": Shows((), four.seen(np.array([[1.0, 0.0], [0.0, 1.0]] * 2))),
        "sample": Shows((), four.seen(np.array([[1.0, 0.0], [0.0, 1.0], [0.0, 1.0], [1.0, 0.0]]))),
    }
    minutes = {"ports": 5.0, "sample": 8.0}
    assert worths(four, shows, minutes, 4.0, ("ports",))["sample"].minutes_of_both == 13.0
    assert worths(four, shows, minutes, 4.0, ("ports", "sample"))["sample"].minutes_of_both == 9.0


@pytest.mark.practice
def test_only_safety_is_a_wall(heater):
    """Ports before the exhaust comes off; licensed work last; what tells more comes first."""
    found = rank_causes(heater, RICH)[0]
    names = [check.check for check in found.next_checks]
    assert "exhaust_duct_off" not in names
    assert "strip_down" not in names[:-1]
    assert {check.tier for check in found.next_checks} == {"validity", "free", "paid"}
    ported = rank_causes(heater, {**RICH, "intake_static_pa": -60, "exhaust_static_pa": 150})[0]
    assert "exhaust_duct_off" in [check.check for check in ported.next_checks]


@pytest.mark.practice
def test_an_invalid_reading_gets_its_own_checks_only(heater):
    wet = {**HERE, "o2_dry_pct": 7.54, "co2_dry_pct": 8.53, "co2_origin": "measured"}
    found = rank_causes(heater, wet)[0]
    assert not found.valid
    assert {check.check for check in found.next_checks} <= {
        "ambient_air", "probe_leak", "analyser_settings", "stage_and_steadiness", "span_gas", "cab_co",
    }  # fmt: skip
    assert found.next_checks[0].check != "cab_co"


@pytest.mark.practice
def test_a_heater_that_is_off_is_looked_at_in_a_minute(heater):
    """Kept off by a stop, it need not cool down first: of 5 min for the terminals 1 is left."""
    running = {check.check: check for check in rank_causes(heater, RICH)[0].next_checks}
    stopped = rank_causes(heater, {**RICH, "co_dry_ppm": 2400})[0]
    kept_off = {check.check: check for check in stopped.next_checks}
    assert running["look_at_terminals"].minutes == 5.0
    assert kept_off["look_at_terminals"].minutes == 1.0


@pytest.mark.practice
def test_the_list_is_honest(heater):
    found = rank_causes(heater, RICH)[0]
    told = str(found)
    for check in found.next_checks:
        assert check.minutes > 0.0
        assert check.why
        assert f"{check.minutes:g} min, {check.gain_bits:.2f} bit" in told
        if check.best_with:
            assert check.bits_with / check.minutes_with > check.gain_bits_per_minute
            assert f"with {check.best_with} {check.bits_with:.2f} bit in {check.minutes_with:g} min" in told


@pytest.mark.practice
@pytest.mark.parametrize(
    ("entered", "named"),
    [
        ({"delivered_ml": 6.6, "strokes": 200}, "delivery test"),
        ({"fuel_sample": "other"}, "Take a sample"),
        ({"span_o2_pct": 6.0, "span_o2_read_pct": 6.0}, "span gas"),
        ({"pump_hz": 3.0}, "count the pump pulses"),
    ],
)
def test_no_sentence_asks_for_a_check_that_was_made(heater, entered, named):
    def texts(found):
        return " ".join([*(one.text for one in found.causes), found.adjust.text if found.adjust else ""])

    assert named in texts(rank_causes(heater, RICH)[0])
    assert named not in texts(rank_causes(heater, {**RICH, **entered})[0])


@pytest.mark.practice
def test_where_nothing_fits_the_list_goes_on(heater):
    """9.5 V at the plug would take air away, but O2 is high and the flue cold: no cause explains both."""
    odd = {**HERE, **VALID, **STEADY, "supply_v": 9.5, "o2_dry_pct": 9.5, "flue_temp_c": 250}
    found = rank_causes(heater, odd)[0]
    assert not found.fits
    assert found.next_checks[0].gain_bits > 0.1


@pytest.fixture(scope="module")
def ways():
    """Ways of a few visits of foreign heaters: as proposed, and one step ahead in tiers, on the same visits."""
    found = []
    for index in (1, 7, 16):
        one = group_of(CONDITIONS["standard"], STANDARD_SEED, index, 8, 1)
        profile = Heater.from_dict(one["profile"])
        for truth, visit in zip(one["truths"], one["visits"], strict=True):
            both = {order: walk(profile, visit, order) for order in ("proposed", "tiers")}
            if not (both["proposed"]["stopped"] and not both["proposed"]["checks"]):
                found.append((truth, both))
    return found


def minutes_to_a_right_answer(ways, order):
    """Mean minutes; wrong and unfinished ones count 60."""
    ends = [(one[order], one[order]["top"] in truth) for truth, one in ways]
    return np.mean([min(way["minutes"], 60.0) if way["certain"] and right else 60.0 for way, right in ends])


@pytest.mark.independent
def test_looking_ahead_takes_fewer_minutes_than_tiers(ways):
    assert minutes_to_a_right_answer(ways, "proposed") <= 0.85 * minutes_to_a_right_answer(ways, "tiers")


@pytest.mark.independent
def test_the_list_does_not_end_before_certainty_while_a_check_tells_something(ways):
    """Unfinished ways were followed until next to nothing was left to learn."""
    for _, both in ways:
        way = both["proposed"]
        assert not way["breaches"]
        if not way["certain"] and not way["stopped"]:
            assert len(way["checks"]) >= 5
