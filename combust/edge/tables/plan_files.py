"""A fleet plan as files: its tables in Parquet and CSV, head and driver cards as JSON Lines; and read back.

``plan.jsonl`` holds the head on its first line (safety state, sums, assumptions) and one driver card on each line
behind it; ``vehicles.parquet`` holds the rows of the vehicles in a fixed schema. The head has the checksum of every
table beside it, CSV and Parquet, and one of itself and the cards: what was changed since is refused.
"""

from __future__ import annotations

import datetime
import hashlib
import json
from collections.abc import Iterable, Iterator
from dataclasses import asdict, fields, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from combust.data.errors import CombustError, Fault
from combust.domain.limits import Finding
from combust.domain.result import plain
from combust.edge.tables.sink import table_sink
from combust.edge.whole_file import whole_file

if TYPE_CHECKING:
    import pandas as pd

    from combust.application.fleet.due import DueList
    from combust.application.fleet.plan import FleetPlan
    from combust.application.fleet.weather import Weather

HEAD, EARLIER = "plan.jsonl", "plan.json"
WANTED = {
    "safety",
    "rows",
    "totals",
    "assignment",
    "assumed",
    "weather",
    "history",
    "notes",
    "not_covered",
    "tables",
}  # of the head
FILES, SEAL = "files", "sha256"  # of the head: the checksum of each file of a table, and of head and cards
OF_PLAN = (
    "vehicles", "counts", "sites", "parts", "kits", "calendar", "remedies", "routes", "ways", "sensitivity",
    "faults", "refused",
)  # fmt: skip
OF_ASSIGNMENT = {"aims": "aims", "moves": "moves", "kits_with_moves": "kits"}  # table -> field
OF_WEATHER = {"weather_sites": "sites", "weather_classes": "classes", "weather_vehicles": "vehicles"}
DUE = "due"  # written where a log of the heaters was given, as those of the weather where hours of a site were
OTHER_VERSION = ("was planned by another version", "Plan again with this version of combust.")
DIGITS = 6  # of a number in CSV; Parquet holds all of them
KINDS = {"b": pa.bool_(), "i": pa.int64(), "f": pa.float64()}
TEXTS = [
    "safety", "vehicle_id", "group", "heater", "site_id", "route_id", "compensation", "blower_trim_possible",
    "battery", "fuel_grade", "needed_by_heater_limit", "needed_by_design_night_dry_air",
    "needed_by_design_night_with_fuel_density", "needed_by_design_night_full", "needed_by_mildest_night_dry_air",
    "needed_by_mildest_night_with_fuel_density", "needed_by_mildest_night_full", "flips_between_lambdas",
    "decision", "air_ratio_held", "cab", "fuel_when", "sureness", "reason",
]  # fmt: skip
FLAGS = ("stopped", "heat_short", "cap_at_low_stage", "shorten_service")
# Every column of vehicles.parquet in its order: quantity_state_unit, numbers unless they are texts or flags.
VEHICLES = [
    "safety", "vehicle_id", "group", "heater", "site_id", "route_id", "compensation", "altitude_m", "pressure_hpa",
    "design_temp_c", "mildest_use_temp_c", "heater_altitude_limit_m", "compensation_limit_m", "minimum_air_ratio",
    "base_air_ratio", "base_air_ratio_u", "cab_ua_w_per_k", "ventilation_m3_per_h", "stopped", "dry_air_density_ratio",
    "air_ratio", "air_ratio_with_fuel_density", "air_ratio_full", "air_ratio_full_u", "dry_air_density_ratio_mild",
    "air_ratio_mild", "air_ratio_with_fuel_density_mild", "air_ratio_full_mild", "air_ratio_full_u_mild",
    "o2_dry_pct", "o2_dry_full_pct", "co2_dry_pct", "co2_dry_full_pct", "fuel_trim_pct", "fuel_trim_full_pct",
    "fuel_trim_to_minimum_pct", "fuel_trim_to_minimum_full_pct", "blower_trim_pct", "blower_trim_full_pct",
    "blower_trim_limit_pct", "blower_trim_possible", "cab_target_c", "heat_loss_w_per_k", "nominal_heat_kw",
    "heat_demand_kw", "useful_heat_kw", "shortfall_kw", "cab_temp_reached_c", "useful_heat_full_kw",
    "shortfall_full_kw", "cab_temp_reached_full_c", "cab_temp_low_stage_c", "air_ratio_full_season_lowest",
    "air_ratio_full_season_lowest_u", "air_ratio_low_stage_lowest", "season_lowest_at_c", "nights_below_minimum",
    "nights_below_service_air_ratio", "fuel_l_per_night", "fuel_l_per_season", "fuel_l_per_season_all_design",
    "battery_wh_per_night", "battery_ah_per_night", "battery_share_of_usable", "battery_needed_ah", "battery_v",
    "heater_nominal_v", "battery", "cold_filter_plugging_c", "fuel_grade", "needed_by_heater_limit",
    "needed_by_design_night_dry_air", "needed_by_design_night_with_fuel_density", "needed_by_design_night_full",
    "needed_by_mildest_night_dry_air", "needed_by_mildest_night_with_fuel_density", "needed_by_mildest_night_full",
    "flips_between_lambdas", "decision", "margin_m", "margin_air_ratio", "margin_air_ratio_u", "air_ratio_held",
    "cab", "heat_short", "cap_at_low_stage", "fuel_when", "shorten_service", "sureness", "reason",
]  # fmt: skip
VEHICLES_SCHEMA = pa.schema(
    [(name, pa.string() if name in TEXTS else pa.bool_() if name in FLAGS else pa.float64()) for name in VEHICLES]
)


