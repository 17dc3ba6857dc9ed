"""What-if: a change in words, made to the checked tables of a fleet before they are planned.

A change is ``COLUMN = VALUE``, ``COLUMN raised by NUMBER``, ``COLUMN lowered by NUMBER`` or ``type NAME = NAME``, each
with ``where COLUMN < VALUE and COLUMN = VALUE`` behind it where it holds for some rows only (``= != < <= > >=``).
``moves FILE`` puts vehicles where the proposal of an earlier plan moves them (:func:`moves_made`).
Columns are those of vehicles and sites; a vehicle is also chosen by the columns of its site. ``heater_id = NAME`` and
``profile = NAME`` are the same as ``type``, for whatever heater the vehicle has: one way to ask, one answer.
"""

from __future__ import annotations

import operator
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from combust.application.fleet.tables import MOST_NAMED, FleetTable, fleet_fields
from combust.data.errors import CombustError, Fault
from combust.data.fields import Field
from combust.data.near import did_you_mean, folded_id, near_matches

SIGNS = {
    "<=": operator.le, ">=": operator.ge, "!=": operator.ne, "=": operator.eq, "<": operator.lt, ">": operator.gt,
}  # fmt: skip
SET = re.compile(r"(?P<column>\w+)\s*=\s*(?P<value>.+)")
MOVE = re.compile(r"(?P<column>\w+)\s+(?P<way>raised|lowered)\s+by\s+(?P<value>\S.*)")
TYPE = re.compile(r"type\s+(?P<value>[^=]+?)\s*=\s*(?P<other>.+)")
CONDITION = re.compile(r"(?P<column>\w+)\s*(?P<sign><=|>=|!=|=|<|>)\s*(?P<value>.+)")
WITH_UNIT = re.compile(r"(?P<number>[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)\s*(?P<unit>[^\d\s.,][^\d.,]*)?")
DEGREES = ("°c", "degc", "deg c", "c", "k")
EXAMPLES = "Write it like 'design_temp_c lowered by 8' or 'type small = large where altitude_m >= 2500'."
MOVES = "moves"
TYPE_COLUMNS = ("type", "heater_id", "profile")  # all name the heater of a vehicle: its profile, else its heater_id
# What belongs to the document of a heater and to what is fitted to it: gone with another heater.
OF_THE_HEATER = {"compensation": "none", "compensation_limit_m": np.nan, "blower_trim_max_pct": np.nan}


@dataclass(frozen=True)
class Condition:
    """A column, how it is compared, and with what."""

    column: str
    sign: str
    value: Any


@dataclass(frozen=True)
class Place:
    """Where a vehicle is moved from and to."""

    from_site: str
    to_site: str
    to_route: str


@dataclass(frozen=True)
class Change:
    """One change as it was typed and as it is made.

    Attributes
    ----------
    text : str
    column : str
        What changes; ``type`` for a heater.
    way : str
        ``set``, ``raised`` or ``lowered``.
    value, other : str
        The new value; of a type, the old name ("" = whatever it has) and the new one.
    conditions : tuple of Condition
    """

    text: str
    column: str
    way: str
    value: Any
    other: str = ""
    conditions: tuple[Condition, ...] = ()

    @property
    def table(self) -> str:
        """The table it is made to: that of the column, vehicles where what it asks for is known of a vehicle only."""
        asked = {one.column for one in self.conditions} | ({self.column} - {"type", "fuel"})
        of_vehicle = any(column not in fleet_fields("sites") for column in asked)
        return "vehicles" if self.column in ("type", MOVES) or of_vehicle else "sites"


def read_change(text: str) -> Change:
    """Return a change from its words.

    Raises
    ------
    CombustError
        Words that are no change, a column that no table has, a value that the column cannot hold: every fault at once.
    """
    said, _, where = text.partition(" where ")
    said = said.strip()
    faults: list[Fault] = []
    conditions = tuple(_condition(one, faults) for one in where.split(" and ")) if where.strip() else ()
    if found := TYPE.fullmatch(said):
        return _whole(Change(text, "type", "set", found["value"].strip(), found["other"].strip(), conditions), faults)
    if found := MOVE.fullmatch(said):
        value = _value(found["column"], found["value"], faults, moved=True)
        return _whole(Change(text, found["column"], found["way"], value, conditions=conditions), faults)
    if found := SET.fullmatch(said):
        if found["column"] in TYPE_COLUMNS:
            return _whole(Change(text, "type", "set", "", found["value"].strip(), conditions), faults)
        value = _value(found["column"], found["value"].strip(), faults)
        return _whole(Change(text, found["column"], "set", value, conditions=conditions), faults)
    raise CombustError([*faults, Fault("--change", text, "format", why="is no change", hint=EXAMPLES)])


