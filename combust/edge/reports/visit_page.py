"""The sheet of a visit to hand over: one A4 page, verdict first; a second one with every number. No network."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from combust.application.causes.visit_result import VisitResult
from combust.application.visit.meaning import causes_of, whole_safety
from combust.application.visit.record import handed_back, sections, status
from combust.application.visit.standing import before_work, excluded, line_of
from combust.application.visit.taken import Taken
from combust.application.visit.visit import Visit
from combust.data.vocabulary import quantities
from combust.domain.result import shown
from combust.edge.reports.html import page, picture

NAMES = {
    "o2_dry_pct": "O2",
    "co2_dry_pct": "CO2",
    "co_dry_ppm": "CO",
    "flue_temp_c": "flue gas",
    "smoke_number": "smoke",
}
GASES = tuple(NAMES)
NOT_A_CHECK = (*GASES, "taken_at", "stage", "phase", "reading_id", "heater_id", "visit_id", "over", "typed", "note")
NOT_A_CHECK += ("cab_co_in_ppm", "cab_co_out_ppm")  # they stand in large print
SEEN = ("terminals", "fuel_sample", "strip_down")
MOST_CHECKS, MOST_EXCLUDED, MOST_STAGES = 12, 8, 2


def visit_page(visit: Visit, *, head: str = "", numbers: bool = False) -> str:
    """Return the sheet of a visit as one HTML page; every text of the record is escaped.

    Parameters
    ----------
    visit : Visit
    head : str
        The checksum of its chain in the book.
    numbers : bool
        Add the second sheet with every number.

    Returns
    -------
    str
        A whole HTML5 document with figures as data in it.
    """
    found, _ = causes_of(before_work(visit))
    return page(
        "visit",
        visit=visit,
        status=status(visit),
        safety=whole_safety(visit),
        verdict=_verdict(visit, found),
        cab=_cab(visit),
        stages=_stages(visit),
        figures=_figures(visit),
        checks=_checks(visit)[:MOST_CHECKS],
        excluded=excluded(visit, found)[:MOST_EXCLUDED],
        about=_about(visit),
        head=head,
        sections=sections(visit) if numbers else [],
    )


def _verdict(visit: Visit, found: VisitResult | None) -> list[tuple[str, str]]:
    """Return what was found, what was done, whether it is handed back, when it is due again."""
    done = [str(body.get("text") or body.get("event")) for body in visit.of_kind("adjustment", "event")]
    return [
        ("Found", _found(visit, found)),
        ("Done", "; ".join(done) or "Nothing was repaired or adjusted."),
        ("Now", handed_back(visit)),
        ("Next visit", str(visit.head.get("next_visit") or "not stated")),
    ]


def _found(visit: Visit, found: VisitResult | None) -> str:
    """Return what was found before the work: what was seen first, then what the readings mean."""
    taken = before_work(visit).taken
    seen = [f"{key.replace('_', ' ')}: {one.values[key]}" for one in taken for key in SEEN if key in one.values]
    return "; ".join([*dict.fromkeys(seen), _meaning(taken, found)]).replace("_", " ")


def _meaning(taken: Sequence[Taken], found: VisitResult | None) -> str:
    if found is None or not found.ranked:
        return line_of(taken[-1]) if taken else "Nothing was read."
    if not found.valid:
        return "The reading was not valid: sample and instrument first."
    if not found.fits:
        return "the readings fit no cause in the list."
    if found.top.probability < 0.5:
        return f"Nothing settled; first, with {100 * found.top.probability:.0f} %: {found.top.text}"
    return f"{found.top.text} ({100 * found.top.probability:.0f} %)"


def _cab(visit: Visit) -> dict[str, str]:
    """Return the CO of the cab in large print: of the last reading that counts at the end."""
    for one in reversed(visit.last_taken):
        if "cab_co_in_ppm" in one.over:
            return {"value": f"above {one.over['cab_co_in_ppm']:g} ppm", "note": _when(one)}
        if (inside := one.values.get("cab_co_in_ppm")) is not None:
            outside = one.values.get("cab_co_out_ppm")
            beside = "outside not measured" if outside is None else f"outside {outside:g} ppm"
            return {"value": f"{inside:g} ppm", "note": f"{beside}, {_when(one)}"}
    after = " after the work" if visit.worked else ""
    return {"value": "NOT MEASURED", "note": f"CO in the cab was not measured{after}."}


def _when(one: Taken) -> str:
    time = str(one.values.get("taken_at") or one.at)[:16].replace("T", " ")
    return f"{time}{', after the work' if one.after else ''}"


def _stages(visit: Visit) -> list[dict[str, Any]]:
    """Return for each stage its rows: what, before, after."""
    tables = []
    for stage, pair in visit.before_after().items():
        columns = [_numbers(one) for one in pair]
        names = list(dict.fromkeys(name for column in columns for name in column))
        rows = [(name, *(column.get(name, "") for column in columns)) for name in names]
        tables.append({"stage": stage, "rows": rows})
    return tables


def _numbers(one: Taken | None) -> dict[str, str]:
    if one is None:
        return {}
    result, values = one.result, one.values
    told = {"read at": _when(one)[:16]}
    told["lambda"] = shown(getattr(result, "air_ratio", None), ".2f", u=getattr(result, "air_ratio_u", None))
    told["CO air-free"] = shown(getattr(result, "co_air_free_ppm", None), ".0f", "ppm")
    for key in GASES:
        record, value = quantities()[key], values.get(key)
        name = NAMES[key]
        if key in one.over:
            told[name] = f"above {one.over[key]:g} {record.unit}"
        elif value is not None:
            number = f"{value:g} {record.unit}".strip()
            told[name] = f"{one.typed[key]} ({number})" if key in one.typed else number
    return told


def _figures(visit: Visit) -> list[dict[str, str]]:
    """Return the plane of the first stage that was read before the work, and of the same after it."""
    from combust.edge.figures.gas_plane import draw_plane

    pairs = list(visit.before_after().values())[:1]
    found = []
    for one in (one for pair in pairs for one in pair if one is not None):
        result = one.result
        if result is not None and one.values.get("o2_dry_pct") is not None:
            words = "after work" if one.after else "before work"
            found.append(picture(draw_plane(result), f"Reading {one.key}, {words}, on the CO2-O2 plane."))
    return found


def _checks(visit: Visit) -> list[str]:
    """Return the checks done, each with its time: those said in words, and every measurement beside the gases."""
    told = []
    for entry in visit.in_force:
        time = entry.at[11:16]
        if entry.kind == "check":
            told.append(f"{time} {entry.body.get('check')}: {entry.body.get('result')}")
        if entry.kind in ("reading", "part", "setting"):
            told += [f"{time} {text}" for text in _measured(entry.body, entry.kind)]
    return told


def _measured(body: Any, kind: str) -> list[str]:
    settings = ("ambient_o2_pct", "ambient_co_ppm", "probe_leak_test", "sample_line")
    keys = [key for key in body if key in quantities() and key not in NOT_A_CHECK]
    if kind == "setting":
        keys = [key for key in keys if key in settings]
    typed, texts = body.get("typed", {}), []
    for key in keys:
        record, value = quantities()[key], body[key]
        number = f"{value:g} {record.unit}".strip() if isinstance(value, float) else str(value)
        words = key.removesuffix("_pct").removesuffix("_ppm").removesuffix("_v").removesuffix("_pa").removesuffix("_c")
        texts.append(f"{words}: {typed[key]} ({number})" if key in typed else f"{words}: {number}")
    return texts


def _about(visit: Visit) -> Sequence[tuple[str, str]]:
    readings = visit.readings
    analyser = next((one["instrument"] for one in readings if one.get("instrument")), visit.settings.get("instrument"))
    rows = {
        "Heater": visit.heater_id or "not named",
        "Vehicle": visit.head.get("vehicle"),
        "Place": visit.head.get("place"),
        "Who": visit.head.get("who") or "not stated",
        "Analyser": analyser or "not stated",
        "Said by the customer": visit.head.get("complaint"),
    }
    return [(label, str(text)) for label, text in rows.items() if text]
