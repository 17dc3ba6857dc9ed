"""What takes time, worked out beside the server: two processes, each question once, a lost process replaced."""

from __future__ import annotations

import hashlib
import multiprocessing
import os
import signal
import sys
import threading
from collections import OrderedDict
from collections.abc import Callable
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import nullcontext
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from combust.application.mystery import CaseKey, Dealer, Debrief, Play, Statement
    from combust.application.visit.standing import Standing
    from combust.application.visit.visit import Visit
    from combust.edge.web.plan_seen import PlanSeen

WORKERS = 2
FRAMES = "pandas"
MOST_KEPT = 256
_one_sheet = threading.Lock()
TRIES = 3  # a question that ends its process each time is not asked for ever


class Pool:
    """Answers where a visit stands, writes its sheet, deals a mystery heater and tells how it was played.

    Equal questions are worked out once, also while the first of them is still being worked out; the latest answers are
    kept. Without processes it is worked out here, as for a single person on this machine.

    Parameters
    ----------
    workers : int
        How many processes; they are started with the first question.
    """

    def __init__(self, workers: int = 0) -> None:
        self._workers, self._lock = workers, threading.Lock()
        self._slow = threading.BoundedSemaphore(
            max(1, workers - 1)
        )  # a process stays free for whoever stands at a heater
        self._executor: ProcessPoolExecutor | None = None
        self._answers: OrderedDict[str, Future[Any]] = OrderedDict()
        self.worked_out = 0

    def standing(self, visit: Visit) -> Standing:
        """Return where a visit stands.

        Parameters
        ----------
        visit : Visit

        Returns
        -------
        Standing
        """
        found: Standing = self._ask(name_of(visit), stand, visit)
        return found

    def unconfirmed(self, visit: Visit) -> str:
        """Return why a visit will not count in what is learnt; "" where it will, or where nobody asks."""
        why: str = self._ask(f"unconfirmed {name_of(visit)}", count, visit)
        return why

    def sheet(self, visit: Visit, head: str, *, numbers: bool = False) -> str:
        """Return the sheet of a visit: its causes are ranked twice for it, and its figures are drawn by a library."""
        page: str = self._ask(f"sheet {head} {numbers} {name_of(visit)}", write_sheet, visit, head, numbers)
        return page

    def plan(self, folder: Path) -> PlanSeen:
        """Return what the page shows of the plan in a folder, read once for each time that it was written.

        In a process that ends with it: the frames that it comes in need a library that no page loads.
        """
        from combust.edge.web.plan_seen import look_at_plan

        stamps = sorted((path.name, path.stat().st_mtime_ns) for path in folder.glob("plan.*"))
        seen: PlanSeen = self._ask(f"plan {folder} {stamps}", apart, look_at_plan, str(folder))
        return seen

    def case(self, *order: Any) -> CaseKey:
        """Return the mystery heater of an order: what :func:`deal` takes."""
        key: CaseKey = self._ask(_digest("case", order), deal, *order)
        return key

    def debrief(self, play: Play, said: Statement) -> Debrief:
        """Return how a play and what was said at its end are scored, and what it shows."""
        told: Debrief = self._ask(_digest("debrief", play.key, play.steps, said), tell, play, said)
        return told

    def _ask(self, name: str, work: Callable[..., Any], *given: Any) -> Any:
        left = TRIES
        while True:
            left -= 1
            answer, mine = self._asked(name)
            if mine:
                self._work_out(answer, work, given)
            try:
                return answer.result()
            except BrokenProcessPool:
                self._forget(name, answer)
                if not left:
                    raise
            except BaseException:
                self._forget(name, answer)
                raise

    def _asked(self, name: str) -> tuple[Future[Any], bool]:
        """Return the answer to a question, and whether it is for this thread to work it out."""
        with self._lock:
            known = self._answers.get(name)
            if known is not None:
                self._answers.move_to_end(name)
                return known, False
            answer: Future[Any] = Future()
            self._answers[name] = answer
            while len(self._answers) > MOST_KEPT:
                self._answers.popitem(last=False)
            self.worked_out += 1
            return answer, True

    def _forget(self, name: str, answer: Future[Any]) -> None:
        with self._lock:
            if self._answers.get(name) is answer:
                del self._answers[name]

    def _work_out(self, answer: Future[Any], work: Callable[..., Any], given: tuple[Any, ...]) -> None:
        """Fill an answer, whoever else waits for it."""
        executor = None
        try:
            with self._slow if work in (deal, tell) else nullcontext():
                if self._workers and work is not apart:
                    executor = self._started()
                    answer.set_result(executor.submit(work, *given).result())
                else:
                    answer.set_result(work(*given))
        except BrokenProcessPool as error:
            self._replace(executor)
            answer.set_exception(error)
        except BaseException as error:
            answer.set_exception(error)

    def _started(self) -> ProcessPoolExecutor:
        with self._lock:
            if self._executor is None:
                context = multiprocessing.get_context("spawn")
                self._executor = ProcessPoolExecutor(self._workers, mp_context=context, initializer=begin)
            return self._executor

    def _replace(self, broken: ProcessPoolExecutor | None) -> None:
        """Take a broken pool away; the next question starts another, whoever saw it break first."""
        with self._lock:
            if broken is not None and self._executor is broken:
                self._executor = None
        if broken is not None:
            broken.shutdown(wait=False, cancel_futures=True)

    def warm(self) -> None:
        """Start the processes and let each load what it needs."""
        if self._workers:
            executor = self._started()
            for one in [executor.submit(begin_to_stand) for _ in range(self._workers)]:
                one.result()

    @property
    def processes(self) -> list[int]:
        """The ids of the processes that run now."""
        with self._lock:
            executor = self._executor
        return sorted(getattr(executor, "_processes", None) or ()) if executor else []

    def close(self) -> None:
        """End the processes, and wait until they are gone."""
        with self._lock:
            executor, self._executor = self._executor, None
        if executor is not None:
            executor.shutdown(wait=True, cancel_futures=True)


