"""The simulated analyser against closed forms and hand rows; what its readings are marked with, who refuses them."""

from __future__ import annotations

import json
import math

import pytest

from combust import SimulatedAnalyser, drift_history, interpret
from combust.application.trainer.analyser import Sampled
from combust.application.trainer.session import TrainingSession
from combust.data.errors import CombustError
from combust.domain.catalogue import get_fuel
from combust.domain.heater import Heater
from combust.domain.reading import Reading
from combust.edge.logbook.book import Logbook
from combust.edge.logbook.exchange import export_lines, import_lines
from combust.edge.logbook.visits import NewVisit, add
from tests.application.trainer.driven import HEATERS

BIG = HEATERS["heater-0312"]
FLUE = Sampled(8.2, 400.0, 1.6, True, 330.0)
SOUND = {"leak": 0.0, "wet": 0.0, "drift_pct": 0.0}


def drawn(seconds: float, sample: Sampled = FLUE, **faults: float) -> SimulatedAnalyser:
    analyser = SimulatedAnalyser(get_fuel("diesel_b7"))
    for _ in range(round(seconds / 0.25)):
        analyser.step(sample, 0.25, **{**SOUND, **faults})
    return analyser


@pytest.mark.hand
@pytest.mark.parametrize(
    ("seconds", "o2", "co"),
    [
        (4.75, 20.9, 0.0),  # the gas is still in the hose
        (25.0, 9.5, 274.0),  # 5 + 20 s: 20.946 - 0.9 x 12.746 = 9.475; CO 1 - 10^(-20/40) = 68.4 % of 400
        (45.0, 8.3, 360.0),  # 5 + 40 s: 20.946 - 0.99 x 12.746 = 8.327; CO 90 % of 400
        (300.0, 8.2, 400.0),
    ],
)
def test_a_step_arrives_late_and_slowly(seconds: float, o2: float, co: float) -> None:
    shown = drawn(seconds).shown
    assert shown.o2_dry_pct == pytest.approx(o2, abs=1e-9)
    assert shown.co_dry_ppm == pytest.approx(co, abs=1.0)


@pytest.mark.hand
def test_the_thermocouple() -> None:
    """15 °C to 330 °C with a lag of 6 s: after 6 s 330 - 315/e = 214.1 °C."""
    assert drawn(6.0).shown.flue_temp_c == pytest.approx(214.0, abs=1.0)


@pytest.mark.hand
def test_leak_water_and_drift_by_hand() -> None:
    """10 % air: 0.9 x 8.2 + 0.1 x 20.946 = 9.47; drift +0.5: 8.7; all the water of lambda 1.6 (CH1.86: 0.93 mol in
    4.76 x 1.4615 x 1.6 + 0.465 = 11.6 mol): 8.2 (1 - 0.080) = 7.54."""
    assert drawn(400.0, leak=0.1).shown.o2_dry_pct == pytest.approx(9.5)
    assert drawn(400.0, drift_pct=0.5).shown.o2_dry_pct == pytest.approx(8.7)
    assert drawn(400.0, wet=1.0).shown.o2_dry_pct == pytest.approx(7.5)
    assert drawn(400.0, leak=0.1).shown.co_dry_ppm == pytest.approx(360.0, abs=1.0)


@pytest.mark.hand
def test_the_trap_fills_and_lets_water_through() -> None:
    """1 l/min of gas with 8 % vapour of 0.75 g/l are 0.06 g a minute: 4 ml are full after 67 minutes."""
    before, after = drawn(60.0 * 64.0), drawn(60.0 * 72.0)
    assert (before.trap_full, after.trap_full) == (False, True)
    assert before.shown.o2_dry_pct == pytest.approx(8.2)
    assert after.shown.o2_dry_pct == pytest.approx(7.5)
    after.empty_trap()
    assert not after.trap_full


@pytest.mark.hand
def test_over_range_is_said_and_air_is_air() -> None:
    rich = drawn(400.0, FLUE._replace(co_ppm=60_000.0)).shown
    assert (rich.over_range, rich.co_dry_ppm) == (True, 10_000.0)
    air = drawn(400.0, Sampled(20.946, 0.0, math.inf, False, 15.0), wet=1.0).shown
    assert (air.o2_dry_pct, air.co_dry_ppm, air.over_range) == (20.9, 0.0, False)


