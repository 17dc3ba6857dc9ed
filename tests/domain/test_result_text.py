"""A result: stops before everything, the one sentence without them, what was assumed; as text, JSON, HTML, repr."""

from __future__ import annotations

import datetime
import json
import math
import re
from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest

import combust
from combust.domain.heater import Heater
from combust.domain.limits import Finding, in_order
from combust.domain.result import UNTOLD, Assumed, Result, assume, many, plain, shown
from combust.domain.safety import Safety
from tests.edge.runs import ROOT

# Never 1 where they are said.
SEVERAL = {
    "{len(offsets)} offsets",
    "{attempts} attempts",
    "{len(derated)} rows",
    "{len(rows)} in kits",
}
COUNTED = r"(?:\w+\.)?(?:rows|refused|visits|heaters|entries|new|nights|attempts)"
BARE = r"\{(?:len\([^{}]*\)|int\([^{}]*\)|\w*count\w*|" + COUNTED + r")\}"


def test_a_count_is_worded_in_one_place() -> None:
    """One visit, not 1 visits: no text puts a plural behind a bare count."""
    assert [many(n, "visit") for n in (0, 1, 2)] == ["0 visits", "1 visit", "2 visits"]
    assert [many(2, word) for word in ("entry", "day", "branch")] == ["2 entries", "2 days", "2 branches"]
    found = {
        text
        for path in (ROOT / "combust").rglob("*.py")
        for text in re.findall(rf"{BARE} (?:[a-z]+ )?[a-z]+s\b", path.read_text(encoding="utf-8"))
    }
    assert found == SEVERAL


@dataclass(frozen=True, slots=True)
class Told(Result):
    """An invented result with everything that one can have."""

    findings: tuple[Finding, ...] = ()
    assumed: tuple[Assumed, ...] = ()
    left_out: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    ratio: float = math.nan
    hidden: int = 7
    unshown = ("hidden",)

    def lines(self) -> list[tuple[str, str]]:
        return [("lambda", "1.60"), ("excess air", "60 %"), ("fuel", "<diesel>"), ("air", "dry")]


@pytest.mark.hand
def test_stops_come_first_and_the_rest_follows_in_order() -> None:
    told = Told(
        (Finding("a", "note", "A note."), Finding("b", "stop", "STOP.")),
        (assume("humidity_pct", 0.0, "dry air"),),
        ("one reading",),
        ("Fresh air.",),
    )
    # the longest label has 10 letters: the second column begins at 12
    assert str(told).splitlines() == [
        "STOP.", "", "lambda      1.60", "excess air  60 %", "fuel        <diesel>", "air         dry", "", "Findings",
        "- A note.", "", "Assumed", "- humidity_pct = 0 %: dry air", "", "Left out", "- one reading", "", "Cautions",
        "- Fresh air.",
    ]  # fmt: skip
    page = told._repr_html_()
    assert page.index("STOP.") < page.index("1.60") < page.index("A note.") < page.index("Fresh air.")
    assert "&lt;diesel&gt;" in page
    assert "<diesel>" not in page
    assert repr(told) == "<Told: STOP b, lambda 1.60, excess air 60 %, fuel <diesel>, 1 more>"


@pytest.mark.hand
def test_without_a_stop_the_only_sentence_is_said() -> None:
    told = str(Told((Finding("a", "warn", "A warning."),)))
    assert told.startswith("No stop condition found in what was entered.\n\nlambda")
    assert "Cautions" not in told


@pytest.mark.hand
def test_the_json_of_a_result_holds_no_nan_and_what_was_assumed_by_its_name() -> None:
    told = Told((Finding("b", "stop", "STOP."),), (Assumed("check_s", 0.0, "s", "not in the profile"),)).to_dict()
    stop = {"code": "b", "severity": "stop", "text": "STOP.", **NO_NUMBER}
    assert next(iter(told)) == "safety"
    assert told == {
        "safety": {"state": "heater_off", "text": "STOP.", "stops": [stop]},
        "findings": [stop],
        "assumed": {"check_s": {"value": 0.0, "unit": "s", "origin": "not in the profile"}},
        "left_out": [], "cautions": [], "ratio": None, "version": combust.__version__,
    }  # fmt: skip


