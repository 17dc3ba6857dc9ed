"""The logbook in use: mandatory fields, closing, revisions, what the database itself forbids, tables in and out."""

from __future__ import annotations

import csv
import sqlite3

import pyarrow.csv as pa_csv
import pyarrow.parquet as pq
import pytest
from click.testing import CliRunner

from combust.application.visit.record import missing_fields, status
from combust.data.errors import CombustError
from combust.edge.cli.log import command
from combust.edge.logbook.book import Logbook
from combust.edge.logbook.exchange import verify
from combust.edge.logbook.history import drift_history
from combust.edge.logbook.visit_tables import export_visits, visits_of_table
from combust.edge.logbook.visits import NewVisit, add, close_visit, read_visit, read_visits, reopen
from combust.edge.tables.visits import read_visits as causes_of_table
from tests.edge.runs import call

HEAD = {"who": "T. Larkwood", "place": "Fellarch depot", "co_alarm": "works", "handed_back": "yes"}
BEFORE = {
    "taken_at": "2026-01-12T09:10+01:00", "fuel": "diesel_b7", "stage": "high", "instrument": "portable 0017",
    "location": "outdoors", "o2_dry_pct": 5.1, "co_dry_ppm": 210.0, "smoke_number": 3.0, "supply_v": 12.4,
    "ambient_o2_pct": 20.9, "ambient_co_ppm": 0.0, "sample_line": "dry", "probe_leak_test": "pass",
}  # fmt: skip
AFTER = BEFORE | {"phase": "after", "o2_dry_pct": 8.2, "co_dry_ppm": 54.0, "taken_at": "2026-01-12T10:20+01:00"}
CAB = {"cab_co_in_ppm": 1.0, "cab_co_out_ppm": 0.0}
WORK = ("adjustment", None, {"text": "intake hose replaced"})
NOT_CHECKED = ("not_checked", None, {"text": "exchanger leak test"})


def reading(**values):
    return ("reading", None, {key: value for key, value in values.items() if value is not None})


def visit(*entries, visit_id="V017", head=HEAD, heater="heater-0312"):
    return NewVisit(visit_id, heater, head, list(entries))


WHOLE = (reading(**BEFORE), WORK, reading(**AFTER, **CAB), NOT_CHECKED)


@pytest.fixture
def book(tmp_path):
    with Logbook(tmp_path / "winter.book", create=True) as opened:
        yield opened


def test_a_whole_visit_closes_with_the_limits_it_was_judged_by(book):
    add(book, [visit(*WHOLE)])
    record = close_visit(book, "V017")
    assert (status(record), record.broken) == ("closed, complete", None)
    stop = next(row for row in record.of_kind("closed")[-1]["limits"] if row["key"] == "exhaust_co_stop")
    assert stop["value"] == 1000.0
    assert all(word in stop["basis"] + stop["origin"] for word in ("dry, undiluted, full output", "Annex VI"))


@pytest.mark.parametrize(
    ("without", "label"),
    [
        ("probe_leak_test", "leak test"),
        ("smoke_number", "smoke number"),
        ("supply_v", "voltage at the heater"),
        ("stage", "heat stage"),
        ("instrument", "analyser"),
        ("ambient_o2_pct", "zero in clean air (O2)"),
        ("taken_at", "when"),
    ],
)
def test_incomplete_and_what_is_missing(book, without, label):
    less = [{k: v for k, v in values.items() if k != without} for values in (BEFORE, AFTER | CAB)]
    add(book, [visit(reading(**less[0]), WORK, reading(**less[1]), NOT_CHECKED)])
    assert status(read_visit(book, "V017")) == f"open, incomplete: {label}"
    with pytest.raises(CombustError, match="is incomplete: "):
        close_visit(book, "V017")
    assert status(close_visit(book, "V017", incomplete=True)) == f"closed, incomplete: {label}"


@pytest.mark.parametrize("key", ["who", "place", "co_alarm"])
def test_words_about_the_visit_are_mandatory(book, key):
    add(book, [visit(*WHOLE, head={k: v for k, v in HEAD.items() if k != key})])
    with pytest.raises(CombustError):
        close_visit(book, "V017")


@pytest.mark.parametrize("alarm", ["fails", "missing"])
def test_an_alarm_that_does_not_work_is_incomplete(book, alarm):
    add(book, [visit(*WHOLE, head=HEAD | {"co_alarm": alarm})])
    assert "a working CO alarm" in status(read_visit(book, "V017"))


