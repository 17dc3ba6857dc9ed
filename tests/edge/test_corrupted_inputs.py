"""Every file that a command reads, damaged at random: told in words, no traceback, no entry changed in silence.

Through the commands, as a person meets it. ``make study`` damages each file 3000 times, ``make test`` a few times.
"""

from __future__ import annotations

import json
import os
import random
import time
import traceback
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from functools import cache
from pathlib import Path
from unittest import mock

import pytest

from combust.application.mystery.case import CaseKey
from combust.application.mystery.deal import Dealer
from combust.domain.safety import Safety
from combust.edge.cli.files import Written, WrittenFolder
from tests.application.mystery_study import SALT
from tests.edge.every_input import BOOKS, LINES, OF_BOOK, good_files
from tests.edge.runs import Run, call
from tests.edge.test_every_pair_of_files import leaves, places
from tests.long import LONG

DAMAGED_BOOKS = 3000 if LONG else 18
OTHERS = 3000 if LONG else 2
SEED = int(os.environ.get("COMBUST_SEED", "18"))
CODES = (0, 2, 3, 4)
DEAL = Dealer.deal
# What is dear and comes behind the reading (a plan's page, tables and figures; a case) is done by one run of so many.
WRITES = 10
SLOW = {
    name
    for name, lines in LINES.items()
    if any({"fleet", "right", "learn", "share", "sheet"} & {*line} for line in lines)
}
# What carries a checksum: damaged, it is refused, or tells what it told.
SEALED = (
    *("learnt.toml", "others.csv", "others.parquet"),
    *("a/plan.jsonl", "a/vehicles.parquet", "a/sites.parquet"),
)
# What is read and not damaged here -> why.
ELSEWHERE = {
    "page": "it serves until it is stopped: its ways are tried in tests/edge/web, its files are those below",
    "visit close baseline": "it is never read: a profile that is there is refused, and left as it is",
    "demo": "a whole folder of the files of the other commands, by their readers",
}

home = pytest.fixture(scope="module")(good_files)


def damaged(data: bytes, rng: random.Random) -> bytes:
    """Return a file with one to four things wrong: bytes, cuts, pieces twice, gone or elsewhere, odd words."""
    held = bytearray(data)
    for _ in range(rng.choice((1, 1, 1, 2, 4))):
        size = len(held)
        if not size:
            break
        at, to = rng.randrange(size), rng.randrange(size)
        piece = bytes(held[at : at + rng.choice((1, 4, 40, 400))])
        kind = rng.randrange(7)
        if kind == 0:
            held[at] = rng.randrange(256)
        elif kind == 1:
            held[at] ^= 1 << rng.randrange(8)
        elif kind == 2:
            del held[at:]
        elif kind == 3:
            held[to:to] = piece
        elif kind == 4:
            del held[at : at + len(piece)]
        elif kind == 5:
            held[to : to + len(piece)] = piece
        else:
            word = rng.choice(
                (b"nan", b"-1", b"1e400", b"\0", b"\xff\xfe", b'"', b"\n", b"[", b"}", b",,", b"=", b"true", b"9" * 30)
            )
            held[at : at + rng.randrange(3)] = word
    return bytes(held)


def of_the_book(book: str) -> list[str]:
    """Return every entry of a book as a line of JSON."""
    told = call("log", "export", book, "--out=x.jsonl")
    assert told.code == 0, told.err
    lines = Path("x.jsonl").read_text(encoding="utf-8").splitlines()
    Path("x.jsonl").unlink()
    return lines


def names_in(home: Path) -> set[str]:
    return {os.path.join(at, one) for at, folders, files in os.walk(home) for one in (*folders, *files)}


@cache
def as_it_was(home: Path) -> tuple[set[str], dict[str, bytes]]:
    """Return what lies in the folder of the good files, and the files of it that a command may change."""
    return names_in(home), {one: Path(one).read_bytes() for one in (*BOOKS, "case.json", "other.json", "key.json")}


