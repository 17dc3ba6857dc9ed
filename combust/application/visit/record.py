"""What the record of a visit must hold, what it lacks, whether it may be closed, and its sections of rows."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from functools import cache, partial
from typing import Any, NamedTuple

from combust.application.causes.catalogue import shipped_priors
from combust.application.causes.checks import checks_done
from combust.application.reading.result import ReadingResult
from combust.application.visit.entries import Entry
from combust.application.visit.meaning import whole_safety
from combust.application.visit.taken import Taken
from combust.application.visit.visit import Visit
from combust.application.visit.wording import corrections, every_entry, name_of, rest_of, told
from combust.application.visit.words import HEAD, SAID, cause_said
from combust.data.errors import CombustError, Fault
from combust.data.fields import Field, check_fields, fields_of
from combust.data.tables import load_table
from combust.data.units import in_words
from combust.data.vocabulary import inputs
from combust.domain.limits import Finding, limits
from combust.domain.result import UNTOLD, many, plain, shown
from combust.domain.safety import Safety

REST = "rest"  # all that is left to be read
OF_READINGS = ("reading", "every_reading", "after_work", "cab_co")
CHECKS = tuple(load_table("causes")["check"])
BESIDE_EACH_OTHER = 6  # readings in one table
EMPTY_CELLS = "Empty = not measured or cannot be told, never 0. Lambda by the carbon and oxygen balance; reference air "
EMPTY_CELLS += "1013.25 hPa, 15 °C, dry."
WATCH_POINTS = "Watch-points, not a conformity test: local codes and the heater's own document win."
HANDED_BACK = "Handed back."
NOT_STATED = "Nothing was stated: do not take it as everything was checked."
NO_RESULT = "No result, or only a part, was written down of these checks: {checks}."


def missing_fields(visit: Visit) -> list[tuple[str, str]]:
    """Return (key, label) of every mandatory field that the record lacks and that is not declared missing."""
    declared = visit.declared_missing
    lacking = [(key, field) for key, field in record_fields().items() if not _has(visit, field)]
    return [(key, field.meaning) for key, field in lacking if key not in declared]


@cache
def record_fields() -> dict[str, Field]:
    """Return what a record must hold, key -> Field; without a ``required`` one it cannot even close as incomplete."""
    return fields_of(load_table("record_fields"))


def cannot_be_had(visit: Visit) -> list[str]:
    """Return the keys of what the record lacks and that is read: it may be declared missing at once, ``missing rest``.

    Who, where, the alarm, what was not checked and whether it is handed back are no readings that can fail: they are
    said.
    """
    return [key for key, _ in missing_fields(visit) if record_fields()[key].test in OF_READINGS]


def _has(visit: Visit, field: Field) -> bool:
    key, readings, last = field.key, visit.readings, [one.shown for one in visit.last_taken]
    tests: dict[str, Callable[[], bool]] = {
        "head": lambda: bool(str(visit.head.get(key, "")).strip()),
        "heater": lambda: bool(visit.heater_id),
        "works": lambda: visit.head.get(key) == "works",
        "entry": lambda: bool(visit.of_kind(key)),
        "every_reading": lambda: bool(readings) and all(_holds(reading, key) for reading in readings),
        "reading": lambda: any(_holds(reading, key) for reading in readings),
        "cab_co": lambda: any(_holds(reading, "cab_co_in_ppm", "cab_co_out_ppm") for reading in last),
        "after_work": lambda: not visit.worked or any(_holds(one, "o2_dry_pct", "co_dry_ppm") for one in last),
    }
    return tests[field.test]()


def _holds(reading: Mapping[str, Any], *keys: str) -> bool:
    return all(reading.get(key) is not None for key in keys)


def result_as_typed(check: str, said: Sequence[str]) -> list[str]:
    """Return the words that enter what a check showed, where that is a value of a column of it; else none.

    Examples
    --------
    >>> result_as_typed("look_at_terminals", ["exhaust", "blocked"]), result_as_typed("joints", ["some", "rust"])
    (['terminals', 'exhaust_blocked'], [])
    >>> result_as_typed("glow_voltage", ["10,9", "V"]), result_as_typed("glow_voltage", ["10.9", "at", "dusk"])
    (['supply_glow_v', '10,9', 'V'], [])
    """
    columns = [inputs()[key] for key in shipped_priors().checks[check].columns]
    word = "_".join(said).lower().replace("-", "_")
    if chosen := next((one.key for one in columns if word in one.choices), None):
        return [chosen, word]
    one, *more = columns
    number = re.fullmatch(rf"[-+\u2212]?\d[\d.,]* *(?:{re.escape(one.unit)})?", " ".join(said), re.IGNORECASE)
    return [one.key, *said] if number and one.kind == "number" and not more else []


def status(visit: Visit) -> str:
    """Return ``open`` or ``closed``, what the record lacks, and what was declared missing."""
    state = "closed" if visit.closed_at else "open"
    lacking = visit.incomplete if visit.closed_at else ", ".join(label for _, label in missing_fields(visit))
    fields = record_fields()
    by_reason: dict[str, list[str]] = {}
    for key, why in visit.declared_missing.items():
        by_reason.setdefault(why, []).append(fields[key].meaning if key in fields else key)
    declared = [f"{', '.join(labels)} ({why})" for why, labels in by_reason.items()]
    told = f"{state}, incomplete: {lacking}" if lacking else f"{state}, {'all told' if declared else 'complete'}"
    told += f"; declared missing: {', '.join(declared)}" if declared else ""
    return told + (f"; {many(len(visit.branches), 'branch')} of several books" if len(visit.branches) > 1 else "")


def unchecked(visit: Visit) -> str:
    """Return which checks have no result in the record, where nobody said what was not checked; "" where it is said."""
    done = checks_done(visit.readings) | {str(body.get("check")) for body in visit.of_kind("check")}
    left = [name_of(name) for name in CHECKS if name not in done]
    return NO_RESULT.format(checks=", ".join(left)) if left and not visit.of_kind("not_checked") else ""


def cause_not_said(visit: Visit) -> str:
    """Return that a visit with work in it does not say what it was; "" where it does. It may be left open."""
    shown = {str(one.values.get("strip_down") or "nothing_found") for one in visit.taken} - {"nothing_found"}
    named = shown or any(branch.settings.get("found") for branch in visit.branches)
    return "" if named or not visit.worked else "what it was (found CAUSE; it may be left open)"


def may_close(visit: Visit, *, incomplete: bool = False) -> str:
    """Return what the record lacks as one text ("" = complete); raises when it may not be closed.

    Parameters
    ----------
    visit : Visit
    incomplete : bool
        Close although something is missing; the record then says so for ever.

    Raises
    ------
    CombustError
        Fields are missing and ``incomplete`` was not asked for; or one is missing without which it never closes unless
        it is declared missing; or it says handed back while something speaks against that.
    """
    never = {key for key, field in record_fields().items() if field.required}
    lacking = missing_fields(visit)
    needed = [(key, label) for key, label in lacking if key in never or not incomplete]
    faults, against = [], hand_back_faults(visit)
    if needed:
        every = f", or missing {REST} REASON for all that cannot be read" if len(needed) > 1 else ""
        hint = f"Add it, or say why it cannot be had: missing {needed[0][0]} REASON{every}."
        must = [label for key, label in needed if key in never]
        if must and len(must) < len(needed):
            hint += f" Even with --incomplete it does not close without: {', '.join(must)}."
        elif not must and not against:
            hint += " Or close with --incomplete."
        why = f"is incomplete: {', '.join(label for _, label in needed)}"
        faults.append(Fault("record", visit.visit_id, "incomplete", why=why, hint=hint))
    faults += against
    if faults:
        raise CombustError(faults)
    return ", ".join(label for _, label in lacking)


def closing_of_table(visit: Visit, closed_at: str) -> dict[str, Any]:
    """Return the content of the entry that closes a visit as a table says it was: the day, what it lacks, the limits.

    Nothing is asked for that was not written down elsewhere; what it lacks is told, as of ``close --incomplete``.
    """
    lacking = ", ".join(label for _, label in missing_fields(visit))
    return {"closed_at": closed_at, "incomplete": lacking or None, "limits": limit_rows()}


def hand_back_faults(visit: Visit, *, at_the_end: bool = True) -> list[Fault]:
    """Return the fault of a visit that says handed back although something speaks against it.

    Before the end only the stop conditions count: what is still to be measured can follow.
    """
    if visit.head.get("handed_back") != "yes":
        return []
    safety = whole_safety(visit)
    stops = [one.text for one in safety.stops]
    hint = "Keep it off (handed_back no), read again after the repair, or correct what was mistyped (correct NUMBER)."
    if stops:
        why = f"contradicts a stop condition: {'; '.join(stops)}"
        return [Fault("handed_back", "yes", "conflict", why=why, hint=hint)]
    doubts = visit.hand_back_doubts(safety) if at_the_end else []
    why = f"is not borne out: {' '.join(doubts)}"
    return [Fault("handed_back", "yes", "conflict", why=why, hint=hint)] if doubts else []


def limit_rows() -> list[dict[str, Any]]:
    """Return the limits with basis and origin: what this record was judged by."""
    named = ("exhaust", "cab", "smoke", "steady")
    return [plain(row) for key, row in limits().items() if key.startswith(named)]


def check_head(head: Mapping[str, Any]) -> tuple[dict[str, str], list[Fault]]:
    """Return (good words about the visit, faults)."""
    texts = {key: None if value is None else str(value) for key, value in head.items()}
    texts |= {"found": cause_said(said)} if (said := texts.get("found")) else {}
    good, faults = check_fields(texts, HEAD, what="the head of a visit")
    return good, [fault for _, fault in faults]


class Section(NamedTuple):
    """A part of a record: title, rows of texts, what it says when empty, headings of its columns, a note below."""

    title: str
    rows: Sequence[Sequence[str]]
    nothing: str
    head: Sequence[str] = ()
    note: str = ""


def sections(visit: Visit, *, in_full: bool = False) -> list[Section]:
    """Return the parts of a record in the order in which they are read: visit, readings, findings, then the rest.

    ``in_full`` adds every result with its uncertainty and what was assumed.
    """
    units = visit.units
    done = [(one, one.result) for one in visit.taken]
    rows = [_row(*one) for one in done]
    cells, head = [[*row.values()] for row in rows], [*rows[0]] if rows else []
    found = [(one.key, said) for one, result in done if result for said in result.findings]
    closed = visit.of_kind("closed")
    limits = closed[-1].get("limits") if closed else limit_rows()
    used = [
        (
            str(row["key"]).replace("_", " "),
            *(in_words(text, units) for text in (f"{row['value']:g} {row['unit']}", row["basis"])),
            row["origin"],
        )
        for row in (limits if isinstance(limits, list) else ())
    ]
    basis = ("limit", "value", "how it is taken", "origin")
    return [
        Section("The visit", _about(visit), ""),
        Section("Readings", cells, "No reading was taken.", head, EMPTY_CELLS),
        *_side_by_side("Also read", {one.key: rest_of(one, visit.settings, units) for one, _ in done}, "Nothing."),
        *(_results(done, units) if in_full else ()),
        Section("Findings", _findings(found, units), "None but the stops."),
        Section("Checks done", _texts(visit, "check"), "None was written down."),
        Section("Work and adjustments", _texts(visit, "adjustment", "event"), "None."),
        Section("What was NOT checked", _texts(visit, "not_checked", "missing"), f"{NOT_STATED} {unchecked(visit)}"),
        Section("Notes", _texts(visit, "note"), "None."),
        Section("Corrections, old and new", corrections(visit), "None.", ("entry", "old", "new", "who, why")),
        Section("Every entry as it was made", every_entry(visit), "None.", ("entry", "time", "who", "kind", "what")),
        Section("Limits used, with basis and origin", used, "None.", basis, WATCH_POINTS),
    ]


def _findings(found: Sequence[tuple[str, Finding]], units: str) -> list[tuple[str, str]]:
    return [(key, in_words(one.text, units)) for key, one in found if one.severity != "stop"]


def _results(done: Sequence[tuple[Taken, ReadingResult | None]], units: str) -> list[Section]:
    """Return every result of each reading with its uncertainty, side by side, and what was assumed and why."""
    known = [(one.key, result) for one, result in done if result]
    told_of = {key: {label: in_words(text, units) for label, text in result.lines()} for key, result in known}
    assumed: dict[tuple[str, str, str], list[str]] = {}
    for key, result in known:
        for one in result.assumed:
            assumed.setdefault((name_of(one.quantity), in_words(one.shown, units), one.origin), []).append(key)
    rows = [(*what, ", ".join(keys)) for what, keys in assumed.items()]
    return [
        *_side_by_side("Results with their uncertainty", told_of, "None."),
        Section("Assumed", rows, "Nothing.", ("what", "value", "why", "for")),
    ]


def _side_by_side(title: str, columns: Mapping[str, Mapping[str, str]], nothing: str) -> list[Section]:
    """Return tables with one column a reading and one row a quantity, so many readings as stand beside each other."""
    names = [*columns]
    parts = [names[at : at + BESIDE_EACH_OTHER] for at in range(0, len(names), BESIDE_EACH_OTHER)] or [[]]
    made = []
    for part in parts:
        labels = dict.fromkeys(label for name in part for label in columns[name])
        rows = [(label, *(columns[name].get(label, "") for name in part)) for label in labels]
        made.append(Section(title, rows, nothing, ("", *part)))
    return made


def hand_back(visit: Visit, safety: Safety) -> tuple[str, list[str]]:
    """Return (in a word whether it is handed back, what speaks against it).

    Handed back is never said without measured CO in the cab and a state of nothing found.
    """
    said = visit.head.get("handed_back")
    if said == "no":
        return "Kept off.", []
    if doubts := visit.hand_back_doubts(safety):
        return "Not handed back.", doubts
    return (HANDED_BACK if said == "yes" else "Not yet said whether it may be used again."), []


def handed_back(visit: Visit, safety: Safety | None = None) -> str:
    """Return in words whether it is handed back, and why not; ``safety`` is that with its causes, where it is known."""
    word, doubts = hand_back(visit, whole_safety(visit) if safety is None else safety)
    return f"Not yet given back to use: {' '.join(doubts)}" if doubts else word


def facts_of(visit: Visit, safety: Safety | None = None) -> dict[str, Any]:
    """Return the plain values of a visit for JSON with what they come to; ``handed_back`` is the verdict in words."""
    return {**visit.to_dict(), "status": status(visit), "handed_back": handed_back(visit, safety)}


def _about(visit: Visit) -> list[tuple[str, str]]:
    held = visit.settings
    words = {SAID[key].meaning: told(key, held, visit.units) for key in held if key in SAID and key != "handed_back"}
    rows = {
        "heater": visit.heater_id or "not named",
        "revision": str(visit.revision),
        "opened": visit.opened_at,
        "closed": visit.closed_at,
        "why opened again": visit.reason,
        **words,
        "at the end": handed_back(visit),
    }
    return [(label, text) for label, text in rows.items() if text]


def _texts(visit: Visit, *kinds: str) -> list[tuple[str, str]]:
    chosen: list[Entry] = [entry for kind in kinds for entry in visit.in_force if entry.kind == kind]
    return [(entry.key, ": ".join(str(part) for part in entry.body.values() if part is not None)) for entry in chosen]


def _row(one: Taken, result: ReadingResult | None) -> dict[str, str]:
    """Return the columns of one reading, heading -> text; empty where nothing was measured or can be told."""
    number = partial(shown, untold="")
    body = one.values
    names = ("co_air_free_ppm", "air_ratio_at_reference", "stack_loss_pct")
    free, reference, loss = (getattr(result, name, None) for name in names)
    ratio = "" if result is None else result.air_ratio_text
    co = one.shown["co_dry_ppm"] if "co_dry_ppm" in one.over else number(body.get("co_dry_ppm"), ".0f")
    return {
        "reading": one.key,
        "when, stage": f"{body.get('taken_at') or ''} {body.get('stage') or ''}".replace("T", " ", 1).strip(),
        "work": str(body.get("phase") or "before"),
        "O2 %": number(body.get("o2_dry_pct"), ".4g"),
        "CO ppm": co,
        "CO air-free": number(free, ".0f"),
        "lambda ± 95 %": "" if ratio == UNTOLD else ratio.replace(" (95 %)", ""),
        "at reference air": number(reference, ".2f"),
        "loss %": number(loss, ".1f"),
        "smoke": number(body.get("smoke_number"), ".0f"),
    }
