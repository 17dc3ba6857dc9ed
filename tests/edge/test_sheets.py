"""Sheets to hand over: the answer first, one page or it says so, the second sheet whole, a day with its stops first."""

from __future__ import annotations

import base64
import datetime
import re
import shlex
import shutil
import subprocess
from pathlib import Path
from xml.etree import ElementTree

import pytest

from combust.application.causes.catalogue import shipped_priors
from combust.edge.logbook.book import Logbook
from combust.edge.logbook.day import days_of, visits_of_day
from combust.edge.logbook.keyboard import enter, open_visit, set_day
from combust.edge.logbook.visit_tables import visits_of_table
from combust.edge.logbook.visits import add, close_visit, read_visit, read_visits
from combust.edge.reports.day_page import day_page
from combust.edge.reports.verdict import Room, diagnosis, verdict_of
from combust.edge.reports.visit_page import visit_page
from tests.edge.moments import PATIENCE
from tests.edge.runs import call
from tests.edge.test_html_injection import check_page
from tests.edge.test_report import checked, words
from tests.edge.test_visit_at_the_keyboard import HEATERS, MORNING, minutes

DAY = shlex.split(
    'who "T. Larkwood" place "Fellarch depot" alarm works outdoors altitude 210 air 15 analyser "portable 0017" '
    "zeroo2 20.9 zeroco 0 leak pass trap dry"
)
REPAIRED = (
    "high o2 4.84 flue 689 F co 120 smoke 1 plug 12.5 V intake_static -140",
    "repair crushed intake hose replaced",
    "high o2 8.2 co 45 flue 330 smoke 0",
    "cab 1 outside 0 handed_back yes vehicle truck-14 next_visit 2026-10",
    "unchecked exchanger leak test",
)
STOPPED = ("vehicle truck-7", "high o2 1.2 co 6200 flue 480 smoke 7", "cab 85 outside 2", "handed_back no")
OVER = ("high o2 2.1 co over 2000 flue 420", "terminals intake_blocked")
PLATE = ("fuel diesel stage high o2 9.1 co 60 flue 290", "check supply_voltage 12.1 at glow")
LONG = (
    "Bei der Prüfung wurde der Ansaugschlauch geknickt vorgefunden; Müller-Lüdenscheidt hat ihn ersetzt und die "
    "Schelle nachgezogen, danach lief das Gerät ruhig. \u05e9\u05dc\u05d5\u05dd <script>alert(1)</script> ok"
)
CROWDED = (
    f"complaint '{LONG}' vehicle '{LONG}' place '{LONG}' who '{LONG}' analyser '{LONG}'",
    "high o2 4.8 co 130 flue 365 smoke 2 intake_static -140 exhaust_static 60 plug 12.2",
    "low o2 9.5 co 60 flue 240 smoke 1",
    f"note '{LONG}'",
    *(f"check {name} '{LONG}'" for name in ("supply_voltage", "glow_voltage", "joints", "fuel_line", "pump_delivery")),
    f"repair '{LONG}'",
    f"repair '{LONG}'",
    "high o2 8.2 co 45 flue 330 smoke 0",
    "low next o2 10.5 co 40 flue 230 smoke 0",
    "high next o2 8.1 co 44 flue 331 smoke 0 cab 1 outside 0",
    f"unchecked '{LONG}'",
    f"missing supply_v '{LONG}'",
)


@pytest.fixture
def book(tmp_path):
    with Logbook(tmp_path / "w.book", create=True) as opened:
        set_day(opened, DAY, MORNING)
        yield opened


def visited(book, name, *lines, heater="heater-0312", at=0.0, close=False):
    folder = HEATERS if heater.startswith("heater-") else None
    visit, _ = open_visit(book, name, heater, folder, [], minutes(at))
    for number, line in enumerate(lines, 1):
        visit = enter(book, visit, shlex.split(line), minutes(at + number))
    return close_visit(book, name) if close else visit


def crowded(book, name="V021", at=0.0):
    visit = visited(book, name, *CROWDED, at=at)
    numbers = [one.number for one in visit.entries if one.kind == "reading"]
    for turn in range(10):
        line = ["correct", str(numbers[turn % len(numbers)]), "co", str(40 + turn), "because", f"misread {turn}"]
        visit = enter(book, visit, line, minutes(at + 30 + turn))
    return visit


def kinds(book):
    return {
        "repaired": lambda: visited(book, "V017", *REPAIRED, close=True),
        "stopped": lambda: visited(book, "V018", *STOPPED, at=60),
        "over the range": lambda: visited(book, "V019", *OVER, heater="heater-0107", at=120),
        "plate": lambda: visited(book, "V020", *PLATE, heater="plate 77", at=180),
        "crowded": lambda: crowded(book, at=240),
        "nothing": lambda: visited(book, "V022", at=300),
    }


