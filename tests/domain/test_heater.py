"""The heater profile: what loads, what is refused and at which line, what stays None."""

import math
import pickle
import tomllib

import pytest

from combust.data.errors import CombustError
from combust.data.tables import load_table
from combust.domain.heater import Heater
from combust.domain.profile_keys import PARTS, profile_keys
from tests.domain.profile_texts import DATA, LEAST, WITH_BASELINE, faults_of, load

# ---- what loads


def test_demo_profile_loads():
    heater = Heater.load(DATA / "heater-0312.toml")
    assert heater.heater_id == "heater-0312"
    assert heater.fuel.name == "diesel_b7"
    assert heater.speed_regulated is True
    assert heater.stage_of("high").air_ratio_band == (1.35, 1.80)
    baseline = heater.baseline_of("high")
    assert (baseline.origin, baseline.reading.o2_dry_pct, baseline.reading.fuel) == ("unit", 8.2, "diesel_b7")
    assert heater.limits.altitude_m == 1350
    assert (heater.ducts["exhaust"].bore_mm, heater.ducts["exhaust"].wall) == (23, "corrugated")


@pytest.mark.independent
def test_start_times_of_a_profile_are_those_of_the_worked_example(tmp_path):
    # worked apart: 4 + 50 + 75 + 45 + 75 + 200 s = 449 s; both attempts fail: 1.5 Hz x 24 ul x 150 s = 5.4 ml
    text = "stroke_ul = 24.0\n" + LEAST + "[start]\ncheck_s = 4\npreheat_s = [50, 45]\nattempt_s = [75, 75]\n"
    heater = load(tmp_path, text + "attempt_pump_hz = 1.5\ncool_down_s = 200\n")
    start = heater.start
    assert start.check_s + sum(start.preheat_s) + sum(start.attempt_s) + start.cool_down_s == 449
    assert heater.stroke_ul * start.attempt_pump_hz * sum(start.attempt_s) / 1000 == pytest.approx(5.4, rel=1e-12)


def test_the_least_loads_and_nothing_is_invented(tmp_path):
    heater = load(tmp_path, LEAST)
    for key in ("heater_id", "nominal_v", "speed_regulated", "blower_rpm_max", "power_run_w", "glow_a", "cutout_v"):
        assert getattr(heater, key) is None
    assert heater.heating_air_on_same_shaft is None
    assert heater.stroke_ul is None
    assert heater.start is None
    assert heater.blower == "unknown"
    assert heater.baselines == ()
    assert heater.baseline_of("high") is None
    assert dict(heater.ducts) == {}
    assert heater.stage_of("high").fuel_l_per_h is None
    assert heater.limits.altitude_m is None
    assert load(tmp_path, WITH_BASELINE).baseline_of("high").reading.altitude_m is None


def test_unknown_is_none_and_the_units_own_reading_comes_first(tmp_path):
    text = 'speed_regulated = "unknown"\n' + WITH_BASELINE.replace('stage = "high"', 'stage = "high"\norigin = "type"')
    text += '[[baseline]]\nstage = "high"\no2_dry_pct = 8.0\n'
    heater = load(tmp_path, text)
    assert heater.speed_regulated is None
    assert heater.baseline_of("high").reading.o2_dry_pct == 8.0
    assert [baseline.origin for baseline in heater.baselines if baseline.stage == "high"] == ["type", "unit"]


