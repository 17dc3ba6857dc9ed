"""Properties of the inference: no information leaves the prior, same seed same answer, order does not matter."""

from __future__ import annotations

import pickle

import numpy as np
import pytest

from combust.application.causes.catalogue import get_priors
from combust.application.causes.engine import Engine
from combust.application.causes.posterior import Block, Posterior, Proposal, student_log
from combust.application.causes.rank import rank_causes
from combust.application.causes.sharpen import Start, around, climb, mixed, standard_batch
from combust.data.errors import CombustError
from combust.domain.heater import Heater
from combust.domain.instrument import instrument_class
from tests.application.conftest import PROFILE

HERE = {"stage": "high", "altitude_m": 0, "intake_temp_c": 20, "location": "outdoors"}
READ = {**HERE, "o2_dry_pct": 5.4, "co_dry_ppm": 55, "flue_temp_c": 355, "air_in_temp_c": 20, "air_out_temp_c": 95}


@pytest.mark.hand
@pytest.mark.parametrize("reading", [HERE, {"location": "outdoors"}, {**HERE, "stage": "low", "humidity_pct": 40}])
def test_no_information_leaves_the_prior(heater, reading):
    """0.20 healthy; 0.70 for singles by their weights (17 of 1, two of 1/4 about the baseline: 17.5 in all), 0.10 for
    pairs by the products of theirs (136 of two faults and 17 · 2/4 with one doubt of the baseline: 144.5 in all), half
    of each pair its own.
    """
    found = rank_causes(heater, reading)[0]
    share = {one.cause: one.probability for one in found.causes}
    assert len(share) == 20
    assert share.pop("healthy") == pytest.approx(0.20, abs=1e-12)
    weight = {name: 0.25 if name.startswith("baseline_") else 1.0 for name in share}
    for name, value in share.items():
        others = 17.0 if weight[name] < 1.0 else 16.5
        in_pairs = 0.10 * weight[name] * others / 144.5
        assert value == pytest.approx(0.70 * weight[name] / 17.5 + in_pairs / 2.0, abs=1e-12)
        assert found.marginal[name] == pytest.approx(0.70 * weight[name] / 17.5 + in_pairs, abs=1e-12)
    assert sum(one.probability for one in found.explanations) == pytest.approx(1.0, abs=1e-12)


@pytest.mark.hand
def test_same_seed_same_answer_other_seed_nearly(heater):
    first, again = rank_causes(heater, READ, seed=3).to_dict(), rank_causes(heater, READ, seed=3).to_dict()
    assert first == again
    other = rank_causes(heater, READ, seed=4)[0]
    share = {one["cause"]: one["probability"] for one in first["visits"][0]["causes"]}
    for one in other.causes:
        assert one.probability == pytest.approx(share.get(one.cause, 0.0), abs=0.08)


@pytest.mark.hand
def test_a_visit_depends_on_its_own_rows_only(heater):
    alone = rank_causes(heater, {**READ, "visit_id": "a"})[0]
    among = rank_causes(heater, [{**READ, "visit_id": "b", "o2_dry_pct": 12.0}, {**READ, "visit_id": "a"}])[1]
    assert alone.to_dict() == among.to_dict()


@pytest.mark.hand
@pytest.mark.parametrize("other", [{"altitude_m": 3800.0}, {"o2_dry_pct": 12.0}, {"fuel": "paraffinic"}])
def test_what_was_asked_before_of_the_same_heater_changes_nothing(other):
    """Next checks, and what can never be told apart: after another reading of the same columns in the same process."""
    asked = {**READ, "altitude_m": 200.0, "co_dry_ppm": 60.0}
    told = []
    for before in ((), (asked | other,)):
        heater = Heater.from_dict(PROFILE)  # another heater: another engine
        for one in before:
            rank_causes(heater, one, next_checks=True)
        told.append(rank_causes(heater, asked, next_checks=True).to_dict())
    assert told[0] == told[1]
    assert told[0]["visits"][0]["cannot_separate"]


@pytest.mark.hand
@pytest.mark.parametrize("wet", [{"co_wet_ppm": 50.0}, {"co_wet_ppm": 1500.0, "flue_temp_c": 350.0}])
def test_a_wet_gas_whose_water_nobody_knows_says_nothing_of_the_causes(heater, wet):
    """Without O2 or CO2 beside it wet CO cannot be brought to dry gas: the causes stand as without it."""
    found, without = (rank_causes(heater, HERE | one)[0] for one in (wet, {**wet, "co_wet_ppm": None}))
    assert sum(one.probability for one in found.causes) == pytest.approx(1.0, abs=1e-9)
    assert [(one.cause, one.probability) for one in found.causes] == [
        (one.cause, one.probability) for one in without.causes
    ]
    assert "nan" not in str(found)
    stops = [text for text in found.safety.lines() if "STOP. CO in the exhaust" in text]
    assert len(stops) == (wet["co_wet_ppm"] > 1000.0)
    assert all(text.startswith("STOP. CO in the exhaust (1500 ppm)") for text in stops)


@pytest.mark.hand
def test_phases_are_judged_apart(heater):
    rows = [{**READ, "phase": "before"}, {**READ, "phase": "after", "o2_dry_pct": 8.2}]
    found = rank_causes(heater, rows)
    assert [visit.phase for visit in found] == ["before", "after"]
    assert found[1].causes != found[0].causes


