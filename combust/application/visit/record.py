"""The record of a visit: what it holds, what is missing, whether it may be closed."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

from combust.application.reading.result import safety_of
from combust.data.errors import CombustError, Fault, printable
from combust.data.fields import Field, check_fields, fields_of
from combust.data.tables import load_table
from combust.domain.limits import Finding, finding, limits
from combust.domain.result import Result, Rows, plain
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
    key, test = field.key, field.test
    if test == "head":
        return bool(str(record.head.get(key, "")).strip())
    if test == "heater":
        return bool(record.heater_id)
    if test == "works":
        return record.head.get(key) == "works"
    if test == "entry":
        return bool(record.of_kind(key))
    readings = record.readings
    if test == "every_reading":
        return bool(readings) and all(reading.get(key) is not None for reading in readings)
    if test == "reading":
        return any(reading.get(key) is not None for reading in readings)
    worked = _worked(record)
    counted = [reading for reading in readings if reading.get("phase") == "after"] if worked else readings
    keys = ("cab_co_in_ppm", "cab_co_out_ppm") if test == "cab_co" else ("o2_dry_pct", "co_dry_ppm")
    if test == "after_work" and not worked:
        return True
    return any(all(reading.get(key) is not None for key in keys) for reading in counted)


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
    told = "; ".join(one.text for one in stops)
    hint = "Keep it off (handed_back = no), or read again after the repair with phase = after."
    return [Fault("handed_back", "yes", "conflict", why=f"contradicts a stop condition: {told}", hint=hint)]


def limit_entries() -> list[tuple[str, dict[str, Any]]]:
    """Return the limits as (key, content) with basis and origin: what this record was judged by."""
    named = ("exhaust", "cab", "smoke", "steady")
    return [(key, plain(row)) for key, row in limits().items() if key.startswith(named)]


def check_head(head: Mapping[str, Any]) -> tuple[dict[str, str], list[Fault]]:
    """Return (good words about the visit, faults)."""
    texts = {key: None if value is None else str(value) for key, value in head.items()}
    good, told = check_fields(texts, HEAD, what="the head of a visit")
    return good, [fault for _, fault in told]
