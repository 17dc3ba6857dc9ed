"""Books of several people taken together: the same from every side, nothing lost or doubled, old sheets still good."""

from __future__ import annotations

import itertools
import shutil
import tempfile
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from combust.application.visit.entries import names_of
from combust.application.visit.record import handed_back, sections, status
from combust.data.errors import CombustError
from combust.edge.logbook.book import Logbook
from combust.edge.logbook.exchange import export_lines, head_of, holds_head, import_lines, verify
from combust.edge.logbook.keyboard import day_of, enter, open_visit, set_day
from combust.edge.logbook.listing import list_visits
from combust.edge.logbook.visits import NewVisit, add, close_visit, read_visit, read_visits, reopen
from tests.edge.test_logbook import CAB, NOT_CHECKED, WHOLE, reading, visit
from tests.edge.test_logbook_migration import sealed_book
from tests.edge.test_visit_at_the_keyboard import MORNING, minutes
from tests.long import LONG

HISTORIES = 10_000 if LONG else 30
PEOPLE = ("T. Larkwood", "N. Fellstone", "A. Scarbeck")
HEATERS = ("heater-0312", "heater-0107")
# What a person does next: who, what, which visit, which of its entries.
DONE = ("note", "note", "reading", "reading", "repair", "correct", "correct", "close", "reopen", "print", *["take"] * 4)
NAMES = ("V001", "v001 ", "V002")
STEP = st.tuples(st.integers(0, 2), st.sampled_from(DONE), st.sampled_from(NAMES), st.integers(0, 30))


@pytest.fixture(scope="module")
def empty():
    """Four empty books, made once, in memory where the machine has such a folder: a history copies them."""
    shared = Path("/dev/shm")
    with tempfile.TemporaryDirectory(dir=shared if shared.is_dir() else None) as name:
        for number in range(4):
            Logbook(Path(name) / f"{number}.empty", create=True).close()
        yield Path(name)


def copy(folder, number, name):
    """Return an open copy of an empty book; its safety against a power cut is not what is looked at here."""
    shutil.copyfile(folder / f"{number}.empty", folder / name)
    book = Logbook(folder / name)
    book.connection.execute("PRAGMA synchronous = OFF")
    return book


def live(books, steps):
    """Let people work in their books; return the words that were written and the heads that were printed."""
    said, heads = [], []
    for turn, (who, what, name, pick) in enumerate(steps):
        book, other = books[who], books[(who + 1 + pick % 2) % 3]
        # every book has a clock of its own; one is an hour behind, the other once goes back
        at = minutes(turn - 60 * (who == 1) - 90 * (who == 2 and turn > 6)).isoformat()
        try:
            if what == "take":
                import_lines(book, export_lines(other))
            elif what == "print":
                heads.append(head_of(read_visit(book, name)))
            elif what == "close":
                close_visit(book, name, incomplete=True)
            elif what == "reopen":
                reopen(book, name, "something was forgotten")
            else:
                text = f"{what} {turn}"
                new = NewVisit(name, HEATERS[(who + pick) % 2], {"who": PEOPLE[who], "handed_back": "no"}, [], at=at)
                held = {row["folded"] for row in list_visits(book)[0]}
                if name.strip().casefold() in held:
                    new.heater_id = None
                if what == "correct":
                    entries = [one for one in read_visit(book, name).entries if one.kind == "note"]
                    target = entries[pick % len(entries)] if entries else None
                    if target is None:
                        continue
                    new.head = {}
                    new.corrects = names_of(read_visit(book, name).entries)[target.name]
                    new.entries = [("correction", None, {"values": {"text": text}, "reason": "misheard"})]
                elif what == "reading":
                    new.entries = [reading(**CAB, o2_dry_pct=8.0 + pick / 100, location="outdoors", taken_at=at)]
                else:
                    new.entries = [("note" if what == "note" else "adjustment", None, {"text": text})]
                add(book, [new])
                said += [text] if what != "reading" else []
        except CombustError as error:
            if error.code not in ("unknown_name", "closed", "conflict", "incomplete"):
                raise
    return said, heads


def told(book):
    """Return all that a book tells of its visits."""
    rows = [(one.visit_id, one.to_dict(), status(one), handed_back(one), one.broken) for one in read_visits(book)]
    return sorted(rows, key=lambda row: row[0])


