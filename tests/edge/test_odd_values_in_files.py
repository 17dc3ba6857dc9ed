"""Files that parse and hold what cannot be: few damaged files get so far, so each value of them is changed in turn.

A checksum is put right again: the reader behind it must bear what a hand, or another program, may write.
"""

from __future__ import annotations

import copy
import datetime
import json
import math
import os
import random
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from combust.application.heater.structure import priors_table
from combust.application.learning.learnt import _content
from combust.edge.tables.plan_files import write_head
from tests.edge.every_input import LINES, good_files
from tests.edge.test_corrupted_inputs import SEED, keep, run_in, sparing
from tests.long import LONG

SHARE = int(os.environ.get("COMBUST_SHARE", "1"))  # one value of so many is changed
pytestmark = pytest.mark.skipif(not LONG, reason="by chance, in the long form: make study")
NUMBERS = (-1, 0, 10**30, 1e308, math.nan, math.inf, True)
OTHERS = ("", "x", "=1+1", "\u202e", [], {}, [1, "a"], [[]], {"a": {"b": 1}}, datetime.date(2026, 1, 12))
FILES = [
    *("h.toml", "g.toml", "few/heater-0312.toml", "fuels.toml", "analyser.toml", "causes.toml", "procedure.toml"),
    *("interlocks.toml", "map.toml", "learnt.toml", "case.json", "key.json", "policy.toml", "profiles/small.toml"),
    "a/plan.jsonl",
]
OF_EACH = {"cause": "fuel_other", "check": "fuel_sample", "seen": "sample_line", "structure": "hot_share"}
TABLES = ("t.parquet", "points.parquet", "others.parquet")
home = pytest.fixture(scope="module")(good_files)
Place = tuple[str | int, ...]


def places_of(value: Any, at: Place = ()) -> Iterator[Place]:
    """Yield where every value of a file stands, parts too."""
    if at:
        yield at
    parts = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, part in parts:
        yield from places_of(part, (*at, key))


def with_odd(whole: Any, at: Place, odd: Any, how: str) -> Any:
    """Return a file with another value at a place; or the value gone, twice, or beside a key that nobody knows."""
    whole = copy.deepcopy(whole)
    inner = whole
    for key in at[:-1]:
        inner = inner[key]
    if how == "gone":
        del inner[at[-1]]
    elif how == "more":
        inner.update(nobody=odd) if isinstance(inner, dict) else inner.append(odd)
    else:
        inner[at[-1]] = odd
    return whole


def toml(value: Any) -> str:
    """Return a value as TOML on one line (TOML 1.0: a basic string is that of JSON, tables may stand inline)."""
    if isinstance(value, dict):
        return f"{{{', '.join(f'{json.dumps(str(key))} = {toml(one)}' for key, one in value.items())}}}"
    if isinstance(value, list):
        return f"[{', '.join(map(toml, value))}]"
    if isinstance(value, datetime.date | datetime.time):
        return value.isoformat()
    return json.dumps(value, ensure_ascii=False).replace("NaN", "nan").replace("Infinity", "inf")


def written(name: str, whole: Any) -> bytes:
    """Return the bytes of a file, its checksum put right."""
    if name == "learnt.toml" and isinstance(whole.get("book"), dict):
        held = {key: {k: v for k, v in part.items() if k != "content"} if key == "book" else part
                for key, part in whole.items()}  # fmt: skip
        whole = {**whole, "book": {**whole["book"], "content": _content(tomllib.loads(_lines(held)))}}
    return _lines(whole).encode("utf-8") if name.endswith(".toml") else json.dumps(whole, default=str).encode()


def _lines(whole: dict[str, Any]) -> str:
    return "".join(f"{json.dumps(key)} = {toml(value)}\n" for key, value in whole.items())


def sealed_plan(lines: list[Any], home: Path) -> bytes:
    """Return the file of a plan's head and cards with its seal."""
    head, *cards = lines if isinstance(lines[0], dict) else [{}]
    (home / "sealed").mkdir()
    try:
        write_head(
            home / "sealed",
            {key: value for key, value in head.items() if key != "sha256"},
            [one.get("card") if isinstance(one, dict) else one for one in cards],
        )
        return (home / "sealed" / "plan.jsonl").read_bytes()
    finally:
        for path in (home / "sealed").iterdir():
            path.unlink()
        (home / "sealed").rmdir()


