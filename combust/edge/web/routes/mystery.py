"""The mystery heater for practice alone: everything that was done stands in the form, so that nothing is kept here.

The salt follows from the server's key, since there is no instructor: practice is on one's honour. A class plays with
``combust mystery`` and the instructor's own salt.
"""

from __future__ import annotations

import secrets
from functools import lru_cache
from typing import Any

from starlette.responses import Response

from combust.application.mystery import Dealer, Play, Score, Statement, score
from combust.application.mystery.case import MysteryCase
from combust.application.mystery.rules import LEVELS, answer_text, dealt_causes, in_words, price_rows, table
from combust.data.errors import CombustError, Fault
from combust.edge.tables.cells import read_cell
from combust.edge.web.asked import Asked

ANSWERS = 3  # causes that can be stated with a probability
MOST_SEED = 2**31
MOST_STEPS = 40


@lru_cache(maxsize=64)
def _deal(salt: str, seed: int, level: str) -> MysteryCase:
    return Dealer(salt).deal(seed, level)


def show(asked: Asked) -> Response:
    """Return the choice of a level, or the case that was dealt with the steps made so far."""
    asked_for = asked.request.query_params
    if "seed" not in asked_for:
        return asked.show("mystery", levels=LEVELS, seed=secrets.randbelow(MOST_SEED))
    case, steps = _case(asked, asked_for.get("seed", ""), asked_for.get("level", "")), asked_for.get("steps", "")
    play, taken = _played(case, steps), asked_for.get("take", "")
    try:
        return _shown(asked, play.take(taken) if taken else play)
    except CombustError as error:
        return _shown(asked, play, 422, said=[str(one) for one in error.faults])


def finish(asked: Asked) -> Response:
    """Score what was stated and show the answer."""
    form = asked.form
    case = _case(asked, form.get("seed", ""), form.get("level", ""))
    play = _played(case, form.get("steps", ""))
    try:
        result = score(Dealer(asked.house.salt), play, _statement(form))
    except CombustError as error:
        return _shown(asked, play, 422, said=[str(one) for one in error.faults])
    return _shown(asked, play, result=result)


def _case(asked: Asked, seed: str, level: str) -> MysteryCase:
    """Return the case of a seed as it was sent.

    Raises
    ------
    CombustError
        A seed or a level that cannot be.
    """
    number = int(seed) if seed.isascii() and seed.isdecimal() and len(seed) < 11 else -1
    return _deal(asked.house.salt, number, level)


def _played(case: MysteryCase, steps: str) -> Play:
    """Return the play after the steps as they were sent; each is made again.

    Raises
    ------
    CombustError
        Steps that cannot have been made.
    """
    names = tuple(name for name in steps.split(",") if name)
    if len(names) > MOST_STEPS:
        raise CombustError(Fault("steps", len(names), "too_large", why="are too many", hint="Deal the case anew."))
    play = Play(case, names)
    play.visit()
    return play


def _statement(form: dict[str, str]) -> Statement:
    """Return what the learner says: probabilities in per cent, excluded causes, the record."""
    stated: dict[str, float] = {}
    for number in range(ANSWERS):
        causes = {form.get(f"cause_{number}", ""), form.get(f"also_{number}", "")} - {""}
        share = read_cell(form.get(f"share_{number}", ""), "?").number
        if causes and share == share:
            stated[answer_text(frozenset(causes))] = share / 100.0
    excluded = [name for name in dealt_causes() if form.get(f"excluded_{name}")]
    record = {name: form.get(f"record_{name}", "") for name in table()["record"]["field"]}
    return Statement.of(stated, excluded, form.get("handed") == "yes", record)


def _shown(asked: Asked, play: Play, status: int = 200, **facts: Any) -> Response:
    """Return where a case stands: the stops first, then what was read, then what it cost."""
    visit, causes, result = play.visit(), dealt_causes(), facts.get("result")
    told: Score | None = result
    return asked.show(
        "mystery_case",
        status,
        safety=visit.safety,
        case=play.case,
        play=play,
        breaches=[table()["breach"][code] for code in visit.breaches],
        baseline=[in_words(one.reading) for one in play.case.heater.baselines],
        shown=[(name, in_words(row) or "done") for name, row in visit.shown.items()],
        used=visit.used,
        # The whole price list: whether a step is allowed now is what the learner has to judge.
        offered=[row for row in price_rows() if not visit.refusal(row["name"])],
        causes={name: cause.label for name, cause in causes.items()},
        answers=range(ANSWERS),
        record=table()["record"]["field"],
        form=asked.form,
        told=told,
        **{name: value for name, value in facts.items() if name != "result"},
    )
