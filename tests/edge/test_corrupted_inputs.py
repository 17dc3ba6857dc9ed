"""Every file that a command reads, damaged at random: told in words, no traceback, no entry changed in silence.

Through the commands, as a person meets it. ``make study`` damages each file 3000 times, ``make test`` a few times.
"""

from __future__ import annotations

import json
import os
import random
import traceback
from collections.abc import Iterator
from pathlib import Path

import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet as pq
import pytest

from tests.edge.runs import DATA, ROOT, Run, call
from tests.fuzz.sandbox import inputs
from tests.long import LONG

BOOKS = 3000 if LONG else 18
OTHERS = 3000 if LONG else 2
SEED = int(os.environ.get("COMBUST_SEED", "18"))
CODES = (0, 2, 3, 4)
FLEET = ("fleet", "--vehicles=vehicles.csv", "--sites=sites.csv", "--profiles=profiles")
NOUGHT = ("reading", "--o2-dry=8.2", "--location=outdoors")
# The file that is damaged -> the command lines that read it. A new input of a command has its line here.
LINES: dict[str, tuple[tuple[str, ...], ...]] = {
    "t.csv": (("readings", "t.csv", "--out=o.csv", "--rejects=r.csv"), ("log", "add", "new.book", "t.csv")),
    "t.parquet": (("readings", "t.parquet", "--out=o.parquet"), ("history", "t.parquet", "--fleet")),
    "map.toml": (("readings", "t.csv", "--map=map.toml", "--out=o.csv"),),
    "visits.csv": (("log", "add", "new.book", "visits.csv"), ("cause", "visits.csv", "--heater=h.toml")),
    "winters.csv": (("history", "winters.csv", "--heater=g.toml"), ("history", "winters.csv", "--fleet", "--json")),
    "series.csv": (("log", "series", "series.csv"),),
    "points.csv": (("site", "--heater=h.toml", "--points=points.csv", "--points-out=p.parquet"),),
    "points.parquet": (("site", "--heater=h.toml", "--points=points.parquet", "--points-out=p.parquet"),),
    "h.toml": (
        ("profile", "check", "h.toml"),
        ("site", "--altitude=2000", "--intake-temp=0", "--heater=h.toml"),
        ("start", "--heater=h.toml"),
        ("supply", "--heater=h.toml"),
        ("cause", "--heater=h.toml", "--o2-dry=6"),
    ),
    "fuels.toml": (("fuel", "--fuels=fuels.toml"), (*NOUGHT, "--fuel=winter", "--fuels=fuels.toml")),
    "analyser.toml": ((*NOUGHT, "--instrument-class=analyser.toml"),),
    "causes.toml": (("cause", "--heater=h.toml", "--o2-dry=6", "--causes=causes.toml"),),
    "procedure.toml": (("log", "procedure", "--file=procedure.toml"),),
    "interlocks.toml": (("start", "--checklist", "--interlocks=interlocks.toml"),),
    "case.json": (("mystery", "play", "case.json"), ("mystery", "score", "case.json", "--key=key.json")),
    "key.json": (
        ("mystery", "score", "case.json", "--key=key.json"),
        ("mystery", "play", "case.json", "--take=plug_voltage", "--key=key.json"),
    ),
    "salt.txt": (("mystery", "deal", "--seed=7", "--level=easy", "--salt-file=salt.txt", "--out=new.json"),),
    "w.jsonl": (("log", "import", "new.book", "w.jsonl"),),
    "w.key": (("log", "verify", "keyed.book", "--key-file=w.key"), ("visit", "enter", "keyed.book", "o2", "8")),
    "vehicles.csv": ((*FLEET, "--out=plan"),),
    "sites.csv": ((*FLEET, "--out=plan"),),
    "routes.csv": ((*FLEET, "--routes=routes.csv", "--out=plan"),),
    "policy.toml": ((*FLEET, "--policy=policy.toml", "--out=plan"),),
    "weather/snow_base_varrowmantle.csv": ((*FLEET, "--weather=weather", "--out=plan"),),
    "profiles/small.toml": ((*FLEET, "--out=plan"),),
    "a/plan.jsonl": (("fleet", "diff", "a", "b", "--out=d"),),
    "a/vehicles.parquet": (("fleet", "diff", "a", "b", "--out=d"),),
}
SLOW = {name for name, lines in LINES.items() if any("fleet" in line for line in lines)}
OF_BOOK = (
    ("log", "show", "w.book"),
    ("log", "show", "w.book", "--visit-id=V17", "--json"),
    ("log", "backup", "w.book", "--out=c.book"),
    ("visit", "print", "w.book", "--visit-id=V17", "--out=v.html", "--numbers"),
    ("visit", "print", "w.book", "--day=2026-01-12", "--out=d.html"),
    ("log", "export", "w.book", "--out=e.csv"),
    ("history", "w.book", "--fleet"),
    ("cause", "w.book", "--visit-id=V17"),
    ("start", "w.book", "--visit-id=V18"),
    ("supply", "w.book", "--visit-id=V18"),
    ("log", "import", "new.book", "w.book"),
    ("visit", "enter", "w.book", "o2", "8.3", "co", "60"),
    ("visit", "close", "w.book", "--incomplete"),
    ("visit", "correct", "w.book", "2", "o2", "8.4", "because", "misread"),
    ("visit", "reopen", "w.book", "--visit-id=V17", "--reason=x"),
    ("visit", "day", "w.book", "who", "N. Fell"),
    ("visit", "stand", "w.book"),
    ("log", "add", "w.book", "t.csv"),
)


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """Give a folder with every good file."""
    folder = tmp_path_factory.mktemp("good")
    for name, data in inputs().items():
        (folder / name).write_bytes(data)
    fleet = DATA / "larkfell_fleet"
    for below in ("profiles", "weather"):
        (folder / below).mkdir()
        for path in (fleet / below).iterdir():
            lines = path.read_bytes().splitlines(keepends=True)
            (folder / below / path.name).write_bytes(b"".join(lines if path.suffix == ".toml" else lines[:200]))
    pq.write_table(pa.csv.read_csv(folder / "t.csv"), folder / "t.parquet")
    points = pa.table({"altitude_m": [200.0, 1500.0, 3000.0], "temp_c": [10.0, -5.0, -20.0]})
    pq.write_table(points, folder / "points.parquet")
    pa.csv.write_csv(points, folder / "points.csv")
    (folder / "map.toml").write_text(
        '[headings]\n"note" = "note"\n[whole_file]\nlocation = "outdoors"\n[marks]\n"OL" = ">4000"\n'
    )
    for name, shipped in {"procedure": "visit_procedure", "interlocks": "start_guide"}.items():
        (folder / f"{name}.toml").write_bytes((ROOT / "combust" / "data" / f"{shipped}.toml").read_bytes())
    monkeypatch = pytest.MonkeyPatch()
    monkeypatch.chdir(folder)  # for the whole file: it is where every line runs
    (folder / "w.book").unlink()
    for line in (
        "visit day w.book who T.Larkwood place Fellarch alarm works outdoors altitude 210 air 15 zeroo2 20.9 zeroco 0",
        "visit open w.book heater-0312 --visit-id V17 at 2026-01-12T09:10+01:00 fuel diesel_b7",
        "visit enter w.book high o2 4.84 flue 330 co 120 smoke 1 plug 12.5 intake_static -140",
        "visit enter w.book repair crushed intake hose replaced",
        "visit enter w.book high o2 8.2 co 45 flue 330 smoke 0",
        "visit enter w.book cab 1 outside 0 handed_back yes",
        "visit close w.book --incomplete",
        "visit open w.book heater-0107 --visit-id V18",
        "visit enter w.book lit_and_died cold soak -22 grade summer battery 12.2 plug glow 11.2 disconnect 11.5",
        "log export w.book --out w.jsonl",
        "visit open keyed.book heater-0312 --visit-id K1 --key-file w.key",
        "visit enter keyed.book outdoors o2 8.2",
        *(" ".join((*FLEET, f"--out={name}")) for name in "ab" if LONG),
    ):
        done = call(*line.split())
        assert done.code == 0, (line, done.err)
    yield folder
    monkeypatch.undo()


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