KINDS = ("repaired", "stopped", "over the range", "plate", "crowded", "nothing")


@pytest.mark.parametrize("kind", KINDS)
def test_the_answer_is_the_first_thing_that_is_said(book, kind):
    """Stops, else the sentence of the state; then whether it is handed back; CO in the cab; the numbers. Never safe."""
    visit = kinds(book)[kind]()
    text = visit_page(visit, numbers=True)
    told = check_page(text)
    assert words(checked(text))
    body = text[text.index("<main>") :]
    verdict = verdict_of(visit)
    order = [
        body.index(verdict.now),
        body.index("Found"),
        body.index("Condition"),
        body.index(f"<strong>{verdict.cab.value}<"),
    ]
    assert body.index(f'"{"stop" if verdict.safety.alarming else "state"}"') < order[0]
    assert order == sorted(order)
    assert order[-1] < body.index("Before and after")
    assert "safe" not in told.lower().replace("safety", "")
    assert "Carbon monoxide kills" in told
    assert (verdict.now == "Handed back.") == (kind == "repaired")
    assert verdict.safety.stops or kind not in ("stopped", "over the range")


def test_a_hand_back_has_its_conditions(book):
    """The alarm, the exhaust, the altitude limit of its own document, and what was not checked."""
    visit = visited(book, "V017", *REPAIRED, "condition 'no night runs before the fuel is changed'")
    told = words(checked(visit_page(visit)))
    assert "Conditionno night runs before the fuel is changed. Only with the exhaust" in told
    for piece in (
        "exhaust in the open and a working CO alarm",
        "Not above 1350 m.",
        "Not checked: exchanger leak test.",
    ):
        assert piece in told
    assert "heater off" not in told.lower().partition("cautions")[0]
    kept = words(checked(visit_page(visited(book, "V018", *STOPPED))))
    assert "Kept off." in kept
    assert "Heater off until" in kept


POINT_MM = 25.4 / 72.0  # the point of page languages, a 72nd of an inch (CSS Values 3, section 6.2)


def test_numbers_of_the_plane_can_be_read_in_print(book):
    """At 88 mm as it is printed every number and word has 8 points or more; before and after differ without colour."""
    page = visit_page(visited(book, "V017", *REPAIRED))
    (svg,) = (base64.b64decode(one).decode() for one in re.findall(r'src="data:image/svg\+xml;base64,([^"]+)"', page))
    root = ElementTree.fromstring(svg)
    wide = float(root.attrib["viewBox"].split()[2])
    assert "figure img { width: 100%; max-width: 88mm; }" in page
    assert float(root.attrib["font-size"]) * 88.0 / wide >= 8.0 * POINT_MM
    assert not [one for one in root.iter() if "font-size" in one.attrib and one is not root]
    lines = [one.attrib for one in root.iter() if one.attrib.get("stroke-width") == "1.5" and "x1" in one.attrib]
    assert {one.get("stroke-dasharray", "full") for one in lines} == {"6 4", "full"}
    assert "before: The reading is the band at O2 4.8 %" in root.attrib["aria-label"]
    words_in = [one.text for one in root.iter() if one.text and one.text.startswith(("before", "after"))]
    assert [text.partition(",")[0] for text in words_in] == ["before", "after"]


def test_both_stages_have_their_plane_on_the_first_sheet(book):
    low = ("low o2 9.5 co 60 flue 240", "low next o2 10.5 co 40 flue 230")
    first, repair, second, *rest = REPAIRED
    page = visit_page(visited(book, "V017", first, low[0], repair, second, low[1], *rest))
    assert re.findall(r"<figcaption>([^<]*)<", page) == [
        "high stage, on the CO2-O2 plane.", "low stage, on the CO2-O2 plane."]  # fmt: skip


def test_what_is_cut_stands_on_the_second_sheet(book):
    """200 characters in every text, ten corrections: the first sheet says that it is shortened, the second has all."""
    visit = crowded(book)
    first, both = visit_page(visit), visit_page(visit, numbers=True)
    assert "stands in full on the second sheet" in first
    assert "…" in first
    second = words(checked(both)).partition("Every entry as it was made")[2]
    for body in visit.of_kind("note", "adjustment", "not_checked", "check"):
        for text in body.values():
            assert " ".join(str(text).split()) in second
    for turn in range(10):
        assert f"misread {turn}" in both
    assert (
        both.count("<figure>") == 2 == first.count("<figure>") + both.partition('class="second"')[2].count("<figure>")
    )


