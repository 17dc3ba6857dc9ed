"""A learner's phone in a class: joins by two words, sees the analyser, votes before it happens, states causes."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from starlette.exceptions import HTTPException
from starlette.responses import Response

from combust.application.trainer.class_summary import label_of
from combust.data.errors import CombustError
from combust.edge.web import class_view as view
from combust.edge.web.asked import Asked, shares_typed, whole
from combust.edge.web.class_knobs import moved, own_knobs
from combust.edge.web.class_svg import ON_A_PHONE, strip
from combust.edge.web.point import give_cookie
from combust.edge.web.point import pair as pair_by
from combust.edge.web.texts import texts

ANSWERS = 3  # causes that can be stated


def show(asked: Asked, status: int = 200, said: list[str] | None = None) -> Response:
    """Return the analyser, the question and what this phone said; whoever has no place is led to the door."""
    hall, seat = asked.house.hall, asked.seat.name
    if not hall.words:
        return asked.go("/class/start" if asked.seat.may("trainer") else "/class/join")
    with hall.open() as room:
        learner = room.people.by_seat.get(seat)
        place, heater = room.place_of(learner), room.heaters[room.place_of(learner)]
        facts = {**view.common(room, place), "question": view.question_of(room.people.question, seat), "place": place}
        asks = [name for name, seats in room.people.wanted.items() if seat in seats and name not in room.shown_checks]
        stating = room.people.stating
        namesake = learner is not None and any(learner.number in numbers for numbers in room.people.namesakes())
        if place:
            display = heater.session.display()
            facts |= {"phase": display.phase_label, "locked": display.locked, "checks": view.checks_made(heater, asks)}
            facts |= {"knobs": own_knobs(room, place, asked.form if said else None), "events": view.events(room, place)}
            facts["safety"] = view.stopped(heater, asks)
            facts["strip"] = strip(tuple(heater.strip), *ON_A_PHONE)
            facts["with_me"] = [one.number for one in room.people.by_seat.values() if one.place == place != 0]
    if learner is None:
        return asked.go("/class/desk" if asked.seat.may("trainer") else "/class/join")
    offered = [(key, name) for key, name in view.check_choices() if name not in dict(facts["checks"])]
    mine = [(label_of(name), f"{100 * learner.counted[name]:.0f} %") for name in learner.stated]
    facts |= {
        "namesake": namesake,
        "learner": learner,
        "offered": offered,
        "asks": asks,
        "stating": stating,
        "mine": mine,
    }
    return asked.show("class_phone", status, said=said or [], **facts)


def join_form(asked: Asked) -> Response:
    """Return the fields for the two words and a name."""
    hall = asked.house.hall
    return asked.show("class_join", said=[], on=bool(hall.words), lost=hall.lost)


def join(asked: Asked) -> Response:
    """Give the phone its place, or say that the words are wrong; a phone that had one keeps it.

    The words are looked at like a pairing code: after some wrong ones a minute passes.
    """
    hall, seat, form = asked.house.hall, asked.seat, asked.form
    typed = form.get("words", "")
    opened = pair_by(asked.house, asked.request, typed) if hall.words else None
    if opened is None:
        digits = typed.strip() and not any(mark.isalpha() for mark in typed)
        said = [texts()["class"]["none" if not hall.words else "wrong_code" if digits else "wrong"]]
        return asked.show("class_join", 403, said=said, on=bool(hall.words), lost=hall.lost)
    own = seat if seat.may("learner") else opened
    try:
        hall.do({"do": "join", "seat": own.name, "name": form.get("name", "")})
    except CombustError as error:
        said = [str(one) for one in error.faults]
        return asked.show("class_join", 422, said=said, on=True, lost=False)
    answer = asked.go("/class")
    if own is opened:
        give_cookie(answer, asked.house, asked.house.seats.cookie_of(own))
    return answer


def _number(text: str) -> int:
    """Return a small number of a form as it was sent.

    Raises
    ------
    HTTPException
        It is none: the form is not one of ours.
    """
    number = whole(text)
    if number is None:
        raise HTTPException(400, texts()["refused"]["form"])
    return number


def _done(asked: Asked, deed: Mapping[str, Any]) -> Response:
    try:
        asked.house.hall.do({**deed, "seat": asked.seat.name})
    except CombustError as error:
        return show(asked, 422, [str(one) for one in error.faults])
    return asked.go("/class")


def vote(asked: Asked) -> Response:
    """Take the vote of this phone."""
    question, answer = _number(asked.form.get("question", "")), _number(asked.form.get("answer", ""))
    return _done(asked, {"do": "vote", "question": question, "answer": answer})


def want(asked: Asked) -> Response:
    """Take that this phone asks for a check."""
    return _done(asked, {"do": "want", "check": asked.form.get("check", "")})


def drive(asked: Asked) -> Response:
    """Take what this phone does at its own heater: which one that is follows from the seat, whatever the form says."""
    what = asked.form.get("drive", "")
    if what != "move":
        return _done(asked, {"do": "drive", "what": what})
    try:
        changes = moved(asked.form)
    except CombustError as error:
        return show(asked, 422, [str(one) for one in error.faults])
    return _done(asked, {"do": "move", "set": changes}) if changes else asked.go("/class")


def say_form(asked: Asked, status: int = 200, said: list[str] | None = None) -> Response:
    """Return the fields for causes and how sure one is."""
    hall = asked.house.hall
    if not hall.words:
        return asked.go("/class/join")
    with hall.open() as room:
        learner = room.people.by_seat.get(asked.seat.name)
        facts = view.common(room, room.place_of(learner))
    if learner is None:
        return asked.go("/class/join")
    form = dict(asked.form)
    if not form:
        for index, (name, share) in enumerate(list(learner.stated.items())[:ANSWERS]):
            form |= {f"cause_{index}": name, f"share_{index}": f"{share:g}"}
    facts |= {"causes": view.cause_choices(), "answers": range(ANSWERS), "form": form}
    return asked.show("class_say", status, said=said or [], **facts)


def say(asked: Asked) -> Response:
    """Take the causes that this phone states, with per cents."""
    try:
        asked.house.hall.do({"do": "state", "seat": asked.seat.name, "shares": _shares(asked.form)})
    except CombustError as error:
        return say_form(asked, 422, [str(one) for one in error.faults])
    return asked.go("/class")


def _shares(form: Mapping[str, str]) -> dict[str, float]:
    """Return cause -> per cent as they were typed."""
    typed = ((form.get(f"cause_{index}", ""), form.get(f"share_{index}", "")) for index in range(ANSWERS))
    return shares_typed(typed, texts()["class"]["share_hint"])
