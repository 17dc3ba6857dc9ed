"""The duct calculator: loss of a duct at a stage, and what a change of its geometry does, with limits."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from combust.application.heater.baseline import healthy_stages
from combust.application.heater.structure import priors_table
from combust.data.errors import CombustError, Fault
from combust.data.fields import Field
from combust.data.tables import load_table
from combust.data.told import Rows
from combust.data.vocabulary import quantity
from combust.domain.catalogue import Catalogue, get_fuel
from combust.domain.fuel import Fuel
from combust.domain.heater import Heater
from combust.domain.limits import Finding, finding, limit
from combust.domain.profile_keys import profile_keys
from combust.domain.pump import density_at_pump
from combust.domain.result import Assumed, Result, assume, plain
from combust.domain.site import Site
from combust.kernel import ducts
from combust.kernel.gas_flow import Duty, exhaust_duty, intake_duty

AIR_RATIO = Field("air_ratio", low=0.8, high=10.0)
PLACE_KEYS = ("flue_temp_c", "intake_temp_c", "fuel_temp_c", "pressure_hpa")
FITTINGS = ("terminal", "screen", "silencer")
ENDS = {"intake": "entrance", "exhaust": "exit"}
SOURCES = (
    "friction: 64/Re below 2000, Serghides (1984) above 3000, smooth blend between; wall factors and fittings with "
    "their sources: combust/data/duct_losses.toml",
    "gas: ideal, composition by element balance, viscosity of air by Sutherland (US Standard Atmosphere 1976)",
    "limits are 95 %: wall, bends, fittings and measured bore taken as independent",
)


@dataclass(frozen=True)
class DuctDuty:
    """What flows: fuel, its flow at the pump [l/h], lambda, temperatures [°C], pressure [hPa]; ``assumed`` says why."""

    fuel: Fuel
    fuel_l_per_h: float
    air_ratio: float
    flue_temp_c: float | None = None
    intake_temp_c: float = 15.0
    fuel_temp_c: float | None = None
    pressure_hpa: float = 1013.25
    assumed: tuple[Assumed, ...] = ()

    def __post_init__(self) -> None:
        flow = profile_keys("stages")["fuel_l_per_h"]
        faults = [*flow.faults_of(self.fuel_l_per_h), *AIR_RATIO.faults_of(self.air_ratio)]
        faults += [fault for key in PLACE_KEYS if (fault := quantity(key).fault_of(getattr(self, key)))]
        if faults:
            raise CombustError(faults)

    @property
    def at_pump_c(self) -> float:
        """Temperature of the fuel at the pump: as given, else that of the intake air [°C]."""
        return self.intake_temp_c if self.fuel_temp_c is None else self.fuel_temp_c

    def in_duct(self, which: str) -> Duty[float]:
        """Return mass flow, density and viscosity in the intake or exhaust duct.

        Raises
        ------
        CombustError
            The flue temperature of an exhaust is missing.
        """
        mass = self.fuel_l_per_h * density_at_pump(self.fuel, self.at_pump_c) * 1e-3
        if which == "intake":
            temp, pressure = self.intake_temp_c, self.pressure_hpa
            return intake_duty(self.fuel, mass, self.air_ratio, intake_temp_c=temp, pressure_hpa=pressure)
        if self.flue_temp_c is None:
            hint = "Give the temperature at the exhaust port, for example --flue-temp 350."
            why = "is needed for an exhaust duct"
            raise CombustError(Fault("flue_temp_c", None, "missing", unit="°C", why=why, hint=hint))
        pressure = self.pressure_hpa
        return exhaust_duty(self.fuel, mass, self.air_ratio, flue_temp_c=self.flue_temp_c, pressure_hpa=pressure)


def duct_duty(
    heater: Heater | None,
    stage: str = "",
    *,
    fuel: str | None = None,
    catalogue: Catalogue | None = None,
    **given: Any,
) -> DuctDuty:
    """Return what flows at a stage of a heater, from its healthy reading and its profile; or what is given alone.

    Parameters
    ----------
    heater : Heater or None
        Without it ``fuel``, ``fuel_l_per_h`` and ``air_ratio`` are needed.
    stage : str
    fuel : str, optional
        Name of the fuel where there is no heater.
    **given : optional
        ``fuel_l_per_h``, ``air_ratio``, ``flue_temp_c``, ``intake_temp_c``, ``fuel_temp_c``, ``altitude_m``,
        ``pressure_hpa``: they win.
        Another site without its own ``air_ratio`` gets that of the healthy heater there, on the fuel in use.

    Raises
    ------
    CombustError
        Unknown stage or fuel, or neither given nor known: fuel, its flow, lambda; all at once.
    """
    assumed: list[Assumed] = []
    faults: list[Fault] = []
    given = {key: value for key, value in given.items() if value is not None}
    healthy = healthy_stages(heater, priors_table())[heater.stage_of(stage).name] if heater else None
    reading: Mapping[str, Any] = healthy.baseline.reading if healthy and healthy.baseline else {}
    burnt = heater.fuel if heater else None
    try:
        burnt = get_fuel(fuel, catalogue=catalogue) if fuel and not heater else burnt
    except CombustError as error:
        faults += error.faults

    def fill(key: str, value: float | None, origin: str) -> None:
        if key not in given and value is not None:
            given[key] = value
            assumed.append(assume(key, value, origin))

    if "altitude_m" not in given and "pressure_hpa" not in given:
        given |= {key: reading[key] for key in ("altitude_m", "pressure_hpa") if key in reading}
    fill("intake_temp_c", reading.get("intake_temp_c"), "healthy reading")
    fill("intake_temp_c", 15.0, "standard air")
    site = Site(**{key: given[key] for key in ("altitude_m", "pressure_hpa", "intake_temp_c") if key in given})
    if "altitude_m" not in given:
        fill("pressure_hpa", site.pressure, "standard air")
    stand_ins = {one.quantity for one in healthy.assumed} if healthy else set()
    if healthy and "air_ratio" not in stand_ins:
        here = healthy.lambda_at(healthy.air_of(site), given.get("fuel_temp_c"))
        source = "middle of the stage's band" if "air_ratio at the baseline" in stand_ins else "healthy reading"
        fill("air_ratio", float(here.air_ratio_full[0]), f"{source}, brought to this air as by combust site")
    fill("flue_temp_c", reading.get("flue_temp_c"), "healthy reading")
    flow, ratio = given.get("fuel_l_per_h", healthy.fuel_l_per_h if healthy else None), given.get("air_ratio")
    in_profile = {"fuel_l_per_h": f"add it to [stages.{stage}]", "air_ratio": f"add a healthy reading of stage {stage}"}
    why = "is neither given nor in the profile" if heater else "is needed"
    for key, value in {"fuel": fuel or burnt, "fuel_l_per_h": flow, "air_ratio": ratio}.items():
        if value is None:
            hint = f"Give --{key.replace('_', '-')}, or {in_profile[key] if heater else '--heater and --stage'}."
            faults.append(Fault(key, None, "missing", why=why, hint=hint))
    if faults or burnt is None or flow is None or ratio is None:
        raise CombustError(faults)
    temps = {key: given[key] for key in ("flue_temp_c", "intake_temp_c", "fuel_temp_c") if key in given}
    return DuctDuty(burnt, flow, ratio, pressure_hpa=site.pressure, assumed=tuple(assumed), **temps)


@dataclass(frozen=True)
class DuctAnswer(Result):
    """Loss of a duct now and after a change, the multiplier of its resistance, and what that can do to the air."""

    which: str
    duty: DuctDuty
    now: ducts.DuctLoss[float]
    shape: ducts.DuctShape[float]
    changed_shape: ducts.DuctShape[float] | None
    changed: ducts.DuctLoss[float] | None
    multiplier: ducts.Multiplier[float] | None
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


def _in_words(shape: ducts.DuctShape[float]) -> str:
    bends = "bends not stated"
    if shape.bends_90 is not None:
        bends = f"{shape.bends_90:g} bend{'' if shape.bends_90 == 1 else 's'}"
    parts = [f"{shape.length_m:g} m", f"{shape.bore_mm:g} mm", bends, shape.wall or "wall not stated", *shape.fittings]
    if shape.crushed_bore_mm is not None:
        parts.append(f"crushed to {shape.crushed_bore_mm:g} mm over {shape.crushed_length_m:g} m")
    return ", ".join(parts)


def _loss_in_words(loss: ducts.DuctLoss[float]) -> str:
    return f"{float(loss.loss_pa):.0f} Pa ({float(loss.low_pa):.0f} to {float(loss.high_pa):.0f})"


def answer_duct(
    which: str,
    shape: ducts.DuctShape[float],
    duty: DuctDuty,
    *,
    changed_shape: ducts.DuctShape[float] | None = None,
    blower: str = "unknown",
    air_ratio_min: float | None = None,
    share: tuple[float, float] | None = None,
    read_port_pa: float | None = None,
) -> DuctAnswer:
    """Return the loss of a duct at a duty and, with a changed geometry, what the change does.

    Parameters
    ----------
    which : {"intake", "exhaust"}
    shape, changed_shape : DuctShape
        Before, and after if asked.
    duty : DuctDuty
    blower : {"centrifugal", "side_channel", "unknown"}
    air_ratio_min : float, optional
        Lowest lambda that the heater's document allows; default the project's watch-point.
    share : pair of float, optional
        Range of this duct's share in the whole air path's resistance; default the stated range of the project.
    read_port_pa : float, optional
        Gauge pressure that was read at the port, to compare with.

    Raises
    ------
    CombustError
        Every geometry that cannot be, at once; no flue temperature for an exhaust duct.
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


