"""The two processes beside the server: each question once, a killed one replaced, none left when the server ends."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path
from typing import Any, cast

import pytest

from combust.application.mystery import CaseKey, Play, Statement, debrief
from combust.application.visit.standing import standing
from combust.application.visit.visit import Visit
from combust.data.errors import CombustError
from combust.edge.logbook.profiles import profile_in
from combust.edge.web import pool as pool_module
from combust.edge.web.pool import MOST_KEPT, WORKERS, Pool
from tests.application.mystery_study import SALT, dealt
from tests.edge.moments import PATIENCE, hearing

pytestmark = pytest.mark.regression
ROOT = Path(__file__).parents[3]


def a_visit(o2: float = 4.84) -> Visit:
    profile = profile_in(ROOT / "data" / "heaters", "heater-0312")
    begun = Visit.open("V1", profile=profile, at="2026-01-12T09:00+01:00").add("setting", {"location": "outdoors"})
    return begun.add("reading", {"o2_dry_pct": o2, "flue_temp_c": 365.0, "co_dry_ppm": 120.0, "stage": "high"})


@pytest.fixture(scope="module")
def pool() -> Iterator[Pool]:
    made = Pool(WORKERS)
    made.warm()
    yield made
    made.close()


def alive(pid: int) -> bool:
    """Return whether a process runs; one that ended and was not fetched yet does not."""
    with suppress(OSError, IndexError):
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    return False


def test_a_process_says_what_would_be_said_here(pool: Pool) -> None:
    assert pool.standing(a_visit()).to_dict() == standing(a_visit()).to_dict() == Pool().standing(a_visit()).to_dict()
    assert len(pool.processes) == WORKERS


def test_equal_questions_are_worked_out_once_also_at_the_same_time(pool: Pool) -> None:
    before, gate = pool.worked_out, threading.Barrier(12)

    def ask(number: int) -> str:
        gate.wait()
        return pool.standing(a_visit(5.0 + number % 3)).next_check

    with ThreadPoolExecutor(12) as people:
        told = list(people.map(ask, range(12)))
    assert pool.worked_out - before == 3
    assert [told[one] for one in range(3)] * 4 == told
    changed = a_visit(5.0).add("part", {"supply_v": 12.0})
    pool.standing(changed)
    assert pool.worked_out - before == 4


def test_the_latest_answers_are_kept_and_no_more() -> None:
    here = Pool()
    for number in range(MOST_KEPT + 5):
        here.standing(Visit.open(f"V{number}"))
    here.standing(Visit.open(f"V{MOST_KEPT + 4}"))
    assert here.worked_out == MOST_KEPT + 5
    here.standing(Visit.open("V0"))
    assert here.worked_out == MOST_KEPT + 6


def test_killed_processes_are_replaced_inside_the_same_request(pool: Pool) -> None:
    pool.standing(a_visit(6.0))
    before = pool.processes
    for pid in before:
        os.kill(pid, signal.SIGKILL)
    with ThreadPoolExecutor(8) as people:  # all of them see the broken pool
        told = list(people.map(lambda number: pool.standing(a_visit(6.1 + number / 10)).lines(), range(8)))
    assert told == [standing(a_visit(6.1 + number / 10)).lines() for number in range(8)]
    assert not {*before} & {*pool.processes}


def test_what_fails_is_told_to_all_and_asked_anew(pool: Pool) -> None:
    broken = Visit("V1", cast(Any, (None,)))
    before = pool.worked_out
    for _ in range(2):
        with pytest.raises(AttributeError):
            pool.standing(broken)
    assert pool.worked_out == before + 2


@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGTERM, signal.SIGINT])
def test_no_process_outlives_its_server(how: signal.Signals) -> None:
    text = (
        "from combust.edge import interrupt\n"
        "from combust.edge.web.pool import Pool\n"
        "if __name__ == '__main__':\n"
        "    interrupt.guard()\n"
        "    pool = Pool(2)\n"
        "    pool.warm()\n"
        "    print(*pool.processes, flush=True)\n"
        "    import signal\n"
        "    signal.pause()\n"
    )
    with hearing():
        server = subprocess.Popen([sys.executable, "-c", text], stdout=subprocess.PIPE, text=True, cwd=ROOT)
    assert server.stdout is not None
    workers = [int(pid) for pid in server.stdout.readline().split()]
    assert len(workers) == WORKERS
    assert all(map(alive, workers))
    server.send_signal(how)
    server.wait(PATIENCE)
    while any(map(alive, workers)):  # ends with the last of them: the run's own limit is the only clock
        with suppress(subprocess.TimeoutExpired):
            subprocess.run(["sleep", "0.05"], check=True)


def test_a_mystery_heater_is_dealt_beside_the_server_once_and_told_in_the_same_words(pool: Pool) -> None:
    before, gate, here = pool.worked_out, threading.Barrier(6), dealt(0)

    def ask(_number: int) -> CaseKey:
        gate.wait()
        return pool.case(SALT, 0, "easy", "", "", True)

    with ThreadPoolExecutor(6) as people:
        keys = list(people.map(ask, range(6)))
    assert pool.worked_out - before == 1, "thirty who open the same case wait for one deal"
    assert keys == [here] * 6
    said = Statement.of({next(iter(here.causes), "healthy"): 0.8})
    assert pool.debrief(Play(here, here.steps), said) == debrief(Play(here, here.steps), said)
    with pytest.raises(CombustError, match="level"):
        pool.case(SALT, 1, "impossible", "", "", True)


def test_who_stands_at_a_heater_does_not_wait_for_mysteries(monkeypatch: pytest.MonkeyPatch) -> None:
    here, gate, inside = Pool(), threading.Event(), threading.Semaphore(0)

    def slow(*order: Any) -> Any:
        inside.release()
        gate.wait()
        return order

    monkeypatch.setattr(pool_module, "deal", slow)
    with ThreadPoolExecutor(5) as people:
        dealt_ones = [people.submit(here.case, SALT, seed, "easy", "", "", True) for seed in range(4)]
        inside.acquire()  # one is being dealt, the others wait for it and hold no process
        assert here.standing(a_visit()).lines() == standing(a_visit()).lines()
        assert not inside.acquire(blocking=False)
        gate.set()
        assert [one.result()[1] for one in dealt_ones] == [0, 1, 2, 3]
