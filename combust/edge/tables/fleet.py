"""The three fleet tables through the one reader, and the plan made of them."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from combust.application.fleet.changes import MOVES, Change, changed_tables, moves_made
from combust.application.fleet.due import HeaterLog
from combust.application.fleet.heater_types import names_in
from combust.application.fleet.hours import Season
from combust.application.fleet.plan import FleetPlan, plan_tables
from combust.application.fleet.points import NO_POINTS, RouteSums, RouteUse, route_block
from combust.application.fleet.policy import Policy
from combust.application.fleet.tables import Faults, FleetTable, check_columns_there, fleet_fields
from combust.data.errors import CombustError, Fault
from combust.domain.heater import Heater
from combust.edge.logbook.history import heater_log
from combust.edge.tables.plan_files import moves_file
from combust.edge.tables.reader import Rows, Table, open_source, read_table
from combust.edge.tables.source import table_files
from combust.edge.tables.table_map import MapLike, TableMap
from combust.edge.tables.weather import WeatherFolder

if TYPE_CHECKING:
    import pandas as pd

NAMES = ("vehicles", "sites", "routes", "weather")


def open_fleet_table(name: str, given: Any, mapping: MapLike = None, others: Iterable[Any] = ()) -> Table:
    """Return a fleet table ("vehicles", "sites" or "routes") to be read block by block.

    ``others`` are the other tables of the plan: a map may name their headings and columns too.

    Raises
    ------
    CombustError
        Missing, unreadable, a heading that cannot be understood, a required column that is not there.
    """
    table = read_table(given, fleet_fields(name), mapping, elsewhere=names_elsewhere(mapping, others))
    check_columns_there(name, (heading.key for heading in table.headings if heading.key))
    return table


def names_elsewhere(mapping: MapLike, others: Iterable[Any]) -> frozenset[str]:
    """Return the columns and, where a map needs them, the headings of the other tables of a plan."""
    keys, how = {key for name in NAMES for key in fleet_fields(name)}, TableMap.of(mapping)
    return frozenset(keys.union(*(open_source(one).header for one in others) if how.headings or how.either else ()))


def read_fleet_table(name: str, given: Any, mapping: MapLike = None, others: Iterable[Any] = ()) -> FleetTable:
    """Return a whole fleet table, checked.

    Raises
    ------
    CombustError
        As :func:`open_fleet_table`, or no rows.
    """
    import pandas as pd

    table = open_fleet_table(name, given, mapping, others)
    parts = [fleet_rows(name, rows) for rows in table.blocks()]
    starts = np.cumsum([0, *(len(part.frame) for part in parts)])
    if starts[-1] == 0:
        hint = f"Fill in at least one row; the columns are {', '.join(fleet_fields(name))}."
        raise CombustError(Fault(f"{name} table", "0 rows", "missing", why="is empty", hint=hint))
    faults = [
        (int(first) + row, key, fault)
        for first, part in zip(starts, parts, strict=False)
        for row, key, fault in part.faults
    ]
    return FleetTable(
        name,
        pd.concat([part.frame for part in parts], ignore_index=True),
        np.concatenate([part.lines for part in parts]),
        faults,
        any(heading.foreign == "altitude_ft" for heading in table.headings),
        tuple(f"{name}: {note}" for note in table.notes),
    )


def fleet_rows(name: str, rows: Rows, before: int = 0) -> FleetTable:
    """Return some rows of a fleet table; ``before`` counts rows of files before this one."""
    import pandas as pd

    columns, kind = {}, object if name == "routes" else None  # names of points by the million stay shared objects
    for key, record in fleet_fields(name).items():
        column = rows.values.get(key)
        if column is None:
            column = np.full(len(rows.lines), np.nan if record.kind == "number" else "")
        elif record.kind == "choice":
            column = np.array([*record.choices, ""], dtype=object)[column]
        columns[key] = column if record.kind == "number" else pd.Series(column, dtype=kind)
    faults = [(row, key, fault) for row, found in rows.faults.of.items() for key, fault in found]
    return FleetTable(name, pd.DataFrame(columns), rows.lines + before, faults)


def route_tables(given: Any, mapping: MapLike = None, others: Iterable[Any] = ()) -> list[Table]:
    """Return the files of a routes table, a frame or a path, as tables to be read; a folder holds Parquet files."""
    files = table_files(given) if isinstance(given, str | Path) else [given]
    return [open_fleet_table("routes", file, mapping, others) for file in files]


def sum_routes(
    tables: list[Table], uses: list[RouteUse], *, progress: Callable[[int, int], None] | None = None
) -> RouteSums:
    """Return the route sums of the tables of :func:`route_tables`, block by block in one process.

    Raises
    ------
    CombustError
        The tables hold no row.
    """
    total = NO_POINTS
    for table in tables:
        total = total + sum_table(table, total.read, None, uses, progress)
    if total.read == 0:
        hint = "Fill in at least one row."
        raise CombustError(Fault("routes table", "0 rows", "missing", why="is empty", hint=hint))
    return total


def sum_table(
    table: Table,
    before: int,
    groups: list[int] | None,
    uses: list[RouteUse],
    progress: Callable[[int, int], None] | None = None,
) -> RouteSums:
    """Return the route sums of one table, or of some row groups of it, behind so many rows of other tables."""
    total = NO_POINTS
    for rows in table.blocks(groups):
        total = total + route_block(fleet_rows("routes", rows, before), uses)
        if progress:
            progress(rows.bytes_read, table.source.size)
    return total


def moves_of(text: str) -> Change | str:
    """Return the change ``moves FILE`` with what the file holds, or the folder of a plan; another text as it is.

    Raises
    ------
    CombustError
        No such table, or a row of it that cannot be read.
    """
    word, _, path = text.strip().partition(" ")
    if word != MOVES or not path.strip():
        return text
    place = Path(path.strip())
    table = read_fleet_table(MOVES, moves_file(place) if place.is_dir() else place)
    faults = Faults()
    frame = faults.take(table)
    if faults.refused[MOVES].any():
        raise CombustError(faults.as_faults())
    return moves_made(text, frame)


def plan_fleet(
    vehicles: pd.DataFrame | str | Path,
    sites: pd.DataFrame | str | Path,
    routes: pd.DataFrame | str | Path | None = None,
    *,
    heaters: Mapping[str, Heater | str | Path] | None = None,
    profiles: str | Path | None = None,
    policy: Mapping[str, Any] | str | Path | Policy | None = None,
    max_kits: int | None = None,
    max_moves: int | None = None,
    with_sensitivity: bool = True,
    with_assignment: bool = True,
    mapping: MapLike = None,
    changes: Iterable[str] = (),
    log: HeaterLog | str | Path | None = None,
    add_up: Callable[[list[Table], list[RouteUse]], RouteSums] = sum_routes,
    weather: str | Path | None = None,
    season: str | None = None,
    reduce_pressure: bool = False,
) -> FleetPlan:
    """Plan a fleet: which vehicles need altitude compensation, where heat runs short, and what it costs.

    Parameters
    ----------
    vehicles, sites, routes : DataFrame or path
        The tables, CSV or Parquet (routes also a folder of it); other units by heading (``altitude_ft``,
        ``Altitude [ft]``). Rows are told by their line, the heading counted.
    heaters : mapping, optional
        heater_id or profile name -> Heater or path of its profile.
    profiles : path, optional
        Folder with ``<name>.toml`` profiles for the names that ``heaters`` lacks.
    policy : mapping or path, optional
        Values that replace the shipped policy.
    max_kits, max_moves : int, optional
        Most compensation kits and most moved vehicles of the assignment [-], 0 or more (less is refused); they stand
        before those of the policy.
    with_sensitivity, with_assignment : bool
        Whether it is told which decisions flip, and who changes places.
    mapping : TableMap, mapping or path, optional
        Heading -> column, where a heading is none itself; or a saved map with more.
    changes : iterable of str, optional
        What-if, made one after the other before anything is planned: ``"design_temp_c lowered by 8"``,
        ``"type small = large where altitude_m >= 2500"``, ``"fuel = paraffinic"``, ``"moves output/fleet"``.
    log : HeaterLog or path, optional
        Logbook or table with the winters of its heaters (``heater_id`` of a vehicle is its name there): who is due for
        a visit this season, and which heater stays off by its last one.
    add_up : callable, optional
        Sums the route points another way, as ``combust.edge.tables.dask_workers.sum_routes_dask`` does.
    weather : path, optional
        Folder with hourly series, a file named like each site: CSV, Parquet, EPW or TMY3. They are counted beside the
        design night and change no decision.
    season : str, optional
        First and last evening that is counted in them, month-day; default the season of each site, else 10-01:04-30.
    reduce_pressure : bool
        Bring a pressure of theirs that was reduced to sea level to the station instead of refusing it.

    Returns
    -------
    FleetPlan
        Frames, one row a vehicle, site or kit; [units] in the names of the columns.

    Raises
    ------
    CombustError
        An empty table, a missing column, a bad policy, or no valid row left. Faults of single rows are listed in the
        plan and the other rows are planned.

    References
    ----------
    ISO 2533:1975 (air); the heater's own document decides; policy numbers: origin beside each in the policy.

    Examples
    --------
    >>> import pandas as pd
    >>> sites = pd.DataFrame([{"site_id": "hut", "altitude_m": 2600, "design_temp_c": -18, "mildest_use_temp_c": 15,
    ...                        "nights_per_season": 120, "hours_per_night": 10}])
    >>> cars = pd.DataFrame([{"vehicle_id": "V2", "heater_id": "two_kw", "site_id": "hut", "cab_ua_w_per_k": 50}])
    >>> heater = Heater.from_dict({"fuel": "diesel_b7", "stages": {
    ...     "high": {"useful_heat_kw": 2.0, "air_ratio_band": [1.5, 1.7]}},
    ...     "limits": {"altitude_m": 1400, "compensation_altitude_m": 3000}})
    >>> plan = plan_fleet(cars, sites, heaters={"two_kw": heater})
    >>> plan.vehicles["decision"].tolist()
    ['compensate']
    """
    given = {"vehicles": vehicles, "sites": sites} | ({} if routes is None else {"routes": routes})
    folder, span = None if weather is None else WeatherFolder(weather), None if season is None else Season.of(season)
    others = [*given.values(), *(folder.tables() if folder else ())]
    points = [] if routes is None else route_tables(routes, mapping, others)
    read = {name: read_fleet_table(name, given[name], mapping, others) for name in ("vehicles", "sites")}
    names = names_elsewhere(mapping, others)
    how = partial(folder.count, season=span, reduce=reduce_pressure) if folder else None
    seen = partial(how, mapping=mapping, elsewhere=names) if how else None
    types = {*(heaters or {}), *(name for stem in names_in(profiles) for name in (f"{stem}.toml", stem))}
    read, told = changed_tables(read, map(moves_of, changes), types)
    plan = plan_tables(
        read["vehicles"],
        read["sites"],
        partial(add_up, points) if points else None,
        heaters=heaters,
        profiles=profiles,
        policy=Policy.of(policy).replaced(max_kits=max_kits, max_moves=max_moves),
        with_sensitivity=with_sensitivity,
        with_assignment=with_assignment,
        weather=seen,
        log=heater_log(log) if isinstance(log, str | Path) else log,
    )
    of_points = (f"routes: {note}" for table in points[:1] for note in table.notes)
    return replace(plan, notes=(*told, *plan.notes, *of_points, *plan.weather.notes))