def run_in(home: Path, name: str, data: bytes, line: tuple[str, ...]) -> Run:
    """Run a command line on a damaged file, in the folder of the good ones, which is then as it was."""
    good, before = Path(name).read_bytes(), set(home.rglob("*"))
    Path(name).write_bytes(data)
    kept = {one: Path(one).read_bytes() for one in ("case.json", "key.json", "keyed.book", "w.book")}
    try:
        done = call(*line)
        new = [path for path in home.rglob("*") if path not in before]
        assert not [path for path in new if path.name.endswith(".partial")], "a partial file was left"
        if not set(line) & {"visit", "add", "play", "import"}:
            assert Path(name).read_bytes() == data, "what was only read was changed"
    finally:
        for path in sorted({path for path in home.rglob("*") if path not in before}, reverse=True):
            path.rmdir() if path.is_dir() else path.unlink()
        for one, held in kept.items():
            Path(one).write_bytes(held)
        Path(name).write_bytes(good)
    assert done.code in CODES, (done.code, done.err[-500:])
    assert "Traceback" not in done.err + done.out, done.err[-2000:]
    assert done.code != 3 or "- " in done.err or "Error" in done.err, "refused without a word"
    return done


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
    rng, good, found = random.Random(f"{SEED}{name}"), (home / name).read_bytes(), {}
    lines = LINES[name]
    count = OTHERS
    codes = dict.fromkeys(CODES, 0)
    for number in range(count):
        data, line = damaged(good, rng), lines[number % len(lines)]
        try:
            codes[run_in(home, name, data, line).code] += 1
        except BaseException as error:
            told = keep(home, name, data, line, error)
            found[told] = found.get(told, 0) + 1
    print(f"\n{name}: {count} damaged, exit codes {codes}, findings {sum(found.values())}")
    assert not found, "\n".join(f"{count} times {told}" for told, count in found.items())


def test_a_damaged_logbook_is_told_in_words_and_nothing_in_it_changes_in_silence(home: Path) -> None:
    """What ``log verify`` does not name says, entry for entry, what it said before."""
    rng, good, found = random.Random(SEED), (home / "w.book").read_bytes(), {}
    lines = (home / "w.jsonl").read_text(encoding="utf-8")
    shown = run_in(home, "w.book", good, ("log", "show", "w.book", "--visit-id=V17", "--json")).out
    counts = {"refused": 0, "named": 0, "as it was": 0}
    for number in range(BOOKS):
        data, line = damaged(good, rng), OF_BOOK[number % len(OF_BOOK)]
        try:
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
    print(f"\n{BOOKS} damaged logbooks: {counts}, findings {sum(found.values())}")
    assert not found, "\n".join(f"{count} times {told}" for told, count in found.items())
    assert counts["named"] + counts["refused"] > BOOKS // 20