@pytest.mark.parametrize(
    "entries",
    [
        (reading(**BEFORE, **CAB), WORK, NOT_CHECKED),  # work, but no reading after it
        (reading(**BEFORE, **CAB), WORK, reading(**AFTER), NOT_CHECKED),  # cab CO before the work only
        (reading(**BEFORE), NOT_CHECKED),  # no cab CO at all
        (reading(**BEFORE), WORK, reading(**AFTER, cab_co_in_ppm=1.0), NOT_CHECKED),  # outside not measured
    ],
)
def test_without_the_reading_after_work_and_cab_co_it_never_closes(book, entries):
    add(book, [visit(*entries)])
    with pytest.raises(CombustError) as caught:
        close_visit(book, "V017", incomplete=True)
    assert caught.value.code == "incomplete"
    assert read_visit(book, "V017").closed_at is None


@pytest.mark.parametrize(
    "bad", [{"co_dry_ppm": 1200.0}, {"cab_co_in_ppm": 23.0}, {"location": None}, {"location": "indoors"}]
)
def test_handed_back_contradicts_a_stop(book, bad):
    """1200 ppm, 22 ppm above outside, indoors, place not stated: not handed back; kept off it may be closed."""
    read = (reading(**BEFORE), WORK, reading(**AFTER | CAB | bad), NOT_CHECKED)
    with pytest.raises(CombustError, match="stop condition"):
        add(book, [visit(*read)])
    assert read_visits(book) == []  # nothing of it was written
    add(book, [visit()])  # said first, read afterwards
    add(book, [visit(*read, head={})])
    with pytest.raises(CombustError, match="stop condition"):
        close_visit(book, "V017", incomplete=True)
    add(book, [visit(head={"handed_back": "no"})])
    assert close_visit(book, "V017", incomplete=True).head["handed_back"] == "no"


def test_a_closed_record_is_refused_by_the_program(book):
    add(book, [visit(*WHOLE)])
    close_visit(book, "V017")
    for again in (lambda: add(book, [visit(NOT_CHECKED)]), lambda: close_visit(book, "V017")):
        with pytest.raises(CombustError) as caught:
            again()
        assert caught.value.code == "closed"


COLUMNS = "origin, visit_id, number, kind, entry_key, at, body, hash"


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE entry SET body = '{}'",
        "UPDATE entry SET visit_id = 'V018' WHERE number = 2",
        "UPDATE entry SET hash = 'x'",
        "DELETE FROM entry",
        "INSERT OR REPLACE INTO entry (entry_pk, origin, visit_id, number, kind, entry_key, at, body, hash) "
        "VALUES (1, 'x', 'x', 1, 'note', 'x', 'now', '{}', 'x')",
        f"INSERT OR REPLACE INTO entry ({COLUMNS}) SELECT {COLUMNS} FROM entry WHERE number = 1",
    ],
)
def test_entries_are_only_added_says_the_database(tmp_path, statement):
    """With the database's own tool, past the program: an entry is neither changed nor taken away nor replaced."""
    path = tmp_path / "winter.book"
    with Logbook(path, create=True) as opened:
        add(opened, [visit(*WHOLE), visit(NOT_CHECKED, visit_id="V018")])
        close_visit(opened, "V017")
        before = read_visit(opened, "V017")
    plain = sqlite3.connect(path)
    with pytest.raises(sqlite3.IntegrityError, match="closed record"):
        plain.execute(statement)
    plain.commit()
    plain.close()
    with Logbook(path, read_only=True) as opened:
        assert read_visit(opened, "V017") == before


def test_whoever_removes_the_triggers_breaks_the_chain(tmp_path):
    """The first entry that does not fit is named; the others are shown."""
    path = tmp_path / "winter.book"
    with Logbook(path, create=True) as opened:
        add(opened, [visit(*WHOLE)])
        close_visit(opened, "V017")
        assert verify(opened).broken == ()
        number = next(one.number for one in read_visit(opened, "V017").entries if one.body.get("co_dry_ppm") == 54.0)
    plain = sqlite3.connect(path)
    plain.execute("DROP TRIGGER chain_update")
    plain.execute("""UPDATE entry SET body = replace(body, '54.0', '5.0')""")
    plain.commit()
    plain.close()
    with Logbook(path, read_only=True) as opened:
        assert read_visit(opened, "V017").broken == f"entry {number}"
    shown = CliRunner().invoke(command, ["show", str(path), "--visit-id", "V017"])
    assert "BROKEN" in shown.stdout
    assert f"entry {number}" in shown.stdout
    judged = CliRunner().invoke(command, ["verify", str(path), "--strict"])
    assert judged.exit_code == 4
    assert "visit V017, book" in judged.stdout
    assert f"entry {number}:" in judged.stdout


