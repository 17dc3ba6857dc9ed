"""The page for a plan of a fleet: made by ``combust fleet``, read from its folder."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from starlette.responses import FileResponse, Response

from combust.data.errors import CombustError, Fault
from combust.domain.limits import Finding
from combust.domain.safety import calculation
from combust.edge.web.asked import Asked

WHOLE = "plan.html"
FACTS = "plan.json"


def show(asked: Asked) -> Response:
    """Return the plan: whose heater is off first, then one line a site with its vehicles."""
    folder = asked.house.settings.plan
    if folder is None:
        return asked.show("plan", plan=None)
    plan = _read(folder)
    stops = [Finding(one["code"], one["severity"], one["text"]) for one in plan["safety"]["stops"]]
    by_site: dict[str, list[dict[str, Any]]] = {}
    for one in plan["vehicles"]:
        by_site.setdefault(str(one["site_id"]), []).append(one)
    return asked.show("plan", safety=calculation(*stops), plan=plan, by_site=by_site)


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


def _read(folder: Path) -> dict[str, Any]:
    """Read the plan in a folder.

    Raises
    ------
    CombustError
        None is there, or it is no plan.
    """
    try:
        plan = json.loads((folder / FACTS).read_text(encoding="utf-8"))
        if isinstance(plan, dict) and {"safety", "sites", "vehicles", "cards"} <= plan.keys():
            return plan
    except (OSError, ValueError) as error:
        raise CombustError(_no_plan(folder)) from error
    raise CombustError(_no_plan(folder))


def _no_plan(folder: Path | None) -> Fault:
    hint = "Make one: combust fleet --vehicles ... --sites ... --out FOLDER, then combust page --plan FOLDER."
    return Fault("plan", str(folder) if folder else None, "missing", why="holds no plan that can be read", hint=hint)
