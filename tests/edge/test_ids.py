"""One id under several spellings: capitals, blanks around it, two forms of one letter."""

from __future__ import annotations

import contextlib
import re
import shutil
import unicodedata
from pathlib import Path

import pandas as pd
import pytest

from combust.data.near import folded_id, one_spelling
from combust.edge.logbook.history import read_log
from combust.edge.logbook.profiles import profiles_in, read_profiles
from combust.edge.logbook.taught import visits_in
from combust.edge.tables.fleet import plan_fleet
from combust.edge.tables.visits import read_visits
from tests.application.fleet import worked
from tests.edge.runs import DATA, call
from tests.edge.test_every_pair_of_files import leaves, texts

WINTERS = DATA / "larkfell_winters.csv"
SERIES = str(DATA / "larkfell_series.csv")


@pytest.mark.parametrize("other", [" Hütte-7", "HÜTTE-7 ", unicodedata.normalize("NFD", "hütte-7")])
def test_one_id_has_many_spellings(other: str) -> None:
    """Unicode's own forms (UAX 15): u with two dots as one sign, and as two."""
    assert folded_id(other) == folded_id("Hütte-7")
    assert one_spelling([other, "quay"], ["Hütte-7"]) == ["Hütte-7", "quay"]
    assert folded_id(other) != folded_id("Hutte-7")


def test_a_fleet_whose_tables_spell_differently_is_planned_as_if_they_did_not() -> None:
    cars, sites = worked.vehicles(), worked.sites()
    plain = plan_fleet(cars, sites, heaters=worked.HEATERS, with_assignment=False)
    cars.loc[0:20, "site_id"] = cars.loc[0:20, "site_id"].str.lower() + " "
    cars.loc[5:30, "heater_id"] = cars.loc[5:30, "heater_id"].str.upper()
    spelled = plan_fleet(cars, sites, heaters=worked.HEATERS, with_assignment=False)
    pd.testing.assert_frame_equal(plain.vehicles, spelled.vehicles)
    assert spelled.faults.empty
    cars.loc[1, "vehicle_id"] = cars.loc[0, "vehicle_id"].lower()
    assert plan_fleet(cars, sites, heaters=worked.HEATERS, with_assignment=False).faults["code"].tolist() == [
        "duplicate"
    ]


def test_points_of_a_route_are_found_under_any_spelling() -> None:
    routes = pd.DataFrame(
        {"route_id": ["Coast", "coast ", "COAST"], "altitude_m": [500, 600, 900], "minutes": [10, 10, 5]}
    )
    cars = worked.vehicles().assign(route_id="coast")
    plan = plan_fleet(cars, worked.sites(), routes, heaters=worked.HEATERS, with_assignment=False)
    assert set(plan.routes["points"]) == {3}
    assert plan.routes["highest_m"].max() == 900


