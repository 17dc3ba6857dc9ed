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


def did_you_mean(near: Iterable[str], otherwise: str) -> str:
    """Return the remedy that names what was probably meant, or another one where nothing is near."""
    words = " or ".join(near)
    return f"Did you mean {words}?" if words else otherwise


def folded_name(name: str) -> str:
    """Return a name without what the eye hardly sees: capitals, letter forms (NFKC), blanks and unseen characters."""
    if name.isascii():
        return "".join(name.casefold().split())
    folded = unicodedata.normalize("NFKC", unicodedata.normalize("NFKC", name).casefold())
    return "".join(one for one in folded if not one.isspace() and unicodedata.category(one) != "Cf")
