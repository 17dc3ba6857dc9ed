"""Which cut-out acts first on a falling battery, and what cures a wrong order."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from combust.domain.limits import Finding, finding, limit
from combust.kernel import wiring as kernel

_ORDERLY = ("heater cut-out, running", "controller cut-out")


def cut_out_order(
    value: Mapping[str, float], fed: str, run: float | None, glow: float | None, loop: float, findings: list[Finding]
) -> tuple[dict[str, float], str | None, str]:
    """Return (each cut-out at the battery post, which acts first on a falling battery, verdict)."""
    cutouts: dict[str, float] = {}
    for name, current in (("heater cut-out, running", run), ("heater cut-out, glow", glow)):
        if "cutout_v" in value and current is not None:
            cutouts[name] = float(kernel.source_voltage_for(value["cutout_v"], current, loop))
    for name, key in (("controller cut-out", "controller_cutout_v"), ("vehicle disconnect", "disconnect_v")):
        if key in value:
            cutouts[name] = value[key]
    orderly: dict[str, float] = {name: cutouts[name] for name in _ORDERLY if name in cutouts}
    if fed == "before_disconnect":
        findings.append(finding("no_disconnect"))
        return cutouts, max(orderly, key=lambda name: orderly[name], default=None), "fed_before_disconnect"
    lacking = {
        "the heater's cut-out with its running current": ("--cutout V with --run-current A", bool(orderly)),
        "the vehicle disconnect": ("--disconnect V", "disconnect_v" in value),
    }
    missing = {word: option for word, (option, there) in lacking.items() if not there}
    if missing:
        options = " and ".join(missing.values())
        findings.append(finding("order_unknown", missing=" or ".join(missing), options=options))
        return cutouts, None, "unknown"
    return (cutouts, *_verdict(value, orderly, findings))


def _verdict(value: Mapping[str, float], orderly: Mapping[str, float], findings: list[Finding]) -> tuple[str, str]:
    best = max(orderly, key=lambda name: orderly[name])
    disconnect, margin = value["disconnect_v"], limit("supply_margin")
    gap = orderly[best] - disconnect
    fields: dict[str, Any] = {"first_orderly": f"the {best}", "orderly_v": orderly[best], "gap_v": gap}
    fields |= {"disconnect_v": disconnect, "margin_v": margin}
    # A gap of nothing is a conflict: which one acts is then chance. 1e-9 V keeps binary rounding out of the verdict.
    if gap <= 1e-9:
        findings.append(finding("conflict", **fields))
        return "vehicle disconnect", "conflict"
    cool_down, delay = value.get("cool_down_s"), value["disconnect_delay_s"]
    if cool_down and delay < cool_down:
        findings.append(finding("disconnect_too_soon", cool_down_s=cool_down, delay_s=delay, **fields))
    if gap < margin - 1e-9:
        findings.append(finding("order_close", **fields))
        return best, "close"
    findings.append(finding("order_kept", **fields))
    return best, "orderly_first"


def remedies(value: Mapping[str, float], verdict: str) -> tuple[str, ...]:
    """Return what puts a wrong or a close order right, in plain sentences."""
    if verdict not in ("conflict", "close"):
        return ()
    wanted = value["disconnect_v"] + limit("supply_margin")
    wait = value.get("cool_down_s")
    told_wait = f"at least the cool-down of {wait:.0f} s" if wait else "at least the unit's whole cool-down"
    return (
        f"Let the heater's controller switch off at {wanted:.1f} V at the battery or above, filtered for "
        f"{limit('supply_filter'):.0f} s, by its normal OFF signal.",
        "Or feed the heater before the disconnect, through its own fuse.",
        f"Or use a disconnect that warns first and waits {told_wait}.",
        "A thicker cable helps the start; it lowers the heater's cut-out at the battery and does not cure this.",
    )
