"""How often the ranking was right: counted by hand, with intervals from outside; a reading that misleads is named."""

from __future__ import annotations

import hashlib
import re
from dataclasses import replace
from pathlib import Path

import pytest
from scipy.stats import binomtest

from combust.application.causes.rank import rank_causes
from combust.application.learning.anonymous import anonymous
from combust.application.learning.confirmed import NotCounted, confirm
from combust.application.learning.right import Misled, Said, Share, Tally, how_often_right, judge, kind_of, season_of
from combust.application.learning.right_tables import sections_of
from combust.edge.logbook.taught import visits_in
from combust.edge.reports.right_page import right_page
from combust.kernel.uncertainty import wilson_interval
from tests.application.learning.test_confirmed import AFTER, BEFORE, DAY, FOUND, GOOD, LOOK, REPAIR, visit_of
from tests.application.learning.test_learnt import FAR
from tests.edge.runs import ROOT, call

LOGBOOK = ROOT / "data" / "larkfell_logbook"
HEATERS = str(LOGBOOK / "heaters")


@pytest.mark.memory  # R. G. Newcombe, Statistics in Medicine 17 (1998), table I, method 3; from memory
@pytest.mark.parametrize(
    ("count", "of", "low", "high"),
    [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611), (1, 29, 0.0061, 0.1718)],
)
def test_the_interval_is_that_of_the_paper(count: int, of: int, low: float, high: float) -> None:
    assert wilson_interval(count, of) == pytest.approx((low, high), abs=5e-5)


@pytest.mark.independent  # scipy, its own score interval
@pytest.mark.parametrize(("count", "of"), [(0, 1), (1, 1), (3, 4), (40, 40), (7, 311)])
@pytest.mark.parametrize(("level", "z"), [(0.95, 1.959964), (0.90, 1.644854)])
def test_the_interval_is_that_of_another_library(count: int, of: int, level: float, z: float) -> None:
    found = binomtest(count, of).proportion_ci(level, method="wilson")
    assert wilson_interval(count, of, z=z) == pytest.approx((found.low, found.high), abs=1e-6)
    assert wilson_interval(0, 0) == (0.0, 1.0)


@pytest.mark.hand
def test_counts_are_those_of_a_hand_count() -> None:
    """Eight answers at 0.85, of which six are right; two at 0.6, one right; one winter ends on the last of June."""
    tally = Tally()
    for number in range(10):
        sure, right = number < 8, number not in (0, 1, 8)
        said = "fuel_over" if right else "blower_weak"
        day = "2025-06-30" if number < 4 else "2025-07-01"
        tally.add(Said("V", day, "kind", "fuel_over", said, 0.85 if sure else 0.6, 0.1, True))
    classes = {one.name: (one.right, one.of, round(one.said, 6)) for one in tally.shares("said")}
    assert classes == {"80 % to 90 %": (6, 8, 0.85), "50 % to 80 %": (1, 2, 0.6)}
    assert {one.name: (one.right, one.of) for one in tally.shares("winter")} == {
        "winter 2024/25": (2, 4),
        "winter 2025/26": (5, 6),
    }
    assert dict(tally.pairs) == {("fuel_over", "fuel_over"): 7, ("fuel_over", "blower_weak"): 3}
    assert [one.right for one in tally.wrong] == [False] * 3
    few = Share("few", 3, 4, 0.9)
    assert (few.words, few.verdict) == ("3 of 4; too few to say", "too few to say")
    # 40 of 100 with the interval 31 % to 50 %: 90 % was too much, 20 % too little; 45 % is 14 points above its low end.
    # 8 of 10 with 49 % to 94 %: the same words for a share of 80 % hide up to 31 points.
    verdicts = [Share("many", 40, 100, said).verdict for said in (0.9, 0.45, 0.2)]
    hidden = "no difference found, up to {} points could hide"
    assert verdicts == ["less often than it said", hidden.format(14), "more often than it said"]
    assert Share("ten", 8, 10, 0.8).verdict == hidden.format(31)
    assert season_of("2024-12-31") == season_of("2025-01-01") == "winter 2024/25"


