"""The page that explains a word."""

from __future__ import annotations

from starlette.responses import Response

from combust.application.words import look_up
from combust.data.errors import CombustError
from combust.edge.web.asked import Asked


def show(asked: Asked) -> Response:
    """Return what a word means, or the near ones; without a word the field to type it."""
    word = asked.request.query_params.get("word", "").strip()
    try:
        found = look_up(word) if word else ()
    except CombustError as error:
        return asked.show("word", 404, word=word, found=(), refused=[str(one) for one in error.faults])
    return asked.show("word", word=word, found=found)
