"""The lessons without code: predicted, shown, moved, practised. What is typed stands in the address: none is kept."""

from __future__ import annotations

import math
import secrets
from collections.abc import Mapping
from typing import Any

from starlette.responses import Response

from combust.application.lessons.demonstrations import demonstration
from combust.application.lessons.exercises import Exercise, exercise
from combust.application.lessons.misconceptions import misconception_card
from combust.application.lessons.predictions import Guess, guesses, lesson_numbers, lesson_path, outcome
from combust.edge.figures.lesson import drawn_at
from combust.edge.lesson_source import Control, Lesson, read_lesson
from combust.edge.tables.cells import read_cell
from combust.edge.web.asked import Asked, whole
from combust.edge.web.class_view import EVERY_S, question_of
from combust.edge.web.texts import texts

MOST_TYPED = 60  # letters of a field
MOST_SEED = 2**31
SHOWS = ("seen", "wall", "at")  # what in an address shows the figure


def listed(asked: Asked) -> Response:
    """Return the lessons in their order, with minutes and what each needs."""
    path = [(title, [read_lesson(number) for number in numbers]) for title, numbers in lesson_path()]
    return asked.show("lessons", path=path)


def show(asked: Asked) -> Response:
    """Return a lesson: its question first, then what comes out, the figure, the cards, an exercise.

    While a class is on a learner sees what comes out when the trainer shows it, whatever the address says.

    Raises
    ------
    CombustError
        There is no such lesson.
    """
    number = asked.request.path_params["number"]
    lesson, seed = read_lesson(number), whole(asked.request.query_params.get("seed", ""), 10)
    task = exercise(lesson.exercise, seed=lesson.seed if seed is None or seed >= MOST_SEED else seed)
    typed, vote = _typed(asked.request.query_params, number, task), _vote(asked, number)
    held = bool(vote and (vote["waits"] or not vote["told"]) and not asked.seat.may("trainer"))
    if held:
        typed = {name: text for name, text in typed.items() if name not in SHOWS}
    if not asked.seat.may("trainer"):
        typed.pop("wall", None)
    at = _at(lesson.control, typed.get("at", ""))
    order = lesson_numbers()
    place = order.index(number)
    return asked.show(
        "lesson",
        lesson=lesson,
        typed=typed,
        wall="wall" in typed,
        vote=vote if asked.seat.may("trainer") else None,
        held=(texts()["class"]["lesson_held" if vote and vote["waits"] else "lesson_waits"] if held else ""),
        every=EVERY_S,
        cards=[block.name for _, blocks in lesson.sections for block in blocks if block.kind == "card"],
        seen="seen" in typed,
        guesses=guesses(number),
        compared=_compared(lesson, typed) if "seen" in typed else [],
        control=lesson.control,
        at=at if isinstance(at, str) else f"{at:g}",
        chart=drawn_at(lesson, at),
        table=lambda name: demonstration(name, lesson.given),
        card=misconception_card,
        task=task,
        answered=_answered(task, typed),
        other=secrets.randbelow(MOST_SEED),
        before=order[place - 1] if place else "",
        after=order[place + 1] if place + 1 < len(order) else "",
    )


def _vote(asked: Asked, number: str) -> dict[str, Any] | None:
    """Return where the vote of the class on a lesson stands; None where no class is on."""
    if not asked.house.hall.words:
        return None
    with asked.house.hall.open() as room:
        of_it = [question_of(one) for one in room.people.questions if one.lesson == number]
        other = room.people.question is not None and room.people.question.open
        here, words, shown = len(room.people.by_seat), room.words, number in room.shown_lessons
    made = [one for one in of_it if one is not None]
    opened = next((one for one in made if one["open"]), None)
    return {
        "made": made,
        "open": opened,
        "other": other and opened is None,
        "here": here,
        "words": words,
        "link": asked.house.settings.name,
        "left": [one for one in guesses(number) if one.key not in {asked["guess"] for asked in made}],
        "told": shown,
        "waits": any(one["happened"] is None for one in made),
        "stamp": " | ".join(str(one["stamp"]) for one in made),
    }


def _typed(query: Mapping[str, str], number: str, task: Exercise) -> dict[str, str]:
    """Return what stands in the address of the fields that a lesson has, as long as a field can be."""
    own = {"at", "seen", "seed", "wall"}
    own |= {f"p_{one.key}" for one in guesses(number)} | {f"a_{one.key}" for one in task.asked}
    return {name: " ".join(text.split())[:MOST_TYPED] for name, text in query.items() if name in own}


def _at(control: Control, text: str) -> float | str:
    """Return where the control stands; what is none of its choices, no number or beyond its ends falls back."""
    if control.options:
        known = [value for _, value in control.options]
        return text if text in known else known[0]
    value = read_cell(text, "?").number
    return control.start if math.isnan(value) else min(max(value, control.low), control.high)


def _compared(lesson: Lesson, typed: Mapping[str, str]) -> list[tuple[str, str, str, str]]:
    """Return of each prediction: what it is about, what was said, what comes out, and whether it was met."""
    truths = outcome(lesson.number, lesson.given)
    return [_pair(one, typed.get(f"p_{one.key}", ""), truths[one.key]) for one in guesses(lesson.number)]


def _pair(one: Guess, said: str, truth: Any) -> tuple[str, str, str, str]:
    mine: Any = said if said in one.choice else "" if one.choice else read_cell(said, "?").number
    if mine == "" or mine != mine:
        return one.label, said and f"“{said}”", one.text(truth), "none"
    return one.label, one.text(mine), one.text(truth), "met" if one.met(mine, truth) else "other"


def _answered(task: Exercise, typed: Mapping[str, str]) -> list[tuple[str, str, bool]]:
    """Return of each answer that was given: what was asked, what is said of it, whether it is right."""
    mine: dict[str, Any] = {}
    unread = {}
    for one in task.asked:
        if text := typed.get(f"a_{one.key}", ""):
            cell = read_cell(text, "?")
            mine[one.key] = text if one.choice else cell.number
            if cell.why and not one.choice:
                unread[one.label] = f"“{text}” {cell.why}"
    marked = task.marked(**mine) if mine else ()
    return [(one.label, unread.get(one.label, one.said), one.right) for one in marked]
