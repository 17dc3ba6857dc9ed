"""Hostile text through every field into every page: it stays text, for a parser that reads as browsers do."""

from __future__ import annotations

import base64
import json
import re
from hashlib import sha256
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import html5lib
import pandas as pd
import pytest

import combust
from combust.application.causes.rank import rank_causes
from combust.application.lessons.misconceptions import misconception_cards
from combust.application.visit.words import HEAD
from combust.domain.catalogue import load_fuels
from combust.domain.heater import Heater
from combust.edge.reports import fleet_page
from combust.edge.reports.class_sheets import class_pages
from combust.edge.reports.lessons import card_page, exercise_pages
from tests.application.mystery_study import dealt
from tests.edge.runs import DATA, call

MARK = "zzqq"  # stands in every attack, so that where it ended up can be found
ATTACKS = [
    f"<script>{MARK}()</script>",
    f"\"><img src=x onerror={MARK}()>",
    f"' onmouseover='{MARK}()",
    f"</title></style><svg onload={MARK}()>",
    f"javascript:{MARK}()//",
    f"<a href=https://example.org/{MARK}>x</a>",
    f"{{{{ 7*7 }}}}{{% for x in y %}}{MARK}",
    f"&lt;script&gt;{MARK}&lt;/script&gt;<!--",
    f"]]><iframe srcdoc='{MARK}'>",
]  # fmt: skip
ALLOWED_LINKS = re.compile(r"^(data:image/(png|svg\+xml);base64,[A-Za-z0-9+/=]+|#[\w-]*)$")
ACTIVE = {"script", "iframe", "object", "embed", "base", "form", "link", "applet", "frame", "svg", "math", "template"}


def check_page(text: str, *, whole: bool = True, script: str = "") -> str:
    """Fail when a page holds anything active or foreign, its own script apart; return its visible text."""
    tree = html5lib.parse(text, namespaceHTMLElements=False)
    for node in tree.iter():
        if not isinstance(node.tag, str):
            assert MARK not in (node.text or ""), "data ended up in a comment"
            continue
        if node.tag == "script" and script:
            assert node.attrib == {}
            assert node.text == script, "the script is not the one that is shipped"
            assert text.count(f"script-src 'sha256-{b64(sha256(script.encode()).digest())}'") == 1
            continue
        assert node.tag not in ACTIVE, node.tag
        if node.tag == "style":
            assert MARK not in "".join(node.itertext()), "data ended up in a style sheet"
        for name, value in node.attrib.items():
            assert not name.startswith("on"), f"{name} on <{node.tag}>"
            assert "javascript:" not in value.lower() or name in ("alt", "content"), f"{name}={value[:60]}"
            if name in ("src", "href", "action", "srcset", "formaction", "background", "poster", "data"):
                assert ALLOWED_LINKS.match(value), f"{name}={value[:60]}"
                if value.startswith("data:image/svg"):
                    check_svg(base64.b64decode(value.partition(",")[2]))
            if name == "http-equiv":
                assert value.lower() != "refresh"
    if whole:
        head = text.partition("</head>")[0]
        policy = re.search(r'<meta http-equiv="Content-Security-Policy" content="([^"]*)">', head)
        assert policy, "a page without a content policy"
        assert policy[1].startswith("default-src 'none'; "), "what is not named may be loaded"
        assert "http" not in policy[1], "something from outside may be loaded"
        assert head.index(policy[0]) < head.index("<style"), "the policy stands behind what it rules"
        assert text.lower().count("<html") == text.lower().count("</html>") == 1
    return "".join(tree.itertext())


def b64(data: bytes) -> str:
    return base64.b64encode(data).decode("ascii")


def check_svg(data: bytes) -> None:
    """Fail when a figure holds a script, an event handler or a link out of itself; points may be one PNG in it."""
    for node in ElementTree.fromstring(data).iter():
        assert node.tag.rpartition("}")[2] not in ("script", "foreignObject", "a")
        for name, value in node.attrib.items():
            assert not name.rpartition("}")[2].startswith("on")
            assert name.rpartition("}")[2] != "href" or value.startswith(("#", "data:image/png;base64,"))


def fleet_tables(folder: Path, attack: str) -> None:
    """Write fleet tables whose every text column holds the attack, behind what keeps names apart."""
    fleet = DATA / "larkfell_fleet"
    for name, keys in (
        ("vehicles", ("vehicle_id", "group", "site_id", "route_id", "note")),
        ("sites", ("site_id", "note")),
    ):
        frame = pd.read_csv(fleet / f"{name}.csv", dtype=str, keep_default_na=False).head(
            10 if name == "vehicles" else 99
        )
        for key in keys:
            if key in frame:
                frame[key] = [f"{text}{attack}" for text in frame[key]]
        if name == "vehicles":
            frame.loc[3, "profile"] = frame.loc[4, "compensation"] = frame.loc[5, "cab_ua_w_per_k"] = attack
            frame.loc[6, "site_id"] = attack
        frame.to_csv(folder / f"{name}.csv", index=False)
    routes = pd.read_csv(fleet / "routes.csv", dtype=str, keep_default_na=False)
    routes["route_id"] = [f"{text}{attack}" for text in routes["route_id"]]
    routes.to_csv(folder / "routes.csv", index=False)
    (folder / "policy.toml").write_text(
        f"cab_target_c = {{ value = 19.0, origin = {json.dumps(attack)} }}\n", encoding="utf-8"
    )


