"""What the supply of a heater comes to: voltages, cut-outs, energy of a night, as one result."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from combust.data.told import Rows
from combust.domain.limits import Finding
from combust.domain.result import Assumed, Result, shown


@dataclass(frozen=True)
class SupplyResult(Result):
    """Voltages at the heater [V], cut-outs at the battery post [V], energy [Wh, Ah]; None = cannot be told.

    ``heater_v_glow_band`` is from the most a flexible cable may have to pure copper. Where the voltage at the plug was
    measured under glow, ``heater_v_glow`` is that, and ``loop_ohm`` what follows from it where the current is known.
    """

    loop_ohm: float
    cutouts_at_battery_v: Mapping[str, float]
    first_to_act: str | None
    verdict: str
    remedies: tuple[str, ...]
    findings: tuple[Finding, ...]
    cautions: tuple[str, ...]
    inputs: Mapping[str, Any]
    assumed: tuple[Assumed, ...]
    sources: tuple[str, ...]
    heater_v_glow: float | None = None
    heater_v_glow_band: tuple[float, float] | None = None
    heater_v_run: float | None = None
    run_a: float | None = None
    cable_drop_glow_v: float | None = None
    area_for_drop_mm2: float | None = None
    energy_wh: float | None = None
    energy_ah: float | None = None
    charge_at_rest: float | None = None
    usable_ah: float | None = None
    run_time_h: float | None = None
    calculated = True

    @property
    def _with_battery(self) -> str:
        """What stands before the loop where the battery's own resistance is in what was measured."""
        measured = any(one.code in ("plug_drop", "plug_drop_unexplained") for one in self.findings)
        return "battery, " if measured and "battery_mohm" not in self.inputs else ""

    def lines(self) -> Rows:
        """Return (label, text) lines; what cannot be told says so."""

        band = self.heater_v_glow_band
        spread = f" ({band[0]:.2f} to {band[1]:.2f} V by the make of the cable)" if band else ""
        rows = [
            ("voltage at heater, glow", shown(self.heater_v_glow, ".2f", "V") + spread),
            ("voltage at heater, running", shown(self.heater_v_run, ".2f", "V")),
            (f"{self._with_battery}feed, return and contacts", f"{1000 * self.loop_ohm:.0f} mohm"),
        ]
        rows += [(f"{name}, at battery", f"{value:.2f} V") for name, value in self.cutouts_at_battery_v.items()]
        verdict = _VERDICTS.get(self.verdict, self.verdict.replace("_", " "))
        rows.append(("acts first", f"{self.first_to_act}: {verdict}" if self.first_to_act else verdict))
        rows += [(f"remedy {index}", text) for index, text in enumerate(self.remedies, 1)]
        rows.append(("charge by the voltage at rest", shown(100.0 * (self.charge_at_rest or 0.0), ".0f", "%")))
        if self.energy_wh is not None:
            rows.append(("energy of a night", f"{self.energy_wh:.0f} Wh = {self.energy_ah or 0.0:.1f} Ah"))
        if self.usable_ah is not None:
            rows.append(("usable charge", f"{self.usable_ah:.1f} Ah"))
        if self.run_time_h is not None:
            rows.append(("lasts", f"{self.run_time_h:.1f} h"))
        return rows


_VERDICTS = {
    "unknown": "not known yet, see the warning",
    "conflict": "in the wrong order",
    "close": "in the right order, too close",
    "orderly_first": "in the right order",
    "fed_before_disconnect": "the disconnect does not touch the heater",
}
