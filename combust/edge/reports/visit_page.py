"""The record of a visit as one self-contained HTML page: no network, no script, prints on A4."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from combust.application.reading.result import ReadingResult, interpret
from combust.application.visit.record import HEAD, VisitRecord, limit_entries, safety_now
from combust.data.errors import CombustError
from combust.data.vocabulary import quantities
from combust.edge.reports.html import page, svg_address

# Shown in columns of their own or in the head of the page; everything else stands in the line below the table.
IN_COLUMNS = ("o2_dry_pct", "co_dry_ppm", "smoke_number", "taken_at", "stage", "phase", "heater_id", "reading_id")


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
    done = [(entry.key, entry.body, _interpreted(entry.body)) for entry in record.entries if entry.kind == "reading"]
    findings = [(key, f) for key, _, result in done if result for f in result.findings if f.severity != "stop"]
    return page(
        "visit",
        record=record,
        safety=safety_now(record),
        head=[(_label(key), text) for key, text in record.head.items()],
        readings=[_row(key, body, result) for key, body, result in done],
        findings=findings,
        figures=_figures(done),
        lists=_lists(record),
        limits=record.of_kind("limit") or [body for _, body in limit_entries()],
    )


def _label(key: str) -> str:
    return HEAD[key].meaning if key in HEAD else key


def _interpreted(body: Mapping[str, Any]) -> ReadingResult | None:
    """Return what a reading says, or None for one that holds nothing to interpret."""
    try:
        return interpret({key: value for key, value in body.items() if key in quantities()})
    except CombustError:
        return None


def _row(key: str, body: Mapping[str, Any], result: ReadingResult | None) -> dict[str, str]:
    def number(value: float | None, pattern: str) -> str:
        return "" if value is None else f"{value:{pattern}}"

    ratio = ""
    if result is not None and result.air_ratio is not None:
        ratio = f"{result.air_ratio:.2f} ± {2 * (result.air_ratio_u or 0.0):.2f}"
    rest = [
        f"{_short(quantities()[name].meaning)}: {_value(value)} {quantities()[name].unit}".strip()
        for name, value in body.items()
        if name in quantities() and name not in IN_COLUMNS
    ]
    return {
        "key": key,
        "when": str(body.get("taken_at") or "").replace("T", " ", 1),
        "stage": str(body.get("stage") or ""),
        "phase": str(body.get("phase") or "before"),
        "o2": number(body.get("o2_dry_pct"), ".1f"),
        "co": number(body.get("co_dry_ppm"), ".0f"),
        "smoke": number(body.get("smoke_number"), ".0f"),
        "air_ratio": ratio,
        "reference": number(result.air_ratio_at_reference, ".2f") if result else "",
        "co_air_free": number(result.co_air_free_ppm, ".0f") if result else "",
        "loss": number(result.stack_loss_pct, ".1f") if result else "",
        "rest": "; ".join(rest),
    }


def _short(meaning: str) -> str:
    """Return a meaning without its explanation behind a colon or semicolon."""
    return meaning.partition(":")[0].partition(";")[0]


def _value(value: Any) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)


def _lists(record: VisitRecord) -> list[tuple[str, list[str], str]]:
    def texts(kind: str) -> list[str]:
        return [str(body.get("text", "")) for body in record.of_kind(kind)]

    checks = [f"{body.get('check')}: {body.get('result')}" for body in record.of_kind("check")]
    events = [f"{body.get('event')} {body.get('at') or ''}".strip() for body in record.of_kind("event")]
    return [
        ("Checks done", checks, "None was written down."),
        ("Work and adjustments", [*texts("adjustment"), *events], "None."),
        ("What was NOT checked", texts("not_checked"), "Nothing was stated: do not take it as everything was checked."),
        ("Notes", texts("note"), "None."),
    ]


def _figures(done: list[tuple[str, Mapping[str, Any], ReadingResult | None]]) -> list[dict[str, str]]:
    """Return the plane of the first reading before and after work that has an O2."""
    from combust.edge.figures.gas_plane import draw_plane

    found: dict[str, dict[str, str]] = {}
    for key, body, result in done:
        phase = str(body.get("phase") or "before")
        if result is None or body.get("o2_dry_pct") is None or phase in found:
            continue
        figure = draw_plane(result)
        caption = f"Reading {key}, {phase} work, on the CO2-O2 plane."
        found[phase] = {"src": svg_address(figure), "alt": str(figure.get_label()), "caption": caption}
    return list(found.values())
