"""What stops is read on stdout and on stderr, and stands first in JSON; no command says a comforting word too much."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

import combust
from combust.application.causes.catalogue import shipped_priors
from combust.application.causes.rank import rank_causes
from combust.data.errors import CombustError
from combust.domain.heater import Heater
from tests.edge.runs import ROOT, call

pytestmark = pytest.mark.regression

PROFILE, OTHER = str(ROOT / "data/heaters/heater-0312.toml"), str(ROOT / "data/heaters/heater-0107.toml")
FLEET = ROOT / "data/larkfell_fleet"
SENTENCE = "No stop condition found in what was entered."
READ = ("--o2-dry", "8.2", "--location", "outdoors")
STOPS = {
    "CO 2400": ("reading", *READ, "--co-dry", "2400"),
    "gasoline in a diesel heater": ("cause", "--heater", PROFILE, *READ, "--fuel-sample", "gasoline"),
    "cab CO 45": ("cause", "--heater", PROFILE, *READ, "--cab-co-in", "45"),
    "5500 m, lambda below 1": ("site", "--heater", PROFILE, "--altitude", "5500", "--intake-temp", "0"),
    "voltage under the cut-out": (
        "supply", "--battery", "11", "--length", "8", "--area", "1", "--run-current", "10", "--cutout", "10.5"
    ),
    "failed starts": ("start", "--heater", OTHER, "--failed-starts", "9"),
    "an emergency": ("start", "--emergency", "fire"),
}  # fmt: skip


@pytest.mark.parametrize("arguments", STOPS.values(), ids=list(STOPS))
def test_a_stop_is_on_both_streams_and_first_in_json(arguments: tuple[str, ...]) -> None:
    plain, told = call(*arguments), call(*arguments, "--json").json
    assert plain.out.startswith("STOP")
    assert plain.err.startswith("STOP")
    assert plain.err.count("caution: ") == 3
    assert SENTENCE not in plain.out + plain.err
    assert next(iter(told)) == "safety"
    assert told["safety"]["state"] in ("heater_off", "everyone_out")
    assert told["safety"]["stops"][0]["text"] in plain.out


def burning_checks() -> set[str]:
    return {name for name, check in shipped_priors().checks.items() if "burning" in check.needs}


def test_after_do_not_start_no_check_needs_a_flame() -> None:
    run = call(*STOPS["gasoline in a diesel heater"])
    assert "Do not start the heater" in run.out
    for name in ("stage_and_steadiness", "supply_voltage", "heating_air", "second_stage", "cab_co", "pump_delivery"):
        assert f". {name}" not in run.out


def test_a_stop_in_one_row_keeps_the_heater_off_in_every_visit(tmp_path: Path) -> None:
    rows = ["A,heater-0312,high,8.2,50,outdoors", "B,heater-0312,high,8.2,1.450,outdoors"]
    text = "\n".join(["visit_id,heater_id,stage,o2_dry_pct,co_dry_ppm,location", *rows])
    (tmp_path / "day.csv").write_text(text, encoding="utf-8")
    burning = burning_checks()
    run = call("cause", "--heater", PROFILE, str(tmp_path / "day.csv"))
    assert "visit B, row 3" in run.out
    assert "second one" not in run.out
    assert not [name for name in burning if f". {name}" in run.out]
    (tmp_path / "day.csv").write_text(text.replace("B,heater-0312", "B,heater-0107"), encoding="utf-8")
    other = call("cause", "--heater", PROFILE, str(tmp_path / "day.csv"))
    assert [name for name in burning if f". {name}" in other.out]


def test_a_read_stop_keeps_the_other_visits_off_until_it_is_read_again_after_work() -> None:
    clean = {"stage": "high", "o2_dry_pct": 8.2, "co_dry_ppm": 50, "location": "outdoors"}
    stop, after = {**clean, "visit_id": "B", "co_dry_ppm": 2400}, {**clean, "visit_id": "B", "phase": "after"}
    heater, first = Heater.load(PROFILE), {**clean, "visit_id": "A"}
    off, _ = rank_causes(heater, [first, stop], pairs=False)
    assert off.safety.state == "heater_off"
    assert "visit B" in off.stop[0].text
    assert rank_causes(heater, [first, stop, after], pairs=False)[0].stop == ()


@pytest.mark.parametrize(
    ("of_stop", "of_other", "co", "off"),
    [
        ("2025-01-10", "2025-03-02", 50, False),  # CO was read again on a later day
        ("2025-01-10", "2025-03-02", None, True),  # it was not: nobody knows what the heater gives off now
        ("2025-01-10T09:00+01:00", "2025-03-02T08:00+01:00", 50, False),
        ("2025-01-10", "2025-01-10", 50, True),
        ("2025-01-10", "2024-12-01", 50, True),
        ("2025-01-10", "2062-03-02", 50, True),  # a slip of the year: nothing was read then yet
        ("2025-01-10", None, 50, True),
        (None, "2025-03-02", 50, True),
        ("soon", "2025-03-02", 50, True),
    ],
)
def test_a_stop_keeps_off_every_visit_until_co_was_read_on_a_later_day(
    of_stop: str | None, of_other: str | None, co: float | None, off: bool
) -> None:
    clean = {"stage": "high", "o2_dry_pct": 8.2, "location": "outdoors"}
    other = clean | {"visit_id": "A", "co_dry_ppm": co} | ({"taken_at": of_other} if of_other else {})
    stop = clean | {"visit_id": "B", "co_dry_ppm": 2400} | ({"taken_at": of_stop} if of_stop else {})
    found = rank_causes(Heater.load(PROFILE), [other, stop], pairs=False)
    assert bool(found[0].stop) == off
    assert found[1].stop
    assert found.safety.state == "heater_off"


def test_after_a_stop_a_second_analyser_is_not_asked_for() -> None:
    assert shipped_priors().checks["span_gas"].left((), may_burn=False) == "Put span gas on the analyser."


def test_above_its_limit_nothing_is_told_of_a_trim() -> None:
    run = call("site", "--heater", PROFILE, "--altitude", "4300", "--intake-temp", "-20", "--air-in-temp", "20")
    told = run.out + run.err
    assert "°C at the outlet" in run.out
    assert not [word for word in ("when trimmed", "untrimmed", "useful heat", "Keeping lambda") if word in told]


def test_causes_tell_the_healthy_lambda_of_the_site_and_run_nothing_below_1(tmp_path: Path) -> None:
    plate = (FLEET / "profiles/large_high.toml").read_text(encoding="utf-8")
    (tmp_path / "high.toml").write_text(plate.replace("altitude_m = 3300", "altitude_m = 6000"), encoding="utf-8")
    at = ("--heater", str(tmp_path / "high.toml"), "--altitude", "4800", "--intake-temp", "-20")
    told, site = call("cause", *at, "--location", "outdoors", "--json").json, call("site", *at, "--json").json
    visit = told["visits"][0]
    assert visit["expected_healthy"]["high"]["air_ratio"] == pytest.approx(site["air_ratio_full"], abs=0.005)
    assert told["safety"]["state"] == "outdoors_only"
    assert not {one["check"] for one in visit["next_checks"]} & burning_checks()
    assert visit["adjust"] is None
    home = call("cause", "--heater", at[1], "--altitude", "400", "--location", "outdoors", "--json").json
    assert home["safety"]["state"] == "not_judged"
    assert {one["check"] for one in home["visits"][0]["next_checks"]} & burning_checks()
    plain = call("cause", *at, "--location", "outdoors")
    assert f"lambda {site['air_ratio_full']:.2f}" in plain.out


def test_a_visit_under_a_stop_is_not_handed_back_and_the_list_tells_its_state(tmp_path: Path) -> None:
    book = str(tmp_path / "w.book")
    assert call("visit", "open", book, "heater-1", "--visit-id", "V1", "outdoors", "o2", "8.2", "co", "2400").code == 0
    refused = call("visit", "enter", book, "handed_back", "yes")
    assert refused.code == 3
    assert refused.err.startswith("STOP")
    assert "contradicts a stop condition" in refused.err
    assert "heater off  V1" in call("log", "show", book).out
    assert call("log", "show", book, "--json").json["visits"][0]["safety"]["state"] == "heater_off"
    repaired = call("visit", "enter", book, "repair", "burner cleaned")
    assert repaired.out.startswith("STOP"), "work alone clears nothing"
    again = call("visit", "enter", book, "o2", "8.2", "co", "50")
    assert again.code == 0
    assert "heater off" not in call("log", "show", book).out
    early = call("visit", "enter", book, "handed_back", "yes")
    assert (early.code, "CO in the cab" in early.err) == (3, True)
    assert call("visit", "enter", book, "cab", "1", "outside", "0", "handed_back", "yes").code == 0


HISTORY = ("heater_id,taken_at,stage,o2_dry_pct,altitude_m,location", "heater-0107,2025-01-10,high,8.2,400,outdoors")


@pytest.mark.parametrize(
    ("last", "state"),
    [
        ("heater-0107,2025-11-10,high,8.2,400,outdoors", "not_judged"),
        ("heater-0107,2025-11-10,high,8.2,400,", "outdoors_only"),
        ("heater-0107,2025-11-10,high,8.2,400,indoors", "outdoors_only"),
        ("heater-0107,2025-11-10,high,8.2,2900,outdoors", "heater_off"),
    ],
    ids=["outdoors", "place not stated", "indoors", "above its limit"],
)
def test_a_history_has_the_state_of_its_last_visit_as_cause_tells_it(last: str, state: str, tmp_path: Path) -> None:
    (tmp_path / "all.csv").write_text("\n".join([*HISTORY, last]), encoding="utf-8")
    (tmp_path / "last.csv").write_text("\n".join([HISTORY[0], last]), encoding="utf-8")
    run = call("history", str(tmp_path / "all.csv"), "--heater", OTHER, "--json")
    cause = call("cause", str(tmp_path / "last.csv"), "--heater", OTHER, "--json")
    stops = {one["code"] for one in cause.json["safety"]["stops"]}
    assert run.json["safety"]["state"] == state
    assert {one["code"] for one in run.json["safety"]["stops"]} == stops
    assert (run.json["next_visit"] is None) == bool(stops)


def test_without_a_drift_that_can_be_told_there_is_no_chance_of_0_per_cent(tmp_path: Path) -> None:
    (tmp_path / "one.csv").write_text("\n".join(HISTORY), encoding="utf-8")
    run = call("history", str(tmp_path / "one.csv"), "--heater", OTHER)
    told = dict(line.split("  ", 1) for line in run.out.splitlines() if "  " in line)
    assert "cannot be told" in told["drift"]
    assert "cannot be told" in told["risk"]


def test_beside_an_emergency_nothing_is_told_of_a_restart() -> None:
    plain = call("start", "--heater", OTHER)
    assert "earliest restart" in plain.out
    assert "glow before attempt 1" in plain.out
    run, told = (call("start", "--heater", OTHER, "--emergency", "co_alarm", *more) for more in ((), ("--json",)))
    assert not [word for word in ("restart", "glow before", "attempt 1", "self-check") if word in run.out.lower()]
    assert not {"phases", "earliest_restart_s", "now"} & set(told.json)


def test_a_strip_down_that_is_no_cause_is_refused_by_reading_and_cause_alike() -> None:
    asked = (*READ, "--strip-down", "exchanger_leak")
    runs = [call("reading", *asked), call("cause", "--heater", PROFILE, *asked)]
    assert [run.code for run in runs] == [3, 3]
    assert runs[0].err == runs[1].err
    assert call("reading", *READ, "--strip-down", "exchanger_fouled").code == 0


@pytest.mark.parametrize(
    "arguments",
    [
        ("reading", "--o2-dry", "8.2", "--co-dry", "50"),
        ("reading", "--o2-dry", "8.2", "--co-dry", "50", "--location", "indoors"),
        ("reading", "--o2-dry", "0.2", "--co-dry", "900", "--location", "outdoors"),
        ("site", "--fuel", "diesel", "--air-ratio", "1.6", "--altitude", "3500", "--intake-temp", "0"),
        ("history", str(ROOT / "data/larkfell_winters.csv"), "--heater", OTHER),
        ("profile", "check", PROFILE),
    ],
)
def test_the_sentence_never_stands_above_what_is_not_judged(arguments: tuple[str, ...]) -> None:
    run = call(*arguments)
    assert run.code == 0
    assert SENTENCE not in run.out + run.err


def test_without_a_stop_the_cautions_are_one_line() -> None:
    run = call("reading", *READ, "--co-dry", "50")
    assert run.err.startswith(SENTENCE)
    assert SENTENCE not in run.out
    assert run.err.count("caution: ") == 1


def test_a_fleet_with_refused_vehicles_is_not_judged(tmp_path: Path) -> None:
    text = (FLEET / "vehicles.csv").read_text(encoding="utf-8").splitlines()
    (tmp_path / "cars.csv").write_text("\n".join([text[0], text[1], "x,no-such-heater,nowhere,,,"]), encoding="utf-8")
    arguments = ("fleet", "--vehicles", str(tmp_path / "cars.csv"), "--sites", str(FLEET / "sites.csv"))
    run = call(*arguments, "--profiles", str(FLEET / "profiles"), "--out", str(tmp_path / "plan"))
    assert SENTENCE not in run.out + run.err


def test_a_table_has_the_state_in_its_first_column(tmp_path: Path) -> None:
    table = tmp_path / "day.csv"
    rows = ("8.2,50,outdoors", "8.2,2400,outdoors", "8.2,50,", "80,50,outdoors", "8.2,>3000,outdoors")
    table.write_text("\n".join(["o2_dry_pct,co_dry_ppm,location", *rows]) + "\n", encoding="utf-8")
    run = call("readings", str(table), "--out", str(tmp_path / "out.csv"))
    lines = (tmp_path / "out.csv").read_text(encoding="utf-8").splitlines()
    assert lines[0].startswith("safety,o2_dry_pct")
    assert [line.split(",")[0].strip('"') for line in lines[1:]] == [
        "nothing_found", "heater_off", "outdoors_only", "not_judged", "heater_off",
    ]  # fmt: skip
    assert "STOP in 2 of 5 rows: exhaust_co_high" in run.out
    assert run.out.index("exhaust_co_high") < run.out.index("location_unknown"), "the worst first"


def test_a_logbook_tells_the_stops_of_what_it_takes_and_of_what_it_refuses(tmp_path: Path) -> None:
    book = str(tmp_path / "a.book")
    assert call("visit", "open", book, "heater-1", "outdoors").code == 0
    for wrong, code in (((), 0), (("o2", "80"), 3), (("nonsense",), 3), (("at", "noon"), 3)):
        run = call("visit", "enter", book, "co", "2400", *wrong)
        assert run.code == code
        assert run.out.startswith("STOP")
        assert run.err.startswith("STOP")
    told = call("visit", "enter", "--json", book, "co", "2400", "o2", "80").json
    assert told["safety"]["state"] == "heater_off"
    nameless = call("visit", "enter", str(tmp_path / "b.book"), "cab", "45")
    assert nameless.code == 3
    assert nameless.out.startswith("STOP")


@pytest.mark.parametrize("kind", ["table", "series"])
@pytest.mark.parametrize("refused", [True, False])
def test_a_table_or_a_series_for_the_logbook_tells_its_stops_first(tmp_path: Path, kind: str, refused: bool) -> None:
    """A series of two moments is never steady, so it is refused; a row of a table is refused by its O2."""
    table = tmp_path / "rows.csv"
    heading = "visit_id,taken_at,location,co_dry_ppm,o2_dry_pct"
    series, book = kind == "series", str(tmp_path / "a.book")
    last = 2 if refused and series else 240
    rows = [
        f"V1,2026-01-14T10:{s // 60:02d}:{s % 60:02d},outdoors,2400,8.2" for s in range(0, last, 2 if series else 300)
    ]
    if refused and not series:
        rows = ["V1,2026-01-14T10:20,outdoors,2400,80"]
    table.write_text("\n".join([heading, *rows]) + "\n", encoding="utf-8")
    if series:
        assert call("visit", "open", book, "heater-1", "--visit-id", "V1").code == 0
    typed = ("log", "series", str(table), "--into", book) if series else ("log", "add", book, str(table))
    run, told = call(*typed), call(*typed, "--json")
    assert run.code == (3 if refused else 0)
    assert "STOP" in run.out.splitlines()[0]
    assert "STOP" in run.err
    assert told.json["safety"]["state"] == "heater_off"


@pytest.mark.parametrize("alarm", ["fails", "missing"])
def test_without_a_working_co_alarm_nothing_runs_in_the_cab(tmp_path: Path, alarm: str) -> None:
    """Common practice, no source: no work with the heater running without a working CO alarm in the cab."""
    opened = ("visit", "open", str(tmp_path / "a.book"), "heater-1", "--visit-id")
    read = ("outdoors", "o2", "8.2", "co", "50", "alarm")
    run = call(*opened, "V1", *read, alarm)
    assert run.out.startswith("ONLY OUTDOORS")
    assert f"CO alarm of the cab: {alarm}" in run.err
    shown = call("log", "show", str(tmp_path / "a.book"), "--visit-id", "V1", "--json").json
    assert shown["safety"]["state"] == "outdoors_only"
    works = call(*opened, "V2", *read, "works")
    assert works.err.startswith(SENTENCE)


def test_a_stop_comes_before_a_file_that_is_refused(tmp_path: Path) -> None:
    """What was said at the call is told although the profile, the fuels or the logbook cannot be read."""
    refused = [
        ("cause", *READ, "--co-dry", "2400", "--heater", str(tmp_path / "none.toml")),
        ("reading", *READ, "--co-dry", "2400", "--fuels", str(tmp_path / "none.toml")),
        ("visit", "enter", str(tmp_path / "none" / "w.book"), "o2", "8.2", "co", "2400"),
    ]
    for arguments in refused:
        run = call(*arguments)
        assert run.code == 3
        assert run.out.startswith("STOP"), arguments
        told = call(*arguments, "--json").json
        assert list(told) == ["safety", "error", "faults"]


def test_a_figure_of_another_kind_is_refused_before_anything_is_computed(tmp_path: Path) -> None:
    name = str(tmp_path / "figure.pdf")
    commands = [
        ("reading", *READ), ("cause", "--heater", PROFILE, *READ), ("start", "--heater", PROFILE),
        ("history", str(ROOT / "data/larkfell_winters.csv"), "--heater", OTHER),
    ]  # fmt: skip
    for arguments in commands:
        run = call(*arguments, "--figure", name)
        assert (run.code, run.out) == (3, ""), arguments
        assert ".png, .svg" in run.err


@pytest.mark.parametrize(
    ("second", "cell", "stops"),
    # Burning for 10 minutes before a reading counts, and a peak of CO at the start: common practice, no source.
    # 1000 ppm is the figure of a type approval. What is over the range stops at any time.
    [(900, "2500", True), (900, ">4000", True), (100, ">4000", True), (100, "2500", False), (900, "900", True)],
)
def test_the_worst_carbon_monoxide_of_a_series_is_told_and_kept(
    tmp_path: Path, second: int, cell: str, stops: bool
) -> None:
    """The steady window is the long quiet part beside it; 900 ppm in 15 % O2 is 3150 ppm without the air (21 / 6)."""
    rows = [
        f"{s},{15 if (s, cell) == (second, '900') else 8.2},{cell if s == second else 60},outdoors,high"
        for s in range(0, 1500, 10)
    ]
    table = tmp_path / "s.csv"
    table.write_text("\n".join(["time_s,o2_dry_pct,co_dry_ppm,location,stage", *rows]) + "\n", encoding="utf-8")
    book = str(tmp_path / "a.book")
    judged, facts = call("log", "series", str(table)), call("log", "series", str(table), "--json")
    assert call("visit", "open", book, "heater-1", "--visit-id", "V1").code == 0
    added = call("log", "series", str(table), "--into", book)
    shown = call("log", "show", book, "--visit-id", "V1", "--json")
    for run in (judged, added):
        assert run.code == 0, run.err
        assert ("STOP" in run.err) == ("STOP" in run.out) == stops
        assert ("No stop condition" in run.err) != stops
        assert stops or f"WARNING: 2500 ppm CO in the exhaust at {second} s" in run.out + run.err
    for text in (facts.out, shown.out):
        assert next(iter(json.loads(text))) == "safety"
        assert json.loads(text)["safety"]["state"] == ("heater_off" if stops else "nothing_found")
    assert json.loads(facts.out)["reading"]["co_air_free_ppm"] < 150, "the steady mean is as it is"
    assert len(json.loads(shown.out)["readings"]) == 1 + stops
    assert call("visit", "print", book, "--visit-id", "V1", "--out", str(tmp_path / "r.html")).code == 0
    assert ("STOP" in (tmp_path / "r.html").read_text(encoding="utf-8")) == stops


@pytest.mark.parametrize("command", [("reading",), ("cause",), ("site",)])
def test_a_typed_over_the_range_stops_like_a_cell_of_a_table(tmp_path: Path, command: tuple[str, ...]) -> None:
    """The stop of the exhaust CO is 1000 ppm, 0.1 %: more than that is a stop, more than 60 ppm tells nothing."""
    more = {"cause": ("--heater", PROFILE), "site": ("--heater", PROFILE, "--altitude", "900", "--intake-temp", "4")}
    typed = [word.replace("BOOK", str(tmp_path / "a.book")) for word in command] + list(more.get(command[0], ()))
    for option, text, stops in (
        ("--co-dry", ">2000", True),
        ("--co-dry", "\u22651000", True),
        ("--co-dry", ">60", False),
        ("--co-dry", "<5", False),
        ("--co-dry-pct", ">0.2", True),
        ("--cab-co-in", ">500", True),
    ):
        run = call(*typed, *READ, option, text)
        assert run.code == 3, run.err
        assert run.err.startswith("STOP") == run.out.startswith("STOP") == stops, (text, run.err)
        assert "is not a number" in run.err
    assert not (tmp_path / "a.book").exists()


def test_a_place_that_was_entered_stops_beside_a_refused_number() -> None:
    """Found by a person: indoors, told with an O2 that cannot be, stopped nothing; a word that is none did."""
    told = call("reading", "--fuel=diesel", "--location=indoors", "--o2-dry=25", "--co-dry=150")
    assert told.code == 3
    assert told.err.startswith("STOP. The heater is said to stand indoors.")
    with pytest.raises(CombustError) as refused:
        combust.interpret({"o2_dry_pct": 25.0, "location": "indoors"})
    assert str(refused.value).startswith("STOP. The heater is said to stand indoors.")
