"""A heater known only by its plate: today's reading may become a provisional baseline, a second visit confirms it."""

from __future__ import annotations

import shlex
from pathlib import Path

import pytest

from combust.application.causes.catalogue import shipped_priors
from combust.application.causes.engine import Engine
from combust.application.heater.baseline import healthy_stages
from combust.application.heater.profile_check import check_profile
from combust.application.heater.profile_template import profile_template
from combust.application.heater.structure import priors_table
from combust.application.visit.provisional import conditions, new_profile, second_look
from combust.application.visit.standing import standing
from combust.data.errors import CombustError
from combust.data.tables import read_toml
from combust.domain.heater import Heater
from combust.domain.instrument import instrument_class
from combust.edge.logbook.book import Logbook
from combust.edge.logbook.visits import read_visit
from tests.edge.runs import call
from tests.edge.test_visit_words import HEATERS, typed

PLATE = "kw 2 nominal 12 V fuel diesel_b7 stroke_ul 28 height_limit 1500 band_high 1.35-1.80 band_low 1.8-2.5"
# O2 8.2 % of diesel is lambda 1.60 with 9.3 % CO2, 10.8 % is 2.00 with 7.4 % (element balance, design notes).
HIGH = "high o2 8.2 co2 9.3 measured co 54 flue 300 o2span 0.1 drift 1 minutes 15"
LOW = "low o2 10.8 co2 7.4 co 60 flue 190 o2span 0.1 drift 1 minutes 20"
REST = ("outdoors altitude 210 air 15 zeroo2 20.9 leak pass", "terminals clear", "strokes 200 delivered 5.6 ml")
LINES = (PLATE, *REST, HIGH, LOW)
IN_BAND, AGREEING = "low lambda in the band of its document", "high O2 and a measured CO2 agreeing"
NOTHING = "nothing found that speaks against it"


def known_by_plate(*lines: str):
    return typed(*lines, heater="heater-0500", known=False)


def lacking(*lines: str) -> dict[str, str]:
    return {one.what: one.how for one in conditions(known_by_plate(*lines)) if not one.met}


def test_with_every_condition_met_the_profile_is_written_by_the_one_template_and_read_by_the_one_reader(tmp_path):
    assert lacking(*LINES) == {}
    path = tmp_path / "heater-0500.toml"
    path.write_text(new_profile(known_by_plate(*LINES)), encoding="utf-8")
    found = check_profile(path)
    heater = found.heater
    assert [(one.origin, one.stage) for one in heater.baselines] == [("provisional", "high"), ("provisional", "low")]
    assert heater.baseline_of("low").reading.o2_dry_pct == 10.8
    assert heater.baseline_of("high").reading.delivered_ml == 5.6
    assert (heater.nominal_v, heater.stroke_ul, heater.stage_of("high").useful_heat_kw) == (12.0, 28.0, 2.0)
    assert "baseline_provisional" in {one.code for one in found.findings}
    assert "## Heater profile for combust." in path.read_text(encoding="utf-8")


@pytest.mark.practice
@pytest.mark.parametrize(
    ("lines", "what", "how"),
    [
        ((PLATE, *REST, HIGH), "low stage read", "low o2"),
        ((PLATE, *REST, HIGH.replace("o2span 0.1 ", ""), LOW), "high steady", "o2span 0.1"),
        ((PLATE, *REST, HIGH.replace("o2span 0.1", "o2span 0.6"), LOW), "high steady", "read again"),
        ((PLATE, *REST, HIGH.replace("minutes 15", "minutes 5"), LOW), "high steady", "read again"),
        ((PLATE, *REST, HIGH.replace("measured ", ""), LOW), AGREEING, "measured"),
        ((PLATE, *REST, HIGH.replace("co2 9.3", "co2 8.5"), LOW), AGREEING, "trap"),
        ((PLATE, *REST, HIGH, LOW.replace("10.8 co2 7.4", "8.2 co2 9.3")), IN_BAND, "1.8 to 2.5"),
        ((PLATE.replace("band_low 1.8-2.5", ""), *REST, HIGH, LOW), IN_BAND, "band_low"),
        ((PLATE, *REST[:2], HIGH, LOW), "delivery measured", "strokes 200"),
        ((PLATE, *REST[:2], "strokes 200 delivered 7 ml", HIGH, LOW), "delivery measured", "35.0"),
        ((PLATE, REST[0], REST[2], HIGH, LOW), "terminals seen clear", "terminals clear"),
        ((PLATE, *REST, "terminals intake_blocked", HIGH, LOW), "terminals seen clear", "terminals clear"),
        ((PLATE, *REST, HIGH.replace("co 54", "co 1500"), LOW), NOTHING, "STOP"),
        ((PLATE, "outdoors air 15", *REST[1:], HIGH, LOW), "high with its CO, height and air", "altitude 210"),
        (REST, "the plate of the heater", "kw 2"),
        ((PLATE.replace("height_limit 1500", ""), *LINES[1:]), NOTHING, "height_limit 1500"),
    ],
)  # fmt: skip
def test_each_condition_that_lacks_is_told_with_how_to_add_it(lines, what, how):
    """Both stages, steady, O2 and CO2 agreeing, lambda, delivery, terminals (common practice, no source)."""
    missing = lacking(*lines)
    assert how in missing[what]
    with pytest.raises(CombustError, match="is lacking"):
        new_profile(known_by_plate(*lines))


