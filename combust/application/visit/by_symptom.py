"""Without a healthy baseline of the heater: the checks in a fixed order, by what stands out and what was complained."""

from __future__ import annotations

from combust.application.causes.catalogue import shipped_priors
from combust.application.causes.fixed_order import in_fixed_order
from combust.application.causes.visit_result import NextCheck, VisitResult
from combust.application.visit.visit import Visit
from combust.domain.safety import Safety

FIRST_LOOK = "look_at_terminals"
GAS = ("o2_dry_pct", "o2_wet_pct", "co2_dry_pct", "co2_wet_pct", "co_dry_ppm", "co_wet_ppm")


def checks_by_symptom(visit: Visit, causes: VisitResult | None, safety: Safety) -> tuple[NextCheck, ...]:
    """Return the checks that are left and allowed, in their fixed order.

    Before anything was read the complaint leads; then the validity of the reading comes first, what stands out in it
    second (``causes`` holds both), the complaint third. With neither it is a look at the terminals.
    """
    priors, rows = shipped_priors(), [one.row for one in visit.last_taken]
    table = priors.table["fixed_order"]
    complaint = table["complaint"].get(str(visit.head.get("symptom")), [])
    read = any(key in row for row in rows for key in GAS)
    if causes and not causes.valid:
        names = [one.check for one in causes.next_checks]
    elif causes:
        stands_out = [one.check for one in causes.next_checks if one.check not in table["validity"]]
        idle = set(stands_out) <= set(table["nothing"])
        names = [*table["validity"], *(complaint if idle else ()), *stands_out, *complaint]
    elif read:
        names = [FIRST_LOOK, *table["validity"], *complaint, *table["nothing"]]
    else:
        names = [*(complaint or [FIRST_LOOK]), *table["validity"], *table["nothing"]]
    return in_fixed_order(priors, names, rows, safety=safety)