def apart(work: Callable[..., Any], *given: Any) -> Any:
    """Return what is worked out in a process of its own that ends with it; here where the library is loaded anyhow."""
    if FRAMES in sys.modules:
        return work(*given)
    with ProcessPoolExecutor(1, mp_context=multiprocessing.get_context("spawn"), initializer=begin) as once:
        return once.submit(work, *given).result()


def name_of(visit: Visit) -> str:
    """Return what names a visit as it is now: another entry, or one that was changed, gives another name."""
    return _digest(visit.visit_id, visit.broken, visit.entries)


def _digest(*said: object) -> str:
    return hashlib.sha256(repr(said).encode("utf-8", "backslashreplace")).hexdigest()


def begin() -> None:
    """Prepare a process: the server ends it, not a Ctrl-C of the terminal; and it ends when the server was killed."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, signal.SIG_DFL)
    threading.Thread(target=_end_with_the_server, daemon=True).start()


def _end_with_the_server() -> None:
    server = multiprocessing.parent_process()
    if server is not None:
        server.join()
        os._exit(1)


def begin_to_stand() -> None:
    """Load what the first question needs."""
    from combust.application.visit.standing import standing
    from combust.application.visit.visit import Visit

    standing(Visit.open("warm"))


def stand(visit: Visit) -> Standing:
    """Return where a visit stands; in a process of the pool, or here. Its safety is worked out there too, and kept."""
    from combust.application.visit.standing import standing

    found = standing(visit)
    found.safety.lines()
    return found


def count(visit: Visit) -> str:
    """Return why a visit will not count; in a process of the pool, or here: its readings after work are ranked."""
    from combust.application.learning.confirmed import unconfirmed

    return unconfirmed(visit)


def write_sheet(visit: Visit, head: str, numbers: bool) -> str:
    """Return the sheet of a visit; in a process of the pool, or here, one after the other: its figures take memory."""
    from combust.edge.reports.visit_page import visit_page

    with _one_sheet:
        return visit_page(visit, head=head, numbers=numbers)


@lru_cache(maxsize=1)
def _dealer(salt: str) -> Dealer:
    """Return the dealer of a salt: what it makes of the salt is slow on purpose."""
    from combust.application.mystery import Dealer

    return Dealer(salt)


def deal(salt: str, seed: int, level: str, topic: str, heater: str, doubles: bool) -> CaseKey:
    """Return the mystery heater of a seed, "" = any topic, any heater; in a process of the pool, or here."""
    return _dealer(salt).deal(seed, level, topic=topic or None, heater=heater or None, doubles=doubles)


def tell(play: Play, said: Statement) -> Debrief:
    """Return the debrief of a play; in a process of the pool, or here."""
    from combust.application.mystery import debrief

    return debrief(play, said)
