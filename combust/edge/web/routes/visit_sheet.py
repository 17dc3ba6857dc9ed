"""The sheet to hand over, and the sheet of the day: to print or to save."""

from __future__ import annotations

import base64
import datetime
import hashlib
import re
from urllib.parse import quote

from starlette.responses import HTMLResponse, Response

from combust.application.visit.record import handed_back, status
from combust.application.visit.standing import line_of
from combust.data.moments import moment_of
from combust.data.units import in_words
from combust.domain.safety import of_all
from combust.edge.logbook.exchange import head_of
from combust.edge.logbook.keyboard import day_of, this_moment
from combust.edge.logbook.visits import list_visits, read_visit
from combust.edge.web.asked import Asked
from combust.edge.web.visit_book import book_path, path_of, standing_of, visit_named

STYLE = re.compile(r"<style>(.*?)</style>", re.DOTALL)


def sheet(asked: Asked) -> Response:
    """Return the sheet of a visit; with ``numbers`` its second page too, with ``save`` as a file."""
    asks, name = asked.request.query_params, visit_named(asked.request.path_params["visit_id"])
    revision = asks.get("revision", "")
    with asked.house.book(read_only=True) as book:
        visit = read_visit(book, name, int(revision) if revision.isdecimal() and len(revision) < 6 else None)
        head = head_of(visit)
    page = asked.house.pool.sheet(visit, head, numbers="numbers" in asks)
    answer = HTMLResponse(page)
    answer.headers["content-security-policy"] = policy_of(page)
    if "save" in asks:
        answer.headers["content-disposition"] = f"attachment; filename*=UTF-8''{quote(visit.visit_id, safe='')}.html"
    return answer


def policy_of(page: str) -> str:
    """Return the content policy of a sheet: its own style, known by its hash, its figures as data, nothing else."""
    hashes = [base64.b64encode(hashlib.sha256(text.encode()).digest()).decode() for text in STYLE.findall(page)]
    styles = " ".join(f"'sha256-{one}'" for one in hashes)
    return f"default-src 'none'; style-src {styles}; img-src data:; base-uri 'none'; frame-ancestors 'none'"


def day_sheet(asked: Asked) -> Response:
    """Return the visits of a day, the ones with a stop first, each with what was found and whether it is given back."""
    path, now = book_path(asked), this_moment()
    day = asked.request.query_params.get("day", "") or now.date().isoformat()
    found = []
    if path.exists():
        with asked.house.book(read_only=True) as book:
            rows, _ = list_visits(book)
            visits = [read_visit(book, row["label"]) for row in rows if _day_of(row["opened_at"], now) == day]
            found = [(visit, standing_of(asked, visit).safety) for visit in visits]
            settings = day_of(book, now)[0]
    else:
        settings = {}
    found.sort(key=lambda pair: not pair[1].stops)
    shown = [
        {
            "visit": visit,
            "path": path_of(visit.visit_id),
            "safety": " ".join(safety.told_in(asked.units).lines()),
            "stop": bool(safety.stops),
            "status": status(visit),
            "handed_back": handed_back(visit),
            "read": [in_words(f"{one.key}: {line_of(one)}", asked.units) for one in visit.taken],
        }
        for visit, safety in found
    ]
    whole = of_all(safety for _, safety in found) if found else None
    who = settings.get("who") or ""
    return asked.show(
        "visit_day_sheet", safety=whole.told_in(asked.units) if whole else None, day=day, shown=shown, who=who
    )


def _day_of(opened_at: str, now: datetime.datetime) -> str:
    moment = moment_of(opened_at)
    return moment.astimezone(now.tzinfo).date().isoformat() if moment else str(opened_at)[:10]
