"""Reading a fleet table from CSV (any spreadsheet's dialect) or Parquet into a pandas frame."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from combust.application.fleet.tables import RAGGED, fleet_fields
from combust.edge.tables.source import open_table

if TYPE_CHECKING:
    import pandas as pd


def read_fleet_table(name: str, path: str | Path) -> pd.DataFrame:
    """Return a table as it stands; a row of the wrong shape says so in a column of its own.

    Parameters
    ----------
    name : {"vehicles", "sites", "routes"}
    path : path
        Comma, semicolon or tab, decimal comma, byte order mark, or Parquet.

    Raises
    ------
    CombustError
        Missing, unreadable or empty file.
    """
    import pandas as pd

    source = open_table(path)
    texts = {key for key, spec in fleet_fields(name).items() if spec.kind != "number"}
    parts: list[Any] = []
    for block in source.blocks():
        part = block.table.to_pandas()
        part[RAGGED] = [block.ragged.get(row, "") for row in range(len(part))]
        parts.append(part)
    frame = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=list(source.header))
    if source.decimal == ",":
        for place, column in enumerate(frame.columns):
            if str(column).strip().lower() not in texts and column != RAGGED:
                pointed = frame.iloc[:, place].astype("string").str.replace(",", ".", regex=False)
                frame.isetitem(place, pointed)  # by its place: two columns may have no heading
    return frame
