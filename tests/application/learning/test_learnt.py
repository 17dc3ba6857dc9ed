"""What a logbook taught: its file, and that no stop, limit or safety state goes by it."""

from __future__ import annotations

import subprocess
import sys

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from combust.application.causes.catalogue import get_priors
from combust.application.causes.rank import rank_causes
from combust.application.learning.frequencies import confirmable, shares_of
from combust.application.learning.learn import learn, teachers
from combust.application.learning.learnt import Learnt, with_learnt
from combust.application.learning.taught import Taught
from combust.data.errors import CombustError
from combust.domain.heater import Heater

BOOK = {"checksum": "0" * 64, "visits": 40, "heaters": 10, "confirmed": 0, "first": "2025-10-01"}
BOOK |= {"last": "2026-03-01", "learnt_at": "2026-03-02T08:00:00+00:00", "version": "0.1.0"}
SCORE = {"before": 1.0, "after": 1.5, "gain": 0.5, "gain_u": 0.1, "unlike_before": 0.1, "unlike_after": 0.05}
FAR = Learnt(
    BOOK,
    SCORE,
    structure={
        name: {"shift": shift, "spread": 0.3}
        for name, shift in (("exponent", -3.0), ("steepness_centrifugal", 3.0), ("hot_share", -3.0), ("radiated", 3.0))
    },
    scatter={"flue_k": {"factor": 4.0}, "air": {"factor": 4.0}},
    frequency={"exhaust_recirculated": {"count": 0.0, "low": 0.0, "high": 0.1, "factor": 0.1}},
)
HEATER = Heater.from_dict(
    {
        "fuel": "diesel_b7",
        "blower": "centrifugal",
        "limits": {"altitude_m": 3000.0, "air_ratio_min": 1.2},
        "stages": {"high": {"fuel_l_per_h": 0.43}},
        "baseline": [
            {"stage": "high", "altitude_m": 0, "intake_temp_c": 15, "o2_dry_pct": 8.2, "flue_temp_c": 330,
             "air_in_temp_c": 15, "air_out_temp_c": 85}
        ],
    }
)  # fmt: skip


@pytest.mark.independent
@settings(max_examples=6, deadline=None)
@given(
    o2=st.floats(0.5, 15.0),
    co=st.floats(10.0, 5000.0),
    height=st.floats(0.0, 4300.0),
    flue=st.floats(150.0, 600.0),
    where=st.sampled_from(["outdoors", "indoors"]),
)
def test_safety_is_the_same_whatever_was_learnt(o2: float, co: float, height: float, flue: float, where: str) -> None:
    row = {"o2_dry_pct": o2, "co_dry_ppm": co, "altitude_m": height, "intake_temp_c": 0.0, "flue_temp_c": flue}
    row |= {"stage": "high", "location": where, "fuel": "diesel_b7"}
    told = []
    for learnt in (None, FAR):
        (found,) = rank_causes(HEATER, row, pairs=False, next_checks=False, learnt=learnt)
        about_limits = [one for one in found.safety.findings if one.code != "nothing_fits"]
        told.append((found.safety.state, found.stop, [one.text for one in about_limits if one.severity == "stop"],
                     found.expected_healthy, {one.code for one in about_limits} - {"baseline_doubted"}))  # fmt: skip
    assert told[0] == told[1]


@pytest.mark.independent
def test_what_judges_safety_loads_nothing_of_learning() -> None:
    judges = ["application.safety", "application.causes.first_look", "application.reading.judge", "domain.limits"]
    loads = "; ".join(f"import combust.{name}" for name in judges)
    ask = f"import sys; {loads}; print([one for one in sys.modules if 'learning' in one])"
    done = subprocess.run([sys.executable, "-c", ask], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


@pytest.mark.practice
def test_each_answer_says_that_it_used_what_was_learnt() -> None:
    row = {"o2_dry_pct": 6.0, "altitude_m": 0.0, "intake_temp_c": 15.0, "stage": "high", "location": "outdoors"}
    (plain,) = rank_causes(HEATER, row, pairs=False, next_checks=False)
    (found,) = rank_causes(HEATER, row, pairs=False, next_checks=False, learnt=FAR)
    assert plain.learnt == ""
    assert "40 visits of 10 heaters" in found.learnt
    assert "learnt from a logbook" in found.to_dict()["assumed"]
    assert plain.top.probability != found.top.probability


@pytest.mark.practice
def test_the_file_is_read_as_it_was_written(tmp_path) -> None:  # type: ignore[no-untyped-def]
    path = tmp_path / "learnt.toml"
    path.write_text(FAR.to_toml(), encoding="utf-8")
    assert Learnt.load(path).to_dict() == FAR.to_dict()


@pytest.mark.practice
def test_every_fault_of_a_file_is_told_at_once() -> None:
    table = FAR.to_dict()
    table["structure"] = {"exponent": {"shift": 99.0, "spread": 0.3}, "exponnent": {}}
    table["frequency"] = {"exhaust_restricted": {"count": 3, "low": 0.0, "high": 0.1, "factor": 0.01}}
    table["limits"] = {"co_stop_ppm": 5000}
    with pytest.raises(CombustError) as refused:
        Learnt.from_dict(table)
    told = {fault.quantity for fault in refused.value.faults}
    assert told == {
        "structure.exponent.shift",
        "structure.exponnent",
        "frequency.exhaust_restricted.factor",
        "limits",
    }


@pytest.mark.independent
def test_no_cause_is_learnt_below_a_tenth_of_its_shipped_prior() -> None:
    """Thousands of visits with one cause alone: the others keep their least, and the shares still sum to 1."""
    priors = get_priors()
    shares = shares_of({"intake_restricted": 5000}, priors)
    rows = shares.to_dict()
    factors = [rows[name]["factor"] for name in shares.causes]
    assert min(factors) == pytest.approx(0.1)
    assert sum(factors * shares.shipped) == pytest.approx(1.0)
    learnt = with_learnt(priors, Learnt(BOOK, frequency=rows))
    for name in confirmable(priors):
        assert learnt.causes[name].weight >= 0.0999 * priors.causes[name].weight


@pytest.mark.practice
def test_of_very_many_visits_the_newest_of_each_heater_teach() -> None:
    given = [Taught(str(heater), HEATER, ({},), day=f"2025-{month:02d}-01") for month in range(1, 13)
             for heater in range(4 if month < 12 else 1)]  # fmt: skip
    kept = teachers(given, 9)
    assert [(one.group, one.day[5:7]) for one in kept] == [
        ("0", "10"), ("1", "10"), ("2", "10"), ("3", "10"), ("0", "11"), ("1", "11"), ("2", "11"), ("3", "11"),
        ("0", "12"),
    ]  # fmt: skip
    assert teachers(given, 100) == given


@pytest.mark.practice
def test_too_few_visits_are_refused_in_words() -> None:
    row = {"o2_dry_pct": 6.0, "altitude_m": 0.0, "intake_temp_c": 15.0, "stage": "high", "location": "outdoors"}
    found = learn([Taught(str(number % 3), HEATER, (row,)) for number in range(5)])
    assert found.learnt is None
    assert "5 visits of 3 heaters are too few" in found.structure
    assert found.would_help
