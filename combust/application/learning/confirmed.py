"""Which visits tell what the cause was: it was named, mended, and a good reading stands after the work.

A cause is *confirmed* when the visit is closed and whole, the cause was named (``found exhaust_restricted``, or what
opening the unit showed), a repair or an adjustment was entered, and the readings after the last work are *good*:

* no stop condition stands at the end of the visit;
* every stage whose gas was read before the work was read again after it;
* lambda of each of them lies within the 95 % of both around the healthy one at this site or, where the heater has no
  healthy reading, inside the band of its document;
* with a healthy reading: the sample is valid, the readings fit, and healthy leads the causes or is not told apart from
  what leads.

Nothing wrong (``found healthy``) is a person's word too: it counts when something was looked at and nothing that was
entered speaks against it: no work, no stop and no warning against handing back, not kept off, lambda as of the healthy
heater. It is told apart from the mended ones.

What was taken back does not count. A visit does not count either that was changed outside combust, that holds a reading
of the simulated heater, or in which the heater was swapped. Nothing is guessed from the words of a repair.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from combust.application.causes.catalogue import HEALTHY, shipped_priors
from combust.application.causes.seen_answers import seen_answers, seen_table
from combust.application.visit.meaning import causes_of
from combust.application.visit.nothing_wrong import against_healthy, lambda_is_off, last_of_stages, numbers_off
from combust.application.visit.visit import Visit
from combust.data.errors import CombustError
from combust.domain.heater import Heater
from combust.domain.reading import is_simulated

OPENED_UP = "strip_down"
MOST_NAMED = 100  # visits that are named for one reason why they are not counted; all of them are counted
NO_PROFILE = "nothing known of the heater: give its profile with a healthy reading (--heaters DIR)"
NO_HEALTHY = "no healthy reading of the heater"


@dataclass(frozen=True, slots=True)
class Look:
    """One thing that was seen or told before the work, held against the cause that was confirmed.

    Attributes
    ----------
    column, answer : str
        As the table ``seen`` of the causes has them.
    verdict : str
        ``right`` (it showed something, and the cause shows that), ``false`` (something that the cause does not show),
        ``missed`` (nothing, where the cause would show) or ``clear`` (nothing, and nothing was to be seen).
    """

    column: str
    answer: str
    verdict: str


@dataclass(frozen=True, slots=True)
class Confirmed:
    """A visit whose cause was confirmed.

    Attributes
    ----------
    visit_id : str
    heater_id : str or None
    day : str
        Of its readings, ISO 8601.
    heater : Heater
        As its profile or its plate tells it.
    cause : str
        Name of a cause; ``healthy`` where nothing was wrong.
    rows : tuple of dict
        The readings before the work as the ranking takes them, corrections made, without what opening the unit showed.
    looks : tuple of Look
    """

    visit_id: str
    heater_id: str | None
    day: str
    heater: Heater
    cause: str
    rows: tuple[dict[str, Any], ...]
    looks: tuple[Look, ...]

    @property
    def mended(self) -> bool:
        """Whether a repair with a good reading after it bears the cause out, not a person's word alone."""
        return self.cause != HEALTHY


def confirmed(visits: Iterable[Visit]) -> Iterator[Confirmed]:
    """Yield the confirmed ones among visits, one after the other: memory does not grow with their number."""
    for visit in visits:
        found, _ = confirm(visit)
        if found:
            yield found


class NotCounted:
    """Why visits were not counted, and the first of them for each reason; filled while the visits are taken."""

    def __init__(self) -> None:
        self._reasons = Counter[str]()
        self._named: dict[str, list[tuple[str, str]]] = {}

    def add(self, visit: Visit, why: str) -> None:
        """Count a visit for a reason, and name it where few were named."""
        self._reasons[why] += 1
        if len(some := self._named.setdefault(why, [])) < MOST_NAMED:
            some.append((visit.visit_id, why_not(visit) or why))

    def of(self, visits: Iterable[Visit], *, healthy: bool = False) -> Iterator[Visit]:
        """Yield visits as they come, and count those that confirm no cause.

        Parameters
        ----------
        visits : iterable of Visit
        healthy : bool
            Count also what is confirmed of a heater without a healthy reading.
        """
        for visit in visits:
            found, why = confirm(visit)
            if found and healthy and not found.heater.baselines:
                why = NO_HEALTHY
            if why:
                self.add(visit, why)
            yield visit

    @property
    def counts(self) -> dict[str, int]:
        """Reason -> how many visits, the commonest first."""
        return dict(self._reasons.most_common())

    @property
    def named(self) -> dict[str, tuple[tuple[str, str], ...]]:
        """Reason -> (visit, why with its numbers) of the first of them, at most ``MOST_NAMED``, in the same order."""
        return {why: tuple(self._named[why]) for why in self.counts}


def told_why(counts: Mapping[str, int]) -> str:
    """Return the reasons for which visits were not counted, each with how many there are, in their order."""
    return "; ".join(f"{why}: {number}" for why, number in counts.items())


def confirm(visit: Visit) -> tuple[Confirmed | None, str]:
    """Return (what a visit confirms, "") or (None, why it confirms nothing).

    Parameters
    ----------
    visit : Visit

    Examples
    --------
    >>> confirm(Visit.open("V017", at="2026-01-12T09:00+01:00"))
    (None, 'open still')
    """
    found, why, _ = _known(visit)
    return found, why


def why_not(visit: Visit) -> str:
    """Return why a visit confirms nothing, with the numbers that say so; "" where it confirms its cause."""
    _, why, numbers = _known(visit)
    return f"{why} ({numbers})" if numbers else why


