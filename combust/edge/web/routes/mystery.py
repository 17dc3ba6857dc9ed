"""The mystery heater for practice alone: the server keeps what was bought and hands a result out once it is paid.

The salt follows from the server's key, since there is no trainer. Steps are kept with the seat and the case: going back
in the browser, or another copy of the page, gives nothing back. A restart of the server forgets them.
"""

from __future__ import annotations

import secrets
from collections import OrderedDict
from collections.abc import Mapping
from dataclasses import dataclass, replace
from threading import Lock
from typing import Any
from urllib.parse import urlencode

from starlette.responses import Response

from combust.application.mystery import CaseKey, Debrief, Play, PlayedVisit, Statement
from combust.application.mystery.rules import LEVELS, TWO, answer_text, answers, heaters, in_words, price_rows, table
from combust.data.errors import CombustError
from combust.edge.web.asked import Asked, shares_typed, whole
from combust.edge.web.texts import texts

ANSWERS = 3  # causes that can be stated with a probability
MOST_SEED = 2**31
MOST_PLAYS = 2000
ORDER = ("seed", "level", "topic", "heater", "doubles")


@dataclass(frozen=True)
class Kept:
    """What the server keeps of a play: the steps that were paid, and the debrief when it is over."""

    steps: tuple[str, ...] = ()
    told: Debrief | None = None


_KEPT: OrderedDict[tuple[str, str, str], Kept] = OrderedDict()
_LOCK = Lock()


def show(asked: Asked) -> Response:
    """Return the order form, or the case that was dealt with the steps made so far."""
    asked_for = asked.request.query_params
    if "seed" not in asked_for:
        topics = [*table()["topic"], TWO]
        return asked.show(
            "mystery", levels=LEVELS, topics=topics, heaters=list(heaters()), seed=secrets.randbelow(MOST_SEED)
        )
    return _shown(asked, _case(asked, asked_for), asked_for)


def take(asked: Asked) -> Response:
    """Make a step, keep it, and go back to the case."""
    key = _case(asked, asked.form)
    name = _name(asked, key)
    with _LOCK:
        kept = _KEPT.get(name, Kept())
        if kept.told is None:
            try:
                _keep(name, replace(kept, steps=Play(key, kept.steps).take(asked.form.get("take", "")).steps))
            except CombustError as error:
                return _shown(asked, key, asked.form, 422, said=[str(one) for one in error.faults])
    return asked.go(f"/mystery?{urlencode(_order(asked.form))}")


def finish(asked: Asked) -> Response:
    """Score what was stated and show the debrief; a case is finished once."""
    key = _case(asked, asked.form)
    name = _name(asked, key)
    kept = _KEPT.get(name, Kept())
    try:
        told = kept.told or asked.house.pool.debrief(Play(key, kept.steps), _statement(asked.form))
    except CombustError as error:
        return _shown(asked, key, asked.form, 422, said=[str(one) for one in error.faults])
    with _LOCK:
        if name not in _KEPT or _KEPT[name].told is None:
            _keep(name, Kept(kept.steps, told))
    return _shown(asked, key, asked.form)


def _keep(name: tuple[str, str, str], kept: Kept) -> None:
    _KEPT[name] = kept
    _KEPT.move_to_end(name)
    while len(_KEPT) > MOST_PLAYS:
        _KEPT.popitem(last=False)


def _name(asked: Asked, key: CaseKey) -> tuple[str, str, str]:
    """Return under what a play is kept: this server, this seat, this case."""
    return asked.house.salt, asked.seat.name, key.case.case_id


def _order(given: Mapping[str, str]) -> dict[str, str]:
    """Return what was ordered, as it stands in an address."""
    return {name: given[name] for name in ORDER if given.get(name)}


def _case(asked: Asked, given: Mapping[str, str]) -> CaseKey:
    """Return the case that was ordered.

    Raises
    ------
    CombustError
        A seed, a level, a topic or a heater that cannot be.
    """
    seed = whole(given.get("seed", ""), 10)
    words = (given.get(name, "") for name in ("level", "topic", "heater"))
    return asked.house.pool.case(
        asked.house.salt, -1 if seed is None else seed, *words, given.get("doubles", "") != "no"
    )


def _statement(form: dict[str, str]) -> Statement:
    """Return what the learner says: probabilities in per cent, excluded causes, the record."""
    typed = []
    for number in range(ANSWERS):
        causes = {form.get(f"cause_{number}", ""), form.get(f"also_{number}", "")} - {""}
        typed.append((answer_text(frozenset(causes)) if causes else "", form.get(f"share_{number}", "")))
    shares = shares_typed(typed, texts()["class"]["share_hint"])
    stated = {name: share / 100.0 for name, share in shares.items()}
    excluded = [name for name in answers() if form.get(f"excluded_{name}")]
    record = {name: form.get(f"record_{name}", "") for name in table()["record"]["field"]}
    return Statement.of(stated, excluded, form.get("handed") == "yes", record)


def _not_now(visit: PlayedVisit) -> list[tuple[list[str], str]]:
    """Return why steps are not offered, with those of which it holds; what was made stands among what was found."""
    why: dict[str, list[str]] = {}
    for row in price_rows():
        reason = visit.refusal(row["name"])
        if reason and row["name"] not in visit.made:
            why.setdefault(reason[:1].upper() + reason[1:], []).append(row["name"])
    return [(names, reason) for reason, names in why.items()]


def _shown(asked: Asked, key: CaseKey, given: Mapping[str, str], status: int = 200, **facts: Any) -> Response:
    """Return where a case stands: the stops first, then the debrief, then what was read and what it cost."""
    kept = _KEPT.get(_name(asked, key), Kept())
    visit = Play(key, kept.steps).visit()
    return asked.show(
        "mystery_case",
        status,
        safety=visit.safety,
        case=key.case,
        order=_order(given),
        breaches=[table()["breach"][code] for code in visit.breaches],
        baseline=[in_words(row) for row in key.case.baseline],
        shown=[(name, in_words(row) or "done") for name, row in visit.shown.items()],
        used=visit.used,
        # The whole price list: whether a step is allowed now is what the learner has to judge.
        offered=[row for row in price_rows() if not visit.refusal(row["name"])],
        not_now=_not_now(visit),
        causes=answers(),
        answers=range(ANSWERS),
        record=table()["record"]["field"],
        form=asked.form,
        told=kept.told,
        **facts,
    )
