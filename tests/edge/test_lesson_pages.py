"""Lesson figures, exercise pages, and the commands that write them."""

from __future__ import annotations

import json
import re
import time
from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from combust.application.lessons.demonstrations import demonstration, start_of
from combust.application.lessons.exercises import exercise_sheet
from combust.data.errors import CombustError
from combust.edge.cli.main import cli
from combust.edge.figures import lesson_gas as gas
from combust.edge.figures import lesson_machine as machine
from combust.edge.figures.chart import Chart, chart_svg
from combust.edge.notebook import FrozenFigure, choose, choose_card, slide
from combust.edge.reports.lessons import card_page, exercise_pages

ROOT = Path(__file__).parents[2]
GIVEN = {"check_s": 4, "preheat_s": [50, 45], "attempt_s": [75, 75], "attempt_pump_hz": 1.5, "cool_down_s": 200}


def start(cut_at_s: float) -> Chart:
    return machine.draw_start_fuel(start_of({**GIVEN, "stroke_ul": 24}, cut_at_s=cut_at_s))


# figure -> (ends and middle of its slider, what its alt text must say at the middle)
FIGURES: dict[str, tuple[Callable[[Any], Chart], tuple[Any, Any, Any], str]] = {
    "air sweep": (gas.draw_air_sweep, (1.6, 1.0, 2.4), "At lambda 1.60: CO about"),
    "dilution": (gas.draw_dilution, (10.0, 0.0, 30.0), "CO 135 ppm"),  # by hand: 150 · 0.9
    "wet": (gas.draw_wet, (100.0, 0.0, 50.0), "reads O2 7.54"),
    "calculated": (gas.draw_calculated, (-0.5, -2.0, 2.0), "off by -0.5"),
    # By hand, CH1.83: 6.943 of dry air per carbon leave 6.489 of dry gas; 20.95·0.29/(0.29 + 0.935) = 4.96.
    "altitude": (machine.draw_altitude, (2000.0, 0.0, 4500.0), "lambda 1.29, O2 to expect 5.0"),
    "duct": (machine.draw_duct, (18.0, 12.0, 24.0), "Crushing to 18 millimetres"),
    # By hand: 20.95 · 0.70/(0.70 + 0.934) and 20.95 · 0.36/(0.36 + 0.934), lambda 2.0 and 1.6 less 15 %.
    "stages": (machine.draw_stages, ("restriction", "supply_low", "tail_air"), "O2 9.0 % low, 5.8 % high"),
    "start": (start, (300.0, 60.0, 200.0), "5.4 ml are dosed"),  # by hand: 2 · 75 s · 1.5 Hz · 24 µl
    "fuels": (machine.draw_fuels, (15.0, -40.0, 40.0), "diesel_b7: lambda 1.60, heat 100 %"),
    "supply": (machine.draw_supply, (5.0, 1.0, 12.0), "1.5 mm²: 10.58 V"),
}


@pytest.mark.parametrize("name", FIGURES)
def test_a_figure_has_labels_with_units_and_alt_text_that_moves_with_the_slider(name: str) -> None:
    draw, (middle, *ends), words = FIGURES[name]
    chart = draw(middle)
    assert words in chart.told
    assert any("(" in axis.label and ")" in axis.label for axis in (chart.x, chart.y))
    charts = [draw(value) for value in (middle, *ends)]
    assert len({one.told for one in charts}) == len({one.title for one in charts}) == 3
    for one in charts:
        assert one.told.isprintable()
        assert "nan" not in one.told + one.title + chart_svg(one)
        for x, y in (map(float, pair.split(",")) for curve in one.curves for pair in curve.points.split()):
            assert one.left <= x <= one.right
            assert one.top <= y <= one.foot


def test_the_air_sweep_shows_co_flame_and_stack_loss() -> None:
    """Loss: Siegert's form, 1. BImSchV 2010, (300 - 20)(0.68/(21 - O2) + 0.007), light oil. O2 by hand, CH1.86:
    20.95 (r - 1)/(r - 1 + 0.934)."""
    given = {"fuel": "diesel_b7", "flue_temp_c": 300, "air_ratio": 1.6}
    table = demonstration("reactor", given)
    assert [column.partition(" ")[0] for column in table.columns] == ["lambda", "CO", "flame,", "stack"]
    for ratio, _, flame, loss in table.rows:
        o2 = 20.95 * (float(ratio) - 1.0) / (float(ratio) - 1.0 + 0.934)
        assert float(loss) == pytest.approx(280.0 * (0.68 / (21.0 - o2) + 0.007), abs=0.8)
        assert f"{flame} °C" in [spot.text for spot in gas.draw_air_sweep(float(ratio)).spots]
    flames = [float(row[2]) for row in table.rows]
    assert flames == sorted(flames, reverse=True)


def test_figures_are_the_same_bytes_each_time_and_soon_there() -> None:
    frozen = [FrozenFigure(gas.draw_dilution(10.0), "caption").svg for _ in range(2)]
    assert frozen[0] == frozen[1]
    begun = time.perf_counter()
    FrozenFigure(gas.draw_dilution(11.0), "caption")
    print(f"one lesson figure: {time.perf_counter() - begun:.2f} s")