@pytest.mark.hand
def test_other_units_are_converted_once(tmp_path):
    text = (
        'fuel = "diesel_b7"\n[stages.high]\nfuel_gal_us_per_h = 0.1\n[[baseline]]\nstage = "high"\no2_dry_pct = 8.2\n'
    )
    text += "altitude_ft = 1000\nflue_temp_f = 572\nintake_static_inh2o = -0.2\nco_dry_pct = 0.004\n"
    text += "[limits]\naltitude_ft = 5000\n[ducts.exhaust]\nlength_ft = 3\nbore_mm = 24\n"
    heater = load(tmp_path, text)
    assert heater.stage_of("high").fuel_l_per_h == pytest.approx(0.3785411784, rel=1e-12)  # 1 US gal = 3.785411784 l
    assert heater.limits.altitude_m == pytest.approx(1524.0, rel=1e-12)  # 0.3048 m
    assert heater.ducts["exhaust"].length_m == pytest.approx(0.9144, rel=1e-12)
    reading = heater.baseline_of("high").reading
    assert reading.altitude_m == pytest.approx(304.8, rel=1e-12)
    assert reading.flue_temp_c == pytest.approx(300.0, rel=1e-12)
    assert reading.intake_static_pa == pytest.approx(-49.817782, rel=1e-6)
    assert reading.co_dry_ppm == pytest.approx(40.0, rel=1e-12)


def test_a_date_of_toml_is_taken_as_its_text(tmp_path):
    heater = load(tmp_path, WITH_BASELINE + "taken_at = 2026-02-04T10:35:00+01:00\n")
    assert heater.baselines[0].reading.taken_at == "2026-02-04T10:35:00+01:00"


def test_heater_is_frozen_travels_and_compares():
    heater = Heater.load(DATA / "heater-0312.toml")
    assert pickle.loads(pickle.dumps(heater)) == heater
    with pytest.raises(AttributeError):
        heater.stroke_ul = 30.0
    with pytest.raises(TypeError):
        heater.stages["high"] = None
    table = tomllib.loads((DATA / "heater-0312.toml").read_text(encoding="utf-8"))
    assert Heater.from_dict(table) == heater


def test_stage_that_is_not_there_is_told_with_the_known_ones():
    with pytest.raises(CombustError, match=r"stage = medium is no stage of this heater. It has high, low."):
        Heater.load(DATA / "heater-0312.toml").stage_of("medium")


# ---- what is refused


BAD = """\
heater_id = 312
feul = "diesel_b7"
fuel = "diesel_b8"
nominal_v = "12 V"
stroke_ml = 0.036
[stages.high]
fuel_l_per_h = 43
air_ratio_band = [
   1.80, # the low end
   1.35]
stroke_ul = 36

[[baseline]]
stage = "hihg"
o2_dry_pct = 25
o2_dyr_pct = 8
[[baseline]]
stage = "high"
sample_line = "wet"
co_dry_ppm = 1200
[start]
preheat_s = [50, 45]
attempt_s = [75]
[ducts.inlet]
length_m = 1
[ducts.exhaust]
length_m = 1
"""


def test_every_fault_is_told_at_once_with_its_line(tmp_path):
    told = [(fault.line, fault.quantity, fault.code) for fault in faults_of(tmp_path, BAD)]
    assert told == [
        (1, "heater_id", "format"),
        (2, "feul", "unknown_name"),
        (3, "fuel", "unknown_name"),
        (4, "nominal_v", "not_a_number"),
        (5, "stroke_ml", "unknown_name"),
        (7, "stages.high.fuel_l_per_h", "out_of_band"),
        (8, "stages.high.air_ratio_band", "out_of_band"),
        (11, "stages.high.stroke_ul", "unknown_name"),
        (14, "baseline[1].stage", "unknown_name"),
        (15, "baseline[1].o2_dry_pct", "out_of_band"),
        (16, "baseline[1].o2_dyr_pct", "unknown_name"),
        (19, "baseline[2].sample_line", "not_healthy"),
        (20, "baseline[2].co_dry_ppm", "not_healthy"),
        (22, "start.preheat_s", "conflict"),
        (24, "ducts.inlet", "unknown_name"),
        (26, "ducts.exhaust.bore_mm", "missing"),
    ]