def write_plan_files(plan: FleetPlan, folder: Path) -> list[str]:
    """Write the tables of a plan, then its head; return the names of the files.

    The head goes first where one stands and comes last: a folder whose writing was cut short holds no plan.
    """
    (folder / HEAD).unlink(missing_ok=True)
    tables = dict(_tables(plan))
    for name, table in tables.items():
        with table_sink(folder / f"{name}.parquet") as write:
            write(table)
        with table_sink(folder / f"{name}.csv") as write:
            write(_in_digits(table))
    names = [f"{name}.{ending}" for name in tables for ending in ("parquet", "csv")]
    write_head(folder, plain(head_of(plan)) | {FILES: {name: _checksum(folder / name) for name in names}}, plan.cards)
    return [HEAD, *names]


def write_head(folder: Path, head: dict[str, Any], cards: Iterable[dict[str, Any]]) -> None:
    """Write the head of a plan and its cards, sealed."""
    lines = [head, *({"card": plain(card)} for card in cards)]
    lines[0] = head | {SEAL: _seal(lines)}
    with whole_file(folder / HEAD) as partial, partial.open("w", encoding="utf-8") as file:
        file.writelines(_json(line) + "\n" for line in lines)


def _json(line: dict[str, Any]) -> str:
    return json.dumps(line, ensure_ascii=False, allow_nan=False)


def _seal(lines: Iterable[dict[str, Any]]) -> str:
    """Return the checksum of head and cards as they are told, however they were laid out."""
    sums = hashlib.sha256()
    for line in lines:
        sums.update(_json(line).encode("utf-8", "surrogatepass"))
    return sums.hexdigest()


