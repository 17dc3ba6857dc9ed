"""What stands in an entry, in words: what was typed with its metric value, bounds, old and new side by side."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from combust.application.causes.catalogue import label_of, shipped_priors
from combust.application.visit.entries import Entry, names_of
from combust.application.visit.taken import Taken
from combust.application.visit.visit import Visit
from combust.application.visit.words import BESIDE, PLATE, SAID, SUPPLY, TAUGHT
from combust.data.fields import Field
from combust.data.moments import moment_of
from combust.data.units import in_words, stem_of
from combust.data.vocabulary import quantities

# What stands in columns of its own or at the head of a record; everything else is in "Also read".
IN_COLUMNS = ("o2_dry_pct", "co_dry_ppm", "smoke_number", "taken_at", "stage", "phase", "heater_id", "reading_id")
NAMED = {"handed_back": "may be used again"}  # what was typed is a wish: the verdict alone says that it is so
UNSAID = (*BESIDE, "profile", "set_at", "limits", "of")  # they stand beside the values, or have a place of their own

ONCE = ("opened", "closed", "reopened", "correction", "missing")  # kinds that are no double when they come twice
JUST_NOW_S = 600.0

NAMELESS = {"text": "", "check": "", "result": ""}  # words that say themselves what they are


def told(key: str, body: Mapping[str, Any], units: str = "metric") -> str:
    """Return the value of one key of an entry in words: as it was typed with its metric value behind it.

    A number that was typed in our unit is told in the units of the person first; a bound as one.
    """
    record, value = {**quantities(), **SAID}.get(key), body.get(key)
    unit = record.unit if record else ""
    typed = (body.get("typed") or {}).get(key)
    if key in (body.get("over") or {}):
        bound = f"above {body['over'][key]:g} {unit}".rstrip()
        return f"{typed} ({bound})" if typed else bound
    if value is None:
        return "not entered"
    if key in TAUGHT and typed:
        return str(typed)
    if record and record.kind == "band" and isinstance(value, list):
        return " to ".join(f"{end:g}" for end in value)
    figures = re.sub(r"\D", "", typed.split()[0]).lstrip("0") if typed else ""
    digits = max(4, 1 + len(figures)) if typed else 6  # one more than was typed
    number = f"{value:.{digits}g} {unit}".rstrip() if isinstance(value, int | float) else str(value)
    if (record and record.kind == "choice") or key == "strip_down":
        number = label_of(number)
    return f"{typed} ({number})" if typed else in_words(number, units) if record and record.kind == "number" else number


def name_of(key: str) -> str:
    """Return a key as a person reads it: without its unit, with blanks."""
    return NAMED.get(key) or stem_of(key).replace("_", " ")


def text_of(body: Mapping[str, Any], units: str = "metric") -> str:
    """Return the content of an entry in words, that of a correction too."""
    values = body.get("values")
    if isinstance(values, Mapping):
        body = {**values, **{key: body[key] for key in ("reason",) if body.get(key)}}
    keys = dict.fromkeys([*(key for key in body if key not in UNSAID), *(body.get("over") or ())])
    return ", ".join(f"{NAMELESS.get(key, name_of(key))} {told(key, body, units)}".strip() for key in keys)


def every_entry(visit: Visit) -> list[tuple[str, str, str, str, str]]:
    """Return of each entry as it was made: number, time, who, kind, what it holds and what corrects it."""
    names, same, later = names_of(visit.entries), same_as_before(visit), dict[str, list[str]]()
    for one in visit.entries:
        if (about := one.about) is not None:
            later.setdefault(about, []).append(names[one.name])
    rows = []
    for one in visit.entries:
        about = one.about
        text = (f"to entry {names.get(about, about)}: " if about is not None else "") + (
            text_of(one.body, visit.units) or ("withdrawn" if one.kind == "correction" else "")
        )
        if by := later.get(one.name):
            text += f" [corrected by entry {', '.join(by)}]"
        text += _again(same.get(one.name))
        rows.append((names[one.name], _time(one.at), one.who or "", one.kind.replace("_", " "), text))
    return rows


def same_as_before(visit: Visit) -> dict[str, str]:
    """Return name of an entry -> number of the last one of its kind, where that says the same: perhaps typed twice.

    Only within ten minutes. What adds to a reading is of its kind: a line that is typed again adds what is there.
    """
    names, found, last = names_of(visit.entries), dict[str, str](), dict[str, Entry]()
    for one in visit.in_force:
        kind = "reading" if one.kind == "part" else one.kind
        before, last[kind] = last.get(kind), one
        if before is not None and kind not in ONCE and _said(before) == _said(one):
            times = [moment_of(each.at) for each in (before, one)]
            if times[0] and times[1] and (times[1] - times[0]).total_seconds() <= JUST_NOW_S:
                found[one.name] = names[before.name]
    return found


def _said(one: Entry) -> dict[str, Any]:
    return {key: value for key, value in one.body.items() if key not in ("taken_at", "set_at")}


def written_since(visit: Visit, before: Visit) -> list[str]:
    """Return what was written into a visit since: each entry with its number, of a correction old and new."""
    known, names, rows = {one.name for one in before.entries}, names_of(visit.entries), list[str]()
    same = same_as_before(visit)
    changed = dict(zip([one.name for one in visit.entries if one.about is not None], corrections(visit), strict=True))
    for one in visit.entries:
        if one.name in known:
            continue
        if one.name in changed:
            _, old, new, why = changed[one.name]
            about = names.get(str(one.about), one.about)
            rows.append(f"entry {names[one.name]} corrects entry {about}: {old} -> {new} {why}".rstrip())
        else:
            body = {key: value for key, value in one.body.items() if key != "taken_at"}
            text = f"{text_of(body, visit.units)}{_again(same.get(one.name))}"
            text += f" ({_kept_in_words(str(one.body['check']))})" if one.kind == "check" else ""
            rows.append(f"entry {names[one.name]}, {one.kind.replace('_', ' ')}: {text}")
    return rows


def _kept_in_words(check: str) -> str:
    """Return what is told of a check whose result is no value of a column of it."""
    columns = [quantities()[key] for key in shipped_priors().checks[check].columns]
    takes = [f"{name_of(one.key)}{_what_it_takes(one)}" for one in columns]
    return f"kept in words, no cause takes it; what would count: {'; '.join(takes)}"


def _what_it_takes(one: Field) -> str:
    if one.choices:
        return f" {', '.join(one.choices[:-1])} or {one.choices[-1]}"
    return f" in {one.unit}" if one.unit else ""


def _again(same: str | None) -> str:
    return f" (the same as entry {same}, just before it)" if same else ""


def _time(at: str) -> str:
    """Return a time as a person reads it, its offset behind it."""
    return " ".join(re.findall(r"^[^T]+|(?<=T)[\d:.]+|[+\-Z][\d:]*$", at)) if "T" in at else at


def corrections(visit: Visit) -> list[tuple[str, str, str, str]]:
    """Return (which entry and when it was corrected, the old, the new, who and why) of each correction."""
    rows = []
    held = {one.name: dict(one.body) for one in visit.entries}
    names = names_of(visit.entries)
    for entry in visit.entries:
        if (about := entry.about) is not None:
            old = held.setdefault(about, {})
            rows.append(_old_and_new(entry, names.get(about, about), old, visit.units))
            old.update(entry.body.get("values") or {})
    return rows


def changes(visit: Visit) -> list[str]:
    """Return what was corrected, and what of plate and supply was said anew: old and new, for the sheet."""
    rows = [f"{which[11:]}: {old} -> {new} {why}".rstrip() for which, old, new, why in corrections(visit)]
    held: dict[str, Mapping[str, Any]] = {}
    for one in visit.in_force:
        if one.kind == "setting":
            for key in (key for key in one.body if key in PLATE or key in SUPPLY):
                before = held.get(key)
                if before is not None and before.get(key) != one.body[key]:
                    old, new = (told(key, body, visit.units) for body in (before, one.body))
                    rows.append(f"{one.at[11:16]} {name_of(key)}: {old} -> {new}")
                held[key] = one.body
    return rows


def _old_and_new(entry: Entry, about: str, old: Mapping[str, Any], units: str) -> tuple[str, str, str, str]:
    changed = entry.body.get("values") or {}
    keys = dict.fromkeys([*(key for key in changed if key not in BESIDE), *(changed.get("over") or ())])
    before = ", ".join(f"{name_of(key)} {told(key, old, units)}" for key in keys) or text_of(old, units)
    new = {**old, **changed}
    after = ", ".join(f"{name_of(key)} {told(key, new, units)}" for key in keys) or "withdrawn"
    why = " ".join(filter(None, (entry.who, f"({entry.body['reason']})" if entry.body.get("reason") else "")))
    return f"{entry.at[:16].replace('T', ' ')} entry {about}", before, after, why


def rest_of(one: Taken, settings: Mapping[str, Any], units: str = "metric") -> dict[str, str]:
    """Return what has no column of its own, label -> value; a label without its explanation behind : or ;.

    A setting of the visit that holds for the reading is told as it was typed there.
    """
    held = {key: text for key, text in settings.get("typed", {}).items() if one.values.get(key) == settings.get(key)}
    body = {**one.values, "typed": held | one.typed, "over": one.over}
    known = [key for key in dict.fromkeys([*one.values, *one.over]) if key in quantities() and key not in IN_COLUMNS]
    return {re.split("[:;]", quantities()[key].meaning)[0]: told(key, body, units) for key in known}
