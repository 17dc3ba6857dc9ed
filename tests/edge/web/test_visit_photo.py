"""Photographs on the page: only the picture is kept, its hash stands in the chain, what is none is refused."""

from __future__ import annotations

import hashlib
import io
import struct
import zlib
from typing import Any

import pytest
from PIL import Image, TiffImagePlugin

from combust.edge.logbook.photos import clean_photo, folder_of
from combust.edge.web.settings import Settings
from tests.edge.runs import call
from tests.edge.web.phone import Phone
from tests.edge.web.test_visit import opened, read

pytestmark = pytest.mark.regression
SECRET = b"47.1234 N 11.5678 E Serial-0815"


def photo(size: tuple[int, int] = (64, 32), kind: str = "JPEG", **more: Any) -> bytes:
    """Return a photograph, left half red and right half blue."""
    picture = Image.new("RGB", size, (200, 20, 20))
    picture.paste((20, 20, 200), (size[0] // 2, 0, *size))
    made = io.BytesIO()
    picture.save(made, kind, **more)
    return made.getvalue()


def with_place() -> bytes:
    """Return a photograph with place, maker's words and turned by a quarter, as a phone writes it."""
    exif = Image.Exif()
    exif[0x0112] = 6  # turn right: https://www.media.mit.edu/pia/Research/deepview/exif.html, tag 0x0112
    exif[0x010E] = SECRET.decode()
    place = exif.get_ifd(0x8825)
    place[1], place[2] = "N", tuple(TiffImagePlugin.IFDRational(one, 1) for one in (47, 7, 24))
    return photo(exif=exif, comment=SECRET)


def send(phone: Phone, here: str, data: bytes, name: str = "a.jpg", **typed: str) -> Any:
    files = {"photo": (name, data, "image/jpeg")}
    return phone.post(f"{here}/photo", typed, page=f"{here}/photo", files=files)


def kept(settings: Settings) -> list[bytes]:
    assert settings.book
    folder = folder_of(settings.book)
    return [path.read_bytes() for path in sorted(folder.iterdir())] if folder.exists() else []


def test_place_and_words_of_the_phone_are_not_kept_and_it_is_turned_upright(phone: Phone, settings: Settings) -> None:
    data, here = with_place(), opened(phone)
    assert SECRET in data
    assert Image.open(io.BytesIO(data)).getexif().get_ifd(0x8825)
    assert send(phone, here, data, shows="soot at the exhaust end").status_code == 303
    (stored,) = kept(settings)
    picture = Image.open(io.BytesIO(stored))
    assert SECRET not in stored
    assert b"Exif" not in stored
    assert not picture.getexif()
    # Orientation 6: the first row of the file is the right edge of the scene, so that left becomes top.
    assert picture.size == (32, 64)
    red, _, blue = picture.getpixel((16, 8))
    assert red > 150 > 60 > blue
    red, _, blue = picture.getpixel((16, 56))
    assert blue > 150 > 60 > red


def test_the_hash_stands_in_the_chain_and_a_changed_photograph_is_named(phone: Phone, settings: Settings) -> None:
    here = opened(phone)
    read(phone, here, terminals="clear", o2_dry_pct="8.2")
    assert send(phone, here, photo(), shows="both ends clear", entry="3").status_code == 303
    (stored,) = kept(settings)
    name = f"{hashlib.sha256(stored).hexdigest()}.jpg"
    page = phone.get(f"{here}/photo").text
    assert f'src="{here}/photo/{name}" alt="both ends clear"' in page
    assert "(entry 3)" in page
    assert phone.get(f"{here}/photo/{name}").content == stored
    assert phone.get(f"{here}/photo/{name}").headers["content-type"] == "image/jpeg"
    assert name in phone.get(f"{here}/sheet?numbers=1").text
    assert call("log", "verify", str(settings.book)).code == 0
    assert settings.book
    (folder_of(settings.book) / name).write_bytes(photo((70, 70)))
    assert phone.get(f"{here}/photo/{name}").status_code == 422
    told = call("log", "verify", str(settings.book), "--json").json
    assert told["broken"] == [f"photograph {name}"]
    page = phone.get(f"{here}/photo").text
    assert "<figure" not in page
    assert f"beside the logbook: {name}" in page


def test_the_same_photograph_sent_again_adds_nothing(phone: Phone, settings: Settings) -> None:
    from tests.edge.web.phone import form_of

    here = opened(phone)
    held = form_of(phone.get(f"{here}/photo").text, f"{here}/photo")
    for _ in range(2):
        files = {"photo": ("a.jpg", photo(), "image/jpeg")}
        answer = phone.client.post(f"{here}/photo", data=held, files=files, headers={"origin": phone.origin})
        assert answer.status_code == 303
    assert phone.get(f"{here}/photo").text.count("<figure") == 1


def bomb() -> bytes:
    """Return a PNG of a few kilobytes that claims 30 000 x 30 000 pixels (PNG, ISO/IEC 15948: IHDR, IDAT, IEND)."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    head = struct.pack(">IIBBBBB", 30_000, 30_000, 8, 2, 0, 0, 0)
    body = zlib.compress(bytes(2_000_000), 9)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", body) + chunk(b"IEND", b"")


NO_PHOTOGRAPH = {
    "nothing": b"",
    "words": b"this is no photograph",
    "a page": b"<html><script>alert(1)</script></html>",
    "svg": b'<svg xmlns="http://www.w3.org/2000/svg" onload="alert(1)"/>',
    "only a head": b"\xff\xd8\xff\xe0\x00\x10JFIF\x00",
    "cut off": photo((600, 400))[:900],
    "turned to rubbish": photo()[:40] + bytes(400),
    "claims too much": bomb(),
    "gif": photo(kind="GIF"),
    "tiff": photo(kind="TIFF"),
    "postscript": b"%!PS-Adobe-3.0 EPSF-3.0\n%%BoundingBox: 0 0 10 10\n",
}


@pytest.mark.parametrize("data", NO_PHOTOGRAPH.values(), ids=list(NO_PHOTOGRAPH))
def test_what_is_no_photograph_is_refused_in_words_and_nothing_is_stored(
    phone: Phone, settings: Settings, data: bytes
) -> None:
    here = opened(phone)
    before = phone.get(f"{here}/entries").text.count("<li>")
    answer = send(phone, here, data, name="../../../etc/passwd\x00.jpg")
    assert answer.status_code == 422
    assert "photo = " in answer.text
    assert kept(settings) == []
    assert phone.get(f"{here}/entries").text.count("<li>") == before


def test_more_bytes_than_a_photograph_has_are_not_taken(phone: Phone, settings: Settings) -> None:
    here = opened(phone)
    answer = send(phone, here, bytes(13_000_000))
    assert answer.status_code == 413
    assert kept(settings) == []


@pytest.mark.parametrize("name", ["..%2f..%2fwinter.book", "x.jpg", "0" * 64 + ".jpg", "%2e%2e", "winter.book"])
def test_only_photographs_of_this_visit_are_given(phone: Phone, name: str) -> None:
    here = opened(phone)
    assert send(phone, here, photo()).status_code == 303
    assert phone.get(f"{here}/photo/{name}").status_code in (404, 422)
    other = opened(phone)
    stored = phone.get(f"{here}/photo").text.partition(f'src="{here}/photo/')[2].partition('"')[0]
    assert phone.get(f"{here}/photo/{stored}").status_code == 200
    assert phone.get(f"{other}/photo/{stored}").status_code == 422


@pytest.mark.parametrize(("size", "longer"), [((4000, 3000), 1600), ((8160, 6120), 1600), ((300, 200), 300)])
def test_a_large_photograph_is_made_smaller_and_a_small_one_is_left(size: tuple[int, int], longer: int) -> None:
    made = Image.open(io.BytesIO(clean_photo(io.BytesIO(photo(size)))))
    assert made.size == (longer, round(longer * size[1] / size[0]))
