"""Photographs go where their entries go: export, import, backup; what is missing, changed or a trick is named."""

from __future__ import annotations

import hashlib
import io
import json
import os
from pathlib import Path

import pytest
from PIL import Image

from combust.edge.logbook.book import Logbook
from combust.edge.logbook.photos import MOST_BYTES, clean_photo, folder_of, keep_photo
from combust.edge.logbook.visits import NewVisit, add
from tests.edge.runs import call

pytestmark = pytest.mark.regression
READING = ("reading", None, {"o2_dry_pct": 8.2, "location": "outdoors"})


def taken(book: Path, shades: tuple[int, ...], visit: str = "V1") -> list[str]:
    """Take photographs into a visit as the page does; return their names."""
    names = []
    for shade in shades:
        made = io.BytesIO()
        Image.new("RGB", (40, 30), (shade, 90, 20)).save(made, "JPEG")
        names.append(keep_photo(book, clean_photo(made)))
    notes = [("note", None, {"text": "soot at the end", "photo": name}) for name in names]
    with Logbook(book, create=True) as opened:
        add(opened, [NewVisit(visit, "heater-0312", {}, [READING, *notes])])
    return names


def held(file: Path) -> dict[str, str]:
    """Return the photographs beside a file: name -> SHA-256, by the standard library."""
    folder = folder_of(file)
    paths = sorted(folder.iterdir()) if folder.exists() else []
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in paths}


@pytest.mark.parametrize("way", ["export", "book", "backup"])
def test_photographs_go_with_their_entries(tmp_path, way):
    book, there, copy = tmp_path / "w.book", tmp_path / "out" / "all.jsonl", tmp_path / "new" / "all.book"
    names = taken(book, (10, 200))
    copy.parent.mkdir()
    if way == "backup":
        assert "photographs: 2" in call("log", "backup", str(book), "--out", str(copy)).out
    else:
        source = book
        if way == "export":
            assert "photographs: 2" in call("log", "export", str(book), "--out", str(there)).out
            assert held(there) == held(book)
            source = there
        assert "photographs: 2" in call("log", "import", str(copy), str(source)).out
    assert held(copy) == held(book) == {name: name.removesuffix(".jpg") for name in names}
    told = call("log", "verify", str(copy), "--json").json
    assert (told["photos"]["here"], told["photos"]["missing"], told["broken"]) == (2, [], [])


def test_what_is_missing_or_was_changed_is_named_and_the_rest_goes_on(tmp_path):
    book, copy = tmp_path / "w.book", tmp_path / "copy.book"
    gone, other, good = taken(book, (10, 100, 200))
    (folder_of(book) / gone).unlink()
    (folder_of(book) / other).write_bytes((folder_of(book) / good).read_bytes())
    done = call("log", "import", str(copy), str(book))
    assert done.code == 0
    assert list(held(copy)) == [good]
    assert f"photograph {gone} is not there" in done.err
    assert f"photograph {other} was changed outside combust" in done.err
    told = call("log", "verify", str(book), "--json").json
    assert told["photos"]["missing"] == [gone]
    assert told["broken"] == [f"photograph {other}"]
    assert "NOT HERE" in call("log", "verify", str(copy)).out
    # found again, it is taken in with the same command
    again = tmp_path / "again.book"
    assert taken(again, (10,), "V2") == [gone]
    assert "photographs: 1" in call("log", "import", str(copy), str(again)).out
    assert gone in held(copy)


def entry_naming(name: str, tmp_path: Path) -> Path:
    """Return an export whose one note names a photograph; its chain is in order."""
    book, out = tmp_path / "trick.book", tmp_path / "trick.jsonl"
    with Logbook(book, create=True) as opened:
        add(opened, [NewVisit("V1", "heater-0312", {}, [("note", None, {"text": "look", "photo": name})])])
    assert call("log", "export", str(book), "--out", str(out)).code == 0
    return out


@pytest.mark.parametrize(
    "name",
    ["../secret.jpg", "/etc/passwd", "a/../../secret.jpg", "..\\secret.jpg", "secret.jpg\x00.jpg",
     "0" * 64 + ".jpg/../x", "A" * 64 + ".jpg", "0" * 64 + ".jpg\n"],
)  # fmt: skip
def test_no_name_leads_out_of_the_folder(tmp_path, name):
    (tmp_path / "secret.jpg").write_bytes(b"\xff\xd8\xff secret")
    out = entry_naming(name, tmp_path)
    (tmp_path / "in").mkdir()
    assert call("log", "import", str(tmp_path / "in" / "x.book"), str(out)).code == 0
    assert [path.name for path in (tmp_path / "in").iterdir()] == ["x.book"]


@pytest.mark.parametrize("kind", ["folder", "pipe", "too large", "no picture"])
def test_what_is_no_photograph_is_not_carried(tmp_path, kind):
    """A pipe is not waited for, a huge file not read into memory, a page is no picture though its hash is right."""
    content = b"<html>no picture</html>" if kind == "no picture" else b"\xff\xd8\xff" + bytes(MOST_BYTES)
    name = f"{hashlib.sha256(content).hexdigest()}.jpg"
    out = entry_naming(name, tmp_path)
    path = folder_of(out) / name
    path.parent.mkdir()
    if kind == "folder":
        path.mkdir()
    elif kind == "pipe":
        os.mkfifo(path)
    else:
        path.write_bytes(content)
    done = call("log", "import", str(tmp_path / "x.book"), str(out), "--json")
    photos = done.json["photos"]
    assert (photos["here"], [*photos["missing"], *photos["changed"]]) == (0, [name])
    assert name in done.err
    assert held(tmp_path / "x.book") == {}


def test_a_changed_entry_carries_nothing(tmp_path):
    book, out = tmp_path / "w.book", tmp_path / "w.jsonl"
    (name,) = taken(book, (10,))
    assert call("log", "export", str(book), "--out", str(out)).code == 0
    lines = [json.loads(line) for line in out.read_text().splitlines()]
    for line in lines:
        line["body"] = line["body"].replace("soot", "clean")
    out.write_text("\n".join(map(json.dumps, lines)))
    assert name in held(out)
    call("log", "import", str(tmp_path / "x.book"), str(out))
    assert held(tmp_path / "x.book") == {}
