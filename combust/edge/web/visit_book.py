"""The logbook behind the pages of a visit: which one is meant, its visit, a line written into it or why not."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any
from urllib.parse import quote

from starlette.responses import Response

from combust.application.visit.standing import Standing
from combust.application.visit.visit import Visit
from combust.data.errors import CombustError, Fault
from combust.domain.safety import Safety, of_all
from combust.edge.logbook.keyboard import enter, this_moment
from combust.edge.logbook.typed import stops_typed
from combust.edge.logbook.visits import NewEntry, read_visit
from combust.edge.web.asked import Asked, status_of
from combust.edge.web.fields import FormField
from combust.edge.web.texts import texts

# They mean something in a path, whatever their spelling there.
_SPELT = (("~", "~~"), ("/", "~s"), (".", "~d"), ("%", "~p"))


def path_of(visit_id: str, *rest: str) -> str:
    """Return the path of a page of a visit, whatever letters its name has.

    Examples
    --------
    >>> path_of("V017", "sheet"), path_of("A/7 b"), visit_named("A~s7 b")
    ('/visit/V017/sheet', '/visit/A~s7%20b', 'A/7 b')
    """
    for mark, spelt in _SPELT:
        visit_id = visit_id.replace(mark, spelt)
    return "/".join(["/visit", quote(visit_id, safe=""), *rest])


def visit_named(part: str) -> str:
    """Return the name of a visit from its part of a path."""
    marks = {spelt: mark for mark, spelt in _SPELT}
    name, left = "", part
    while left:
        size = 2 if left[:2] in marks else 1
        name += marks.get(left[:size], left[:size])
        left = left[size:]
    return name


def book_path(asked: Asked) -> Path:
    """Return the logbook of this server.

    Raises
    ------
    CombustError
        It was started without one.
    """
    if asked.house.settings.book is None:
        raise CombustError(Fault("logbook", None, "missing", why="is missing", hint=texts()["home"]["no_book"]))
    return asked.house.settings.book


def visit_of(asked: Asked) -> Visit:
    """Return the visit that the path names."""
    with asked.house.book(read_only=True) as book:
        return read_visit(book, visit_named(asked.request.path_params["visit_id"]))


def standing_of(asked: Asked, visit: Visit) -> Standing:
    """Return where a visit stands."""
    return asked.house.pool.standing(visit)


def write_line(
    asked: Asked,
    words: Sequence[str],
    again: Callable[[CombustError, Safety | None], Response],
    *,
    more: Sequence[NewEntry] = (),
    key: str = "",
    back: str = "",
) -> Response:
    """Write a line into the visit of the path and go back to it, or show the page again with what was refused.

    Parameters
    ----------
    asked : Asked
    words : sequence of str
        As at the keyboard.
    again : callable
        Takes the error and the safety state to be shown with it: that of the visit, with the stops that were typed.
    more : sequence of NewEntry
        What stands behind the line.
    key : str
        Name of the request; by default that of the form.
    back : str
        Where it goes on; by default the page of the visit.
    """
    name, now = visit_named(asked.request.path_params["visit_id"]), this_moment()
    try:
        with asked.house.book() as book:
            enter(book, read_visit(book, name), words, now, more=more, key=key or asked.key)
    except CombustError as error:
        return again(error, safety_with(asked, words, error))
    return asked.go(back or path_of(name))


def safety_with(asked: Asked, words: Sequence[str], error: CombustError) -> Safety:
    """Return the safety state of the visit of the path with the stops of a line that was refused."""
    visit = visit_of(asked)
    parts = [stops_typed(words, this_moment(), visit), error.safety or Safety(())]
    stops = Safety(of_all(parts).stops)
    return of_all([standing_of(asked, visit).safety, stops]).told_in(asked.units)


def again_with(
    asked: Asked, template: str, facts_of: Callable[[CombustError | None], dict[str, Any]]
) -> Callable[[CombustError, Safety | None], Response]:
    """Return what shows a page again, its fields filled with what was typed and what was wrong with it."""

    def again(error: CombustError, safety: Safety | None) -> Response:
        facts = facts_of(error)
        told = {str(one) for one in error.faults}
        at_fields = {said for one in facts.get("fields", ()) if isinstance(one, FormField) for said in one.said}
        refused = sorted(told - at_fields) or [texts()["visit"]["refused_at_fields"]]
        return asked.show(template, status_of(error), safety=safety, refused=refused, **facts)

    return again
