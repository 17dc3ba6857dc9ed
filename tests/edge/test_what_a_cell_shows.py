"""Whatever a public name gives shows itself in a notebook as a table or a sentence, never as its ``repr``."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping
from functools import cache
from pathlib import Path
from typing import Any

import html5lib
import numpy as np
import pandas as pd
import pytest

import combust
from combust.data.told import Told
from tests.edge.runs import DATA
from tests.edge.test_html_injection import ATTACKS, MARK, check_page

HEATER = DATA / "heaters" / "heater-0107.toml"
ROW = {"fuel": "diesel_b7", "o2_dry_pct": 8.2, "co_dry_ppm": 150.0, "location": "outdoors"}
# A call of a class, an object of Python or numpy, a dictionary: none of them is for people.
RAW = re.compile(
    r"\b[A-Z]\w+\(\w+=|object at 0x|&lt;[\w.]+:|mappingproxy|frozenset|\barray\(|\bnp\.|\{&#x27;|\b(None|nan|inf)\b"
)


@cache
def made() -> dict[str, Any]:
    """Return what each public name gives, or an object of it."""
    heater = combust.Heater.load(HEATER)
    wires = {"battery_mohm": 15, "length_m": 5, "area_mm2": 1.5, "contacts_mohm": 20, "glow_a": 10}
    rows = [{**ROW, "taken_at": f"202{year}-01-12", "stage": "high", "visit_id": f"V{year}"} for year in range(4)]
    visit = combust.Visit.open("V017", at="2026-01-12T09:00+01:00").add("reading", ROW)
    fleet = DATA / "larkfell_fleet"
    tables = {name: pd.read_csv(fleet / f"{name}.csv").head(3) for name in ("vehicles", "sites", "routes")}
    duct, flows = combust.DuctShape(1.0, 24.0, 0, "corrugated"), combust.duct_duty(heater, "high")
    try:
        combust.get_fuel("deisel")
    except combust.CombustError as error:
        refused = error
    return {
        "CombustError": refused,
        "DryAir": combust.DryAir(),
        "Fuel": combust.get_fuel("diesel_b7"),
        "Heater": heater,
        "Reading": combust.Reading(**ROW),
        "SimulatedAnalyser": combust.SimulatedAnalyser(heater.fuel),
        "SimulatedHeater": combust.SimulatedHeater(heater),
        "Site": combust.Site(altitude_m=2000),
        "TrainingSession": combust.TrainingSession(heater),
        "Visit": visit,
        "air_ratio_from_balance": combust.air_ratio_from_balance(8.2, 9.3, "diesel_b7"),
        "air_ratio_from_co2": combust.air_ratio_from_co2(9.3, "diesel_b7"),
        "air_ratio_from_o2": combust.air_ratio_from_o2(8.2, "diesel_b7"),
        "blend": combust.blend({"C6H14": 0.5, "C12H26": 0.5}, by="mole"),
        "drift_history": combust.drift_history(rows, heater),
        "duct_check": combust.duct_check("exhaust", duct, flows, changed_shape=duct._replace(bore_mm=18.0)),
        "duct_duty": flows,
        "DuctShape": duct,
        "exercise": combust.exercise("pump_delivery"),
        "exercise_sheet": combust.exercise_sheet(),
        "flame_equilibrium": combust.flame_equilibrium("diesel_b7", 1.6),
        "flue_gas": combust.flue_gas("diesel_b7", np.array([1.2, 1.6])),
        "get_fuel": combust.get_fuel("CH1.86O0.007"),
        "interpret": combust.interpret(ROW),
        "interpret_table": combust.interpret_table(pd.DataFrame([ROW])),
        "load_fuels": None,
        "load_plan": None,
        "misconception_cards": combust.misconception_cards(),
        "mystery": combust.mystery(8, "easy", salt="a sentence for the example"),
        "plan_fleet": combust.plan_fleet(**tables, profiles=fleet / "profiles"),
        "rank_causes": combust.rank_causes(heater, [combust.Reading(**{**ROW, "stage": "high"})]),
        "scenario": combust.scenario("thin_wire"),
        "site_effect": combust.site_effect(heater, combust.Site(altitude_m=2000)),
        "start_timeline": combust.start_timeline(heater),
        "stoichiometric_air": combust.stoichiometric_air("diesel_b7"),
        "supply_check": combust.supply_check(heater, open_circuit_v=12.2, **wires),
    }


def of_ours(found: Any, path: str, seen: dict[type, tuple[str, Any]]) -> None:
    """Gather one object of each class of this package that can be reached by fields and properties."""
    kind = type(found)
    if isinstance(found, Mapping | list | tuple | set | frozenset) and not hasattr(found, "_fields"):
        for key, value in found.items() if isinstance(found, Mapping) else enumerate(found):
            of_ours(value, f"{path}[{key}]", seen)
    if not kind.__module__.startswith("combust") or kind in seen:
        return
    seen[kind] = (path, found)
    names = [*getattr(found, "__dataclass_fields__", getattr(found, "_fields", ()))]
    names += [name for name in dir(kind) if isinstance(getattr(kind, name, None), property)]
    for name in names:
        if not name.startswith("_"):
            of_ours(getattr(found, name, None), f"{path}.{name}", seen)


@cache
def reached() -> dict[type, tuple[str, Any]]:
    seen: dict[type, tuple[str, Any]] = {}
    for name, found in made().items():
        of_ours(found, name, seen)
    return seen


def test_every_public_name_is_tried() -> None:
    assert set(made()) == set(combust.__all__) - {"__version__"}


def test_each_class_that_can_be_reached_shows_itself() -> None:
    silent = {path for path, found in reached().values() if not hasattr(found, "_repr_html_")}
    assert silent == set()
    assert len(reached()) > 30


def test_what_is_shown_is_a_table_or_a_sentence() -> None:
    for path, found in reached().values():
        page = found._repr_html_()
        told = check_page(page, whole=False)
        assert told.strip() or not getattr(found, "lines", lambda: [1])(), path
        assert not RAW.search(page), f"{path}: {RAW.search(page)}"


def test_a_list_of_records_shows_none_of_them_raw() -> None:
    for path, found in reached().values():
        raw = isinstance(found, Told) and re.search(r"\w+\(\w+=", repr(found))
        assert not raw or type(found) is combust.Reading, path  # a reading is what one types


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("Site", ["altitude", "2000 m", "pressure", "795.01", "that of the standard atmosphere at this altitude"]),
        ("Reading", ["O2 dry", "8.2 vol %", "oxygen in the dried flue gas", "CO dry", "150 ppm"]),
        ("Fuel", ["net heating value", "MJ/kg", "density", "kg/m³", "CO2 maximum", "vol %"]),
        ("flue_gas", ["CO2 dry", " vol %, 2 of them"]),
        ("DryAir", ["0.20946 mol/mol", "28.96", "kg/kmol", "Ar"]),
    ],
)
def test_a_table_holds_name_unit_and_origin(name: str, words: list[str]) -> None:
    """Standard atmosphere at 2000 m: 795.0 hPa (ISO 2533); molar mass of dry air 28.96 kg/kmol (the same)."""
    page = " ".join(html5lib.parse(made()[name]._repr_html_(), namespaceHTMLElements=False).itertext())
    assert [word for word in words if word not in page] == []


def hostile(folder: Path, attack: str) -> Iterator[Any]:
    said = json.dumps(attack)
    (folder / "f.toml").write_text(f'[fuel.{said}]\nformula = "CH1.9"\nlabel = {said}\n', encoding="utf-8")
    mine = combust.load_fuels(folder / "f.toml")
    yield from (mine, mine[attack], combust.Reading(note=attack, stage=attack, o2_dry_pct=8.2))
    profile = HEATER.read_text(encoding="utf-8").replace('"heater-0107"', said)
    (folder / "h.toml").write_text(profile.replace("[stages.high]", f"[stages.{said}]").replace('"high"', said))
    yield combust.Heater.load(folder / "h.toml")
    yield combust.Visit.open("V1").add("note", {"text": attack}).entries[-1]
    with pytest.raises(combust.CombustError) as refused:
        combust.get_fuel(attack)
    yield refused.value


@pytest.mark.parametrize("attack", ATTACKS)
def test_what_a_person_wrote_stays_text(tmp_path: Path, attack: str) -> None:
    for found in hostile(tmp_path, attack):
        assert MARK in check_page(found._repr_html_(), whole=False), type(found)
