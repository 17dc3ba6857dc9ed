"""The safety state: monotone over random evidence, and nothing listed that it forbids; the cases that once went wrong.

The predicates of danger below are worked apart from the package, from published figures and facts of the trade.
"""

from __future__ import annotations

import math
import re
from typing import Any

import numpy as np
import pandas as pd
import pytest

import combust
from combust.application.causes.catalogue import shipped_priors
from combust.application.causes.checks import is_allowed
from combust.application.causes.rank import rank_causes
from combust.application.reading.columns import Columns
from combust.application.reading.interpret import interpret_columns
from combust.application.reading.result import interpret
from combust.application.safety import cab_stops, gas_stops, height_at_least, own_limits, place_stops
from combust.application.site.effect import site_effect
from combust.data.errors import CombustError
from combust.data.vocabulary import quantities
from combust.domain.catalogue import get_fuel
from combust.domain.heater import Heater
from combust.domain.instrument import instrument_class
from combust.domain.limits import Finding, finding, finding_kinds
from combust.domain.safety import STATES, Safety, calculation, forbids, of_all, ranks_of
from combust.domain.site import Site
from combust.edge.tables.readings import interpret_table

SIZE = 120_000
RANK = {state: rank for rank, state in enumerate(STATES)}
# Checks for which the heater must burn: common practice, no source (what each reads exists only with a flame).
BURNING = {
    "stage_and_steadiness", "supply_voltage", "intake_air_co2", "heating_air", "second_stage", "port_pressures",
    "intake_duct_off", "exhaust_duct_off", "blower_speed", "cab_co",
}  # fmt: skip
CHOICES = {
    "location": ("outdoors", "indoors"), "probe_leak_test": ("pass", "fail"),
    "fuel_sample": ("as_stated", "gasoline", "other"),
    "terminals": ("clear", "intake_blocked", "exhaust_blocked", "both"),
}  # fmt: skip


def random_evidence(seed: int = 20, size: int = SIZE) -> dict[str, Any]:
    """Return random readings as columns: each value missing in a third of the rows."""
    random = np.random.default_rng(seed)

    def number(low: float, high: float) -> Any:
        return np.where(random.random(size) < 0.33, np.nan, random.uniform(low, high, size))

    values: dict[str, Any] = {
        "o2_dry_pct": number(0.0, 21.5), "co_dry_ppm": number(0.0, 2500.0), "co_wet_ppm": number(0.0, 1500.0),
        "cab_co_in_ppm": number(0.0, 300.0), "cab_co_out_ppm": number(0.0, 60.0), "smoke_number": number(0.0, 9.0),
        "altitude_m": number(-100.0, 5000.0), "supply_v": number(8.0, 15.0),
    }  # fmt: skip
    values["co_wet_ppm"] = np.where(np.isnan(values["co_dry_ppm"]), values["co_wet_ppm"], np.nan)
    for key, words in CHOICES.items():
        codes = np.array([quantities()[key].choices.index(word) for word in words], dtype=np.int8)
        values[key] = np.where(random.random(size) < 0.33, np.int8(-1), random.choice(codes, size))
    return values


def found_in(values: dict[str, Any], burnt: str = "diesel") -> dict[str, Any]:
    """Return code -> where for random readings, with the limits of an invented heater."""
    size = len(values["o2_dry_pct"])
    mask = interpret_columns(Columns(size, values, (get_fuel(burnt),)), instrument_class()).mask
    found = {code: mask & np.uint64(1 << kind.bit) != 0 for code, kind in finding_kinds("reading").items()}
    own = own_limits(height_m=values["altitude_m"], height_limit_m=1400.0, supply_v=values["supply_v"], cutout_v=10.5)
    return found | own


def chosen(values: dict[str, Any], key: str, word: str) -> Any:
    return values[key] == quantities()[key].choices.index(word)