# ---- readings of it --------------------------------------------------------------------------------------------------
@pytest.fixture(scope="module")
def simulated() -> Reading:
    session = TrainingSession(BIG, time_factor=60.0)
    session.request_heat()
    session.advance(20.0)
    return session.reading()


def test_a_reading_is_marked_and_may_be_judged(simulated: Reading) -> None:
    assert simulated["simulated"] == "yes"
    told = interpret(simulated)
    assert told.air_ratio == pytest.approx(1.60, abs=0.01)
    assert "Read at the simulated heater of the trainer" in str(told)


@pytest.mark.parametrize("where", ["reading", "part", "correction"])
def test_the_logbook_refuses_it(tmp_path, simulated: Reading, where: str) -> None:
    """Also in a part of a reading, and in a correction that would turn a real reading into it."""
    with Logbook(tmp_path / "visits.book", create=True) as book:
        real = {key: value for key, value in simulated.items() if key != "simulated"}
        add(book, [NewVisit("v1", "heater-0312", {}, [("reading", None, real)])])
        bad = {"values": {"simulated": "yes"}, "reason": "so"} if where == "correction" else dict(simulated)
        new = NewVisit("v1", "heater-0312", {}, [(where, None, bad)], corrects=2 if where == "correction" else None)
        before = export_lines(book)
        with pytest.raises(CombustError, match="simulated heater of the trainer"):
            add(book, [new])
        assert export_lines(book) == before


def test_a_book_that_took_it_elsewhere_is_not_taken_in(tmp_path, simulated: Reading, monkeypatch) -> None:
    """Somebody's own program wrote it into a book: the exchange leaves the entry out and says so."""
    with Logbook(tmp_path / "theirs.book", create=True) as theirs:
        monkeypatch.setattr("combust.edge.logbook.visits.is_simulated", lambda body: False)
        add(theirs, [NewVisit("v1", "heater-0312", {}, [("reading", None, dict(simulated))])])
        lines = export_lines(theirs)
    with Logbook(tmp_path / "ours.book", create=True) as ours:
        told = import_lines(ours, lines)
        assert any("simulated heater" in text for text in told.refused)
        assert not any("o2_dry_pct" in json.loads(json.loads(line)["body"]) for line in export_lines(ours).splitlines())


def test_the_history_refuses_it(simulated: Reading) -> None:
    days = [f"202{year}-10-{day:02d}" for year in (3, 4) for day in (3, 12, 20)]
    real = [{"taken_at": day, "fuel": "diesel_b7", "o2_dry_pct": 8.2, "stage": "high"} for day in days]
    odd = {"taken_at": "2025-10-05", **simulated, "o2_dry_pct": 2.0, "fuel": "diesel_b7"}
    with_it, without = drift_history([*real, odd]), drift_history(real)
    assert any("1 reading of the trainer's simulated heater: refused" in text for text in with_it.left_out)
    assert len(with_it.points) == len(without.points)
    with pytest.raises(CombustError, match="simulated"):
        drift_history([odd])


def test_a_profile_refuses_it_as_its_baseline(simulated: Reading) -> None:
    table = {"fuel": "diesel_b7", "stages": {"high": {}}, "baseline": [dict(simulated)]}
    with pytest.raises(CombustError, match="simulated"):
        Heater.from_dict(table)


# ---- what is on the screen -------------------------------------------------------------------------------------------
def test_the_screen_says_that_it_is_simulated() -> None:
    session = TrainingSession(BIG, time_factor=10.0)
    session.request_heat()
    session.advance(6.0)
    shown = session.display()
    text, facts = str(shown), shown.to_dict()
    first = "Simulated. Resting values follow this project's model; times, trips and flame limits are conventions, no"
    assert text.startswith(first + " heater's.")
    assert "×10" in text
    assert "weak relation" in text
    assert facts["simulated"] is True
    assert facts["note"].startswith("Simulated.")
    assert set(facts["bars"]) == {"glow", "chamber", "wall"}
    assert shown.bars["glow"] > shown.bars["chamber"]
    assert all(0.0 <= share <= 1.0 for share in shown.bars.values())
    assert not any(word in text.lower() for word in ("error code", "flash", " safe "))
    assert shown.co_band == "no flue gas at the cell"
    assert "Carbon monoxide" in text


def test_restarts_and_releases_say_never() -> None:
    session = TrainingSession(BIG)
    assert not session.display().cautions[0].startswith("Never do this")
    session.release_lockout()
    assert session.display().cautions[0] == "Never do this on a real heater; its own document rules."
