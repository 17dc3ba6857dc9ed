"""Photographs beside a logbook: made anew from their picture alone, named by their hash, which stands in the chain.

What a phone writes into a photograph beside the picture (place, time, device, a small copy) is not taken over.
"""

from __future__ import annotations

import hashlib
import io
import json
import re
from collections.abc import Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from threading import Lock
from typing import Any, BinaryIO

from combust.application.visit.visit import Visit
from combust.data.errors import CombustError, Fault, no_access
from combust.edge.whole_file import whole_file

FORMATS = ("JPEG", "PNG", "WEBP")
MOST_BYTES = 12_000_000
LONGEST = 1600  # pixels of the longer side of what is kept
# A plain JPEG is read at a fraction of its size; everything else is held in memory as a whole, one at a time.
MOST_PIXELS, MOST_PIXELS_WHOLE = 55_000_000, 17_000_000
QUALITY = 82
NAME = re.compile(r"[0-9a-f]{64}\.jpg")
JPEG = b"\xff\xd8\xff"
_one_at_a_time = Lock()


def clean_photo(file: BinaryIO) -> bytes:
    """Return a photograph made anew as JPEG: turned upright, at most 1600 pixels long, and nothing but the picture.

    Parameters
    ----------
    file : binary file
        JPEG, PNG or WebP.

    Raises
    ------
    CombustError
        No photograph that can be opened, or too large a one.
    """
    from PIL import Image, ImageOps

    with _one_at_a_time:
        if file.seek(0, io.SEEK_END) > MOST_BYTES:
            raise CombustError(_fault("too_large", f"has more than {MOST_BYTES // 1_000_000} million bytes"))
        file.seek(0)
        try:
            with Image.open(file, formats=FORMATS) as picture:
                _refuse_too_large(picture.size, plain=picture.format != "PNG" and "progressive" not in picture.info)
                picture.draft("RGB", (LONGEST, LONGEST))
                picture.thumbnail((LONGEST, LONGEST))
                upright = ImageOps.exif_transpose(picture).convert("RGB")
        except CombustError:
            raise
        except Exception as error:  # a decoder may fail in any way at what is no picture
            raise CombustError(_fault("format", "is no photograph that can be opened")) from error
        made = io.BytesIO()
        bare = Image.new("RGB", upright.size)
        bare.paste(upright)
        bare.save(made, "JPEG", quality=QUALITY, optimize=True)
    return made.getvalue()


def _refuse_too_large(size: tuple[int, int], *, plain: bool) -> None:
    most = MOST_PIXELS if plain else MOST_PIXELS_WHOLE
    if size[0] * size[1] > most:
        raise CombustError(_fault("too_large", f"has more than {most // 1_000_000} million pixels"))


def _fault(code: str, why: str) -> Fault:
    hint = "Take JPEG, PNG or WebP as the camera of a phone makes them; nothing was stored."
    return Fault("photo", "given", "too_large" if code == "too_large" else "format", why=why, hint=hint)


def folder_of(book: Path) -> Path:
    """Return the folder of the photographs of a logbook: beside it, named after it."""
    return book.with_name(f"{book.name}.photos")


def keep_photo(book: Path, picture: bytes) -> str:
    """Keep a photograph beside a logbook and return its name, by which the entry holds it: its SHA-256 and ``.jpg``.

    Raises
    ------
    CombustError
        It cannot be written there.
    """
    name = f"{hashlib.sha256(picture).hexdigest()}.jpg"
    try:
        with whole_file(folder_of(book) / name) as partial:
            partial.write_bytes(picture)
    except OSError as error:
        raise no_access("photo", folder_of(book), error, "Nothing was stored.", "written") from error
    return name


def read_photo(book: Path, name: str) -> bytes:
    """Return a photograph; one that is not what its name says was changed outside combust.

    Raises
    ------
    CombustError
        No such name, not there, or changed.
    """
    if not NAME.fullmatch(name):
        raise CombustError(
            Fault("photo", name, "format", why="is no name of a photograph", hint="Open it by its entry.")
        )
    path = folder_of(book) / name
    try:
        if path.exists() and not path.is_file():  # a pipe would be waited for without end
            raise FileNotFoundError(path)
        with path.open("rb") as file:
            picture = file.read(MOST_BYTES + 1)
    except OSError as error:
        hint = f"Copy the folder {folder_of(book).name} beside the logbook."
        raise no_access("photo", name, error, hint) from error
    sound = len(picture) <= MOST_BYTES and picture.startswith(JPEG)
    if not sound or hashlib.sha256(picture).hexdigest() != name.removesuffix(".jpg"):
        why = "was changed outside combust"
        raise CombustError(Fault("photo", name, "damaged", why=why, hint="Do not rely on it."))
    return picture


def photos_of(visit: Visit) -> list[tuple[str, str, str]]:
    """Return (name, what it shows, which entry it belongs to) of each photograph of a visit."""
    bodies = [body for body in visit.of_kind("note") if NAME.fullmatch(str(body.get("photo") or ""))]
    return [(str(body["photo"]), str(body.get("text") or ""), str(body.get("entry") or "")) for body in bodies]


def names_in(rows: Iterable[Mapping[str, Any] | Any]) -> list[str]:
    """Return the photographs that entries name, each once; ``rows`` as a book, or an export of one, holds them."""
    found: dict[str, None] = {}
    for row in rows:
        if row["kind"] in ("note", "correction"):
            with suppress(ValueError, TypeError, RecursionError):
                body = json.loads(row["body"])
                photo = body.get("photo") if isinstance(body, dict) else None
                if isinstance(photo, str) and NAME.fullmatch(photo):
                    found[photo] = None
    return [*found]


@dataclass(frozen=True, slots=True)
class Photos:
    """Photographs that are here (taken along, where they were carried), those that are not, and those changed."""

    here: int = 0
    missing: tuple[str, ...] = ()
    changed: tuple[str, ...] = ()

    def told(self) -> list[str]:
        """Return a sentence of each that is not here, or is not what its name says."""
        lines = [f"photograph {name} is not there: the entry that names it goes without it" for name in self.missing]
        return lines + [f"photograph {name} was changed outside combust: it was left out" for name in self.changed]


def look_at_photos(book: Path, names: Iterable[str], target: Path | None = None) -> Photos:
    """Return which photographs lie beside a book; with a ``target``, each is copied beside that file too.

    One at a time, each no larger than a photograph is: what is missing or was changed is named, the rest goes on.
    The names are hashes, so that none can lead out of the folder, and none takes the place of another.

    Raises
    ------
    CombustError
        The place to copy to cannot be written.
    """
    here, missing, changed = 0, list[str](), list[str]()
    for name in dict.fromkeys(names):
        try:
            picture = read_photo(book, name)
        except CombustError as error:
            (changed if error.faults[0].code in ("damaged", "format") else missing).append(name)
            continue
        if target is not None:
            keep_photo(target, picture)
        here += 1
    return Photos(here, tuple(missing), tuple(changed))
