"""The trainer's desk of a class: knobs, heat, time, questions; several desks may be open, each sends what it moved."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from starlette.responses import Response

from combust.application.trainer.class_heater import class_table
from combust.application.trainer.class_summary import in_words
from combust.application.trainer.inputs import input_fields
from combust.application.trainer.scenarios import scenarios
from combust.data.errors import CombustError, Fault
from combust.edge.demo_data import demo_data
from combust.edge.logbook.keyboard import profile_in, profiles_in
from combust.edge.tables.cells import read_cell
from combust.edge.web import class_view as view
from combust.edge.web.asked import Asked, whole
from combust.edge.web.texts import texts

SLIDER_STEP = 0.01
SIMPLE = ("go_on", "release", "trap", "show_answer")


def _folder(asked: Asked) -> Any:
    return asked.house.settings.heaters or demo_data() / "heaters"


def start_form(asked: Asked) -> Response:
    """Return the choice of a heater and a story, or lead to the desk of the class that is on."""
    return asked.go("/class/desk") if asked.house.hall.words else _start_shown(asked)


def _start_shown(asked: Asked, status: int = 200, said: list[str] | None = None) -> Response:
    names = [str(one["heater_id"]) for one in profiles_in(_folder(asked)).values()]
    facts: dict[str, Any] = {"heaters": names, "stories": scenarios(), "said": said or []}
    return asked.show("class_start", status, lost=asked.house.hall.lost, form=asked.form, **facts)


def start(asked: Asked) -> Response:
    """Start the class."""
    form = asked.form
    try:
        profile = profile_in(_folder(asked), form.get("heater", ""))
        asked.house.hall.start(profile, form.get("story", ""), _factor(form))
    except CombustError as error:
        return _start_shown(asked, 422, [str(one) for one in error.faults])
    return asked.go("/class/desk")


def _factor(form: Mapping[str, str]) -> float:
    cell = read_cell(form.get("factor", ""), "?")
    if cell.why or cell.number != cell.number:
        hint = "Give 1 to 60."
        raise CombustError(Fault("time_factor", form.get("factor", ""), "not_a_number", why="is no number", hint=hint))
    return cell.number


def show(asked: Asked, status: int = 200, said: list[str] | None = None) -> Response:
    """Return the desk."""
    hall = asked.house.hall
    if not hall.words:
        return asked.go("/class/start")
    with hall.open() as room:
        display, people, story = room.heater.session.display(), room.people, room.heater.story
        facts = {
            **view.common(room),
            "rows": display.lines(),
            "phase": display.phase_label,
            "truth": in_words(room.truth),
            "shown": bool(room.answer),
            "wanted": view.wanted(room),
            "question": view.question_of(people.question),
            "here": len(people.by_seat),
            "stated": sum(bool(one.stated) for one in people.by_seat.values()),
            "events": view.events(room),
            "asks": story.question if story else "",
            "notes": class_table()["note"][story.key if story else "free"],
            "knobs": view.knobs(room, asked.form if said else None),
            "now": display.time_factor,
            "stamp": room.changed,
        }
    facts |= {"stories": scenarios(), "questions": class_table()["question"], "form": asked.form}
    most = int(class_table()["limits"]["answers_most"])
    return asked.show("class_desk", status, said=said or [], written=hall.written, most=range(most), **facts)


def act(asked: Asked) -> Response:
    """Do what a button of the desk says."""
    name = asked.form.get("do", "")
    if name == "end":
        asked.house.hall.end()
        return asked.go("/class/start")
    try:
        deed = _deed(name, asked.form)
        if deed:
            _once(asked, deed)
            asked.house.hall.do(deed)
    except CombustError as error:
        return show(asked, 422, [str(one) for one in error.faults])
    return asked.go("/class/desk")


def _once(asked: Asked, deed: Mapping[str, Any]) -> None:
    """Refuse what another desk did already: going on over a question that this desk has not seen.

    Raises
    ------
    CombustError
    """
    seen = asked.form.get("seen", "")
    with asked.house.hall.open() as room:
        question = room.people.question
        number = str(question.number if question and question.open else 0)
    if deed["do"] in ("go_on", "show_answer") and seen != number:
        hint = "Look at the question below, then press it again."
        raise CombustError(Fault("class", None, "conflict", why="was moved on at another desk", hint=hint))


def _deed(name: str, form: Mapping[str, str]) -> dict[str, Any]:
    """Return what a button stands for, {} where nothing was moved.

    Raises
    ------
    CombustError
        It stands for nothing; a number that is none.
    """
    if name in SIMPLE:
        return {"do": name}
    if name in ("heat_on", "heat_off"):
        return {"do": "heat", "on": name == "heat_on"}
    if name == "pause":
        return {"do": "pause", "why": "trainer"}
    if name == "factor":
        return {"do": "factor", "factor": _factor(form)}
    if name == "fresh":
        return {"do": "fresh", "story": form.get("story", "")}
    if name == "show_check":
        return {"do": "show_check", "check": form.get("check", "")}
    if name == "happened":
        question, answer = whole(form.get("question", "")), whole(form.get("answer", ""))
        known = question is not None and answer is not None
        return {"do": "happened", "question": question if known else 0, "answer": answer if known else 0}
    if name == "ask":
        return _question(form)
    if name == "knobs":
        moved = _moved(form)
        return {"do": "knobs", "set": moved} if moved else {}
    raise CombustError(Fault("do", name, "unknown_name", why="is no button of this page", hint="Open the page again."))


def _question(form: Mapping[str, str]) -> dict[str, Any]:
    own = form.get("own", "").strip()
    if own:
        most = int(class_table()["limits"]["answers_most"])
        lines = (form.get(f"answer_{index}", "").strip() for index in range(most))
        return {"do": "ask", "text": own, "answers": [line for line in lines if line]}
    ready = {row["key"]: row for row in class_table()["question"]}.get(form.get("ready", ""))
    if ready is None:
        hint = texts()["class"]["ask_hint"]
        raise CombustError(Fault("question", form.get("ready", ""), "missing", why="was not chosen", hint=hint))
    return {"do": "ask", "text": ready["text"], "answers": list(ready["answers"])}


def _moved(form: Mapping[str, str]) -> dict[str, Any]:
    """Return the knobs that this desk moved: what it left alone another desk may have moved meanwhile.

    Raises
    ------
    CombustError
        Every number that is none.
    """
    moved: dict[str, Any] = {}
    faults: list[Fault] = []
    for key, record in input_fields().items():
        text, before = form.get(f"knob_{key}"), form.get(f"was_{key}", "")
        if text is None or text.strip() == before:
            continue
        if record.kind != "number":
            moved[key] = text == "yes" if key == "warm_enough" else text
            continue
        cell, was = read_cell(text, "?"), read_cell(before)
        if cell.why or cell.bound or cell.number != cell.number:
            faults.append(record.not_a_number(text))
        elif not abs(cell.number - was.number) < SLIDER_STEP / 2.0:  # a slider stands on its own steps
            moved[key] = cell.number
    if faults:
        raise CombustError(faults)
    return moved
