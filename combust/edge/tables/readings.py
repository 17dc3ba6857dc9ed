"""Interpreting a whole table: block by block, order kept, every row accounted for."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from combust.application.reading.interpret import RESULT_KEYS, VERDICTS, Interpretation, interpret_columns
from combust.application.reading.judge import codes_of
from combust.data.errors import CombustError, Fault
from combust.data.vocabulary import quantities
from combust.domain.catalogue import Catalogue
from combust.domain.fuel import Fuel
from combust.domain.instrument import InstrumentClass, instrument_class
from combust.domain.limits import Finding, finding_kinds
from combust.domain.safety import STATES, Safety, of_all, ranks_of
from combust.edge.tables.reader import Rows, Table, read_table, reading_columns, stop_bits
from combust.edge.tables.sink import TableSink
from combust.edge.tables.table_map import MapLike

if TYPE_CHECKING:
    import pandas as pd

RESULT_NAMES = {"pressure_hpa_used": "site_pressure_hpa"}
REJECT_NAMES = ("row", "reasons")


@dataclass(slots=True)
class Counts:
    """Every row of a table: read, interpreted, refused; blank lines passed over; how often each finding came; notes."""

    rows: int = 0
    interpreted: int = 0
    refused: int = 0
    blank: int = 0
    findings: dict[str, int] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)

    def add_up(self) -> bool:
        """Return True when nothing was lost."""
        return self.rows == self.interpreted + self.refused

    def safety(self) -> Safety:
        """Return the safety state of the whole table, each finding with the number of its rows."""
        found = []
        for code, number in sorted(self.findings.items(), key=lambda item: -item[1]):
            severity = finding_kinds()[code].severity
            sentence = (
                f"STOP in {number} of {self.rows} rows: {code}" if severity == "stop" else f"in {number} rows: {code}"
            )
            found.append(Finding(code, severity, sentence))
        return of_all([Safety(tuple(found))], refused=self.refused)


@dataclass(frozen=True, slots=True)
class Plan:
    """What to do with each block: the table and its headings, instrument, fuels."""

    table: Table
    instrument: InstrumentClass
    catalogue: Catalogue | None = None
    default_fuel: Fuel | None = None


def interpret_file(
    source: str | Path,
    out: str | Path,
    *,
    rejects: str | Path | None = None,
    mapping: MapLike = None,
    instrument: InstrumentClass | str | None = None,
    catalogue: Catalogue | None = None,
    default_fuel: Fuel | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Counts:
    """Interpret a table of readings, CSV or Parquet, in bounded memory.

    Parameters
    ----------
    source, out : path
        ``out`` is written as Parquet when it ends in ``.parquet``, else as CSV in the dialect of the source. It holds
        the columns of the source as they stand and the results behind them, in the same order. A column of the source
        with the name of a result is carried as ``input_`` and its name. In CSV a text cell that a spreadsheet would run
        as a formula gets an apostrophe in front (:mod:`combust.edge.tables.formulas`); numbers stay as they stand.
    rejects : path, optional
        Refused rows go there with their line in the spreadsheet (the heading counted) and reasons; without it they
        stay in ``out`` with empty results and the reasons in ``findings``.
    mapping : TableMap, mapping or path, optional
        Heading -> vocabulary key, where a heading is not a key itself; or a saved map with more.
    progress : callable, optional
        Called with (bytes read, bytes in all) after each block.

    Returns
    -------
    Counts
        rows = interpreted + refused.

    Raises
    ------
    CombustError
        The table as a whole cannot be used; the message says why. Single bad rows never raise.
    """
    table = _usable(read_table(source, mapping=mapping, texts=False))
    _refuse_overwriting(table.source.path, out, rejects)
    plan = Plan(table, instrument_class(instrument), catalogue, default_fuel)
    dialect = table.source.dialect

    def sink_for(path: str | Path) -> TableSink:
        if dialect is None:
            return TableSink(path)
        bom = dialect.bom or dialect.encoding != "utf-8"  # a spreadsheet that wrote its code page needs to be told
        return TableSink(path, delimiter=dialect.delimiter, decimal=dialect.decimal, bom=bom)

    counts = Counts()
    with ExitStack() as stack:
        sink = stack.enter_context(sink_for(out))
        reject_sink = stack.enter_context(sink_for(rejects)) if rejects is not None else None
        for block in table.blocks():
            _work_block(block, plan, counts, sink, reject_sink)
            if progress:
                progress(block.bytes_read, table.source.size)
        if counts.rows == 0:
            why = "has headings but no rows"
            raise CombustError(
                Fault("file", str(source), "missing", why=why, hint="Fill in at least one row; nothing was written.")
            )
    counts.notes = table.notes
    return counts


def _refuse_overwriting(source: Path, out: str | Path, rejects: str | Path | None) -> None:
    places = {"out": _place(out, "out"), "rejects": None if rejects is None else _place(rejects, "rejects")}
    faults = [
        Fault(name, str(place), "conflict", why="is the input", hint="Choose another name.")
        for name, place in places.items()
        if place == source.resolve()
    ]
    if places["rejects"] == places["out"]:
        faults.append(Fault("rejects", str(rejects), "conflict", why="is also --out", hint="Choose another name."))
    if faults:
        raise CombustError(faults)


def _place(path: str | Path, name: str) -> Path:
    try:
        return Path(path).resolve()
    except (OSError, ValueError, RuntimeError) as error:
        why, hint = f"is no path ({error})", "Give the name of a file."
        raise CombustError(Fault(name, str(path), "format", why=why, hint=hint)) from error


def _usable(table: Table) -> Table:
    if not any(h.key and table.fields[h.key].role in ("reading", "evidence") for h in table.headings):
        hint = "Name the columns like o2_dry_pct (all keys: combust word), or use --map."
        names = ", ".join(table.source.header)[:200]
        raise CombustError(Fault("heading", names, "missing", why="holds no gas and nothing else to judge", hint=hint))
    return table


def _work_block(block: Rows, plan: Plan, counts: Counts, sink: TableSink, rejects: TableSink | None) -> None:
    counts.blank += block.blank
    if block.table.num_rows == 0:
        return
    done = interpret_block(block, plan)
    refused = block.faults.mask
    counts.rows += block.table.num_rows
    counts.refused += int(refused.sum())
    counts.interpreted += int((~refused).sum())
    for code, number in done.finding_counts(refused).items():
        counts.findings[code] = counts.findings.get(code, 0) + number
    results = done.as_table(block.table, refused)
    if rejects is None:
        sink.write(results)
        return
    sink.write(results.filter(pa.array(~refused)) if refused.any() else results)
    rows = np.flatnonzero(refused)
    bad = block.table.take(pa.array(rows))
    bad = bad.rename_columns(carried_names(bad.column_names, REJECT_NAMES))
    bad = bad.append_column("row", pa.array(block.lines[rows]))
    rejects.write(bad.append_column("reasons", pa.array([done.reason(row) for row in rows.tolist()], pa.string())))


def carried_names(names: Sequence[str], taken: Sequence[str]) -> list[str]:
    """Return the names under which the columns of the input stand in the output: one that a result needs gets a prefix.

    Examples
    --------
    >>> carried_names(["o2_dry_pct", "findings"], ["air_ratio", "findings"])
    ['o2_dry_pct', 'input_findings']
    """
    used = {*names, *taken}
    carried = []
    for name in names:
        new = name
        while new in taken or (new != name and new in used):
            new = f"input_{new}"
        used.add(new)
        carried.append(new)
    return carried


@dataclass(frozen=True, slots=True)
class InterpretedBlock:
    """A block's interpretation with its faults."""

    done: Interpretation
    rows: Rows

    def reason(self, row: int) -> str:
        """Return why a row was refused."""
        return self.rows.reason(row, int(self.done.mask[row]))

    def finding_counts(self, refused: Any) -> dict[str, int]:
        """Return how often each finding came: all of the interpreted rows, and the stop conditions of refused ones."""
        counted = np.where(refused, self.done.mask & np.uint64(stop_bits()), self.done.mask)
        masks, numbers = np.unique(counted, return_counts=True)
        counts: dict[str, int] = {}
        for mask, number in zip(masks.tolist(), numbers.tolist(), strict=True):
            for code in codes_of(mask):
                counts[code] = counts.get(code, 0) + number
        return counts

    def as_table(self, table: Any, refused: Any) -> Any:
        """Return the block's own columns with the results behind them; refused rows have empty results."""
        first, *names = self.result_names()
        own = carried_names(table.column_names, self.result_names())
        state, *results = self.result_columns(refused)
        return pa.Table.from_arrays([state, *table.columns, *results], names=[first, *own, *names])

    def result_columns(self, refused: Any) -> list[Any]:
        """Return the result columns in order."""
        columns = []
        for key in RESULT_KEYS:
            column = np.round(self.done.values[key], quantities()[key].decimals if key in quantities() else 5)
            empty = ~np.isfinite(column) | refused
            columns.append(pa.array(column, mask=empty))
        state = pa.DictionaryArray.from_arrays(pa.array(self.states(refused)), pa.array(STATES)).cast(pa.string())
        verdict = pa.DictionaryArray.from_arrays(pa.array(np.array(self.done.verdict)), pa.array(VERDICTS))
        words = verdict.cast(pa.string())
        if refused.any():
            words = pc.if_else(pa.array(refused), pa.scalar(None, pa.string()), words)
        return [state, *columns, words, self._finding_texts(refused)]

    def states(self, refused: Any) -> Any:
        """Return the rank of each row's safety state; a refused row is not judged, unless its good values stop."""
        mask = np.where(refused, self.done.mask & np.uint64(stop_bits()), self.done.mask)
        kinds = finding_kinds("reading").values()
        found = {kind.code: mask & np.uint64(1 << kind.bit) != 0 for kind in kinds if kind.state}
        return np.maximum(ranks_of(found), np.where(refused, STATES.index("not_judged"), 0)).astype(np.int8)

    @staticmethod
    def result_names() -> list[str]:
        """Return the names of the result columns in order."""
        return ["safety", *(RESULT_NAMES.get(key, key) for key in RESULT_KEYS), "agreement", "findings"]

    def _finding_texts(self, refused: Any) -> Any:
        """Return the findings of each row as "severity: code" texts, made once for each combination."""
        masks, inverse = np.unique(self.done.mask, return_inverse=True)
        kinds = finding_kinds("reading")
        texts = ["; ".join(f"{kinds[code].severity}: {code}" for code in codes_of(mask)) for mask in masks.tolist()]
        texts_of_rows = pa.DictionaryArray.from_arrays(pa.array(inverse.astype(np.int32)), pa.array(texts, pa.string()))
        texts_of_rows = texts_of_rows.cast(pa.string())
        if not refused.any():
            return texts_of_rows
        reasons: list[str | None] = [None] * len(refused)
        for row in np.flatnonzero(refused).tolist():
            reasons[row] = "refused: " + self.reason(row)
        return pc.coalesce(pa.array(reasons, pa.string()), texts_of_rows)


