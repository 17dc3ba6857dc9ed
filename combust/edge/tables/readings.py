"""Interpreting a whole table: block by block, order kept, every row accounted for."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from combust.application.reading.columns import Columns
from combust.application.reading.interpret import BLOCK, RESULT_KEYS, VERDICTS, Interpretation, interpret_columns
from combust.application.reading.judge import codes_of
from combust.application.reading.stand_ins import stand_ins
from combust.data.errors import CombustError, Fault
from combust.data.vocabulary import quantities
from combust.domain.catalogue import Catalogue
from combust.domain.fuel import Fuel
from combust.domain.instrument import InstrumentClass, instrument_class
from combust.domain.limits import Finding, finding_kinds
from combust.domain.result import many
from combust.domain.safety import STATES, Safety, of_all, ranks_of
from combust.edge.tables.arrow import array_of, mask, text_array
from combust.edge.tables.csv_text import Part
from combust.edge.tables.pipeline import in_order
from combust.edge.tables.reader import Rows, read_table, reading_columns
from combust.edge.tables.rejects import carried_names, dialect_of, rejected
from combust.edge.tables.rounded import Rounded
from combust.edge.tables.sink import table_sink
from combust.edge.tables.table_map import MapLike
from combust.edge.whole_file import faults_of_twice, kept

if TYPE_CHECKING:
    import pandas as pd

RESULT_NAMES = {"pressure_hpa_used": "site_pressure_hpa"}
DECIMALS = {RESULT_NAMES.get(key, key): quantities()[key].decimals if key in quantities() else 5 for key in RESULT_KEYS}


@dataclass(slots=True)
class Counts:
    """Every row of a table: read, interpreted, refused; blank lines passed over; how often each finding came; notes.

    ``assumed`` counts how often what stood in for what was not entered.
    """

    rows: int = 0
    interpreted: int = 0
    refused: int = 0
    blank: int = 0
    findings: Counter[str] = field(default_factory=Counter)
    assumed: Counter[str] = field(default_factory=Counter)
    notes: list[str] = field(default_factory=list)

    @classmethod
    def of(cls, refused: Any, found: Any, assumed: Counter[str], blank: int) -> Counts:
        """Count the rows of a block, by where they are refused and by the masks of their findings."""
        findings, bad = Counter[str](), int(refused.sum())
        for combination, number in zip(*np.unique(found, return_counts=True), strict=True):
            findings.update(dict.fromkeys(codes_of(int(combination)), int(number)))
        return cls(len(refused), len(refused) - bad, bad, blank, findings, assumed)

    def add(self, more: Counts) -> None:
        """Add what was counted in a block."""
        self.rows += more.rows
        self.interpreted += more.interpreted
        self.refused += more.refused
        self.blank += more.blank
        self.findings.update(more.findings)
        self.assumed.update(more.assumed)

    def safety(self) -> Safety:
        """Return the safety state of the whole table, each finding with the number of its rows."""
        found = []
        for code, number in self.findings.most_common():
            severity = finding_kinds()[code].severity
            where = (
                f"STOP in {number} of {many(self.rows, 'row')}" if severity == "stop" else f"in {many(number, 'row')}"
            )
            found.append(Finding(code, severity, f"{where}: {code}"))
        return of_all([Safety(tuple(found))], refused=self.refused)


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
    table = read_table(source, mapping=mapping, texts=False)
    if not any(h.key and table.fields[h.key].role in ("reading", "evidence") for h in table.headings):
        hint = "Name the columns like o2_dry_pct (all keys: combust word), or use --map."
        names = ", ".join(table.source.header)[:200]
        raise CombustError(Fault("heading", names, "missing", why="holds no gas and nothing else to judge", hint=hint))
    outs = [path for path in (out, rejects) if path is not None]
    if twice := faults_of_twice(outs):
        raise CombustError(twice)
    device, counts, how = instrument_class(instrument), Counts(), dialect_of(table.source)
    with ExitStack() as stack:
        stack.enter_context(kept([str(table.source.path)]))
        sinks = [stack.enter_context(table_sink(path, **how)) for path in outs]

        def work(rows: Rows) -> tuple[int, Counts, list[Any]]:
            columns = reading_columns(rows, table.headings, catalogue, default_fuel)
            refused, found = rows.faults.mask, np.zeros(columns.size, dtype=np.uint64)
            assumed = _assumed(columns, refused)

            def parts() -> Iterator[Part]:
                for one in (_interpreted(rows, columns, device, start) for start in _starts(columns)):
                    found[one.start : one.start + len(one.found)] = one.found
                    yield one.part(kept=len(sinks) == 1)

            ready = [sinks[0].ready(parts)] if columns.size else []
            if columns.size and len(sinks) == 2:
                ready.append(sinks[1].ready(lambda: [_rejected(rows, refused, found)]))
            return rows.bytes_read, Counts.of(refused, found, assumed, rows.blank), ready

        for bytes_read, more, ready in stack.enter_context(closing(in_order(work, table.blocks()))):
            counts.add(more)
            for sink, rows in zip(sinks, ready, strict=False):
                sink.add(rows)
            if progress:
                progress(bytes_read, table.source.size)
        if counts.rows == 0:
            hint = "Fill in at least one row; nothing was written."
            raise CombustError(Fault("file", str(source), "missing", why="has headings but no rows", hint=hint))
    counts.notes = table.notes
    return counts


def _rejected(rows: Rows, refused: Any, found: Any) -> Part:
    """Return the refused rows of a block with their reasons."""
    bad = np.flatnonzero(refused)
    reasons = [rows.reason(row, int(found[row])) for row in bad.tolist()]
    return rejected(rows.table, rows.lines, bad, reasons)


@dataclass(frozen=True, slots=True)
class Interpreted:
    """The interpretation of some rows of a block, from row ``start``; of a refused row only its stops are ``found``."""

    rows: Rows
    read: Columns
    start: int
    done: Interpretation
    refused: Any
    found: Any

    def part(self, *, kept: bool) -> Part:
        """Return the rows as they are written, the state first, the results behind; refused ones are kept or not."""
        table, results = self.rows.table.slice(self.start, len(self.found)), self.columns()
        names = ["safety", *carried_names(table.column_names, [*results]), *list(results)[1:]]
        state, *others = results.values()
        part = Part(names, [state, *table.columns, *others])
        return part if kept or not self.refused.any() else part.filter(~self.refused)

    def columns(self) -> dict[str, Any]:
        """Return the result columns by name, in order; those of refused rows are empty but for state and findings."""
        found: dict[str, Any] = {"safety": text_array(STATES).take(array_of(self._states()))}
        for name, key in zip(DECIMALS, RESULT_KEYS, strict=True):
            found[name] = Rounded.of(self.done.values[key], DECIMALS[name], self.refused)
        found["agreement"] = text_array(VERDICTS).take(array_of(self.done.verdict, self.refused))
        return {**found, "assumed": self._assumed_texts(), "findings": self._finding_texts()}

    def _assumed_texts(self) -> Any:
        """Return what stood in for what was not entered in each row, the texts made once for each combination."""
        known, mask = stand_ins(self.read), np.zeros(len(self.found), dtype=np.uint16)
        for bit, one in enumerate(known):
            mask |= np.asarray(one.where).astype(np.uint16) << np.uint16(bit)
        masks, inverse = np.unique(mask, return_inverse=True)
        texts = ["; ".join(one.text for bit, one in enumerate(known) if many >> bit & 1) for many in masks.tolist()]
        return text_array(texts).take(array_of(inverse, self.refused))

    def _states(self) -> Any:
        """Return the rank of each row's safety state; a refused row is not judged, unless its good values stop."""
        kinds = finding_kinds("reading").values()
        found = {kind.code: self.found & np.uint64(1 << kind.bit) != 0 for kind in kinds if kind.state}
        return np.maximum(ranks_of(found), np.where(self.refused, STATES.index("not_judged"), 0)).astype(np.int8)

    def _finding_texts(self) -> Any:
        """Return the findings of each row as "severity: code" texts, made once for each combination."""
        masks, inverse = np.unique(self.found, return_inverse=True)
        kinds = finding_kinds("reading")
        texts = ["; ".join(f"{kinds[code].severity}: {code}" for code in codes_of(mask)) for mask in masks.tolist()]
        found = text_array(texts).take(array_of(inverse))
        if not self.refused.any():
            return found
        bad = np.flatnonzero(self.refused).tolist()
        reasons = [f"refused: {self.rows.reason(self.start + row, int(self.found[row]))}" for row in bad]
        return pc.replace_with_mask(found, mask(self.refused), text_array(reasons))