@pytest.mark.hand
def test_a_reading_that_misleads_is_named() -> None:
    """A crushed intake and a misread graduate: 9.8 ml for 200 strokes of 41 µl, which are 8.2 ml, say it is the pump.

    Without that one number the look at the terminals, which showed the intake, decides.
    """
    lines = (DAY, "high o2 5.8 flue 345 co 90", "strokes 200 delivered 9.8", "terminals intake_blocked")
    found, why = confirm(visit_of(*lines, REPAIR, FOUND, AFTER))
    assert found, why
    said = judge(found, seed=1)
    assert said
    assert (said.said, said.right) == ("fuel_over", False)
    assert (said.misled[0].column, said.misled[0].turns) == ("delivered_ml", True)
    assert said.misled[0].times > 10.0
    right = judge(confirm(visit_of(*GOOD))[0], seed=1)
    assert right
    assert (right.right, right.misled) == (True, ())


@pytest.mark.practice
def test_the_demo_logbook_is_counted_whole(tmp_path: Path) -> None:
    """Forty visits were made, each with a cause that was put in and mended; each is counted once in every table."""
    with visits_in(LOGBOOK / "visits.csv", HEATERS) as (visits, size, told):
        every = list(visits)
    assert (size, told) == (40, [])
    some = [*every[::10], every[1].add("reopened", {})]
    found = how_often_right(iter(some), pairs=False)
    assert found.not_counted == {"open still": 1}
    assert found.named == {"open still": ((every[1].visit_id, "open still"),)}
    assert sections_of(found)[-1].rows == [("open still", "1", every[1].visit_id)]
    some.pop()
    kinds = {kind_of(visit.need_heater()) for visit in some}
    assert kinds == {one.name for one in found.by_kind} == {"centrifugal blower, 2 kW, diesel"}
    for shares in (found.by_said, found.by_cause, found.by_kind, found.by_winter):
        assert sum(one.of for one in shares) == len(some)
        assert sum(one.right for one in shares) == found.overall.right
    assert sum(number for *_, number in found.confusion) == len(some)
    page = right_page(found, source="<b>book</b>")
    assert "&lt;b&gt;book&lt;/b&gt;" in page
    assert "worked out anew" in page
    assert found.safety.state == "not_judged"
    assert re.search(rf"{found.overall.right} of {len(some)}; too few to say", page)


@pytest.mark.practice
def test_the_command_tells_what_it_could_not_count(tmp_path: Path) -> None:
    out = tmp_path / "right.html"
    table = tmp_path / "v.csv"
    lines = (LOGBOOK / "visits.csv").read_text(encoding="utf-8").splitlines()
    table.write_text("\n".join([lines[0], *lines[1:5], *(line for line in lines[5:9])]), encoding="utf-8")
    run = call("right", str(table), "--heaters", HEATERS, "--out", str(out))
    assert run.code == 0, run.err
    assert "too few to say" in run.out
    assert "Not judged" in run.err
    assert out.read_text(encoding="utf-8").startswith("<!DOCTYPE html>")
    bare = call("right", str(table))
    assert "nothing can be told" in bare.out
    assert "nothing known of the heater" in bare.out


@pytest.mark.practice
def test_a_book_that_took_a_table_in_says_what_the_table_says(tmp_path: Path) -> None:
    table, book, again = (str(tmp_path / name) for name in ("v.csv", "v.book", "again.csv"))
    lines = (LOGBOOK / "visits.csv").read_text(encoding="utf-8").splitlines()
    Path(table).write_text("\n".join(lines[: 1 + 4 * 10]), encoding="utf-8")
    assert call("log", "add", book, table).code == 0
    assert call("log", "export", book, "--out", again).code == 0
    held = {}
    for source in (table, book, again):
        with visits_in(source, HEATERS) as (visits, _, _):
            held[source] = list(visits)
    days = [[(one.visit_id, one.closed_at) for one in some] for some in held.values()]
    assert len(days[0]) == 10
    assert days == days[:1] * 3
    first, second = anonymous(held[table]).rows, anonymous(held[book]).rows
    assert first[0]["confirmed"] == 10
    assert first == second  # so that a book and its table count once together
    twice = call("log", "add", book, table)
    assert (twice.code, "40 rows were in the book already." in twice.out) == (0, True), twice.err
    closed = lines[4].split(",")[21]
    points = "\n".join(lines[:5]).replace(closed, "10.11.2024 12:00")
    Path(table).write_text(points, encoding="utf-8")
    with visits_in(table, HEATERS) as (visits, _, _):
        assert [one.closed_at for one in visits] == ["2024-11-10T12:00:00"]
    wrong = "\n".join(lines[:5]).replace(lines[4].split(",")[21], "last winter")
    Path(table).write_text(wrong, encoding="utf-8")
    assert (
        "closed_at = last winter is no time, or can be read in two ways"
        in call("log", "add", str(tmp_path / "n.book"), table).err
    )


