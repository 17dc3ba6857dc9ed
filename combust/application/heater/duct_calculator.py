"""The duct calculator: loss of a duct at a stage, and what a change of its geometry does, with limits."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from combust.application.heater.duct_flow import DuctDuty
from combust.data.errors import CombustError, Fault
from combust.data.fields import Field
from combust.data.tables import load_table
from combust.data.told import Rows
from combust.domain.limits import Finding, finding, limit
from combust.domain.profile_keys import profile_keys
from combust.domain.result import Assumed, Result, plain
from combust.kernel import ducts
from combust.kernel.duct_shape import DuctLoss, DuctShape, Multiplier

FITTINGS = ("terminal", "screen", "silencer")
ENDS = {"intake": "entrance", "exhaust": "exit"}
SOURCES = (
    "friction: 64/Re below 2000, Serghides (1984) above 3000, smooth blend between; wall factors and fittings with "
    "their sources: combust/data/duct_losses.toml",
    "gas: ideal, composition by element balance, viscosity of air by Sutherland (US Standard Atmosphere 1976)",
    "limits are 95 %: wall, bends, fittings and measured bore taken as independent",
)


@dataclass(frozen=True)
class DuctAnswer(Result):
    """Loss of a duct now and after a change, the multiplier of its resistance, and what that can do to the air."""

    which: str
    duty: DuctDuty
    now: DuctLoss[float]
    shape: DuctShape[float]
    changed_shape: DuctShape[float] | None
    changed: DuctLoss[float] | None
    multiplier: Multiplier[float] | None
    air: Mapping[str, Any] | None
    read_port_pa: float | None
    findings: tuple[Finding, ...]

    @property
    def bore_alone(self) -> float | None:
        """Fifth power of the bores' ratio, where the whole length changes its bore; else None [-]."""
        if self.changed_shape is None or self.changed_shape.bore_mm == self.shape.bore_mm:
            return None
        return float(ducts.friction_multiplier_of_bore(self.shape.bore_mm, self.changed_shape.bore_mm))

    @property
    def assumed(self) -> tuple[Assumed, ...]:
        """What stood in for what was not given."""
        return self.duty.assumed

    def to_dict(self) -> dict[str, Any]:
        """Return plain values for JSON; without a change ``changed``, ``multiplier`` and ``air`` are None."""
        duty = vars(self.duty) | {"fuel": self.duty.fuel.name, "fuel_temp_c": self.duty.at_pump_c}
        values = {"duct": self.which, **plain(duty), **Result.to_dict(self)}
        values |= {"multiplier_of_bore_alone": self.bore_alone, "port_static_read_pa": values.pop("read_port_pa")}
        return values | {"sources": list(SOURCES)}

    derived = ("assumed",)
    calculated = True
    unshown = ("which", "duty")

    def lines(self) -> Rows:
        """Return (label, text) rows: the duct now and, with a change, the duct then and what that does to the air."""
        duty, now = self.duty, self.now
        read = "" if self.read_port_pa is None else f" (healthy reading: {self.read_port_pa:.0f} Pa)"
        rows = [
            ("duct", f"{self.which}: {_in_words(self.shape)}"),
            ("fuel, lambda", f"{duty.fuel.name}, {duty.fuel_l_per_h:.3g} l/h, {duty.air_ratio:.2f}"),
            ("gas", f"{float(now.velocity_m_per_s):.1f} m/s, Reynolds number {float(now.reynolds):.0f}"),
            ("one metre", f"{float(now.per_metre_pa):.0f} Pa ± {200.0 * float(now.per_metre_u_share):.0f} %"),
            ("one bend", f"{float(now.bend_pa):.0f} Pa"),
            ("whole duct", _loss_in_words(now)),
            ("at the port", f"{float(now.port_static_pa):.0f} Pa{read}"),
        ]
        if self.changed and self.changed_shape and self.multiplier and self.air:
            times, air = self.multiplier, self.air
            change = f"{air['air_change_low_pct']:+.0f} to {air['air_change_high_pct']:+.0f} %"
            rows += [
                ("changed to", _in_words(self.changed_shape)),
                ("whole duct then", _loss_in_words(self.changed)),
                ("resistance", f"x {times.value:.2f} ({times.low:.2f} to {times.high:.2f}) at the same flow"),
                ("air", f"{change} at unchanged blower speed"),
                ("lambda then", f"{air['air_ratio_low']:.2f} to {air['air_ratio_high']:.2f}"),
                ("for a share", f"{air['share'][0]:g} to {air['share'][1]:g} of the air path ({air['share_origin']})"),
            ]
            if self.bore_alone is not None:
                rows.append(("bore alone", f"x {self.bore_alone:.2f} (fifth power of the bore, friction only)"))
        return rows


