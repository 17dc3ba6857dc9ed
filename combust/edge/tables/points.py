"""Points in Parquet: streamed in bounded memory, here or on Dask workers; the same function of a file in both."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa

from combust.application.safety import height_at_least
from combust.application.site.findings import RowLimits
from combust.data.errors import CombustError, Fault
from combust.data.fields import Field
from combust.domain.safety import STATES
from combust.edge.tables.dask_workers import Progress, group_runs, spread
from combust.edge.tables.pipeline import in_order
from combust.edge.tables.reader import Rows, Table, read_table
from combust.edge.tables.sink import table_sink
from combust.edge.tables.source import table_files
from combust.edge.tables.table_map import MapLike, TableMap
from combust.kernel.altitude import (
    COLDEST_C,
    HIGHEST_M,
    HOTTEST_C,
    LOWEST_M,
    AltitudeSurface,
    LambdaAtSite,
    lambda_from_surface,
)

MOST_TOLD = 3
# Measured numbers hardly repeat: a dictionary, statistics and compression cost more time than they save.
PLAIN: dict[str, Any] = {"compression": "none", "use_dictionary": False, "write_statistics": False}
NO_HEATER = RowLimits(math.nan, math.nan, False)


@dataclass(frozen=True, slots=True)
class PointCounts:
    """Rows read, with lambda, without, where the heater stays off; ``why`` tells of the first cells not used."""

    rows: int = 0
    with_lambda: int = 0
    why: tuple[str, ...] = ()
    off: int = 0

    @property
    def without(self) -> int:
        """Rows without lambda: no number, or outside -430 to 9000 m, -60 to 60 °C."""
        return self.rows - self.with_lambda

    def __add__(self, other: PointCounts) -> PointCounts:
        why = (*self.why, *other.why)[:MOST_TOLD]
        return PointCounts(self.rows + other.rows, self.with_lambda + other.with_lambda, why, self.off + other.off)


def point_table(source: Path, mapping: MapLike = None) -> Table:
    """Return a table of points to be read: altitude_m or pressure_hpa, and temp_c.

    Raises
    ------
    CombustError
        It cannot be read, or lacks a column.
    """
    fields = {
        "altitude_m": Field("altitude_m", meaning="height", unit="m", low=LOWEST_M, high=HIGHEST_M),
        "pressure_hpa": Field("pressure_hpa", meaning="station pressure", unit="hPa", low=200.0, high=1200.0),
        "temp_c": Field("temp_c", meaning="air temperature", unit="°C", low=COLDEST_C, high=HOTTEST_C),
    }
    alias = {name: name.replace("intake_", "") for name in ("intake_temp_c", "intake_temp_f")}
    table = read_table(source, fields, TableMap(alias).with_more(TableMap.of(mapping)), elsewhere=frozenset(alias))
    if not (table.holds("temp_c") and (table.holds("altitude_m") or table.holds("pressure_hpa"))):
        names, hint = ", ".join(table.source.header)[:80], "The table needs temp_c and altitude_m (or pressure_hpa)."
        raise CombustError(Fault("points", names, "missing", why="lacks a column", hint=hint))
    return table


def derate_rows(rows: Rows, surface: AltitudeSurface, limits: RowLimits = NO_HEATER) -> tuple[Any, PointCounts]:
    """Return an Arrow table of points, safety first and the five result columns added, and its counts."""
    derated = lambda_from_surface(surface, **rows.values)
    entered = [rows.values.get(key, np.nan) for key in ("altitude_m", "pressure_hpa")]
    ranks = limits.ranks(height_at_least(*entered), derated.air_ratio_full)
    states = pa.DictionaryArray.from_arrays(pa.array(ranks), pa.array(STATES))
    columns = [states, *rows.table.columns, *(pa.array(column) for column in derated)]
    known = int(np.count_nonzero(derated.air_ratio == derated.air_ratio))
    why = tuple(rows.first_told(MOST_TOLD))
    result = pa.Table.from_arrays(columns, names=["safety", *rows.table.column_names, *LambdaAtSite._fields])
    off = int(np.count_nonzero(ranks >= STATES.index("heater_off")))
    return result, PointCounts(rows.table.num_rows, known, why, off)


def derate_file(
    source: Path,
    out: Path,
    groups: list[int] | None,
    surface: AltitudeSurface,
    mapping: MapLike,
    limits: RowLimits,
    progress: Progress | None = None,
) -> PointCounts:
    """Derate one file of points (or some row groups of a Parquet file) into Parquet, in bounded memory.

    The result appears under its name only when it is complete.

    Raises
    ------
    CombustError
        The file has no rows, or cannot be read.
    """
    table = point_table(source, mapping)
    counts = PointCounts()

    def derated(rows: Rows) -> tuple[Any, PointCounts, int]:
        return *derate_rows(rows, surface, limits), rows.bytes_read

    with table_sink(out, parquet=PLAIN) as write:
        for result, part, read in in_order(derated, table.blocks(groups)):
            write(result)
            counts = counts + part
            if progress:
                progress(read, table.source.size)
        if counts.rows == 0:
            hint = "Give a table with rows."
            raise CombustError(Fault("points", str(source), "missing", why="has no rows", hint=hint))
    return counts


def derate_points(
    source: str | Path,
    out: str | Path,
    surface: AltitudeSurface,
    *,
    scheduler: str | None = None,
    workers: int | None = None,
    mapping: MapLike = None,
    progress: Progress | None = None,
    limits: RowLimits = NO_HEATER,
) -> PointCounts:
    """Derate points to Parquet: in one process, or on Dask workers, a task for each few row groups.

    A folder of Parquet files gives a folder with the same names, Dask a folder with one file for each task. A task
    that a dying worker takes with it is run again elsewhere; a file appears only when it is complete.

    Parameters
    ----------
    scheduler : str, optional
        Address of a running scheduler, ``tcp://host:port``; its workers must see the same files.
    workers : int, optional
        How many local worker processes to start without one.

    Raises
    ------
    CombustError
        ``out`` ends in something else than ``.parquet``, and is no folder; nothing there to read.
    """
    files, target, how = table_files(source), Path(out), TableMap.of(mapping)
    if target.suffix not in ("", ".parquet") and not target.is_dir():
        why, hint = "ends in no .parquet: derated points are written as Parquet", f"Write it like {target.stem}.parquet"
        raise CombustError(Fault("points_out", str(out), "format", why=why, hint=hint))
    if scheduler is None and workers is None:
        single = len(files) == 1 and target.suffix == ".parquet"
        places = [target if single else target / one.with_suffix(".parquet").name for one in files]
        tasks = [(file, place, None) for file, place in zip(files, places, strict=True)]
        return sum((derate_file(*task, surface, how, limits, progress) for task in tasks), PointCounts())
    spread_tasks = [
        (file.resolve(), (target / f"{file.stem}-{groups[0]:06d}.parquet").resolve(), groups)
        for file in files
        for groups in group_runs(file)[0]
    ]
    return sum(spread(derate_file, spread_tasks, (surface, how, limits), scheduler, workers, progress), PointCounts())
