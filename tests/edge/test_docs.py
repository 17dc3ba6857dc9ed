"""The made pages are up to date, every refusal stands on the page of errors, and its text is in plain words."""

from __future__ import annotations

import re
import tokenize

import pytest

from combust.application.words import entries, look_up
from combust.data.errors import CombustError
from combust.data.tables import load_table
from combust.data.vocabulary import quantities
from combust.domain.limits import finding_kinds
from tests.edge.runs import ROOT, call, tool

pytestmark = pytest.mark.regression

TEXTS = tool("fault_texts").fault_texts()
# Words of programmers that say nothing to a person with cold hands.
JARGON = re.compile(
    r"\b(invalid|illegal|parse[rd]?|None|NaN|null|dict|mapping|str|int|float|bool|tuple|exception|traceback|"
    r"argument|iterable|schema mismatch|stack trace|errno|assert\w*)\b"
)


@pytest.mark.parametrize(("path", "text"), tool("make_docs").pages().items(), ids=lambda one: str(one)[-22:])
def test_made_pages_are_not_stale(path, text) -> None:
    assert path.read_text(encoding="utf-8") == text, "run: python tools/make_docs.py"


def test_every_refusal_of_the_source_stands_on_the_page_of_errors() -> None:
    """Counted in another way than the page does it: by the text of the source files, comments and strings left out."""
    calls = 0
    for path in (ROOT / "combust").rglob("*.py"):
        with path.open("rb") as file:
            words = [each.string for each in tokenize.tokenize(file.readline)]
        pairs = zip(words, words[1:], words[2:], strict=False)
        calls += sum(now == "Fault" and after == "(" and before != "class" for before, now, after in pairs)
    assert len([each for each in TEXTS if each.codes != ("usage",)]) == calls > 200
    page = (ROOT / "docs" / "errors.md").read_text(encoding="utf-8")
    for each in TEXTS:
        for why in each.whys:
            assert why.replace("|", "\\|") in page


def test_every_code_is_explained() -> None:
    known = load_table("words")["code"]
    codes = {code for each in TEXTS for code in each.codes if "…" not in code} - {"usage"}
    assert codes <= set(known)
    assert set(known) <= codes | {"out_of_band"}


@pytest.mark.parametrize("text", TEXTS, ids=lambda one: f"{one.module}:{one.line}")
def test_a_refusal_says_what_was_seen_and_what_to_do_in_plain_words(text) -> None:
    said = " ".join((*text.whys, *text.hints))
    assert not JARGON.search(said), said
    if text.codes == ("usage",):
        return
    assert all(text.whys), "says nothing about what was seen"
    assert any(hint.strip() for hint in text.hints), "says not what to do"
    for hint in text.hints:
        assert not hint or hint[0].isupper() or hint[0] in "…,.", hint


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
     ("exhaust_co_high", "exhaust_co_high"), ("out_of_band", "out_of_band")],
)  # fmt: skip
def test_a_word_is_found_in_any_spelling(asked, word) -> None:
    assert word in [entry.word for entry in look_up(asked)]


def test_a_word_that_is_not_known_names_near_ones() -> None:
    with pytest.raises(CombustError, match="lambda"):
        look_up("lamda")
    assert call("word", "qwertz").code == 3


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