@settings(max_examples=HISTORIES, deadline=None, suppress_health_check=[*HealthCheck])
@given(steps=st.lists(STEP, min_size=6, max_size=30))
def test_taken_together_it_is_the_same_from_every_side(empty, steps):
    """Any order and any grouping gives the same bytes; twice is as once; each word stands once; sheets stay good."""
    books = [copy(empty, number, f"{number}.book") for number in range(3)]
    try:
        said, heads = live(books, steps)
        texts = [export_lines(book) for book in books]
        assert all(verify(book).broken == () for book in books)
    finally:
        for book in books:
            book.close()
    whole = []
    first, second, third = texts
    with copy(empty, 3, "pair.book") as pair:
        import_lines(pair, second)
        import_lines(pair, third)
        right = export_lines(pair)
    for order in ((first, second, third), (third, second, first), (first, right), (right, first, second, right)):
        with copy(empty, 3, "whole.book") as book:
            for text in order:
                assert import_lines(book, text).refused == ()
            whole.append((export_lines(book), told(book)))
            assert verify(book).broken == ()
            assert all(holds_head(book, head) for head in heads)
    assert all(one == whole[0] for one in whole[1:])
    lines = whole[0][0].splitlines()
    assert sorted(lines) == sorted(set("".join(texts).splitlines()))
    for text in said:
        assert sum(f'\\"text\\":\\"{text}\\"' in line for line in lines) == 1
    with Logbook(empty / "whole.book", read_only=True) as book:
        for one in read_visits(book):
            corrections_reach_their_entry(one)


def corrections_reach_their_entry(visit):
    """Every correction names an entry of this visit, of whatever branch; the entry then reads as one of them says."""
    names = {entry.name: entry for entry in visit.entries}
    wanted = {}
    for entry in visit.entries:
        if entry.kind == "correction":
            assert entry.about in names
            wanted.setdefault(entry.about, []).append(entry.body["values"]["text"])
    for entry in visit.in_force:
        if entry.kind == "note":
            assert entry.body["text"] in wanted.get(entry.name, [names[entry.name].body["text"]])


@pytest.fixture
def two(tmp_path):
    """Two engineers, each with a book; the heater of the depot is opened in the first."""
    with Logbook(tmp_path / "a.book", create=True) as first, Logbook(tmp_path / "b.book", create=True) as second:
        yield first, second


def exchange(*books):
    """Let every book take in every other."""
    texts = [export_lines(book) for book in books]
    for book, text in itertools.product(books, texts):
        import_lines(book, text)


def test_a_correction_of_an_entry_of_another_branch(two, tmp_path):
    """Both continue one visit apart; afterwards each entry can be corrected from either book, by number and hash."""
    first, second = two
    begun, _ = open_visit(first, "V9", "heater-0312", None, ["outdoors"], MORNING)
    import_lines(second, export_lines(first))
    enter(first, begun, ["high", "o2", "8.2", "co", "540"], minutes(1))
    enter(second, read_visit(second, "V9"), ["low", "o2", "10.8", "co", "61"], minutes(2))
    exchange(first, second)
    visit = read_visit(first, "V9")
    assert export_lines(first) == export_lines(second)
    assert [one.origin for branch in visit.branches for one in branch.entries][-1] in (first.origin, second.origin)
    assert len(visit.branches) == 2
    typed = names_of(visit.entries)
    high = next(one for one in visit.entries if one.body.get("co_dry_ppm") == 540.0)
    low = next(one for one in visit.entries if one.body.get("co_dry_ppm") == 61.0)
    assert high.number == low.number
    with pytest.raises(CombustError, match="number of several entries") as caught:
        enter(second, visit, ["correct", str(high.number), "co", "54"], minutes(3))
    assert typed[high.name] in str(caught.value)
    enter(second, visit, ["correct", typed[high.name], "co", "54", "because", "misread"], minutes(3))
    exchange(first, second)
    for book in (first, second):
        merged = read_visit(book, "V9")
        assert sorted(row["co_dry_ppm"] for row in merged.readings) == [54.0, 61.0]
        assert len(merged.branches) == 1  # the correction was written behind both
        assert "540 ppm" in str(sections(merged))
        assert verify(book).broken == ()


