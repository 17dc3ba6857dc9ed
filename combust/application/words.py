"""One place to look up a word: trade words, keys of the vocabulary, findings, causes, checks and codes of errors."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

from combust.data.errors import CombustError, Fault
from combust.data.fields import Field, span
from combust.data.near import did_you_mean, near_matches
from combust.data.tables import load_table
from combust.data.vocabulary import quantities
from combust.domain.limits import FindingKind, finding_kinds

SEVERITY_WORDS = {"stop": "STOP: act on it before anything else", "warn": "warning", "note": "note"}
NEEDS = {
    "burning": "burning",
    "cold": "off and cold",
    "supply_locked_out": "supply locked out",
    "fuel_work": "fuel work",
    "nobody_in_cab": "nobody in the cab",
    "at_start": "at a start",
}
# Of a word that only stands in texts: entries shown, letters it needs, entries beyond which it says nothing.
MOST, SHORTEST, COMMON = 12, 3, 60
AMERICAN = {"our": "or", "tre": "ter", "bre": "ber", "ise": "ize", "ising": "izing", "isation": "ization"}
ENGLISH = re.compile(rf"(?<=\w\w)({'|'.join(sorted(AMERICAN, key=len, reverse=True))})$")
ROLES = {
    "reading": "in: what is read at the heater",
    "context": "in: the place and its air",
    "evidence": "in: a check and its result",
    "identity": "in: who, when, which",
    "result": "out: a result",
}


Lines = tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Entry:
    """One word with its kind and the lines that explain it, (label, text) each."""

    word: str
    kind: str
    lines: Lines

    def to_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {"word": self.word, "kind": self.kind, **dict(self.lines)}


def look_up(asked: str) -> tuple[Entry, ...]:
    """Return every entry of a word, whatever its spelling (``--o2-dry``, ``O2 dry``, ``o2_dry_pct``, vapour, vapor).

    A word that has no entry of its own is looked for in the names and the texts of all; the first MOST are returned,
    those with the word in their name first. A word that stands everywhere ("the") finds nothing.

    Parameters
    ----------
    asked : str

    Returns
    -------
    tuple of Entry
        At least one.

    Raises
    ------
    CombustError
        The word is not known; near ones are named.

    Examples
    --------
    >>> look_up("Lambda")[0].word
    'lambda'
    >>> [entry.word for entry in look_up("colder")]
    ['dew_point', 'flue_below_intake']
    """
    plain = _plain(asked)
    found = tuple(dict.fromkeys(_spellings().get(plain, ()))) or _told_in(plain)
    if found:
        return found
    close = near_matches(plain, _spellings(), n=4, cutoff=0.6)
    near = list(dict.fromkeys(entry.word for spelling in close for entry in _spellings()[spelling]))
    hint = did_you_mean(near, "All words: combust word")
    raise CombustError(Fault("word", asked, "unknown_name", why="is not in the glossary", hint=hint))


@cache
def entries() -> tuple[Entry, ...]:
    """Return every entry: trade words first, then keys, findings, causes, checks and codes."""
    words, causes = load_table("words"), load_table("causes")
    sources: tuple[tuple[str, Mapping[str, Any], Callable[[Any], Lines]], ...] = (
        ("word", words["word"], _trade_lines),
        ("key", quantities(), quantity_lines),
        ("finding", finding_kinds(), _finding_lines),
        ("cause", causes["cause"], lambda row: (("meaning", row["label"]), ("text", row["sentence"]))),
        ("check", causes["check"], check_lines),
        ("code of a refused input", words["code"], lambda row: (("meaning", row["meaning"]),)),
    )
    return tuple(Entry(word, kind, lines(row)) for kind, rows, lines in sources for word, row in rows.items())


def _finding_lines(kind: FindingKind) -> Lines:
    return ("what it is", SEVERITY_WORDS[kind.severity]), ("text", plain_text(kind.text))


def plain_text(text: str) -> str:
    """Return a text with its {numbers} shown as an ellipsis."""
    return re.sub(r"\{[^}]*\}", "…", text)


def quantity_lines(record: Field) -> Lines:
    """Return what there is to say about a key of the vocabulary."""
    lines = [("meaning", record.meaning)]
    symbol = load_table("words")["symbols"].get(record.key)
    lines += [("symbol", symbol)] if symbol else []
    lines += [("unit", record.unit)] if record.unit else []
    lines += [("allowed", allowed_range(record))] if allowed_range(record) else []
    lines += [("option", record.option)] if record.role != "result" else []
    lines += [("used", ROLES[record.role])]
    lines += [("when refused", record.hint)] if record.hint else []
    return tuple(lines)


def allowed_range(record: Field) -> str:
    """Return the allowed range or words of a key, with the range it was checked in where that is narrower."""
    if record.choices:
        return ", ".join(record.choices)
    checked = span(record.validated_low, record.validated_high)
    allowed, checked = (f"{text} {record.unit}".rstrip() if text else "" for text in (record.band, checked))
    return f"{allowed} (checked {checked})" if allowed and checked != allowed else allowed


def check_lines(row: dict[str, Any]) -> Lines:
    """Return what there is to say about a check."""
    gives = ", ".join(quantities()[key].option for key in row["columns"])
    return (
        ("what to do", row["sentence"]),
        ("takes", f"{row['minutes']} min{_of_it_cooling(row)}"),
        ("heater", needed(row["needs"])),
        ("risk", row["risk"]),
        ("then enter", gives),
    )


def _of_it_cooling(row: dict[str, Any]) -> str:
    """Return how much of the minutes of a check is waiting until the heater is cold; "" where none is."""
    cooling = load_table("causes")["decide"]["cooling_minutes"] if "cold" in row["needs"] else 0
    return f", {row['minutes'] - cooling:g} where the heater is off and cold already" if cooling else ""


def needed(needs: Iterable[str]) -> str:
    """Return in words how the heater must stand for a check."""
    return ", ".join(NEEDS[need] for need in needs) or "on or off"


def _trade_lines(row: dict[str, Any]) -> Lines:
    key, known = row.get("key", ""), quantities().get(row.get("key", ""))
    of_key = quantity_lines(known) if known else ()
    lines = [("meaning", row["meaning"]), ("symbol", row.get("symbol", ""))]
    lines += [(label, text) for label, text in of_key if label not in ("meaning", "symbol")]
    return tuple((label, text) for label, text in (*lines, ("key", key)) if text)


def _plain(text: str) -> str:
    """Return a text for comparing: small letters, blanks for dashes, one of the two spellings of English, no plural."""
    words = re.sub(r"[\s_-]+", " ", text.strip().lower()).split()
    return " ".join(
        ENGLISH.sub(lambda end: AMERICAN[end[0]], re.sub(r"(?<=\w{3})(?<![su])s$", "", one)) for one in words
    )


def _told_in(plain: str) -> tuple[Entry, ...]:
    """Return the entries in whose name, then in whose text, all the words stand."""
    asked = plain.split()
    if len(plain) < SHORTEST:
        return ()
    places = [{entry: set(_words_of(text)) for entry, text in texts.items()} for texts in _texts()]
    found = dict.fromkeys(entry for place in places for entry, words in place.items() if words.issuperset(asked))
    return tuple(found)[:MOST] if len(found) <= COMMON else ()


def _words_of(text: str) -> list[str]:
    return _plain(re.sub(r"[^\w\s]+", " ", text)).split()


@cache
def _texts() -> tuple[dict[Entry, str], dict[Entry, str]]:
    """Return the name and the whole text of every entry."""
    names = {entry: f"{entry.word} {entry.lines[0][1] if entry.kind == 'cause' else ''}" for entry in entries()}
    return names, {entry: " ".join(text for _, text in entry.lines) for entry in entries()}


@cache
def _spellings() -> dict[str, list[Entry]]:
    """Return every spelling -> the entries it finds."""
    found: dict[str, list[Entry]] = {}
    for entry in entries():
        spellings = [entry.word, *(text for label, text in entry.lines if label in ("symbol", "key", "option"))]
        if entry.kind == "word":
            spellings += load_table("words")["word"][entry.word].get("also", ())
        if entry.kind == "cause":
            spellings.append(entry.lines[0][1])
        for spelling in spellings:
            found.setdefault(_plain(spelling), []).append(entry)
    return found
