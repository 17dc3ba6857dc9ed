"""Supply of a heater: voltage under load, which cut-out acts first, energy of a night and how long a battery lasts."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from combust.application.safety import own_limits
from combust.application.visit.supply_result import SupplyResult
from combust.data.errors import CombustError, Fault
from combust.data.fields import Field, need_fields
from combust.data.units import in_other_units
from combust.domain.heater import Heater
from combust.domain.limits import Finding, cautions, finding, in_order, limit, limits
from combust.domain.result import Assumed
from combust.kernel import cab, wiring

# argument -> (unit, low, high, what it is): what can be in a vehicle of up to 48 V; a convention of this project.
_CABLE = ("length_m", "area_mm2")
_ASKED = {
    "open_circuit_v": ("V", 4.0, 60.0, "battery at rest, nothing switched on"),
    "plug_glow_v": ("V", 0.0, 60.0, "measured at the heater's plug while it glows"),
    "battery_mohm": ("mohm", 0.0, 1000.0, "inner resistance of the battery"),
    "length_m": ("m", 0.0, 50.0, "cable from battery to heater, one way"),
    "area_mm2": ("mm²", 0.35, 120.0, "cross-section of one conductor"),
    "contacts_mohm": ("mohm", 0.0, 1000.0, "fuse, plugs and terminals together"),
    "cable_temp_c": ("°C", -60.0, 120.0, "temperature of the cable"),
    "glow_a": ("A", 0.1, 100.0, "current while the glow element is on"),
    "run_a": ("A", 0.01, 100.0, "current while running"),
    "cutout_v": ("V", 4.0, 60.0, "voltage at the heater at which it switches itself off"),
    "controller_cutout_v": ("V", 4.0, 60.0, "battery voltage at which the controller sends OFF"),
    "disconnect_v": ("V", 4.0, 60.0, "battery voltage at which the vehicle takes the power away"),
    "disconnect_delay_s": ("s", 0.0, 36_000.0, "time between its warning and the cut"),
    "cool_down_s": ("s", 0.0, 3600.0, "run-on that must not be cut"),
    "mean_power_w": ("W", 0.1, 2000.0, "mean electric power of a night"),
    "hours": ("h", 0.0, 168.0, "running time of a night"),
    "starts": ("", 0.0, 1000.0, "starts in a night"),
    "glow_s": ("s", 0.0, 3600.0, "glow in one start"),
    "battery_v": ("V", 6.0, 60.0, "nominal voltage of the battery"),
    "battery_ah": ("Ah", 0.1, 5000.0, "nominal capacity"),
    "battery_temp_c": ("°C", -60.0, 80.0, "temperature of the battery"),
    "usable_share": ("", 0.0, 1.0, "share of the capacity that may be used"),
}
_MEASURE = "Measure it: battery at rest, cable one way, cross-section printed on the cable."
_HINTS = dict.fromkeys(("open_circuit_v", *_CABLE), _MEASURE)
_WITH_BATTERY = "battery, cable"
_NEEDED = ("open_circuit_v",)
FIELDS = {
    key: Field(key, "number", meaning, unit, low=low, high=high, required=key in _NEEDED, hint=_HINTS.get(key, ""))
    for key, (unit, low, high, meaning) in _ASKED.items()
}
OTHER_UNITS = tuple(twin for key in FIELDS for twin in in_other_units(key, FIELDS))
WHERE_FED = ("after_disconnect", "before_disconnect")
_SIDE = "Say on which side of the vehicle disconnect the heater is connected."
_FED = Field("fed", "choice", choices=WHERE_FED, hint=_SIDE)


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
    open_circuit_v, plug_glow_v : float, optional
        Battery at rest; measured at the heater's plug while it glows [V]. Here and below: what cannot be is refused.
    length_m, length_ft, area_mm2, area_awg : float, optional
        Cable one way [m or ft], cross-section [mm² or American Wire Gauge]; others are refused. Needed unless
        ``plug_glow_v`` and ``glow_a`` are there.
    cable_temp_c, cable_temp_f, battery_temp_c, battery_temp_f : float, optional
        Cable and battery [°C or °F]; others are refused.
    glow_a, run_a, mean_power_w, battery_mohm, contacts_mohm : float, optional
        What the heater takes [A], [W]; battery inside, all contacts of the loop [mohm]; others are refused.
    cutout_v, controller_cutout_v, disconnect_v, battery_v : float, optional
        At the heater; at the battery post, both others; nominal [V]; others are refused.
    disconnect_delay_s, cool_down_s, glow_s : float, optional
        How long each takes [s]; others are refused.
    hours, starts, battery_ah, usable_share : float, optional
        Of a night [h], [-]; charge [Ah], [-], 0 to 1; others are refused.

    Returns
    -------
    SupplyResult
        [V], [A], [Wh]; ``verdict``: orderly_first, close, conflict, unknown, fed_before_disconnect.

    References
    ----------
    Ohm's law; cable and battery tables of ``combust/data`` with their sources.

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
    given = locals()
    entered = {key: given[key] for key in (*FIELDS, *OTHER_UNITS)}
    value = need_fields({"fed": fed} | entered, {"fed": _FED, **FIELDS}, what="a supply")
    del value["fed"]
    assumed = _fill(heater, value)
    _need_cable(value)
    findings = of_another_system(heater, value)
    loops = _loops(value, findings, _WITH_BATTERY if "battery_mohm" in assumed else "cable")
    voltages = _voltages(value, loops, findings)
    cutouts, first, verdict = _cut_out_order(value, fed, voltages.get("run_a"), loops["usual"], findings)
    return SupplyResult(
        loop_ohm=loops["usual"],
        **voltages,
        cutouts_at_battery_v=cutouts,
        first_to_act=first,
        verdict=verdict,
        remedies=_remedies(value, verdict),
        **_energy(value, _ends_a_night(cutouts, fed), voltages.get("run_a", 0.0), findings),
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


def _fill(heater: Heater | None, value: dict[str, float]) -> dict[str, Assumed]:
    """Fill what was not given from the profile or from stated conventions; return what was filled and whence."""
    profile, known = "heater profile", []
    plate = None if heater is None else heater.nominal_v
    nominal = nominal_voltage(heater, value["open_circuit_v"])
    if heater is not None:
        known = [
            ("glow_a", heater.glow_a, profile),
            ("cutout_v", heater.cutout_v, profile),
            ("mean_power_w", heater.power_run_w, f"{profile}, running at the highest stage"),
        ]
    if heater is not None and heater.start:
        known.append(("cool_down_s", heater.start.cool_down_s, profile))
        if heater.start.preheat_s and heater.start.attempt_s:
            glow_s = heater.start.preheat_s[0] + heater.start.attempt_s[0]
            known.append(("glow_s", glow_s, f"{profile}, first attempt"))
    known += [
        ("battery_v", nominal, f"{profile}, nominal voltage" if plate else "by the voltage at rest: 12 or 24 V"),
        ("battery_mohm", 0.0, "not entered: a battery without inner resistance, the voltage is then too good"),
        ("contacts_mohm", 0.0, "not entered: contacts without resistance, the voltage is then too good"),
        ("cable_temp_c", wiring.TABLE_TEMP_C, "temperature of the table"),
        ("disconnect_delay_s", 0.0, "not entered: cuts at once"),
        ("usable_share", limit("usable_share_warm"), limits()["usable_share_warm"].origin),
        ("battery_temp_c", 20.0, "not entered: capacity as printed on the battery"),
    ]
    assumed = {
        key: Assumed(key, filled, FIELDS[key].unit, origin)
        for key, filled, origin in known
        if key not in value and filled is not None
    }
    value |= {key: one.value for key, one in assumed.items()}
    return assumed


def nominal_voltage(heater: Heater | None, at_rest_v: float) -> float:
    """Return the nominal voltage of the plate, else 12 or 24 V by the battery at rest [V]."""
    plate = None if heater is None else heater.nominal_v
    return plate or (12.0 if at_rest_v < 18.0 else 24.0)


def _need_cable(value: Mapping[str, float]) -> None:
    """Raise where a cable is missing: half of one stands for nothing, volts at the plug at a known current for one."""
    missing = [key for key in _CABLE if key not in value]
    if len(missing) == 2 and "plug_glow_v" in value and "glow_a" not in value:
        fall = value["open_circuit_v"] - value["plug_glow_v"]
        why = f"is missing: {fall:.1f} V fall under glow, at a current that nobody told"
        hint = "Measure it while it glows, or take it from the heater's document; a profile holds it (--heater FILE)."
        raise CombustError(Fault("glow_a", None, "missing", why=why, hint=hint))
    if missing and (len(missing) == 1 or not {"plug_glow_v", "glow_a"} <= set(value)):
        why, hint = "is missing", f"{_MEASURE} Or measure the voltage at the plug while it glows."
        raise CombustError([Fault(key, None, "missing", why=why, hint=hint) for key in missing])


def of_another_system(heater: Heater | None, value: Mapping[str, float]) -> list[Finding]:
    """Return the stop of a battery, or of a voltage at it or at the plug, that is of another system than the plate."""
    plate = None if heater is None else heater.nominal_v
    nominal = value["battery_v"] if plate is None else plate
    at_plug = max(value.get("plug_glow_v", nominal), nominal)  # what falls there is a drop
    for seen in (value["battery_v"], value["open_circuit_v"], at_plug):
        if own_limits(system_v=seen, nominal_v=nominal)["system_voltage"]:
            return [finding("system_voltage", seen_v=seen, nominal_v=nominal)]
    return []


def _loops(value: Mapping[str, float], findings: list[Finding], part: str) -> dict[str, float]:
    """Return feed, return and contacts [ohm] by each table of cables; what was measured at the plug goes before all.

    ``part`` is what takes what was measured: the battery too, where its own resistance is not known.
    """
    loops = {table: _loop(value, table) for table in wiring.TABLES} if "length_m" in value else {}
    plug, rest, glow = value.get("plug_glow_v"), value["open_circuit_v"], value.get("glow_a")
    if plug is None or glow is None:
        return loops
    if plug > rest:
        findings.append(finding("plug_above_rest", plug_v=plug, rest_v=rest))
        return loops or dict.fromkeys(wiring.TABLES, 0.0)
    measured = max(0.0, float(wiring.resistance_of_drop(rest, plug, glow)) - value["battery_mohm"] * 1e-3)
    numbers: dict[str, Any] = {"plug_v": plug, "drop_v": rest - plug, "glow_a": glow, "loop_mohm": 1e3 * measured}
    numbers["part"] = part
    by_table = loops.get("usual", measured)
    unexplained = glow * (measured - by_table) > limit("plug_drop_unexplained")
    code = "plug_drop_unexplained" if unexplained else "plug_drop"
    findings.append(finding(code, cable_mohm=1e3 * by_table, **numbers))
    return dict.fromkeys(wiring.TABLES, measured)


def _loop(value: Mapping[str, float], table: str) -> float:
    of_loop: dict[str, Any] = {"contacts_mohm": value["contacts_mohm"], "temp_c": value["cable_temp_c"], "table": table}
    return float(wiring.loop_resistance(value["length_m"], value["area_mm2"], **of_loop))


def _voltages(value: Mapping[str, float], loops: Mapping[str, float], findings: list[Finding]) -> dict[str, Any]:
    """Return the voltages at the heater and what the cable takes of them; None = cannot be told."""
    source, battery, cutout = value["open_circuit_v"], value["battery_mohm"] * 1e-3, value.get("cutout_v", -math.inf)
    found: dict[str, Any] = {}
    if "glow_a" in value:
        glow, most = value["glow_a"], limit("supply_drop")
        at_glow, low, high = (float(wiring.voltage_under_load(source, glow, battery + loops[t])) for t in wiring.TABLES)
        found |= {"heater_v_glow": at_glow, "heater_v_glow_band": (low, high)}
        if "length_m" in value:
            drop = glow * (_loop(value, "usual") - value["contacts_mohm"] * 1e-3)
            area = float(wiring.cross_section_for(most, value["length_m"], glow, temp_c=value["cable_temp_c"]))
            found |= {"cable_drop_glow_v": drop, "area_for_drop_mm2": area}
            if drop > most:
                findings.append(finding("drop_large", drop_v=drop, limit_v=most, area_mm2=area))
    if "plug_glow_v" in value:
        low = found["heater_v_glow"] = value["plug_glow_v"]
        found["heater_v_glow_band"] = None
    if found:
        at_glow = found["heater_v_glow"]
        if at_glow < cutout:
            findings.append(finding("below_cutout_glow", heater_v=at_glow, cutout_v=cutout))
        elif low < cutout:
            findings.append(finding("near_cutout_glow", heater_v=at_glow, low_v=low, cutout_v=cutout))
    run = value.get("run_a")
    if run is None and "mean_power_w" in value:
        run = float(wiring.current_of_power(value["mean_power_w"], source, battery + loops["usual"]))
        if math.isnan(run):
            findings.append(finding("power_too_much", power_w=value["mean_power_w"]))
            return found
    if run is not None:
        at_run = wiring.voltage_under_load(source, run, battery + loops["usual"])
        found |= {"run_a": run, "heater_v_run": at_run}
        if at_run < cutout:
            findings.append(finding("below_cutout_run", heater_v=at_run, cutout_v=cutout))
    return found


def _cut_out_order(
    value: Mapping[str, float], fed: str, run_a: float | None, loop: float, findings: list[Finding]
) -> tuple[dict[str, float], str | None, str]:
    """Return (each cut-out at the battery post, which acts first on a falling battery, verdict)."""
    running, controller, disconnect = "heater cut-out, running", "controller cut-out", "vehicle disconnect"
    currents = {running: run_a, "heater cut-out, glow": value.get("glow_a")}
    cutouts = {
        name: float(wiring.source_voltage_for(value["cutout_v"], current, loop))
        for name, current in currents.items()
        if "cutout_v" in value and current is not None
    }
    at_post = {controller: "controller_cutout_v", disconnect: "disconnect_v"}
    cutouts |= {name: value[key] for name, key in at_post.items() if key in value}
    best = max((name for name in (running, controller) if name in cutouts), key=cutouts.__getitem__, default=None)
    if fed == "before_disconnect":
        findings.append(finding("no_disconnect"))
        return cutouts, best, "fed_before_disconnect"
    if best is None or disconnect not in cutouts:
        needed = {
            "the heater's cut-out with its running current": ("--cutout V with --run-current A", best),
            "the vehicle disconnect": ("--disconnect V", cutouts.get(disconnect)),
        }
        missing = {word: option for word, (option, there) in needed.items() if there is None}
        findings.append(finding("order_unknown", missing=" or ".join(missing), options=" and ".join(missing.values())))
        return cutouts, None, "unknown"
    gap, margin = cutouts[best] - cutouts[disconnect], limit("supply_margin")
    numbers: dict[str, Any] = {"first_orderly": f"the {best}", "orderly_v": cutouts[best], "gap_v": gap}
    numbers |= {"disconnect_v": cutouts[disconnect], "margin_v": margin}
    # A gap of nothing is a conflict: which one acts is then chance. 1e-9 V keeps binary rounding out of the verdict.
    if gap <= 1e-9:
        findings.append(finding("conflict", **numbers))
        return cutouts, disconnect, "conflict"
    cool_down, delay = value.get("cool_down_s"), value["disconnect_delay_s"]
    if cool_down and delay < cool_down:
        findings.append(finding("disconnect_too_soon", cool_down_s=cool_down, delay_s=delay, **numbers))
    is_close = gap < margin - 1e-9
    findings.append(finding("order_close" if is_close else "order_kept", **numbers))
    return cutouts, best, "close" if is_close else "orderly_first"


def _remedies(value: Mapping[str, float], verdict: str) -> tuple[str, ...]:
    """Return what puts a wrong or a close order right, in plain sentences."""
    if verdict not in ("conflict", "close"):
        return ()
    wanted = value["disconnect_v"] + limit("supply_margin")
    wait = value.get("cool_down_s")
    waits = f"at least the cool-down of {wait:.0f} s" if wait else "at least the heater's whole cool-down"
    return (
        f"Let the heater's controller switch off at {wanted:.1f} V at the battery or above, filtered for "
        f"{limit('supply_filter'):.0f} s, by its normal OFF signal.",
        "Or feed the heater before the disconnect, through its own fuse.",
        f"Or use a disconnect that warns first and waits {waits}.",
        "A thicker cable helps the start; it lowers the heater's cut-out at the battery and does not cure this.",
    )


def _ends_a_night(cutouts: Mapping[str, float], fed: str) -> tuple[str, float] | None:
    """Return the cut-out that ends a night on a falling battery, and its voltage at the post; None = none is known."""
    deaf = {"heater cut-out, glow"} | ({"vehicle disconnect"} if fed == "before_disconnect" else set())
    acting = {name: volts for name, volts in cutouts.items() if name not in deaf}
    return max(acting.items(), key=lambda one: one[1], default=None)


def _energy(
    value: Mapping[str, float], ends: tuple[str, float] | None, run_a: float, findings: list[Finding]
) -> dict[str, Any]:
    """Return charge, Wh and Ah of a night, usable Ah, and the hours that these last; None = cannot be told."""
    volts, usable, rest = value["battery_v"], None, value["open_circuit_v"]
    charge = float(wiring.charge_at_rest(rest, volts))
    found: dict[str, Any] = {"charge_at_rest": charge}
    if rest * 12.0 / volts > limit("resting_voltage_full"):
        findings.append(finding("not_at_rest", rest_v=rest))
    if charge < limit("charge_nearly_empty"):
        findings.append(finding("battery_nearly_empty", rest_v=rest, charge_pct=100.0 * charge))
    kept = 1.0 - value["usable_share"]
    if ends is not None:
        # At the post the battery shows less than at rest, by its own resistance.
        at_rest = ends[1] + run_a * value["battery_mohm"] * 1e-3
        kept = max(kept, float(wiring.charge_at_rest(at_rest, volts)))
        if at_rest >= rest:
            findings.append(finding("never_runs", which=ends[0], cutout_v=ends[1], rest_v=rest))
    if "battery_ah" in value:
        there = cab.battery_usable_share(value["battery_temp_c"], limit("capacity_at_minus_20"))
        usable = found["usable_ah"] = value["battery_ah"] * max(0.0, charge - kept) * float(there)
        if usable == 0.0:
            found["run_time_h"] = 0.0
    if "mean_power_w" not in value or "hours" not in value:
        return found
    of_starts = {
        "starts": value.get("starts", 0.0),
        "glow_w": value["glow_a"] * volts if "glow_a" in value else limit("glow_power"),
        "glow_s": value.get("glow_s", 0.0),
        "run_on_w": limit("run_on_power"),
        "run_on_s": value.get("cool_down_s", 0.0),
    }
    found["energy_wh"] = wiring.night_energy(value["mean_power_w"], value["hours"], **of_starts)
    needed = found["energy_ah"] = found["energy_wh"] / volts
    if usable is not None:
        start_wh = wiring.night_energy(0.0, 0.0, **of_starts)
        lasts = found["run_time_h"] = max(0.0, (usable * volts - start_wh) / value["mean_power_w"])
        if needed > usable:
            numbers = {"energy_ah": needed, "usable_ah": usable, "battery_temp_c": value["battery_temp_c"]}
            findings.append(finding("energy_large", lasts_h=lasts, **numbers))
    return found
