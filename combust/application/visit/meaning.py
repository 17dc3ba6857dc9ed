"""What the readings of a visit mean: causes by the one ranking, and the safety state with what they speak against."""

from __future__ import annotations

from typing import Any

from combust.application.causes.rank import rank_causes
from combust.application.causes.visit_result import VisitResult
from combust.application.visit.visit import Visit
from combust.data.errors import CombustError
from combust.domain.safety import Safety, of_all


def causes_of(visit: Visit, **how: Any) -> tuple[VisitResult | None, str]:
    """Return (what the readings that speak of the heater as it is mean, why there is none)."""
    rows = [one.row for one in visit.last_taken]
    if not rows:
        return None, "nothing was read after the work yet." if visit.worked else "nothing was read yet."
    try:
        heater = visit.heater
        if heater is None:
            return None, "not ranked: no profile of this heater (combust profile new writes one)."
        return rank_causes(heater, rows, **how)[0], ""
    except CombustError as error:
        return None, f"not ranked: {error}"


def whole_safety(visit: Visit) -> Safety:
    """Return the safety state of a visit with what the ranking of its causes speaks against at this site."""
    causes, _ = causes_of(visit, pairs=False, next_checks=False)
    return of_all([visit.safety, *([causes.safety] if causes else [])])
