"""For other programs: a reading judged, an entry of a visit, with the JSON objects of the command line."""

from __future__ import annotations

import shlex
from collections.abc import Mapping
from typing import Any

from starlette.responses import Response

from combust.application.reading.result import interpret
from combust.application.safety import told_first
from combust.application.visit.visit import Visit
from combust.data.errors import CombustError, Fault
from combust.data.units import in_our_unit
from combust.domain.reading import Reading, unknown_key
from combust.domain.safety import Safety, of_all
from combust.edge.cli.answer import Answer
from combust.edge.cli.options import stops_entered, values_of
from combust.edge.logbook.keyboard import enter as enter_line
from combust.edge.logbook.keyboard import this_moment
from combust.edge.logbook.typed import WORDS, stops_typed
from combust.edge.logbook.visits import read_visit
from combust.edge.web.asked import Asked
from combust.edge.web.fields import words_of
from combust.edge.web.openapi import description
from combust.edge.web.pool import name_of


def describe(asked: Asked) -> Response:
    """Return the description of these ways for other programs (OpenAPI 3.1)."""
    return asked.say(description())


def judge(asked: Asked) -> Response:
    """Return what ``combust reading --json`` prints for the quantities of the request; a list is a repeated reading."""
    given = {key: tuple(value) if isinstance(value, list) else value for key, value in asked.body.items()}
    with told_first(lambda: stops_entered(given)):
        result = interpret(Reading(**values_of(given)))
    return asked.say(Answer(result).to_dict())


def stand(asked: Asked) -> Response:
    """Return what ``combust visit stand --json`` prints; 304 where the tag of the last answer still fits."""
    with asked.house.book(read_only=True) as book:
        visit = read_visit(book, asked.request.path_params["visit_id"])
    if asked.request.headers.get("if-none-match") == _tag(visit):
        return Response(status_code=304, headers={"etag": _tag(visit)})
    return _told(asked, visit)


def enter(asked: Asked) -> Response:
    """Add a line to an open visit, and return what ``combust visit enter --json`` prints."""
    words, now, visit = _words(asked.body), this_moment(), Visit("")
    try:
        with asked.house.book() as book:
            visit = read_visit(book, asked.request.path_params["visit_id"])
            visit = enter_line(book, visit, words, now, asked.key)
    except CombustError as error:
        error.safety = of_all([stops_typed(words, now, visit), error.safety or Safety(())])
        raise
    return _told(asked, visit)


def _told(asked: Asked, visit: Visit) -> Response:
    found = asked.house.pool.standing(visit)
    answer = asked.say(Answer(found, safety=found.safety).to_dict())
    answer.headers["etag"] = _tag(visit)
    return answer


def _tag(visit: Visit) -> str:
    return f'"{name_of(visit)[:32]}"'


def _words(body: Mapping[str, Any]) -> list[str]:
    """Return the words of a line: as they are typed (``line``, ``words``), or by key (``values``).

    Raises
    ------
    CombustError
        None of these, or of another kind.
    """
    line, words, values = (body.get(name) for name in ("line", "words", "values"))
    try:
        if isinstance(line, str):
            return shlex.split(line)
        if isinstance(words, list) and all(isinstance(one, str) for one in words):
            return words
        if isinstance(values, dict) and all(isinstance(one, str | int | float) for one in values.values()):
            unknown = {key: one for key, one in values.items() if in_our_unit(key, WORDS)[0] not in WORDS}
            if unknown:
                raise CombustError([unknown_key(key, one) for key, one in unknown.items()])
            return words_of({key: str(one) for key, one in values.items()}, WORDS)
    except CombustError:
        raise
    except ValueError as error:  # a quote that is not closed
        fault = Fault("line", line, "format", why="has a quote too few", hint="Close the quotes, or leave them out.")
        raise CombustError(fault) from error
    hint = 'Send {"line": "high o2 8.2 co 54"}, or {"values": {"o2_dry_pct": 8.2}}.'
    raise CombustError(Fault("line", None, "missing", why="is missing", hint=hint))
