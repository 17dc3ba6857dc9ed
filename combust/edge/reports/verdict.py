"""What a sheet says of a visit first: found, done, handed back and under which condition; what was cut for room."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from combust.application.causes.beside_shipped import LESS_DANGER
from combust.application.causes.catalogue import label_of
from combust.application.causes.visit_result import VisitResult
from combust.application.visit.meaning import causes_of, whole_safety
from combust.application.visit.record import hand_back, missing_fields
from combust.application.visit.standing import before_work, line_of
from combust.application.visit.taken import Taken
from combust.application.visit.visit import Visit
from combust.application.visit.wording import changes, name_of
from combust.data.units import in_words
from combust.domain.safety import Safety

SEEN = ("terminals", "fuel_sample", "strip_down")
SIZE = re.compile(r"\d %")
LEADS = 0.5  # share from which a cause is called the one that was found


@dataclass(slots=True)
class Room:
    """The room of one page: texts and lists are cut to it, and whether any was is remembered."""

    cut: bool = False

    def words(self, text: object, most: int) -> str:
        """Return a text of at most so many characters; what is left out is told by an ellipsis."""
        told = " ".join(str(text).split())
        if len(told) <= most:
            return told
        self.cut = True
        return told[:most].rsplit(" ", 1)[0][:most] + " …"

    def some(self, texts: Iterable[str], most: int, each: int) -> list[str]:
        """Return the first texts, each cut, and how many more there are."""
        told = list(texts)
        kept = [self.words(text, each) for text in told[:most]]
        if len(told) > most:
            self.cut = True
            kept.append(f"and {len(told) - most} more")
        return kept


@dataclass(frozen=True, slots=True)
class Cab:
    """CO in the cab in large print, when it was measured, and whether it was."""

    value: str
    note: str
    measured: bool


@dataclass(frozen=True, slots=True)
class Verdict:
    """The answer of a visit.

    ``as_found`` are the stops that were there before the work and are gone, in words (empty = none, or no work);
    ``brief`` is what was found in a few words, ``changed`` which numbers were corrected or said anew, old and new,
    ``now`` whether it is handed back, ``why`` what speaks against it, ``conditions`` under which it may be used,
    ``learnt`` what of a logbook it was counted with ("" = nothing), ``less`` that a danger became less probable by it,
    ``causes`` the ranking of what was found (None without one).
    """

    safety: Safety
    as_found: Sequence[str]
    found: str
    brief: str
    done: str
    changed: str
    now: str
    why: Sequence[str]
    conditions: Sequence[str]
    next_visit: str
    cab: Cab
    missing: Sequence[str]
    learnt: str
    less: Sequence[str]
    causes: VisitResult | None = field(repr=False)

    @property
    def lines(self) -> tuple[str, ...]:
        """What stands first: what is now, of a heater that was stopped as found beside what it was stopped by."""
        found = [f"As found: STOP. {text}." for text in self.as_found]
        now = [f"After the work: {text}" if found else text for text in self.safety.lines()]
        return tuple([*now, *found] if self.safety.alarming else [*found, *now])

    @property
    def rank(self) -> int:
        """The place on a day sheet: 0 a stop, 1 kept off or not handed back, 2 handed back."""
        return 0 if self.safety.stops else 2 if self.now == "Handed back." else 1


def verdict_of(visit: Visit) -> Verdict:
    """Return what a visit comes to, in the units of its person."""
    before = before_work(visit)
    causes, _ = causes_of(before, next_checks=False)
    judged = whole_safety(visit)
    now, why = hand_back(visit, judged)
    safety = judged.told_in(visit.units)
    known = set(judged.lines())
    done = [str(body.get("text") or body.get("event")) for body in visit.of_kind("adjustment", "event")]
    if cause := visit.head.get("found"):
        done.append(f"cause: {label_of(str(cause))}")
    return Verdict(
        safety=safety,
        as_found=_gone(before.safety.without_place(), judged, visit.units) if visit.worked else (),
        found=_found(visit, _meaning(visit, causes)),
        brief=_found(visit, _briefly(causes) or _meaning(visit, causes)),
        done="; ".join(done) or "Nothing was repaired or adjusted.",
        changed="; ".join(changes(visit)),
        now=now,
        why=[text for text in why if text not in known],
        conditions=_conditions(visit, now),
        next_visit=str(visit.head.get("next_visit") or "not stated"),
        cab=cab_of(visit),
        missing=[label for _, label in missing_fields(visit)],
        learnt=causes.learnt if causes and causes.ranked else "",
        less=[in_words(one.text, visit.units) for one in causes.findings if one.code == LESS_DANGER] if causes else [],
        causes=causes,
    )


def _gone(before: Safety, now: Safety, units: str) -> list[str]:
    """Return what the stops before the work say that stand no more."""
    still = {one.code for one in now.stops}
    return [one.what for one in before.told_in(units).stops if one.code not in still]


def _found(visit: Visit, meaning: str) -> str:
    """Return what was found before the work: what was seen first, then what the readings mean."""
    taken = before_work(visit).taken
    seen = [f"{name_of(key)}: {label_of(str(one.values[key]))}" for one in taken for key in SEEN if key in one.values]
    return "; ".join([*dict.fromkeys(seen), in_words(meaning, visit.units)]).replace("_", " ")


def _briefly(causes: VisitResult | None) -> str:
    """Return the cause that leads in its name and share alone; "" where none is to be named."""
    if causes is None or not (causes.ranked and causes.valid and causes.fits):
        return ""
    unsure = "" if causes.top.probability >= LEADS else "nothing settled; first "
    used = ", with what was learnt" if causes.learnt else ""
    return f"{unsure}{label_of(causes.top.cause)} ({causes.top.percent}{used})"


def _meaning(visit: Visit, causes: VisitResult | None) -> str:
    taken = before_work(visit).taken
    if causes is None or not causes.ranked:
        return line_of(taken[-1]) if taken else "Nothing was read."
    if not causes.valid:
        return "The reading was not valid: sample and instrument first."
    if not causes.fits:
        return "The readings fit no cause in the list."
    if causes.top.probability < LEADS:
        return f"Nothing settled; first, with {causes.top.percent}: {diagnosis(causes.top.text)}"
    return f"{diagnosis(causes.top.text)} ({causes.top.percent})"


def diagnosis(text: str) -> str:
    """Return what the text of a cause says that it is, with its size: a sheet tells what was found, no next step.

    The first sentence says what it is; one with a share says how much. What is to be done follows them, and some of it
    needs a running heater.
    """
    first, *others = re.split(r"(?<=\.) (?=[A-Z])", text)
    return " ".join([first, *(one for one in others if SIZE.search(one))])


def _conditions(visit: Visit, now: str) -> list[str]:
    """Return under which conditions it may be used, what was not checked among them, or what is needed before it is."""
    said = [f"{visit.head['condition']}."] if visit.head.get("condition") else []
    if now == "Kept off.":
        return [
            *said,
            "Heater off until this is put right and it was read again outdoors, CO in the cab too.",
        ]
    if now != "Handed back.":
        return [*said, "Heater off until it is handed back."]
    told = [*said, "Only with the exhaust in the open and a working CO alarm in the cab."]
    limits = visit.profile.get("limits")
    limit = limits.get("altitude_m") if isinstance(limits, Mapping) else None
    if isinstance(limit, int | float):
        told.append(in_words(f"Not above {limit:g} m.", visit.units))
    left = [str(body.get("text") or body.get("field")) for body in visit.of_kind("not_checked", "missing")]
    return told + ([f"Not checked: {'; '.join(left)}."] if left else [])


def cab_of(visit: Visit) -> Cab:
    """Return the CO of the cab in large print: of the last reading that counts at the end."""
    for one in reversed(visit.last_taken):
        if "cab_co_in_ppm" in one.over:
            return Cab(f"above {one.over['cab_co_in_ppm']:g} ppm", when(one), measured=True)
        if (inside := one.values.get("cab_co_in_ppm")) is not None:
            outside = one.values.get("cab_co_out_ppm")
            beside = "outside not measured" if outside is None else f"outside {outside:g} ppm"
            return Cab(f"{inside:g} ppm", f"{beside}, {when(one)}", measured=True)
    after = " after the work" if visit.worked else ""
    return Cab("NOT MEASURED", f"CO in the cab was not measured{after}.", measured=False)


def when(one: Taken) -> str:
    """Return when a reading was taken, and whether it was after the work."""
    return f"{read_at(one)}{', after the work' if one.after else ''}"


def read_at(one: Taken) -> str:
    """Return the day and the time to the minute at which a reading was taken; the day alone where no time was said."""
    return str(one.values.get("taken_at") or one.at)[:16].replace("T", " ")