def dangers(values: dict[str, Any]) -> tuple[Any, Any]:
    """Return where people must leave and where the heater must not burn, worked apart from the package.

    2001/56/EC: 0.1 vol % CO in the exhaust, 20 ppm above outside in the cab; NIOSH: 35 and 200 ppm. Common practice, no
    source: gasoline in a diesel heater, a blocked terminal, a place indoors or not stated, above the document's height,
    voltage below the cut-out.
    """
    inside, outside = values["cab_co_in_ppm"], values["cab_co_out_ppm"]
    rise = inside - np.where(np.isnan(outside), 0.0, outside)
    people = (inside >= 35.0) | (rise >= 20.0)
    burning = people | (values["co_dry_ppm"] > 1000.0) | (values["co_wet_ppm"] > 1000.0)
    burning |= chosen(values, "fuel_sample", "gasoline") | ~chosen(values, "location", "outdoors")
    burning |= (values["terminals"] >= 0) & ~chosen(values, "terminals", "clear")
    return people, burning | (values["altitude_m"] > 1400.0) | (values["supply_v"] < 10.5)


# What makes the evidence worse: more CO, a worse place, a blocked terminal, greater height, lower voltage ...
WORSE = {
    "more CO in the exhaust": {"co_dry_ppm": lambda x: x + 700.0},
    "more CO in the cab": {"cab_co_in_ppm": lambda x: x + 50.0},
    "more smoke": {"smoke_number": lambda x: np.minimum(x + 3.0, 9.0)},
    "nothing of the leak test": {"probe_leak_test": lambda x: np.full_like(x, -1)},
    "gasoline seen": {"fuel_sample": lambda x: np.full_like(x, quantities()["fuel_sample"].choices.index("gasoline"))},
    "a blocked exhaust": {"terminals": lambda x: np.full_like(x, quantities()["terminals"].choices.index("both"))},
    "indoors": {"location": lambda x: np.full_like(x, quantities()["location"].choices.index("indoors"))},
    "place not stated": {"location": lambda x: np.full_like(x, -1)},
    "higher": {"altitude_m": lambda x: x + 1500.0},
    "less voltage": {"supply_v": lambda x: x - 3.0},
    "CO outside not measured": {"cab_co_out_ppm": lambda x: np.full_like(x, np.nan)},
}  # fmt: skip
# Measurements that say nothing about a danger that is already there: entering one never clears a stop.
ADDED = ("co_dry_ppm", "cab_co_in_ppm", "smoke_number", "o2_dry_pct", "supply_v", "terminals", "altitude_m")


def rank_break(name: str, found_of: Any = found_in) -> int:
    """Return in how many rows worse evidence lowers the state or allows more."""
    before = random_evidence()
    after = dict(before)
    for key, worse in WORSE[name].items():
        after[key] = worse(before[key])
    first, second = found_of(before), found_of(after)
    something = ~(first["not_judged"] | first["nothing_entered"])  # an empty record has no state to lower
    lower = (ranks_of(second) < ranks_of(first)) & something
    freed = forbids(first, ("burning",)) & ~forbids(second, ("burning",))
    return int((lower | freed).sum())


@pytest.mark.independent
@pytest.mark.parametrize("name", WORSE)
def test_more_evidence_of_danger_never_lowers_the_state(name: str) -> None:
    assert rank_break(name) == 0


@pytest.mark.regression
@pytest.mark.parametrize("key", ADDED)
def test_entering_a_measurement_never_clears_a_stop(key: str) -> None:
    full = random_evidence(7)
    gone = dict(full)
    gone[key] = np.full_like(full[key], -1 if full[key].dtype == np.int8 else np.nan)
    with_it, without = found_in(full), found_in(gone)
    for code, kind in finding_kinds().items():
        # The lambda and the air-free CO follow the O2; a place without anything beside it is an empty record.
        if kind.severity == "stop" and code in without and (key, code) != ("o2_dry_pct", "exhaust_co_air_free_high"):
            assert not np.any(without[code] & ~with_it[code]), code