def tried(name: str, home: Path, files: Iterator[tuple[str, bytes]]) -> None:
    """Run the lines of a file on each of the changed ones, in turn; every finding at once."""
    found: dict[str, int] = {}
    codes: dict[int, int] = {}
    for number, (what, data) in enumerate(files):
        line = LINES[name][number % len(LINES[name])]
        try:
            with sparing(number // len(LINES[name])):
                code = run_in(home, name, data, line).code
            codes[code] = codes.get(code, 0) + 1
        except BaseException as error:
            told = f"{what}: {keep(home, name, data, line, error)}"
            found[told] = found.get(told, 0) + 1
    print(f"\n{name}: {sum(codes.values()) + len(found)} changed, exit codes {codes}, findings {len(found)}")
    assert codes
    assert not found, "\n".join(found)


@pytest.mark.parametrize("name", FILES)
def test_odd_values_are_told_in_words(name: str, home: Path) -> None:
    rng, text = random.Random(f"{SEED}{name}"), (home / name).read_text("utf-8")
    if name.endswith(".toml"):
        whole: Any = tomllib.loads(text)
    else:
        whole = [json.loads(line) for line in text.splitlines()] if name.endswith(".jsonl") else json.loads(text)
    if name == "causes.toml":  # the good file holds one number: here a table of each kind that ships
        shipped = priors_table()
        whole |= {key: shipped[key] for key in ("tolerance", "unsteady", "flame")}
        whole |= {key: {one: shipped[key][one]} for key, one in OF_EACH.items()}

    def changed() -> Iterator[tuple[str, bytes]]:
        for at in places_of(whole):
            odds = (*NUMBERS, *OTHERS, *([] if name.endswith(".toml") else [None]))
            for how, odd in (("gone", 0), ("more", rng.choice(odds)), *(("other", one) for one in odds)):
                if rng.randrange(SHARE):
                    continue
                try:
                    other = with_odd(whole, at, odd, how)
                    data = sealed_plan(other, home) if name.endswith(".jsonl") else written(name, other)
                except (ValueError, TypeError):
                    continue  # it cannot be written so
                yield f"{how} {'.'.join(map(str, at))} {odd!r:.40}", data

    tried(name, home, changed())


@pytest.mark.parametrize("name", TABLES)
def test_columns_of_any_type_are_told_in_words(name: str, home: Path) -> None:
    """Every type of Arrow that Parquet holds, in each column in turn."""
    rng, table = random.Random(f"{SEED}{name}"), pq.read_table(home / name)
    rows, file = table.num_rows, home / "typed"
    kinds = {
        "lists": pa.array([[1.0, None]] * rows),
        "structs": pa.array([{"a": 1, "b": "x"}] * rows),
        "maps": pa.array([[("a", 1)]] * rows, pa.map_(pa.string(), pa.int64())),
        "bytes": pa.array([b"\xff\x00"] * rows),
        "nothing": pa.nulls(rows),
        "flags": pa.array([True, None] * rows).slice(0, rows),
        "moments": pa.array([2**62] * rows, pa.timestamp("ns", "Asia/Tokyo")),
        "days": pa.array([-(2**31) + 1] * rows, pa.date32()),
        "hours": pa.array([86399] * rows, pa.time32("s")),
        "spans": pa.array([2**62] * rows, pa.duration("ns")),
        "decimals": pa.array([None, 1] * rows, pa.decimal128(38, 30)).slice(0, rows),
        "halves": pa.array([math.nan, math.inf] * rows, pa.float16()).slice(0, rows),
        "words": pa.array(["8,2", None] * rows).slice(0, rows).dictionary_encode(),
        "large": pa.array([2**64 - 1] * rows, pa.uint64()),
    }

    def changed() -> Iterator[tuple[str, bytes]]:
        for place, column in enumerate(table.column_names):
            for kind, values in kinds.items():
                if rng.randrange(SHARE):
                    continue
                pq.write_table(table.set_column(place, column, values), file)
                data = file.read_bytes()
                file.unlink()
                yield f"{column} as {kind}", data
        pq.write_table(table.slice(0, 0), file)
        data = file.read_bytes()
        file.unlink()
        yield "no rows", data

    tried(name, home, changed())