@pytest.mark.practice
def test_what_holds_no_visits_is_refused_and_nothing_is_no_praise(tmp_path: Path) -> None:
    text = tmp_path / "text.book"
    text.write_text("hello", encoding="utf-8")
    for command in ("right", "share", "learn"):
        run = call(command, str(text))
        assert (run.code, "holds no visit" in run.err) == (3, True), command
        run = call(command, str(LOGBOOK / "visits.csv"), "--heaters", str(tmp_path / "none"))
        assert (run.code, "is no folder" in run.err) == (3, True), command
    nothing = how_often_right([])
    praise = "It was wrong nowhere.", "None.", "All were counted."
    assert not [part.nothing for part in sections_of(nothing) if part.nothing in praise]


@pytest.mark.hand
def test_what_it_names_is_told_against_what_it_was() -> None:
    """Of five times that it named the pump it was the intake twice: told first; a factor has no powers of ten."""
    tally = Tally()
    for cause, said in (("fuel_over", "fuel_over"),) * 3 + (("intake_restricted", "fuel_over"),) * 2 + (("x", "x"),):
        tally.add(Said("V", "2025-01-05", "kind", cause, said, 0.9, 0.1, True, (Misled("warm", 1050.0, True),)))
    pairs = tuple((*pair, number) for pair, number in sorted(tally.pairs.items()))
    found = replace(
        how_often_right([]), overall=Share("all", 4, 6, 0.9), confusion=pairs, wrong=tuple(tally.wrong),
        by_cause=tally.shares("cause"),
    )  # fmt: skip
    parts = {part.title: part for part in sections_of(found)}
    rows = [(row[0], row[1], row[2].split(":")[0]) for row in parts["When it names this one, what was it?"].rows]
    assert rows[:2] == [("too much fuel", "too much fuel", "3 of 5"), ("too much fuel", "intake restricted", "2 of 5")]
    assert "before anything is mended" in parts["When it names this one, what was it?"].note
    assert parts["The surest wrong answers"].rows[0][3] == (
        "minutes of burning before the reading (warm or not): more than 100"
    )


@pytest.mark.hand
def test_what_was_not_told_apart_stands_in_a_row_of_its_own() -> None:
    """Four of seven are named second, 18.9 % against 20.1 %: no wrong answers, and no right ones in the share.

    One is wrong with the right one among those named, but with 60 % for the other; one with two others; one is right.
    """
    pair, tally = ("exhaust_restricted", "intake_restricted"), Tally()
    told = [("intake_restricted", 0.201, pair)] * 4 + [("intake_restricted", 0.6, pair), ("fuel_over", 0.201, pair)]
    for cause, probability, alike in (*told, ("exhaust_restricted", 0.9, ())):
        tally.add(Said("V 2025-01-05", "2025-01-05", "kind", cause, pair[0], probability, 0.189, True, alike=alike))
    (every,) = tally.shares("all")
    assert (every.right, every.of, every.among, every.tied) == (1, 7, 5, 6)
    assert [(one.cause, one.probability) for one in tally.wrong] == [("intake_restricted", 0.6), ("fuel_over", 0.201)]
    found = replace(how_often_right([]), overall=every, by_cause=tally.shares("cause"), wrong=tuple(tally.wrong))
    assert found.lines()[1] == ("not told apart", "the right one among those named in 5 of 6")
    parts = {part.title: part for part in sections_of(found)}
    assert {row[0]: row[3] for row in parts["By cause"].rows} == {
        "intake restricted": "5 of 5", "too much fuel": "0 of 1", "exhaust restricted": "none",
    }  # fmt: skip
    assert [row[0] for row in parts["The surest wrong answers"].rows] == ["V 2025-01-05"] * 2  # the day once
    assert parts["Where it was wrong, which reading misled it"].nothing == "No reading misled it by itself."
    near = {part.title: part.nothing for part in sections_of(replace(found, wrong=()))}
    assert near["The surest wrong answers"].startswith("Only where the right one is among")


