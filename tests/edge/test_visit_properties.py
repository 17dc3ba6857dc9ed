"""Whatever is typed: handed back is printed nowhere without its reasons, and nothing is ever stuck."""

from __future__ import annotations

import contextlib
import csv
import datetime
import json
import re
import shlex

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from combust.application.visit.meaning import whole_safety
from combust.application.visit.record import facts_of, may_close, missing_fields, record_fields
from combust.application.visit.standing import standing
from combust.application.visit.visit import Visit
from combust.data.errors import CombustError
from combust.edge.cli.log import _shown
from combust.edge.logbook.book import Logbook
from combust.edge.logbook.correction import correction_of_line
from combust.edge.logbook.keyboard import enter, open_visit
from combust.edge.logbook.typed import entries_of_line
from combust.edge.logbook.visit_tables import export_visits
from combust.edge.logbook.visits import close_visit, read_visit
from combust.edge.reports import visit_page as sheet
from tests.edge.test_visit_at_the_keyboard import MORNING

WORK = ("repair hose", "adjusted pump 5 % leaner", "event swap")
LINES = (
    *("outdoors", "indoors", "alarm works", "alarm fails", "fuel diesel_b7", "handed_back yes", "handed_back no"),
    *("high o2 8.2 co 54", "low o2 10.8 co 60 flue 190", "next o2 8,3 %", "CO: over 2000", "cab 1 outside 0", "cab 2"),
    *("cab 45 outside 0", "cab >500", "terminals intake_blocked", "terminals clear", "smoke 0", "plug 12.5 V"),
    *("missing cab_co no analyser left", "missing reading_after same", "missing handed_back nobody there"),
    *("kw 2 nominal 12 V", "nominal 24 cutout 30", "battery 12.2 plug glow 10.4", "cable 5 m area 1.5", "cutout 13"),
    *("lit_and_died died 40 soak -22", "symptom smokes", "note x", "unchecked y", "check look_at_terminals clear"),
    *("altitude 5000 ft", "o2 82", "gloves", "at 25:00 o2 8", "units us", "flue 689", "at 2031-01-01T08:00 o2 8.2"),
)
CORRECTIONS = st.tuples(st.integers(1, 12), st.sampled_from(["", "co 54", "cab 1", "outdoors", "handed_back yes"]))
TYPED = st.lists(st.one_of(st.sampled_from([*WORK, *LINES]), CORRECTIONS), max_size=16)


def after(visit: Visit, line, minute: int) -> Visit:
    """Return a visit with one line more; a line that is refused leaves it as it was."""
    at = MORNING + datetime.timedelta(minutes=minute)
    try:
        if isinstance(line, str):
            new = entries_of_line(shlex.split(line), visit, at)
        else:
            new = correction_of_line(line[0], line[1].split(), visit, at)
        then = visit.add("setting", new.head, at=new.at) if new.head else visit
        for kind, _, body in new.entries:
            then = then.add(kind, body, at=new.at, corrects=new.corrects)
    except CombustError:
        return visit
    return then


def typed(lines) -> Visit:
    """Return a visit as the entries are, also those that the keyboard would have refused to hand back."""
    visit = Visit.open("V1", at=MORNING.isoformat(), heater="heater-0500")
    for minute, line in enumerate(lines, 1):
        visit = after(visit, line, minute)
    return visit


def borne_out(visit: Visit) -> bool:
    """Work it out from the entries that count: nothing found, and CO in the cab as numbers after the last work."""
    entries = visit.in_force
    works = [at for at, one in enumerate(entries) if one.kind == "adjustment" or one.body.get("event") == "swap"]
    later = [one.body for one in entries[max(works, default=-1) + 1 :] if one.kind in ("reading", "part")]
    cab = ("cab_co_in_ppm", "cab_co_out_ppm")
    measured = all(any(isinstance(body.get(key), float) for body in later) for key in cab)
    return measured and whole_safety(visit).state == "nothing_found"


# What was typed stands in the entries as it was made ("may be used again yes"); the verdict alone says that it is so.
SAYS_SO = re.compile(r"(?<!to be )(?<!not )(?<!until it is )handed[ _]back(\"?: \"?)?(\.| yes|yes|true)", re.IGNORECASE)


def says_so(text: str) -> bool:
    return bool(SAYS_SO.search(text))


