"""What a logbook taught: its file, and that no stop, limit or safety state goes by it."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from combust import __version__
from combust.application.causes.beside_shipped import no_later
from combust.application.causes.catalogue import Priors, get_priors
from combust.application.causes.rank import rank_causes
from combust.application.causes.visit_result import NextCheck
from combust.application.learning.frequencies import Looks, confirmable, shares_of
from combust.application.learning.hierarchy import GRID, Hierarchy
from combust.application.learning.learn import learn, teachers
from combust.application.learning.learnt import SCATTERS, Learnt, of_type, types_of, with_learnt
from combust.application.learning.proof import as_learnt
from combust.application.learning.taught import Taught
from combust.data.errors import CombustError
from combust.data.tables import load_table
from combust.domain.heater import Heater

BOOK = {"checksum": "0" * 64, "visits": 40, "heaters": 10, "confirmed": 0, "first": "2025-10-01"}
BOOK |= {"last": "2026-03-01", "learnt_at": "2026-03-02T08:00:00+00:00", "version": __version__}
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
BASELINE = [
    {"stage": "high", "altitude_m": 0, "intake_temp_c": 15, "o2_dry_pct": 8.2, "flue_temp_c": 330,
     "air_in_temp_c": 15, "air_out_temp_c": 85}
]  # fmt: skip
HEATER = Heater.from_dict(
    {
        "fuel": "diesel_b7",
        "blower": "centrifugal",
        "limits": {"altitude_m": 3000.0, "air_ratio_min": 1.2},
        "stages": {"high": {"fuel_l_per_h": 0.43}},
        "baseline": BASELINE,
    }
)  # fmt: skip


BELIEFS = {"baseline_doubted", "learnt_less_danger"}  # findings of what is believed, none of a limit


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
                     found.expected_healthy, {one.code for one in about_limits} - BELIEFS))  # fmt: skip
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
    assert "by version" not in found.learnt
    assert "by version 9.9" in replace(FAR, book={**BOOK, "version": "9.9"}).told
    assert plain.learnt == ""
    assert "40 visits of 10 heaters" in found.learnt
    assert "learnt from a logbook" in found.to_dict()["assumed"]
    assert plain.top.probability != found.top.probability


@pytest.mark.practice
def test_the_file_is_read_as_it_was_written(tmp_path: Path) -> None:
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
    assert (
        shares_before_a_reading(learnt)["intake_restricted"]
        > 5.0 * shares_before_a_reading(priors)["intake_restricted"]
    )
    for name in confirmable(priors):
        assert shares_before_a_reading(learnt)[name] >= 0.0999 * shares_before_a_reading(priors)[name]


def shares_before_a_reading(priors: Priors, **how: Any) -> dict[str, float]:
    """Share of each cause that is weighed, before anything is read."""
    weight = priors.weighed((), gas=True, **how)
    return {name: one / sum(weight.values()) for name, one in weight.items()}


FACTORS = st.dictionaries(st.sampled_from(confirmable(get_priors())), st.floats(0.1, 100.0))


@pytest.mark.hand
@settings(max_examples=60, deadline=None)
@given(FACTORS, st.sets(st.sampled_from(["rise", "flue", "co", "intake_co2"])))
def test_a_dangerous_cause_is_never_learnt_to_be_rarer(factors: dict[str, float], channels: set[str]) -> None:
    """Whatever the factors of all causes are, in a file as it may be read: a share is counted after normalising."""
    rows = {name: {"count": 1.0, "low": 0.0, "high": 1.0, "factor": factor} for name, factor in factors.items()}
    plain = shares_before_a_reading(get_priors(), channels=channels)
    learnt = shares_before_a_reading(with_learnt(get_priors(), Learnt(BOOK, frequency=rows)), channels=channels)
    assert sum(learnt.values()) == pytest.approx(1.0)
    for name, share in plain.items():
        least = 1.0 if name in ("exhaust_recirculated", "fuel_other") else 0.1
        assert learnt[name] >= least * share * (1.0 - 1e-9)


COUNTS = st.dictionaries(st.sampled_from(confirmable(get_priors())), st.sampled_from([0, 1, 40, 10**6]))
ANY = st.floats(-1e3, 1e3).filter(bool)


@pytest.mark.practice
@settings(max_examples=6, deadline=None, phases=[Phase.generate])
@given(
    COUNTS,
    st.lists(ANY, min_size=len(SCATTERS), max_size=len(SCATTERS)),
    ANY,
    st.floats(0.0, 0.65),
    st.integers(0, 10**6),
)
def test_whatever_is_learnt_is_written_so_that_it_can_be_read(
    counts: dict[str, int], scatters: list[float], shift: float, cover: float, false: int
) -> None:
    shares = np.zeros((len(SCATTERS), len(GRID)))
    shares[range(len(SCATTERS)), np.abs(np.array(scatters)[:, None] - GRID).argmin(axis=1)] = 1.0
    middle, none = np.array([shift, -shift]), np.zeros(0)
    found = as_learnt(Hierarchy(middle, cover * np.eye(2), none, shares, none, 0.0), ["exponent", "radiated"])
    looks = {"terminals": Looks(0.02, {"a": (false, 10**6 - false)}).to_dict()}
    rows = shares_of(counts, get_priors()).to_dict()
    learnt = replace(found, book=BOOK, score=SCORE, frequency=rows, look=looks)
    assert Learnt.from_text(learnt.to_toml()).to_toml() == learnt.to_toml()


@pytest.mark.practice
def test_what_a_number_is_can_be_said_in_a_sentence() -> None:
    """ "It is the ...": a noun without its article follows."""
    for part in load_table("learnt")["field"].values():
        for row in part.values():
            assert row["meaning"].split()[0] not in ("the", "its", "how", "when", "looks", "visits")


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
    assert "5 visits of 3 heaters: too few" in found.structure
    assert found.would_help


@pytest.mark.practice
@pytest.mark.parametrize(
    ("old", "new"),
    [("gain = 0.5", "gain = -3"), (f'version = "{__version__}"', 'version = "9.9"'), ("factor = 0.1", "factor = 1.1"),
     ("[scatter.flue_k]", "[frequency.fuel_over]\ncount = 9\nlow = 0\nhigh = 1\nfactor = 9\n\n[scatter.flue_k]")],
)  # fmt: skip
def test_a_file_that_was_changed_by_hand_is_refused(old: str, new: str, tmp_path: Path) -> None:
    path, text = tmp_path / "learnt.toml", FAR.to_toml()
    assert old in text
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(CombustError, match="changed by hand"):
        Learnt.load(path)
    kept = [line for line in text.splitlines() if not line.startswith("content")]
    path.write_text("\n".join(kept), encoding="utf-8")
    with pytest.raises(CombustError, match="lost the checksum"):
        Learnt.load(path)
    path.write_text("# my remark\n" + text.replace(" = ", "="), encoding="utf-8")  # layout is nobody's number
    assert Learnt.load(path).to_dict() == FAR.to_dict()


@pytest.mark.practice
def test_the_structure_of_another_type_is_not_used_and_said() -> None:
    """A side-channel blower bends as no centrifugal one does; which causes are met is common to the fleet."""
    taught = replace(FAR, type=types_of([HEATER] * 10))
    priors = with_learnt(get_priors(), taught)
    other = Heater.from_dict(
        {"fuel": "gasoline_e10", "blower": "side_channel", "stages": {"high": {}}, "baseline": BASELINE}
    )
    assert of_type(priors, HEATER) is priors
    found = of_type(priors, other)
    assert "learnt" in priors.table["structure"]["exponent"]
    assert "learnt" not in found.table["structure"]["exponent"]
    assert found.causes["exhaust_recirculated"].learnt == priors.causes["exhaust_recirculated"].learnt == 0.1
    row = {"o2_dry_pct": 6.0, "altitude_m": 0.0, "intake_temp_c": 15.0, "stage": "high", "location": "outdoors"}
    (told,) = rank_causes(other, row, pairs=False, next_checks=False, learnt=taught)
    assert "diesel, centrifugal blower: 10" in told.learnt
    assert "no heater of this type (gasoline, side-channel blower) among those that taught" in told.learnt
    (known,) = rank_causes(HEATER, row, pairs=False, next_checks=False, learnt=taught)
    assert "no heater of this type" not in known.learnt


@pytest.mark.practice
def test_three_times_the_power_is_another_type() -> None:
    def of_power(heat: float) -> Heater:
        stages = {"high": {"useful_heat_kw": heat}}
        return Heater.from_dict({"fuel": "diesel_b7", "blower": "centrifugal", "stages": stages, "baseline": BASELINE})

    taught = replace(FAR, type=types_of([of_power(2.0), of_power(2.2)]))
    assert not taught.why_unlike(of_power(4.0))
    assert "6.6 kW" in taught.why_unlike(of_power(6.6))
    assert not taught.why_unlike(HEATER)  # its power is not known


@pytest.mark.practice
def test_an_answer_says_where_learning_made_a_danger_less_probable() -> None:
    """Restrictions all over the fleet explain little air as well as exhaust in the intake does: the check stays."""
    often = {"count": 90.0, "low": 0.8, "high": 0.99, "factor": 12.0}
    learnt = Learnt(BOOK, frequency=dict.fromkeys(("intake_restricted", "exhaust_restricted"), often))
    row = {"o2_dry_pct": 4.5, "altitude_m": 0.0, "intake_temp_c": 15.0, "stage": "high", "location": "outdoors"}
    (plain,) = rank_causes(HEATER, row, pairs=False)
    (found,) = rank_causes(HEATER, row, pairs=False, learnt=learnt)
    before, after = (one.marginal["exhaust_recirculated"] for one in (plain, found))
    assert after < 0.75 * before
    (told,) = [one for one in found.findings if one.code == "learnt_less_danger"]
    assert f"{100.0 * after:.1f} %, without it {100.0 * before:.1f} %" in told.text
    assert "intake_air_co2" in told.text
    places = [[one.check for one in result.next_checks].index("intake_air_co2") for result in (plain, found)]
    assert places[1] <= places[0]
    assert all(one.code != "learnt_less_danger" for one in plain.findings)


@pytest.mark.practice
def test_checks_that_watch_a_danger_come_no_later() -> None:
    def checks(*names: str) -> tuple[NextCheck, ...]:
        return tuple(NextCheck(name, 0.1, 1.0, "none", "free", "") for name in names)

    def names(found: tuple[NextCheck, ...]) -> list[str]:
        return [one.check for one in found]

    shipped = checks("co", "b", "joints", "c")
    assert names(no_later(checks("b", "c", "co", "d"), shipped, {"co", "joints"})) == ["co", "b", "joints", "c", "d"]
    assert names(no_later(checks("joints", "co"), shipped, {"joints"})) == ["joints", "co"]
    assert names(no_later((), shipped, {"joints"})) == ["joints"]