def interpret_block(rows: Rows, plan: Plan) -> InterpretedBlock:
    """Return the interpretation of some rows of a table of readings."""
    columns = reading_columns(rows, plan.table.headings, plan.catalogue, plan.default_fuel)
    return InterpretedBlock(interpret_columns(columns, plan.instrument), rows)


def interpret_table(
    frame: pd.DataFrame,
    *,
    mapping: MapLike = None,
    instrument: InstrumentClass | str | None = None,
    catalogue: Catalogue | None = None,
    default_fuel: Fuel | None = None,
) -> pd.DataFrame:
    """Return a pandas frame of readings with the results as further columns.

    Parameters
    ----------
    frame : pandas.DataFrame
        Columns named by vocabulary keys; others are carried through.

    Returns
    -------
    pandas.DataFrame
        Same index and order; refused rows have empty results and their reasons in ``findings``.

    Raises
    ------
    CombustError
        Headings that cannot be understood, or no frame at all.

    Examples
    --------
    >>> import pandas as pd
    >>> frame = pd.DataFrame({"fuel": ["diesel_b7", "diesel_b7"], "o2_dry_pct": [8.2, 23.0]}, index=["a", "b"])
    >>> result = interpret_table(frame)
    >>> round(float(result.loc["a", "air_ratio"]), 2), bool(pd.isna(result.loc["b", "air_ratio"]))
    (1.6, True)
    """
    if isinstance(frame, str | Path):
        raise CombustError(Fault("frame", str(frame), "format", why="is no table", hint="Give a pandas DataFrame."))
    table = read_table(frame, mapping=mapping, texts=False)
    plan = Plan(table, instrument_class(instrument), catalogue, default_fuel)
    blocks = [interpret_block(rows, plan) for rows in table.blocks()]
    header = [heading.name for heading in table.headings][: len(frame.columns)]
    result = frame.copy()
    names = InterpretedBlock.result_names()
    carried = carried_names(header, names)
    result.columns = [old if str(old) == new else new for old, new in zip(frame.columns, carried, strict=True)]
    parts = [block.result_columns(block.rows.faults.mask) for block in blocks]
    for name, *columns in zip(names, *parts, strict=True):
        result[name] = pa.chunked_array(columns).to_pandas().to_numpy()
    return result