def run_in(home: Path, name: str, data: bytes, line: tuple[str, ...]) -> Run:
    """Run a command line on a damaged file, in the folder of the good ones, which is then as it was."""
    before, kept = as_it_was(home)
    good = Path(name).read_bytes()
    Path(name).write_bytes(data)
    try:
        done = call(*line)
        assert not [one for one in names_in(home) - before if one.endswith(".partial")], "a partial file was left"
        kept_by_score = name == "key.json" and "score" in line
        if not kept_by_score and not {*line} & {"visit", "add", "play", "import", "deal", "--into=w.book"}:
            assert Path(name).read_bytes() == data, "what was only read was changed"
        for book in {*BOOKS} - {name}:
            if Path(book).read_bytes() != kept[book]:
                now = of_the_book(book)
                Path(book).write_bytes(kept[book])
                assert {*of_the_book(book)} <= {*now}, "an entry that was written is another one, or gone"
        if (
            {"import", "w.jsonl"} <= {*line}
            and done.code == 0
            and not (call("log", "verify", line[2], "--json").json["broken"])
        ):
            assert {*of_the_book(line[2])} <= {*of_the_book("w.book")}, "an entry was changed in silence"
    finally:
        for path in map(Path, sorted(names_in(home) - before, reverse=True)):
            path.rmdir() if path.is_dir() else path.unlink()
        for one, held in {**kept, name: good}.items():
            if not Path(one).is_file() or Path(one).read_bytes() != held:
                Path(one).write_bytes(held)
    assert done.code in CODES, (done.code, done.err[-500:])
    assert "Traceback" not in done.err + done.out, done.err[-2000:]
    assert done.code != 3 or "- " in done.err or "Error" in done.err, "refused without a word"
    return done


@contextmanager
def sparing(number: int) -> Iterator[None]:
    """Let a plan be made and not written, one case be dealt whatever the salt, but for one run of ``WRITES``.

    Nor are the stops told that stand on the command line, which is not what is damaged.
    """
    reports = "combust.edge.reports."
    patches = [
        mock.patch(f"{reports}fleet_page.write_plan", nothing),
        mock.patch(f"{reports}difference_page.write_difference", nothing),
        mock.patch.dict("combust.application.mystery.secret.SCRYPT", n=2),
        mock.patch.object(Dealer, "deal", dealt_for_all),
        mock.patch("combust.edge.cli.answer.stops_entered", no_stops),
    ]
    with ExitStack() as stack:
        for one in patches if number % WRITES else ():
            stack.enter_context(one)
        yield


def nothing(*_: object, **__: object) -> None:
    """Write nothing; a plain function, which costs less to make than a mock."""


def no_stops(_: object) -> Safety:
    return Safety(())


def dealt_for_all(*_: object, **__: object) -> CaseKey:
    return dealt_once()


@cache
def dealt_once() -> CaseKey:
    return DEAL(Dealer(SALT), 7, "easy")


def keep(home: Path, name: str, data: bytes, line: tuple[str, ...], error: BaseException) -> str:
    """Write a finding where it can be looked at, and return where it was raised."""
    frames = [one for one in traceback.extract_tb(error.__traceback__) if "/combust/" in one.filename]
    place = (
        f"{type(error).__name__} {str(error)[:150]} at {frames[-1].filename}:{frames[-1].lineno}"
        if frames
        else repr(error)[:600]
    )
    if folder := os.environ.get("COMBUST_FINDINGS"):
        Path(folder).mkdir(exist_ok=True, parents=True)
        (Path(folder) / f"{name.replace('/', '_')}.{abs(hash(place)) % 10**6}").write_bytes(data)
    return f"{' '.join(line)}: {place}"


