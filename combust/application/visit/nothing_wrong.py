"""What speaks against a person's word that nothing was wrong (``found healthy``), in what was entered.

What the ranking gives to the causes does not speak against it: that word is what the ranking is measured by.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping

from combust.application.causes.catalogue import HEALTHY
from combust.application.causes.visit_result import VisitResult
from combust.application.visit.healthy_band import band_beside
from combust.application.visit.taken import Branch, Taken, is_work
from combust.application.visit.visit import Visit
from combust.domain.limits import Finding, finding
from combust.domain.result import shown
from combust.domain.safety import PLACE, Safety, of_all

EXHAUST_CO = {"exhaust_co_high", "exhaust_co_air_free_high"}  # stops that CO in the exhaust brings
SOOTY = {"rich", "at_most", "soot_range", "smoke_warn", "smoke_note", "exhaust_co_warn", *EXHAUST_CO}
SOOTY |= {"exhaust_co_air_free_warn"}
_RICHER = re.compile(r"\b(richer|more fuel)\b", re.IGNORECASE)
_LEANER = re.compile(r"\b(leaner|less fuel|set back|put back|turned back)\b", re.IGNORECASE)


def last_of_stages(taken: Iterable[Taken]) -> dict[str, Taken]:
    """Return stage ("" where none was named) -> its last reading that gives lambda."""
    with_gas = [one for one in taken if one.result is not None and one.result.air_ratio is not None]
    return {str(one.values.get("stage") or ""): one for one in with_gas}


def lambda_is_off(visit: Visit, one: Taken, causes: VisitResult) -> bool | None:
    """Return whether lambda of a reading is not that of the healthy heater; None where there is none to compare.

    With a healthy reading it is off outside the 95 % of both; without one, outside the band of its document.
    """
    if not causes.ranked:
        band = band_beside(visit, one)
        return None if band is None else band.place != "inside"
    expected, result = _expected(one, causes), one.result
    if expected is None or result is None or result.air_ratio is None:
        return None
    most = 2.0 * math.hypot(result.air_ratio_u or 0.0, expected["air_ratio_u"])
    return bool(abs(result.air_ratio - expected["air_ratio"]) > most)


def _expected(one: Taken, causes: VisitResult) -> Mapping[str, float] | None:
    stage = str(one.values.get("stage") or "")
    return causes.expected_healthy.get(stage) or next(iter(causes.expected_healthy.values()), None)


def numbers_off(visit: Visit, causes: VisitResult) -> str:
    """Return lambda of each stage that is off beside what it is held against, in words; "" where none is."""
    told = []
    for stage, one in last_of_stages(visit.last_taken).items():
        if not lambda_is_off(visit, one, causes) or one.result is None:
            continue
        read = shown(one.result.air_ratio, ".2f", u=one.result.air_ratio_u)
        band, expected = band_beside(visit, one), _expected(one, causes) if causes.ranked else None
        if expected:
            against = f"expected {shown(expected['air_ratio'], '.2f', u=expected['air_ratio_u'])}"
        else:
            against = f"band {band.low:.2f} to {band.high:.2f}" if band else ""
        told.append(f"lambda{f' at {stage}' if stage else ''} {read}, {against}")
    return "; ".join(told)


def against_healthy(visit: Visit, causes: VisitResult | None) -> list[str]:
    """Return what speaks against it that nothing was wrong, in words; empty where nothing does.

    Parameters
    ----------
    visit : Visit
    causes : VisitResult or None
        What its readings mean, None where nothing can be told of them.
    """
    safety = of_all([visit.safety, *([causes.safety] if causes else [])])
    told = ["something was mended"] if visit.worked else []
    if safety.stops:
        told.append(f"a stop stands at the end ({safety.stops[0].code})")
    elif safety.alarming:
        told.append("a warning speaks against handing it back")
    told += ["it was kept off"] if visit.head.get("handed_back") == "no" else []
    for stage, one in last_of_stages(visit.last_taken).items():
        if causes and lambda_is_off(visit, one, causes):
            told.append(f"lambda{f' at {stage}' if stage else ''} is not that of the healthy heater")
    return told


def findings_of_healthy(visit: Visit, causes: VisitResult | None) -> tuple[Finding, ...]:
    """Return the warning of a visit that says that nothing was wrong although what was entered speaks against it."""
    told = against_healthy(visit, causes) if visit.head.get("found") == HEALTHY else []
    return (finding("healthy_not_borne_out", why=", ".join(told)),) if told else ()


def safety_with_causes(visit: Visit, causes: VisitResult | None) -> Safety:
    """Return the safety state of a visit with what its causes speak against, and with a word that is not borne out."""
    parts = [visit.safety, *([causes.safety] if causes else []), Safety(findings_of_healthy(visit, causes))]
    found = of_all([*parts, Safety(richer_at_soot(visit))])
    stops = {one.code for one in found.stops}
    untrue = {"not_judged"} if stops - set(PLACE) else set()  # beside a stop the state stays that of the stop
    untrue |= {"co_not_entered"} if stops & EXHAUST_CO else set()
    return Safety(tuple(one for one in found.findings if one.code not in untrue))


def richer_at_soot(visit: Visit) -> tuple[Finding, ...]:
    """Return the warning of a richer trim that was made while a reading that still holds shows soot, CO or low lambda.

    A reading holds until the same stage is read again after work. Common practice, no source: more fuel makes soot and
    CO worse there.
    """
    return (finding("richer_at_soot"),) if any(map(_richer_at_soot, visit.branches)) else ()


def _richer_at_soot(branch: Branch) -> bool:
    works = [str(one.body.get("text", "")) for one in branch.entries if is_work(one)]
    trims = [(number, text) for number, text in enumerate(works, 1) if _RICHER.search(text) or _LEANER.search(text)]
    if not trims or _LEANER.search(trims[-1][1]):
        return False
    before = [one for one in branch.taken if one.works < trims[-1][0]]
    return any(_sooty(one) for one in before if not any(_replaces(later, one) for later in branch.taken))


def _replaces(later: Taken, one: Taken) -> bool:
    """Return whether a reading is of the same stage after more work; any is of a stage that nobody named."""
    stage = one.values.get("stage")
    return later.works > one.works and (not stage or later.values.get("stage") == stage)


def _sooty(one: Taken) -> bool:
    told = {found.code for found in (*one.safety.findings, *(one.result.findings if one.result else ()))}
    return bool(told & SOOTY)
