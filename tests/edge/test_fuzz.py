"""Hostile input by the thousand: no traceback, no row lost, every refusal with a remedy."""

from __future__ import annotations

import json
import re
import tempfile
from pathlib import Path
from typing import Any

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from combust.data.errors import CombustError
from combust.data.vocabulary import input_keys, quantities
from combust.domain.catalogue import load_fuels
from combust.domain.fuel import Fuel
from combust.domain.instrument import InstrumentClass, instrument_class
from combust.domain.result import plain
from combust.edge.tables.formulas import harmless
from combust.edge.tables.headings import match_headings
from combust.edge.tables.readings import Counts, interpret_file
from tests.edge.runs import call, says_all
from tests.edge.spreadsheets import interpret_bytes

FUZZ = settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
CELLS = st.one_of(
    st.floats(-1e3, 1e3).map(lambda number: f"{number:.3g}"),
    st.integers(0, 30).map(str),
    st.sampled_from(["", " ", "n/a", "-", "8,2", "1.200", "+7", "nan", "inf", "1e400", '"', '""', '"x', 'a"b', "=1"]),
    st.sampled_from(["outdoors", "measured", "diesel", "CH1.8", "\t", "\x00", "é", "\u2028", "９"]),
    st.text(max_size=6),
)  # fmt: skip
KEYS = st.sampled_from(
    [*input_keys(), "altitude_ft", "flue_temp_f", "co_dry_pct", "O2", "CO ppm", "x", "", "findings", "row"]
)


def try_bytes(data: bytes, **options: Any) -> tuple[Counts | None, str]:
    """Interpret bytes as a table: (counts, "") or (None, why it was refused whole); anything else is a traceback."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        try:
            return interpret_bytes(folder, data, **options).counts, ""
        except CombustError as error:
            assert not (folder / "out.csv").exists(), "a refused table left an output"
            return None, str(error)


def check_refusal(text: str) -> None:
    """Fail unless each line of a refusal says what, why and what to do."""
    for line in text.splitlines():
        says_all(line)
    assert "Traceback" not in text
    assert all(character.isprintable() or character == "\n" for character in text)


@FUZZ
@given(st.binary(max_size=400))
def test_any_bytes_are_a_table_or_refused_in_words(data: bytes) -> None:
    _, refused = try_bytes(data)
    if refused:
        check_refusal(refused)


@FUZZ
@given(st.binary(max_size=200), st.sampled_from([b"o2_dry_pct,note\n", b"o2_dry_pct;note\r\n", b"o2_dry_pct\n"]))
def test_any_bytes_below_a_good_heading_are_accounted_for(data: bytes, heading: bytes) -> None:
    counts, refused = try_bytes(heading + data)
    if refused:
        check_refusal(refused)
        return
    assert counts is not None
    assert counts.rows + counts.blank <= data.count(b"\n") + data.count(b"\r") + 1


@FUZZ
@given(
    st.lists(KEYS, min_size=1, max_size=5),
    st.lists(st.lists(CELLS, max_size=6), max_size=6),
    st.sampled_from(",;\t|"),
    st.sampled_from(["\n", "\r\n", "\r"]),
    st.booleans(),
)
def test_any_cells_below_any_headings(
    keys: list[str], rows: list[list[str]], mark: str, line_break: str, rejects: bool
) -> None:
    lines = [mark.join(keys), *(mark.join(row) for row in rows)]
    data = line_break.join(lines).encode("utf-8", errors="replace")
    counts, refused = try_bytes(data, rejects=rejects)
    if refused:
        check_refusal(refused)
    else:
        assert counts is not None
        assert counts.rows >= 1


@FUZZ
@given(
    st.lists(st.lists(CELLS.filter(lambda cell: "\x00" not in cell), min_size=3, max_size=3), min_size=1, max_size=8)
)
def test_every_refused_row_has_a_remedy_and_every_other_a_finding(rows: list[list[str]]) -> None:
    quoted = [",".join('"' + cell.replace('"', '""') + '"' for cell in row) for row in rows]
    data = "\n".join(["o2_dry_pct,co_dry_ppm,location", *quoted]).encode("utf-8", errors="replace")
    with tempfile.TemporaryDirectory() as name:
        try:
            done = interpret_bytes(Path(name), data)
        except CombustError as error:
            check_refusal(str(error))
            return
    full = [row for row in rows if any(cell.strip() for cell in row)]
    assert len(done.rows) == len(full)
    for row, cells in zip(done.rows, full, strict=True):
        assert [row["o2_dry_pct"], row["co_dry_ppm"], row["location"]] == [harmless(cell) for cell in cells]
        if row["findings"].startswith("refused: "):
            says_all(row["findings"].removeprefix("refused: "))
            assert row["air_ratio"] == ""
        else:
            assert re.fullmatch(r"(stop|warn|note): \w+(; (stop|warn|note): \w+)*|", row["findings"])


@FUZZ
@given(
    st.lists(st.text(max_size=20), max_size=8), st.dictionaries(st.text(max_size=8), st.text(max_size=12), max_size=3)
)
def test_any_headings_and_any_map(header: list[str], chosen: dict[str, str]) -> None:
    found = match_headings(header, chosen)
    for fault in found.faults:
        check_refusal(str(fault))
    assert [heading.name for heading in found.headings] == header


OPTIONS = [(key, quantities()[key]) for key in input_keys()]
VALUES = st.one_of(
    st.floats(allow_nan=True, allow_infinity=True).map(str),
    st.floats(0, 30).map(lambda number: f"{number:.2f}"),
    st.sampled_from(
        ["", "8.2", "8,2", "-1", "outdoors", "outdors", "diesel", "CH1.8", "measured", "1e5", "٣", "--", "x"]
    ),
    st.text(max_size=8),
)


@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(st.tuples(st.sampled_from(OPTIONS), VALUES), max_size=6), st.booleans())
def test_any_options_of_a_reading(given_options: list[tuple[Any, str]], as_json: bool) -> None:
    arguments = [f"{record.option}={value}" for (_, record), value in given_options]
    run = call("reading", *arguments, *(["--json"] if as_json else []))
    assert run.code in (0, 2, 3), run.err
    assert "Traceback" not in run.err
    if run.code == 3:
        for line in run.err.splitlines():
            if line.startswith("- "):
                says_all(line[2:])
    if as_json and run.code in (0, 3):
        assert run.json
    if run.code == 0 and as_json:
        told = run.json
        assert told["air_ratio"] is None or 0.0 < told["air_ratio"] < 100.0


NUMBERS = st.one_of(st.floats(), st.integers(), st.booleans(), st.text(max_size=5), st.just([]), st.just({}))


def toml_value(value: Any) -> str:
    """Return a value as TOML."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return json.dumps(value.encode("utf-8", "replace").decode())
    return str(value).replace("'", '"') if not isinstance(value, dict) else "{}"


