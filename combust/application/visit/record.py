"""The record of a visit: what it holds, what is missing, whether it may be closed, and its sections of rows."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache, partial
from typing import Any, NamedTuple

from combust.application.reading.result import ReadingResult, interpret, safety_of
from combust.data.errors import CombustError, Fault, printable
from combust.data.fields import Field, check_fields, fields_of
from combust.data.tables import load_table
from combust.data.vocabulary import quantities
from combust.domain.limits import Finding, finding, limits
from combust.domain.result import Result, Rows, plain, shown
from combust.domain.safety import Safety, of_all

# Words about the visit itself; everything that is measured is a reading's key of the vocabulary.
HEAD = fields_of(
    {
        "who": {"meaning": "who did it"},
        "place": {"meaning": "where the vehicle stood"},
        "vehicle": {"meaning": "which vehicle"},
        "serial": {"meaning": "serial number on the heater's plate"},
        "hours_run": {"meaning": "hours on the heater's counter"},
        "weather": {"meaning": "wind, temperature, precipitation"},
        "probe_position": {"meaning": "where the probe was and how deep"},
        "complaint": {"meaning": "what the customer said"},
        "co_alarm": {"meaning": "CO alarm in the cab", "kind": "choice", "choices": ("works", "fails", "missing")},
        "handed_back": {"meaning": "handed back (no = kept off)", "kind": "choice", "choices": ("yes", "no")},
    },
    kind="text",
    longest=4000,
)
KINDS = ("reading", "check", "adjustment", "not_checked", "note", "event", "limit")
EVENT = Field(
    "event", "choice", "for the history", choices=("repair", "rezero", "swap"), hint="Use repair, rezero or swap."
)
CHECKS = tuple(load_table("causes")["check"])
# What stands in columns of its own or at the head of a record; everything else is in "Also read".
IN_COLUMNS = ("o2_dry_pct", "co_dry_ppm", "smoke_number", "taken_at", "stage", "phase", "heater_id", "reading_id")
EMPTY_CELLS = "Empty = not measured or cannot be told, never 0. Lambda by the carbon and oxygen balance; reference air "
EMPTY_CELLS += "1013.25 hPa, 15 °C, dry."
WATCH_POINTS = "Watch-points, not a conformity test: local codes and the heater's own document win."
NOT_STATED = "Nothing was stated: do not take it as everything was checked."


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry of a visit: kind, key (unique within its kind), when it was entered, its content."""

    kind: str
    key: str
    entered_at: str
    body: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class VisitRecord(Result):
    """A visit in one revision. ``seal_holds`` is None when it was closed before seals existed, or is open."""

    visit_id: str
    revision: int
    heater_id: str | None
    opened_at: str
    closed_at: str | None
    reason: str | None
    incomplete: str | None
    head: Mapping[str, Any]
    entries: tuple[Entry, ...]
    seal_holds: bool | None = None

    def of_kind(self, kind: str) -> list[Mapping[str, Any]]:
        """Return the contents of one kind of entry, in the order they were entered."""
        return [entry.body for entry in self.entries if entry.kind == kind]

    @property
    def readings(self) -> list[Mapping[str, Any]]:
        """The readings, vocabulary key -> value."""
        return self.of_kind("reading")

    @property
    def status(self) -> str:
        """``open`` or ``closed``, with ``incomplete: ...`` when something is missing."""
        state = "closed" if self.closed_at else "open"
        lacking = self.incomplete if self.closed_at else ", ".join(label for _, label in missing_fields(self))
        return f"{state}, incomplete: {lacking}" if lacking else f"{state}, complete"

    derived = ("status",)
    unshown = ("entries", "incomplete")

    @property
    def safety(self) -> Safety:
        """The safety state at the end."""
        return safety_now(self)

    def to_dict(self) -> dict[str, Any]:
        """Return plain values for JSON, the entries by their kind."""
        kinds = {kind if kind == "not_checked" else f"{kind}s": plain(self.of_kind(kind)) for kind in KINDS}
        return Result.to_dict(self) | kinds

    def lines(self) -> Rows:
        """Return (label, text) rows of what it is and in which state; its parts are the sections of a record."""
        rows = [("visit", self.visit_id), ("status", self.status)]
        if self.seal_holds is False:
            rows.append(("SEAL BROKEN", "this closed record was changed outside combust: do not rely on it"))
        return [(label, printable(text)) for label, text in rows]