def test_what_lacks_can_be_typed_as_it_is_told():
    """The sentence that tells how is a line of the visit itself."""
    first = lacking(PLATE, REST[0], HIGH, LOW)
    assert set(first) == {"terminals seen clear", "delivery measured"}
    assert lacking(PLATE, REST[0], HIGH, LOW, "terminals clear", "strokes 200 delivered 5.3 ml") == {}


def test_before_it_is_asked_for_nothing_is_written_and_close_asks(tmp_path):
    book, out = str(tmp_path / "w.book"), tmp_path / "h.toml"
    assert call("visit", "open", book, "heater-0500").code == 0
    for line in (PLATE, *REST[:2], HIGH, LOW):
        done = call("visit", "enter", book, *shlex.split(line))
    assert "for a provisional one it lacks: delivery measured" in " ".join(done.out.split())
    refused = call("visit", "close", book, "--incomplete", "--baseline", str(out))
    assert refused.code == 3
    assert not out.exists()
    for line in (REST[2], "cab 1 outside 0 alarm works handed_back yes"):
        done = call("visit", "enter", book, *shlex.split(line))
    assert "may today's reading be its provisional baseline" in " ".join(done.out.split())
    asked = call("visit", "close", book, "--incomplete", "--baseline", str(out))
    assert asked.code == 0, asked.err
    assert "provisional baseline of heater-0500 written to h.toml" in asked.err
    with Logbook(book, read_only=True) as opened:
        visit = read_visit(opened, "V001")
    assert "provisional baseline of heater-0500" in visit.of_kind("note")[-1]["text"]
    assert visit.closed_at
    assert call("profile", "check", str(out)).code == 0


def test_without_the_option_close_only_asks(tmp_path):
    book = str(tmp_path / "w.book")
    assert call("visit", "open", book, "heater-0500").code == 0
    for line in (*LINES, "cab 1 outside 0 alarm works handed_back yes"):
        assert call("visit", "enter", book, *shlex.split(line)).code == 0
    done = call("visit", "close", book, "--incomplete")
    assert "may today's reading be its provisional baseline?" in done.err
    assert [path.name for path in tmp_path.iterdir() if path.suffix == ".toml"] == []


def second(tmp_path: Path, *lines: str):
    folder = tmp_path / "heaters"
    folder.mkdir(exist_ok=True)
    path = folder / "heater-0500.toml"
    if not path.exists():
        path.write_text(new_profile(known_by_plate(*LINES)), encoding="utf-8")
    return typed(*lines, profile=read_toml(path, quantity="profile"), heater="heater-0500")


def test_a_provisional_baseline_is_wide_and_under_suspicion(tmp_path):
    heater = second(tmp_path).heater
    profile = second(tmp_path).profile
    sure = Heater.from_dict({**profile, "baseline": [{**row, "origin": "unit"} for row in profile["baseline"]]})
    wide, narrow = (healthy_stages(one, priors_table())["high"].u for one in (heater, sure))
    assert all(wide[key] > narrow[key] for key in ("air_ratio", "flue", "co"))
    shares = [
        sum(share for key, share in engine.prior_shares(False).items() if engine.priors.causes[key[0].cause].baseline)
        for engine in (Engine(one, shipped_priors(), instrument_class(None), 1) for one in (heater, sure))
    ]
    assert shares[0] > 2.0 * shares[1]
    visit = second(tmp_path, REST[0], "high o2 4.84 flue 340 co 90")
    found = standing(visit)
    assert "under suspicion until a second visit agrees" in dict(found.lines())["baseline"]
    assert "baseline_provisional" in {one.code for one in found.safety.findings}


def test_a_second_visit_that_agrees_says_so_and_confirms(tmp_path):
    visit = second(tmp_path, REST[0], "high o2 8.3 co 50 flue 302", "low o2 10.7 co 58 flue 189")
    assert [one.what for one in second_look(visit) if not one.met] == []
    text = new_profile(visit)
    path = tmp_path / "sure.toml"
    path.write_text(text, encoding="utf-8")
    assert [one.origin for one in Heater.load(path).baselines] == ["unit", "unit"]


@pytest.mark.parametrize(
    ("lines", "what"),
    [
        (("high o2 4.84 co 90 flue 340", "low o2 8.0 co 80 flue 210"), "high lambda"),
        (("high o2 8.3 co 50 flue 302",), "low stage read"),
        ((), "a reading"),
    ],
)
def test_a_second_visit_that_does_not_agree_confirms_nothing(tmp_path, lines, what):
    visit = second(tmp_path, REST[0], *lines)
    assert what in [one.what for one in second_look(visit) if not one.met]
    with pytest.raises(CombustError, match="is lacking"):
        new_profile(visit)


def test_a_heater_with_its_own_healthy_reading_is_asked_nothing():
    visit = typed(REST[0], HIGH)
    assert "baseline" not in dict(standing(visit).lines())
    with pytest.raises(CombustError, match="has a healthy reading already"):
        new_profile(visit)


@pytest.mark.parametrize("name", ["heater-0107", "heater-0312"])
def test_a_profile_goes_through_the_template_and_comes_back_the_same(tmp_path, name):
    table = read_toml(HEATERS / f"{name}.toml", quantity="profile")
    path = tmp_path / "again.toml"
    path.write_text(profile_template(known=table), encoding="utf-8")
    assert read_toml(path, quantity="profile") == table
