"""Where a visit stands: what was read, the causes, the next check in one sentence, what the record still lacks."""

from __future__ import annotations

from collections.abc import Container
from dataclasses import dataclass, replace
from typing import Any

from combust.application.causes.catalogue import HEALTHY, shipped_priors
from combust.application.causes.checks import SEEN
from combust.application.causes.seen_answers import seen_answers, seen_table
from combust.application.causes.visit_result import NextCheck, VisitResult
from combust.application.visit.by_symptom import checks_by_symptom
from combust.application.visit.clock import clock_doubts
from combust.application.visit.entries import Entry
from combust.application.visit.meaning import causes_of
from combust.application.visit.nothing_wrong import safety_with_causes
from combust.application.visit.provisional import PROVISIONAL, question, read_of_stages
from combust.application.visit.record import cause_not_said, facts_of, missing_fields, status
from combust.application.visit.supply_said import supply_said
from combust.application.visit.taken import Taken, is_work
from combust.application.visit.visit import Visit
from combust.data.told import Rows
from combust.data.units import in_words
from combust.domain.result import Result, plain, shown
from combust.domain.safety import Safety

FIRST = 3  # causes that are told after an entry
TOLD_OF_START = ("start_event", "start_smoke")  # what happened at a start, whatever the cause
LEAST = 0.01  # share below which a cause is not told


@dataclass(frozen=True, slots=True)
class Standing(Result):
    """Where a visit stands: the visit, what its causes are (None without a profile or a burning reading) or why not."""

    visit: Visit
    causes: VisitResult | None
    why_not: str
    unshown = ("visit",)

    @property
    def safety(self) -> Safety:
        """The safety state of the visit, with what the causes speak against."""
        return safety_with_causes(self.visit, self.causes)

    @property
    def checks(self) -> tuple[NextCheck, ...]:
        """The checks that are left, in their order; what the safety state forbids is not among them.

        Without causes it is the fixed order.
        """
        checks, safety = shipped_priors().checks, self.safety
        order = self.causes.next_checks if self.causes else checks_by_symptom(self.visit, None, safety)
        return tuple(one for one in order if safety.allows(checks[one.check].needs))

    @property
    def repair(self) -> str:
        """What is to be mended before anything is checked, in one sentence; "" while no cause is certain."""
        found, priors = self.causes, shipped_priors()
        if found is None or not (found.ranked and found.valid and found.fits):
            return ""
        top, cause = found.top, priors.causes[found.top.cause]
        certain = top.probability >= priors.decide("certain_probability") and cause.trim == "repair"
        if not certain or not self.safety.allows(("cold",)):
            return ""
        showed = priors.checks.get(check_that_showed(self.visit, cause.name))
        again = "look at it again, heater off and cold, before it is lit."
        if showed and self.safety.allows(showed.needs):
            again = f"do this again: {showed.sentence}"
        elif self.safety.allows(("burning",)):
            again = "read again, outdoors."
        said = cause.told({key for one in self.visit.last_taken for key in one.values}, baseline=True)
        said = said.removeprefix(f"{cause.label}: ")
        then = f"Then write repair and what was done, and found with what it was, then {again}"
        return f"Repair it ({cause.label}). {said} {then}"

    @property
    def next_check(self) -> str:
        """The next step in one sentence: the repair of a certain cause, else the next check with its risk, or ""."""
        if self.repair:
            return self.repair
        return _in_a_sentence(self.checks[0]) if self.checks else ""

    @property
    def baseline(self) -> str:
        """What is to be said of a baseline that is provisional, or that today could give; "" before gas was read."""
        heater = self.visit.heater
        if heater and heater.is_provisional:
            return PROVISIONAL
        return question(self.visit) if read_of_stages(self.visit) else ""

    def lines(self) -> Rows:
        """Return at most ten rows: what was read, causes, the next check in one sentence, what is missing.

        Numbers are told in the units of the person.
        """
        visit, causes, units = self.visit, self.causes, self.visit.units
        rows: Rows = [("visit", f"{visit.visit_id}, heater {visit.heater_id or 'not named'}, {_state(visit)}")]
        rows += [(_label(one), in_words(line_of(one), units)) for one in visit.last_taken[-2:]]
        if causes and not causes.ranked:
            rows.append(("causes", causes.in_short))
        elif causes:
            told = [one for one in causes.causes if one.probability >= LEAST][:FIRST]
            rows.append(("causes", ", ".join(f"{one.cause} {one.percent}" for one in told)))
            if causes.learnt:
                rows.append(("learnt", causes.learnt))
            if not causes.valid:
                rows.append(("not valid", "only sample and instrument are judged: mend them and read again"))
            if not causes.fits:
                rows.append(("not explained", f"the evidence fits no cause; at odds: {', '.join(causes.disagree)}"))
            if causes.adjust and self.safety.allows(("burning",)):
                rows.append(("trim", in_words(causes.adjust.text, units)))
        if self.why_not:
            rows.append(("causes", self.why_not))
        if said := supply_said(visit.heater, visit.supply):
            rows.append(("supply", in_words(said.text, units)))
        if check := self.next_check:
            rows.append(("next check", in_words(check, units)))
        if visit.broken:
            rows.append(("BROKEN", f"{visit.broken}: changed outside combust, do not rely on it"))
        if doubts := clock_doubts(visit):
            rows.append(("CLOCK", f"{'; '.join(doubts)}: is the clock right? It was written down as it came."))
        if of_baseline := self.baseline:
            rows.append(("baseline", of_baseline))
        lacking = [label for _, label in missing_fields(visit)]
        lacking += [cause] if (cause := cause_not_said(visit)) else []
        rows.append(("still missing", ", ".join(lacking) if lacking else "nothing"))
        return rows

    def to_dict(self) -> dict[str, Any]:
        """Return plain values for JSON: the visit, its causes, what is missing; ``shown`` is what a person reads."""
        lacking, said = dict(missing_fields(self.visit)), supply_said(self.visit.heater, self.visit.supply)
        more: dict[str, Any] = {"next_check": self.next_check, "missing": lacking, "shown": self.lines()}
        more |= {"clock_doubts": clock_doubts(self.visit), "baseline": self.baseline, "supply": said}
        visit = facts_of(self.visit, self.safety)
        return {**Result.to_dict(self), **plain(more), "status": status(self.visit), "visit": visit}


