"""The trainer's desk of a class: knobs, heat, time, questions; several desks may be open, each sends what it moved."""

from __future__ import annotations

import secrets
from collections.abc import Mapping
from typing import Any

from starlette.responses import Response

from combust.application.lessons.predictions import guesses, lesson_numbers, outcome
from combust.application.trainer.class_heater import class_table
from combust.application.trainer.class_summary import in_words
from combust.application.trainer.classroom import ALL
from combust.application.trainer.scenarios import scenarios
from combust.data.errors import CombustError, Fault
from combust.edge.demo_data import demo_data
from combust.edge.lesson_source import read_lesson
from combust.edge.logbook.profiles import profile_in, profiles_in
from combust.edge.tables.cells import read_cell
from combust.edge.web import class_view as view
from combust.edge.web.asked import Asked, whole
from combust.edge.web.class_knobs import knobs, moved
from combust.edge.web.texts import texts

SIMPLE = ("go_on", "close", "show_answer")
DRIVES = {"heat_on": {"do": "heat", "on": True}, "heat_off": {"do": "heat", "on": False}, "release": {}, "trap": {}}
CLOSES = ("go_on", "close", "show_answer")  # a desk must have seen the question that these close
DEALT = "dealt"


def _folder(asked: Asked) -> Any:
    return asked.house.settings.heaters or demo_data() / "heaters"


def start_form(asked: Asked) -> Response:
    """Return the choice of a heater and a story, or lead to the desk of the class that is on."""
    return asked.go("/class/desk") if asked.house.hall.words else _start_shown(asked)


def _start_shown(asked: Asked, status: int = 200, said: list[str] | None = None) -> Response:
    names = [str(one["heater_id"]) for one in profiles_in(_folder(asked))[0].values()]
    facts: dict[str, Any] = {"heaters": names, "stories": scenarios(), "said": said or [], "dealt": DEALT}
    return asked.show("class_start", status, lost=asked.house.hall.lost, form=asked.form, **facts)


def start(asked: Asked) -> Response:
    """Start the class."""
    form = asked.form
    try:
        profile = profile_in(_folder(asked), form.get("heater", ""))
        asked.house.hall.start(profile, {**_story(form), "own": form.get("whose") == "own"}, _factor(form))
    except CombustError as error:
        return _start_shown(asked, 422, [str(one) for one in error.faults])
    return asked.go("/class/desk")


def _story(form: Mapping[str, str]) -> dict[str, Any]:
    """Return the story of all heaters, or another one for each in an order that nobody can guess."""
    if form.get("story") != DEALT:
        return {"story": form.get("story", "")}
    keys = list(scenarios())
    return {"story": "", "deal": secrets.SystemRandom().sample(keys, len(keys))}


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
            **view.common(room, room.front),
            "safety": view.in_bands(display.stops, display.co_band),
            "own_heaters": room.own,
            "front": room.front,
            "heaters": view.heaters_table(room),
            "shut": people.shut,
            "rows": display.lines(),
            "phase": display.phase_label,
            "truth": in_words(room.truth),
            "shown": bool(room.answers),
            "wanted": view.wanted(room),
            "question": view.question_of(people.question),
            "here": len(people.by_seat),
            "namesakes": people.namesakes(),
            "stated": sum(bool(one.stated) for one in people.by_seat.values()),
            "events": view.events(room, room.front),
            "asks": story.question if story else "",
            "notes": class_table()["note"][story.key if story else "free"],
            "knobs": knobs(room, room.front, asked.form if said else None),
            "now": display.time_factor,
            "stamp": room.changed,
        }
    facts |= {"lessons": [read_lesson(number) for number in lesson_numbers()], "dealt": DEALT}
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
        lesson = read_lesson(asked.form["lesson"]).number if asked.form.get("lesson") else ""
        for deed in _told(asked) if name == "tell" else [_deed(name, asked.form)]:
            if deed:
                _once(asked, deed, by_hand=name != "tell")
                asked.house.hall.do(deed)
    except CombustError as error:
        return show(asked, 422, [str(one) for one in error.faults])
    return asked.go(f"/lesson/{lesson}?wall=1" if lesson else "/class/desk")


