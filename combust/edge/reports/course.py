"""The course pack: a day's plan, notes for the trainer, handouts and a test with its key, printable on A4.

All of it comes from what the pages and notebooks show: the sources of the lessons, their predictions, demonstrations,
cards and exercises. Nothing is written twice.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from combust.application.lessons.demonstrations import demonstration
from combust.application.lessons.exercises import Asked, Exercise, exercise, exercise_sheet
from combust.application.lessons.gas import co2_by_calculation
from combust.application.lessons.misconceptions import misconception_card
from combust.application.lessons.predictions import guesses, lesson_numbers, lesson_path, outcome
from combust.data.tables import load_table
from combust.edge.figures.lesson import drawn_first
from combust.edge.lesson_source import Lesson, read_lesson
from combust.edge.reports.html import page

QUESTIONS = 20
HOUR = 60


@dataclass(frozen=True, slots=True)
class Question:
    """One numbered line of the test."""

    number: int
    asked: Asked
    answer: str


def course_pages(seed: int = 1) -> dict[str, str]:
    """Return the pages of a course by name: ``trainer``, ``handouts``, ``test``, ``test_key``.

    Parameters
    ----------
    seed : int
        Of the numbers of the exercises; the test has those of the next one, so that nobody has seen them.
    """
    course = load_table("lessons")["course"]
    facts: dict[str, Any] = {
        "seed": seed,
        "course": course,
        "plan": day_plan(),
        "experiments": experiments(),
        "lessons": [_of_lesson(number, seed) for number in lesson_numbers()],
        "test": questions_of_a_test(seed + 1),
        "questions": QUESTIONS,
        "table": demonstration,
        "card": misconception_card,
    }
    titles = {"trainer": "Notes for the trainer", "handouts": "Handouts", "test": "Test", "test_key": "Key to the test"}
    shown = {"test": seed + 1, "test_key": seed + 1}
    return {
        name: page("course", **{**facts, "seed": shown.get(name, seed)}, part=name, title=title)
        for name, title in titles.items()
    }


def day_plan() -> list[tuple[str, int, str]]:
    """Return the day: begin as a clock shows it, minutes, what is done.

    Examples
    --------
    >>> day_plan()[0]
    ('09:00', 15, 'Opening: cautions, alarms worn, who is who')
    """
    course, parts, now, rows = load_table("lessons")["course"], dict(lesson_path()), 0, []
    for one in course["day"]:
        lessons = [read_lesson(number) for number in parts.get(one.get("part", ""), ())]
        steps = [(lesson.minutes, f"Lesson {lesson.number}: {lesson.title}") for lesson in lessons]
        for minutes, words in steps or [(one["minutes"], one["what"])]:
            begin = course["begin_hour"] * HOUR + now
            rows.append((f"{begin // HOUR:02d}:{begin % HOUR:02d}", minutes, words))
            now += minutes
    return rows


def experiments(fuel: str = "diesel_b7") -> list[dict[str, Any]]:
    """Return what is shown live with an analyser, its numbers worked out for a fuel."""
    found = []
    for one in load_table("lessons")["course"]["experiment"]:
        told = {}
        if "o2_dry_pct" in one:
            told = {"calculated": f"{float(co2_by_calculation(one['o2_dry_pct'], fuel)):.1f}", "fuel": fuel}
        found.append(one | {"seen": one["seen"].format(**told)})
    return found


def questions_of_a_test(seed: int) -> list[tuple[Exercise, list[Question]]]:
    """Return the test: every exercise once with its first line, the first ones with a second, numbered through."""
    sheet = exercise_sheet(seed)
    seconds = [one.kind for one in sheet if len(one.asked) > 1][: QUESTIONS - len(sheet)]
    number, found = 1, []
    for one in sheet:
        right = one.key()["values"]
        lines = []
        for asked in one.asked[: 2 if one.kind in seconds else 1]:
            lines.append(Question(number, asked, asked.text(right[asked.key])))
            number += 1
        found.append((one, lines))
    return found


def _of_lesson(number: str, seed: int) -> dict[str, Any]:
    lesson = read_lesson(number)
    truths, task = outcome(number, lesson.given), exercise(lesson.exercise, seed=seed)
    return {
        "lesson": lesson,
        "chart": drawn_first(lesson),
        "guesses": [(one, one.text(truths[one.key])) for one in guesses(number)],
        "named": list(_named(lesson)),
        "task": task,
        "key": task.key(),
        "wrong": task.wrong(),
    }


def _named(lesson: Lesson) -> Iterator[Any]:
    for _, blocks in lesson.sections:
        yield from (block for block in blocks if block.kind in ("demonstration", "card"))