def _shape_faults(shape: ducts.DuctShape[float]) -> list[Fault]:
    keys = profile_keys("ducts")
    known = {key: keys[key] for key in ("length_m", "bore_mm", "bends_90")}
    if shape.crushed_bore_mm is not None:
        lowest = keys["bore_mm"].low
        known["crushed_bore_mm"] = Field("crushed_bore_mm", unit="mm", low=lowest, high=shape.bore_mm)
        known["crushed_length_m"] = Field("crushed_length_m", unit="m", low=0.0, high=shape.length_m)
    given = {key: getattr(shape, key) for key in known}
    return [fault for key, value in given.items() if value is not None for fault in known[key].faults_of(value)]


def _air(
    multiplier: ducts.Multiplier[float], share: tuple[float, float] | None, blower: str, air_ratio: float
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
    now: ducts.DuctLoss[float],
    changed: ducts.DuctLoss[float] | None,
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


def _port_limits(loss: ducts.DuctLoss[float]) -> tuple[float, float]:
    """Return 95 % limits of the gauge pressure at the port: the loss less, or with, the velocity head [Pa]."""
    static, middle = float(loss.port_static_pa), float(loss.loss_pa)
    sign = 1.0 if static >= 0.0 else -1.0
    ends = [static + sign * (float(end) - middle) for end in (loss.low_pa, loss.high_pa)]
    return min(ends), max(ends)
