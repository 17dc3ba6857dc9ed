"""The course pack: a day that adds up, handouts and a test without answers, a key that answers each question."""

from __future__ import annotations

import html
import re
from itertools import pairwise

import pytest

from combust.application.lessons.predictions import guesses, lesson_path, outcome
from combust.edge.lesson_source import read_lesson
from combust.edge.reports.course import course_pages, day_plan, experiments, questions_of_a_test
from tests.edge.test_lesson_pages import Strict

pytestmark = pytest.mark.regression
NUMBERS = [number for _, numbers in lesson_path() for number in numbers]


def words(page: str) -> str:
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", page.partition("<body")[2])).split())


def test_the_day_adds_up() -> None:
    plan = day_plan()
    clock = [int(begin[:2]) * 60 + int(begin[3:]) for begin, _, _ in plan]
    assert [end - begin for begin, end in pairwise(clock)] == [one for _, one, _ in plan][:-1]
    lessons = sum(minutes for _, minutes, what in plan if what.startswith("Lesson"))
    assert lessons == sum(read_lesson(number).minutes for number in NUMBERS) == 180  # 6 of 20 minutes, 4 of 15
    assert clock[-1] + plan[-1][1] <= 17 * 60


def test_the_test_has_twenty_questions_and_the_key_answers_each() -> None:
    for seed in (0, 8):
        lines = [line for _, found in questions_of_a_test(seed) for line in found]
        assert [line.number for line in lines] == list(range(1, 21))
    pages = course_pages(7)
    for one, found in questions_of_a_test(8):
        for line in found:
            assert f"{line.number}. {line.asked.label}" in words(pages["test"])
            assert f"{line.number}. {line.asked.label} {line.answer}" in words(pages["test_key"])
        for step in one.key()["steps"]:
            assert " ".join(step.split()) in words(pages["test_key"])
            assert " ".join(step.split()) not in words(pages["test"] + pages["handouts"])


@pytest.mark.hand
def test_the_live_experiments_need_no_heater_and_their_number_is_worked_out() -> None:
    """Maximum CO2 of CH1.86O0.007: n air = 1 + 0.465 - 0.0035 = 1.4615 mol O2, with 79.05/20.95 as much N2 and argon:
    1 / (1 + 5.515) = 15.35 vol %; at 16 vol % O2 of 20.95 it is 15.35 * 4.95 / 20.95 = 3.6 vol %.
    """
    pages = course_pages(3)
    told = words(pages["trainer"])
    assert "a calculated CO2 is 3.6 vol % for diesel_b7" in told
    for one in experiments():
        assert one["caution"] in told
        assert one["seen"] in told
        assert one["caution"] in words(pages["handouts"])
        assert one["seen"] not in words(pages["handouts"])
        assert not re.search(r"\b(start|light|switch on) the heater", " ".join(one["do"]))


def test_pages_are_whole_and_only_the_trainers_tell_what_comes_out() -> None:
    for name, page in course_pages(3).items():
        parser = Strict()
        parser.feed(page)
        assert (name, parser.open, parser.fetched) == (name, [], [])
        assert "no exercise is to be repeated on a real heater" in page
    pages = course_pages(3)
    # of each lesson an empty frame to draw into, and behind it the figure with the box of formulas
    assert pages["handouts"].count("<svg") == 2 * len(NUMBERS)
    for once in ('aria-label="Axes to draw into', "<h3>Formulas</h3>"):
        assert pages["handouts"].count(once) == len(NUMBERS)
    assert pages["trainer"].count("<svg") == len(NUMBERS)
    for number in NUMBERS:
        lesson = read_lesson(number)
        assert f"Lesson {number} · {lesson.title}" in words(pages["handouts"])
        truths = outcome(number, lesson.given)
        for one in guesses(number):
            assert f"{one.label} {one.text(truths[one.key])}" in words(pages["trainer"])
            assert f"{one.label} {one.text(truths[one.key])}" not in words(pages["handouts"])
