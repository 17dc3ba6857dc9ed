"""Three heaters in a day: one restricted, one low on voltage, one that lit and died; no number is typed twice."""

from __future__ import annotations

import json
import shlex
from collections import Counter
from pathlib import Path

import pytest

from combust.application.visit.record import may_close
from combust.application.visit.standing import standing
from combust.edge.logbook.book import Logbook
from combust.edge.logbook.keyboard import DAY, enter, open_visit, set_day
from combust.edge.logbook.visits import close_visit, entries_of_rows, read_visit
from combust.edge.reports.visit_page import visit_page
from tests.edge.runs import call
from tests.edge.test_visit_at_the_keyboard import HEATERS, minutes

SETTINGS_OF_DAY = (
    'who "T. Larkwood" place "Fellarch depot" outdoors alarm works altitude 210 air 5 analyser "portable 0017" '
    "zeroo2 20.9 zeroco 0 leak pass trap dry"
)
# Each line is what is read or seen then, and nothing else. 4.9 % O2 of diesel is lambda 1.28; healthy is 1.60.
RESTRICTED = (
    "high o2 4.9 flue 350 co 118 smoke 1 plug 12.6",
    "intake_static -137",
    "repair crushed intake hose replaced",
    "high o2 8.2 co 44 flue 331 smoke 0",
)
LOW_VOLTAGE = (
    "battery 12.3 plug glow 10.9 V never_lit",
    "cable 5 m area 2.5 mm2",
    "repair corroded fuse holder replaced",
    "plug glow 11.8 good",
    "high o2 8.6 co 47 flue 289 smoke 1 plug 12.1",
)
LIT_AND_DIED = (
    "symptom dies",
    "lit_and_died died 40 s cold soak -22 grade summer failed 1 allowed 3",
    "terminals clear",
    "fuel sample waxed",
    "repair winter grade filled, strainer changed",
    "high o2 8.7 co 51 flue 287 smoke 1 plug 12.4 good",
)
HANDED = ("cab 1 outside 0 handed_back yes",)
DAY_OF_THREE = {"heater-0312": RESTRICTED, "heater-0107": LOW_VOLTAGE, "heater-0108": LIT_AND_DIED}


@pytest.fixture
def heaters(tmp_path):
    """Two heaters have a profile; the third is of the type of the second, with a number of its own."""
    folder = tmp_path / "heaters"
    folder.mkdir()
    for path in Path(HEATERS).glob("*.toml"):
        text = path.read_text(encoding="utf-8")
        (folder / path.name).write_text(text, encoding="utf-8")
        if path.stem == "heater-0107":
            text = text.replace('"heater-0107"', '"heater-0108"').replace('origin = "unit"', 'origin = "type"')
            (folder / "heater-0108.toml").write_text(text, encoding="utf-8")
    return folder


def numbers_of(body) -> list[tuple[str, float]]:
    """Return (key, number) of everything in an entry that a person typed as a number."""
    return [(key, value) for key, value in body.items() if isinstance(value, float)]


def test_no_number_is_typed_twice_by_the_entries_themselves(tmp_path, heaters):
    """Read from the book: each number of each visit stands in one entry; those of the day once for all three."""
    with Logbook(tmp_path / "w.book", create=True) as book:
        set_day(book, shlex.split(SETTINGS_OF_DAY), minutes(0))
        for place, (heater, lines) in enumerate(DAY_OF_THREE.items()):
            start = 10 + 120 * place
            visit, carried = open_visit(book, None, heater, str(heaters), [], minutes(start))
            age = f"{start // 60} h {start % 60} min" if start >= 60 else f"{start} min"
            assert f"from this day: altitude_m 210.0 (entered {age} ago)" in carried
            for number, line in enumerate((*lines, *HANDED)):
                visit = enter(book, visit, shlex.split(line), minutes(start + 5 + 5 * number))
            assert may_close(visit, incomplete=True)  # what was not checked was not said
            close_visit(book, visit.visit_id, incomplete=True)
        visits = [read_visit(book, f"V00{number}") for number in (1, 2, 3)]
        day = [entry for entry in entries_of_rows(book, DAY + minutes(0).date().isoformat()) if entry.kind == "day"]
    assert [visit.heater_id for visit in visits] == list(DAY_OF_THREE)
    assert len(day) == 1
    for visit, lines in zip(visits, DAY_OF_THREE.values(), strict=True):
        own = [entry for entry in visit.entries if entry.kind in ("reading", "part", "setting")]
        carried = [entry for entry in own if "set_at" in entry.body]  # from the day, typed once that morning
        assert len(carried) == 1
        assert dict(carried[0].body)["altitude_m"] == day[0].body["values"]["altitude_m"] == 210.0
        typed = [pair for entry in own if entry not in carried for pair in numbers_of(entry.body)]
        assert not {key for key, _ in typed} & set(day[0].body["values"])
        assert max(Counter(typed).values()) == 1  # the same number of the same quantity is nowhere entered again
        for reading in visit.readings:
            assert (reading["altitude_m"], reading["intake_temp_c"], reading["location"]) == (210.0, 5.0, "outdoors")
        words = [word for line in (*lines, *HANDED) for word in shlex.split(line)]
        digits = [word for word in words if word.lstrip("-").replace(".", "").isdigit()]
        assert len(digits) == len(typed)  # and nothing that was typed is left out
        assert "Handed back." in visit_page(visit)


@pytest.mark.parametrize(
    ("heater", "lines", "cause", "told"),
    [
        ("heater-0312", RESTRICTED[:2], "intake_restricted", "lambda 1.2"),
        ("heater-0107", LOW_VOLTAGE[:2], "glow_voltage_low", "1.4 V fall under glow, 10.9 V at the plug"),
        ("heater-0108", LIT_AND_DIED[:2], "fuel_waxed", "start: lit and died"),
    ],
)
def test_each_is_led_to_its_cause_and_to_a_next_check(tmp_path, heaters, heater, lines, cause, told):
    """The causes of a start and of the supply join what the gas says, by the one ranking."""
    with Logbook(tmp_path / "w.book", create=True) as book:
        set_day(book, shlex.split(SETTINGS_OF_DAY), minutes(0))
        visit, _ = open_visit(book, None, heater, str(heaters), [], minutes(1))
        for number, line in enumerate(lines, 2):
            visit = enter(book, visit, shlex.split(line), minutes(number))
    found = standing(visit)
    assert found.causes.top.cause == cause
    assert found.next_check
    assert told in json.dumps(found.lines())


def test_what_was_typed_once_serves_every_command(tmp_path, heaters):
    """cause, start and supply of the same visit: no number on their lines, and one safety state."""
    book = str(tmp_path / "w.book")
    call("visit", "open", book, "heater-0107", "--heaters", str(heaters), *["outdoors", "altitude", "210", "air", "5"])
    for line in LOW_VOLTAGE[:2]:
        assert call("visit", "enter", book, *shlex.split(line)).code == 0
    runs = [call(name, book, "--json") for name in ("cause", "start", "supply")]
    assert [run.code for run in runs] == [0, 0, 0]
    state = call("visit", "stand", book, "--json").json["safety"]["state"]
    assert {run.json["safety"]["state"] for run in runs} == {state}
    assert runs[0].json["visits"][0]["causes"] == runs[1].json["visit"]["causes"]
    assert runs[2].json["heater_v_glow"] == 10.9