def _told(asked: Asked) -> list[dict[str, Any]]:
    """Return what came out of every closed question of a lesson, worked out and not chosen; then all may see it."""
    lesson = read_lesson(asked.form.get("lesson", ""))
    truths, known = outcome(lesson.number, lesson.given), {one.key: one for one in guesses(lesson.number)}
    with asked.house.hall.open() as room:
        closed = [one for one in room.people.questions if one.lesson == lesson.number and not one.open]
    return [
        {"do": "happened", "question": one.number, "answer": known[one.guess].answer_of(truths[one.guess])}
        for one in closed
        if one.happened is None and one.guess in known
    ] + [{"do": "show_lesson", "lesson": lesson.number}]


def _once(asked: Asked, deed: Mapping[str, Any], *, by_hand: bool) -> None:
    """Refuse what another desk did already, going on over a question that this desk has not seen; and a chosen truth.

    Raises
    ------
    CombustError
    """
    seen = asked.form.get("seen", "")
    with asked.house.hall.open() as room:
        question = room.people.question
        number = str(question.number if question and question.open else 0)
        of_lessons = [one.number for one in room.people.questions if one.lesson]
    if deed["do"] in CLOSES and seen != number:
        hint = "Look at the question below, then press it again."
        raise CombustError(Fault("class", None, "conflict", why="was moved on at another desk", hint=hint))
    if by_hand and deed["do"] == "happened" and deed["question"] in of_lessons:
        hint = "Press it on the page of the lesson."
        raise CombustError(Fault("answer", None, "conflict", why="of a lesson is worked out, not chosen", hint=hint))


def _deed(name: str, form: Mapping[str, str]) -> dict[str, Any]:
    """Return what a button stands for, {} where nothing was moved.

    Raises
    ------
    CombustError
        It stands for nothing; a number that is none.
    """
    if name in SIMPLE:
        return {"do": name}
    if name in DRIVES:
        return {"do": name, **DRIVES[name], **_at(form)}
    if name == "front":
        return {"do": "front", **_at(form)}
    if name in ("door_open", "door_shut"):
        return {"do": "door", "open": name == "door_open"}
    if name == "send_out":
        return {"do": "send_out", "learner": whole(form.get("learner", "")) or 0}
    if name == "pause":
        return {"do": "pause", "why": "trainer"}
    if name == "factor":
        return {"do": "factor", "factor": _factor(form)}
    if name == "fresh":
        return {"do": "fresh", **_story(form)}
    if name == "show_check":
        return {"do": "show_check", "check": form.get("check", "")}
    if name == "happened":
        question, answer = whole(form.get("question", "")), whole(form.get("answer", ""))
        known = question is not None and answer is not None
        return {"do": "happened", "question": question if known else 0, "answer": answer if known else 0}
    if name == "ask":
        return _question(form)
    if name == "knobs":
        changes = moved(form)
        return {"do": "knobs", "set": changes, **_at(form)} if changes else {}
    raise CombustError(Fault("do", name, "unknown_name", why="is no button of this page", hint="Open the page again."))


def _at(form: Mapping[str, str]) -> dict[str, Any]:
    """Return which heater the form of a desk is meant for, whatever another desk has put in front meanwhile."""
    if form.get("everywhere") == "yes":
        return {"at": ALL}
    text = form.get("at", "0")
    number = whole(text, 3)
    return {"at": text if number is None else number}


def _question(form: Mapping[str, str]) -> dict[str, Any]:
    if form.get("lesson"):
        number = read_lesson(form["lesson"]).number
        guess = next((one for one in guesses(number) if one.key == form.get("guess")), None)
        if guess is None:
            hint = texts()["class"]["ask_hint"]
            raise CombustError(Fault("question", form.get("guess", ""), "missing", why="was not chosen", hint=hint))
        text = texts()["class"]["of_lesson"].format(number=number, text=guess.label)
        return {"do": "ask", "text": text, "answers": list(guess.answers), "lesson": number, "guess": guess.key}
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