def test_what_was_closed_stays_when_it_is_opened_again_and_corrected(book):
    add(book, [visit(*WHOLE)])
    with pytest.raises(CombustError, match="still open"):
        reopen(book, "V017", "too early")
    old = close_visit(book, "V017")
    with pytest.raises(CombustError, match="Say why"):
        reopen(book, "V017", "  ")
    assert read_visit(book, "V017").revision == 1  # a refused one leaves nothing behind
    again = reopen(book, "V017", "CO was misread")
    assert (again.revision, again.closed_at) == (2, None)
    number = next(entry.number for entry in again.entries if entry.key == "reading-2")
    change = ("correction", None, {"values": {"co_dry_ppm": 45.0}, "reason": "misread"})
    add(book, [NewVisit("V017", None, {}, [change], corrects=number)])
    new = close_visit(book, "V017")
    assert [row["co_dry_ppm"] for row in new.readings] == [210.0, 45.0]
    assert new.reason == "CO was misread"
    assert read_visit(book, "V017", 1) == old
    assert [record.revision for record in read_visits(book)] == [2]
    assert [record.revision for record in read_visits(book, every_revision=True)] == [1, 2]


def test_all_or_nothing(book):
    twice = ("reading", "R1", BEFORE)
    with pytest.raises(CombustError, match="already a reading"):
        add(book, [visit(*WHOLE), visit(twice, twice, visit_id="V018")])
    assert read_visits(book) == []
    add(book, [visit(twice)])
    with pytest.raises(CombustError, match="one heater"):
        add(book, [visit(heater="heater-0999")])
    with pytest.raises(CombustError) as caught:
        add(book, [visit(head={"colour": "red", "co_alarm": "maybe"}, visit_id="\n")])
    assert len(caught.value.faults) == 3


def test_unknown_visits_name_the_known(book):
    with pytest.raises(CombustError, match="holds no visit"):
        read_visit(book, "V099")
    add(book, [visit()])
    with pytest.raises(CombustError, match="V017"):
        read_visit(book, "V099")
    with pytest.raises(CombustError, match="revision 3"):
        read_visit(book, "V017", 3)


TABLE = """visit_id;heater_id;reading_id;taken_at;fuel;stage;location;O2;co_dry_ppm;note;who;event
V1;heater-1;R1;2025-11-02T09:00+01:00;diesel_b7;high;outdoors;8,2;54;snow;N. Fellstone;
V1;heater-1;R2;2025-11-02T09:20+01:00;diesel_b7;low;outdoors;10,9;61;;N. Fellstone;repair
V2;heater-2;R3;2025-11-03T09:00+01:00;diesel_b7;high;outdoors;99;54;;;
;heater-2;R4;2025-11-04T09:00+01:00;diesel_b7;high;outdoors;8,0;50;;;
V1;heater-2;R5;2025-11-04T09:00+01:00;diesel_b7;high;outdoors;8,0;50;;;
;;R6;;diesel_b7;high;outdoors;8,0;50;;;burnt
V1;heater-1;R1;2025-11-02T09:30+01:00;diesel_b7;low;outdoors;10,9;61;;;
"""


def test_table_in_every_row_accounted_for(tmp_path, book):
    (tmp_path / "in.csv").write_text(TABLE, encoding="utf-8")
    visits, found = visits_of_table(tmp_path / "in.csv", mapping={"O2": "o2_dry_pct"})
    assert found.rows == 7
    assert [row for row, _ in sorted(found.refused)] == [4, 6, 7, 8]
    assert "above fresh air" in found.told()[0]
    assert "one heater" in found.told()[1]
    assert "visit_id" in found.told()[2]
    assert "event" in found.told()[2]
    assert "comes twice" in found.told()[3]
    add(book, visits)
    assert {record.visit_id for record in read_visits(book)} == {"V1", "heater-2 2025-11-04"}
    first = read_visit(book, "V1")
    assert first.head == {"who": "N. Fellstone"}
    assert first.readings[0]["o2_dry_pct"] == 8.2
    assert first.of_kind("event") == [{"event": "repair", "at": "2025-11-02T09:20+01:00"}]