def test_a_heater_is_followed_under_any_spelling(tmp_path: Path) -> None:
    """The second half of its winters says the same name otherwise: one heater, as many readings as before."""
    table = pd.read_csv(WINTERS, dtype=str, keep_default_na=False)
    own = table["heater_id"] == "heater-0107"
    count = len(read_log(table).rows)
    half = own & (own.cumsum() > own.sum() // 2)
    table.loc[half, "heater_id"] = " HEATER-0107"
    found = read_log(table)
    assert len(found.rows) == count
    assert sum(folded_id(row.get("heater_id")) == "heater-0107" for row in found.rows) == sum(
        row.get("heater_id") == "heater-0107" for row in found.rows
    )
    table.to_csv(tmp_path / "winters.csv", index=False)
    profile = str(DATA / "heaters" / "heater-0107.toml")
    plain, spelled = (
        call("history", str(one), "--heater", profile, "--on", "2026-01-15")
        for one in (WINTERS, tmp_path / "winters.csv")
    )
    assert spelled.code == 0
    assert spelled.out == plain.out


def test_a_folder_of_profiles_is_read_in_one_way(tmp_path: Path) -> None:
    """A broken profile and a second one of a heater stop nobody whose own is in order: told, and the first counts."""
    text = (DATA / "heaters" / "heater-0107.toml").read_text(encoding="utf-8")
    name = unicodedata.normalize("NFC", "Hütte-7")
    (tmp_path / "a.toml").write_text(text.replace("heater-0107", name), encoding="utf-8")
    (tmp_path / "b.toml").write_text(text.replace("heater-0107", name.upper()), encoding="utf-8")
    (tmp_path / "c.toml").write_text("heater_id = ", encoding="utf-8")
    known, told = profiles_in(tmp_path)
    assert [one["heater_id"] for one in known.values()] == [name]
    assert [re.findall(r"[bc]\.toml", one) for one in told] == [["b.toml"], ["c.toml"]]
    heaters, said = read_profiles([tmp_path])
    assert ([one.heater_id for one in heaters], said) == ([name], told)
    book = str(tmp_path / "w.book")
    assert call("visit", "open", book, unicodedata.normalize("NFD", name), "--heaters", str(tmp_path)).code == 0
    refused = call("visit", "open", book, "heater-9", "--heaters", str(tmp_path))
    assert (refused.code, "c.toml" in refused.err) == (3, True)
    table = tmp_path / "v.csv"
    table.write_text(
        f"visit_id,heater_id,o2_dry_pct,stage\nV1,{unicodedata.normalize('NFD', name)},8.2,high\n", "utf-8"
    )
    with visits_in(table, tmp_path) as (visits, _, notes):
        assert next(visits).need_heater().heater_id == name
        assert all(one in notes for one in told)


def test_a_visit_and_its_heater_are_found_under_any_spelling(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    opened = call("visit", "open", "w.book", " HEATER-0312 ", "--heaters", str(DATA / "heaters"), "--visit-id", "Ü1")
    assert opened.code == 0, opened.err
    shown = call("log", "show", "w.book", "--visit-id", unicodedata.normalize("NFD", " ü1 "))
    assert shown.code == 0, shown.err
    assert call("log", "show", "w.book", "--heater-id", "Heater-0312", "--json").json["count"] == 1
    readings, _ = read_visits(DATA / "larkfell_visits.csv", heater_id="heater-0312")
    assert len(read_visits(DATA / "larkfell_visits.csv", heater_id="HEATER-0312 ")[0]) == len(readings)


# Every option that takes the id of something that is there: a line of it, with ID in its place.
BY_ID = {
    ("visit", "open", "visit_id"): ("visit", "open", "w.book", "heater-9", "--visit-id=ID"),
    ("visit", "open", "heater"): ("visit", "open", "w.book", "HEATER", "--heaters=heaters", "--visit-id=V3"),
    ("visit", "enter", "visit_id"): ("visit", "enter", "w.book", "--visit-id=ID", "co", "60"),
    ("visit", "stand", "visit_id"): ("visit", "stand", "w.book", "--visit-id=ID"),
    ("visit", "correct", "visit_id"): (
        *("visit", "correct", "w.book", "--visit-id=ID", "3", "o2", "8.3", "because", "misread"),
    ),
    ("visit", "close", "visit_id"): ("visit", "close", "w.book", "--visit-id=ID", "--incomplete"),
    ("visit", "reopen", "visit_id"): ("visit", "reopen", "done.book", "--visit-id=ID", "--reason=x"),
    ("visit", "print", "visit_id"): ("visit", "print", "w.book", "--visit-id=ID", "--out=v.html"),
    ("cause", "visit_id"): ("cause", "w.book", "--visit-id=ID"),
    ("start", "visit_id"): ("start", "w.book", "--visit-id=ID"),
    ("supply", "visit_id"): ("supply", "w.book", "--visit-id=ID"),
    ("log", "show", "visit_id"): ("log", "show", "w.book", "--visit-id=ID"),
    ("log", "show", "heater_id"): ("log", "show", "w.book", "--heater-id=HEATER", "--json"),
    ("log", "export", "heater_id"): ("log", "export", "w.book", "--heater-id=HEATER", "--out=e.csv"),
    ("log", "series", "visit_id"): ("log", "series", SERIES, "--into=w.book", "--visit-id=ID"),
}
NEW = {  # of what is not there yet, or a note in a record
    *(("reading", one) for one in ("heater_id", "visit_id", "reading_id")),
    ("cause", "reading_id"),
    ("profile", "new", "heater_id"),
}


def test_every_option_that_takes_an_id_is_tried() -> None:
    found = {
        (*words, str(one.name))
        for words, command in leaves().items()
        for one in texts(command)
        if re.search("_id$", str(one.name)) or one.metavar == "HEATER"
    }
    assert found == {*BY_ID} | NEW


@pytest.fixture(scope="module")
def books(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with two visits open, one closed, a profile and a table, all of Hütte-7."""
    folder = tmp_path_factory.mktemp("ids")
    profile = (DATA / "heaters" / "heater-0312.toml").read_text("utf-8").replace("heater-0312", "Hütte-7")
    (folder / "heaters").mkdir()
    (folder / "heaters" / "a.toml").write_text(profile, "utf-8")
    (folder / "t.csv").write_text("reading_id,heater_id,o2_dry_pct,location\nÜ1,Hütte-7,6,outdoors\n", "utf-8")
    typed = ("outdoors", "high", "o2", "8.2", "flue", "330", "battery", "12.2", "plug", "glow", "11.2", "lit_and_died")
    with contextlib.chdir(folder):
        for book in ("w.book", "done.book"):
            for line in (
                ("visit", "open", book, "Hütte-7", "--heaters=heaters", "--visit-id=Ü1", *typed),
                ("visit", "enter", book, "--visit-id=Ü1", "missing", "rest", "no", "time"),
                ("visit", "enter", book, "--visit-id=Ü1", "handed_back", "no"),
                ("visit", "open", book, "heater-2", "--visit-id=V2", "o2", "8", "outdoors"),
            ):
                assert call(*line).code == 0, (line, call(*line).err)
        assert call("visit", "close", "done.book", "--visit-id=Ü1", "--incomplete").code == 0
    return folder


@pytest.mark.parametrize("line", BY_ID.values(), ids=lambda line: " ".join(line[:2]))
def test_every_command_finds_an_id_under_any_spelling(
    line: tuple[str, ...], books: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The answer is the same, in the spelling of the book, and what is written goes to the one visit."""
    told = []
    for number, (visit, heater) in enumerate(
        (("Ü1", "Hütte-7"), (unicodedata.normalize("NFD", " ü1 "), unicodedata.normalize("NFD", "HÜTTE-7 ")))
    ):
        shutil.copytree(books, tmp_path / str(number))
        monkeypatch.chdir(tmp_path / str(number))
        done = call(*(one.replace("ID", visit).replace("HEATER", heater) for one in line))
        taken = line == BY_ID["visit", "open", "visit_id"]  # the only one that must not find it: it is refused
        assert done.code == (3 if taken else 0), done.err
        shown = call("log", "show", "w.book", "--json").json["visits"]
        clock = re.compile(r"\d\d:\d\d:\d\d|[0-9a-f]{8,}")
        told.append([clock.sub("", str(one)) for one in (done.out, "" if taken else done.err, shown)])
    assert told[0] == told[1]
