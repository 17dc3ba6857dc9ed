"""The page under thirty phones, beside an empty page of the same library under the same phones in the same run."""

from __future__ import annotations

import asyncio
import os
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from urllib.parse import urlencode

import numpy as np

from combust.edge.logbook import keyboard
from combust.edge.logbook.book import Logbook
from combust.edge.web.key import key_beside
from combust.edge.web.seats import Seats
from combust.edge.web.texts import texts
from tests.benchmarks.processes import ENVIRONMENT, ROOT
from tests.benchmarks.records import Effort, Record
from tests.edge.moments import hearing
from tests.edge.web.served import free_port

GROUP = "page"
PHONES, EVERY_S, POLLS_PER_S = 30, 5.0, 60
ENTRY_MS, MEMORY_MB, FIRST_S = 250.0, 300.0, 1.0
PORT = free_port()
NEXT = texts()["visit"]["can_be"].encode()  # stands above the causes, below the next check
FORM = "application/x-www-form-urlencoded"
PEER = "Starlette: an empty page"


def records(effort: Effort) -> list[Record]:
    """Return what thirty phones wait for, the memory under them, and the first page after the start."""
    seconds, rounds = effort.seconds(3, 60), effort.pick(1, 5)
    with tempfile.TemporaryDirectory() as folder:
        book = Path(folder) / "class.book"
        visits_in(book)
        ours, theirs = under_load(book, seconds, warm=effort.pick(1, 4)), empty_under_load(seconds)
        first = [*ours["first"], *(first_page(page_command(book)) for _ in range(1, rounds))]
    bare = [*theirs["first"], *(first_page(empty_command()) for _ in range(1, rounds))]
    load = f"{PHONES} phones, an entry each {EVERY_S:g} s, beside {POLLS_PER_S} polls/s"
    notes = {f"{name} p50 [ms]": median(ours[name]) for name in ("entry", "poll")}
    notes |= {"entries": float(len(ours["entry"])), "polls": float(len(ours["poll"]))}
    return [
        Record(GROUP, f"entry to causes and next check, p95 ({load})", "ms", p95(ours["entry"]), PEER,
               p95(theirs["entry"]), goal=ENTRY_MS, notes=notes),
        Record(GROUP, "a poll that finds nothing new, p95", "ms", p95(ours["poll"]), PEER, p95(theirs["poll"])),
        Record(GROUP, "memory of server and processes under them", "MB", ours["memory"][0], PEER, theirs["memory"][0],
               goal=MEMORY_MB),
        Record(GROUP, "processors kept busy under them", "", ours["busy"][0], PEER, theirs["busy"][0]),
        Record(GROUP, "first page after the start", "s, median", median(first), PEER, median(bare), goal=FIRST_S),
    ]  # fmt: skip


def p95(times: Sequence[float]) -> float:
    """Return the time that nineteen in twenty stay below."""
    return float(np.percentile(times, 95.0))


def median(times: Sequence[float]) -> float:
    """Return the middle time."""
    return float(np.median(times))


def visits_in(book: Path) -> None:
    """Open one visit for each phone, of a heater with a profile."""
    now, words = keyboard.this_moment(), ["outdoors", "altitude", "210", "air", "5"]
    with Logbook(book, create=True) as opened:
        for number in range(PHONES):
            name, heaters = f"V{number:03d}", str(ROOT / "data" / "heaters")
            keyboard.open_visit(opened, name, "heater-0312", heaters, words, now)


def page_command(book: Path) -> list[str]:
    """Return the arguments of the page as it is shared."""
    shared = ["--share", "--address", "127.0.0.1", "--port", str(PORT)]
    return ["-m", "combust", "page", "--book", str(book), *shared]


def empty_command() -> list[str]:
    """Return the arguments of the empty page."""
    return [str(Path(__file__).with_name("empty_page.py")), str(PORT)]


@contextmanager
def served(command: Sequence[str]) -> Iterator[int]:
    """Run a server until the block ends; its process id."""
    with hearing():
        process = subprocess.Popen([sys.executable, *command], env=ENVIRONMENT, stderr=subprocess.DEVNULL)
    try:
        yield process.pid
    finally:
        process.send_signal(signal.SIGINT)
        process.wait()


def first_page(command: Sequence[str]) -> float:
    """Return the seconds from starting a server to its first page [s]."""
    begun = time.perf_counter()
    with served(command):
        return answered_after(begun)


def answered_after(begun: float) -> float:
    """Return the seconds from the start until somebody answers [s]."""
    asyncio.run(until_answered())
    return time.perf_counter() - begun


async def until_answered() -> None:
    """Ask until somebody answers."""
    while True:
        with suppress(OSError):
            line = Line("")
            await line.ask("GET", "/")
            return
        await asyncio.sleep(0.01)


class Line:
    """One phone's connection, as plain as it can be: the processor is to be the server's."""

    def __init__(self, cookie: str) -> None:
        self.cookie = cookie
        self._streams: tuple[asyncio.StreamReader, asyncio.StreamWriter] | None = None

    async def ask(self, method: str, path: str, body: bytes = b"", **headers: str) -> tuple[int, dict[str, str], bytes]:
        """Send a request and return (status, headers, body); a connection that was idle too long is opened again."""
        with suppress(ConnectionError, asyncio.IncompleteReadError):
            return await self._asked(method, path, body, headers)
        self._streams = None
        return await self._asked(method, path, body, headers)

    async def _asked(
        self, method: str, path: str, body: bytes, headers: dict[str, str]
    ) -> tuple[int, dict[str, str], bytes]:
        if self._streams is None:
            self._streams = await asyncio.open_connection("127.0.0.1", PORT)
        reader, writer = self._streams
        said = {"host": f"127.0.0.1:{PORT}", "cookie": self.cookie, "content-length": str(len(body)), **headers}
        lines = [f"{method} {path} HTTP/1.1", *(f"{name.replace('_', '-')}: {text}" for name, text in said.items())]
        writer.write("\r\n".join([*lines, "", ""]).encode() + body)
        head = (await reader.readuntil(b"\r\n\r\n")).decode().split("\r\n")
        told = dict(line.lower().split(": ", 1) for line in head[1:] if ": " in line)
        content = await reader.readexactly(int(told.get("content-length", "0")))
        if told.get("connection") == "close":
            writer.close()
            self._streams = None
        return int(head[0].split()[1]), told, content