@pytest.mark.parametrize("ending", ["csv", "parquet"])
def test_out_and_in_again(tmp_path, book, ending):
    add(book, [visit(*WHOLE), visit(reading(**BEFORE, note='says "hot"; soot, ünder'), visit_id="V018")])
    out = tmp_path / f"out.{ending}"
    assert export_visits(read_visits(book), out) == 3
    with Logbook(tmp_path / "second.book", create=True) as second:
        visits, back = visits_of_table(out)
        assert back.refused == []
        add(second, visits)
        for one, other in zip(read_visits(book), read_visits(second), strict=True):
            known = [{k: v for k, v in row.items() if k not in ("reading_id", "heater_id")} for row in other.readings]
            assert known == one.readings
            borne_out = not one.hand_back_doubts(
                one.safety
            )  # a hand-back that nothing bears out is not exported as one
            assert other.head == {key: text for key, text in one.head.items() if key != "handed_back" or borne_out}
    if ending == "parquet":
        assert pq.read_schema(out).field("o2_dry_pct").type == "double"
    else:
        with out.open(newline="", encoding="utf-8") as file:
            rows = list(csv.DictReader(file))
        assert rows[0]["cab_co_in_ppm"] == ""  # not measured is empty, never 0


@pytest.mark.parametrize("ending", ["csv", "parquet"])
def test_co_over_the_range_goes_out_and_in_again(tmp_path, book, ending):
    """A meter that ends at 4000 ppm shows ">4000": more than the 1000 ppm of 2001/56/EC, whoever reads it next."""
    much = {key: value for key, value in BEFORE.items() if key != "co_dry_ppm"} | {"over": {"co_dry_ppm": 4000.0}}
    add(
        book,
        [
            visit(
                reading(**much), reading(**{**BEFORE, "co_dry_ppm": 54.5, "stage": "low"}), head={"who": "T. Larkwood"}
            )
        ],
    )
    out = tmp_path / f"out.{ending}"
    export_visits(read_visits(book), out)
    shown = pa_csv.read_csv(out) if ending == "csv" else pq.read_table(out)
    assert shown["co_dry_ppm"].to_pylist() == [">4000", "54.5"]
    assert shown["safety"].to_pylist() == ["heater_off", "nothing_found"]
    assert call("log", "add", str(tmp_path / "second.book"), str(out)).code == 0
    with Logbook(tmp_path / "second.book", read_only=True) as second:
        one = read_visit(second, "V017")
    assert [each.over for each in one.taken] == [{"co_dry_ppm": 4000.0}, {}]
    assert one.readings[0]["co_dry_ppm"] == ">4000"
    assert "CO" not in [label for _, label in missing_fields(one)]
    assert "co_not_entered" not in [each.code for each in one.taken[0].result.findings]
    read = [drift_history(each).safety.stops for each in (book.path, out, tmp_path / "second.book")]
    assert [{each.code for each in stops} & {"exhaust_co_high"} for stops in read] == [{"exhaust_co_high"}] * 3
    assert [each.get("co_dry_ppm", 0.0) > 1000.0 for each in causes_of_table(out)[0]] == [True, False]


def test_nothing_to_export_is_told(tmp_path, book):
    with pytest.raises(CombustError, match="no reading to export"):
        export_visits(read_visits(book), tmp_path / "x.csv")


def test_an_export_tells_the_safety_state_of_each_reading(tmp_path, book):
    """1500 ppm is above 1000 ppm; without a CO alarm that works the heater runs only outdoors, whatever was read."""
    well, much = reading(**AFTER), reading(**AFTER | {"co_dry_ppm": 1500.0})
    add(book, [visit(well, much, head={"co_alarm": "works"}), visit(well, visit_id="V2", head={"co_alarm": "missing"})])
    export_visits(read_visits(book), tmp_path / "out.csv")
    with (tmp_path / "out.csv").open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert next(iter(rows[0])) == "safety"
    assert [row["safety"] for row in rows] == ["nothing_found", "heater_off", "outdoors_only"]
    assert visits_of_table(tmp_path / "out.csv")[1].refused == []


def test_every_mandatory_field_can_be_missing_and_can_be_given(book):
    add(book, [visit(*WHOLE)])
    assert missing_fields(read_visit(book, "V017")) == []
    add(book, [NewVisit("empty", None, {}, [])])
    labels = [label for _, label in missing_fields(read_visit(book, "empty"))]
    assert {"leak test", "a working CO alarm", "CO inside and outside the cab after the work", "which heater"} <= set(
        labels
    )
