"""What the page shows of a plan: its sites and vehicles as plain rows, whose heater is off first.

A plan is read as frames, by a library that no page loads: :class:`~combust.edge.web.pool.Pool` asks for this in a
process that ends with the answer.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from combust.data.errors import Fault
from combust.domain.safety import Safety, calculation

MOST_HELD = 20_000  # vehicles that can be found on the page, the worst first
SHOWN = ("vehicle_id", "site_id", "heater", "decision", "compensation", "fuel_grade", "battery", "reason")
# Which vehicles a person asks for -> what each of them is.
GROUPS = ("off", "kit", "fuel", "battery")
WEAK, WAXES = ("too_small", "unknown"), ("below", "marginal", "unknown")


@dataclass(frozen=True, slots=True)
class PlanSeen:
    """A plan as the page shows it.

    Attributes
    ----------
    safety : Safety
    planned, refused : int
        Rows of the vehicles' table.
    sites, vehicles : tuple of dict
        Rows of plain values, the worst first; of a vehicle ``groups`` names what it is among ``GROUPS``.
    """

    safety: Safety
    planned: int
    refused: int
    sites: tuple[dict[str, Any], ...]
    vehicles: tuple[dict[str, Any], ...]

    def found(self, find: str, group: str) -> list[dict[str, Any]]:
        """Return the vehicles of a group whose name, site or heater holds some letters, in any case."""
        wanted = find.casefold()
        return [
            one
            for one in self.vehicles
            if (not group or group in one["groups"])
            and wanted in f"{one['vehicle_id']} {one['site_id']} {one['heater']}".casefold()
        ]


def look_at_plan(folder: str) -> PlanSeen:
    """Return the plan in a folder as the page shows it.

    Raises
    ------
    CombustError
        There is none that can be read.
    """
    from combust.application.fleet.decisions import KEEP_OFF
    from combust.application.fleet.overview import SHORT, worst_first
    from combust.domain.result import plain
    from combust.edge.tables.plan_files import load_plan

    plan = load_plan(folder)
    rows = plain(worst_first(plan.vehicles)[[*SHOWN]].head(MOST_HELD))
    for row in rows:
        off = row["decision"] in KEEP_OFF
        found = {
            "off": off,
            "kit": row["decision"] == "compensate",
            "fuel": not off and row["fuel_grade"] in WAXES,
            "battery": not off and row["battery"] in WEAK,
        }
        row["groups"] = [name for name in GROUPS if found[name]]
        row["decided"] = SHORT[row["decision"]]
    counts = plan.rows["vehicles"]
    stops = calculation(*plan.safety.stops)
    return PlanSeen(stops, counts["planned"], counts["refused"], tuple(plain(plan.sites)), tuple(rows))


def no_plan(folder: Path | None) -> Fault:
    """Return the fault of a folder without a plan."""
    hint = "Make one: combust fleet --vehicles ... --sites ... --out FOLDER, then combust page --plan FOLDER."
    return Fault("plan", str(folder) if folder else None, "missing", why="holds no plan that can be read", hint=hint)