def test_both_correct_one_entry_apart_and_the_later_holds(two):
    first, second = two
    begun = enter(
        first, open_visit(first, "V9", "heater-0312", None, ["outdoors"], MORNING)[0], ["o2", "8.2"], minutes(1)
    )
    number = str(begun.entries[-1].number)
    import_lines(second, export_lines(first))
    enter(second, read_visit(second, "V9"), ["correct", number, "o2", "8.4"], minutes(9))
    enter(first, read_visit(first, "V9"), ["correct", number, "o2", "8.3"], minutes(8))
    exchange(first, second)
    for book in (first, second):
        assert [row["o2_dry_pct"] for row in read_visit(book, "V9").readings] == [8.4]
        assert sum(one.kind == "correction" for one in read_visit(book, "V9").entries) == 2


def test_what_another_branch_did_clears_no_stop(two):
    """One reads 1500 ppm; the other, who does not know, repairs, reads well and measures the cab: the stop counts."""
    first, second = two
    open_visit(first, "V9", "heater-0312", None, ["outdoors", "alarm", "works"], MORNING)
    import_lines(second, export_lines(first))
    enter(first, read_visit(first, "V9"), ["high", "o2", "8.2", "co", "1500"], minutes(1))
    for number, line in enumerate(("repair hose", "high o2 8.2 co 40", "cab 1 outside 0", "handed_back yes"), 2):
        enter(second, read_visit(second, "V9"), line.split(), minutes(number))
    assert handed_back(read_visit(second, "V9")) == "Handed back."
    exchange(first, second)
    merged = read_visit(first, "V9")
    assert merged.safety.state == "heater_off"
    assert handed_back(merged) != "Handed back."
    assert "2 branches of several books" in status(merged)
    for number, line in enumerate(("repair burner cleaned", "high o2 8.2 co 41", "cab 1 outside 0"), 20):
        merged = enter(first, merged, line.split(), minutes(number))  # behind both: nothing is ever stuck
    assert (merged.safety.state, handed_back(merged)) == ("nothing_found", "Handed back.")


def test_settings_of_another_branch_do_not_speak_for_a_reading(two):
    """One stands indoors (a stop), the other says outdoors a minute earlier by his clock."""
    first, second = two
    open_visit(first, "V9", "heater-0312", None, [], MORNING)
    import_lines(second, export_lines(first))
    enter(first, read_visit(first, "V9"), ["indoors"], minutes(1))
    enter(second, read_visit(second, "V9"), ["outdoors"], minutes(2))
    enter(first, read_visit(first, "V9"), ["high", "o2", "8.2", "co", "54"], minutes(3))
    exchange(first, second)
    merged = read_visit(first, "V9")
    assert merged.readings[0]["location"] == "indoors"
    assert merged.safety.stops


def test_one_name_for_two_heaters_stays_two_visits(two):
    """Both books number their visits from V001: nothing of one heater is ever told of the other."""
    first, second = two
    add(first, [visit(*WHOLE, visit_id="V001", heater="heater-0312")])
    add(second, [visit(NOT_CHECKED, visit_id="v001", heater="heater-0107")])
    head = head_of(read_visit(first, "V001"))
    exchange(first, second)
    for book in (first, second):
        rows, count = list_visits(book)
        assert count == 2
        assert {row["heater_id"] for row in rows} == {"heater-0312", "heater-0107"}
        assert holds_head(book, head)
        assert holds_head(book, head[:16].upper())
        labels = {row["heater_id"]: row["label"] for row in rows}
        for name in ("V001", "v001", " V001 "):  # neither is guessed by its capitals
            with pytest.raises(CombustError, match="several visits") as caught:
                read_visit(book, name)
            assert all(label in str(caught.value) for label in labels.values())
        assert read_visit(book, labels["heater-0107"]).of_kind("not_checked") == [NOT_CHECKED[2]]
    add(first, [visit(("note", None, {"text": "snow"}), visit_id="V001", heater="heater-0312")])  # told by its heater
    assert read_visit(first, labels["heater-0312"]).of_kind("note") == [{"text": "snow"}]
    assert {one.visit_id for one in read_visits(first)} == {*labels.values()}


