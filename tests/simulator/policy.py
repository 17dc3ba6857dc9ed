"""Following the proposed checks to 90 % certainty, against their fixed order and against one step ahead in tiers."""

from __future__ import annotations

from typing import NamedTuple

from combust.application.causes.catalogue import get_priors
from combust.application.causes.rank import rank_causes
from tests.simulator.columns import GAS, only, with_check
from tests.simulator.judge import told

CERTAIN = 0.9
# Site and cab are known or settle no cause; both policies leave them out.
LEFT_OUT = ("site_air", "cab_co")
CHECKS = get_priors().checks  # of the package that is judged, which may be an older one
FIXED_ORDER = [name for name, check in CHECKS.items() if name not in LEFT_OUT and not getattr(check, "of_start", False)]
# Minutes by which orders are compared, whatever a table says later; a check that is not here has its own table's.
MINUTES = {
    "ambient_air": 1.0,
    "probe_leak": 2.0,
    "analyser_settings": 1.0,
    "stage_and_steadiness": 3.0,
    "supply_voltage": 3.0,
    "intake_air_co2": 2.0,
    "heating_air": 3.0,
    "second_stage": 10.0,
    "look_at_terminals": 5.0,
    "port_pressures": 8.0,
    "intake_duct_off": 8.0,
    "exhaust_duct_off": 12.0,
    "fuel_sample": 8.0,
    "pump_delivery": 15.0,
    "blower_speed": 10.0,
    "span_gas": 10.0,
    "strip_down": 90.0,
}


class Way(NamedTuple):
    """How a policy went: minutes, checks made, whether the end was right, and breaches of the safety order."""

    minutes: float
    checks: tuple[str, ...]
    right: bool
    breaches: tuple[str, ...]


# One step ahead in tiers: validity, then what is free, then what costs; below these bits a check is skipped.
TIERS = {"validity": 0.01, "free": 0.05, "paid": 0.05}


def walk(heater, visit, order="proposed"):
    """One policy as far as it goes: its end, minutes, checks made, breaches of the safety order.

    ``order``: as proposed; ``tiers``: of what is proposed, validity first, then what is free, then what costs, each by
    its own bits per minute; ``fixed``: as the checks stand in their table.
    """
    known = only(visit, (*GAS, "flue_temp_c"))
    found = rank_causes(heater, known, pairs=False)[0]
    made, minutes, breaches = [], 0.0, []
    while not found.stop and not certain(found):
        if order != "fixed":
            breaches += breaches_of(found, known)
            listed = [one for one in found.next_checks if one.check not in (*made, *LEFT_OUT)]
            if order == "tiers":
                listed = [one for one in listed if one.gain_bits >= TIERS[one.tier]]
                listed.sort(key=lambda one: (list(TIERS).index(one.tier), -one.gain_bits_per_minute))
            options = [one.check for one in listed]
        else:
            options = [name for name in FIXED_ORDER if name not in made]
        if not options:
            break
        made.append(options[0])
        minutes += MINUTES.get(options[0], CHECKS[options[0]].minutes)
        known = with_check(known, visit, options[0])
        found = rank_causes(heater, known, pairs=False, next_checks=order != "fixed")[0]
    return {
        "certain": certain(found) and not found.stop,
        "stopped": bool(found.stop),
        "top": found.top.cause,
        "minutes": minutes,
        "checks": made,
        "breaches": breaches,
    }


def certain(found):
    """Whether a visit is settled: one cause leads with 90 %, and no misfit is told before it."""
    return found.top.probability >= CERTAIN and not told(found)["misfit"]


def follow(heater, truth, visit, order):
    """Return the way of one policy to certainty, or None when it never got there (or a stop came up)."""
    end = walk(heater, visit, order)
    if not end["certain"]:
        return None
    return Way(end["minutes"], tuple(end["checks"]), end["top"] in truth, tuple(end["breaches"]))


def breaches_of(found, known):
    """Breaches of the safety order in one list of proposals."""
    names = [check.check for check in found.next_checks]
    told = []
    if "strip_down" in names[:-1]:
        told.append("the heater opened before another check")
    if "exhaust_duct_off" in names and not any("exhaust_static_pa" in row for row in known):
        told.append("exhaust duct off before port pressures")
    return told
