"""Fuzz target of the case files of the mystery heater (JSON)."""

from __future__ import annotations

import json
from functools import cache
from typing import Any

from combust.application.mystery import Dealer, Play, Statement
from tests.fuzz.registry import answer_or_refusal, target

SALT = "only the instructor knows this sentence"


@cache
def dealt() -> dict[str, bytes]:
    """Return a dealt case and one that was played, as their files."""
    play = Play(Dealer(SALT).deal(7, "easy"))
    played = play.take("ambient_air").take("probe_leak")
    said = {"statement": {"probabilities": {"fuel_over": 0.8}, "excluded": [], "handed_back": False, "record": {}}}
    return {"new": json.dumps(play.to_dict()).encode(), "played": json.dumps(played.to_dict() | said).encode()}


def altered_case(data: bytes) -> Any:
    """Return a case file from bytes: JSON as it stands, or behind a ~ a played case altered by lines of "path=JSON".

    A line without a value that is JSON takes the entry out. So an input of a few bytes reaches far into a good case.
    """
    if not data.startswith(b"~"):
        return json.loads(data)
    held = json.loads(dealt()["played"])
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
    b"~case.first.o2_dry_pct=1e400\nsteps=[]",
    b"~case.context.stage=null",
    b'~steps=["wait", "move_outdoors", 3]',
    b'~statement.probabilities={"fuel_over": "x"}',
    b'~case.checks.ambient_air="00"',
)
WORDS = ("~", "case.", "first.", "context.", "checks.", "statement.", "probabilities", "excluded", "record", "steps",
         "handed_back", "=null", "=[]", "={}", "=1e9", "=NaN", "=true", "stage", "altitude_m", "o2_dry_pct", "seed",
         "co_dry_ppm", "intake_temp_c", "location", '="indoors"', '"ambient_air"', "nonce", "level", "heater_id",
         "\n", "{", "[", ":", ",", '"')  # fmt: skip


@target(3, lambda: [*dealt().values(), *EDITS], WORDS)
def mystery_case(data: bytes) -> None:
    """A case file is a case that can be shown and played on, or is refused."""
    try:
        held = altered_case(data)
    except (ValueError, RecursionError):
        return
    play = answer_or_refusal(lambda: Play.from_dict(held))
    if play is not None:
        str(play.case)
        answer_or_refusal(lambda: play.take("ambient_air"))
        json.dumps(play.to_dict(), allow_nan=False)
        answer_or_refusal(lambda: json.dumps(play.readings, allow_nan=False))
    if isinstance(held, dict):
        said = answer_or_refusal(lambda: Statement.from_dict(held.get("statement") or {}))
        if said is not None:
            json.dumps(said.to_dict(), allow_nan=False)
