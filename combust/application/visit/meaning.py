"""What the readings of a visit mean: causes by the one ranking, and the safety state with what they speak against."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from combust.application.causes.rank import rank_causes
from combust.application.causes.visit_result import VisitResult
from combust.application.learning.learnt import NOTHING, Learnt
from combust.application.visit.by_symptom import checks_by_symptom
from combust.application.visit.nothing_wrong import safety_with_causes
from combust.application.visit.taken import Taken, replace_place
from combust.application.visit.visit import Visit
from combust.data.errors import CombustError, Fault
from combust.domain.heater import Heater
from combust.domain.safety import Safety, of_all

NO_PROFILE = "not ranked: no profile of this heater (combust profile new writes one), and nothing of its plate "
NO_PLATE = "(type kw 2 nominal 12 V fuel diesel_b7)."


def causes_of(visit: Visit, *, heater: Heater | None = None, **how: Any) -> tuple[VisitResult | None, str]:
    """Return (what the readings that speak of the heater as it is mean, why there is none).

    Without a healthy baseline the next checks are a fixed order by what stands out and what was complained.

    Parameters
    ----------
    visit : Visit
    heater : Heater, optional
        Instead of that of the visit.
    **how
        As :func:`~combust.application.causes.rank.rank_causes` takes it.
    """
    rows = [one.row for one in _where_it_stands(visit)]
    if not rows:
        return None, "nothing was read after the work yet." if visit.worked else "nothing was read yet."
    try:
        heater = heater or visit.need_heater()
        if heater is None:
            return None, NO_PROFILE + NO_PLATE
        if how.get("learnt") is None and visit.settings.get("learnt", NOTHING) != NOTHING:
            how["learnt"] = Learnt.from_text(str(visit.settings["learnt"]))
        found = rank_causes(heater, rows, **how)[0]
    except CombustError as error:
        return None, f"not ranked: {error.args[0]}"
    if not found.ranked and how.get("next_checks", True):
        safety = of_all([visit.safety, found.safety])
        found = replace(found, next_checks=checks_by_symptom(visit, found, safety))
    return replace(found, visit_id=visit.visit_id), ""


def _where_it_stands(visit: Visit) -> list[Taken]:
    """Return the readings that speak of the heater as it is, at the place of now; of several branches as they are."""
    taken, places = visit.last_taken, [branch.place for branch in visit.branches]
    if len(places) != 1:
        return taken
    return [replace_place(one, places[0]) if one.values.get("location") else one for one in taken]


def heater_for(visit: Visit, given: Heater | None) -> Heater | None:
    """Return the heater that is given instead of that of the visit, else the visit's own; None where none is known.

    Raises
    ------
    CombustError
        The one that is given has another id; or what was said of the plate cannot be.
    """
    ours, theirs = visit.heater_id, given.heater_id if given else None
    if ours and theirs and ours.casefold() != theirs.casefold():
        why, hint = f"is not the heater of the visit ({ours})", "Give this heater's profile, or none."
        raise CombustError(Fault("heater_id", theirs, "conflict", why=why, hint=hint))
    return given or visit.need_heater()


def whole_safety(visit: Visit) -> Safety:
    """Return the safety state of a visit with what the ranking of its causes speaks against at this site."""
    causes, _ = causes_of(visit, pairs=False, next_checks=False)
    return safety_with_causes(visit, causes)