def moves_made(text: str, moves: pd.DataFrame) -> Change:
    """Return the change that puts vehicles where the moves of a plan put them.

    Parameters
    ----------
    text : str
        How it was asked for.
    moves : DataFrame
        ``vehicle_id, from_site, to_site, to_route``: ``FleetPlan.assignment.moves``, or moves.csv of its folder.
    """
    rows = moves[["vehicle_id", "from_site", "to_site", "to_route"]].itertuples(index=False)
    return Change(text, MOVES, "set", {row.vehicle_id: Place(*row[1:]) for row in rows})


def _wrong_moves(change: Change, vehicles: pd.DataFrame) -> list[Fault]:
    """Return a fault for each vehicle that is not there, or no longer where it is moved from."""
    stands = dict(zip(vehicles["vehicle_id"], vehicles["site_id"], strict=True))
    hint = "Give the moves of a plan of these very tables."
    faults = []
    for name, place in change.value.items():
        if name not in stands:
            faults.append(
                Fault(f"--change, {MOVES}", name, "unknown_name", why="is no vehicle of the table", hint=hint)
            )
        elif stands[name] != place.from_site:
            why = f"stands at {stands[name] or 'no site'}, and is moved from {place.from_site}"
            faults.append(Fault(f"--change, {MOVES}", name, "conflict", why=why, hint=hint))
    return faults


def _whole(change: Change, faults: list[Fault]) -> Change:
    tables = [name for name in ("vehicles", "sites") if change.column in fleet_fields(name)]
    if not faults and tables == ["sites"] and change.table == "vehicles":
        why = "belongs to a site and is asked for by a column of the vehicles"
        hint = "Choose sites by their own columns, for example site_id or altitude_m."
        faults.append(Fault("--change", change.text, "conflict", why=why, hint=hint))
    if faults:
        raise CombustError(faults)
    return change


def _field(column: str, faults: list[Fault]) -> Field | None:
    column = "heater_id" if column in TYPE_COLUMNS else column
    for name in ("vehicles", "sites"):
        if column in fleet_fields(name):
            return fleet_fields(name)[column]
    known = sorted({*fleet_fields("vehicles"), *fleet_fields("sites")})
    near = near_matches(column, known)
    hint = f"Did you mean {' or '.join(near)}?" if near else f"Columns: {', '.join(known)}."
    faults.append(Fault("--change", column, "unknown_name", why="is no column of vehicles or sites", hint=hint))
    return None


def _value(column: str, text: str, faults: list[Fault], moved: bool = False) -> Any:
    """Return the value of a column, checked against its record; what a number is moved by has no band of its own."""
    field = _field(column, faults)
    if field is None:
        return text
    if moved and field.kind != "number":
        faults.append(
            Fault(column, text, "format", why="is no number that can be raised", hint=f"Write {column} = ...")
        )
        return text
    field = replace(field, low=-np.inf, high=np.inf) if moved else field
    value = _number(text, field, faults) if field.kind == "number" else text
    if value is None:
        return text
    if wrong := field.faults_of(value):
        faults.extend(wrong)
        return text
    return field.checked(value)


def _number(text: str, field: Field, faults: list[Fault]) -> Any:
    """Return the number of a text, the unit of its column allowed behind it; None after the fault of another unit."""
    found = WITH_UNIT.fullmatch(text.strip())
    if not found:
        return text
    unit = (found["unit"] or "").strip().casefold()
    if unit and unit != field.unit.casefold() and not (field.unit in ("°C", "K") and unit in DEGREES):
        why = f"has the unit {found['unit']}, which is not that of {field.key}"
        hint = f"Write the number in {field.unit}, or alone." if field.unit else "Write the number alone."
        faults.append(Fault("--change", text, "format", why=why, hint=hint))
        return None
    return float(found["number"])


def _condition(text: str, faults: list[Fault]) -> Condition:
    found = CONDITION.fullmatch(text.strip())
    if not found:
        faults.append(Fault("--change", text.strip(), "format", why="is no condition", hint=EXAMPLES))
        return Condition("", "=", "")
    field = _field(found["column"], faults)
    number = field is not None and field.kind == "number"
    value = _number(found["value"].strip(), field, faults) if field and number else found["value"].strip()
    if number and isinstance(value, str):
        faults.append(
            Fault(found["column"], value, "not_a_number", why="is no number", hint="Compare it with a number.")
        )
    column = "type" if found["column"] in TYPE_COLUMNS else found["column"]
    return Condition(column, found["sign"], value if number else found["value"].strip())