@given(TYPED)
def test_handed_back_is_on_no_screen_and_in_no_json_unless_it_is_borne_out(lines):
    """Declared missing does not count, and no correction makes a measurement."""
    visit = typed([*lines, "handed_back yes"])
    found = standing(visit)
    facts = facts_of(visit, found.safety)
    facts.pop("entries")
    shown = "\n".join(f"{label} {text}" for label, text in found.lines())
    told = [shown, json.dumps(facts), json.dumps(found.to_dict()["shown"]), _shown(visit)]
    if not borne_out(visit):
        assert [text for text in told if says_so(text)] == []


@settings(max_examples=30)
@given(TYPED)
def test_handed_back_is_on_no_sheet_and_in_no_table_unless_it_is_borne_out(tmp_path_factory, lines):
    """The figures are left out: they hold no word of it and take most of the time."""
    visit = typed([*lines, "handed_back yes"])
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(sheet, "_figures", lambda visit: [])
        page = re.sub(r"<[^>]+>", " ", sheet.visit_page(visit, numbers=True))
    text = ""
    if visit.taken or visit.of_kind("event"):
        path = tmp_path_factory.mktemp("table") / "t.csv"
        export_visits([visit], str(path))
        rows = csv.DictReader(path.open(encoding="utf-8", newline=""))
        text = " ".join(f"handed_back {row.get('handed_back') or ''}" for row in rows)
    if borne_out(visit):
        assert says_so(page)
    else:
        assert not says_so(page)
        assert not says_so(text)


def test_the_properties_can_fail():
    """The case that is printed: read, the cab measured after the repair, outdoors, nothing found."""
    whole = ["outdoors", "high o2 5.6", "repair hose", "high o2 8.2 co 54", "cab 1 outside 0", "handed_back yes"]
    visit = typed(whole)
    assert borne_out(visit)
    assert says_so(json.dumps(facts_of(visit)))
    assert says_so(_shown(visit))
    assert not borne_out(typed([*whole[:4], "missing cab_co none there", "handed_back yes"]))


@given(TYPED)
def test_random_lines_leave_a_visit_that_can_be_closed_and_printed(lines):
    """What lacks is declared missing with a reason, it is kept off, and the record says that it is incomplete."""
    visit = typed(lines)
    never = {key for key, field in record_fields().items() if field.required}
    for minute, (key, _) in enumerate(missing_fields(visit), 30):
        if key in never:
            visit = after(visit, f"missing {key} cannot be had", minute)
    visit = after(visit, "handed_back no", 60)
    lacking = may_close(visit, incomplete=True)
    visit = visit.add("closed", {"incomplete": lacking or None})
    assert standing(visit).lines()
    assert _shown(visit)


@given(TYPED, st.sampled_from(sorted(record_fields())))
def test_whatever_lacks_can_be_declared_missing_at_any_moment(lines, key):
    visit = after(typed(lines), f"missing {key} cannot be had", 40)
    assert key not in dict(missing_fields(visit))


@settings(max_examples=10)
@given(TYPED)
def test_through_the_book_too_and_the_sheet_is_printed(tmp_path_factory, lines):
    """The same with every refusal of the keyboard and of the book, to a closed visit and its page."""
    with Logbook(tmp_path_factory.mktemp("book") / "w.book", create=True) as book:
        visit, _ = open_visit(book, None, "heater-0500", None, [], MORNING)
        finish = [f"missing {key} cannot be had" for key, field in record_fields().items() if field.required]
        for minute, line in enumerate([*lines, *finish, "handed_back no"], 1):
            words = shlex.split(line) if isinstance(line, str) else ["correct", str(line[0]), *line[1].split()]
            with contextlib.suppress(CombustError):
                visit = enter(book, visit, words, MORNING + datetime.timedelta(minutes=minute))
        close_visit(book, visit.visit_id, incomplete=True)
        closed = read_visit(book, visit.visit_id)
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(sheet, "_figures", lambda visit: [])
            assert "Kept off." in sheet.visit_page(closed)


def test_a_correction_is_corrected_at_the_entry_itself():
    visit = typed(["outdoors high o2 8.2 co 540", (3, "co 54")])
    correction = visit.entries[-1].number
    with pytest.raises(CombustError, match="correct that one again"):
        correction_of_line(correction, ["co", "45"], visit, MORNING)


def test_a_line_about_something_else_is_never_refused_for_the_plate():
    """The day may hold a cut-out that cannot belong to this plate: a stop is written down all the same."""
    visit = typed(["fuel diesel_b7 nominal 12 V"]).add("setting", {"cutout_v": 13.0})
    assert visit.heater is None
    assert after(visit, "indoors co 1500", 9).safety.state == "heater_off"
    assert after(visit, "cutout 10.5", 9).heater.cutout_v == 10.5
