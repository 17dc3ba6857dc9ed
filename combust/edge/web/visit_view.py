"""What the page of a visit shows, in the order in which it is read: answer, next check, causes, what is left."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Any

from combust.application.causes.catalogue import HEALTHY, label_of, shipped_priors
from combust.application.causes.checks import ENTERED_WITH
from combust.application.causes.visit_result import NextCheck, RankedCause
from combust.application.visit.clock import clock_doubts
from combust.application.visit.entries import names_of
from combust.application.visit.healthy_band import band_beside
from combust.application.visit.record import missing_fields, status
from combust.application.visit.standing import LEAST, Standing, excluded, line_of
from combust.application.visit.taken import Taken
from combust.application.visit.visit import Visit
from combust.application.visit.wording import same_as_before, told
from combust.application.visit.words import SAID
from combust.data.errors import CombustError
from combust.data.units import in_words
from combust.data.vocabulary import quantities
from combust.edge.logbook.keyboard import age_of, this_moment
from combust.edge.web.asked import Asked
from combust.edge.web.fields import FormField, form_fields
from combust.edge.web.texts import texts
from combust.edge.web.visit_book import path_of

LOOKED_AT = ("terminals", "joints", "fuel_sample", "fuel_line", "strip_down", "start_smoke")
STAGES = ("high", "low")  # of a heater whose profile names none
OTHER_STAGE, DUCTS = "second_stage", ("intake_duct_off", "exhaust_duct_off")


def visit_fields(keys: Iterable[str], visit: Visit, asked: Asked, error: CombustError | None = None) -> list[FormField]:
    """Return the fields of some keys: the stages are those of the heater, what opening it showed is a cause."""
    choices = {"stage": [(name, name) for name in visit.stages or STAGES]}
    causes = shipped_priors().causes
    choices["strip_down"] = [("nothing_found", texts()["visit"]["nothing_found"])]
    choices["strip_down"] += [(name, causes[name].label) for name in causes if name != HEALTHY]
    choices["found"] = [(HEALTHY, texts()["visit"]["nothing_wrong"]), *choices["strip_down"][1:]]
    made = form_fields(keys, asked.units, asked.form, error.faults if error else ())
    return [replace(one, kind="choice", choices=tuple(choices[one.key])) if one.key in choices else one for one in made]


def facts_of(found: Standing, asked: Asked, error: CombustError | None = None) -> dict[str, Any]:
    """Return everything that the page of a visit shows.

    Parameters
    ----------
    found : Standing
    asked : Asked
        Which check is wanted instead of the first (``check``), and what was typed into its fields.
    error : CombustError, optional
        What was wrong with that.
    """
    visit, safety = found.visit, found.safety
    checks = {one.check: one for one in found.checks} if not visit.closed_at else {}
    wanted = str(asked.form.get("check") or asked.request.query_params.get("check") or "")
    chosen = checks.get(wanted) or next(iter(checks.values()), None)
    check = check_facts(chosen, visit, asked, error) if chosen else None
    findings, banner = findings_of(found, asked.units), safety.told_in(asked.units).lines()
    return {
        **about(visit),
        "stopped": bool(safety.stops) or not safety.allows(("burning",)),
        "everyone_out": safety.state == "everyone_out",
        "answer": answer_of(visit),
        "own_lambda": own_lambda(found),
        "readings": [(_label(one), in_words(line_of(one), asked.units)) for one in visit.last_taken],
        "warnings": [text for severity, text in findings if severity == "warn" and text not in banner],
        "remarks": [text for severity, text in findings if severity != "warn"],
        "repair": in_words(found.repair, asked.units) if not visit.closed_at else "",
        "check": check,
        "fields": check["fields"] if check else [],
        "others": [(one, shipped_priors().checks[one].sentence) for one in checks if one != (chosen and chosen.check)],
        **_causes(found, asked.units),
        "missing": [label for _, label in missing_fields(visit)],
        "not_counted": asked.house.pool.unconfirmed(visit) if visit.closed_at else "",
        "doubts": clock_doubts(visit),
        "doubled": _doubled(visit),
        "held": held(visit, asked.units),
    }


def _doubled(visit: Visit) -> tuple[str, str] | None:
    """Return (number of the last entry, of the one that says the same just before it); None where it is no double."""
    names, same = names_of(visit.entries), same_as_before(visit)
    last = visit.entries[-1].name if visit.entries else ""
    return (names[last], same[last]) if last in same else None


def about(visit: Visit) -> dict[str, Any]:
    """Return what every page of a visit has: the visit, its path, its state."""
    here = path_of(visit.visit_id)
    return {"visit": visit, "here": here, "record_state": status(visit), "worked": visit.worked}


def answer_of(visit: Visit) -> dict[str, Any] | None:
    """Return the lambda that was read last, with the healthy band of its stage; None before there is one."""
    for one in reversed(visit.last_taken):
        if one.result is not None and one.result.air_ratio is not None:
            return {"result": one.result, "band": band_beside(visit, one)}
    return None


def own_lambda(found: Standing) -> list[tuple[str, str]]:
    """Return (stage, lambda with its uncertainty) that this heater would have here when healthy, by its baseline."""
    expected = found.causes.expected_healthy if found.causes and found.causes.ranked else {}
    return [(stage, f"{one['air_ratio']:.2f} ± {2.0 * one['air_ratio_u']:.2f}") for stage, one in expected.items()]


def _label(one: Taken) -> str:
    said = texts()["visit"]
    stage = one.values.get("stage")
    words = [one.key.replace("-", " "), str(stage) if stage else said["no_stage"], said["after"] if one.after else ""]
    return ", ".join(filter(None, words))


def findings_of(found: Standing, units: str) -> list[tuple[str, str]]:
    """Return (severity, sentence) of what speaks against the heater or the readings, each once; not the stops."""
    said = [one for taken in found.visit.last_taken for one in (taken.result.findings if taken.result else ())]
    said += found.causes.findings if found.causes else ()
    return list(dict.fromkeys((one.severity, in_words(one.text, units)) for one in said if one.severity != "stop"))


def check_facts(one: NextCheck, visit: Visit, asked: Asked, error: CombustError | None = None) -> dict[str, Any]:
    """Return a check with its own fields; what has to be said with them is among them."""
    check = shipped_priors().checks[one.check]
    columns = [key for column in check.columns for key in (*ENTERED_WITH.get(column, ()), column)]
    keys = [*(("stage",) if one.check in (OTHER_STAGE, *DUCTS) else ()), *dict.fromkeys(columns)]
    fields = visit_fields(keys, visit, asked, error)
    stage = _stage_for(one.check, visit)
    return {
        "name": one.check,
        "text": in_words(one.why, asked.units),
        "minutes": f"{one.minutes:g}",
        "risk": "" if check.risk == "none" else check.risk,
        "cold": "cold" in check.needs,
        "with": one.best_with,
        "fields": [replace(one, value=one.value or stage) if one.key == "stage" else one for one in fields],
        "seen": any(key in LOOKED_AT for key in keys),
    }


def _stage_for(name: str, visit: Visit) -> str:
    """Return the stage at which a check is made: that of the reading at hand, or the one that was not read yet."""
    read = [str(one.values["stage"]) for one in visit.last_taken if one.values.get("stage")]
    others = [stage for stage in visit.stages or STAGES if stage not in read]
    return (others or [""])[0] if name == OTHER_STAGE else read[-1] if read else ""


def check_words(name: str) -> list[str]:
    """Return the words that belong to a check whatever is typed: that a new reading begins, the duct that is off."""
    if name in DUCTS:
        return ["next", "arrangement", name]
    return ["next"] if name == OTHER_STAGE else []


def check_keys(name: str) -> list[str]:
    """Return the keys that the fields of a check can fill; none for a name that is no check."""
    check = shipped_priors().checks.get(name)
    columns = check.columns if check else ()
    more = [key for column in columns for key in ENTERED_WITH.get(column, ())]
    return list(dict.fromkeys(["stage", *more, *columns]))


def _causes(found: Standing, units: str) -> dict[str, Any]:
    """Return the causes as bars with their reasons, what cannot be told apart, what was excluded, the trim."""
    causes = found.causes
    facts: dict[str, Any] = {"bars": [], "apart": [], "excluded": [], "trim": "", "no_trim": "", "misfit": ""}
    facts["why_not"] = found.why_not[:1].upper() + found.why_not[1:]
    if causes is None:
        return facts
    if not causes.ranked:
        return {**facts, "why_not": causes.in_short[:1].upper() + causes.in_short[1:]}
    facts["bars"] = [_bar(one, units) for one in causes.causes if one.probability >= LEAST]
    facts["apart"] = [", ".join(map(label_of, names)) for names in causes.cannot_separate[:2]]
    facts["excluded"] = [label_of(name) for name in excluded(found.visit, causes)]
    facts["misfit"] = ", ".join(causes.disagree).replace("_", " ") if not causes.fits else ""
    facts["invalid"], facts["learnt"] = not causes.valid, causes.learnt
    if causes.adjust and found.safety.allows(("burning",)):
        facts["trim"] = in_words(causes.adjust.text, units)
    return facts


def _bar(one: RankedCause, units: str) -> dict[str, Any]:
    label, _, sentence = one.text.partition(": ")
    width, text = round(100.0 * one.probability, 1), in_words(sentence, units)
    return {"name": one.cause, "label": label, "percent": one.percent, "width": width, "text": text}


def held(visit: Visit, units: str) -> list[tuple[str, str]]:
    """Return what holds for the whole visit, each with its age where it is of the day."""
    settings, now, known = visit.settings, this_moment(), {**quantities(), **SAID}
    times, labels = settings.get("set_at"), texts()["field"]
    times = times if isinstance(times, dict) else {}
    rows = []
    for key in settings:
        if key in known:
            age = f" ({age_of(times[key], now)})" if key in times else ""
            rows.append((labels.get(key) or known[key].meaning, f"{told(key, settings, units)}{age}"))
    return rows
