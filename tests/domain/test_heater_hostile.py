"""The heater profile under attack: the line of every fault is found, and damaged files never end in a traceback."""

import tomllib

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from combust.data.errors import CombustError
from combust.data.vocabulary import input_keys
from combust.domain.heater import Heater
from combust.domain.profile_keys import PARTS, profile_keys
from combust.domain.profile_lines import Lines
from tests.domain.profile_texts import DATA

# ---- the line finder


def test_lines_of_every_way_to_write_toml():
    text = '''\
a = 1
"b c" = """
two
lines"""
d.e = [
  1, # ] not an end
  "]",
]
[ stages . "half load" ]  # [not.a.table]
fuel_l_per_h = 0.2
f = { g = 1, h = 2 }
[[baseline]]
stage = "x"
[[baseline]]
[baseline.deep]
z = '[[baseline]]'
'''
    tomllib.loads(text)
    lines = Lines(text)
    assert lines.of("a") == 1
    assert lines.of("b c") == 2
    assert lines.of("d", "e") == 5
    assert lines.of("stages", "half load") == 9
    assert lines.of("stages", "half load", "fuel_l_per_h") == 10
    assert lines.of("stages", "half load", "f", "h") == 11
    assert lines.of("baseline", 0, "stage") == 13
    assert lines.of("baseline", 1) == 14
    assert lines.of("baseline", 1, "deep", "z") == 16
    assert lines.of("baseline", 1, "missing") == 14
    assert lines.of("nowhere") is None
    assert Lines().of("a") is None


@given(
    st.lists(
        st.tuples(
            st.sampled_from(["", "# c [x]\n", "\n", " \n", "\r\n"]),
            st.sampled_from(
                ["1", '"[a]"', "'='", '"""\n[x]\n"""', "[1,\n 2]", "{ q = 1 }", '"a\\"# b"', "'''\n''\n'''"]
            ),
        ),
        max_size=12,
    )
)
def test_lines_are_found_whatever_stands_between(entries):
    text, expected = "", {}
    for index, (before, value) in enumerate(entries):
        text += before
        expected[f"k{index}"] = text.count("\n") + 1
        text += f"k{index} = {value}\n"
    assert set(tomllib.loads(text)) == set(expected)
    lines = Lines(text)
    assert {key: lines.of(key) for key in expected} == expected


@pytest.mark.parametrize("line", ["1,", "[1],", '"' + "x" * 4000 + '",'])
def test_a_value_over_very_many_lines_takes_no_time_of_its_own(line, monkeypatch):
    """What lies behind it is told by the table around it; all that is parsed is some twenty times the text at most."""
    text = "before = 1\n[start]\na = [\n" + f"{line}\n" * (1_000_000 // len(line)) + "]\nbehind = 2\n"
    read, parsed = tomllib.loads, []
    monkeypatch.setattr(tomllib, "loads", lambda part: parsed.append(len(part)) or read(part))
    lines = Lines(text)
    assert sum(parsed) < 21 * len(text)
    assert (lines.of("before"), lines.of("start", "a"), lines.of("start", "behind")) == (1, 2, 2)


# ---- fuzzing: no traceback, and every refusal can be acted on


def refusal_of(function, argument):
    """Return the refusal of a call, or None when the heater was accepted; anything else is a traceback."""
    try:
        function(argument)
    except CombustError as error:
        return error
    return None


def assert_well_told(error):
    assert error.faults
    for fault in error.faults:
        text = str(fault)
        assert fault.quantity
        assert fault.quantity in text
        assert fault.hint
        assert text.isprintable()
        if fault.code == "out_of_band":
            assert fault.low is not None
            assert f"{fault.low:g} to {fault.high:g}" in text
        fault.to_dict()


KEYS = sorted({key for part in PARTS for key in profile_keys(part)} | set(PARTS[1:]))
SCALARS = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(),
    st.floats(),
    st.text(max_size=20),
    st.sampled_from(
        ["diesel_b7", "diesel", "high", "low", "unit", "unknown", "corrugated", "?", "12", "nan", "CH1.86"]
    ),
)
VALUES = st.recursive(
    SCALARS,
    lambda inner: st.one_of(st.lists(inner, max_size=4), st.dictionaries(st.text(max_size=8), inner, max_size=3)),
    max_leaves=6,
)
NAMES = st.one_of(st.sampled_from(KEYS), st.sampled_from(input_keys()), st.text(max_size=12))
ROWS = st.dictionaries(NAMES, VALUES, max_size=6)
PROFILES = st.fixed_dictionaries(
    {},
    optional={
        "fuel": SCALARS,
        "stages": st.one_of(VALUES, st.dictionaries(st.sampled_from(["high", "low", "x y"]), ROWS, max_size=2)),
        "baseline": st.one_of(VALUES, st.lists(ROWS, max_size=2)),
        "limits": st.one_of(VALUES, ROWS),
        "start": st.one_of(VALUES, ROWS),
        "ducts": st.one_of(VALUES, st.dictionaries(st.sampled_from(["intake", "exhaust", "tail"]), ROWS, max_size=2)),
    },
)


@given(PROFILES, ROWS)
@settings(max_examples=150, suppress_health_check=[HealthCheck.too_slow], deadline=None)
def test_any_table_loads_or_is_refused_in_words(profile, rest):
    error = refusal_of(Heater.from_dict, {**rest, **profile})
    if error is not None:
        assert_well_told(error)


GOOD = (DATA / "heater-0312.toml").read_text(encoding="utf-8").splitlines()


@given(
    st.lists(
        st.tuples(
            st.integers(0, len(GOOD) - 1),
            st.sampled_from(["drop", "double", "garble", "value"]),
            st.sampled_from(
                ['"?"', "-1", "1e9", "nan", "true", "[]", "[2, 1]", '"x"', "1979-05-27", "{}", "''", "1e400"]
            ),
        ),
        min_size=1,
        max_size=4,
    )
)
@settings(max_examples=150, deadline=None)
def test_a_damaged_profile_loads_or_is_refused_with_lines(tmp_path_factory, damage):
    lines = list(GOOD)
    for index, kind, value in damage:
        line = lines[index]
        if kind == "drop":
            lines[index] = ""
        elif kind == "double":
            lines[index] = f"{line}\n{line}"
        elif kind == "garble":
            lines[index] = line.replace("_", "", 1)
        elif "=" in line:
            lines[index] = f"{line.split('=')[0]}= {value}"
    path = tmp_path_factory.getbasetemp() / "damaged.toml"
    path.write_text("\n".join(lines), encoding="utf-8")
    count = path.read_text(encoding="utf-8").count("\n") + 1
    error = refusal_of(Heater.load, path)
    if error is not None:
        assert_well_told(error)
        assert all(1 <= (getattr(fault, "line", None) or 1) <= count for fault in error.faults)
