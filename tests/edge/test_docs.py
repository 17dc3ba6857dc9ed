"""The made pages are up to date, every refusal stands on the page of errors, and its text is in plain words."""

from __future__ import annotations

import re
from typing import get_args

import pytest

from combust.application.words import entries, look_up
from combust.data.errors import Code, CombustError
from combust.data.tables import load_table
from combust.data.vocabulary import quantities
from combust.domain.limits import finding_kinds
from tests.edge.runs import ROOT, call, tool

pytestmark = pytest.mark.regression

SOURCES = sorted((ROOT / "combust").rglob("*.py"))
# Words of programmers that say nothing to a person with cold hands.
JARGON = re.compile(
    r"\b(invalid|illegal|parse[rd]?|None|NaN|null|dict|mapping|str|int|float|bool|tuple|exception|traceback|"
    r"argument|iterable|schema mismatch|stack trace|errno|assert\w*)\b"
)


@pytest.mark.parametrize(("path", "text"), tool("make_docs").pages().items(), ids=lambda one: str(one)[-22:])
def test_made_pages_are_not_stale(path, text) -> None:
    assert path.read_text(encoding="utf-8") == text, "run: python tools/make_docs.py"


def test_every_code_is_explained() -> None:
    """That each refusal has a code of these, says what was seen and what to do, mypy proves."""
    assert set(get_args(Code)) == set(load_table("words")["code"])


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: str(path.relative_to(ROOT)))
def test_refusals_are_told_in_plain_words(path) -> None:
    """The texts that stand beside ``why`` and ``hint`` in a source file, one line after the other."""
    for line in path.read_text(encoding="utf-8").splitlines():
        if re.search(r"\b(why|hint)\b.*=", line):
            said = " ".join(re.findall(r"\"([^\"]*)\"", re.sub(r"\{[^}]*\}", "…", line)))
            assert not JARGON.search(said), line


@pytest.mark.parametrize("kind", finding_kinds().values(), ids=list(finding_kinds()))
def test_a_finding_is_a_plain_sentence(kind) -> None:
    assert not JARGON.search(re.sub(r"\{[^}]*\}", "", kind.text)), kind.text
    assert kind.text.rstrip().endswith((".", "?", "}")), kind.text
    assert (kind.severity == "stop") == kind.text.startswith("STOP"), kind.text
    assert "safe " not in kind.text


@pytest.mark.parametrize(
    ("asked", "word"),
    [("lambda", "lambda"), ("λ", "air_ratio"), ("O2 dry", "o2_dry_pct"), ("--co-dry", "co_dry_ppm"),
     ("intake restricted", "intake_restricted"), ("port_pressures", "port_pressures"), ("Rezero", "zero"),
     ("exhaust_co_high", "exhaust_co_high"), ("out_of_band", "out_of_band"),
     ("vapour", "vapour"), ("Vapor", "vapour"), ("petrol", "gasoline"), ("gasoline", "gasoline"), ("smoke", "smoke"),
     ("soot", "smoke"), ("kink", "restriction"), ("kinks", "restriction"), ("bubbles", "bubbles"),
     ("bubble", "bubbles"), ("vapor lock", "bubbles"), ("efficiency", "efficiency"),
     ("strainer", "fuel_waxed"), ("rust", "joints"), ("closed_at", "closed_at"), ("event", "event")],
)  # fmt: skip
def test_a_word_is_found_in_any_spelling(asked, word) -> None:
    assert word in [entry.word for entry in look_up(asked)]


def test_a_word_of_texts_finds_a_dozen_entries_at_most_those_named_so_first() -> None:
    found = look_up("exhaust")
    assert len(found) == 12
    assert "exhaust" in found[0].word
    assert all("exhaust" in entry.word for entry in found if entry.kind == "finding")


def test_a_word_that_is_not_known_names_near_ones() -> None:
    with pytest.raises(CombustError, match="lambda"):
        look_up("lamda")
    for nothing in ("qwertz", "the", "co 2 x", "", "%"):
        assert call("word", nothing).code == 3, nothing


def test_every_key_finding_cause_and_check_can_be_looked_up() -> None:
    words = {entry.word for entry in entries()}
    causes = load_table("causes")
    assert set(quantities()) | set(finding_kinds()) | set(causes["cause"]) | set(causes["check"]) <= words
    assert call("word", "--json").json["words"]
    for entry in entries():
        assert all(text for _, text in entry.lines), entry.word


def test_symbols_and_keys_of_words_exist() -> None:
    words = load_table("words")
    assert set(words["symbols"]) <= set(quantities()) | {"fuel_factor"}
    shown = {"fuel_factor", "agreement", "co2_maximum_pct"}  # results that stand in JSON without a column of their own
    assert {row["key"] for row in words["word"].values() if "key" in row} <= set(quantities()) | shown