@pytest.mark.independent
def test_the_state_is_as_bad_as_the_evidence() -> None:
    values = random_evidence(3)
    found = found_in(values)
    people, burning = dangers(values)
    rank = ranks_of(found)
    assert np.all(rank[people] == RANK["everyone_out"])
    assert np.all(rank[burning] >= RANK["not_judged"])
    assert np.all(forbids(found, ("burning",))[burning])
    assert np.all(rank[chosen(values, "location", "outdoors") & burning] >= RANK["heater_off"])
    assert not np.any((rank == RANK["nothing_found"]) & burning)
    assert {int(one) for one in np.unique(rank)} >= {RANK[one] for one in STATES if one != "not_judged"}


@pytest.mark.independent
def test_nothing_is_listed_that_the_evidence_forbids() -> None:
    """Checks over all rows at once: what needs a flame is in no list where the heater must not burn.

    The remedies of a fleet take no reading; test_safety_lists holds the list itself against what keeps a heater off.
    """
    values = random_evidence(5)
    found = found_in(values)
    _, burning = dangers(values)
    listed = {name: ~forbids(found, check.needs) for name, check in shipped_priors().checks.items()}
    for name in BURNING:
        assert not np.any(listed[name] & burning), name
        assert np.any(listed[name] & ~burning), name
    gasoline = chosen(values, "fuel_sample", "gasoline")
    assert not np.any((listed["pump_delivery"] | listed["fuel_sample"]) & gasoline)
    assert np.all(listed["ambient_air"])  # the analyser in clean air needs no heater at all


@pytest.mark.regression
def test_the_property_test_can_fail() -> None:
    """A broken rule, CO that stops only between 1000 and 1500 ppm, is seen by both properties."""

    def broken(values: dict[str, Any]) -> dict[str, Any]:
        found = found_in(values)
        found["exhaust_co_high"] = found["exhaust_co_high"] & (values["co_dry_ppm"] < 1500.0)
        found["exhaust_co_air_free_high"] = found["exhaust_co_air_free_high"] & False
        return found

    assert rank_break("more CO in the exhaust", broken) > 1000
    values = random_evidence(5)
    assert np.any(~forbids(broken(values), ("burning",)) & dangers(values)[1])


@pytest.mark.regression
def test_one_reading_and_a_column_of_readings_have_one_state() -> None:
    values = random_evidence(11, 200)
    rank = ranks_of(found_in(values))
    kinds = finding_kinds("reading")
    for row in range(200):
        found = found_in({key: column[row : row + 1] for key, column in values.items()})
        safety = Safety(
            tuple(Finding(code, finding_kinds()[code].severity, "") for code in found if np.all(found[code]))
        )
        assert safety.state == STATES[int(rank[row])]
        assert safety.allows(("burning",)) == (not np.all(forbids(found, ("burning",))))
    assert all(kind.state in (*STATES, "") for kind in kinds.values())


@pytest.mark.hand
def test_states_and_sentences_by_hand() -> None:
    nothing = Safety(())
    assert (nothing.state, nothing.lines()) == ("nothing_found", ("No stop condition found in what was entered.",))
    assert not nothing.alarming
    off = Safety((finding("gasoline_in_diesel_heater"), finding("co_not_entered")))
    assert (off.state, off.alarming, [one.code for one in off.stops]) == (
        "heater_off", True, ["gasoline_in_diesel_heater"],
    )  # fmt: skip
    assert not off.allows(("cold", "fuel_work"))
    assert off.allows(("cold",))
    assert off.without_place() == off
    planned = calculation()
    assert planned.state == "not_judged"
    assert planned.allows(("burning",))
    assert "calculation" in planned.lines()[0]
    assert of_all([nothing, off], refused=3).findings[-1].text.startswith("Not judged yet, rows refused: 3;")
    assert off.to_dict()["stops"][0]["code"] == "gasoline_in_diesel_heater"
    # a stop that no table knows keeps the heater off
    assert Safety((Finding("strange", "stop", "STOP."),)).state == "heater_off"
    # by hand: 12 % O2 and 500 ppm are 500 * 20.946 / 8.946 = 1171 ppm air-free
    assert bool(gas_stops(500.0, 12.0, False)["exhaust_co_air_free_high"])
    assert not bool(gas_stops(500.0, 12.0, True)["exhaust_co_air_free_high"])
    assert [code for code, where in cab_stops(24.0, 3.0).items() if where] == ["cab_co_rise"]
    assert [code for code, where in place_stops(False, True, False).items() if where] == ["nothing_entered"]
    assert [code for code, where in own_limits(failed_starts=2.0, allowed_starts=2.0).items() if where] == [
        "starts_used_up"
    ]
    assert float(height_at_least(1500.0, 700.0)) == 1500.0
    assert ranks_of({"rich": True, "indoors": False}) == RANK["outdoors_only"]


