"""What was said of the supply at a visit: charge by the voltage at rest, drop under glow, cut-outs, in one line."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from combust.application.visit.supply import nominal_voltage, of_another_system, supply_check
from combust.application.visit.supply_result import SupplyResult
from combust.data.errors import CombustError
from combust.domain.heater import Heater
from combust.domain.limits import Finding
from combust.domain.safety import Safety
from combust.kernel.wiring import charge_at_rest

# A visit is not asked for every cut-out there can be: which acts first is told where both were entered.
NOT_ASKED = ("order_unknown",)


@dataclass(frozen=True, slots=True)
class SupplySaid:
    """What the supply comes to: as one result where enough was entered, its findings, in words, what is lacking."""

    result: SupplyResult | None
    findings: tuple[Finding, ...]
    text: str

    @property
    def safety(self) -> Safety:
        """The safety state of its findings."""
        return Safety(self.findings)


def supply_said(heater: Heater | None, said: Mapping[str, Any]) -> SupplySaid | None:
    """Return what was said of the supply, None when nothing was said of the battery.

    Parameters
    ----------
    heater : Heater or None
        Fills currents and cut-out.
    said : mapping
        Arguments of :func:`~combust.application.visit.supply.supply_check`; any may be missing.
    """
    rest, plug = said.get("open_circuit_v"), said.get("plug_glow_v")
    if rest is None:
        return None
    nominal = float(said.get("battery_v") or nominal_voltage(heater, rest))
    parts = [f"{rest:g} V at rest: {100.0 * float(charge_at_rest(rest, nominal)):.0f} % charged"]
    lacking, result = "", None
    try:
        result = supply_check(heater, **said)
        findings = tuple(one for one in result.findings if one.code not in NOT_ASKED)
    except CombustError as error:
        findings = tuple(of_another_system(heater, {"battery_v": nominal, **said}))
        keys = dict.fromkeys(fault.quantity for fault in error.faults if fault.code == "missing")
        names = {"length_m": "cable (one way) and area", "area_mm2": "cable (one way) and area"}
        names["glow_a"] = "glow current"
        needed = ", ".join(dict.fromkeys(names.get(key, key) for key in keys))
        lacking = f"add {'plug glow, or ' if plug is None else ''}{needed}" if needed else str(error)
    at_glow = plug if plug is not None else result.heater_v_glow if result else None
    cutout = said.get("cutout_v") or (heater.cutout_v if heater else None)
    if at_glow is not None:
        parts.append(f"{rest - at_glow:.1f} V fall under glow, {at_glow:.1f} V at the plug")
        if cutout is not None:
            where = "BELOW" if at_glow < cutout else "above"
            parts.append(f"{abs(at_glow - cutout):.1f} V {where} its cut-out of {cutout:g} V")
    if result and result.first_to_act and result.verdict in ("conflict", "close", "orderly_first"):
        parts.append(f"{result.first_to_act} acts first")
    return SupplySaid(result, findings, "; ".join([*parts, *([lacking] if lacking else [])]))