def under_load(book: Path, seconds: float, warm: float) -> dict[str, list[float]]:
    """Return the times [ms] of entries and polls at the page, and its memory [MB]."""
    seats = Seats(key_beside(book))
    people = [seats.new("engineer") for _ in range(PHONES)]
    papers = [(f"combust_{PORT}={seats.cookie_of(one)}", seats.token_of(one)) for one in people]
    begun = time.perf_counter()
    with served(page_command(book)) as pid:
        first = answered_after(begun)
        asyncio.run(load(papers, warm))  # the processes of the pool are started and warm
        return {"first": [first], **measured(pid, papers, seconds)}


def empty_under_load(seconds: float) -> dict[str, list[float]]:
    """Return the same of an empty page."""
    begun = time.perf_counter()
    with served(empty_command()) as pid:
        return {"first": [answered_after(begun)], **measured(pid, [("", "")] * PHONES, seconds)}


def measured(pid: int, papers: Sequence[tuple[str, str]], seconds: float) -> dict[str, list[float]]:
    """Return times [ms] under the phones, the memory [MB] and how many processors the server kept busy."""
    before, begun = processor_of(pid), time.perf_counter()
    times = asyncio.run(load(papers, seconds))
    busy = (processor_of(pid) - before) / (time.perf_counter() - begun)
    return {**times, "memory": [memory_of(pid)], "busy": [busy]}


async def load(papers: Sequence[tuple[str, str]], seconds: float) -> dict[str, list[float]]:
    """Let every phone enter a reading every few seconds, and poll besides; return what each waited [ms]."""
    times: dict[str, list[float]] = {"entry": [], "poll": []}
    end = time.perf_counter() + seconds
    people = [phone(number, *one, times["entry"], end) for number, one in enumerate(papers)]
    polls = [poller(number, papers[number][0], times["poll"], end) for number in range(PHONES)]
    await asyncio.gather(*people, *polls)
    return times


async def phone(number: int, cookie: str, token: str, times: list[float], end: float) -> None:
    """Enter another reading every few seconds until the end: the form, then the page that it leads to."""
    line, random, here = Line(cookie), np.random.default_rng(number), f"/visit/V{number:03d}"
    papers = {"origin": f"http://127.0.0.1:{PORT}", "x_combust_token": token, "content_type": FORM}
    await asyncio.sleep(min(EVERY_S * number / PHONES, max(0.0, end - time.perf_counter())))
    while (begun := time.perf_counter()) < end or not times:
        typed = {"stage": "high", "co_dry_ppm": "120", "once": f"{number:03d}-{begun:.9f}".replace(".", "-")}
        typed |= {"o2_dry_pct": f"{random.uniform(4.0, 9.0):.2f}", "flue_temp_c": f"{random.uniform(280.0, 380.0):.0f}"}
        status, _, _ = await line.ask("POST", f"{here}/reading", urlencode(typed).encode(), **papers)
        page_status, _, told = await line.ask("GET", here)
        times.append(1e3 * (time.perf_counter() - begun))
        if (status, page_status) not in ((303, 200), (200, 200)) or (told and NEXT not in told):
            raise RuntimeError(f"an entry was answered {status}, {page_status}: {told[:300]!r}")
        await asyncio.sleep(max(0.0, min(begun + EVERY_S, end) - time.perf_counter()))


async def poller(number: int, cookie: str, times: list[float], end: float) -> None:
    """Ask again and again whether a visit has something new."""
    line, tag = Line(cookie), ""
    await asyncio.sleep(PHONES / POLLS_PER_S * number / PHONES)
    while (begun := time.perf_counter()) < end or not times:
        status, told, _ = await line.ask("GET", f"/api/visit/V{number:03d}", if_none_match=tag)
        if status not in (200, 304):
            raise RuntimeError(f"a poll was answered {status}")
        tag = told.get("etag", tag)
        if status == 304 or not tag:
            times.append(1e3 * (time.perf_counter() - begun))
        await asyncio.sleep(max(0.0, PHONES / POLLS_PER_S - (time.perf_counter() - begun)))


def family_of(pid: int) -> dict[int, list[str]]:
    """Return a process and those it started, each with what the system tells of it behind its name."""
    found = {}
    for path in Path("/proc").glob("[0-9]*/stat"):
        with suppress(OSError):
            told = path.read_text().rpartition(")")[2].split()
            if pid in (int(told[1]), int(path.parent.name)):
                found[int(path.parent.name)] = told
    return found


def processor_of(pid: int) -> float:
    """Return the processor time of a process and of those it started [s]."""
    ticks = sum(int(told[11]) + int(told[12]) for told in family_of(pid).values())
    return ticks / os.sysconf("SC_CLK_TCK")


def memory_of(pid: int) -> float:
    """Return the memory of a process and of those it started [MB], what they share counted once."""
    total = 0.0
    for one in family_of(pid):
        with suppress(OSError):
            text = Path(f"/proc/{one}/smaps_rollup").read_text()
            total += next(float(line.split()[1]) for line in text.splitlines() if line.startswith("Pss:"))
    return total / 1000.0
