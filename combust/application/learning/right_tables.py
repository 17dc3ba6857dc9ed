"""The tables of the page that tells how often the ranking was right, in plain words."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence

from combust.application.causes.catalogue import label_of
from combust.application.learning.right import HowRight, Said, Share, percent
from combust.application.visit.record import Section
from combust.application.visit.wording import name_of
from combust.data.units import chance_in_words
from combust.data.vocabulary import inputs

NONE = "No visit has a confirmed cause yet."
INTERVALS = "Intervals: 95 %, by the score method (Wilson 1927; Newcombe 1998). Fewer than five are told as a count."
THEN = "What was taken for something else most often stands first. When it names the cause on the left, take the check "
THEN += "that tells it from the other ones (combust word CAUSE) before anything is mended."
NOT_APART = "not told apart: right one among those named"
TIED = "Not told apart: it named several that it could not tell apart yet, as combust cause says. Whichever of them "
TIED += "stands first counts as named first. Where the right one is among them, and the first has less than 50 %, the "
TIED += "visit is not listed as a wrong answer."
FACTOR = "The factor: so many times likelier than the confirmed cause that reading made the wrong one. A reading that "
FACTOR += "comes back here is read again, or its instrument is looked at, before it decides."
UNCOUNTED = "Visits that were not counted"
MOST_NAMED = 5  # visits that are named for one reason
TIMES = 100.0  # above it a factor is told as more than that
WRONG_HEAD = ("visit", "confirmed cause", "it said", "readings that spoke for it, by which factor")
VERDICTS = {
    "right": "showed the cause",
    "false": "showed something else",
    "missed": "showed nothing, though the cause shows there",
    "clear": "showed nothing, and nothing was to be seen",
}
PLAIN = {"warm": "minutes of burning before the reading (warm or not)"}  # of what is worked out from other columns


def sections_of(found: HowRight) -> list[Section]:
    """Return the tables of the page in the order in which they are read."""
    said = [(f"{one.name}, on average {percent(one.said)}", one.words, one.verdict) for one in found.by_said]
    parts = [Section("When it said so much, it was right in", said, NONE, ("it said", "right", "that is"), INTERVALS)]
    parts.append(Section("When it names this one, what was it?", _named(found), NONE, NAMED_HEAD, THEN))
    for title, first, shares, note in (
        ("By cause", "confirmed cause", found.by_cause, TIED),
        ("By type of heater", "type", found.by_kind, ""),
        ("Over time", "winter", found.by_winter, ""),
    ):
        cells = [(label_of(one.name), one.words, percent(one.said), _not_apart(one)) for one in shares]
        parts.append(Section(title, cells, NONE, (first, "named first", "it said, on average", NOT_APART), note))
    of = {one.name: one.of for one in found.by_cause}
    named = [
        (label_of(cause), label_of(name), Share(name, number, of[cause], 0.0).words)
        for cause, name, number in found.confusion
    ]
    parts.append(Section("What it named for which cause", named, NONE, ("confirmed cause", "named first", "how often")))
    nowhere = _nowhere(found.overall)
    misled = [
        (f"{label_of(cause)} taken for {label_of(name)}", plain_name(column), str(number), f"{turned} of {number}")
        for cause, name, column, number, turned in found.misled
    ]
    head = ("what was wrong", "reading that misled most", "visits", "right without it")
    by_itself = "No reading misled it by itself." if found.wrong else nowhere
    parts.append(Section("Where it was wrong, which reading misled it", misled, by_itself, head))
    wrong = [_wrong(one) for one in found.wrong]
    parts.append(Section("The surest wrong answers", wrong, nowhere, WRONG_HEAD, FACTOR))
    seen: dict[str, Counter[str]] = {}
    for column, verdict, number in found.looks:
        seen.setdefault(column, Counter())[verdict] += number
    looked = [(plain_name(column), *(str(some[key]) for key in VERDICTS)) for column, some in seen.items()]
    looks = ("look", *VERDICTS.values())
    parts.append(Section("What looks showed, held against the confirmed cause", looked, NONE, looks))
    return [*parts, not_counted(found.not_counted, found.visits, found.named)]


def not_counted(
    reasons: Mapping[str, int], visits: int, named: Mapping[str, Sequence[tuple[str, str]]] | None = None
) -> Section:
    """Return why how many of some visits were not counted, with the names of the first of them where those are told."""
    every = "All were counted." if visits else "There is no visit yet."
    rows = [(why, str(number)) for why, number in reasons.items()]
    head: tuple[str, ...] = ("why", "visits")
    if named is not None:
        head = (*head, "which")
        return Section(UNCOUNTED, [(*row, _which(row[0], reasons, named)) for row in rows], every, head)
    return Section(UNCOUNTED, rows, every, head)


def _which(why: str, reasons: Mapping[str, int], named: Mapping[str, Sequence[tuple[str, str]]]) -> str:
    names = [name for name, _ in named[why]]
    return ", ".join(names[:MOST_NAMED]) + (" ..." if reasons[why] > MOST_NAMED else "")


def _nowhere(every: Share | None) -> str:
    """Return what stands where no wrong answer is listed."""
    if every is None:
        return NONE
    near = every.right < every.of
    return "Only where the right one is among those that it did not tell apart." if near else "It was wrong nowhere."


def _not_apart(one: Share) -> str:
    return f"{one.among} of {one.tied}" if one.tied else "none"


NAMED_HEAD = ("it named first", "it was", "how often")


def _named(found: HowRight) -> list[tuple[str, str, str]]:
    """Return (named, confirmed, how often): the name that was wrong most often first, of each the commonest first."""
    total, wrong = Counter[str](), Counter[str]()
    for cause, name, number in found.confusion:
        total[name] += number
        wrong[name] += number * (cause != name)
    rows = sorted(found.confusion, key=lambda row: (-wrong[row[1]], row[1], -row[2], row[0]))
    shares = [Share(name, count, total[name], 0.0).words for _, name, count in rows]
    return [(label_of(name), label_of(cause), words) for (cause, name, _), words in zip(rows, shares, strict=True)]


def plain_name(column: str) -> str:
    """Return what a column is in plain words.

    Examples
    --------
    >>> plain_name("flue_temp_c")
    'flue gas at the sampling point'
    """
    known = inputs().get(column)
    return PLAIN.get(column) or (known.meaning if known else name_of(column))


def _times(factor: float) -> str:
    return f"more than {TIMES:.0f}" if factor > TIMES else f"{factor:.0f}" if factor >= 10.0 else f"{factor:.1f}"


def _wrong(one: Said) -> tuple[str, str, str, str]:
    spoke = [f"{plain_name(row.column)}: {_times(row.times)}" for row in one.misled[:3]] or ["none by itself"]
    said = f"{label_of(one.said)}, {chance_in_words(one.probability)}" + (
        "" if one.fits else "; said that nothing fits"
    )
    said += "; not told apart from the right one" if one.among else ""
    visit = one.visit_id if one.day in one.visit_id else f"{one.visit_id}, {one.day}"
    return visit, label_of(one.cause), said, "; ".join(spoke)