def test_a_slider_and_a_list_redraw_their_figure() -> None:
    handle, shown = slide(gas.draw_dilution, label="air (%)", low=0, high=30, step=1, start=10).children
    before = shown.value
    handle.value = 20
    assert "With 20 per cent air" in shown.value != before
    causes = [("duct", "restriction"), ("pump", "fuel_over")]
    handle, shown = choose(machine.draw_stages, label="cause", options=causes).children
    before = shown.value
    handle.value = "fuel_over"
    assert "pump gives too much" in shown.value != before


def test_cards_one_at_a_time_and_all_together() -> None:
    from combust.application.lessons.misconceptions import misconception_cards

    cards = misconception_cards()
    handle, shown = choose_card(cards).children
    handle.value = 3
    assert "Air-free" in shown.value
    assert cards._repr_html_().count("<section>") == len(cards) == str(cards).count("“")


# ---- printable pages --------------------------------------------------------------------------------------------
class Strict(HTMLParser):
    """Counts tags that do not close, and what a page would fetch."""

    void = frozenset({"meta", "br", "hr", "img", "input", "link"})

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.fetched: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.fetched += [str(value) for key, value in attrs if key in ("src", "href")]
        if tag not in self.void:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


@pytest.mark.parametrize("seed", [None, 7])
def test_sheet_and_key_are_whole_pages_and_only_the_key_has_answers(seed: int | None) -> None:
    sheet, key = exercise_pages(seed)
    for page in (sheet, key):
        parser = Strict()
        parser.feed(page)
        assert parser.open == []
        assert parser.fetched == []
        assert page.count("<section>") == 14
        assert "Carbon monoxide kills without smell" in page
    for one in exercise_sheet(seed):
        for step in one.key()["steps"]:
            marked = re.sub(r"[&<>'\"]", "", step)[:25]
            assert marked in re.sub(r"&#?\w+;", "", key)
            assert marked not in re.sub(r"&#?\w+;", "", sheet)


def test_what_a_user_types_is_escaped() -> None:
    with pytest.raises(CombustError):
        exercise_pages(1, fuel="<b>coal</b>")
    from dataclasses import replace

    from combust.domain.catalogue import get_fuel

    sheet, _ = exercise_pages(1, fuel=replace(get_fuel("diesel_b7"), name="<script>alert(1)</script>"))
    assert "<script>" not in sheet
    assert "&lt;script&gt;" in sheet


def test_the_card_page_is_whole() -> None:
    parser = Strict()
    parser.feed(card_page())
    assert parser.open == []
    assert parser.fetched == []


# ---- commands ---------------------------------------------------------------------------------------------------
def test_command_exercises_writes_the_pages_it_names(tmp_path: Path) -> None:
    done = CliRunner().invoke(cli, ["exercises", "--seed", "7", "--cards", "--out", str(tmp_path)])
    assert done.exit_code == 0, done.output
    written = {path.name for path in tmp_path.iterdir()}
    assert written == {"exercises_7.html", "exercises_7_key.html", "misconception_cards.html"}
    assert all(name in done.stdout for name in written)
    assert (tmp_path / "exercises_7.html").read_text(encoding="utf-8") == exercise_pages(7)[0]


def test_command_exercises_json_is_one_object(tmp_path: Path) -> None:
    done = CliRunner().invoke(cli, ["exercises", "--out", str(tmp_path), "--json"])
    told = json.loads(done.stdout)
    assert [row["number"] for row in told["exercises"]] == list(range(1, 15))
    assert (tmp_path / "exercises_standard_key.html").is_file()


@pytest.mark.parametrize("seed", ["-1", "4294967296", "seven"])
def test_command_exercises_refuses_a_seed_that_cannot_be(seed: str, tmp_path: Path) -> None:
    done = CliRunner().invoke(cli, ["exercises", "--seed", seed, "--out", str(tmp_path)])
    assert done.exit_code == 2
    assert list(tmp_path.iterdir()) == []


def test_command_exercises_names_the_misconception_and_shows_no_key(tmp_path: Path) -> None:
    line = ["exercises", "--check", "voltage_at_the_heater", "--out", str(tmp_path)]
    # by hand: 12.2 − 10 A · (15 + 5 · 12.7 + 20 mΩ) = 11.215 V, the cable counted one way
    done = CliRunner().invoke(cli, [*line, "heater_v=11,21"])
    assert done.exit_code == 0, done.output
    assert "this is what comes out when the cable is counted one way" in done.stdout
    assert "10.58" not in done.output
    assert list(tmp_path.iterdir()) == []
    right = json.loads(CliRunner().invoke(cli, [*line, "heater_v=10.58", "--json"]).stdout)
    assert [one["said"] for one in right["checked"]] == ["right"]
    side = ["exercises", "--check", "intake_duct_off", "side=exhaust"]
    assert "pump, blower and voltage are left" in CliRunner().invoke(cli, side).stdout
    for wrong in (["heater_v=much"], ["volt=3"], ["heater_v"]):
        refused = CliRunner().invoke(cli, [*line, *wrong])
        assert refused.exit_code != 0
        assert "heater_v" in str(refused.exception)
    assert "which exercise" in str(CliRunner().invoke(cli, ["exercises", "heater_v=3"]).exception)
