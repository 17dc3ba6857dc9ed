"""The server killed (-9) at any moment under five phones that keep what was not answered: each entry is there once.

A phone here is what the page's script is: it writes an entry down under a key of its own before it sends it, sends it
again under the same key until it is answered, and says "not judged yet" while anything waits.
"""

from __future__ import annotations

import random
import signal
import threading
from collections import Counter
from itertools import pairwise
from pathlib import Path

import httpx2 as httpx
import pytest

from combust.edge.logbook.book import Logbook
from combust.edge.logbook.visits import read_visit
from combust.edge.web.texts import texts
from tests.edge.runs import call
from tests.edge.web.phone import banner_of
from tests.edge.web.served import Caller, Served
from tests.long import LONG

pytestmark = pytest.mark.regression
KILLS = 100 if LONG else 4
PHONES = 5
EACH = KILLS if LONG else 6
SENTENCE = "No stop condition"


class Phone(threading.Thread):
    """One phone with a queue: entries typed one after the other, each sent until it was answered."""

    def __init__(self, address: str, number: int, entries: int) -> None:
        super().__init__(daemon=True)
        self.address, self.number = address, number
        self.left = [f"note phone {number} entry {entry}" for entry in range(entries)]
        self.typed, self.again, self.said = [*self.left], 0, list[str]()

    def run(self) -> None:
        """Send what waits, oldest first."""
        caller = Caller(self.address)
        while self.left:
            line = self.left[0]
            key = f"phone-{self.number}-{len(self.typed) - len(self.left)}"
            self.said.append(texts()["page"]["not_judged"])  # what the banner says while something waits
            try:
                taken = self._by_form(caller, line, key) if self.number % 2 else self._by_json(caller, line, key)
            except (httpx.TransportError, ValueError, KeyError):
                self.again += 1
                threading.Event().wait(0.05)
                continue
            if taken:
                self.left.pop(0)
                self.said.append(taken)

    def _by_json(self, caller: Caller, line: str, key: str) -> str:
        answer = caller.send("/api/visit/V1/entries", {"line": line}, **{"idempotency-key": key})
        return str(answer.json()["safety"]["text"]) if answer.status_code == 200 else ""

    def _by_form(self, caller: Caller, line: str, key: str) -> str:
        """Send the page's own form of a note as its script does; it leads to the page of the visit."""
        token = caller.get("/token").json()["token"]
        form = {"kind": "note", "text": line.removeprefix("note "), "once": key}
        headers = {"origin": caller.address, "x-combust-token": token}
        answer = caller.client.post("/visit/V1/say", data=form, headers=headers, follow_redirects=True)
        return banner_of(answer.text) if answer.status_code == 200 else ""


def killed_under_five_phones(book: Path, kills: int, dice: random.Random) -> tuple[Served, list[Phone]]:
    """Run phones against a server that is killed again and again; each moment is the next answer of some phone."""
    server = Served(book).start()
    phones = [Phone(server.address, number, EACH) for number in range(PHONES)]
    for phone in phones:
        phone.start()
    for _ in range(kills):
        before = sum(len(phone.left) for phone in phones)
        target = max(0, before - dice.randrange(3))
        while sum(len(phone.left) for phone in phones) > target:
            threading.Event().wait(dice.random() * 0.01)
        server.end(signal.SIGKILL)
        server.start()
    for phone in phones:
        phone.join()
    return server, phones


def test_every_entry_is_there_exactly_once(tmp_path: Path) -> None:
    book = tmp_path / "winter.book"
    assert call("visit", "open", str(book), "heater-1", "--visit-id", "V1", "outdoors", "o2", "8.2").code == 0
    server, phones = killed_under_five_phones(book, KILLS, random.Random(20260112))
    assert server.end() == 143
    again = sum(phone.again for phone in phones)
    print(f"{KILLS} kills, {PHONES * EACH} entries, {again} sent again")
    with Logbook(book, read_only=True) as opened:
        visit = read_visit(opened, "V1")
    assert visit.broken is None
    assert call("log", "verify", str(book)).code == 0
    told = Counter(entry.body["text"] for entry in visit.entries if entry.kind == "note")
    assert told == Counter(line.removeprefix("note ") for phone in phones for line in phone.typed)
    assert [*tmp_path.glob("*-journal")] == []
    for phone in phones:  # the sentence of the state came only when the entry had been taken
        waiting = [text == texts()["page"]["not_judged"] for text in phone.said]
        assert waiting.count(False) == EACH
        assert all(before for before, now in pairwise(waiting) if not now)


def test_nothing_comforting_is_said_while_an_entry_waits(tmp_path: Path) -> None:
    """The script's own banner is tried in the browser; here: what is refused or lost never answers "no stop"."""
    book = tmp_path / "winter.book"
    assert call("visit", "open", str(book), "heater-1", "--visit-id", "V1", "outdoors").code == 0
    with Served(book) as server:
        caller = Caller(server.address)
        refused = caller.send("/api/visit/V1/entries", {"line": "o2 82 co 4000"}, **{"idempotency-key": "refused-1"})
        assert refused.json()["safety"]["state"] == "heater_off"
        assert SENTENCE not in refused.text
        server.end(signal.SIGKILL)
        with pytest.raises(httpx.TransportError):
            caller.send("/api/visit/V1/entries", {"line": "co 4000"}, **{"idempotency-key": "waits-123"})
        server.start()
        # the refused one was mended, and the one that waited comes under its key
        mended = caller.send("/api/visit/V1/entries", {"line": "o2 8.2 co 4000"}, **{"idempotency-key": "refused-1"})
        assert mended.json()["safety"]["state"] == "heater_off"


def test_cookies_and_codes_hold_over_a_kill(tmp_path: Path) -> None:
    book = tmp_path / "winter.book"
    with Served(book) as server:
        caller = Caller(server.address)
        first = caller.get("/token").json()["token"]
        server.end(signal.SIGKILL)
        server.start()
        headers = {"origin": caller.address, "x-combust-token": first}
        answer = caller.client.post("/api/reading", json={"o2_dry_pct": 8.2, "location": "outdoors"}, headers=headers)
        assert answer.status_code == 200, "what waited on a phone gets in with the token that it was typed under"