def test_a_file_that_was_copied_and_written_twice(tmp_path):
    """A colleague gets the file itself on a stick: both books have one origin and both go on, with other words."""
    with Logbook(tmp_path / "a.book", create=True) as first:
        open_visit(first, "V9", "heater-0312", None, ["outdoors"], MORNING)
    shutil.copyfile(tmp_path / "a.book", tmp_path / "b.book")
    with Logbook(tmp_path / "a.book") as first, Logbook(tmp_path / "b.book") as second:
        assert first.origin == second.origin
        for book, co in ((first, "54"), (second, "61")):
            enter(book, read_visit(book, "V9"), f"high o2 8.2 co {co}".split(), minutes(1))
            open_visit(book, "V10", f"heater-{co}", None, [], minutes(2))
        exchange(first, second)
        assert export_lines(first) == export_lines(second)
        assert sorted(row["co_dry_ppm"] for row in read_visit(first, "V9").readings) == [54.0, 61.0]
        assert {row["heater_id"] for row in list_visits(first)[0]} == {"heater-0312", "heater-54", "heater-61"}
        assert verify(first).broken == ()


@pytest.mark.parametrize(
    ("typed", "other"), [("LF-0312", "lf-0312 "), ("Hütte 3", "hu\u0308tte 3"), ("Straße", "STRASSE")]
)
def test_names_that_differ_by_case_or_unicode_form_are_one(two, typed, other):
    """Case folding and NFC are those of the Unicode standard (its chapters 3.13 and 3.11): ß folds to ss."""
    first, _ = two
    add(first, [visit(visit_id=typed, heater="Heater-7")])
    add(first, [visit(NOT_CHECKED, visit_id=other, heater="HEATER-7 ")])
    rows, count = list_visits(first, heater_id="heater-7")
    assert (count, rows[0]["label"]) == (1, typed)
    assert read_visit(first, other).of_kind("not_checked") == [NOT_CHECKED[2]]


def test_a_clock_that_went_back_and_one_of_another_zone(two):
    """Entries stay behind those that they were written after, whatever the clock says; 09:00+02:00 is 07:00 UTC."""
    first, second = two
    add(first, [NewVisit("V9", "h", {}, [("note", None, {"text": "one"})], at="2026-01-12T09:00:00+02:00")])
    import_lines(second, export_lines(first))
    note = [("note", None, {"text": "two"})]
    add(first, [NewVisit("V9", None, {}, note, at="2025-01-12T09:00:00+02:00")])
    add(second, [NewVisit("V9", None, {}, [("note", None, {"text": "three"})], at="2026-01-12T07:30:00+00:00")])
    exchange(first, second)
    for book in (first, second):
        assert [body["text"] for body in read_visit(book, "V9").of_kind("note")] == ["one", "two", "three"]


def test_a_stick_that_was_pulled_out(two, tmp_path):
    """The copy ends in the middle of a line: what stands behind whole entries is taken; later all of it."""
    first, second = two
    add(first, [visit(*WHOLE)])
    whole = export_lines(first)
    for cut in (len(whole) // 2, len(whole) - 30):
        taken = import_lines(second, whole[:cut])
        assert len(taken.refused) == 1
        assert "is no entry" in taken.refused[0]
        assert export_lines(second) == "".join(f"{line}\n" for line in whole[:cut].split("\n")[:-1])
    assert import_lines(second, whole).refused == ()
    assert export_lines(second) == whole
    with pytest.raises(CombustError, match="cannot be taken"):
        import_lines(second, whole[:20])


def test_the_day_of_a_colleague_is_not_carried_into_my_visits(two):
    first, second = two
    set_day(first, ["who", "T. Larkwood", "indoors"], MORNING)
    set_day(second, ["who", "N. Fellstone"], MORNING)
    exchange(first, second)
    assert day_of(first, MORNING)[0]["who"] == "T. Larkwood"
    assert day_of(second, MORNING)[0] == {"who": "N. Fellstone"}


def test_an_old_sealed_book_brought_over_on_two_machines(tmp_path):
    """The same file on two machines: its entries are the same afterwards, so that none is doubled."""
    for name in ("a", "b"):
        sealed_book(tmp_path / f"{name}.book")
    with Logbook(tmp_path / "a.book") as first, Logbook(tmp_path / "b.book") as second:
        assert first.origin != second.origin
        old = export_lines(first)
        assert export_lines(second) == old
        reopen(first, "V1", "hours forgotten")
        exchange(first, second)
        assert export_lines(first) == export_lines(second)
        assert export_lines(first).count("\n") == old.count("\n") + 1
        assert verify(second).broken == ()