@pytest.mark.parametrize("attack", [ATTACKS[0], ATTACKS[1] + ATTACKS[3], ATTACKS[6]])
def test_the_fleet_page_and_its_cards(tmp_path: Path, attack: str) -> None:
    fleet_tables(tmp_path, attack)
    arguments = [
        piece for name in ("vehicles", "sites", "routes") for piece in (f"--{name}", str(tmp_path / f"{name}.csv"))
    ]
    arguments += [f"--policy={tmp_path / 'policy.toml'}", f"--profiles={DATA / 'larkfell_fleet' / 'profiles'}"]
    run = call("fleet", *arguments, "--title", attack, "--out", str(tmp_path / "plan"))
    assert run.code == 0, run.err
    text = (tmp_path / "plan" / "plan.html").read_text(encoding="utf-8")
    told = check_page(text, script=(Path(fleet_page.__file__).parent / "templates" / "fleet.js").read_text("utf-8"))
    assert told.count(MARK) > 25  # it is there, as text; long names are shortened
    assert attack in told
    assert "49" not in told.partition(MARK)[2][:40] or "{{" not in attack


def typed(attack: str) -> list[list[str]]:
    """Return lines that put the attack into every free text of a visit."""
    heads = [key for key, field in HEAD.items() if field.kind == "text"]
    lines = [[key, attack] for key in (*heads, "stage", "instrument", "note", "repair", "unchecked")]
    return [
        *lines,
        ["check", "supply_voltage", attack],
        ["missing", "smoke_number", attack],
        ["o2", "8.2", "note", attack],
    ]


@pytest.mark.parametrize("attack", ATTACKS)
def test_the_record_of_a_visit(tmp_path: Path, attack: str) -> None:
    book, page = str(tmp_path / "w.book"), tmp_path / "v.html"
    opened = call("visit", "open", f"--visit-id={attack}", book, attack, "outdoors", "fuel", "diesel")
    assert opened.code == 0, opened.err
    for line in typed(attack):
        run = call("visit", "enter", book, *line)
        assert run.code == 0, run.err
    assert call("visit", "print", book, "--numbers", f"--visit-id={attack}", "--out", str(page)).code == 0
    told = check_page(page.read_text(encoding="utf-8"))
    assert told.count(MARK) >= len(typed(attack)) - 2
    assert call("visit", "print", book, "--day", "today", "--out", str(page)).code == 0
    told = check_page(page.read_text(encoding="utf-8"))
    assert told.count(MARK) >= 6  # heater, visit twice, who, vehicle, done


@pytest.mark.parametrize("attack", ATTACKS)
def test_class_sheets_and_exercises(tmp_path: Path, attack: str) -> None:
    for page in class_pages([dealt(0)], title=attack):
        assert MARK in check_page(page)
    fuels = tmp_path / "fuels.toml"
    fuels.write_text(
        f'[fuel.{json.dumps(attack)}]\nformula = "CH1.9"\nlabel = {json.dumps(attack)}\n', encoding="utf-8"
    )
    for page in exercise_pages(3, fuel=load_fuels(fuels)[attack]):
        assert MARK in check_page(page)


def test_the_card_page() -> None:
    check_page(card_page())


@pytest.mark.parametrize("attack", ATTACKS)
def test_what_a_notebook_shows(tmp_path: Path, attack: str) -> None:
    """The HTML of results, by fields that a user fills: names of fuels, stages, heaters and visits."""
    fuels = tmp_path / "fuels.toml"
    fuels.write_text(
        f'[fuel.{json.dumps(attack)}]\nformula = "CH1.9"\nlabel = {json.dumps(attack)}\n', encoding="utf-8"
    )
    mine = load_fuels(fuels)
    shown: list[Any] = [
        combust.interpret({"fuel": attack, "o2_dry_pct": 8.2, "note": attack, "location": "outdoors"}, catalogue=mine),
        *misconception_cards()[:1],
    ]
    profile = (DATA / "heaters" / "heater-0312.toml").read_text(encoding="utf-8")
    profile = profile.replace('"heater-0312"', json.dumps(attack)).replace(
        "[stages.high]", f"[stages.{json.dumps(attack)}]"
    )
    profile = profile.replace('stage = "high"', f"stage = {json.dumps(attack)}")
    (tmp_path / "h.toml").write_text(profile, encoding="utf-8")
    heater = Heater.load(tmp_path / "h.toml")
    row = {"o2_dry_pct": 4.84, "stage": attack, "location": "outdoors", "visit_id": attack, "heater_id": attack}
    shown += rank_causes(heater, [combust.Reading(**row)])
    shown.append(combust.drift_history([{**row, "taken_at": f"202{year}-01-12"} for year in range(4)], heater))
    for result in shown:
        if hasattr(result, "_repr_html_"):
            check_page(result._repr_html_(), whole=False)


def test_every_page_that_is_written_has_a_content_policy():
    """Also one that no attack above reaches: whatever template begins a page."""
    templates = [*Path(fleet_page.__file__).parent.glob("templates/*.j2")]
    pages = {path.name: path.read_text("utf-8") for path in templates if "<head>" in path.read_text("utf-8")}
    assert len(pages) > 5
    for name, text in pages.items():
        lines = text.partition("<head>")[2].strip().splitlines()
        assert lines[0] == '<meta charset="utf-8">', name
        assert lines[1].startswith('<meta http-equiv="Content-Security-Policy" content="default-src \'none\';'), name
