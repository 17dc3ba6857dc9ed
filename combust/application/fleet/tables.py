"""The three fleet tables as they are judged: faults by line with their remedy, required cells, heights that can be."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from functools import cache
from typing import Any

import numpy as np
import pandas as pd

from combust.application.fleet.policy import Policy
from combust.data.errors import CombustError, Fault, first_few, shorten
from combust.data.fields import Field, fields_of
from combust.data.near import folded_id, folded_name
from combust.data.tables import load_table
from combust.data.units import FOREIGN_UNITS
from combust.domain.site import mismatch_words, pressure_mismatch
from combust.kernel.air import pressure_from_altitude

FOOT_M = FOREIGN_UNITS["_ft"].convert(1.0)
FAULT_COLUMNS = ("table", "row", "column", "value", "code", "severity", "text")
MOST_NAMED, MOST_RAISED = 5, 50
# Columns that every table has and whose cell may be "not measured": the policy stands in, and each such row is told.
FROM_POLICY = ("cab_ua_w_per_k",)
WHOSE = " Vehicle: "  # stands before the name of a vehicle at the end of a fault


@cache
def fleet_fields(name: str) -> dict[str, Field]:
    """Return the columns of a fleet table (vehicles, sites, routes), key -> Field."""
    return fields_of(load_table("fleet_columns")[name])


@dataclass(frozen=True)
class FleetTable:
    """Rows of a fleet table as the reader of tables gives them.

    Attributes
    ----------
    frame : DataFrame
        A column for each record of :func:`fleet_fields`: numbers in its unit (NaN = empty or wrong), texts ("" = empty
        or wrong), lists of numbers as tuples.
    lines : array of int
        Each row's line in the spreadsheet, the heading counted.
    faults : sequence of (row, column, Fault)
        What is wrong with a cell or with the shape of a row; rows count from 0.
    in_feet : bool
        Heights were given in feet.
    notes : sequence of str
        What is to be told of the table as a whole.
    """

    name: str
    frame: pd.DataFrame
    lines: Any
    faults: list[tuple[int, str, Fault]]
    in_feet: bool = False
    notes: tuple[str, ...] = ()


@dataclass
class Faults:
    """Faults of the tables, line by line: rows in ``refused`` are left out, warned rows stay."""

    rows: list[tuple[Any, ...]] = field(default_factory=list)
    lines: dict[str, Any] = field(default_factory=dict)
    refused: dict[str, Any] = field(default_factory=dict)
    vehicles: Any = ()

    def take(self, table: FleetTable) -> pd.DataFrame:
        """Take up a table with the faults of its cells, its empty required cells and its doubles; return its frame."""
        name, size = table.name, len(table.frame)
        self.lines[name], self.refused[name] = table.lines, np.zeros(size, dtype=bool)
        if name == "vehicles":
            self.vehicles = table.frame["vehicle_id"].to_numpy()
        for row, key, fault in table.faults:
            self._one(name, row, key, shorten("" if fault.value is None else fault.value), fault.code, str(fault))
        known = {(row, key) for row, key, _ in table.faults}
        for key, spec in fleet_fields(name).items():
            column = table.frame[key]
            if spec.required and key not in FROM_POLICY:
                mask = is_empty(column).to_numpy(dtype=bool, copy=True)
                mask[[row for row, wrong in known if wrong == key]] = False
                hint = spec.hint or f"Fill in {key}."
                self.add(name, mask, key, None, "missing", f"{key} is empty. {hint}")
            if spec.unique:
                alike = column.map(folded_id)
                again = (alike.duplicated(keep="first") & (column != "")).to_numpy(dtype=bool)
                first = pd.Series(table.lines).groupby(alike.to_numpy()).transform("first")

                def already(row: int, key: str = key, column: Any = column, first: Any = first) -> str:
                    return f"{key} {shorten(column[row])} stands in row {first[row]} already. Keep one, or rename it."

                self.add(name, again, key, column, "duplicate", already)
            if spec.unique or key == "route_id":
                self._nearly_alike(name, key, column)
        return table.frame

    def _nearly_alike(self, table: str, key: str, column: pd.Series) -> None:
        """Warn of each name that differs from an earlier one in capitals, letter forms or blanks alone."""
        names = column[column != ""].drop_duplicates()
        names = names[~names.map(folded_id).duplicated()]
        folded = names.map(folded_name)
        first = names.groupby(folded).transform("first")
        for row in names.index[names != first]:
            line = self.lines[table][int((column == first[row]).idxmax())]
            text = (
                f"{key} {shorten(names[row])} and {shorten(first[row])} (row {line}) differ in capitals, letter form "
                "or blanks only, and are planned as two. If they are one, write them alike; if not, rename one."
            )
            self._one(table, row, key, shorten(names[row]), "duplicate", text, warn=True)

    def add(
        self,
        table: str,
        where: Any,
        column: str,
        values: Any,
        code: str,
        text: str | Callable[[int], str],
        warn: bool = False,
    ) -> None:
        """Add one fault for every True of a mask, of ``values`` at the rows; a text may be made for each row."""
        for row in np.flatnonzero(np.asarray(where)).tolist():
            value = "" if values is None else shorten(values[row])
            self._one(table, row, column, value, code, text if isinstance(text, str) else text(row), warn)

    def add_group(
        self, table: str, rows: Iterable[int], column: str, value: str, code: str, text: str, warn: bool = False
    ) -> None:
        """Tell many rows of one reason once, at the first of them."""
        rows = list(rows)
        self.refused[table][rows] |= not warn
        lines = [self._line(table, row) for row in rows[:MOST_NAMED]]
        named = ", ".join(lines)
        more = f" and {len(rows) - MOST_NAMED} more" if len(rows) > MOST_NAMED else ""
        sentence = f"{text} It concerns {len(rows)} {table} (rows {named}{more})." if len(rows) > 1 else text
        self._one(table, rows[0], column, shorten(value), code, sentence, warn)

    def _one(self, table: str, row: int, column: str, value: str, code: str, text: str, warn: bool = False) -> None:
        self.refused[table][row] |= not warn
        severity = "warned" if warn else "refused"
        who = self._who(table, row)
        if who and who not in text:
            text = f"{text}{WHOSE}{who}."
        self.rows.append((table, int(self.lines[table][row]), column, value, code, severity, text))

    def _who(self, table: str, row: int) -> str:
        """Return the vehicle of a row; "" in another table, or where it has no name."""
        return shorten(self.vehicles[row], 40) if table == "vehicles" and self.vehicles[row] else ""

    def _line(self, table: str, row: int) -> str:
        who = self._who(table, row)
        return f"{self.lines[table][row]}{f': {who}' if who else ''}"

    def as_faults(self) -> list[Fault]:
        """Return the first of what was refused, as an error tells it."""
        rows = self.frame().query("severity == 'refused'").head(MOST_RAISED)
        return [
            Fault(f"{row.table} row {row.row}, {row.column}", row.value, row.code, why="was refused", hint=row.text)
            for row in rows.itertuples()
        ]

    def frame(self) -> pd.DataFrame:
        """Return the faults as a table, in the order of table and row."""
        frame = pd.DataFrame(self.rows, columns=list(FAULT_COLUMNS))
        return frame.sort_values(["table", "row"], kind="stable", ignore_index=True)


def not_measured(frame: pd.DataFrame, policy: Policy, faults: Faults) -> pd.DataFrame:
    """Return the vehicles with the policy's value where a cell says that it was not measured; each is told."""
    for key in FROM_POLICY:
        empty = (frame[key].isna() & ~faults.refused["vehicles"]).to_numpy()
        if empty.any():
            hint = fleet_fields("vehicles")[key].hint
            text = f"{key} was not measured: planned with {policy[key]:g} W/K of the policy. {hint}"
            faults.add_group("vehicles", np.flatnonzero(empty).tolist(), key, "", "missing", text, warn=True)
    return frame.assign(**{key: frame[key].fillna(policy[key]) for key in FROM_POLICY})