@pytest.mark.hand
def test_a_result_travels_between_processes(heater):
    found = rank_causes(heater, READ)
    assert pickle.loads(pickle.dumps(found)).to_dict() == found.to_dict()
    assert "<table>" in found._repr_html_()


@pytest.mark.practice
def test_a_repeated_check_counts_once(heater):
    """The same leak test noted on two rows is one leak test."""
    once = rank_causes(heater, [{**READ, "probe_leak_test": "pass"}, {**HERE, "stage": "low", "o2_dry_pct": 9.0}])[0]
    rows = [{**READ, "probe_leak_test": "pass"}, {**HERE, "stage": "low", "o2_dry_pct": 9.0, "probe_leak_test": "pass"}]
    assert rank_causes(heater, rows)[0].marginal == once.marginal


class Linear:
    """Stands in for an engine: residual y - A u of one hypothesis, unit noise, Gaussian tails."""

    freedom = 1e9

    def __init__(self, matrix, observed):
        self.matrix, self.observed, self.dimensions = matrix, observed, len(observed)

    def drawn(self, visit, keys, draws):
        return [self.observed - u @ self.matrix for u in draws], [{} for _ in draws]

    def constant(self, visit, key):
        return 0.0


@pytest.mark.independent
def test_evidence_of_a_linear_gaussian_case():
    """Prior N(0, I), residual y - A u, unit noise: top, Laplace and importance estimate meet the closed form."""
    generator = np.random.default_rng(5)
    observed = np.array([2.0, -1.0, 1.5, 0.5])
    linear = Linear(generator.standard_normal((3, 4)), observed)
    cover = np.eye(4) + linear.matrix.T @ linear.matrix
    exact = -0.5 * observed @ np.linalg.solve(cover, observed) - 0.5 * np.linalg.slogdet(cover)[1]
    middle = np.linalg.solve(np.eye(3) + linear.matrix @ linear.matrix.T, linear.matrix @ observed)

    def block_of(u, **how):
        residual = observed - u @ linear.matrix
        return Block(u, -0.5 * np.sum(residual**2, axis=1), residual, np.zeros(len(u)), **how)

    u = generator.standard_normal((400, 3))
    prior = block_of(u)
    prior.settle()
    result = Posterior({(1,): prior}, {(1,): 0.0})
    top = climb(linear, linear, result, {(1,): Start(0.0, np.array([1.0, -2.0, 0.5]))})[(1,)]
    assert top.log_evidence == pytest.approx(exact, abs=1e-6)
    assert top.proposal.middle == pytest.approx(middle, abs=1e-6)
    proposal = Proposal(top.proposal.middle + 0.3, top.proposal.factor)  # beside the top: the weights make it good
    draws = proposal.drawn(standard_batch(generator))
    drawn = block_of(draws, proposals=[(proposal, len(draws))])
    for block, some in ((None, drawn), (prior, drawn)):
        found = mixed(block, some)
        assert found.log_evidence == pytest.approx(exact, abs=0.05)
        assert around(found).middle == pytest.approx(middle, abs=0.1)
    assert student_log(np.array([0.0, 3.0]), 1e9, 4) == pytest.approx([0.0, -1.5], abs=1e-6)


@pytest.mark.hand
def test_own_numbers_over_the_shipped_table(heater, tmp_path):
    """A prior of one's own moves the answer; a wrong key is told with its place."""
    file = tmp_path / "mine.toml"
    file.write_text("[prior]\nhealthy = 0.9\nsingles = 0.1\npairs = 0.0\n", encoding="utf-8")
    mine = rank_causes(heater, HERE, causes=file)[0]
    assert mine.top.cause == "healthy"
    assert mine.top.probability == pytest.approx(0.9, abs=1e-12)
    file.write_text("[prior]\nhealty = 0.9\n[check.ambient_air]\nminutes = 'one'\n", encoding="utf-8")
    with pytest.raises(CombustError) as error:
        rank_causes(heater, HERE, causes=file)
    assert {fault.quantity for fault in error.value.faults} == {"prior.healty", "check.ambient_air.minutes"}
    # Each of these parses, and ended in a traceback, in no number, or without what a check needs.
    file.write_text(
        "[tolerance]\nair = nan\nfuel = -1\nstatic = '0.1'\n[unsteady]\nair_ratio = [0.05]\n[flame]\nrich_width = 0\n"
        "[cause.burner_fouled]\nseverity.smallest = 1e308\n[cause.fuel_other]\nwatched_by = []\n"
        "[cause.baseline_not_healthy]\nweight = 0.0\n"
        "[check.fuel_sample]\nneeds = ['fuel_work', []]\n[reading]\norigin = 'our own'\n",
        encoding="utf-8",
    )
    with pytest.raises(CombustError) as error:
        rank_causes(heater, HERE, causes=file)
    assert {fault.quantity for fault in error.value.faults} == {
        *("tolerance.air", "tolerance.fuel", "tolerance.static", "unsteady.air_ratio", "flame.rich_width"),
        *("cause.burner_fouled.severity.smallest", "cause.fuel_other.watched_by", "check.fuel_sample.needs"),
    }


@pytest.mark.hand
def test_prior_of_the_engine_sums_to_one(heater):
    engine = Engine(heater, get_priors(), instrument_class(None), 1)
    for pairs in (True, False):
        assert sum(engine.prior_shares(pairs).values()) == pytest.approx(1.0, abs=1e-12)