def unconfirmed(visit: Visit) -> str:
    """Return :func:`why_not` of a visit that was worked at or names its cause; "" of a mere look, which asks none.

    One that is open is judged as if it were closed as it stands.
    """
    closed = visit if visit.closed_at else visit.add("closed", {})
    return why_not(closed) if closed.worked or _cause_of(closed)[0] else ""


def _known(visit: Visit) -> tuple[Confirmed | None, str, str]:
    if "confirmed" not in visit.known:  # the entries of a visit never change
        visit.known["confirmed"] = _confirm(visit)
    found: tuple[Confirmed | None, str, str] = visit.known["confirmed"]
    return found


def _confirm(visit: Visit) -> tuple[Confirmed | None, str, str]:
    """Return what a visit confirms or None, why it confirms nothing, and the numbers of that."""
    cause, why = _cause_of(visit)
    try:
        heater = visit.need_heater()
    except CombustError:
        heater = None
    before = [one for one in visit.taken if not one.after]
    rows = [{key: value for key, value in one.row.items() if key != OPENED_UP} for one in before]
    rows = [row for row in rows if row]
    if not why and heater is None:
        why = NO_PROFILE
    if not why and not rows:
        why = "nothing read before the work"
    if why or heater is None:
        return None, why, ""
    answers = dict.fromkeys(answer for one in before for answer in seen_answers(one.row, heater, shipped_priors()))
    looks = tuple(_look(column, answer, cause) for column, answer in answers)
    why, numbers = _nothing_wrong(visit, heater, looks) if cause == HEALTHY else _good_after(visit, heater)
    if why:
        return None, why, numbers
    return Confirmed(visit.visit_id, visit.heater_id, day_of(visit, rows), heater, cause, (*rows,), looks), "", ""


def day_of(visit: Visit, rows: Iterable[dict[str, Any]]) -> str:
    """Return the day of the first reading that has one, not that on which it was typed; else that of the visit."""
    return next((str(row["taken_at"]) for row in rows if row.get("taken_at")), visit.opened_at)[:10]


def _cause_of(visit: Visit) -> tuple[str, str]:
    """Return (the cause that was named, "") or ("", why the visit can confirm none)."""
    said = {str(branch.settings["found"]) for branch in visit.branches if branch.settings.get("found")}
    shown = {str(one.values[OPENED_UP]) for one in visit.taken if one.values.get(OPENED_UP)} - {"nothing_found"}
    named = said or shown
    if not visit.closed_at:
        return "", "open still"
    if visit.broken:
        return "", "changed outside combust"
    if any(is_simulated(one.values) for one in visit.taken):
        return "", "read at the simulated heater"
    if not named:
        return "", "no cause named"
    if len(named) > 1:
        return "", "several causes named"
    if any(body.get("event") == "swap" for body in visit.of_kind("event")):
        return "", "the heater was swapped"
    (cause,) = named
    known = shipped_priors().causes.get(cause)
    if known is None:
        return "", "a cause that nobody knows"
    return ("", "a doubt of the baseline, which no repair bears out") if known.baseline else (cause, "")


def _nothing_wrong(visit: Visit, heater: Heater, looks: tuple[Look, ...]) -> tuple[str, str]:
    """Return (why a visit does not bear out that nothing was wrong, the numbers of that); "" where it does."""
    found, _ = causes_of(visit, heater=heater, pairs=False, next_checks=False)
    if told := against_healthy(visit, found):
        return f"nothing wrong, but {told[0]}", numbers_off(visit, found) if found else ""
    return "" if looks or visit.of_kind("check") else "nothing was looked at", ""


def _good_after(visit: Visit, heater: Heater) -> tuple[str, str]:
    """Return (why the readings after the last work are not good, the numbers of that), "" where they are."""
    if not visit.worked:
        return "no repair entered", ""
    if stops := visit.safety.stops:
        return f"a stop stands at the end ({stops[0].code})", ""
    read = last_of_stages(visit.last_taken)
    if not read:
        return "no gas read after the work", ""
    if lacking := {*last_of_stages([one for one in visit.taken if not one.after])} - {*read}:
        return "a stage was not read again after the work", ", ".join(sorted(name or "not named" for name in lacking))
    found, why = causes_of(visit, heater=heater, pairs=False, next_checks=False)
    if found is None:
        return "the readings after the work cannot be judged", why
    off = [lambda_is_off(visit, one, found) for one in read.values()]
    if None in off:
        no_band = "neither a healthy reading nor a band to hold it against"
        return "the readings after the work cannot be judged" if found.ranked else no_band, ""
    if any(off):
        ranked = "lambda after the work is not the healthy one"
        return ranked if found.ranked else "outside the band after the work", numbers_off(visit, found)
    alike = {found.top.cause, *(found.cannot_separate[0] if found.cannot_separate else ())}
    if not found.ranked or (found.valid and found.fits and HEALTHY in alike):
        return "", ""
    return "not healthy after the work", found.in_short


def _look(column: str, answer: str, cause: str) -> Look:
    """Return a look with what the confirmed cause makes of it."""
    table = seen_table(column, shipped_priors())
    usual = table[HEALTHY]
    under = table.get(cause, usual)
    showed = answer != max(usual, key=lambda one: usual[one])
    more = under.get(answer, 0.0) > usual.get(answer, 0.0)
    less = under.get(answer, 0.0) < usual.get(answer, 0.0)
    return Look(column, answer, ("right" if more else "false") if showed else "missed" if less else "clear")
