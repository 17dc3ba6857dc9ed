"""The anonymous table of what visits taught: written, read back as what learning takes, several merged."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pyarrow as pa

from combust.application.learning.anonymous import FEWEST, why_nothing
from combust.application.learning.contributions import MARK, counted_once, sum_of
from combust.application.learning.taught import Taught
from combust.data.errors import CombustError, Fault
from combust.data.fields import Field
from combust.data.vocabulary import inputs
from combust.domain.heater import Heater
from combust.edge.logbook.book import MAGIC, first_bytes
from combust.edge.tables.reader import open_source, read_entries, read_table
from combust.edge.tables.sink import table_sink

READ = (
    *("stage", "altitude_m", "intake_temp_c", "o2_dry_pct", "co_dry_ppm", "flue_temp_c", "air_in_temp_c"),
    *("air_out_temp_c", "intake_static_pa", "exhaust_static_pa"),
)
NAMED = {
    "contribution": "checksum of a contribution: it counts once",
    "book": "what tells contributions of one book, as it grew",
    "confirmed": "confirmed visits behind the contribution",
    "kind": "healthy (mean healthy reading, coarse), visit, cause or look (counts)",
    "blower": "type of the blower",
    "shaft": "whether heating air turns with it: yes, no, untold",
    "fuel": "fuel of the type",
    "heat_kw": "largest useful heat of the type",
    "group": "random number: what stands for one heater",
    "row": "random number: what stands for one visit",
    "visits": "how many visits, of a cause or a look that was counted",
    "mean_of": "visits that a row of readings is a weighted mean of; rows share them: they do not add up",
    "season": "winters of the visits",
    "scatter": "how far the row scatters, one visit = 1",
    "cause": "a cause that was confirmed",
    "look": "a column that was seen",
    "verdict": "right, false, missed or clear",
}
WHOLE = ("confirmed", "group", "row", "visits", "mean_of")
NUMBERS = (*WHOLE, "heat_kw", "scatter")
COLUMNS = (*NAMED, *READ)
FIELDS = {
    key: Field(key, "number" if key in NUMBERS else "text", meaning, low=0.0, hint="Take the table as it was written.")
    for key, meaning in NAMED.items()
} | {key: inputs()[key] for key in READ}
MARKS = frozenset({MARK, "book", "kind"})  # a table with these headings is an anonymous one
Rows = Sequence[dict[str, Any]]


@dataclass(frozen=True, slots=True)
class Merged:
    """Anonymous tables taken together: rows, and what was left out, in words."""

    rows: tuple[dict[str, Any], ...]
    told: tuple[str, ...] = ()

    @property
    def contributions(self) -> int:
        """How many count."""
        return len({row["contribution"] for row in self.rows})


def write_anonymous(rows: Rows, out: str | Path, not_counted: Mapping[str, int] | None = None) -> None:
    """Write an anonymous table, CSV or Parquet by its ending, complete or not at all.

    Parameters
    ----------
    rows : sequence of dict
    out : str or Path
    not_counted : mapping, optional
        Reason -> how many visits were not counted, told where there is no row.

    Raises
    ------
    CombustError
        There is no row.
    """
    if not rows:
        why, hint = why_nothing(not_counted or {})
        raise CombustError(Fault("table", None, "missing", why=why, hint=hint))
    with table_sink(out) as write:
        write(pa.table({key: [row.get(key) for row in rows] for key in COLUMNS}))


def is_anonymous(path: str | Path) -> bool:
    """Return whether a file is an anonymous table, by its heading; a logbook is none."""
    if first_bytes(Path(path)) == MAGIC:
        return False
    return {*open_source(path).header} >= MARKS


def read_anonymous(path: str | Path) -> list[dict[str, Any]]:
    """Return the rows of an anonymous table.

    Raises
    ------
    CombustError
        A row that cannot be, a contribution that is not as it was written; nothing is taken in part.
    """
    table = read_table(path, FIELDS)
    entries = read_entries(table)
    if entries.refused:
        line, why = entries.refused[0]
        hint = "Take the table as it was written: it is not mended by hand."
        raise CombustError(
            Fault("table", str(path), "format", why=f"has a row that cannot be ({line}: {why})", hint=hint)
        )
    if not entries.good:
        why, hint = "has lost its rows", "Ask for the table again: none is written empty."
        raise CombustError(Fault("table", str(path), "damaged", why=why, hint=hint))
    rows = [{key: _whole(key, value) for key, value in row.items() if value is not None} for _, row in entries.good]
    for name in dict.fromkeys(str(row.get(MARK)) for row in rows):
        if sum_of(row for row in rows if str(row.get(MARK)) == name) != name:
            why, hint = "was changed after it was written, or lacks rows", "Ask for the table again."
            raise CombustError(Fault(MARK, name, "damaged", why=why, hint=hint))
    return rows


def _whole(key: str, value: Any) -> Any:
    """Return a count or a random number as the whole number that was written."""
    return int(value) if key in WHOLE and value == int(value) else value


def merged(tables: Sequence[Rows]) -> Merged:
    """Return several tables as one, each contribution counted once."""
    rows, told = counted_once(tables)
    return Merged(tuple(rows), tuple(told))


def taught_by(rows: Rows) -> Iterator[Taught]:
    """Yield what anonymous rows teach, as the visits of a logbook do: a group stands for a heater, a row for a visit.

    First the readings, without a cause; then one entry for each confirmed cause that was counted, without readings
    (``rows`` is empty): it teaches frequencies only. Nobody knows whose causes they were: a count is taken as that of
    the fewest heaters that may stand behind it, so that what it proves is not overstated. Last one entry for each
    confirmed cause that was held back: all that is known of it is that it was none of those that the contribution
    tells of each type.
    """
    healthy: dict[str, list[dict[str, Any]]] = {}
    visits: dict[tuple[str, str], list[dict[str, Any]]] = {}
    for row in rows:
        name = f"{row['contribution']} {row.get('group', 0):.0f}"
        if row["kind"] == "healthy":
            healthy.setdefault(name, []).append(row)
        elif row["kind"] == "visit":
            visits.setdefault((name, f"{row['row']:.0f}"), []).append(row)
    heaters = {name: heater_of(some) for name, some in healthy.items()}
    for (name, _), some in visits.items():
        if name in heaters:
            readings = tuple({**_reading(row), "location": "outdoors"} for row in some)
            count, scatter = int(some[0].get("mean_of") or some[0]["visits"]), float(some[0].get("scatter", 1.0))
            yield Taught(name, heaters[name], readings, visits=count, scatter=scatter)
    groups = Counter(_type_of(some[0]) for some in healthy.values())
    for row in rows:
        if row["kind"] == "cause":
            kind, cause = " ".join(map(str, _type_of(row))), str(row["cause"])
            for number in range(int(row["visits"])):
                yield Taught(f"{kind} {cause} {number % FEWEST}", None, (), cause=cause)
    yield from _held_back(rows, groups)


def _held_back(rows: Rows, groups: Mapping[tuple[Any, ...], int]) -> Iterator[Taught]:
    """Yield the confirmed causes behind each contribution that it does not tell, as :func:`taught_by` does."""
    behind = {str(row["contribution"]): int(row["confirmed"]) for row in rows}
    for name, confirmed in behind.items():
        told: dict[tuple[Any, ...], set[str]] = {}
        left = confirmed
        for row in rows:
            if row["contribution"] == name:
                of_type = told.setdefault(_type_of(row), set())
                if row["kind"] == "cause":
                    of_type.add(str(row["cause"]))
                    left -= int(row["visits"])
        of_all = tuple(sorted(set.intersection(*told.values())))
        of_heaters = FEWEST * max(1, sum(count for kind, count in groups.items() if kind[0] == name))
        each = math.ceil(confirmed / of_heaters)
        for number in range(left):
            yield Taught(f"{name} held back {number // each}", None, (), none_of=of_all)


def _type_of(row: dict[str, Any]) -> tuple[Any, ...]:
    return tuple(row.get(key) for key in ("contribution", "blower", "shaft", "fuel", "heat_kw"))


def _reading(row: dict[str, Any]) -> dict[str, Any]:
    return {key: row[key] for key in READ if row.get(key) is not None}


def heater_of(rows: Rows) -> Heater:
    """Return the heater that stands for a group, with the mean healthy reading of its type."""
    first = rows[0]
    whole: dict[str, Any] = {"fuel": first["fuel"], "blower": first["blower"]}
    if first.get("shaft") in ("yes", "no"):
        whole["heating_air_on_same_shaft"] = first["shaft"] == "yes"
    whole["stages"] = {str(row["stage"]): {} for row in rows}
    if heat := first.get("heat_kw"):
        whole["stages"]["high" if "high" in whole["stages"] else min(whole["stages"])]["useful_heat_kw"] = float(heat)
    whole["baseline"] = [{**_reading(row), "origin": "unit"} for row in rows]
    return Heater.from_dict(whole)
