"""Photographs of what was seen: taken in with an entry, shown again."""

from __future__ import annotations

from typing import Any

from starlette.responses import Response

from combust.application.visit.entries import names_of
from combust.application.visit.wording import text_of
from combust.data.errors import CombustError, Fault
from combust.edge.logbook.photos import clean_photo, folder_of, keep_photo, look_at_photos, photos_of, read_photo
from combust.edge.web.asked import Asked
from combust.edge.web.texts import texts
from combust.edge.web.visit_book import again_with, book_path, path_of, safety_with, standing_of, visit_of, write_line
from combust.edge.web.visit_view import about

ATTACHED = ("reading", "part", "check", "adjustment", "event", "note", "setting")


def form(asked: Asked) -> Response:
    """Return the form for a photograph, and those that are there."""
    visit = visit_of(asked)
    return asked.show("visit_photo", safety=standing_of(asked, visit).safety.told_in(asked.units), **_facts(asked))


def _facts(asked: Asked) -> dict[str, Any]:
    visit = visit_of(asked)
    names = names_of(visit.entries)
    entries = [
        (names[one.name], f"{names[one.name]}. {one.kind.replace('_', ' ')}: {text_of(one.body, asked.units)[:80]}")
        for one in reversed(visit.in_force)
        if one.kind in ATTACHED and not one.body.get("photo")
    ]
    photos, book = photos_of(visit), book_path(asked)
    gone = look_at_photos(book, [name for name, _, _ in photos])
    return {
        **about(visit),
        "photos": photos,
        "gone": [*gone.missing, *gone.changed],
        "folder": folder_of(book).name,
        "entries": entries,
        "fields": [],
    }


def add(asked: Asked) -> Response:
    """Keep a photograph with what it shows.

    The photograph is on the disk before the entry that names it: an entry never names what is not there.
    """
    again, upload = again_with(asked, "visit_photo", lambda _: _facts(asked)), asked.files.get("photo")
    try:
        if upload is None or not upload.filename:
            hint = texts()["visit"]["photo_needed"]
            raise CombustError(Fault("photo", None, "missing", why="is missing", hint=hint))
        name = keep_photo(book_path(asked), clean_photo(upload.file))
    except CombustError as error:
        return again(error, safety_with(asked, [], error))
    text = " ".join(asked.form.get("shows", "").split()) or texts()["visit"]["photo_text"]
    entry = asked.form.get("entry", "")[:80]
    body = {"text": text, "photo": name, **({"entry": entry} if entry else {})}
    here = path_of(visit_of(asked).visit_id, "photo")
    return write_line(asked, [], again, more=[("note", None, body)], key=f"{asked.key}.{name[:8]}", back=here)


def give(asked: Asked) -> Response:
    """Return a photograph of the visit of the path, and of no other."""
    name = asked.request.path_params["name"]
    known = {one for one, _, _ in photos_of(visit_of(asked))}
    picture = read_photo(book_path(asked), name if name in known else "")
    return Response(picture, media_type="image/jpeg")
