"""A result as text: stops before everything, the one sentence without them, and what was assumed beside it."""

from __future__ import annotations

import pytest

from combust.domain.heater import Heater
from combust.domain.limits import Finding, no_stop_text, result_text

ROWS = [("lambda", "1.60"), ("excess air", "60 %")]


@pytest.mark.hand
def test_stops_come_first_and_the_rest_follows_in_order() -> None:
    found = [Finding("a", "note", "A note."), Finding("b", "stop", "STOP.")]
    assumed = {"humidity_pct": {"value": 0.0, "origin": "dry air"}}
    told = result_text(ROWS, findings=found, assumed=assumed, left_out=["one reading"], cautions=["Fresh air."])
    # the longest label has 10 letters: the second column begins at 12
    assert told.splitlines() == [
        "STOP.", "", "lambda      1.60", "excess air  60 %", "", "Findings", "- A note.", "", "Assumed",
        "- humidity_pct = 0.0: dry air", "", "Left out or assumed", "- one reading", "", "Cautions", "- Fresh air.",
    ]  # fmt: skip


@pytest.mark.hand
def test_without_a_stop_the_only_sentence_is_said() -> None:
    told = result_text(ROWS, findings=[Finding("a", "warn", "A warning.")])
    assert told.startswith(no_stop_text() + "\n\nlambda")
    assert "Cautions" not in told


@pytest.mark.hand
def test_stages_and_baselines_are_found_by_name() -> None:
    text = {
        "fuel": "diesel_b7",
        "stages": {"high": {"air_ratio_band": [1.35, 1.8]}},
        "baseline": [{"stage": "high", "o2_dry_pct": 8.2, "co_dry_ppm": 40.0}],
    }
    heater = Heater.from_dict(text)
    assert heater.stage_of("high").air_ratio_band == (1.35, 1.8)
    assert [one.stage for one in heater.baselines_of("high")] == ["high"]
    assert heater.baseline_of("high") is heater.baselines_of("high")[0]
    with pytest.raises(ValueError, match="is no stage of this heater"):
        heater.stage_of("middle")
