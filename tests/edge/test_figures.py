"""Figures of one reading: they draw for every kind of reading, say what they show, and come out alike each time."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import matplotlib as mpl
import numpy as np
import pytest
from matplotlib.contour import ContourSet
from matplotlib.figure import Figure
from matplotlib.patches import Ellipse

import combust
from combust.application.heater.baseline import healthy_stage
from combust.application.reading.result import ReadingResult
from combust.application.site.derating import derating_columns
from combust.data.errors import CombustError
from combust.edge.figures.altitude import draw_derating
from combust.edge.figures.gas_plane import draw_plane, draw_shortcut_error, gas_line
from combust.edge.figures.style import save
from tests.edge.runs import DATA, says_all

KINDS: dict[str, dict[str, Any]] = {
    "measured": {"o2_dry_pct": 8.2, "co2_dry_pct": 9.3, "co2_origin": "measured", "co_dry_ppm": 150},
    "calculated": {"o2_dry_pct": 8.2, "co2_dry_pct": 9.3, "co2_origin": "calculated"},
    "origin unknown": {"o2_dry_pct": 8.2, "co2_dry_pct": 9.3},
    "O2 alone": {"o2_dry_pct": 8.2},
    "CO alone": {"co_dry_ppm": 90},
    "CO2 alone": {"co2_dry_pct": 9.3, "co2_origin": "measured"},
    "stop": {"o2_dry_pct": 8.2, "co_dry_ppm": 5000},
    "air": {"o2_dry_pct": 20.9, "co2_dry_pct": 0.1, "co2_origin": "measured"},
    "impossible pair": {"o2_dry_pct": 8.2, "co2_dry_pct": 15.0, "co2_origin": "measured"},
    "no oxygen": {"o2_dry_pct": 0.0, "co_dry_ppm": 20000},
    "wet": {"o2_wet_pct": 7.4, "co2_wet_pct": 8.4, "co2_origin": "measured"},
    "gasoline": {"fuel": "gasoline_e10", "o2_dry_pct": 8.2},
}


def result_of(kind: str) -> ReadingResult:
    return combust.interpret({"fuel": "diesel_b7", "location": "outdoors", **KINDS[kind]})


@pytest.mark.parametrize("kind", KINDS)
def test_the_plane_draws_with_units_and_alt_text(kind: str) -> None:
    figure = draw_plane(result_of(kind))
    axes = figure.axes[0]
    assert axes.get_xlabel() == "O2, dry (vol %)"
    assert axes.get_ylabel() == "CO2, dry (vol %)"
    label = str(figure.get_label())
    assert label.startswith("CO2 against O2 with the line of ")
    assert len(label) > 60
    assert "nan" not in label + axes.get_title(loc="left")


@pytest.mark.parametrize("ending", ["png", "svg"])
def test_a_plane_is_written(tmp_path: Path, ending: str) -> None:
    save(draw_plane(result_of("measured")), tmp_path / f"plane.{ending}")
    assert (tmp_path / f"plane.{ending}").stat().st_size > 5000
    assert [path.name for path in tmp_path.iterdir()] == [f"plane.{ending}"]


def test_only_a_measured_pair_gets_an_ellipse_and_a_point() -> None:
    for kind in KINDS:
        axes = draw_plane(result_of(kind)).axes[0]
        ellipses = [patch for patch in axes.patches if isinstance(patch, Ellipse)]
        assert bool(ellipses) == (kind in ("measured", "impossible pair", "air", "wet")), kind


def test_a_stop_stands_in_the_title_and_no_lambda_with_it() -> None:
    title = draw_plane(result_of("stop")).axes[0].get_title(loc="left")
    assert "STOP" in title
    assert "lambda" not in title
    assert "cannot be told" in draw_plane(result_of("air")).axes[0].get_title(loc="left")
    assert "lambda (air ratio) 1.60" in draw_plane(result_of("measured")).axes[0].get_title(loc="left")


def test_the_fuel_is_named_and_a_reading_without_o2_says_so() -> None:
    assert "gasoline_e10" in str(draw_plane(result_of("gasoline")).get_label())
    assert "No O2 was entered." in str(draw_plane(result_of("CO alone")).get_label())


@pytest.mark.hand
def test_the_line_runs_from_the_co2_maximum_to_air() -> None:
    # CH2 + 1.5 O2: dry gas at lambda 1 per C: 1 CO2 + 1.5/0.20946 x (1 - 0.20946) N2, Ar, CO2 = 6.6614 mol; CO2 is
    # 1 + 1.5/0.20946 x 0.00042 = 1.0030 mol: 15.06 %. Far above, O2 tends to 20.946 % and CO2 to 0.042 %.
    o2, co2 = gas_line(combust.get_fuel("CH2"), np.array([1.0, 1e7]))
    assert co2[0] == pytest.approx(15.06, abs=0.005)
    assert o2[0] == pytest.approx(0.0, abs=1e-9)
    assert (o2[1], co2[1]) == (pytest.approx(20.946, abs=1e-3), pytest.approx(0.042, abs=1e-3))


def test_the_shortcut_figure_shows_the_error() -> None:
    figure = draw_shortcut_error(combust.get_fuel("diesel_b7"), o2_dry_pct=8.2)
    top, low = figure.axes
    assert top.get_ylabel() == "lambda (air ratio)"
    assert low.get_xlabel() == "O2, dry (vol %)"
    assert "%" in low.get_ylabel()
    error = np.asarray(low.lines[0].get_ydata())
    oxygen = np.asarray(low.lines[0].get_xdata())
    # Independent: at O2 8.2 % an element balance gives 1.60, the shortcut 1.643: 2.6 to 2.7 % high.
    assert np.interp(8.2, oxygen, error) == pytest.approx(2.65, abs=0.15)
    assert any("1.60" in text.get_text() for text in top.texts)
    assert "shortcut" in str(figure.get_label())


DRAW = [lambda: draw_plane(result_of("measured")), lambda: draw_shortcut_error(combust.get_fuel("diesel"))]


@pytest.mark.parametrize("draw", DRAW)
def test_the_same_figure_is_the_same_file(tmp_path: Path, draw: Any) -> None:
    for name in ("a.svg", "b.svg"):
        save(draw(), tmp_path / name)
    assert (tmp_path / "a.svg").read_bytes() == (tmp_path / "b.svg").read_bytes()
    text = (tmp_path / "a.svg").read_text(encoding="utf-8")
    assert not re.search(r"<dc:date>", text)


def test_drawing_leaves_the_callers_style_alone() -> None:
    before = dict(mpl.rcParams)
    draw_plane(result_of("measured"))
    assert dict(mpl.rcParams) == before


@pytest.mark.parametrize("name", ["plane.pdf", "plane", "", "plane.png.txt", "folder.svg"])
def test_another_kind_of_file_is_refused(tmp_path: Path, name: str) -> None:
    (tmp_path / "folder.svg").mkdir()
    with pytest.raises(CombustError) as refused:
        save(Figure(), tmp_path / name)
    says_all(str(refused.value))
    assert [path.name for path in tmp_path.iterdir()] == ["folder.svg"]


def test_a_figure_that_fails_keeps_what_was_there(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "plane.svg").write_text("before")

    def half(self: Figure, path: Path, **options: object) -> None:
        path.write_text("<svg")
        raise OSError("disk full")

    monkeypatch.setattr(Figure, "savefig", half)
    with pytest.raises(OSError, match="disk full"):
        save(draw_plane(result_of("measured")), tmp_path / "plane.svg")
    assert (tmp_path / "plane.svg").read_text() == "before"
    assert [path.name for path in tmp_path.iterdir()] == ["plane.svg"]


def test_the_derating_map_draws_where_its_hatching_begins_and_where_heat_bends() -> None:
    """Below the dots the fuel is not trimmed: there heat is that of the fuel's density, whatever the height."""
    heater = combust.Heater.load(DATA / "heaters" / "heater-0312.toml")
    base = healthy_stage(heater)
    figure = draw_derating(base, minimum=1.3)
    left, right = (
        [level for one in plot.collections if isinstance(one, ContourSet) and not one.filled for level in one.levels]
        for plot in figure.axes
    )
    assert 1.3 in left
    assert 1.3 in right
    assert base.air_ratio in right
    assert "Below the dotted line no fuel is trimmed" in str(figure.get_supxlabel())
    low, lower, above = derating_columns(base, [100.0, 400.0, 1200.0], [-18.0] * 3)["useful_heat_full_kw"]
    assert low == lower > above