@pytest.mark.parametrize(
    ("refused", "state"),
    [
        ({"o2_dry_pct": 82, "co_dry_ppm": 5000}, "heater_off"),
        ({"o2_dry_pct": 8.2, "co_dry_ppm": ">2000"}, "heater_off"),
        ({"o2_dry_pct": 8.2, "co_dry_ppm": "5 %"}, "heater_off"),
        ({"fuel": "coal", "co_dry_pct": "0.5"}, "heater_off"),
        ({"o2_dry": 8.2, "cab_co_in_ppm": 250}, "everyone_out"),
        ({"o2_dry_pct": 82, "co_dry_ppm": 50}, "not_judged"),
        ({}, "not_judged"),
    ],
)
def test_a_refusal_holds_the_stops_of_what_can_be(refused: dict[str, Any], state: str) -> None:
    """In Python as at the command line: CO of the exhaust above 1000 ppm, of the cab from 200 ppm (limits.toml)."""
    with pytest.raises(CombustError) as caught:
        interpret({**refused, "location": "outdoors"})
    assert caught.value.safety.state == state
    given = {**refused, "location": "outdoors", "smoke_number": "black"}
    with pytest.raises(CombustError) as caught:
        combust.Reading(**given)
    assert caught.value.safety.state == state
    with pytest.raises(CombustError) as caught:
        interpret({**given, "fuel": "deisel"})
    assert {"smoke_number", "fuel"} <= {fault.quantity for fault in caught.value.faults}, "told together"
    with pytest.raises(CombustError) as caught:
        rank_causes(Heater.from_dict(HEATER), [{"o2_dry_pct": 8.2}, {"stage": "none", **refused}])
    assert caught.value.safety.state == state


@pytest.mark.parametrize("place", ["garage", "tent", "cab", "hall"])
def test_a_place_that_is_none_is_not_stated_and_counts_as_indoors(place: str) -> None:
    with pytest.raises(CombustError) as caught:
        interpret({"o2_dry_pct": 8.2, "location": place})
    assert [one.code for one in caught.value.safety.stops] == ["location_unknown"]
    assert caught.value.safety.state == interpret({"o2_dry_pct": 8.2}).safety.state == "outdoors_only"
    frame = pd.DataFrame({"o2_dry_pct": [8.2, 8.2], "location": [place, None]})
    assert interpret_table(frame)["safety"].tolist() == ["outdoors_only"] * 2


def test_a_capital_letter_makes_no_other_place() -> None:
    found = interpret({"o2_dry_pct": 8.2, "location": "Outdoors"})
    assert (found.inputs["location"], found.safety.state) == ("outdoors", "nothing_found")


@pytest.mark.parametrize(
    ("values", "code"),
    [
        ({"o2_dry_pct": 8.2, "co_dry_ppm": 1000.4}, "exhaust_co_high"),
        ({"o2_dry_pct": 8.2, "co_dry_ppm": math.nextafter(1000.0, 2000.0)}, "exhaust_co_high"),
        ({"o2_dry_pct": 2.1, "co_dry_ppm": 900}, "exhaust_co_air_free_high"),  # 900 x 20.946 / (20.946 - 2.1) = 1000.3
        ({"o2_dry_pct": 8.2, "co_dry_ppm": 400.2}, "exhaust_co_warn"),
    ],
)
def test_a_number_above_a_limit_is_never_told_as_the_limit(values: dict[str, Any], code: str) -> None:
    (text,) = (one.text for one in interpret({**values, "location": "outdoors"}).findings if one.code == code)
    told, limit = (float(one) for one in re.findall(r"\b\d+(?:\.\d+)?", text)[:2])
    assert limit < told <= limit + 1.0


