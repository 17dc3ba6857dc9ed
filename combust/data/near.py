"""Near matches of a word that is not known, for a remedy that names what was probably meant."""

from __future__ import annotations

import difflib
import unicodedata
from collections.abc import Iterable

LONGEST_WORD = 80


def near_matches(word: str, known: Iterable[str], n: int = 3, cutoff: float = 0.6) -> list[str]:
    """Return up to ``n`` known words near a word, the nearest first; none for a text too long to be a word.

    Words that differ in capitals alone come before all others.

    Comparing takes time with the square of the length: a heading of 100 000 letters would take a minute.

    Examples
    --------
    >>> near_matches("deisel", ["diesel", "kerosene"])
    ['diesel']
    >>> near_matches("QUAY", ["Quay", "quarry"])
    ['Quay']
    """
    if len(word) > LONGEST_WORD:
        return []
    known, folded = list(known), word.casefold()
    same = [one for one in known if one.casefold() == folded]
    return list(dict.fromkeys([*same, *difflib.get_close_matches(word, known, n=n, cutoff=cutoff)]))[:n]


def known_word(text: str, known: Iterable[str]) -> str:
    """Return the known word that a text is, "" where it is none; capital letters make no other word.

    Examples
    --------
    >>> known_word(" Outdoors", ["outdoors"]), known_word("garage", ["outdoors"])
    ('outdoors', '')
    """
    words = list(known)
    return next((word for word in (text, text.strip().lower()) if word in words), "")


def did_you_mean(near: Iterable[str], otherwise: str) -> str:
    """Return the remedy that names what was probably meant, or another one where nothing is near."""
    words = " or ".join(near)
    return f"Did you mean {words}?" if words else otherwise


def folded_id(name: object) -> str:
    """Return the id of a visit, heater, vehicle, site or route as it is compared: trimmed, one form (NFC), case-blind.

    Examples
    --------
    >>> folded_id(" LF-0312 ") == folded_id("lf-0312"), folded_id("h\\u00fctte") == folded_id("HU\\u0308TTE")
    (True, True)
    """
    text = str(name or "").strip().casefold()
    return text if text.isascii() else unicodedata.normalize("NFC", unicodedata.normalize("NFC", text).casefold())


def one_spelling(names: Iterable[str], known: Iterable[str] = ()) -> list[str]:
    """Return ids in the spelling that each was met in first, among those that are known before the others.

    Examples
    --------
    >>> one_spelling(["Hut", "hut ", "quay"], ["HUT"])
    ['HUT', 'HUT', 'quay']
    """
    spelled: dict[str, str] = {}
    for one in known:
        spelled.setdefault(folded_id(one), one)
    return [spelled.setdefault(folded_id(one), one) for one in names]


def folded_name(name: str) -> str:
    """Return a name without what the eye hardly sees: capitals, letter forms (NFKC), blanks and unseen characters."""
    if name.isascii():
        return "".join(name.casefold().split())
    folded = unicodedata.normalize("NFKC", unicodedata.normalize("NFKC", name).casefold())
    return "".join(one for one in folded if not one.isspace() and unicodedata.category(one) != "Cf")