def test_every_number_stands_on_the_second_sheet_as_typed_and_metric(book):
    visit = visited(book, "V017", *REPAIRED)
    second = check_page(visit_page(visit, numbers=True)).partition("Results with their uncertainty")[2]
    pieces = (
        "flue temp 689 F (365 °C)",
        "o2 dry 4.84 vol %",
        "intake static -140 Pa",
        "supply 12.5 V",
        "cab co in 1 ppm",
        "1.60 ± 0.04 (95 %)",
        "T. Larkwood",
        "2026-01-12 07:31:00 +01:00",
        "standard atmosphere at the altitude",
    )
    for piece in pieces:
        assert piece in second, piece


def test_old_and_new_stand_side_by_side(book):
    visit = visited(book, "V017", "high o2 8.2 flue 689 F co 540", "correct 3 co 54 flue 662 F because misread",
                    "note loose clamp", "correct 5")  # fmt: skip
    page = visit_page(visit, numbers=True)
    row = "<td>co dry 540 ppm, flue temp 689 F (365 °C)</td><td>co dry 54 ppm, flue temp 662 F (350 °C)</td>"
    assert row in page
    assert "<td>loose clamp</td><td>withdrawn</td>" in page


@pytest.mark.parametrize("name", shipped_priors().causes)
@pytest.mark.parametrize("baseline", [True, False])
def test_what_was_found_proposes_nothing(name, baseline):
    """A customer reads it, perhaps indoors: no step that needs a running heater, no work on it; the size stays."""
    told = shipped_priors().causes[name].told((), baseline=baseline)
    size = "It takes 18 % of the air (14 to 21 %)."
    found = diagnosis(f"{told} {size}")
    assert found.startswith(told.partition(".")[0])
    assert found.endswith(size)
    steps = r"\b(again|wait|force|measure|replace|clear it|clean|trim|mend|look|zero it|take a|compare)\b"
    assert not re.search(steps, found, re.IGNORECASE)


def test_an_imported_visit_has_the_times_of_its_readings(book, tmp_path):
    """The table was taken in years later: its own day and time stand at the checks, none of the import."""
    table = tmp_path / "old.csv"
    table.write_text(
        "visit_id,heater_id,taken_at,stage,location,phase,o2_dry_pct,co_dry_ppm,air_out_temp_c,event\n"
        "K2,heater-0312,10.11.2023 08:15,high,outdoors,before,4.9,110,71,repair\n"
        "K2,heater-0312,10.11.2023,high,outdoors,after,8.2,45,66,\n",
        encoding="utf-8",
    )
    assert add(book, visits_of_table(table)[0])
    text = " ".join(re.sub("<[^>]*>", " ", visit_page(read_visit(book, "K2"))).split())
    for told in ("08:15 air out temp: 71", "2023-11-10 air out temp: 66", "2023-11-10 08:15 2023-11-10 lambda"):
        assert told in text, text


def test_room_tells_that_it_cut():
    room = Room()
    assert room.words("short", 10) == "short"
    assert room.some(["a", "b"], 2, 5) == ["a", "b"]
    assert not room.cut
    assert room.words("one two three", 8) == "one two …"
    assert room.cut
    assert Room().words("x" * 50, 10) == "x" * 10 + " …"
    assert Room().some(["a", "b", "c"], 1, 5) == ["a", "and 2 more"]


def pages(html: str, folder: Path) -> int:
    """Return how many pages Chromium prints."""
    browser = shutil.which("chromium") or shutil.which("chromium-browser")
    assert browser, "needs chromium: apt-get install chromium, or: -m 'not browser'"
    source, target = folder / "sheet.html", folder / "sheet.pdf"
    source.write_text(html, encoding="utf-8")
    flags = ("--headless", "--no-sandbox", "--disable-gpu", "--no-pdf-header-footer", f"--print-to-pdf={target}")
    subprocess.run([browser, *flags, source.as_uri()], capture_output=True, check=True, timeout=PATIENCE)
    return len(re.findall(rb"/Type\s*/Page\b", target.read_bytes()))


@pytest.mark.browser
@pytest.mark.parametrize("kind", KINDS)
def test_the_sheet_is_one_page_or_says_so(book, tmp_path, kind):
    text = visit_page(kinds(book)[kind](), head="ab" * 32 + " (31 entries)")
    says_so = "needs more than one page" in text
    assert (pages(text, tmp_path) > 1) <= says_so
    assert not says_so or kind == "crowded"


def day_of(book, visits):
    return day_page(visits, "2026-01-12", heads=dict.fromkeys((one.visit_id for one in visits), "ab" * 32))