@pytest.mark.parametrize(
    ("text", "line", "quantity", "code", "hint"),
    [
        ("", None, "fuel", "missing", "fuel ="),
        (LEAST.replace("fuel =", "feul ="), 1, "feul", "unknown_name", "fuel"),
        ('fuel = "diesel_b7"\n', None, "stages", "missing", "[stages.high]"),
        ('fuel = "diesel_b7"\n[stages.high]\n', None, "baseline", "missing", "air_ratio_band"),
        ('fuel = "?"\n[stages.high]\nair_ratio_band = [1.3, 1.8]\n', 1, "fuel", "placeholder", "diesel_b7"),
        ('fuel = "CH9"\n[stages.high]\nair_ratio_band = [1.3, 1.8]\n', 1, "fuel", None, ""),
        ('blower = "side-channel"\n' + LEAST, 1, "blower", "unknown_name", "side_channel"),
        ('speed_regulated = "yes"\n' + LEAST, 1, "speed_regulated", "format", "true, false"),
        ("nominal_v = true\n" + LEAST, 1, "nominal_v", "not_a_number", "nominal_v = 12"),
        ("nominal_v = 12\ncutout_v = 12\n" + LEAST, 2, "cutout_v", "conflict", "plate"),
        (
            "blower_rpm_max = 4000\n" + LEAST + "blower_rpm = 4600\n",
            5,
            "stages.high.blower_rpm",
            "conflict",
            "document",
        ),
        (LEAST + "useful_heat_kw = 3400\n", 4, "stages.high.useful_heat_kw", "out_of_band", "unit"),
        (LEAST + "fuel_gal_us_per_h = 9\n", 4, "stages.high.fuel_gal_us_per_h", "out_of_band", "unit"),
        (
            LEAST + "fuel_l_per_h = 0.4\nfuel_gal_us_per_h = 0.1\n",
            5,
            "stages.high.fuel_gal_us_per_h",
            "conflict",
            "one",
        ),
        (LEAST.replace("1.35", "1.8"), 3, "stages.high.air_ratio_band", "out_of_band", ""),
        (LEAST.replace("[1.35, 1.8]", "1.35"), 3, "stages.high.air_ratio_band", "format", "[1.35, 1.8]"),
        (LEAST + "[limits]\naltitude_km = 3\n", 5, "limits.altitude_km", "unknown_name", "altitude_m in m"),
        (LEAST + "[limits]\ncool_down_s = 3\n", 5, "limits.cool_down_s", "unknown_name", "[start]"),
        (LEAST + "limits = 3\n", 4, "stages.high.limits", "unknown_name", ""),
        ("limits = 3\n" + LEAST, 1, "limits", "format", "[limits]"),
        ("stages = 3\n" + 'fuel = "diesel_b7"\n', 1, "stages", "format", "[stages.NAME]"),
        ('fuel = "diesel_b7"\n[stages]\nhigh = 3\n', 3, "stages.high", "format", "[stages.high]"),
        (
            LEAST + "[ducts.exhuast]\nlength_m = 1\nbore_mm = 24\n",
            4,
            "ducts.exhuast",
            "unknown_name",
            "[ducts.exhaust]",
        ),
        (LEAST + "[ducts.intake]\nlength_m = 1\nbore_cm = 2.4\n", 6, "ducts.intake.bore_cm", "unknown_name", "mm"),
        (
            LEAST + '[ducts.intake]\nlength_m = 1\nbore_mm = 2\nfittings = ["muffler"]\n',
            6,
            "ducts.intake.bore_mm",
            "out_of_band",
            "",
        ),
        (LEAST + "[baseline]\no2_dry_pct = 8\n", 4, "baseline", "format", "[[baseline]]"),
        (LEAST + "[[baseline]]\no2_dry_pct = 8\n", 4, "baseline[1].stage", "missing", "stage"),
        (WITH_BASELINE + 'co2_dry_pct = "?"\n', 7, "baseline[1].co2_dry_pct", "placeholder", "#"),
        (WITH_BASELINE + "air_ratio = 1.6\n", 7, "baseline[1].air_ratio", "unknown_name", ""),
        (WITH_BASELINE + "altitude_m = 200\naltitude_ft = 600\n", 8, "baseline[1].altitude_ft", "conflict", "one"),
        ('heater_id = "A"\n' + WITH_BASELINE + 'heater_id = "B"\n', 8, "baseline[1].heater_id", "not_healthy", "type"),
        (WITH_BASELINE + 'probe_leak_test = "fail"\n', 7, "baseline[1].probe_leak_test", "not_healthy", "sample line"),
        (
            WITH_BASELINE + 'arrangement = "exhaust_duct_off"\n',
            7,
            "baseline[1].arrangement",
            "not_healthy",
            "installed",
        ),
        (WITH_BASELINE + 'strip_down = "burner_fouled"\n', 7, "baseline[1].strip_down", "not_healthy", "repair"),
        (WITH_BASELINE + "cab_co_in_ppm = 25\n", 7, "baseline[1].cab_co_in_ppm", "not_healthy", "People out"),
        (
            WITH_BASELINE + "flue_temp_c = 10\nintake_temp_c = 15\n",
            7,
            "baseline[1].flue_temp_c",
            "not_healthy",
            "swapped",
        ),
        (WITH_BASELINE.replace("8.2", "20.6"), 5, "baseline[1].o2_dry_pct", "not_healthy", "burns"),
        (WITH_BASELINE.replace("= 40", "= 700"), 6, "baseline[1].co_dry_ppm", "not_healthy", "leaks"),
        (
            WITH_BASELINE + 'co2_dry_pct = 5\nco2_origin = "measured"\n',
            7,
            "baseline[1].co2_dry_pct",
            "not_healthy",
            "trap",
        ),
        (
            WITH_BASELINE + 'co2_dry_pct = 18\nco2_origin = "measured"\n',
            7,
            "baseline[1].co2_dry_pct",
            "not_healthy",
            "trap",
        ),
        (WITH_BASELINE + 'fuel = "dieesl"\n', 7, "baseline[1].fuel", "unknown_name", "diesel"),
    ],
)
def test_each_refusal_names_line_quantity_and_remedy(tmp_path, text, line, quantity, code, hint):
    faults = faults_of(tmp_path, text)
    found = next(fault for fault in faults if fault.quantity == quantity)
    assert found.line == line
    assert code is None or found.code == code
    assert found.hint
    assert hint in found.hint
    if found.code == "out_of_band":
        assert found.low < found.high
    assert str(found).startswith(f"line {line}: {quantity}" if line else quantity)


