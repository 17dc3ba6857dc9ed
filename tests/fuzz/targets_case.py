"""Fuzz targets of the two files of the mystery heater (JSON): the learner's, and the trainer's key."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from combust.edge.mystery_files import KeyFile, LearnerFile
from tests.application.mystery_study import dealt as dealt_key
from tests.fuzz.registry import answer_or_refusal, target


@cache
def dealt() -> dict[str, bytes]:
    """Return a dealt case, one that was played, and the key of both, as their files."""
    key = dealt_key(0)
    keys = KeyFile({}, "a secret of ids", {})
    keys.add(key)
    held = LearnerFile(key.case)
    new = json.dumps(held.to_dict()).encode()
    for step in ("ambient_air", "probe_leak"):
        held.show(step, keys.hand_out(key.case.case_id, "case", step))
    said = {"statement": {"probabilities": {"fuel_over": 0.8}, "excluded": [], "handed_back": False, "record": {}}}
    played = json.dumps(held.to_dict() | said).encode()
    return {"new": new, "played": played, "key": json.dumps(keys.to_dict()).encode()}


def altered_case(data: bytes, kind: str = "played") -> Any:
    """Return a case file from bytes: JSON as it stands, or behind a ~ a played case altered by lines of "path=JSON".

    A line without a value that is JSON takes the entry out. So an input of a few bytes reaches far into a good case.
    """
    if not data.startswith(b"~"):
        return json.loads(data)
    held = json.loads(dealt()[kind])
    for line in data[1:].decode("utf-8", "replace").split("\n"):
        path, _, value = line.partition("=")
        *names, last = path.split(".")
        place = held
        for name in names:
            place = place.get(name) if isinstance(place, dict) else None
        if isinstance(place, dict):
            try:
                place[last] = json.loads(value)
            except (ValueError, RecursionError):
                place.pop(last, None)
    return held


EDITS = (
    b"~case.first.o2_dry_pct=1e400\nshown=[]",
    b"~case.context.stage=null",
    b'~shown=["wait", {"step": "move_outdoors"}, 3]',
    b'~shown=[{"step": "start_again", "result": {}}]',
    b'~shown=[{"step": "look_at_terminals", "result": {}}, {"step": "start_again", "result": {"flame": 7}}]',
    b'~statement.probabilities={"fuel_over": "x"}',
    b'~case.budget="00"',
)
KEYS = (
    b'~handed_out={"A": {"anna": ["wait", 3]}}',
    b"~cases={}",
    b'~handed_out={"A": []}\nids=7',
    b"~cases=[]\nformat=3",
)
WORDS = ("~", "case.", "first.", "context.", "shown", "statement.", "probabilities", "excluded", "record", "steps",
         "handed_back", "=null", "=[]", "={}", "=1e9", "=NaN", "=true", "stage", "altitude_m", "o2_dry_pct", "budget",
         "co_dry_ppm", "intake_temp_c", "location", '="indoors"', '"ambient_air"', "results.", "level", "heater_id",
         "handed_out", "cases", "ids", "\n", "{", "[", ":", ",", '"')  # fmt: skip


@target(3, lambda: [dealt()["new"], dealt()["played"], *EDITS], WORDS)
def mystery_case(data: bytes) -> None:
    """A learner's file is a case that can be shown and played on, or is refused."""
    try:
        given = altered_case(data)
    except (ValueError, RecursionError):
        return
    held = answer_or_refusal(lambda: LearnerFile.from_dict(given))
    if held is not None:
        str(held.case)
        json.dumps(held.to_dict(), allow_nan=False)
        answer_or_refusal(lambda: json.dumps(held.visit().readings, allow_nan=False))


@target(1, lambda: [dealt()["key"], *KEYS], WORDS)
def mystery_key(data: bytes) -> None:
    """A key is one that hands out and scores, or is refused."""
    try:
        given = altered_case(data, "key")
        text = json.dumps(given)
    except (ValueError, RecursionError):
        return
    with TemporaryDirectory() as folder:
        path = Path(folder) / "key.json"
        path.write_text(text, encoding="utf-8", errors="replace")
        keys = answer_or_refusal(lambda: KeyFile.read(str(path)))
    if keys is not None:
        for case_id in keys.cases:
            answer_or_refusal(lambda case_id=case_id: keys.hand_out(case_id, "anna", "ambient_air"))
        json.dumps(keys.to_dict(), allow_nan=False)