def test_a_stopped_heater_stands_first_and_large_on_the_sheet_of_a_day(book):
    visits = [kinds(book)[kind]() for kind in ("repaired", "plate", "stopped")]
    text = day_of(book, visits)
    told = words(checked(text))
    body = text[text.index("<main>") :]
    assert body.index('class="large"') < body.index("STOP.") < body.index("with a stop") < body.index("<table")
    large = re.search(r'class="large">([^<]*)<', body)
    assert large
    assert large[1] == "heater-0312, truck-7, visit V018: Kept off."
    rows = re.findall(r'<th scope="row">([^<]*)</th>', body)
    assert rows == ["STOP. heater-0312, V018", "plate 77, V020", "heater-0312, V017"]
    for total in ("3 visits", "1 with a stop condition", "1 handed back", "1 kept off", "1 neither",
                  "1 CO in the cab not measured", "2 records still open"):  # fmt: skip
        assert total in told, total
    assert "No stop condition found" not in told
    assert "safe" not in told.lower().replace("safety", "")
    assert text.count("ab" * 32) == 3


@pytest.mark.parametrize("number", [0, 1, 3, 30])
def test_a_day_of_any_size(book, number):
    """Nothing was read in them: no number of visits is too many, each has its row, none is called handed back."""
    visits = [
        visited(book, f"W{turn:02d}", "note looked at", heater=f"plate {turn}", at=turn) for turn in range(number)
    ]
    told = words(checked(day_of(book, visits)))
    assert f"{number} visits" in told
    assert "0 handed back" in told
    assert all(f"plate {turn}, W{turn:02d}" in told for turn in range(number))
    assert ("No visit on this day." in told) == (number == 0)
    assert ("Not judged yet" in told) == (number > 0)
    assert "No stop condition found" not in told


def test_the_day_of_a_visit_is_that_of_its_readings(book):
    visit = visited(book, "V1", "at 2026-01-11T23:50+01:00 high o2 8.2", "high next o2 8.3")
    assert days_of(visit) == {"2026-01-11", "2026-01-12"}
    assert days_of(visited(book, "V2")) == {"2026-01-12"}
    assert [one.visit_id for one in visits_of_day(book, "2026-01-11")] == ["V1"]
    assert [one.visit_id for one in visits_of_day(book, "2026-01-12")] == ["V1", "V2"]
    assert visits_of_day(book, "2026-01-13") == []


def test_a_day_at_the_command_line(tmp_path):
    book, out = str(tmp_path / "w.book"), tmp_path / "day.html"
    for heater in ("heater-0312", "heater-0107"):
        assert call("visit", "open", book, heater, "outdoors", "--heaters", HEATERS).code == 0
    assert call("visit", "enter", book, "--visit-id", "V002", "high", "o2", "1.2", "co", "6200").code == 0
    run = call("visit", "print", book, "--day", "today", "--out", str(out), "--json")
    assert run.code == 0
    assert run.json["visits"] == ["V001", "V002"]
    assert run.json["stops"][0]["code"] == "exhaust_co_high"
    day = datetime.datetime.now().astimezone().date()
    assert f"Visits of {run.json['day']}" in out.read_text(encoding="utf-8")
    for asked, why in ((f"{day.year - 1}-01-12", "holds no visit"), ("yesterday", "is no day")):
        refused = call("visit", "print", book, "--day", asked, "--out", str(out))
        assert refused.code == 3
        assert why in refused.err
    both = call("visit", "print", book, "--day", "today", "--visit-id", "V001", "--out", str(out))
    neither = call("visit", "print", book, "--out", str(out))
    assert both.code == neither.code == 3
    assert "one of them" in both.err
    assert "one of them" in neither.err


def test_a_sheet_that_was_printed_before_books_came_together_still_verifies(tmp_path):
    """Two engineers, each with a book and a printed sheet; each book takes in the other; both sheets verify in both."""
    sums = {}
    for name in ("north", "south"):
        book, out = str(tmp_path / f"{name}.book"), tmp_path / f"{name}.html"
        call("visit", "open", book, "heater-0312", "outdoors", "--visit-id", name)
        call("visit", "enter", book, "o2", "8.2", "co", "45")
        assert call("visit", "print", book, "--visit-id", name, "--out", str(out)).code == 0
        found = re.search(r'class="head">([0-9a-f]{64}) ', out.read_text(encoding="utf-8"))
        assert found
        sums[name] = found[1]
    for name, other in (("north", "south"), ("south", "north")):
        book = str(tmp_path / f"{name}.book")
        assert call("log", "import", book, str(tmp_path / f"{other}.book")).code == 0
        for head in sums.values():
            assert call("log", "verify", book, "--head", head, "--strict").code == 0
        assert call("log", "verify", book, "--head", "0" * 64, "--strict").code == 4
    with Logbook(tmp_path / "north.book", read_only=True) as opened:
        assert {one.visit_id for one in read_visits(opened)} == {"north", "south"}
