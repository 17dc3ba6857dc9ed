"""The record of a visit as one self-contained HTML page: no network, no script, prints on A4."""

from __future__ import annotations

from combust.application.visit.record import VisitRecord, readings_done, safety_now, sections
from combust.edge.reports.html import page, picture


def visit_page(record: VisitRecord) -> str:
    """Return a visit's record as one HTML page; every text of the record is escaped.

    Parameters
    ----------
    record : VisitRecord

    Returns
    -------
    str
        A whole HTML5 document with figures as data in it.
    """
    return page(
        "visit",
        record=record,
        safety=safety_now(record),
        sections=sections(record),
        figures=_figures(record),
    )


def _figures(record: VisitRecord) -> list[dict[str, str]]:
    """Return the plane of the first reading before and after work that has an O2."""
    from combust.edge.figures.gas_plane import draw_plane

    found: dict[str, dict[str, str]] = {}
    for key, body, result in readings_done(record):
        phase = str(body.get("phase") or "before")
        if result is None or body.get("o2_dry_pct") is None or phase in found:
            continue
        found[phase] = picture(draw_plane(result), f"Reading {key}, {phase} work, on the CO2-O2 plane.")
    return list(found.values())
