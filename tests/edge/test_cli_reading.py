"""``combust reading`` from outside: options, page, JSON."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from combust.data.vocabulary import input_keys, quantities
from combust.domain.limits import cautions
from tests.edge.runs import MEASURED, call, is_plain_refusal, spawn

GOOD = ("reading", "--fuel", "diesel_b7", "--o2-dry", "8.2", "--co-dry", "150", "--location", "outdoors")
WARM = ("--flue-temp", "300", "--intake-temp", "20")
# The keys promised to users: they stay.
TOP = {
    "air_ratio", "air_ratio_u", "air_ratio_by", "excess_air_pct", "co_air_free_ppm", "stack_loss_pct",
    "stack_loss_siegert_pct", "efficiency_net_pct", "agreement", "site", "findings", "cautions", "fuel", "inputs",
    "assumed", "sources", "version",
}  # fmt: skip
NESTED = {
    "air_ratio_by": {"o2", "co2", "balance", "brettschneider", "spindt", "shortcut"},
    "agreement": {"verdict", "z", "fuel_factor", "fuel_factor_of_fuel"},
    "site": {"pressure_hpa", "air_density_kg_m3", "density_ratio", "dry_air_density_ratio", "density_reference"},
}


def test_json_has_every_promised_key() -> None:
    told = call(*GOOD, *WARM, "--json").json
    assert set(told) >= TOP
    for key, names in NESTED.items():
        assert set(told[key]) >= names
    assert told["site"]["density_reference"] == {"pressure_hpa": 1013.25, "temp_c": 15, "humidity_pct": 0}
    assert all(set(found) >= {"code", "severity", "text"} for found in told["findings"])
    assert {found["severity"] for found in told["findings"]} <= {"stop", "warn", "note"}


@pytest.mark.independent
def test_the_worked_reading_of_an_element_balance() -> None:
    # Diesel CH1.86O0.007, O2 8.2 %, CO 150 ppm, flue 300, air 20 degrees: an element balance done apart from combust
    # gives lambda 1.60, air-free CO 246 to 247 ppm, 270 to 272 mg/kWh, Siegert 16.8 %, shortcut 1.64 to 1.65. Cantera's
    # gri30 enthalpies of the CO-free gas between 20 and 300 degrees over 42.653 MJ/kg give a loss of 16.89 %.
    told = call(*GOOD, *WARM, "--json").json
    assert told["air_ratio"] == pytest.approx(1.60, abs=0.005)
    assert 246.0 <= told["co_air_free_ppm"] <= 247.5
    assert 269.5 <= told["co_mg_per_kwh"] <= 272.5
    assert told["stack_loss_siegert_pct"] == pytest.approx(16.8, abs=0.05)
    assert told["stack_loss_pct"] == pytest.approx(16.89, abs=0.03)
    assert 1.635 <= told["air_ratio_by"]["shortcut"] <= 1.655
    assert told["excess_air_pct"] == pytest.approx(100 * (told["air_ratio"] - 1))


def test_what_was_not_measured_is_null_and_never_zero() -> None:
    told = call("reading", "--fuel", "diesel_b7", "--o2-dry", "8.2", "--json").json
    for key in ("co_air_free_ppm", "co_at_3pct_o2_ppm", "co_mg_per_kwh", "stack_loss_pct", "efficiency_net_pct"):
        assert told[key] is None, key
    assert told["agreement"] == {**told["agreement"], "verdict": "cannot_check", "z": None, "fuel_factor": None}
    assert told["air_ratio_by"]["co2"] is told["air_ratio_by"]["balance"] is None
    assert "co_dry_ppm" not in told["inputs"]
    assert told["assumed"]["location"]["value"] == "indoors"
    assert all(set(row) >= {"value", "origin"} and row["origin"] for row in told["assumed"].values())


def test_no_lambda_in_air_is_null_with_the_reason() -> None:
    told = call("reading", "--o2-dry", "20.7", "--co-dry", "3", "--json").json
    assert told["air_ratio"] is None
    assert told["air_ratio_u"] is None
    assert "o2_like_air" in [found["code"] for found in told["findings"]]


@pytest.mark.parametrize(
    ("more", "verdict"),
    [
        (MEASURED, "agree"),
        (("--co2-dry", "9.3"), "cannot_check"),
        (("--co2-dry", "9.3", "--co2-origin", "calculated"), "cannot_check"),
    ],
)
def test_only_a_measured_co2_can_agree(more: tuple[str, ...], verdict: str) -> None:
    assert call(*GOOD, *more, "--json").json["agreement"]["verdict"] == verdict


@pytest.mark.independent
def test_a_pair_of_a_wet_sample_disagrees() -> None:
    # O2 7.54 with CO2 8.53, both measured: fuel factor 1.57 against 1.36 of diesel, worked apart from combust.
    told = call("reading", "--o2-dry", "7.54", "--co2-dry", "8.53", "--co2-origin", "measured", "--json").json
    assert told["agreement"]["verdict"] == "disagree"
    assert told["agreement"]["fuel_factor"] == pytest.approx(1.57, abs=0.005)


@pytest.mark.parametrize("form", [(), ("--json",)])
def test_stops_findings_and_cautions_go_to_stderr_in_both_forms(form: tuple[str, ...]) -> None:
    run = spawn("reading", "--o2-dry", "8.2", "--co-dry", "1500", "--location", "outdoors", *form)
    assert run.code == 0
    assert run.err.startswith("STOP."), "a stop comes before anything else"
    assert "1500 ppm" in run.err
    assert all(text in run.err for text in cautions())
    assert "leak test" in run.err
    if not form:
        assert run.out.startswith("STOP."), "whoever throws stderr away still reads it"
        assert "lambda (air ratio)" in run.out


def test_no_stop_says_only_that_none_was_found_in_what_was_entered() -> None:
    run = call(*GOOD, "--probe-leak-test", "pass")
    assert run.err.startswith("No stop condition found in what was entered.")
    assert not re.search(r"\bsafe\b", run.out + run.err, re.IGNORECASE)


def test_unknown_location_counts_as_indoors() -> None:
    codes = [found["code"] for found in call("reading", "--o2-dry", "8.2", "--json").json["findings"]]
    assert codes[0] == "location_unknown"


def test_everything_given_leaves_nothing_to_assume() -> None:
    run = call(
        *GOOD, *WARM, *MEASURED, "--pressure", "1010", "--humidity", "50", "--probe-leak-test", "pass"
    )  # fmt: skip
    assert run.code == 0
    assert "assumed" not in run.out


def test_stdout_holds_one_json_object_also_when_the_input_is_refused() -> None:
    run = spawn("reading", "--o2-dry", "23.1", "--co-dry", "lots", "--json")
    assert run.code == 3
    told = run.json
    assert [row["quantity"] for row in told["faults"]] == ["o2_dry_pct", "co_dry_ppm"]
    assert told["faults"][0] == {**told["faults"][0], "value": 23.1, "unit": "vol %", "low": 0.0, "high": 21.5}


def test_all_faults_are_told_at_once_with_band_and_remedy() -> None:
    run = call("reading", "--fuel", "deisel", "--o2-dry", "23.1", "--co2-dry", "-1", "--location", "outdors")
    is_plain_refusal(run)
    assert run.out.splitlines() == run.err.splitlines()[:1]  # the stop of a place that is none, on both streams
    assert "o2_dry_pct = 23.1 vol % is above fresh air (20.9 %)" in run.err
    assert "co2_dry_pct = -1 vol % is below zero" in run.err
    assert "Did you mean outdoors?" in run.err
    assert "fuel = deisel is not in the catalogue. Did you mean diesel" in run.err


def test_a_wrong_fuel_gets_near_matches() -> None:
    run = call("reading", "--fuel", "deisel_b7", "--o2-dry", "8")
    is_plain_refusal(run)
    assert "Did you mean diesel_b7" in run.err


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("reading", "--o2-dri", "8"), "--o2-dry"),
        (("readin",), "reading"),
        (("reading", "--o2-dry"), "argument"),
        (("reading", "8.2"), "8.2"),
    ],
)
def test_usage_mistakes_end_with_two_and_say_what_is_near(arguments: tuple[str, ...], told: str) -> None:
    run = call(*arguments)
    assert run.code == 2
    assert told in run.err
    assert run.out == ""


def test_a_refused_reading_still_tells_its_stops_first_and_never_says_that_there_is_none() -> None:
    run = call("reading", "--o2-dry", "30", "--cab-co-in", "250", "--location", "outdoors")
    assert run.code == 3
    assert run.err.startswith("STOP.")
    assert run.err.index("Everyone out") < run.err.index("Not accepted")
    quiet = call("reading", "--o2-dry", "30", "--co-dry", "many", "--location", "outdoors")
    assert "No stop condition" not in quiet.err


def test_a_refused_place_counts_as_indoors_at_the_command_line() -> None:
    run = call("reading", "--o2-dry", "8.2", "--co-dry", "50", "--location", "garage", "--json")
    assert run.code == 3
    assert [one["code"] for one in run.json["safety"]["stops"]] == ["location_unknown"]
    assert run.err.startswith("STOP until it is stated")
    assert "no location was entered" not in run.err, "a word was: it is none that is known"
    assert call("reading", "--o2-dry", "8.2", "--co-dry", "50", "--location", "Outdoors").code == 0


def test_of_refused_repeats_the_worst_is_judged() -> None:
    run = call("reading", "--o2-dry", "30", "--co-dry", "50", "--co-dry", "5000", "--location", "outdoors")
    assert run.code == 3
    assert "CO in the exhaust (5000 ppm)" in run.err


@pytest.mark.parametrize("key", ["--co-wet", "--co-dry-pct"])
def test_a_refused_wet_or_per_cent_co_still_stops(key: str) -> None:
    value = "0.5" if key.endswith("pct") else "5000"
    run = call("reading", "--o2-dry", "30", key, value, "--location", "outdoors")
    assert run.code == 3
    assert run.err.startswith("STOP.")


def test_a_wet_co_that_cannot_be_converted_stops_all_the_same() -> None:
    run = call("reading", "--co-wet", "5000", "--location", "outdoors", "--json")
    assert run.code == 0
    assert run.json["findings"][0]["code"] == "exhaust_co_high"
    assert run.err.startswith("STOP. CO in the exhaust (5000 ppm)")


def test_nothing_to_judge_is_refused() -> None:
    run = call("reading", "--fuel", "diesel", "--flue-temp", "300")
    is_plain_refusal(run)
    assert "o2_dry_pct is missing" in run.err


@pytest.mark.hand
def test_repeats_become_mean_and_scatter() -> None:
    # 8.0, 8.2, 8.4: mean 8.2, standard deviation 0.2 with n - 1.
    told = call("reading", "--o2-dry", "8.0", "--o2-dry", "8.2", "--o2-dry", "8.4", "--json").json
    assert told["inputs"]["o2_dry_pct"] == pytest.approx(8.2)
    assert told["inputs"]["o2_repeat_sd_pct"] == pytest.approx(0.2)
    assert told["inputs"]["repeats"] == 3
    single = call("reading", "--o2-dry", "8.2", "--json").json
    assert told["air_ratio_u"] > single["air_ratio_u"], "scatter widens the uncertainty of a mean of three"


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("--o2-dry", "8", "--flue-temp", "300", "--flue-temp", "400"), "flue_temp_c = 300 and 400"),
        (("--o2-dry", "8", "--fuel", "diesel", "--fuel", "gasoline"), "fuel = diesel and gasoline"),
        (("--o2-dry", "8", "--o2-dry", "8.1", "--co-dry", "1", "--co-dry", "2", "--co-dry", "3"), "repeats"),
        (("--o2-dry", "8", "--o2-dry", "eight"), "o2_dry_pct = eight"),
        (("--o2-dry", "8", "--o2-dry", "80"), "o2_dry_pct = 80"),
        (("--o2-dry", "8", "--o2-dry", "8.1", "--repeats", "7"), "repeats = 7"),
        (("--o2-dry", "8", "--o2-dry", ""), "o2_dry_pct"),
        (("--altitude", "100", "--altitude-ft", "300"), "altitude"),
        (("--o2-dry", "8", "--o2-wet", "7"), "o2_wet_pct"),
        (("--o2-dry", "8,200"), "decimal point"),
        (("--o2-dry", "8", "--altitude-ft", "99999"), "entered as altitude_ft = 99999"),
        (("--o2-dry", "8", "--flue-temp-f", "hot"), "flue_temp_f = hot is not a number"),
        (("--o2-dry", "nan"), "not a number"),
        (("--o2-dry", "inf"), "not a number"),
        (("--o2-dry", "1e999"), "o2_dry_pct"),
        (("--o2-dry", "1_0"), "not a number"),
        (("--o2-dry", "8", "--instrument-class", "portble"), "Did you mean portable"),
        (("--o2-dry", "8", "--instrument-class", "gone.toml"), "cannot be read"),
        (("--o2-dry", "8", "--fuels", "gone.toml"), "cannot be read"),
        (("--o2-dry", "8", "--out", "."), "folder"),
        (("--o2-dry", "8", "--out", ""), "folder"),
        (("--o2-dry", "8", "--figure", "plane.xyz"), ".png"),
        (("--o2-dry", "8", "--figure", ""), "folder"),
    ],
)
def test_what_cannot_be_is_refused_in_words_that_help(arguments: tuple[str, ...], told: str) -> None:
    run = call("reading", *arguments)
    is_plain_refusal(run)
    assert told in run.err
    assert run.out == ""


@pytest.mark.published
@pytest.mark.parametrize(
    ("other", "value", "key", "ours"),
    [
        # NIST SP 811 (2008), appendix B.8 and B.9: exact or conventional factors.
        ("--flue-temp-f", "572", "flue_temp_c", 300.0),
        ("--altitude-ft", "5000", "altitude_m", 1524.0),
        ("--pressure-inhg", "25", "pressure_hpa", 846.59725),
        ("--pressure-mbar", "850", "pressure_hpa", 850.0),
        ("--intake-static-mbar", "-0.6", "intake_static_pa", -60.0),
        ("--exhaust-static-inh2o", "0.5", "exhaust_static_pa", 124.5444),
        ("--exhaust-static-mmh2o", "10", "exhaust_static_pa", 98.0665),
        ("--co-dry-pct", "0.05", "co_dry_ppm", 500.0),
    ],
)
def test_other_units_are_converted_once(other: str, value: str, key: str, ours: float) -> None:
    told = call("reading", "--o2-dry", "8.2", other, value, "--json").json
    assert told["inputs"][key] == pytest.approx(ours, rel=1e-6)


def test_every_quantity_is_an_option_with_its_unit_in_the_help() -> None:
    text = call("reading", "--help").out
    for key in input_keys():
        record = quantities()[key]
        assert re.search(rf"{re.escape(record.option)}\b", text), key
        if record.unit and record.kind == "number":
            assert f"[{record.unit}]" in re.sub(r"\s+", " ", text), key


def test_long_spelling_with_unit_is_accepted_too() -> None:
    assert call("reading", "--o2-dry-pct", "8.2", "--json").json["inputs"]["o2_dry_pct"] == 8.2


def test_strict_ends_with_four_on_a_stop_or_a_warning_after_telling_all() -> None:
    stop = spawn("reading", "--o2-dry", "8.2", "--co-dry", "1500", "--location", "outdoors", "--strict", "--json")
    assert stop.code == 4
    assert stop.json["air_ratio"] is not None
    assert call(*GOOD, "--co-dry", "150", "--o2-dry", "8.2", "--strict", "--probe-leak-test", "pass").code == 0
    assert call("reading", "--o2-dry", "3", "--co-dry", "20", "--location", "outdoors", "--strict").code == 4


def test_strict_and_refused_is_refused() -> None:
    assert call("reading", "--o2-dry", "50", "--strict").code == 3


def test_out_is_the_json_object_and_leaves_nothing_beside_it(tmp_path: Path) -> None:
    target = tmp_path / "new" / "reading.json"
    run = call(*GOOD, "--json", "--out", str(target))
    assert json.loads(target.read_text(encoding="utf-8")) == run.json
    assert [path.name for path in target.parent.iterdir()] == ["reading.json"]


def test_out_that_cannot_be_written_keeps_what_was_there(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("kept")
    run = call(*GOOD, "--out", str(tmp_path / "file" / "below.json"))
    assert run.code == 3
    assert "Traceback" not in run.err
    assert (tmp_path / "file").read_text() == "kept"


def test_figure_is_drawn(tmp_path: Path) -> None:
    run = call(*GOOD, "--figure", str(tmp_path / "plane.svg"))
    assert run.code == 0
    assert (tmp_path / "plane.svg").read_text(encoding="utf-8").startswith("<?xml")
    assert f"Written: {tmp_path / 'plane.svg'}" in run.err


def test_presenter_draws_for_a_slide(tmp_path: Path) -> None:
    """A slide of 13.33 in at 150 points an inch is 2000 points wide, whatever the figure is on a page."""
    names = [tmp_path / "page.png", tmp_path / "slide.png"]
    for name, more in zip(names, ((), ("--presenter",)), strict=True):
        assert call(*GOOD, "--figure", str(name), *more).code == 0
    wide = [int.from_bytes(name.read_bytes()[16:20], "big") for name in names]
    assert wide[0] < 1000
    assert wide[1] == pytest.approx(2000, abs=1)


USER_FUELS = """
[fuel.winter]
label = "winter batch"
formula = "CH1.90"
net_heating_value = 43.0
density = 820
[mixture.half]
by = "mass"
parts = { winter = 0.5, diesel_b0 = 0.5 }
"""


@pytest.mark.parametrize("name", ["winter", "half", "CH1.90"])
def test_fuels_of_ones_own(tmp_path: Path, name: str) -> None:
    (tmp_path / "mine.toml").write_text(USER_FUELS, encoding="utf-8")
    told = call("reading", "--fuel", name, "--o2-dry", "8.2", "--fuels", str(tmp_path / "mine.toml"), "--json").json
    assert told["fuel"]["name"] == name
    if name == "winter":
        assert told["fuel"]["h_c"] == pytest.approx(1.90)
        assert told["fuel"]["net_heating_value_mj_per_kg"] == 43.0


CLASS = """
label = "my analyser"
o2_limit_pct = {o2}
co2_limit_pct = 0.5
co_ranges_ppm = [[200.0, 10.0, 0.0], [inf, 0.0, 0.10]]
hc_limit_ppm = 20.0
temp_limit_c = 2.0
temp_limit_share = 0.015
o2_resolution_pct = 0.01
co2_resolution_pct = 0.1
co_resolution_ppm = 1.0
"""


def test_an_instrument_class_of_ones_own_widens_the_uncertainty(tmp_path: Path) -> None:
    answers = []
    for limit in (0.2, 0.6):
        path = tmp_path / f"c{limit}.toml"
        path.write_text(CLASS.format(o2=limit), encoding="utf-8")
        answers.append(call("reading", "--o2-dry", "8.2", "--instrument-class", str(path), "--json").json)
    assert answers[0]["instrument"]["name"] == "c0.2"
    assert answers[1]["air_ratio_u"] / answers[0]["air_ratio_u"] == pytest.approx(3.0, rel=0.05)  # 0.6 / 0.2


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (("o2_limit_pct = 0.3", ""), "o2_limit_pct is missing"),
        (("o2_limit_pct = 0.3", "o2_limit_pct = nan"), "o2_limit_pct"),
        (("o2_limit_pct = 0.3", "o2_limit_pct = -1"), "o2_limit_pct = -1"),
        (("o2_limit_pct = 0.3", "o2_limit_pct = 0.3\no2_limit = 1"), "Did you mean o2_limit_pct"),
        (("[inf, 0.0, 0.10]", "[nan, 0.0, 0.10]"), "co_ranges_ppm"),
        (("[inf, 0.0, 0.10]", "[2000.0, 0.0, 0.10]"), "ends with inf"),
        (("[inf, 0.0, 0.10]", "[inf, nan, 0.10]"), "co_ranges_ppm"),
        (("[inf, 0.0, 0.10]", "5"), "co_ranges_ppm"),
        (("label", "label = = 3 #"), "cannot be read at line"),
    ],
)
def test_a_broken_instrument_class_is_refused(tmp_path: Path, change: tuple[str, str], told: str) -> None:
    path = tmp_path / "class.toml"
    path.write_text(CLASS.format(o2=0.3).replace(*change), encoding="utf-8")
    run = call("reading", "--o2-dry", "8.2", "--co-dry", "900", "--instrument-class", str(path), "--json")
    assert run.code == 3
    is_plain_refusal(run)
    assert told in run.err