@FUZZ
@given(
    st.dictionaries(
        st.sampled_from(
            ["formula", "h_c_u", "net_heating_value", "formation", "density", "expansion", "label", "family"]
        ),
        st.one_of(NUMBERS, st.sampled_from(["CH2", "CH1.86O0.007", "C12H26"])),
    ),
    st.dictionaries(st.sampled_from(["parts", "by", "label", "source"]), NUMBERS),
)
def test_any_fuels_file(row: dict[str, Any], mixture: dict[str, Any]) -> None:
    lines = ["[fuel.mine]", *(f"{key} = {toml_value(value)}" for key, value in row.items())]
    lines += ["[mixture.mixed]", *(f"{key} = {toml_value(value)}" for key, value in mixture.items())] if mixture else []
    found = load_text("\n".join(lines), load_fuels)
    if found is None:
        return
    for fuel in found.values():
        assert isinstance(fuel, Fuel)
        json.dumps(fuel.to_dict(), allow_nan=False)


@FUZZ
@given(
    st.dictionaries(
        st.sampled_from([name for name in InstrumentClass.__slots__ if name != "name"]),
        st.one_of(NUMBERS, st.floats(0, 10), st.just([[100.0, 1.0, 0.0], [float("inf"), 0.0, 0.1]])),
    )
)
def test_any_instrument_class(row: dict[str, Any]) -> None:
    base = {name: 0.5 for name in InstrumentClass.__slots__ if name.endswith(("pct", "ppm", "_c", "share"))}
    full = {**base, "co_ranges_ppm": [[float("inf"), 5.0, 0.05]], **row}
    text = "\n".join(f"{key} = {toml_value(value)}" for key, value in full.items())
    found = load_text(text, lambda path: instrument_class(str(path)))
    if found is not None:
        json.dumps(plain(found), allow_nan=False)


@FUZZ
@given(st.binary(max_size=300))
def test_any_bytes_as_a_fuels_file(data: bytes) -> None:
    load_text(data.decode("latin-1"), load_fuels, encoding="latin-1")


def load_text(text: str, load: Any, encoding: str = "utf-8") -> Any:
    """Write a TOML file and load it; None when it was refused in words."""
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "file.toml"
        path.write_text(text, encoding=encoding)
        try:
            return load(path)
        except CombustError as error:
            check_refusal(str(error))
            return None


def test_an_output_is_a_table_of_its_own(tmp_path: Path) -> None:
    done = interpret_bytes(tmp_path, b"o2_dry_pct,note\n8.2,a\n30,b\n")
    (tmp_path / "again.csv").write_bytes(done.raw)
    counts = interpret_file(tmp_path / "again.csv", tmp_path / "twice.csv")
    assert counts.rows == 2
