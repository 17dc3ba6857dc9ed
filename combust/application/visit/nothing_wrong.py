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
from combust.application.visit.taken import Taken
from combust.application.visit.visit import Visit
from combust.domain.limits import Finding, finding, limit
from combust.domain.result import shown
from combust.domain.safety import PLACE, Safety, of_all

EXHAUST_CO = {"exhaust_co_high", "exhaust_co_air_free_high"}  # stops that CO in the exhaust brings
_RICHER = re.compile(r"\b(richer|more fuel)\b", re.IGNORECASE)


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
    """Return the warning of a richer trim that was made at smoke or low lambda; none once something was read after it.

    Common practice, no source: more fuel makes soot and CO worse there.
    """
    last = [one for one in visit.in_force if one.kind in ("reading", "adjustment")][-1:]
    if not (visit.taken and last) or last[0].kind != "adjustment":
        return ()
    if not _RICHER.search(str(last[0].body.get("text", ""))):
        return ()
    before = visit.taken[-1]
    low = before.result and before.result.air_ratio and before.result.air_ratio < limit("air_ratio_soot")
    smoky = (before.values.get("smoke_number") or 0.0) > limit("smoke_note")
    return (finding("richer_at_soot"),) if low or smoky else ()
