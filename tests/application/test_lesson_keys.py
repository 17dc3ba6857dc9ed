"""What the key of an exercise prints is true as it is printed: its equations, and its word at the edge of a band."""

from __future__ import annotations

import re
from fractions import Fraction

import pytest

from combust.application.lessons.exercises import exercise, exercise_sheet


@pytest.mark.parametrize(("seed", "delivered", "nominal"), [(955, "6.60", "6.00"), (784, "4.62", "4.20")])
def test_exactly_ten_percent_passes_whatever_the_last_bit(seed: int, delivered: str, nominal: str) -> None:
    """By hand: 6.60/6.00 and 4.62/4.20 are 1.1 exactly, and a band of ±10 % includes its ends."""
    assert Fraction(delivered) / Fraction(nominal) == Fraction("1.1")
    step = exercise("pump_delivery", seed=seed).key()["steps"][0]
    assert step.endswith(f"= {nominal} ml; delivered {delivered} ml: +10.0 %. Passes: yes.")


LEFT = r"(?<![\w.])([-−(√\d][-−+·/()√.\d ]*[+·/−√][-−+·/()√.\d ]*?)"
EQUATION = re.compile(LEFT + r" = (-?\d+(?:\.(\d+))?)( %)?(?!\w|\.\d)")
NUMBER = re.compile(r"\d+(?:\.(\d+))?")


def worked_out(text: str) -> float:
    plain = re.sub(r"√(\d+)", r"(\1**0.5)", text.replace("−", "-").replace("·", "*"))
    return float(eval(plain, {"__builtins__": {}}))  # digits and signs alone, by the pattern


def rounding_of(text: str) -> float:
    """Return how far the rounding of the printed numbers can move the result: whole ones below 100 are exact."""
    found = 0.0
    for number in NUMBER.finditer(text):
        if number[1] or (len(number[0]) >= 3 and number[0] != "1000"):
            half = 0.5 * 10.0 ** -len(number[1] or "")
            moved = f"{text[: number.start()]}{float(number[0]) + half!r}{text[number.end() :]}"
            found += abs(worked_out(moved) - worked_out(text))
    return found


def test_every_equation_of_a_key_is_true_as_it_is_printed() -> None:
    """Foreign check: the printed numbers are put into the printed expression; only their rounding is allowed."""
    kinds, wrong = set(), []
    for seed in (41, 3, 7, 12, 20):
        for one in exercise_sheet(seed):
            for left, right, digits, percent in EQUATION.findall(" ".join(one.key()["steps"])):
                kinds.add(one.kind)
                half = 0.5 * 10.0 ** -len(digits) + 1e-9
                scales = (1.0, 100.0) if percent else (1.0,)  # a share may be told in %
                off = [abs(k * worked_out(left) - float(right)) - k * rounding_of(left) for k in scales]
                if min(off) > half:
                    wrong.append(f"{seed} {one.kind}: {left} = {right}")
    assert wrong == []
    assert {"night_at_a_hut", "pump_delivery", "recirculation"} <= kinds