def seal_of(visit_id: str, revision: int, head: Mapping[str, Any], entries: list[tuple[str, str, str, str]]) -> str:
    """Return the SHA-256 seal of a record: any later change of a closed one, by whatever tool, is seen."""
    text = json.dumps([visit_id, revision, dict(head), sorted(entries)], ensure_ascii=False, sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()


def missing_fields(record: VisitRecord) -> list[tuple[str, str]]:
    """Return (key, label) of every mandatory field that the record lacks, in the order of the table."""
    return [(key, field.meaning) for key, field in record_fields().items() if not _has(record, field)]


@cache
def record_fields() -> dict[str, Field]:
    """Return what a record must hold, key -> Field; without a ``required`` one it cannot even close as incomplete."""
    return fields_of(load_table("record_fields"))


def _has(record: VisitRecord, field: Field) -> bool:
    key, readings, worked = field.key, record.readings, _worked(record)
    last = [reading for reading in readings if reading.get("phase") == "after"] if worked else readings
    tests: dict[str, Callable[[], bool]] = {
        "head": lambda: bool(str(record.head.get(key, "")).strip()),
        "heater": lambda: bool(record.heater_id),
        "works": lambda: record.head.get(key) == "works",
        "entry": lambda: bool(record.of_kind(key)),
        "every_reading": lambda: bool(readings) and all(_holds(reading, key) for reading in readings),
        "reading": lambda: any(_holds(reading, key) for reading in readings),
        "cab_co": lambda: any(_holds(reading, "cab_co_in_ppm", "cab_co_out_ppm") for reading in last),
        "after_work": lambda: not worked or any(_holds(reading, "o2_dry_pct", "co_dry_ppm") for reading in last),
    }
    return tests[field.test]()


def _holds(reading: Mapping[str, Any], *keys: str) -> bool:
    return all(reading.get(key) is not None for key in keys)


def _worked(record: VisitRecord) -> bool:
    after = any(reading.get("phase") == "after" for reading in record.readings)
    repaired = any(event.get("event") == "repair" for event in record.of_kind("event"))
    return after or repaired or bool(record.of_kind("adjustment"))


def safety_now(record: VisitRecord) -> Safety:
    """Return the safety state at the end: of the readings after the work, or of all when none is."""
    after = [reading for reading in record.readings if reading.get("phase") == "after"]
    readings = after or record.readings or [{}]
    return of_all([Safety(alarm_findings(record.head)), *map(safety_of, readings)])


def alarm_findings(head: Mapping[str, Any]) -> tuple[Finding, ...]:
    """Return the finding of a CO alarm of the cab that fails or is missing; nothing when that was not entered."""
    alarm = head.get("co_alarm")
    return (finding("no_co_alarm", alarm=alarm),) if alarm in ("fails", "missing") else ()


def may_close(record: VisitRecord, *, incomplete: bool = False) -> str:
    """Return what the record lacks as one text ("" = complete); raises when it may not be closed.

    Parameters
    ----------
    record : VisitRecord
    incomplete : bool
        Close although something is missing; the record then says so for ever.

    Raises
    ------
    CombustError
        Fields are missing and ``incomplete`` was not asked for; or one is missing without which it never closes; or
        it says handed back while a stop condition stands.
    """
    never = {key for key, field in record_fields().items() if field.required}
    lacking = missing_fields(record)
    faults = []
    for key, label in lacking:
        if incomplete and key not in never:
            continue
        hint = "Add it with combust log add." if key in never else "Add it, or close with --incomplete."
        faults.append(Fault("record", record.visit_id, "incomplete", why=f"is incomplete: {label}", hint=hint))
    faults += hand_back_faults(record)
    if faults:
        raise CombustError(faults)
    return ", ".join(label for _, label in lacking)


def hand_back_faults(record: VisitRecord) -> list[Fault]:
    """Return the fault of a visit that says handed back while a stop condition stands."""
    stops = safety_now(record).stops
    if record.head.get("handed_back") != "yes" or not stops:
        return []
    reasons = "; ".join(one.text for one in stops)
    hint = "Keep it off (handed_back = no), or read again after the repair with phase = after."
    return [Fault("handed_back", "yes", "conflict", why=f"contradicts a stop condition: {reasons}", hint=hint)]


def limit_entries() -> list[tuple[str, dict[str, Any]]]:
    """Return the limits as (key, content) with basis and origin: what this record was judged by."""
    named = ("exhaust", "cab", "smoke", "steady")
    return [(key, plain(row)) for key, row in limits().items() if key.startswith(named)]


def check_head(head: Mapping[str, Any]) -> tuple[dict[str, str], list[Fault]]:
    """Return (good words about the visit, faults)."""
    texts = {key: None if value is None else str(value) for key, value in head.items()}
    good, faults = check_fields(texts, HEAD, what="the head of a visit")
    return good, [fault for _, fault in faults]


class Section(NamedTuple):
    """A part of a record: title, rows of texts, what it says when empty, headings of its columns, a note below."""

    title: str
    rows: Sequence[Sequence[str]]
    nothing: str
    head: Sequence[str] = ()
    note: str = ""


def readings_done(record: VisitRecord) -> list[tuple[str, Mapping[str, Any], ReadingResult | None]]:
    """Return (key, content, what it says) of each reading; None for one that holds nothing to interpret."""
    return [(entry.key, entry.body, _result(entry.body)) for entry in record.entries if entry.kind == "reading"]


def _result(body: Mapping[str, Any]) -> ReadingResult | None:
    try:
        return interpret({key: value for key, value in body.items() if key in quantities()})
    except CombustError:
        return None


def sections(record: VisitRecord) -> list[Section]:
    """Return the parts of a record in the order in which they are read: visit, readings, findings, then the rest."""
    done = readings_done(record)
    rows = [_row(*one) for one in done]
    cells, head = [[*row.values()] for row in rows], [*rows[0]] if rows else []
    found = [(key, one) for key, _, result in done if result for one in result.findings]
    limits = record.of_kind("limit") or [body for _, body in limit_entries()]
    used = [(row["key"], f"{row['value']:g} {row['unit']}", row["basis"], row["origin"]) for row in limits]
    basis = ("limit", "value", "how it is taken", "origin")
    return [
        Section("The visit", _visit(record), ""),
        Section("Readings", cells, "No reading was taken.", head, EMPTY_CELLS),
        Section("Also read", [(key, _rest(body)) for key, body, _ in done if _rest(body)], "Nothing."),
        Section("Findings", [(key, one.text) for key, one in found if one.severity != "stop"], "None but the stops."),
        Section("Checks done", _texts(record, "check"), "None was written down."),
        Section("Work and adjustments", _texts(record, "adjustment", "event"), "None."),
        Section("What was NOT checked", _texts(record, "not_checked"), NOT_STATED),
        Section("Notes", _texts(record, "note"), "None."),
        Section("Limits used, with basis and origin", used, "None.", basis, WATCH_POINTS),
    ]


def _visit(record: VisitRecord) -> list[tuple[str, str]]:
    rows = {
        "heater": record.heater_id or "not named",
        "revision": str(record.revision),
        "opened": record.opened_at,
        "closed": record.closed_at,
        "why revised": record.reason,
        **{HEAD[key].meaning if key in HEAD else key: str(text) for key, text in record.head.items()},
    }
    return [(label, text) for label, text in rows.items() if text]


def _texts(record: VisitRecord, *kinds: str) -> list[tuple[str, str]]:
    chosen = [entry for kind in kinds for entry in record.entries if entry.kind == kind]
    return [(entry.key, ": ".join(str(part) for part in entry.body.values() if part is not None)) for entry in chosen]


def _row(key: str, body: Mapping[str, Any], result: ReadingResult | None) -> dict[str, str]:
    """Return the columns of one reading, heading -> text; empty where nothing was measured or can be told."""
    number = partial(shown, untold="")
    names = ("air_ratio", "air_ratio_u", "co_air_free_ppm", "air_ratio_at_reference", "stack_loss_pct")
    ratio, u, free, reference, loss = (getattr(result, name, None) for name in names)
    return {
        "reading": key,
        "when, stage": f"{body.get('taken_at') or ''} {body.get('stage') or ''}".replace("T", " ", 1).strip(),
        "work": str(body.get("phase") or "before"),
        "O2 %": number(body.get("o2_dry_pct"), ".1f"),
        "CO ppm": number(body.get("co_dry_ppm"), ".0f"),
        "CO air-free": number(free, ".0f"),
        "lambda ± 95 %": "" if ratio is None else f"{ratio:.2f} ± {2 * (u or 0.0):.2f}",
        "at reference air": number(reference, ".2f"),
        "loss %": number(loss, ".1f"),
        "smoke": number(body.get("smoke_number"), ".0f"),
    }


def _rest(body: Mapping[str, Any]) -> str:
    """Return what has no column of its own in words; a meaning without its explanation behind a colon or semicolon."""
    known = [(quantities()[name], value) for name, value in body.items() if name in quantities()]
    texts = [
        f"{re.split('[:;]', row.meaning)[0]}: {f'{value:g}' if isinstance(value, float) else value} {row.unit}".strip()
        for row, value in known
        if row.key not in IN_COLUMNS
    ]
    return "; ".join(texts)
