"""Supply of a heater: voltage under load, which cut-out acts first, energy of a night and how long a battery lasts."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from combust.application.safety import own_limits
from combust.application.visit.supply_order import cut_out_order, remedies
from combust.data.errors import CombustError, Fault
from combust.data.fields import Field, need_fields
from combust.data.units import in_other_units
from combust.domain.heater import Heater
from combust.domain.limits import Finding, cautions, finding, in_order, limit, limits
from combust.domain.result import Assumed, Result, Rows, shown
from combust.kernel import wiring as kernel

# argument -> (unit, low, high): what can be in a vehicle of up to 48 V; a convention of this project.
_CABLE = ("length_m", "area_mm2")
_BANDS = {
    "open_circuit_v": ("V", 4.0, 60.0),
    "plug_glow_v": ("V", 0.0, 60.0),
    "battery_mohm": ("mohm", 0.0, 1000.0),
    "length_m": ("m", 0.0, 50.0),
    "area_mm2": ("mm²", 0.35, 120.0),
    "contacts_mohm": ("mohm", 0.0, 1000.0),
    "cable_temp_c": ("°C", -60.0, 120.0),
    "glow_a": ("A", 0.1, 100.0),
    "run_a": ("A", 0.01, 100.0),
    "cutout_v": ("V", 4.0, 60.0),
    "controller_cutout_v": ("V", 4.0, 60.0),
    "disconnect_v": ("V", 4.0, 60.0),
    "disconnect_delay_s": ("s", 0.0, 36_000.0),
    "cool_down_s": ("s", 0.0, 3600.0),
    "mean_power_w": ("W", 0.1, 2000.0),
    "hours": ("h", 0.0, 168.0),
    "starts": ("", 0.0, 1000.0),
    "glow_s": ("s", 0.0, 3600.0),
    "battery_v": ("V", 6.0, 60.0),
    "battery_ah": ("Ah", 0.1, 5000.0),
    "battery_temp_c": ("°C", -60.0, 80.0),
    "usable_share": ("", 0.0, 1.0),
}
_MEASURE = "Measure it: battery at rest, cable one way, cross-section printed on the cable."
FIELDS = {
    key: Field(
        key,
        unit=unit,
        low=low,
        high=high,
        required=key == "open_circuit_v",
        hint=_MEASURE if key in ("open_circuit_v", *_CABLE) else "",
    )
    for key, (unit, low, high) in _BANDS.items()
}
OTHER_UNITS = tuple(twin for key in FIELDS for twin in in_other_units(key, FIELDS))
WHERE_FED = ("after_disconnect", "before_disconnect")
_SIDE = "Say on which side of the vehicle disconnect the heater is connected."
_FED = Field("fed", "choice", choices=WHERE_FED, hint=_SIDE)


@dataclass(frozen=True)
class SupplyResult(Result):
    """Voltages at the heater [V], cut-outs at the battery post [V], energy [Wh, Ah]; None = cannot be told.

    ``heater_v_glow_band`` is from the most a flexible cable may have to pure copper. Where the voltage at the plug was
    measured, ``heater_v_glow`` and ``loop_ohm`` are what follows from it, and ``cable_ohm`` is what the table says.
    """

    loop_ohm: float
    cable_ohm: float | None
    heater_v_glow: float | None
    heater_v_glow_band: tuple[float, float] | None
    heater_v_run: float | None
    run_a: float | None
    cable_drop_glow_v: float | None
    area_for_drop_mm2: float | None
    cutouts_at_battery_v: Mapping[str, float]
    first_to_act: str | None
    verdict: str
    remedies: tuple[str, ...]
    energy_wh: float | None
    energy_ah: float | None
    charge_at_rest: float
    usable_ah: float | None
    run_time_h: float | None
    findings: tuple[Finding, ...]
    cautions: tuple[str, ...]
    inputs: Mapping[str, Any]
    assumed: tuple[Assumed, ...]
    sources: tuple[str, ...]
    calculated = True

    def lines(self) -> Rows:
        """Return (label, text) lines; what cannot be told says so."""

        band = self.heater_v_glow_band
        spread = f" ({band[0]:.2f} to {band[1]:.2f} V by the make of the cable)" if band else ""
        rows = [
            ("voltage at heater, glow", shown(self.heater_v_glow, ".2f", "V") + spread),
            ("voltage at heater, running", shown(self.heater_v_run, ".2f", "V")),
            ("feed, return and contacts", f"{1000 * self.loop_ohm:.0f} mohm"),
        ]
        rows += [(f"{name}, at battery", f"{value:.2f} V") for name, value in self.cutouts_at_battery_v.items()]
        verdict = _VERDICTS.get(self.verdict, self.verdict.replace("_", " "))
        rows.append(("acts first", f"{self.first_to_act}: {verdict}" if self.first_to_act else verdict))
        rows += [(f"remedy {index}", text) for index, text in enumerate(self.remedies, 1)]
        rows.append(("charge of the battery", f"{100.0 * self.charge_at_rest:.0f} % by its voltage at rest"))
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


def supply_check(
    heater: Heater | None = None,
    *,
    fed: str = "after_disconnect",
    open_circuit_v: float | None = None,
    plug_glow_v: float | None = None,
    battery_mohm: float | None = None,
    length_m: float | None = None,
    length_ft: float | None = None,
    area_mm2: float | None = None,
    area_awg: float | None = None,
    contacts_mohm: float | None = None,
    cable_temp_c: float | None = None,
    cable_temp_f: float | None = None,
    glow_a: float | None = None,
    run_a: float | None = None,
    cutout_v: float | None = None,
    controller_cutout_v: float | None = None,
    disconnect_v: float | None = None,
    disconnect_delay_s: float | None = None,
    cool_down_s: float | None = None,
    mean_power_w: float | None = None,
    hours: float | None = None,
    starts: float | None = None,
    glow_s: float | None = None,
    battery_v: float | None = None,
    battery_ah: float | None = None,
    battery_temp_c: float | None = None,
    battery_temp_f: float | None = None,
    usable_share: float | None = None,
) -> SupplyResult:
    """Return the voltage at the heater under load, the order of the cut-outs and the energy of a night.

    Parameters
    ----------
    heater : Heater, optional
        Fills glow_a, cutout_v, cool_down_s, glow_s, mean_power_w and battery_v where they are not given.
    fed : {'after_disconnect', 'before_disconnect'}
        Whether the vehicle disconnect can cut the heater's feed.
    open_circuit_v : float
        Battery at rest [V].
    plug_glow_v : float, optional
        Measured at the heater's plug while it glows [V].
    length_m, area_mm2 : float, optional
        Cable one way [m] and its cross-section [mm²], or ``length_ft`` [ft] and ``area_awg`` (number of the American
        Wire Gauge); needed unless ``plug_glow_v`` and ``glow_a`` are there.
    battery_mohm, contacts_mohm, cable_temp_c : float, optional
        Inner resistance, all contacts of the loop [mohm], cable [°C] (or ``cable_temp_f``).
    glow_a, run_a, mean_power_w : float, optional
        What the heater takes [A], [W].
    cutout_v, controller_cutout_v, disconnect_v : float, optional
        At the heater; at the battery post, both others [V].
    disconnect_delay_s, cool_down_s, glow_s : float, optional
        [s].
    hours, starts : float, optional
        Of a night [h].
    battery_v, battery_ah, battery_temp_c, usable_share : float, optional
        [V], [Ah], [°C] (or ``battery_temp_f``), [0 to 1].

    Returns
    -------
    SupplyResult
        ``verdict``: orderly_first, close, conflict, unknown, fed_before_disconnect.

    Raises
    ------
    CombustError
        Missing and impossible values, all at once.

    Examples
    --------
    >>> told = supply_check(open_circuit_v=12.2, battery_mohm=15, length_m=5, area_mm2=1.5, contacts_mohm=20, glow_a=10)
    >>> round(told.heater_v_glow, 2)
    10.58
    """
    arguments = locals()
    given = {key: arguments[key] for key in (*FIELDS, *OTHER_UNITS)}
    value, assumed = _checked(heater, fed, given)
    findings = _system_voltage(heater, value)
    battery, cable = value["battery_mohm"] * 1e-3, None
    if "length_m" in value:
        cable, worst, best = (_loop(value, table) for table in kernel.TABLES)
    measured = _measured_loop(value, battery, cable, findings)
    loop = float(cable or 0.0) if measured is None else measured
    glow, run = value.get("glow_a"), _run_current(value, battery + loop, findings)
    at_glow, band = value.get("plug_glow_v"), None
    if glow and at_glow is None:
        loops = (loop, worst, best)
        at_glow, *ends = (kernel.voltage_under_load(value["open_circuit_v"], glow, battery + one) for one in loops)
        band = (float(ends[0]), float(ends[1]))
    at_run = kernel.voltage_under_load(value["open_circuit_v"], run, battery + loop) if run else None
    _judge_voltage(value, at_glow, band[0] if band else None, at_run, findings)
    drop = glow * (cable - value["contacts_mohm"] * 1e-3) if glow and cable is not None else None
    area = _area_for_drop(value, drop, findings)
    cutouts, first, verdict = cut_out_order(value, fed, run, glow, loop, findings)
    acts = {"heater cut-out, running", "controller cut-out"}
    acts |= {"vehicle disconnect"} if fed == "after_disconnect" else set()
    return SupplyResult(
        loop_ohm=loop,
        cable_ohm=cable,
        heater_v_glow=at_glow,
        heater_v_glow_band=band,
        heater_v_run=at_run,
        run_a=run,
        cable_drop_glow_v=drop,
        area_for_drop_mm2=area,
        cutouts_at_battery_v=cutouts,
        first_to_act=first,
        verdict=verdict,
        remedies=remedies(value, verdict),
        **_energy(value, {name: cutouts[name] for name in cutouts if name in acts}, run or 0.0, findings),
        findings=in_order(findings),
        cautions=tuple(cautions()),
        inputs={key: number for key, number in value.items() if key not in assumed} | {"fed": fed},
        assumed=tuple(assumed.values()),
        sources=_SOURCES,
    )


_SOURCES = (
    "cable: 0.0127 ohm/m for 1.5 mm² (read), other rows from memory; band from IEC 60228 class 5 (from memory) to pure "
    "copper (IEC 60028, from memory)",
    "charge: combust/data/battery.toml, table of the battery trade (from memory, medium)",
    "watch-points: combust/data/limits.toml, origin beside each",
)


def _checked(heater: Heater | None, fed: str, given: Mapping[str, Any]) -> tuple[dict[str, float], dict[str, Assumed]]:
    value = need_fields({"fed": fed, **given}, {"fed": _FED, **FIELDS}, what="a supply")
    del value["fed"]
    assumed = _fill(heater, value)
    missing = [key for key in _CABLE if key not in value]
    # A voltage measured at the plug under a known current stands for the cable; half a cable stands for nothing.
    if missing and (len(missing) == 1 or not {"plug_glow_v", "glow_a"} <= set(value)):
        why, hint = "is missing", f"{_MEASURE} Or measure the voltage at the plug while it glows."
        raise CombustError([Fault(key, None, "missing", why=why, hint=hint) for key in missing])
    return value, assumed


def _fill(heater: Heater | None, value: dict[str, float]) -> dict[str, Assumed]:
    """Fill what was not given from the profile or from stated conventions; return what was filled and whence."""
    assumed: dict[str, Assumed] = {}

    def fill(key: str, filled: float | None, origin: str) -> None:
        if key not in value and filled is not None:
            value[key] = filled
            assumed[key] = Assumed(key, filled, FIELDS[key].unit, origin)

    if heater is not None:
        profile = "heater profile"
        fill("glow_a", heater.glow_a, profile)
        fill("cutout_v", heater.cutout_v, profile)
        fill("mean_power_w", heater.power_run_w, f"{profile}, running at the highest stage")
        fill("battery_v", heater.nominal_v, f"{profile}, nominal voltage")
        if heater.start:
            fill("cool_down_s", heater.start.cool_down_s, profile)
            if heater.start.preheat_s and heater.start.attempt_s:
                fill("glow_s", heater.start.preheat_s[0] + heater.start.attempt_s[0], f"{profile}, first attempt")
    fill("battery_v", 12.0 if value["open_circuit_v"] < 18.0 else 24.0, "by the voltage at rest: 12 or 24 V")
    fill("battery_mohm", 0.0, "not entered: a battery without inner resistance, the voltage is then too good")
    fill("contacts_mohm", 0.0, "not entered: contacts without resistance, the voltage is then too good")
    fill("cable_temp_c", kernel.TABLE_TEMP_C, "temperature of the table")
    fill("disconnect_delay_s", 0.0, "not entered: cuts at once")
    fill("usable_share", limit("usable_share_warm"), limits()["usable_share_warm"].origin)
    fill("battery_temp_c", 20.0, "not entered: capacity as printed on the battery")
    return assumed


def _system_voltage(heater: Heater | None, value: Mapping[str, float]) -> list[Finding]:
    """Return the stop of a battery, or of a voltage at it or at the plug, that is of another system than the plate."""
    plate = None if heater is None else heater.nominal_v
    nominal = value["battery_v"] if plate is None else plate
    for key in ("battery_v", "open_circuit_v", "plug_glow_v"):
        seen = value.get(key, nominal)
        # What falls at the plug is a drop; what rises there is another system.
        judged = max(seen, nominal) if key == "plug_glow_v" else seen
        if own_limits(system_v=judged, nominal_v=nominal)["system_voltage"]:
            return [finding("system_voltage", seen_v=seen, nominal_v=nominal)]
    return []


def _measured_loop(
    value: Mapping[str, float], battery: float, cable: float | None, findings: list[Finding]
) -> float | None:
    """Return the resistance of feed, return and contacts that the voltage at the plug under glow shows [ohm]."""
    if not {"plug_glow_v", "glow_a"} <= set(value):
        return None
    glow, rest, plug = value["glow_a"], value["open_circuit_v"], value["plug_glow_v"]
    if plug > rest:
        findings.append(finding("plug_above_rest", plug_v=plug, rest_v=rest))
        return cable
    loop = max(0.0, float(kernel.resistance_of_drop(rest, plug, glow)) - battery)
    fields = {"plug_v": plug, "drop_v": rest - plug, "glow_a": glow, "loop_mohm": 1e3 * loop}
    if cable is not None and glow * (loop - cable) > limit("plug_drop_unexplained"):
        findings.append(finding("plug_drop_unexplained", cable_mohm=1e3 * cable, **fields))
    else:
        findings.append(finding("plug_drop", **fields))
    return loop


def _loop(value: Mapping[str, float], table: str) -> float:
    of_loop: dict[str, Any] = {"contacts_mohm": value["contacts_mohm"], "temp_c": value["cable_temp_c"], "table": table}
    return float(kernel.loop_resistance(value["length_m"], value["area_mm2"], **of_loop))


def _run_current(value: Mapping[str, float], resistance: float, findings: list[Finding]) -> float | None:
    if "run_a" in value or "mean_power_w" not in value:
        return value.get("run_a")
    current = float(kernel.current_of_power(value["mean_power_w"], value["open_circuit_v"], resistance))
    if math.isnan(current):
        findings.append(finding("power_too_much", power_w=value["mean_power_w"]))
        return None
    return current


def _judge_voltage(
    value: Mapping[str, float], at_glow: float | None, low: float | None, at_run: float | None, findings: list[Finding]
) -> None:
    cutout = value.get("cutout_v", -math.inf)
    if at_glow is not None and at_glow < cutout:
        findings.append(finding("below_cutout_glow", heater_v=at_glow, cutout_v=cutout))
    elif low is not None and low < cutout:
        findings.append(finding("near_cutout_glow", heater_v=at_glow, low_v=low, cutout_v=cutout))
    if at_run is not None and at_run < cutout:
        findings.append(finding("below_cutout_run", heater_v=at_run, cutout_v=cutout))


def _area_for_drop(value: Mapping[str, float], drop: float | None, findings: list[Finding]) -> float | None:
    if drop is None:
        return None
    most = limit("supply_drop")
    area = float(kernel.cross_section_for(most, value["length_m"], value["glow_a"], temp_c=value["cable_temp_c"]))
    if drop > most:
        findings.append(finding("drop_large", drop_v=drop, limit_v=most, area_mm2=area))
    return area


def _energy(
    value: Mapping[str, float], cutouts: Mapping[str, float], run: float, findings: list[Finding]
) -> dict[str, Any]:
    """Return charge, Wh and Ah of a night, usable Ah, and the hours that these last; None = cannot be told.

    ``cutouts`` are those that end a night, at the battery post [V].
    """
    found: dict[str, Any] = dict.fromkeys(("energy_wh", "energy_ah", "usable_ah", "run_time_h"))
    rest, nominal = value["open_circuit_v"], value["battery_v"]
    full = found["charge_at_rest"] = float(kernel.charge_at_rest(rest, nominal))
    if rest * 12.0 / nominal > limit("resting_voltage_full"):
        findings.append(finding("not_at_rest", rest_v=rest))
    first = max(cutouts, key=lambda name: cutouts[name], default=None)
    ends = 0.0
    if first is not None:
        # At the post the battery shows less than at rest, by its own resistance.
        at_rest = cutouts[first] + run * value["battery_mohm"] * 1e-3
        ends = float(kernel.charge_at_rest(at_rest, nominal))
        if at_rest >= rest:
            ends = full
            findings.append(finding("never_runs", which=first, cutout_v=cutouts[first], rest_v=rest))
    if "battery_ah" in value:
        cold = 1.0 - (1.0 - limit("capacity_at_minus_20")) * (20.0 - value["battery_temp_c"]) / 40.0
        left = max(0.0, full - max(ends, 1.0 - value["usable_share"]))
        found["usable_ah"] = value["battery_ah"] * left * min(max(cold, 0.0), 1.0)
        if left == 0.0:
            found["run_time_h"] = 0.0
    if "mean_power_w" not in value or "hours" not in value:
        return found
    volts, power = value.get("battery_v"), value["mean_power_w"]
    of_starts = {
        "starts": value.get("starts", 0.0),
        "glow_w": value["glow_a"] * volts if "glow_a" in value and volts else limit("glow_power"),
        "glow_s": value.get("glow_s", 0.0),
        "run_on_w": limit("run_on_power"),
        "run_on_s": value.get("cool_down_s", 0.0),
    }
    found["energy_wh"] = float(kernel.night_energy(power, value["hours"], **of_starts))
    if not volts:
        return found
    usable, needed = found["usable_ah"], found["energy_wh"] / volts
    found["energy_ah"] = needed
    if usable is not None:
        start_wh = float(kernel.night_energy(0.0, 0.0, **of_starts))
        lasts = found["run_time_h"] = max(0.0, (usable * volts - start_wh) / power)
        if needed > usable:
            fields = {"energy_ah": needed, "usable_ah": usable, "battery_temp_c": value["battery_temp_c"]}
            findings.append(finding("energy_large", lasts_h=lasts, **fields))
    return found
