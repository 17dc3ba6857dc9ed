"""What one sees, hears and reads at the simulated heater: the display as a result."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from combust.data.told import Rows
from combust.domain.limits import Finding
from combust.domain.result import Result, shown

FULL_C = {"glow": 1200.0, "chamber": 1800.0, "wall": 250.0}  # full bars on the screen [°C], no limits of a heater


@dataclass(frozen=True)
class SimulatedDisplay(Result):
    """What one sees, hears and reads at the simulated heater at a moment.

    Attributes
    ----------
    note : str
        That it is simulated: stands first wherever it is shown.
    time_s, time_factor : float
        Time of the heater [s]; how many of its seconds pass in one.
    phase, phase_label : str
        Word and sentence of what the controller does.
    locked : str
        Why it is locked, "" = it is not.
    o2_dry_pct, flue_temp_c, air_out_temp_c, supply_v, pump_hz, blower_rpm
        As an instrument would show them; None where the profile has no number to scale.
    co_band, co_relation : str
        CO in words against the healthy stage, and how little such a number is worth.
    intake_static_pa, exhaust_static_pa : float or None
        Port pressures [Pa].
    bars : mapping
        Glow element, chamber and wall as shares of a full bar, without numbers.
    findings
        The stop conditions, as a real heater would be judged.
    stage, trap_full, dosed_ml
        Stage asked for; whether water reaches the cells; fuel the pump has sent into the line [ml].
    """

    note: str
    time_s: float
    time_factor: float
    phase: str
    phase_label: str
    locked: str
    stage: str
    o2_dry_pct: float
    co_band: str
    co_relation: str
    flue_temp_c: float
    air_out_temp_c: float
    supply_v: float
    pump_hz: float
    blower_rpm: float | None
    intake_static_pa: float | None
    exhaust_static_pa: float | None
    dosed_ml: float
    trap_full: bool
    bars: Mapping[str, float]
    findings: tuple[Finding, ...]
    cautions: tuple[str, ...]
    simulated: bool = True
    calculated = True

    def opening(self) -> tuple[str, ...]:
        """Return that it is simulated, and the stop conditions that a real heater would be in."""
        return (self.note, *(one.text for one in self.stops))

    def lines(self) -> Rows:
        """Return the rows of the screen."""
        rows = [("time", f"{self.time_s:.0f} s, ×{self.time_factor:g}"), ("controller", self.phase_label)]
        if self.locked:
            rows.append(("locked", self.locked))
        rows += [
            ("O2", f"{self.o2_dry_pct:.1f} vol %" + (" (water in the sample)" if self.trap_full else "")),
            ("CO", f"{self.co_band} ({self.co_relation})"),
            ("flue", f"{self.flue_temp_c:.0f} °C"),
            ("outlet", f"{self.air_out_temp_c:.0f} °C"),
            ("plug", f"{self.supply_v:.2f} V"),
            ("pump", f"{self.pump_hz:.2f} Hz, {self.dosed_ml:.1f} ml so far"),
        ]
        given = (
            ("blower", self.blower_rpm, ".0f", "1/min"),
            ("intake port", self.intake_static_pa, ".0f", "Pa"),
            ("exhaust port", self.exhaust_static_pa, ".0f", "Pa"),
        )
        rows += [(label, shown(value, form, unit)) for label, value, form, unit in given if value is not None]
        return rows + [(name, f"{100 * share:.0f} % of {FULL_C[name]:.0f} °C") for name, share in self.bars.items()]
