"""Following the proposed checks to 90 % certainty, against their fixed order."""

from __future__ import annotations

from typing import NamedTuple

from combust.application.causes.catalogue import get_priors
from combust.application.causes.rank import rank_causes
from tests.simulator.columns import GAS, only, with_check

CERTAIN = 0.9
# Site and cab are known or settle no cause; both policies leave them out.
FIXED_ORDER = [name for name in get_priors().checks if name not in ("site_air", "cab_co")]


class Way(NamedTuple):
    """How a policy went: minutes, checks made, whether the end was right, and breaches of the safety order."""

    minutes: float
    checks: tuple[str, ...]
    right: bool
    breaches: tuple[str, ...]


def follow(heater, truth, visit, *, proposed):
    """Return the way of one policy to certainty, or None when it never got there (or a stop came up)."""
    checks = get_priors().checks
    known = only(visit, (*GAS, "flue_temp_c"))
    found = rank_causes(heater, known, pairs=False)[0]
    left, minutes, made, breaches = list(FIXED_ORDER), 0.0, [], []
    while not found.stop and found.top.probability < CERTAIN:
        if proposed:
            breaches += breaches_of(found, known)
            options = [check.check for check in found.next_checks if check.check != "cab_co"]
        else:
            options = left[:1]
        if not options:
            return None
        left = [name for name in left if name != options[0]]
        made.append(options[0])
        minutes += checks[options[0]].minutes
        known = with_check(known, visit, options[0])
        found = rank_causes(heater, known, pairs=False, next_checks=proposed)[0]
    if found.stop:
        return None
    return Way(minutes, tuple(made), found.top.cause in truth, tuple(breaches))


def breaches_of(found, known):
    """Breaches of the safety order in one list of proposals."""
    tiers = [check.tier for check in found.next_checks if check.check != "cab_co"]
    names = [check.check for check in found.next_checks]
    told = []
    if tiers != sorted(tiers, key=["validity", "free", "paid"].index):
        told.append("a later tier before an earlier one")
    if "exhaust_duct_off" in names and not any("exhaust_static_pa" in row for row in known):
        told.append("exhaust duct off before port pressures")
    return told