@pytest.mark.hand
def test_what_is_not_told_apart_is_what_the_ranking_says() -> None:
    found, why = confirm(visit_of(DAY, BEFORE[0], REPAIR, FOUND, AFTER))  # one stage, and nothing looked at
    assert found, why
    (ranked,) = rank_causes(found.heater, found.rows, seed=1, next_checks=False)
    apart = next(value for label, value in ranked.lines() if label == "not told apart yet")
    said = judge(found, seed=1)
    assert said
    assert ", ".join(said.alike) == apart


@pytest.mark.hand
def test_the_visits_that_taught_are_no_proof() -> None:
    """The file holds the checksum of the visits, worked out here by itself, and the days of the first and the last."""
    visit, late = visit_of(*GOOD), visit_of(DAY, *BEFORE, LOOK)
    text = "\n".join(sorted(f"{one.visit_id} {one.entries[-1].hash}" for one in (visit, late)))
    same = {**FAR.book, "checksum": hashlib.sha256(text.encode()).hexdigest()}
    days = {**FAR.book, "first": "2025-11-01", "last": "2026-01-12"}
    other = {**FAR.book, "first": "2025-11-01", "last": "2026-01-11"}
    proofs = {}
    for name, book in (("same", same), ("days", days), ("other", other)):
        found = how_often_right([late, visit], learnt=replace(FAR, book=book), pairs=False)
        proofs[name] = found.proof
        assert (found.lines()[0][0] == "proof", found.proof in right_page(found)) == (bool(found.proof), True)
        assert ("with what was learnt from", found.learnt) in found.lines()
    assert proofs["same"].startswith("These are the visits it was learnt from: no proof. Take later visits, or heaters")
    assert proofs["days"].startswith("1 of 1 were read from 2025-11-01 to 2026-01-12, as the visits it was learnt from")
    assert proofs["other"] == how_often_right([visit], pairs=False).proof == ""


@pytest.mark.hand
def test_each_command_tells_what_it_did_not_count(tmp_path: Path) -> None:
    """Three visits of a table without profiles; of three others one is open and one was not mended."""
    table, lines = tmp_path / "v.csv", (LOGBOOK / "visits.csv").read_text(encoding="utf-8").splitlines()
    table.write_text("\n".join(lines[: 1 + 4 * 3]), encoding="utf-8")
    why = "nothing known of the heater: give its profile with a healthy reading (--heaters DIR)"
    for command in ("right", "learn", "share"):
        run = call(command, str(table))
        assert "visits that were not counted" in run.out.lower(), command
        assert re.search(rf"{re.escape(why)}:? +3\b", run.out), command
        assert call(command, str(table), "--json").json["not_counted"] == {why: 3}, command
    assert "Every heater needs a profile with a healthy reading." in call("learn", str(table)).out
    others = NotCounted()
    some = [visit_of(*GOOD), visit_of(*GOOD, closed=False), visit_of(DAY, *BEFORE, LOOK, FOUND, AFTER)]
    assert list(others.of(some, healthy=True)) == some
    assert others.counts == {"open still": 1, "no repair entered": 1} == how_often_right(some, pairs=False).not_counted


@pytest.mark.hand
def test_a_table_of_refused_rows_tells_the_first_of_them(tmp_path: Path) -> None:
    table = tmp_path / "v.csv"
    rows = [f"V{number},{number + 30},outdoors" for number in range(5)]  # % O2, above that of air
    table.write_text("\n".join(["visit_id,o2_dry_pct,location", *rows]), encoding="utf-8")
    for command in ("right", "learn", "share"):
        run = call(command, str(table))
        assert run.code == 3
        assert "holds no visit that can be read: 5 of 5 rows refused" in run.err
        assert [line for line in range(2, 7) if f"row {line} was refused: o2_dry_pct = {line + 28}" in run.err] == [
            2,
            3,
            4,
        ]
