"""Typical years in the open EPW and TMY3 formats, read by pvlib, which is imported only here (extra ``weather``)."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from combust.data.errors import CombustError, Fault, no_access, shorten

if TYPE_CHECKING:
    import pandas as pd

YEAR = 2001  # one year of 365 days for months that come from several
# What stands for "not measured": TMY3 Users Manual (NREL/TP-581-43156), EPW data dictionary of EnergyPlus.
NOT_MEASURED = {"temp_c": 99.9, "humidity_pct": 999.0, "pressure_hpa": 9999.0}
TMY3_MISSING = -9900.0


class TypicalYear(NamedTuple):
    """Hours of a typical year with the keys of a series, its format, and the height of its station [m]."""

    frame: pd.DataFrame
    format: str
    station_m: float


def format_of(path: Path) -> str:
    """Return "EPW" or "TMY3" by the first lines of a file, "" for any other.

    Raises
    ------
    CombustError
        It cannot be opened.
    """
    try:
        with path.open("rb") as file:
            first, second = file.readline(4096), file.readline(4096)
    except OSError as error:
        raise no_access("weather", path, error) from error
    if first.startswith(b"LOCATION,"):
        return "EPW"
    return "TMY3" if second.startswith(b"Date (MM/DD/YYYY),Time (HH:MM)") else ""


def read_typical_year(path: Path) -> TypicalYear:
    """Return the hours of an EPW or TMY3 file, each with the offset of the site's standard clock.

    Raises
    ------
    CombustError
        pvlib is not installed, or it cannot read the file.
    """
    kind = format_of(path)
    try:
        from pvlib import iotools
    except ImportError as error:
        why = f"is a typical year ({kind}), and the package that reads it is not installed"
        hint = 'Install it: pip install "combust[weather]", or save temperature, humidity and pressure as CSV.'
        raise CombustError(Fault("weather", path.name, "missing", why=why, hint=hint)) from error
    import pandas as pd

    try:
        if kind == "EPW":
            found, facts = iotools.read_epw(str(path.resolve()), coerce_year=YEAR)
            pressure = found["atmospheric_pressure"] / 100.0
        else:
            found, facts = iotools.read_tmy3(str(path.resolve()), coerce_year=YEAR, map_variables=True)
            pressure = found["pressure"]
        columns = {"temp_c": found["temp_air"], "humidity_pct": found["relative_humidity"], "pressure_hpa": pressure}
        frame = pd.DataFrame({key: np.asarray(column, dtype=float) for key, column in columns.items()})
        frame.insert(0, "taken_at", [stamp.isoformat() for stamp in found.index])
        station = float(facts["altitude"])
    except (ValueError, ArithmeticError, LookupError, TypeError, AttributeError, OSError) as error:
        why = f"is no {kind} file that can be read ({shorten(error, 100)})"
        raise CombustError(Fault("weather", path.name, "format", why=why, hint="Get the file again.")) from error
    for key, mark in NOT_MEASURED.items():
        frame[key] = frame[key].where((frame[key] < mark) & (frame[key] != TMY3_MISSING))
    return TypicalYear(frame, kind, station)
