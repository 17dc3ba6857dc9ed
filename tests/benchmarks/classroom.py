"""A class on the page: sixty phones look every two seconds, thirty vote in one instant, the wall and the desk are open.

Once before one heater that the trainer drives, once with thirty that the phones drive.
"""

from __future__ import annotations

import asyncio
import re
import tempfile
import time
from pathlib import Path
from urllib.parse import urlencode

from combust.edge.web.class_view import EVERY_S
from combust.edge.web.key import key_beside
from combust.edge.web.seats import Seats
from tests.benchmarks import page
from tests.benchmarks.records import Effort, Record

GROUP = "class"
LEARNERS, PHONES, VOTE_EACH_S = 30, 60, 10.0
PAGE_MS, MEMORY_MB = 300.0, 400.0
FACTOR, OWN_FACTOR = 60, 5
ACT_EACH_S = 10.0  # a phone does something at its own heater
ACTS = (("/class/drive", {"drive": "heat"}), ("/class/check", {"check": "port_pressures"}),
        ("/class/drive", {"drive": "move", "knob_altitude_m": "900", "was_altitude_m": "0"}))  # fmt: skip
KINDS = ("phone", "vote", "wall", "act")
OPEN_PAGES = ("/class/wall", "/class/desk")


def records(effort: Effort) -> list[Record]:
    """Return what the phones of a class wait for, and the memory and processors of the server under them."""
    seconds = effort.seconds(3, 60)
    theirs = page.empty_under_load(min(seconds, 10.0))
    rows: list[Record] = []
    for own, title, factor in ((False, "one heater", FACTOR), (True, f"{LEARNERS} heaters", OWN_FACTOR)):
        with tempfile.TemporaryDirectory() as folder:
            found = under_class(Path(folder) / "class.book", seconds, own=own)
        load = f"{title}, {PHONES} phones every {EVERY_S} s, {LEARNERS} vote, wall and desk open, ×{factor}"
        kinds = [name for name in KINDS if found[name]]
        notes = {f"{name} p95 [ms]": page.p95(found[name]) for name in kinds}
        notes |= {"pages": float(len(found["phone"])), "p50 [ms]": page.median(found["phone"])}
        every = [one for name in kinds for one in found[name]]
        rows += [
            Record(GROUP, f"a page of the class, p95 ({load})", "ms", page.p95(every), page.PEER,
                   page.p95(theirs["poll"]), goal=PAGE_MS, notes=notes),
            Record(GROUP, f"memory of server and processes under the class of {title}", "MB", found["memory"][0],
                   page.PEER, theirs["memory"][0], goal=MEMORY_MB),
            Record(GROUP, f"processors kept busy under the class of {title}", "", found["busy"][0], page.PEER,
                   theirs["busy"][0]),
        ]  # fmt: skip
    return rows


class Person:
    """Somebody with a cookie, a token and a line to the server."""

    def __init__(self, seats: Seats, role: str) -> None:
        seat = seats.new(role)
        self.line = page.Line(f"combust_{page.PORT}={seats.cookie_of(seat)}")
        self.papers = {"origin": f"http://127.0.0.1:{page.PORT}", "content_type": page.FORM}
        self.token = seats.token_of(seat)

    @classmethod
    def again(cls, one: Person) -> Person:
        """Return the same person on a line of its own: two requests at once need two."""
        other = cls.__new__(cls)
        other.line, other.papers, other.token = page.Line(one.line.cookie), one.papers, one.token
        return other

    async def send(self, path: str, **typed: str) -> int:
        """Send a form and return the status."""
        body = urlencode({**typed, "token": self.token}).encode()
        status, _, told = await self.line.ask("POST", path, body, **self.papers)
        if status != 303:
            raise RuntimeError(f"{path} was answered {status}: {told[:300]!r}")
        return status

    async def look(self, path: str) -> bytes:
        """Open a page."""
        status, _, told = await self.line.ask("GET", path)
        if status != 200:
            raise RuntimeError(f"{path} was answered {status}")
        return told


