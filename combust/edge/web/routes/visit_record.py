"""The record of a visit: before and after, what is missing, every entry and its correction, the end."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from starlette.responses import Response

from combust.application.visit.record import cannot_be_had, cause_not_said, missing_fields, record_fields
from combust.application.visit.standing import line_of
from combust.application.visit.visit import Visit
from combust.application.visit.wording import corrections, every_entry
from combust.data.errors import CombustError, Fault
from combust.data.units import in_words
from combust.domain.safety import Safety, of_all
from combust.edge.logbook.typed import WORDS
from combust.edge.logbook.visits import close_visit, reopen
from combust.edge.web.asked import Asked
from combust.edge.web.fields import FormField, shown_in, words_of
from combust.edge.web.texts import texts
from combust.edge.web.visit_book import (
    again_with,
    path_of,
    standing_of,
    visit_named,
    visit_of,
    write_line,
)
from combust.edge.web.visit_view import about, visit_fields

# What adds a field of the record that is no key itself; the others are their own field.
ADDED_BY = {"cab_co": ("cab_co_in_ppm", "cab_co_out_ppm"), "co_alarm": ("co_alarm",)}
BY_READING = ("reading_after", "taken_at", "heater_id", "stage")  # nothing to type here: a reading, or declared
ABOUT = (
    "who",
    "place",
    "vehicle",
    "serial",
    "hours_run",
    "weather",
    "probe_position",
    "found",
    "next_visit",
    "handed_back",
)
TEXTS = ("adjustment", "note", "not_checked")
NO_CORRECTION = ("opened", "closed", "reopened", "correction")


def record(asked: Asked) -> Response:
    """Return before and after, and what the record lacks, each with what adds it or declares it missing."""
    return _show(asked, visit_of(asked))


def _show(asked: Asked, visit: Visit) -> Response:
    safety = standing_of(asked, visit).safety.told_in(asked.units)
    return asked.show("visit_record", safety=safety, **_facts(asked, visit))


def _facts(asked: Asked, visit: Visit, error: CombustError | None = None) -> dict[str, Any]:
    declared = [(_meaning(key), why) for key, why in visit.declared_missing.items()]
    lacking = [(key, label, _adders(key, visit, asked, error)) for key, label in missing_fields(visit)]
    told = [key for key in ABOUT if key not in dict(missing_fields(visit))]
    said = shown_in(told, visit.settings, asked.units)
    fields = [replace(one, held=said.get(one.name, "")) for one in visit_fields(told, visit, asked, error)]
    return {
        **about(visit),
        "stages": _before_after(visit, asked.units),
        "lacking": lacking,
        "rest": cannot_be_had(visit),
        "declared": declared,
        "fields": fields,
        "head": visit.head,
        "not_said": cause_not_said(visit),
        "not_counted": asked.house.pool.unconfirmed(visit),
        "never": [label for key, label in missing_fields(visit) if record_fields()[key].required],
    }


def _meaning(key: str) -> str:
    return record_fields()[key].meaning if key in record_fields() else key


def _adders(key: str, visit: Visit, asked: Asked, error: CombustError | None) -> list[FormField]:
    keys = ADDED_BY.get(key, (key,) if key in WORDS and key not in BY_READING else ())
    return visit_fields(keys, visit, asked, error)


def _before_after(visit: Visit, units: str) -> list[tuple[str, str, str]]:
    def told(one: Any) -> str:
        return in_words(line_of(one), units) if one else texts()["visit"]["not_read"]

    return [(stage, told(before), told(after)) for stage, (before, after) in visit.before_after().items()]


def complete(asked: Asked) -> Response:
    """Write down what the record lacked."""
    again = again_with(asked, "visit_record", lambda wrong: _facts(asked, visit_of(asked), wrong))
    if text := asked.form.get("unchecked", "").strip():
        return write_line(asked, ["unchecked", text], again, back=_here(asked))
    return write_line(asked, words_of(asked.form, WORDS), again, back=_here(asked))


def _here(asked: Asked) -> str:
    return path_of(visit_named(asked.request.path_params["visit_id"]), "record")


def declare(asked: Asked) -> Response:
    """Declare a field missing, with the reason."""
    again = again_with(asked, "visit_record", lambda wrong: _facts(asked, visit_of(asked), wrong))
    words = ["missing", asked.form.get("field", ""), asked.form.get("reason", "")]
    return write_line(asked, words, again, back=_here(asked))


def close(asked: Asked) -> Response:
    """Close the visit, or say what it lacks."""
    return _end(asked, lambda book, name: close_visit(book, name, incomplete="incomplete" in asked.form, key=asked.key))


def open_again(asked: Asked) -> Response:
    """Open a closed visit again, with the reason."""
    return _end(asked, lambda book, name: reopen(book, name, asked.form.get("reason", ""), key=asked.key))


def _end(asked: Asked, do: Any) -> Response:
    name = visit_named(asked.request.path_params["visit_id"])
    try:
        with asked.house.book() as book:
            do(book, name)
    except CombustError as error:
        visit = visit_of(asked)
        safety = of_all([standing_of(asked, visit).safety, error.safety or Safety(())]).told_in(asked.units)
        return again_with(asked, "visit_record", lambda wrong: _facts(asked, visit, wrong))(error, safety)
    return asked.go(path_of(name))


def entries(asked: Asked) -> Response:
    """Return every entry as it was made, each with a way to correct it, and old and new beside each other."""
    visit = visit_of(asked)
    safety = standing_of(asked, visit).safety.told_in(asked.units)
    kinds = [one.kind not in NO_CORRECTION for one in visit.entries]
    rows = list(zip(every_entry(visit), kinds, strict=True))
    return asked.show("visit_entries", safety=safety, rows=rows, corrections=corrections(visit), **about(visit))


def correct_form(asked: Asked) -> Response:
    """Return one entry with what it holds in its fields."""
    visit = visit_of(asked)
    safety = standing_of(asked, visit).safety.told_in(asked.units)
    return asked.show("visit_correct", safety=safety, **_entry_facts(asked, visit))


def _entry_facts(asked: Asked, visit: Visit, error: CombustError | None = None) -> dict[str, Any]:
    name = asked.request.path_params["entry"]
    one = visit.entry(name)
    if one.kind in NO_CORRECTION:
        raise CombustError(
            Fault("entry", name, "unknown_name", why="is no entry to be corrected", hint="Take another.")
        )
    body = next((held.body for held in visit.in_force if held.name == one.name), {})
    keys = [key for key in dict.fromkeys([*body, *(body.get("over") or {})]) if key in WORDS and key != "taken_at"]
    now = {**shown_in(keys, body, asked.units), **asked.form}
    fields = visit_fields(keys, visit, asked, error)
    filled = [replace(one, value=now.get(one.name, "")) for one in fields]
    text = str(body.get("text") or "") if one.kind in TEXTS else None
    return {**about(visit), "entry": name, "kind": one.kind, "text": text, "fields": filled}


def correct(asked: Asked) -> Response:
    """Write down a correction: what was changed in the fields, or that the entry is withdrawn."""
    visit, name = visit_of(asked), asked.request.path_params["entry"]
    facts = _entry_facts(asked, visit)
    body = next((held.body for held in visit.in_force if held.name == visit.entry(name).name), {})
    before = shown_in([one.key for one in facts["fields"]], body, asked.units)
    changed = {key: text for key, text in asked.form.items() if before.get(key, "") != text.strip()}
    words = words_of(changed, [one.key for one in facts["fields"]])
    if facts["text"] is not None and asked.form.get("text", "").strip() != facts["text"]:
        words = ["text", asked.form["text"]]
    withdrawn = "withdraw" in asked.form
    again = again_with(asked, "visit_correct", lambda wrong: _entry_facts(asked, visit, wrong))
    if not words and not withdrawn:
        nothing = CombustError(
            Fault("entry", name, "empty", why="is as it was", hint=texts()["visit"]["nothing_changed"])
        )
        return again(nothing, standing_of(asked, visit).safety.told_in(asked.units))
    reason = " ".join(asked.form.get("reason", "").split())
    line = ["correct", name, *([] if withdrawn else words), *(["because", reason] if reason else [])]
    return write_line(asked, line, again, back=path_of(visit.visit_id, "entries"))
