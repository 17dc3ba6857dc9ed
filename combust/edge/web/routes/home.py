"""The first screen, and the setting of units that every page has."""

from __future__ import annotations

from starlette.responses import Response

from combust.edge.web.asked import UNITS, Asked

YEAR = 365 * 24 * 3600


def show(asked: Asked) -> Response:
    """Return the first screen: what do you want to do?"""
    return asked.show("home")


def set_units(asked: Asked) -> Response:
    """Keep the units of the person, and go back to the first screen."""
    answer = asked.go("/")
    if (units := asked.form.get("units")) in UNITS:
        answer.set_cookie(f"{asked.house.cookie}_units", units, max_age=YEAR, httponly=True, samesite="strict")
    return answer


def give_token(asked: Asked) -> Response:
    """Return a fresh token for what waits on a phone: its own may have grown old."""
    return asked.say({"token": asked.house.seats.token_of(asked.seat)})