@pytest.mark.independent
def test_a_pressure_counts_as_a_height_less_a_deep_low() -> None:
    # ISO 2533: 898.75 hPa at 1000 m; a low may show 300 m too much
    assert float(height_at_least(np.nan, 898.75)) == pytest.approx(700.0, abs=1.0)


HEATER = {
    "fuel": "diesel_b7",
    "cutout_v": 10.5,
    "limits": {"altitude_m": 1400, "air_ratio_min": 1.3, "source": "invented"},
    "stages": {"high": {"air_ratio_band": [1.4, 1.9], "fuel_l_per_h": 0.25}},
    "baseline": [
        {"stage": "high", "altitude_m": 0, "intake_temp_c": 15, "o2_dry_pct": 8.2, "co_dry_ppm": 40, "flue_temp_c": 330}
    ],
}
GOOD = {"altitude_m": 0, "intake_temp_c": 15, "o2_dry_pct": 8.2, "co_dry_ppm": 50, "location": "outdoors"}


@pytest.mark.practice
@pytest.mark.parametrize(
    ("evidence", "state"),
    [
        ({"fuel_sample": "gasoline"}, "heater_off"),
        ({"co_dry_ppm": 2400.0}, "heater_off"),
        ({"cab_co_in_ppm": 45.0}, "everyone_out"),
        ({"terminals": "exhaust_blocked"}, "heater_off"),
        ({"altitude_m": 2600.0}, "heater_off"),
        ({"supply_v": 9.8}, "heater_off"),
        ({"location": "indoors"}, "outdoors_only"),
        ({"location": None}, "outdoors_only"),
        ({"o2_dry_pct": 0.1, "co_dry_ppm": 900.0}, "outdoors_only"),
        ({"o2_dry_pct": 4.6}, "outdoors_only"),
        ({}, "nothing_found"),
    ],
)
def test_no_cause_lists_a_check_or_a_trim_that_the_state_forbids(evidence: dict[str, Any], state: str) -> None:
    found = rank_causes(Heater.from_dict(HEATER), {**GOOD, **evidence})[0]
    assert found.safety.state == state
    named = {check.check for check in found.next_checks}
    if found.safety.stops:
        assert not named & BURNING
        assert found.adjust is None
        assert "No stop condition" not in str(found)
    if state == "nothing_found":
        assert named & BURNING
        assert str(found).splitlines()[0] == "No stop condition found in what was entered."
    assert next(iter(found.to_dict())) == "safety"


@pytest.mark.regression
def test_an_exhaust_duct_waits_for_the_port_pressures() -> None:
    check = shipped_priors().checks["exhaust_duct_off"]
    assert not is_allowed(check, [{}], Safety(()))
    assert is_allowed(check, [{"exhaust_static_pa": 80.0}], Safety(()))


@pytest.mark.regression
def test_a_site_above_the_limit_withholds_trims_and_says_no_comforting_sentence() -> None:
    effect = site_effect(Heater.from_dict(HEATER), Site(5500.0, None, 0.0))
    assert effect.air_ratio_full < 1.0
    assert effect.safety.state == "heater_off"
    assert effect.fuel_trim_pct is None
    assert effect.blower_trim_full_pct is None
    assert "No stop condition" not in f"{effect}{effect.to_dict()}"
    fuel_alone = site_effect("diesel", Site(5500.0, None, 0.0), air_ratio=1.6)
    assert fuel_alone.safety.state == "outdoors_only"
    low = site_effect("diesel", Site(500.0, None, 0.0), air_ratio=1.6)
    assert low.safety.state == "not_judged"  # nobody has read it there