def test_every_band_holds_at_both_ends():
    for part in PARTS:
        for record in profile_keys(part).values():
            if record.kind != "number":
                continue
            for inside in (record.low, record.high):
                assert record.checked(inside) == inside
            for outside in (math.nextafter(record.low, -math.inf), math.nextafter(record.high, math.inf), math.inf):
                with pytest.raises(CombustError) as caught:
                    record.checked(outside)
                assert (caught.value.low, caught.value.high) == (record.low, record.high)


def test_every_key_of_the_table_has_words_and_a_good_example():
    for part in PARTS:
        for key, row in load_table("profile_keys")[part].items():
            record = profile_keys(part)[key]
            assert len(record.meaning) > 10
            assert len(record.source) > 5
            record.checked(row["example"])


def test_a_file_that_is_no_profile_is_told_in_plain_words(tmp_path):
    with pytest.raises(CombustError, match="cannot be read"):
        Heater.load(tmp_path / "nothing.toml")
    (tmp_path / "latin.toml").write_bytes(b'fuel = "diesel\xe9"\n')
    with pytest.raises(CombustError, match="UTF-8"):
        Heater.load(tmp_path / "latin.toml")
    (tmp_path / "broken.toml").write_text("fuel = \n")
    with pytest.raises(CombustError, match="line 1"):
        Heater.load(tmp_path / "broken.toml")
    for table in (None, [], "x", 3):
        with pytest.raises(CombustError, match="holds no profile"):
            Heater.from_dict(table)
