"""A line that is no TOML is shown as it stands, with what to write instead."""

from __future__ import annotations

from pathlib import Path

import pytest

from combust.data.errors import CombustError
from combust.data.tables import read_toml
from tests.edge.runs import call, is_plain_refusal

BROKEN = [
    ("a = 1\nnominal_v = twelve\n", ["line 2", "nominal_v = twelve", 'nominal_v = "twelve"', "number alone"]),
    ("supply_v = 12,5\n", ["line 1", "decimal point", "supply_v = 12.5"]),
    ("supply_v = 12 V\n", ["line 1", "supply_v = 12 V", "without its unit"]),
    ("a = 1\nb = 2\na = 3\n", ["line 3", "a = 3", "keep one of them"]),
    ('p = "C:\\x"\n', ["line 1", "instead of a backslash"]),
    ('label = "open\nb = 1\n', ["line 1", 'label = "open', "Close the quote"]),
    ("nominal_v =\n", ["line 1", "Write a value"]),
    ("[stages\n", ["line 1", "[stages", "bracket"]),
    ("\x1b[2J = = 3\n", ["line 1", "Mend that line"]),
    ("x = " + "9" * 5000, ["Mend that line"]),
    ("x = " + "[" * 20_000, ["without end"]),
    ("", []),
]


@pytest.mark.parametrize(("text", "told"), BROKEN)
def test_the_line_and_the_remedy_are_told(tmp_path: Path, text: str, told: list[str]) -> None:
    path = tmp_path / "h.toml"
    path.write_text(text, encoding="utf-8")
    if not told:
        assert read_toml(path) == {}
        return
    with pytest.raises(CombustError) as caught:
        read_toml(path, quantity="profile")
    said = str(caught.value)
    assert said.isprintable()
    assert len(said) < 500
    for piece in told:
        assert piece in said


def test_a_word_where_a_number_belongs_in_a_profile(tmp_path: Path) -> None:
    path = tmp_path / "h.toml"
    path.write_text('fuel = "diesel_b7"\nnominal_v = twelve\n', encoding="utf-8")
    run = call("profile", "check", str(path))
    is_plain_refusal(run)
    assert 'nominal_v = "twelve"' in run.err