@pytest.mark.parametrize("name", [name for name in LINES if LONG or name not in SLOW])
def test_a_damaged_input_is_told_in_words(name: str, home: Path) -> None:
    rng, lines, found = random.Random(f"{SEED}{name}"), LINES[name], {}
    name = name.replace("PHOTO", next((home / "seen.book.photos").iterdir()).name)
    good, codes, begun = (home / name).read_bytes(), dict.fromkeys(CODES, 0), time.monotonic()
    told = {line: run_in(home, name, good, line) for line in lines if LONG}
    for line, done in told.items():
        assert done.code == 0, f"the good file is not read by {line}"
    longest = (0.0, "")
    for number in range(OTHERS):
        data, line, since = damaged(good, rng), lines[number % len(lines)], time.monotonic()
        try:
            with sparing(number // len(lines)):
                done = run_in(home, name, data, line)
            codes[done.code] += 1
            sealed = name in SEALED and LONG and not done.code
            assert not sealed or done.out == told[line].out, "a sealed file was changed in silence"
            photo = ".photos/" in name and line[:2] != ("visit", "print") and data != good and not done.code
            assert not photo or "changed outside combust" in done.out + done.err, "a photograph was changed in silence"
        except BaseException as error:
            said = keep(home, name, data, line, error)
            found[said] = found.get(said, 0) + 1
        longest = max(longest, (time.monotonic() - since, " ".join(line)))
    took = time.monotonic() - begun
    print(f"\n{name}: {OTHERS} damaged in {took:.0f} s, exit codes {codes}, findings {sum(found.values())}")
    print(f"longest {longest[0]:.1f} s: {longest[1]}")
    assert not found, "\n".join(f"{count} times {said}" for said, count in found.items())


def test_every_input_of_every_command_is_damaged() -> None:
    """The options that name what is read are click's own: one that is added asks for its line above."""
    named: dict[tuple[str, ...], set[str]] = {}
    for name, lines in {**LINES, "w.book": OF_BOOK}.items():
        for line in lines:
            words = line[:2] if line[:2] in leaves() else line[:1]
            given = leaves()[words].make_context("x", [*line[len(words) :]], resilient_parsing=True).params
            for key, value in given.items():
                texts = [text for one in (value if isinstance(value, tuple) else (value,)) for text in str(one).split()]
                if any(name == text or name.startswith((f"{text}/", f"{text}.photos/")) for text in texts):
                    named.setdefault(words, set()).add(key)
    left = {
        (" ".join(words), str(one.name))
        for words, command in leaves().items()
        for one in places(command)
        if words[0] not in ELSEWHERE
        and " ".join((*words, str(one.name))) not in ELSEWHERE
        and type(one.type) not in (Written, WrittenFolder)
        and str(one.name) not in named.get(words, ())
    }
    assert not left, f"no damaged file is given there: {left}"


@pytest.mark.parametrize("share", ["0.0", "1e400", "inf", "nan", "-1.0"])
def test_a_prior_in_which_no_heater_is_healthy_is_refused(share: str, home: Path) -> None:
    """Found by the damaged files: no heater left to compare with, or every share nothing beside one without end."""
    line = ("cause", "--heater=h.toml", "--o2-dry=6", "--causes=causes.toml")
    assert run_in(home, "causes.toml", f"[prior]\nhealthy = {share}\n".encode(), line).code == 3


def test_a_damaged_logbook_is_told_in_words_and_nothing_in_it_changes_in_silence(home: Path) -> None:
    """What ``log verify`` does not name says, entry for entry, what it said before."""
    rng, good, found = random.Random(SEED), (home / "w.book").read_bytes(), {}
    lines = (home / "w.jsonl").read_text(encoding="utf-8")
    shown = run_in(home, "w.book", good, ("log", "show", "w.book", "--visit-id=V17", "--json")).out
    counts = {"refused": 0, "named": 0, "as it was": 0}
    for number in range(DAMAGED_BOOKS):
        data, line = damaged(good, rng), OF_BOOK[number % len(OF_BOOK)]
        try:
            with sparing(number // len(OF_BOOK)):
                run_in(home, "w.book", data, line)
            verified = run_in(home, "w.book", data, ("log", "verify", "w.book", "--json"))
            if verified.code == 3:
                counts["refused"] += 1
            elif json.loads(verified.out)["broken"]:
                counts["named"] += 1
            else:
                Path("x.book").write_bytes(data)
                told = call("log", "export", "x.book", "--out=x.jsonl")
                if told.code == 0:
                    assert Path("x.jsonl").read_text(encoding="utf-8") == lines, "an entry was changed in silence"
                again = call("log", "show", "x.book", "--visit-id=V17", "--json")
                assert again.code == 3 or again.out == shown, "a visit is shown otherwise, in silence"
                counts["as it was" if told.code == 0 else "refused"] += 1
        except BaseException as error:
            told = keep(home, "w.book", data, line, error)
            found[told] = found.get(told, 0) + 1
        finally:
            for left in ("x.book", "x.jsonl", "x.book-journal"):
                (home / left).unlink(missing_ok=True)
    print(f"\n{DAMAGED_BOOKS} damaged logbooks: {counts}, findings {sum(found.values())}")
    assert not found, "\n".join(f"{count} times {told}" for told, count in found.items())
    assert counts["named"] + counts["refused"] > DAMAGED_BOOKS // 20