def told_at_once(faults: pd.DataFrame) -> pd.DataFrame:
    """Return the faults with the rows of one reason told once: how many, the first of them, one remedy.

    Examples
    --------
    >>> rows = [("sites", row, "fuel", "kit", "unknown_name", "refused", "kit is none.") for row in range(2, 9)]
    >>> told_at_once(pd.DataFrame(rows, columns=list(FAULT_COLUMNS)))[["row", "count"]].to_numpy().tolist()
    [['2, 3, 4, 5, 6 and 2 more', 7]]
    """
    alike = faults.assign(text=faults["text"].str.rsplit(WHOSE, n=1).str[0]) if len(faults) else faults
    groups = alike.groupby([one for one in FAULT_COLUMNS if one != "row"], sort=False, dropna=False)["row"]
    rows = []
    for lines in groups.groups.values():
        first = faults.loc[lines[0]].to_dict()
        whole = first["text"] if len(lines) == 1 else alike.loc[lines[0], "text"]
        named = first_few([str(faults.loc[line, "row"]) for line in lines], MOST_NAMED)
        rows.append({**first, "row": named, "text": whole, "count": len(lines)})
    return pd.DataFrame(rows, columns=[*FAULT_COLUMNS, "count"])


def check_columns_there(name: str, held: Iterable[str]) -> None:
    """Refuse a fleet table that lacks a required column.

    Raises
    ------
    CombustError
        All missing columns at once.
    """
    held, absent = set(held), "is no column of the table"
    faults = [
        Fault(f"{name}.{key}", None, "missing", why=absent, hint=spec.hint or f"Add the column {key}.")
        for key, spec in fleet_fields(name).items()
        if spec.required and key not in held
    ]
    if name == "vehicles" and not held & {"heater_id", "profile"}:
        hint = "Add heater_id (a known heater) or profile (a TOML file)."
        faults.append(Fault("vehicles.profile", None, "missing", why=absent, hint=hint))
    if faults:
        raise CombustError(faults)


