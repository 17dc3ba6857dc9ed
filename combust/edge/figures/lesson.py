"""The figure of a lesson where its one control stands: for the page, the wall and the handout."""

from __future__ import annotations

from typing import Any

from combust.application.lessons.demonstrations import start_of
from combust.edge.figures import lesson_gas, lesson_machine
from combust.edge.figures.chart import Chart
from combust.edge.lesson_source import Lesson


def drawn_at(lesson: Lesson, at: float | str) -> Chart:
    """Return the figure of a lesson with its control at a place.

    Parameters
    ----------
    lesson : Lesson
    at : float or str
        Value of its slider, or one of its choices.
    """
    name = lesson.control.draw
    if name == "draw_start_fuel":
        return lesson_machine.draw_start_fuel(start_of(lesson.given, cut_at_s=float(at)))
    draw: Any = getattr(lesson_gas, name, None) or getattr(lesson_machine, name)
    chart: Chart = draw(at)
    return chart


def drawn_first(lesson: Lesson) -> Chart:
    """Return the figure of a lesson as it stands before anything is moved."""
    control = lesson.control
    return drawn_at(lesson, control.options[0][1] if control.options else control.start)
