"""The page for a plan of a fleet: made by ``combust fleet``, searched by vehicle, site and need."""

from __future__ import annotations

from starlette.responses import FileResponse, Response

from combust.data.errors import CombustError
from combust.edge.web.asked import Asked
from combust.edge.web.plan_seen import GROUPS, no_plan

WHOLE = "plan.html"
MOST_SHOWN, MOST_AT_A_SITE, MOST_SITES = 60, 20, 100  # of a list; the search finds the rest


def show(asked: Asked) -> Response:
    """Return whose heater is off first, then one line a site; or the vehicles and sites that were asked for."""
    folder = asked.house.settings.plan
    if folder is None:
        return asked.show("plan", plan=None)
    plan, asks = asked.house.pool.plan(folder), asked.request.query_params
    find = " ".join(asks.get("find", "").split())[:80]
    group = asks.get("who", "") if asks.get("who", "") in GROUPS else ""
    found = plan.found(find, group)
    at_site: dict[str, list[dict[str, object]]] = {}
    for one in found:
        at_site.setdefault(str(one["site_id"]), []).append(one)
    sites = [one for one in plan.sites if str(one["site_id"]) in at_site] if find or group else list(plan.sites)
    return asked.show(
        "plan",
        safety=plan.safety.told_in(asked.units),
        plan=plan,
        find=find,
        group=group,
        groups=GROUPS,
        found=found if find or group else plan.found("", "off"),
        sites=sites[:MOST_SITES],
        more_sites=len(sites) - MOST_SITES,
        at_site=at_site,
        most=MOST_SHOWN,
        at_most=MOST_AT_A_SITE,
        kits=sum(one["kits"] for one in plan.sites),
    )


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
        raise CombustError(no_plan(folder))
    return FileResponse(path, filename=WHOLE, media_type="text/html", content_disposition_type="attachment")