def is_empty(column: pd.Series) -> pd.Series:
    """Return where a cleaned column is empty: NaN in a number column, "" in a text column."""
    return column.isna() if pd.api.types.is_numeric_dtype(column) else column == ""


def suspect_feet(sites: pd.DataFrame, highest_m: float, faults: Faults, *, given_in_feet: bool) -> None:
    """Refuse heights that can hardly be metres, and warn of the rest of their column.

    A height is taken for feet when it is above the highest site of the policy, or when the station pressure beside it
    fits the height as feet and not as metres. Heights ``given_in_feet`` that the pressure beside them fits as metres
    are told; without a pressure nothing can be said, as 1500 ft is as good a height as 1500 m.
    """
    height, pressure = sites["altitude_m"].to_numpy(dtype=float), sites["pressure_hpa"].to_numpy(dtype=float)
    with np.errstate(invalid="ignore"):
        fits_feet, fits_metres = (
            np.abs(pressure - pressure_from_altitude(np.nan_to_num(other))) < 45.0
            for other in (height * FOOT_M, height / FOOT_M)
        )
        mismatched = pressure_mismatch(height, pressure)
        suspected = (height > highest_m) | (mismatched & fits_feet)

    def looks_like_feet(row: int) -> str:
        value = height[row]
        return (
            f"altitude_m = {value:g} m looks like feet ({value:g} ft is {value * FOOT_M:.0f} m). If it is feet, name "
            "the column altitude_ft; if it is metres, raise highest_site_m in the policy or correct pressure_hpa."
        )

    def does_not_fit(row: int) -> str:
        text = f"pressure_hpa = {pressure[row]:g} {'. '.join(mismatch_words(height[row]))}"
        if not (given_in_feet and fits_metres[row]):
            return text
        entered = f"{height[row] / FOOT_M:.0f}"
        return f"{text} It would belong to {entered} m: if altitude_ft holds metres, name the column altitude_m."

    faults.add("sites", suspected, "altitude_m", height, "suspect_feet", looks_like_feet)
    faults.add("sites", mismatched & ~suspected, "pressure_hpa", pressure, "conflict", does_not_fit)
    if suspected.any():
        rest = ~suspected & (height > 1000.0)
        sentence = "Other heights of this column look like feet: check that this one is metres."
        faults.add("sites", rest, "altitude_m", height, "suspect_feet", sentence, warn=True)


def check_order_of_temperatures(sites: pd.DataFrame, faults: Faults) -> None:
    """Refuse a site whose design night is warmer than its mildest night of use."""
    cold, mild = sites["design_temp_c"].to_numpy(dtype=float), sites["mildest_use_temp_c"].to_numpy(dtype=float)

    def text(row: int) -> str:
        return (
            f"design_temp_c = {cold[row]:g} is warmer than mildest_use_temp_c = {mild[row]:g}. The design night is the "
            "coldest, the mildest is the warmest night on which the heater still runs."
        )

    faults.add("sites", cold > mild, "design_temp_c", cold, "conflict", text)


def metres_beside_routes(sites: FleetTable, highest_point_m: float, faults: Faults) -> None:
    """Warn of sites under a heading in feet that lie far below their routes, where the entries as metres would fit."""
    height = sites.frame["altitude_m"].to_numpy(dtype=float)
    if not sites.in_feet or np.isnan(height).all() or not highest_point_m > 0.0:
        return
    highest = float(np.nanmax(height))
    near = 0.4 * highest_point_m
    if highest < near <= highest / FOOT_M <= 1.1 * highest_point_m:
        sentence = (
            f"The highest site lies at {highest:.0f} m, the routes climb to {highest_point_m:.0f} m. If altitude_ft "
            f"holds metres ({highest / FOOT_M:.0f} m would fit), name the column altitude_m."
        )
        faults.add("sites", height == highest, "altitude_m", height, "suspect_feet", sentence, warn=True)
