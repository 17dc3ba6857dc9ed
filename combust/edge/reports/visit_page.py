"""The sheet of a visit to hand over: one A4 page, verdict first; a second one with every number. No network."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from combust.application.causes.beside_shipped import LESS_DANGER
from combust.application.causes.catalogue import label_of
from combust.application.visit.record import Section, sections, status, unchecked
from combust.application.visit.standing import excluded
from combust.application.visit.taken import Taken
from combust.application.visit.visit import Visit
from combust.application.visit.wording import name_of, told
from combust.data.vocabulary import quantities
from combust.domain.result import UNTOLD, shown
from combust.edge.figures.svg import before_and_after
from combust.edge.reports.html import page, small_picture
from combust.edge.reports.verdict import Room, Verdict, read_at, verdict_of

NAMES = {
    "o2_dry_pct": "O2",
    "co2_dry_pct": "CO2",
    "co_dry_ppm": "CO",
    "flue_temp_c": "flue gas",
    "smoke_number": "smoke",
}
NOT_A_CHECK = (*NAMES, "taken_at", "stage", "phase", "reading_id", "heater_id", "visit_id", "over", "typed", "note")
NOT_A_CHECK += ("cab_co_in_ppm", "cab_co_out_ppm", "location")  # they stand in large print, or are judged above
OF_THE_DAY = ("ambient_o2_pct", "ambient_co_ppm", "probe_leak_test", "sample_line")
NOT_NAMED = "stage not named"
MOST_CHECKS, MOST_EXCLUDED, MOST_STAGES, MOST_WARNINGS = 14, 8, 2, 3
LONG, MEDIUM, SHORT = 260, 130, 60  # characters of a verdict, of a row beside others, of a name
# An A4 page in lines of the small print: how many there are, what stands on every sheet, a figure; measured in print.
LINES, ALWAYS, FIGURE = 74.0, 21.0, 14.0


def visit_page(visit: Visit, *, head: str = "", numbers: bool = False) -> str:
    """Return the sheet of a visit as one HTML page; every text of the record is escaped.

    What does not fit on one page is cut, and the page says so; a figure without room goes to the second sheet.

    Parameters
    ----------
    visit : Visit
    head : str
        The checksum of its chain in the book.
    numbers : bool
        Add the second sheet with every number.

    Returns
    -------
    str
        A whole HTML5 document with figures as data in it.
    """
    room, verdict = Room(), verdict_of(visit)
    left_out = [label_of(cause) for cause in excluded(visit, verdict.causes)]
    facts: dict[str, Any] = {
        "verdict": _cut(verdict, room),
        "warnings": [*verdict.less, *room.some(_warnings(verdict), MOST_WARNINGS, LONG)],
        "stages": _stages(visit, room),
        "checks": room.some(_checks(visit), MOST_CHECKS, MEDIUM),
        "excluded": room.some(left_out, MOST_EXCLUDED, SHORT),
        "about": _about(visit, room),
        "status": room.words(status(visit), LONG),
        "unchecked": room.words(unchecked(visit), 2 * LONG),
    }
    figures = _figures(visit)[:MOST_STAGES]
    left = LINES - _lines(facts)
    beside = max((len(one["rows"]) * 1.25 + 1.5 for one in facts["stages"]), default=0.0) if len(figures) == 1 else 0.0
    drawn = len(figures) if left >= FIGURE - beside else 0
    return page(
        "visit",
        visit=visit,
        names=[room.words(text or "not named", SHORT) for text in (visit.heater_id, visit.visit_id)],
        **facts,
        figures=figures[:drawn],
        more_figures=figures[drawn:],
        cut=room.cut,
        two_pages=left < 0.0,
        head=head,
        sections=[_excluded(left_out), *sections(visit, in_full=True)] if numbers else [],
    )


def _excluded(causes: Sequence[str]) -> Section:
    said = ", ".join(causes) or "None was settled against."
    return Section("Causes that the readings as found speak against", [], said)


def _cut(verdict: Verdict, room: Room) -> dict[str, Any]:
    """Return the verdict as the sheet tells it, each part cut to its room; a stop is never cut."""
    return {
        "alarming": verdict.safety.alarming,
        "lines": verdict.lines,
        "now": verdict.now,
        "why": room.some(verdict.why, 3, MEDIUM),
        "rows": [
            ("Found", room.words(verdict.found, LONG)),
            *((("Learnt", room.words(verdict.learnt, LONG)),) if verdict.learnt else ()),
            ("Done", room.words(verdict.done, LONG)),
            *((("Changed", room.words(verdict.changed, LONG)),) if verdict.changed else ()),
            ("Condition", room.words(" ".join(verdict.conditions), LONG)),
            ("Next visit", room.words(verdict.next_visit, SHORT)),
        ],
        "cab": verdict.cab,
    }


def _warnings(verdict: Verdict) -> list[str]:
    said = verdict.safety.lines()
    warned = [one for one in verdict.safety.findings if one.severity == "warn" and one.text not in said]
    return [one.text for one in warned if not (verdict.less and one.code == LESS_DANGER)]


def _lines(facts: Mapping[str, Any]) -> float:
    """Return how many lines of small print a sheet has without its figures, from how long its texts are."""
    verdict, stages = facts["verdict"], facts["stages"]
    high = sum(_rows([text], 78) * 1.5 + 1.2 for text in verdict["lines"])
    high += _rows(verdict["why"], 100) + _rows(facts["warnings"], 115)
    high += sum(1.35 * _rows([text], 85) + 0.4 for _, text in verdict["rows"])
    side = [sum(1.25 for _ in one["rows"]) + 1.5 for one in stages]
    high += max(side, default=2.0)
    right = (
        sum(1.25 * _rows([text], 36) for _, text in facts["about"]) + 3.0 + _rows([", ".join(facts["excluded"])], 58)
    )
    high += max(_rows(facts["checks"], 52), right) + _rows([facts["status"], facts["unchecked"]], 115)
    return ALWAYS + high


def _rows(texts: Iterable[str], width: int) -> float:
    return float(sum(math.ceil(max(len(text), 1) / width) for text in texts))


def _stages(visit: Visit, room: Room) -> list[dict[str, Any]]:
    """Return for each stage its rows: what, before, after."""
    tables = []
    pairs = [*visit.before_after().items()]
    room.cut |= len(pairs) > MOST_STAGES
    for stage, pair in pairs[:MOST_STAGES]:
        columns = [_numbers(one, visit.units) for one in pair]
        names = list(dict.fromkeys(name for column in columns for name in column))
        rows = [(name, *(column.get(name, "") for column in columns)) for name in names]
        tables.append({"title": _titled(room.words(stage, SHORT)), "rows": rows})
    return tables


def _titled(stage: str) -> str:
    return stage if stage == NOT_NAMED else f"{stage} stage"


def _numbers(one: Taken | None, units: str) -> dict[str, str]:
    if one is None:
        return {}
    result = one.result
    found = {"read at": read_at(one)}
    found["lambda"] = UNTOLD if result is None else result.air_ratio_text
    found["CO air-free"] = shown(getattr(result, "co_air_free_ppm", None), ".0f", "ppm")
    body = {**one.values, "typed": one.typed, "over": one.over}
    held = [key for key in NAMES if key in one.over or one.values.get(key) is not None]
    return found | {NAMES[key]: told(key, body, units) for key in held}


def _figures(visit: Visit) -> list[dict[str, str]]:
    """Return the plane of each stage with the reading before the work and the one after it."""
    found = []
    for stage, pair in visit.before_after().items():
        if drawn := before_and_after(*(one.result if one else None for one in pair)):
            alt = f"CO2 against O2 with the line of {drawn.fuel.name}; {drawn.told}"
            found.append(small_picture("plane", drawn, alt, f"{_titled(stage)}, on the CO2-O2 plane."))
    return found


def _checks(visit: Visit) -> list[str]:
    """Return the checks done, each with its time: those said in words, and every measurement beside the gases.

    Of a reading that says when it was taken that is the time, not that at which it was written into the book.
    """
    lines = []
    for entry in visit.in_force:
        if entry.kind == "check":
            lines.append(f"{_time_of(entry.at)} {name_of(str(entry.body.get('check')))}: {entry.body.get('result')}")
        if entry.kind in ("reading", "part", "setting"):
            times = entry.body.get("set_at") or {}
            for key in _measured(entry.body, entry.kind):
                made = _time_of(str(times.get(key) or entry.body.get("taken_at") or entry.at))
                lines.append(f"{made} {name_of(key)}: {told(key, entry.body, visit.units)}")
    return lines


def _time_of(moment: str) -> str:
    """Return the clock time of a moment, or its day where no time was said."""
    return moment[11:16] or moment[:10]


def _measured(body: Mapping[str, Any], kind: str) -> list[str]:
    keys = dict.fromkeys([*body, *(body.get("over") or ())])
    chosen = [key for key in keys if key in quantities() and key not in NOT_A_CHECK]
    return [key for key in chosen if key in OF_THE_DAY] if kind == "setting" else chosen


def _about(visit: Visit, room: Room) -> Sequence[tuple[str, str]]:
    readings = visit.readings
    analyser = next((one["instrument"] for one in readings if one.get("instrument")), visit.settings.get("instrument"))
    altitude = next((told("altitude_m", body, visit.units) for body in _saying(visit, "altitude_m")), None)
    rows = {
        "Heater": visit.heater_id or "not named",
        "Vehicle": visit.head.get("vehicle"),
        "Place": ", ".join(str(text) for text in (visit.head.get("place"), altitude) if text),
        "Who": visit.head.get("who") or "not stated",
        "Analyser": analyser or "not stated",
        "Customer said": visit.head.get("complaint"),
    }
    return [(label, room.words(text, MEDIUM)) for label, text in rows.items() if text]


def _saying(visit: Visit, key: str) -> list[Mapping[str, Any]]:
    return [body for body in reversed(visit.of_kind("setting", "reading", "part")) if key in body]