def _in_words(shape: DuctShape[float]) -> str:
    bends = "bends not stated"
    if shape.bends_90 is not None:
        bends = f"{shape.bends_90:g} bend{'' if shape.bends_90 == 1 else 's'}"
    parts = [f"{shape.length_m:g} m", f"{shape.bore_mm:g} mm", bends, shape.wall or "wall not stated", *shape.fittings]
    if shape.crushed_bore_mm is not None:
        parts.append(f"crushed to {shape.crushed_bore_mm:g} mm over {shape.crushed_length_m:g} m")
    return ", ".join(parts)


def _loss_in_words(loss: DuctLoss[float]) -> str:
    return f"{float(loss.loss_pa):.0f} Pa ({float(loss.low_pa):.0f} to {float(loss.high_pa):.0f})"


def duct_check(
    which: str,
    shape: DuctShape[float],
    duty: DuctDuty,
    *,
    changed_shape: DuctShape[float] | None = None,
    blower: str = "unknown",
    air_ratio_min: float | None = None,
    share: tuple[float, float] | None = None,
    read_port_pa: float | None = None,
) -> DuctAnswer:
    """Return the loss of a duct at a duty and, with a changed geometry, what the change does.

    Parameters
    ----------
    which : {"intake", "exhaust"}
        Which duct.
    shape, changed_shape : DuctShape
        Before, and after if asked; what cannot be is refused.
    duty : DuctDuty
        What flows, from :func:`duct_duty`.
    blower : {"centrifugal", "side_channel", "unknown"}
        How steep its curve is taken.
    air_ratio_min : float, optional
        Lowest lambda that the heater's document allows [-], any; default the project's watch-point.
    share : pair of float, optional
        Range of this duct's share in the whole air path's resistance [-], 0 to 1 (others are refused); default the
        stated range of the project.
    read_port_pa : float, optional
        Gauge pressure that was read at the port [Pa], any, to compare with.

    Returns
    -------
    DuctAnswer
        Losses [Pa], multiplier of the resistance [-], change of the air [%] and lambda [-], with 95 % limits.

    Raises
    ------
    CombustError
        Every geometry that cannot be, at once; no flue temperature for an exhaust duct.

    See Also
    --------
    duct_duty : what flows at a stage.

    References
    ----------
    Friction: Serghides (1984); walls and fittings: ``combust/data/duct_losses.toml``, source beside each.

    Examples
    --------
    >>> from combust.application.heater.duct_flow import duct_duty
    >>> duty = duct_duty(fuel="diesel_b7", fuel_l_per_h=0.5, air_ratio=1.6, flue_temp_c=380.0)
    >>> whole, crushed = DuctShape(1.0, 24.0, 0, "corrugated"), DuctShape(1.0, 18.0, 0, "corrugated")
    >>> found = duct_check("exhaust", whole, duty, changed_shape=crushed)
    >>> bool((24 / 18) ** 4 < found.multiplier.value < (24 / 18) ** 5)  # dynamic pressure alone, friction alone
    True
    """
    faults = [*_shape_faults(shape), *(_shape_faults(changed_shape) if changed_shape else ())]
    if share is not None and not 0.0 <= share[0] <= share[1] <= 1.0:
        why, hint = "is no range of shares", "Give low and high, for example --share 0.1 0.4."
        faults.append(Fault("share", list(share), "out_of_band", low=0.0, high=1.0, why=why, hint=hint))
    if faults:
        raise CombustError(faults)
    flow = duty.in_duct(which)
    now = ducts.duct_loss(shape, flow)
    changed = multiplier = air = None
    if changed_shape is not None:
        changed, multiplier = (
            ducts.duct_loss(changed_shape, flow),
            ducts.resistance_multiplier(shape, changed_shape, flow),
        )
        air = _air(multiplier, share, blower, duty.air_ratio)
    findings = _findings(which, now, changed, read_port_pa)
    lowest = limit("air_ratio_soot") if air_ratio_min is None else air_ratio_min
    if air and air["air_ratio_low"] < min(lowest, duty.air_ratio):
        findings.insert(0, finding("air_ratio_may_fall", low=air["air_ratio_low"], limit=lowest))
    return DuctAnswer(which, duty, now, shape, changed_shape, changed, multiplier, air, read_port_pa, tuple(findings))


