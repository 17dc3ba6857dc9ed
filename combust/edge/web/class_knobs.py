"""The knobs of a simulated heater as a form shows them, and what a form moved."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from combust.application.trainer.class_heater import class_table
from combust.application.trainer.classroom import Classroom
from combust.application.trainer.inputs import input_fields
from combust.data.errors import CombustError, Fault
from combust.domain.catalogue import shipped_fuels
from combust.edge.tables.cells import read_cell

KNOBS = {
    "heater": ("stage", "warm_enough", "heating_air", "glow"),
    "air": ("intake_resistance", "exhaust_resistance", "recirculated"),
    "fuel": ("fuel", "pump_hz_ratio", "fuel_kind", "bubbles", "wax"),
    "supply": ("battery_v", "loop_mohm"),
    "place": ("altitude_m", "air_temp_c"),
    "sample": ("hose_leak", "wet_hose", "cell_drift_pct"),
}
SLIDES_UP_TO = 2.0  # bands as small as this are drawn as a slider
SLIDER_STEP = 0.01


def knobs(room: Classroom, place: int, typed: Mapping[str, str] | None = None) -> list[dict[str, Any]]:
    """Return the knobs of a heater by group, each with what it stands at and its band.

    Parameters
    ----------
    room : Classroom
    place : int
        Number of the heater.
    typed : mapping, optional
        What was typed and refused: it stays in its field.
    """
    return [
        {"name": group, "rows": [_row(room, place, key, typed or {}) for key in keys]} for group, keys in KNOBS.items()
    ]


def own_knobs(room: Classroom, place: int, typed: Mapping[str, str] | None = None) -> list[dict[str, Any]]:
    """Return the knobs that a learner may move at a heater of one's own."""
    return [_row(room, place, key, typed or {}) for key in class_table()["own"]["knobs"]]


def _row(room: Classroom, place: int, key: str, typed: Mapping[str, str]) -> dict[str, Any]:
    record, value = input_fields()[key], getattr(room.heaters[place].session.heater.inputs, key)
    now = ("yes" if value else "no") if isinstance(value, bool) else value
    text = f"{now:.6g}" if isinstance(now, float) else str(now)
    number = record.kind == "number"
    return {
        "key": key,
        "label": record.meaning[:1].upper() + record.meaning[1:],
        "unit": record.unit,
        "now": text,
        "value": typed.get(f"knob_{key}", text),
        "choices": _choices(room, key),
        "low": f"{record.low:g}",
        "high": f"{record.high:g}",
        "number": number,
        "slides": number and record.high <= SLIDES_UP_TO and not record.unit,
        "negative": number and record.low < 0.0,
    }


def moved(form: Mapping[str, str]) -> dict[str, Any]:
    """Return the knobs that a form moved: what it left alone another desk may have moved meanwhile.

    Raises
    ------
    CombustError
        Every number that is none.
    """
    changes: dict[str, Any] = {}
    faults: list[Fault] = []
    for key, record in input_fields().items():
        text, before = form.get(f"knob_{key}"), form.get(f"was_{key}", "")
        if text is None or text.strip() == before:
            continue
        if record.kind != "number":
            changes[key] = text == "yes" if key == "warm_enough" else text
            continue
        cell, was = read_cell(text, "?"), read_cell(before)
        if cell.why or cell.bound or cell.number != cell.number:
            faults.append(record.not_a_number(text))
        elif not abs(cell.number - was.number) < SLIDER_STEP / 2.0:  # a slider stands on its own steps
            changes[key] = cell.number
    if faults:
        raise CombustError(faults)
    return changes


def _choices(room: Classroom, key: str) -> list[str]:
    if key == "stage":
        return list(room.profile.stages)
    if key == "fuel_kind":
        return list(shipped_fuels())
    return ["no", "yes"] if key == "warm_enough" else []