def _checksum(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def head_of(plan: FleetPlan) -> dict[str, Any]:
    """Return what is told of a plan as a whole: all but its tables and cards, the safety state first."""
    change, tables = plan.assignment, OF_ASSIGNMENT.values()
    weather, of_weather = plan.weather, OF_WEATHER.values()
    return {
        "safety": plan.safety.to_dict(),
        "summary": plan.summary,
        "warnings": plan.warnings,
        "rows": plan.rows,
        "totals": plan.totals,
        "assignment": {one.name: getattr(change, one.name) for one in fields(change) if one.name not in tables},
        "assumed": plan.assumptions,
        "notes": plan.notes,
        "not_covered": plan.not_covered,
        "weather": {one.name: getattr(weather, one.name) for one in fields(weather) if one.name not in of_weather},
        "history": {"unplaced": [asdict(one) for one in plan.history.unplaced], "notes": plan.history.notes},
        "tables": {name: len(table) for name, table in _frames(plan)},
        "version": plan.version,
    }


def _frames(plan: FleetPlan) -> Iterator[tuple[str, pd.DataFrame]]:
    yield from ((name, getattr(plan, name)) for name in OF_PLAN)
    yield from ((name, getattr(plan.assignment, key)) for name, key in OF_ASSIGNMENT.items())
    if len(plan.weather.sites):
        yield from ((name, getattr(plan.weather, key)) for name, key in OF_WEATHER.items())
    if plan.history.due:
        yield DUE, plan.history.table


def _tables(plan: FleetPlan) -> Iterator[tuple[str, Any]]:
    for name, frame in _frames(plan):
        yield name, _arrow(frame, VEHICLES_SCHEMA if name == "vehicles" else None)
    yield "assumptions", _arrow(plan.assumptions.astype({"value": str}))


def _arrow(frame: pd.DataFrame, schema: Any = None) -> Any:
    """Return a frame as an Arrow table, its columns of the types of a schema, else of their kind, text by default."""
    kinds = {key: KINDS.get(getattr(frame[key].dtype, "kind", "O"), pa.string()) for key in frame}
    schema = pa.schema(kinds.items()) if schema is None else schema
    return pa.Table.from_pandas(frame, schema, preserve_index=False).replace_schema_metadata()


def _in_digits(table: Any) -> Any:
    """Return a table whose numbers have six significant digits."""
    for place, column in enumerate(table.columns):
        if pa.types.is_floating(column.type):
            rounded = significant(column.to_numpy())
            table = table.set_column(place, table.field(place), pa.array(rounded, from_pandas=True))
    return table


def significant(numbers: Any, digits: int = DIGITS) -> Any:
    """Return numbers of more than 1e-16 rounded to so many significant digits; their shortest text has no more."""
    with np.errstate(divide="ignore", invalid="ignore"):
        power = digits - 1 - np.floor(np.log10(np.abs(numbers)))
        power = np.where(np.isfinite(power), np.clip(power, -22, 22), 0.0)
        up, down = 10.0 ** np.maximum(power, 0.0), 10.0 ** np.maximum(-power, 0.0)
        return np.rint(numbers * up / down) / up * down


def load_plan(folder: str | Path) -> FleetPlan:
    """Return the plan in a folder that ``combust fleet --out`` wrote.

    Parameters
    ----------
    folder : str or Path
        Where the plan was written.

    Returns
    -------
    FleetPlan
        With all its tables; numbers as they were worked out, [units] in the names of the columns.

    Raises
    ------
    CombustError
        The folder holds no plan, one of another version, or files of two plans.

    References
    ----------
    A format of this project: Parquet and JSON Lines.

    Examples
    --------
    >>> load_plan("nowhere")  # doctest: +ELLIPSIS
    Traceback (most recent call last):
    ...
    combust.data.errors.CombustError: plan = nowhere holds no plan that can be read. ...
    """
    import pandas as pd

    from combust.application.fleet.assignment import Assignment
    from combust.application.fleet.plan import FleetPlan

    folder = Path(folder)
    head, cards = _head(folder)
    tables = {name: _read(folder, name, head) for name in head["tables"]}
    try:
        change = Assignment(**head["assignment"], **{key: tables[name] for name, key in OF_ASSIGNMENT.items()})
        return FleetPlan(
            **{name: tables[name] for name in OF_PLAN},
            assignment=change,
            rows=head["rows"],
            totals=head["totals"],
            cards=cards,
            assumptions=pd.DataFrame(head["assumed"]).astype({"value": object}),
            notes=tuple(head["notes"]),
            not_covered=tuple(head["not_covered"]),
            weather=_weather(head["weather"], tables),
            history=_history(head["history"], tables),
        )
    except (TypeError, ValueError, KeyError, AttributeError) as error:
        raise _refused(folder, f"has a head that was changed ({HEAD})", "Plan again.") from error


def _weather(head: dict[str, Any], tables: dict[str, pd.DataFrame]) -> Weather:
    """Return what the hours of the sites count to."""
    from combust.application.fleet.weather import Weather

    told: dict[str, Any] = {key: tuple(value) if isinstance(value, list) else value for key, value in head.items()}
    return Weather(**told, **{key: tables[name] for name, key in OF_WEATHER.items() if name in tables})


def _history(head: dict[str, Any], tables: dict[str, pd.DataFrame]) -> DueList:
    """Return what the winters of the heaters say."""
    from combust.application.fleet.due import Due, DueList

    due = [Due(**row) for row in tables[DUE].to_dict("records")] if DUE in tables else []
    dated = [replace(one, date=_day(one.date), last_visit=_day(one.last_visit)) for one in due]
    return DueList(tuple(dated), tuple(Finding(**one) for one in head["unplaced"]), tuple(head["notes"]))


def _day(said: Any) -> datetime.date | None:
    return datetime.date.fromisoformat(said) if isinstance(said, str) and said != "None" else None


def _head(folder: Path) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    """Return the head of the plan in a folder, checked, and its driver cards."""
    try:
        with (folder / HEAD).open(encoding="utf-8") as file:
            head, *rest = (json.loads(line) for line in file)
        cards = [line["card"] for line in rest]
        names, told = {*OF_PLAN, *OF_ASSIGNMENT}, head["tables"].keys()
        known = head.keys() >= WANTED and names <= told <= {*names, *OF_WEATHER, DUE}
        seal = head.pop(SEAL, None)
        known = known and (seal is None or {f"{name}.parquet" for name in told} <= head[FILES].keys())
        changed = seal is not None and seal != _seal([head, *rest])
    except (OSError, ValueError, TypeError, KeyError, AttributeError, RecursionError) as error:
        raise _refused(folder) from error
    if not known:
        raise _refused(folder)
    if changed:
        raise _refused(folder, f"has a head that was changed ({HEAD})", "Plan again.")
    if seal is None:
        raise _refused(folder, *OTHER_VERSION)
    return head, cards


def _read(folder: Path, name: str, head: dict[str, Any]) -> pd.DataFrame:
    file = folder / f"{name}.parquet"
    try:
        if known := _checksum(file) == head[FILES][file.name]:
            table = pq.read_table(file)
            frame: pd.DataFrame = table.to_pandas()
    except (OSError, ValueError, pa.ArrowException) as error:  # a name of a column that is no UTF-8 is a ValueError
        raise _refused(folder, f"lacks {file.name}", "Copy the whole folder, or plan again.") from error
    if not known:
        why = f"has another {file.name} than {HEAD} tells: it was changed, or is of another plan"
        raise _refused(folder, why, "Copy the whole folder again, or plan again into an empty one.")
    if name == "vehicles" and table.schema != VEHICLES_SCHEMA:
        raise _refused(folder, *OTHER_VERSION)
    return frame


def moves_file(folder: Path) -> Path:
    """Return the table of the moves that a plan proposed.

    Raises
    ------
    CombustError
        The folder holds no plan, or another table of moves than the plan made.
    """
    _read(folder, "moves", _head(folder)[0])
    return folder / "moves.parquet"


def _refused(
    folder: Path, why: str = "", hint: str = "Name the folder that combust fleet --out wrote."
) -> CombustError:
    if not why and (folder / EARLIER).is_file():
        why, hint = (
            f"holds {EARLIER} of an earlier version, which is not read",
            "Plan again with this version of combust.",
        )
    return CombustError(Fault("plan", str(folder), "missing", why=why or "holds no plan that can be read", hint=hint))