def under_class(book: Path, seconds: float, *, own: bool) -> dict[str, list[float]]:
    """Return the times [ms] of phones, votes and the open pages, the memory [MB] and processors of the server."""
    seats = Seats(key_beside(book))
    with page.served(page.page_command(book)) as pid:
        asyncio.run(page.until_answered())
        return asyncio.run(measured(pid, seats, seconds, own=own))


async def measured(pid: int, seats: Seats, seconds: float, *, own: bool) -> dict[str, list[float]]:
    """Start the class, let everybody join, then measure."""
    trainer, phones = Person(seats, "trainer"), [Person(seats, "learner") for _ in range(PHONES)]
    told = {"whose": "own", "story": "dealt", "factor": str(OWN_FACTOR)} if own else {"story": "exhaust_blocked"}
    await trainer.send("/class/start", **{"heater": "heater-0312", "factor": str(FACTOR), **told})
    wall = (await trainer.look("/class/wall")).decode()
    (words,) = re.findall(r'class="join">[^<]*<strong>([a-z ]+)</strong>', wall)
    await asyncio.gather(*(one.send("/class/join", words=words, name="") for one in phones))
    await trainer.send("/class/desk", do="go_on", seen="0")
    times: dict[str, list[float]] = {name: [] for name in KINDS}
    before, begun = page.processor_of(pid), time.perf_counter()
    end = begun + seconds
    await asyncio.gather(
        *(looks(number, one, "/class", times["phone"], end) for number, one in enumerate(phones)),
        *(looks(number, Person(seats, "trainer"), path, times["wall"], end) for number, path in enumerate(OPEN_PAGES)),
        votes(trainer, phones[:LEARNERS], times["vote"], end),
        *(acts(number, one, times["act"], end) for number, one in enumerate(phones) if own),
    )
    busy = (page.processor_of(pid) - before) / (time.perf_counter() - begun)
    return {**times, "memory": [page.memory_of(pid)], "busy": [busy]}


async def looks(number: int, one: Person, path: str, times: list[float], end: float) -> None:
    """Look at a page as often as its script does."""
    await asyncio.sleep(EVERY_S * number / PHONES)
    while (begun := time.perf_counter()) < end or not times:
        await one.look(path)
        times.append(1e3 * (time.perf_counter() - begun))
        await asyncio.sleep(max(0.0, EVERY_S - (time.perf_counter() - begun)))


async def acts(number: int, one: Person, times: list[float], end: float) -> None:
    """Do something at one's own heater now and then, and wait for the page that shows it."""
    own, count = Person.again(one), number
    await asyncio.sleep(ACT_EACH_S * number / PHONES)
    while (begun := time.perf_counter()) < end or not times:
        path, typed = ACTS[count % len(ACTS)]
        await own.send(path, **typed)
        await own.look("/class")
        times.append(1e3 * (time.perf_counter() - begun))
        count += 1
        await asyncio.sleep(max(0.0, min(ACT_EACH_S - (time.perf_counter() - begun), end - time.perf_counter())))


async def votes(trainer: Person, phones: list[Person], times: list[float], end: float) -> None:
    """Ask again and again, let everybody vote in the same instant, go on."""
    number = 0
    while time.perf_counter() < end or not times:
        number += 1
        await trainer.send("/class/desk", do="ask", ready="o2")
        await asyncio.gather(*(vote(one, number, index, times) for index, one in enumerate(phones)))
        await trainer.send("/class/desk", do="go_on", seen=str(number))
        await asyncio.sleep(min(VOTE_EACH_S, max(0.0, end - time.perf_counter())))


async def vote(one: Person, number: int, index: int, times: list[float]) -> None:
    """Vote, and wait for the page that shows it; two requests at once need a line of their own."""
    own = page.Line(one.line.cookie)
    begun = time.perf_counter()
    typed = {"question": str(number), "answer": str(index % 3), "token": one.token}
    status, _, told = await own.ask("POST", "/class/vote", urlencode(typed).encode(), **one.papers)
    shown, _, _ = await own.ask("GET", "/class")
    times.append(1e3 * (time.perf_counter() - begun))
    if (status, shown) != (303, 200):
        raise RuntimeError(f"a vote was answered {status}, {shown}: {told[:300]!r}")