@pytest.mark.hand
def test_without_lines_of_its_own_every_word_and_number_is_a_row() -> None:
    @dataclass(frozen=True)
    class Short(Result):
        fuel_use: float
        name: str
        more: tuple[str, ...] = ()

    assert Short(0.25, "x").lines() == [("fuel use", "0.25"), ("name", "x")]


NO_NUMBER = {"quantity": "", "value": None, "unit": ""}


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (np.float32(0.5), 0.5),
        (np.inf, None),
        (np.array([1.0, np.nan]), [1.0, None]),
        ({1: (True, "a")}, {"1": [True, "a"]}),
        (datetime.date(2026, 3, 1), "2026-03-01"),
        (np.int64(3), 3),
        (Finding("a", "note", "t"), {"code": "a", "severity": "note", "text": "t", **NO_NUMBER}),
        (
            Finding("a", "stop", "t", "co_dry_ppm", 1530.0, "ppm"),
            {"code": "a", "severity": "stop", "text": "t", "quantity": "co_dry_ppm", "value": 1530.0, "unit": "ppm"},
        ),
    ],
)
@pytest.mark.hand
def test_plain_values_for_json(value: Any, expected: Any) -> None:
    assert plain(value) == expected
    json.dumps(plain(value), allow_nan=False)


@pytest.mark.hand
def test_findings_in_order_are_stops_then_warnings_then_notes() -> None:
    found = [Finding(code, kind, "") for code, kind in (("a", "note"), ("b", "stop"), ("c", "warn"), ("d", "stop"))]
    assert [finding.code for finding in in_order(found)] == ["b", "d", "c", "a"]


@pytest.mark.hand
def test_stages_and_baselines_are_found_by_name() -> None:
    text = {
        "fuel": "diesel_b7",
        "stages": {"high": {"air_ratio_band": [1.35, 1.8]}},
        "baseline": [{"stage": "high", "o2_dry_pct": 8.2, "co_dry_ppm": 40.0}],
    }
    heater = Heater.from_dict(text)
    assert heater.stage_of("high").air_ratio_band == (1.35, 1.8)
    (only,) = (one for one in heater.baselines if one.stage == "high")
    assert heater.baseline_of("high") is only
    with pytest.raises(ValueError, match="is no stage of this heater"):
        heater.stage_of("middle")


# Hand: 2 x 0.02 = 0.04 and 2 x 0.5 = 1.0; a number that is not there has no spread.
@pytest.mark.hand
@pytest.mark.parametrize(
    ("value", "pattern", "unit", "u", "said"),
    [
        (1.6004, ".2f", "", 0.02, "1.60 ± 0.04 (95 %)"),
        (-19.94, "+.1f", "%", 0.5, "-19.9 ± 1.0 % (95 %)"),
        (300.0, ".0f", "°C", None, "300 °C"),
        (None, ".2f", "", None, UNTOLD),
    ],
)
def test_a_number_is_shown_with_its_half_width(
    value: float | None, pattern: str, unit: str, u: float | None, said: str
) -> None:
    assert shown(value, pattern, unit, u=u) == said


@pytest.mark.memory
def test_a_stop_is_told_in_the_units_of_a_person() -> None:
    """1 ft = 0.3048 m exactly: 1350 m are 4429 ft (NIST SP 811, from memory)."""
    stop = Finding("above_heater_limit", "stop", "2000 m is above the heater's own limit of 1350 m.")
    told = Safety((stop,)).told_in("us")
    assert "4429 ft" in told.stops[0].text
    assert Safety((stop,)).told_in("metric").stops == (stop,)
    assert told.state == Safety((stop,)).state == "heater_off"