def standing(visit: Visit, **how: Any) -> Standing:
    """Return where a visit stands.

    Parameters
    ----------
    visit : Visit
    **how
        As :func:`~combust.application.causes.rank.rank_causes` takes it (seed, pairs, instrument).

    Returns
    -------
    Standing
    """
    causes, why_not = causes_of(visit, **how)
    return Standing(visit, causes, why_not)


def _in_a_sentence(one: NextCheck) -> str:
    risk = "" if one.risk == "none" else f" RISK: {one.risk}."
    return f"{one.why}{risk} ({one.minutes:g} min; combust word {one.check})"


def line_of(one: Taken) -> str:
    """Return one reading in a line: lambda, O2, CO and flue temperature as measured."""
    result, values = one.result, one.values
    parts = []
    if result is not None:
        parts.append(f"lambda {shown(result.air_ratio, '.2f', u=result.air_ratio_u)}")
    if (o2 := values.get("o2_dry_pct")) is not None:
        parts.append(f"O2 {o2:g} %")
    if "co_dry_ppm" in one.over:
        parts.append(f"CO above {one.over['co_dry_ppm']:g} ppm, over the range")
    elif (co := values.get("co_dry_ppm")) is not None:
        parts.append(f"CO {co:g} ppm")
    if (flue := values.get("flue_temp_c")) is not None:
        parts.append(f"flue {round(flue, 1):g} °C")
    if (cab := values.get("cab_co_in_ppm")) is not None:
        parts.append(f"CO in the cab {cab:g} ppm")
    if told := [str(values[key]).replace("_", " ") for key in ("start_event", "start_smoke") if values.get(key)]:
        parts.append(f"start: {', '.join(told)}")
    return ", ".join(parts) or "no gas yet"


def _label(one: Taken) -> str:
    stage = str(one.values.get("stage") or "stage?")
    return f"{one.key} {stage}{' after' if one.after else ''}"


def _state(visit: Visit) -> str:
    return "closed" if visit.closed_at else "open"


def excluded(visit: Visit, causes: VisitResult | None) -> list[str]:
    """Return the causes that the readings speak against, less than one in a hundred; none where no cause fits.

    That it is healthy is no cause. What is not told apart from another is not among them, nor what can only be seen by
    a look that nobody took, nor what only a logbook taught to be rare.
    """
    if causes is None or not (causes.ranked and causes.valid and causes.fits):
        return []
    others = {HEALTHY, *causes.lowered, *(name for names in causes.cannot_separate for name in names)}
    seen = {column for column, _ in _answers(visit)}
    return [
        one.cause
        for one in causes.causes
        if one.probability < LEAST and one.cause not in others and _was_looked_at(one.cause, seen)
    ]


def _answers(visit: Visit) -> list[tuple[str, str]]:
    """Return (column, answer) of what was seen and told at the readings that count."""
    heater, priors = visit.need_heater(), shipped_priors()
    return [one for taken in visit.last_taken for one in seen_answers(taken.row, heater, priors)] if heater else []


def _was_looked_at(cause: str, seen: Container[str]) -> bool:
    """Return whether a cause that only a look can tell of was looked at; that a start failed is no look at it."""
    asked_by = [told.partition("=")[0] for told in shipped_priors().causes[cause].asked_by]
    return not asked_by or any(column in seen for column in asked_by if column not in TOLD_OF_START)


def check_that_showed(visit: Visit, cause: str) -> str:
    """Return the check whose answer speaks most for a cause, "" where nothing that was seen does."""
    best, name = 1.0, ""
    for column, answer in _answers(visit):
        table = seen_table(column, shipped_priors())
        usual = table[HEALTHY].get(answer, 0.0)
        speaks = table.get(cause, {}).get(answer, 0.0) / usual if usual else 1.0
        check = next((check for check, columns in SEEN.items() if column in columns), "")
        if check and speaks > best:
            best, name = speaks, check
    return name


def before_work(visit: Visit) -> Visit:
    """Return the visit as it stood before the first work on the heater: what was found, as it was corrected since."""
    held = {one.name: one for one in visit.in_force}
    worked = {name for name, one in held.items() if is_work(one) or one.body.get("phase") == "after"}
    at = next((at for at, one in enumerate(visit.entries) if one.name in worked), len(visit.entries))
    later = {one.about for one in visit.entries[at:] if one.about is not None}

    def as_it_is(one: Entry) -> Entry:
        if one.name in later:
            return replace(one, body=held[one.name].body if one.name in held else {})
        if (about := one.about) is not None and about in later:  # an older correction of the same entry
            return replace(one, body={**one.body, "values": held[about].body if about in held else None})
        return one

    return replace(visit, entries=tuple(map(as_it_is, visit.entries[:at]))) if worked else visit
