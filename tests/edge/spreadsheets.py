"""Writing small tables as spreadsheets write them, and reading the outcome with nothing of combust's own."""

from __future__ import annotations

import csv
import hashlib
import io
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from combust.edge.tables.readings import Counts, interpret_file

csv.field_size_limit(10_000_000)
RESULTS = ("air_ratio", "air_ratio_u", "co_air_free_ppm", "agreement", "findings")


@dataclass(frozen=True)
class Done:
    """A table interpreted: the counts, and the rows of both outputs as text."""

    counts: Counts
    rows: list[dict[str, str]]
    rejected: list[dict[str, str]]
    raw: bytes

    @property
    def findings(self) -> list[str]:
        """Return the findings of each row."""
        return [row["findings"] for row in self.rows]


def interpret_bytes(folder: Path, data: bytes, *, rejects: bool = False, **options: Any) -> Done:
    """Write a CSV, interpret it, check what must always hold, and return what came out."""
    source, out, refused = folder / "in.csv", folder / "out.csv", folder / "rejects.csv"
    source.write_bytes(data)
    before = hashlib.sha256(data).digest()
    counts = interpret_file(source, out, rejects=refused if rejects else None, **options)
    assert hashlib.sha256(source.read_bytes()).digest() == before, "the input was altered"
    assert not list(folder.glob(".*.partial")), "a half file was left"
    rows, rejected = read_csv(out), read_csv(refused) if rejects else []
    assert counts.rows == counts.interpreted + counts.refused
    assert len(rows) + len(rejected) == counts.rows
    assert len(rejected) == (counts.refused if rejects else 0)
    return Done(counts, rows, rejected, out.read_bytes())


def read_csv(path: Path) -> list[dict[str, str]]:
    """Return a written CSV as dictionaries, by the standard library alone."""
    text = path.read_bytes().decode("utf-8-sig")
    heading = text.split("\n", 1)[0]
    delimiter = max(";,\t|", key=heading.count)
    rows = list(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter))
    assert all(len(row) == len(rows[0]) for row in rows), "the output is ragged"
    return [dict(zip(rows[0], row, strict=True)) for row in rows[1:]]