def _shape_faults(shape: DuctShape[float]) -> list[Fault]:
    keys = profile_keys("ducts")
    known = {key: keys[key] for key in ("length_m", "bore_mm", "bends_90")}
    if shape.crushed_bore_mm is not None:
        lowest = keys["bore_mm"].low
        known["crushed_bore_mm"] = Field("crushed_bore_mm", unit="mm", low=lowest, high=shape.bore_mm)
        known["crushed_length_m"] = Field("crushed_length_m", unit="m", low=0.0, high=shape.length_m)
    given = {key: getattr(shape, key) for key in known}
    return [fault for key, value in given.items() if value is not None for fault in known[key].faults_of(value)]


def _air(
    multiplier: Multiplier[float], share: tuple[float, float] | None, blower: str, air_ratio: float
) -> dict[str, Any]:
    """Return the range of what a multiplier can do to the air at unchanged blower speed and fuel."""
    known = load_table("heater_priors")
    shares, steep = share or known["duct_share"]["ends"], known["structure"][f"steepness_{blower}"]
    corners = [
        float(ducts.air_after_change(times, part, s))
        for times in (multiplier.low, multiplier.high)
        for part in shares
        for s in steep["ends"]
    ]
    return {
        "air_change_low_pct": 100.0 * (min(corners) - 1.0),
        "air_change_high_pct": 100.0 * (max(corners) - 1.0),
        "air_ratio_low": air_ratio * min(corners),
        "air_ratio_high": air_ratio * max(corners),
        "share": list(shares),
        "share_origin": "given" if share else known["duct_share"]["origin"],
        "steepness": list(steep["ends"]),
        "steepness_origin": steep["origin"],
    }


def _findings(
    which: str,
    now: DuctLoss[float],
    changed: DuctLoss[float] | None,
    read_port_pa: float | None,
) -> list[Finding]:
    """Return what is told beside the numbers, warnings first."""
    found = []
    if read_port_pa is not None:
        low, high = _port_limits(now)
        if not low <= read_port_pa <= high:
            found.append(finding("port_pressure_differs", read=read_port_pa, low=low, high=high, duct=which))
    if any(ducts.in_transition(loss.reynolds) for loss in (now, changed) if loss):
        found.append(finding("flow_turning", reynolds=float(now.reynolds)))
    if which == "exhaust":
        found.append(finding("gas_cools"))
    return [*found, finding("wind"), finding("heater_document")]


def _port_limits(loss: DuctLoss[float]) -> tuple[float, float]:
    """Return 95 % limits of the gauge pressure at the port: the loss less, or with, the velocity head [Pa]."""
    static, middle = float(loss.port_static_pa), float(loss.loss_pa)
    sign = 1.0 if static >= 0.0 else -1.0
    ends = [static + sign * (float(end) - middle) for end in (loss.low_pa, loss.high_pa)]
    return min(ends), max(ends)
