"""Reading the three fleet tables: units converted, every fault listed with row and remedy, valid rows kept."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cache
from typing import Any

import numpy as np
import pandas as pd

from combust.data.errors import CombustError, Fault, shorten
from combust.data.fields import FOREIGN_UNITS, Field, fields_of
from combust.data.tables import load_table
from combust.kernel.air import pressure_from_altitude

EMPTY = ("", "nan", "na", "n/a", "null", "none", "-", "--")
FOOT_M = 0.3048
RAGGED = "#ragged"  # column in which a reader of files tells what is wrong with a row's shape
FAULT_COLUMNS = ("table", "row", "column", "value", "code", "severity", "text")


@dataclass
class Faults:
    """Faults of the tables, collected row by row: ``refused`` rows are left out, ``warned`` rows stay.

    ``offset`` is added to row numbers, for tables that are read in blocks.
    """

    rows: list[tuple[Any, ...]] = field(default_factory=list)
    offset: int = 0

    def add(
        self,
        table: str,
        where: Any,
        column: str,
        values: Any,
        code: str,
        text: Callable[[int], str],
        warn: bool = False,
    ) -> None:
        """Add one fault for every True of a mask; rows are counted from 1, the heading not counted."""
        severity = "warned" if warn else "refused"
        for row in np.flatnonzero(np.asarray(where)).tolist():
            value = "" if values is None else shorten(values[row])
            self.rows.append((table, self.offset + row + 1, column, value, code, severity, text(row)))

    def frame(self) -> pd.DataFrame:
        """Return the faults as a table, in the order of table and row."""
        frame = pd.DataFrame(self.rows, columns=list(FAULT_COLUMNS))
        return frame.sort_values(["table", "row"], kind="stable", ignore_index=True)

    def refused(self, table: str, size: int) -> Any:
        """Return a mask of the rows of a table that are refused."""
        mask = np.zeros(size, dtype=bool)
        mask[[row[1] - 1 - self.offset for row in self.rows if row[0] == table and row[5] == "refused"]] = True
        return mask


@cache
def fleet_fields(name: str) -> dict[str, Field]:
    """Return the columns of a fleet table (vehicles, sites, routes), key -> Field."""
    return fields_of(load_table("fleet_columns")[name])


def clean_table(name: str, raw: pd.DataFrame, faults: Faults) -> pd.DataFrame:
    """Return a fleet table with the vocabulary's columns and units, one row for each given one.

    Parameters
    ----------
    name : {"vehicles", "sites", "routes"}
    raw : DataFrame
        As read; columns in other units are recognised by their suffix (``_ft``, ``_f``, ``_inhg``).
    faults : Faults
        What is wrong is added here; a wrong cell becomes NaN or empty text.

    Raises
    ------
    CombustError
        The table has no rows, or lacks a required column.
    """
    specs = fleet_fields(name)
    if len(raw) == 0:
        hint = f"Fill in at least one row; the columns are {', '.join(specs)}."
        raise CombustError(Fault(f"{name} table", "0 rows", "missing", why="is empty", hint=hint))
    given = {str(column).strip().lower(): column for column in raw.columns}
    problems, sources = _sources(name, specs, given)
    if problems:
        raise CombustError(problems)
    columns: dict[str, Any] = {}
    for key, spec in specs.items():
        column, convert = sources.get(key, (None, None))
        kind = spec.kind
        if column is None:
            columns[key] = np.full(len(raw), np.nan) if kind == "number" else np.full(len(raw), "", dtype=object)
        elif kind == "number":
            columns[key] = _numbers(name, key, spec, raw[column], convert, faults)
        else:
            columns[key] = _texts(name, key, spec, raw[column], faults)
    frame = pd.DataFrame(columns)
    if RAGGED in raw:
        told = raw[RAGGED].fillna("").to_numpy(dtype=object)
        hint = "Correct the row: one cell for each heading."
        faults.add(name, told != "", "row", None, "format", lambda row: f"{told[row]}. {hint}")
    _require(name, specs, frame, faults)
    return frame


def _sources(
    name: str, specs: Mapping[str, Field], given: Mapping[str, Any]
) -> tuple[list[Fault], dict[str, tuple[Any, Any]]]:
    """Return (faults of the headings, column -> (heading, unit conversion or None))."""
    faults: list[Fault] = []
    sources: dict[str, tuple[Any, Any]] = {}
    for key, spec in specs.items():
        found: list[tuple[Any, Any]] = [(given[key], None)] if key in given else []
        for suffix, (ours, convert) in FOREIGN_UNITS.items():
            twin = key[: -len(ours)] + suffix
            if key.endswith(ours) and twin in given:
                found.append((given[twin], convert))
        if len(found) > 1:
            told = " and ".join(str(column) for column, _ in found)
            faults.append(Fault(f"{name}.{key}", told, "conflict", why="is given twice", hint="Keep one column."))
        elif found:
            sources[key] = found[0]
        elif spec.required:
            hint = spec.hint or f"Add the column {key}."
            faults.append(Fault(f"{name}.{key}", None, "missing", why="is no column of the table", hint=hint))
    if name == "vehicles" and "heater_id" not in sources and "profile" not in sources:
        hint = "Add heater_id (a known heater) or profile (a TOML file)."
        faults.append(Fault("vehicles.profile", None, "missing", why="is no column of the table", hint=hint))
    return faults, sources


def _numbers(name: str, key: str, spec: Field, column: Any, convert: Any, faults: Faults) -> Any:
    numeric = pd.api.types.is_numeric_dtype(column) and not pd.api.types.is_bool_dtype(column)
    raw = column.to_numpy()
    if numeric:
        numbers = pd.to_numeric(column).to_numpy(dtype=float, na_value=np.nan)
        bad = np.zeros(len(numbers), dtype=bool)
    else:
        text = column.astype("string").fillna("").str.strip()
        numbers = pd.to_numeric(text, errors="coerce").to_numpy(dtype=float, na_value=np.nan)
        bad = np.isnan(numbers) & ~text.str.lower().isin(EMPTY).to_numpy(dtype=bool)
    faults.add(name, bad, key, raw, "not_a_number", lambda row: _told(key, raw[row], spec, "is not a number"))
    infinite = np.isinf(numbers)
    numbers = numbers.astype(float, copy=True)
    if convert is not None:
        numbers = convert(numbers)
    low, high = spec.low, spec.high
    outside = (numbers < low) | (numbers > high) | infinite
    why = f"is outside {low:g} to {high:g} {spec.unit}".rstrip()
    faults.add(name, outside, key, raw, "out_of_band", lambda row: _told(key, raw[row], spec, why))
    numbers[outside] = np.nan
    return numbers


def _told(key: str, value: Any, spec: Field, why: str) -> str:
    hint = spec.hint or (f"Give {key} in {spec.unit}." if spec.unit else f"Correct {key}.")
    return f"{key} = {shorten(value)} {why}. {hint}"


def _texts(name: str, key: str, spec: Field, column: Any, faults: Faults) -> Any:
    """Return a text column trimmed, "" for empty words; worked on the different texts, which are few."""
    codes, different = pd.factorize(column)
    trimmed = [str(text).strip() for text in different]
    words = ["" if text.lower() in EMPTY else text for text in trimmed]
    if spec.kind == "choice":
        words = [word.lower() for word in words]
        choices = spec.choices
        bad = np.array([word not in ("", *choices) for word in words] + [False])[codes]
        values = np.array([*trimmed, ""], dtype=object)[codes]
        hint = f"Use one of {', '.join(choices)}."
        faults.add(name, bad, key, values, "unknown_name", lambda row: f"{key} = {shorten(values[row])}. {hint}")
    if spec.kind == "list":
        bad = np.array([not _good_list(word, (spec.low, spec.high)) for word in words] + [False])[codes]
        values = np.array([*trimmed, ""], dtype=object)[codes]
        faults.add(name, bad, key, values, "format", lambda row: _list_text(key, values[row]))
    return np.array([*words, ""], dtype=object)[codes]


def _good_list(text: str, band: tuple[float, float]) -> bool:
    try:
        return all(band[0] <= value <= band[1] for value in night_temperatures(text))
    except ValueError:
        return False


def _list_text(key: str, value: Any) -> str:
    return f"{key} = {shorten(value)} is no list of night temperatures. Write them like -20;-12;-5 in °C."


def _require(name: str, specs: Mapping[str, Field], frame: pd.DataFrame, faults: Faults) -> None:
    """Add a fault for every empty required cell that has no fault yet, and for identities that come twice."""
    known = {(row[1] - 1 - faults.offset, row[2]) for row in faults.rows if row[0] == name}
    for key, spec in specs.items():
        column = frame[key]
        if spec.required:
            mask = is_empty(column).to_numpy(dtype=bool, copy=True)
            mask[[row for row, told in known if told == key]] = False
            hint = spec.hint or f"Fill in {key}."
            faults.add(name, mask, key, None, "missing", constant(f"{key} is empty. {hint}"))
        if spec.unique:
            again = (column.duplicated(keep="first") & (column != "")).to_numpy(dtype=bool)
            values = column.to_numpy()
            faults.add(name, again, key, values, "duplicate", _duplicate_text(key, values))


def is_empty(column: pd.Series) -> pd.Series:
    """Return where a cleaned column is empty: NaN in a number column, "" in a text column."""
    return column.isna() if pd.api.types.is_numeric_dtype(column) else column == ""


def constant(text: str) -> Callable[[int], str]:
    """Return a sentence that is the same for every row."""
    return lambda _row: text


def _duplicate_text(key: str, values: Any) -> Callable[[int], str]:
    first: dict[Any, int] = {}
    for row, value in enumerate(values.tolist()):
        first.setdefault(value, row + 1)
    return lambda row: (
        f"{key} {shorten(values[row])} stands in row {first[values[row]]} already. Keep one, or give it its own name."
    )


def suspect_feet(sites: pd.DataFrame, highest_m: float, faults: Faults, *, given_in_feet: bool = False) -> None:
    """Refuse heights that can hardly be metres, and warn of the rest of their column.

    A height is taken for feet when it is above the highest site of the policy, or when the station pressure beside it
    fits the height as feet and not as metres. Heights ``given_in_feet`` that the pressure beside them fits as metres
    are told; without a pressure nothing can be said, as 1500 ft is as good a height as 1500 m.
    """
    height, pressure = sites["altitude_m"].to_numpy(dtype=float), sites["pressure_hpa"].to_numpy(dtype=float)
    with np.errstate(invalid="ignore"):
        as_metres = np.abs(pressure - pressure_from_altitude(np.nan_to_num(height)))
        as_feet = np.abs(pressure - pressure_from_altitude(np.nan_to_num(height) * FOOT_M))
        by_pressure = (as_metres > 60.0) & (as_feet < 45.0)
        too_high = height > highest_m
        mismatch = (as_metres > 60.0) & ~by_pressure & ~too_high
        metres_as_feet = given_in_feet & (
            np.abs(pressure - pressure_from_altitude(np.nan_to_num(height) / FOOT_M)) < 45.0
        )

    def text(row: int) -> str:
        value = height[row]
        return (
            f"altitude_m = {value:g} m looks like feet ({value:g} ft is {value * FOOT_M:.0f} m). If it is feet, name "
            "the column altitude_ft; if it is metres, raise highest_site_m in the policy or correct pressure_hpa."
        )

    suspected = too_high | by_pressure
    faults.add("sites", suspected, "altitude_m", height, "suspect_feet", text)
    faults.add(
        "sites",
        mismatch,
        "pressure_hpa",
        pressure,
        "conflict",
        lambda row: (
            f"pressure_hpa = {pressure[row]:g} does not belong to {height[row]:g} m (about "
            f"{pressure_from_altitude(height[row]):.0f} hPa). Give the station pressure, not reduced to sea level."
            + (f" {_metres_under_feet(height[row])}" if metres_as_feet[row] else "")
        ),
    )
    if suspected.any():
        rest = ~suspected & (height > 1000.0)
        told = "Other heights of this column look like feet: check that this one is metres."
        faults.add("sites", rest, "altitude_m", height, "suspect_feet", constant(told), warn=True)


def _metres_under_feet(height_m: float) -> str:
    entered = f"{height_m / FOOT_M:.0f}"
    return f"It would belong to {entered} m: if altitude_ft holds metres, name the column altitude_m."


def check_order_of_temperatures(sites: pd.DataFrame, faults: Faults) -> None:
    """Refuse a site whose design night is warmer than its mildest night of use."""
    cold, mild = sites["design_temp_c"].to_numpy(dtype=float), sites["mildest_use_temp_c"].to_numpy(dtype=float)
    faults.add(
        "sites",
        cold > mild,
        "design_temp_c",
        cold,
        "conflict",
        lambda row: (
            f"design_temp_c = {cold[row]:g} is warmer than mildest_use_temp_c = {mild[row]:g}. The design night is the "
            "coldest, the mildest is the warmest night on which the heater still runs."
        ),
    )


def night_temperatures(text: str) -> list[float]:
    """Return the temperatures of a ``;``-separated cell [°C]; raises ValueError when one is no number."""
    return [float(part.replace(",", ".")) for part in text.split(";") if part.strip()]
