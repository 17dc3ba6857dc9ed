"""The page for a plan of a fleet: made by ``combust fleet``, read from its folder."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import Any

from starlette.responses import FileResponse, Response

from combust.data.errors import CombustError, Fault
from combust.domain.limits import Finding
from combust.domain.safety import calculation
from combust.edge.tables.plan_files import HEAD, PlanFiles, open_plan
from combust.edge.web.asked import Asked

WHOLE = "plan.html"
MOST_LISTED = 1000  # vehicles, one by one; of a larger fleet the page tells the sites


def show(asked: Asked) -> Response:
    """Return the plan: whose heater is off first, then one line a site with its vehicles."""
    folder = asked.house.settings.plan
    if folder is None:
        return asked.show("plan", plan=None)
    plan = _plan(folder, _stamp(folder))
    stops = (Finding(one["code"], one["severity"], one["text"]) for one in plan.head["safety"]["stops"])
    rows = plan.tables["vehicles"].select(["site_id", "vehicle_id", "reason"])
    by_site: dict[str, list[dict[str, Any]]] = {}
    for one in rows.to_pylist() if rows.num_rows <= MOST_LISTED else ():
        by_site.setdefault(one["site_id"], []).append(one)
    sites = plan.tables["sites"].to_pylist()
    return asked.show("plan", safety=calculation(*stops), plan=plan.head, sites=sites, by_site=by_site)


@lru_cache(maxsize=1)
def _plan(folder: Path, _stamp: int) -> PlanFiles:
    """Return the plan in a folder, read once for each time it was written."""
    return open_plan(folder, ("sites", "vehicles"))


def _stamp(folder: Path) -> int:
    head = folder / HEAD
    return head.stat().st_mtime_ns if head.is_file() else 0


def save(asked: Asked) -> Response:
    """Return the whole plan as one file to be kept: it stands by itself.

    Raises
    ------
    CombustError
        There is none.
    """
    folder = asked.house.settings.plan
    path = None if folder is None else folder / WHOLE
    if path is None or not path.is_file():
        raise CombustError(_no_plan(folder))
    return FileResponse(path, filename=WHOLE, media_type="text/html", content_disposition_type="attachment")


def _no_plan(folder: Path | None) -> Fault:
    hint = "Make one: combust fleet --vehicles ... --sites ... --out FOLDER, then combust page --plan FOLDER."
    return Fault("plan", str(folder) if folder else None, "missing", why="holds no plan that can be read", hint=hint)