def _assumed(columns: Columns, refused: Any) -> Counter[str]:
    """Return what stood in for what was not entered, and in how many rows that were interpreted."""
    counts = Counter[str]()
    for one in stand_ins(columns):
        counts[one.text] += int(np.count_nonzero(~refused & one.where))
    return +counts


def _starts(columns: Columns) -> range:
    """Return where a block is cut: what is worked at a time stays in the processor's cache."""
    return range(0, max(columns.size, 1), BLOCK)


def _interpreted(rows: Rows, columns: Columns, device: InstrumentClass, start: int) -> Interpreted:
    read, refused = columns.part(start, start + BLOCK), rows.faults.mask
    done = interpret_columns(read, device)
    bad, found = refused[start : start + BLOCK], done.mask.copy()
    for row in np.flatnonzero(bad).tolist():
        found[row] = rows.stops_of(start + row, int(found[row]))
    return Interpreted(rows, read, start, done, bad, found)


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
    mapping : TableMap, mapping or path, optional
        Heading -> key, where a heading is not a key itself; or a saved map with more.
    instrument : InstrumentClass or str, optional
        Accuracy class of the analyser; default the portable class.
    catalogue : mapping, optional
        A user's fuels, from :func:`combust.load_fuels`.
    default_fuel : Fuel, optional
        Of the rows that name none; without it diesel, and ``assumed`` says so.

    Returns
    -------
    pandas.DataFrame
        Same index and order, [units] in the names of the columns; refused rows have empty results and their reasons in
        ``findings``. What stood in for what was not entered (a row without a fuel counts as diesel) is in ``assumed``.

    Raises
    ------
    CombustError
        Headings that cannot be understood, or no frame at all.

    References
    ----------
    As for :func:`combust.interpret`: the same code.

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
    device = instrument_class(instrument)
    tasks = (
        (rows, columns, device, start)
        for rows in table.blocks()
        for columns in [reading_columns(rows, table.headings, catalogue, default_fuel)]
        for start in _starts(columns)
    )
    parts = [*in_order(lambda task: _interpreted(*task).columns(), tasks)]
    carried = carried_names(table.source.header, list(parts[0]))
    result = frame.copy()
    result.columns = [old if str(old) == new else new for old, new in zip(frame.columns, carried, strict=True)]
    for name in parts[0]:
        column = [part[name].numbers() if name in DECIMALS else part[name] for part in parts]
        result[name] = pa.chunked_array(column).to_pandas().to_numpy()
    return result
