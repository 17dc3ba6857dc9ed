"""Pairing a phone by a code, and the page that shows link, QR code and codes to whoever started the server."""

from __future__ import annotations

from markupsafe import Markup
from starlette.responses import Response

from combust.edge.web.asked import Asked
from combust.edge.web.point import give_cookie
from combust.edge.web.point import pair as pair_by
from combust.edge.web.qr import svg_of
from combust.edge.web.routes.class_phone import join
from combust.edge.web.seats import ROLES
from combust.edge.web.texts import texts


def show(asked: Asked) -> Response:
    """Return the field for the code."""
    return asked.show("pair")


def pair(asked: Asked) -> Response:
    """Give the phone its seat, or say that the code is wrong; the two words of a class lead into it from here too."""
    typed = asked.form.get("code", "")
    words = any(mark.isalpha() for mark in typed)
    if words and asked.house.hall.words:
        asked.form["words"] = typed
        return join(asked)
    seat = pair_by(asked.house, asked.request, typed)
    if seat is None:
        return asked.show("pair", 403, refused=[texts()["pair"]["no_class" if words else "wrong"]])
    answer = asked.go("/")
    give_cookie(answer, asked.house, asked.house.seats.cookie_of(seat))
    return answer


def share(asked: Asked) -> Response:
    """Return link, QR code and codes, and how many phones are here."""
    settings, seats = asked.house.settings, asked.house.seats
    codes = [(role, seats.code_of(role)) for role in ROLES[:0:-1]]
    link = f"http://{settings.name}/"
    picture = Markup(svg_of(link)) if settings.shared else ""
    return asked.show("share", link=link, picture=picture, codes=codes, here=seats.here())