def changed_tables(
    tables: Mapping[str, FleetTable], changes: Iterable[str | Change], types: Iterable[str] = ()
) -> tuple[dict[str, FleetTable], tuple[str, ...]]:
    """Return (the tables with the changes made one after the other, what is to be told of each).

    ``types`` are the heaters that have a profile: another heater must be one of them, or stand in the table.

    Raises
    ------
    CombustError
        As :func:`read_change`, or a value that leaves its band.
    """
    out, notes = dict(tables), []
    read: list[Change] = []
    faults: list[Fault] = []
    for text in changes:
        try:
            read.append(text if isinstance(text, Change) else read_change(text))
        except CombustError as error:
            faults.extend(error.faults)
    if faults:
        raise CombustError(faults)
    for change in read:
        moved = change.column == MOVES
        lost = _wrong_moves(change, out["vehicles"].frame) if moved else _in_no_row(tables, out, change, types)
        if lost:
            raise CombustError(lost)
        rows = _rows(out, change)
        frame = out[change.table].frame.copy()
        more = ""
        if moved:
            rows = frame["vehicle_id"].isin(change.value).to_numpy()
            for row in np.flatnonzero(rows):
                place = change.value[frame.at[row, "vehicle_id"]]
                frame.loc[row, ["site_id", "route_id"]] = [place.to_site, place.to_route]
        elif change.column == "type":
            named = _heaters(frame)
            said = pd.Series(named).map(folded_id).to_numpy()
            rows &= (said == folded_id(change.value)) if change.value else (said != folded_id(change.other))
            for column in ("profile", "heater_id"):
                frame.loc[rows & (frame[column] == named).to_numpy(), column] = change.other
            for column, value in OF_THE_HEATER.items():
                frame.loc[rows, column] = value
            more = ", with no compensation and the limits of its own document"
        elif change.column == "fuel":
            frame.loc[rows, "fuel"] = change.value
            if change.table == "sites":
                frame.loc[rows, "cold_filter_plugging_c"] = np.nan
            more = "; the plugging point that was entered is that of another fuel: not known"
            more += "; a heater made for gasoline where this is diesel, or the other way, keeps its own"
        else:
            frame.loc[rows, change.column] = _moved(frame.loc[rows, change.column], change)
        out[change.table] = replace(out[change.table], frame=frame)
        notes.append(f"changed: {change.text}: {int(rows.sum())} of {len(frame)} {change.table}{more}")
    return out, tuple(notes)


def _heaters(vehicles: pd.DataFrame) -> Any:
    return np.where(vehicles["profile"] != "", vehicles["profile"], vehicles["heater_id"])


def _in_no_row(
    given: Mapping[str, FleetTable], now: Mapping[str, FleetTable], change: Change, types: Iterable[str]
) -> list[Fault]:
    """Return a fault for each name of a change that no row holds, as given or as changed so far."""

    def held(column: str) -> set[str]:
        table = "vehicles" if column in ("type", *fleet_fields("vehicles")) else "sites"
        frames = [tables[table].frame for tables in (given, now)]
        return {str(one) for frame in frames for one in (_heaters(frame) if column == "type" else frame[column])} - {""}

    asked = [
        (one.column, one.value, held(one.column)) for one in change.conditions if one.sign == "=" and _is_name(one)
    ]
    if change.column == "type":
        known = held("type")
        asked += [("type", change.value, known)] if change.value else []
        asked += [("type", change.other, known | set(types))] if types else []
    faults = []
    for column, name, known in asked:
        if folded_id(name) not in {*map(folded_id, known)}:
            # A site without vehicles holds no row of theirs, but it may be the one that was meant.
            sites = {str(one) for one in now["sites"].frame["site_id"]} if column == "site_id" else set()
            hint = did_you_mean(
                near_matches(name, sorted(known | sites)), f"There are: {', '.join(sorted(known)[:MOST_NAMED])}."
            )
            faults.append(Fault(f"--change, {column}", name, "unknown_name", why="matches no row", hint=hint))
    return faults


def _is_name(one: Condition) -> bool:
    fields = fleet_fields("vehicles") | fleet_fields("sites")
    return one.sign in ("=", "!=") and fields["heater_id" if one.column == "type" else one.column].kind not in (
        "number",
        "numbers",
        "choice",
    )


def _moved(column: pd.Series, change: Change) -> Any:
    if change.way == "set":
        return change.value
    moved = column + (change.value if change.way == "raised" else -change.value)
    field = fleet_fields(change.table)[change.column]
    wrong = [fault for one in moved.dropna().unique().tolist() for fault in field.faults_of(one)]
    if wrong:
        raise CombustError(wrong)
    return moved


def _rows(tables: Mapping[str, FleetTable], change: Change) -> Any:
    """Return which rows of the change's table its conditions choose; a cell that is empty is never chosen."""
    frame = tables[change.table].frame
    rows = np.ones(len(frame), dtype=bool)
    for one in change.conditions:
        column = pd.Series(_heaters(frame)) if one.column == "type" else frame.get(one.column)
        if column is None:
            site = tables["sites"].frame.drop_duplicates("site_id").set_index("site_id")[one.column]
            column = frame["site_id"].map(site)
        empty = column.isna() | (column == "")
        value = one.value
        if _is_name(one):
            column, value = column.map(folded_id), folded_id(value)
        rows &= np.asarray(SIGNS[one.sign](column, value) & ~empty, dtype=bool)
    return rows
