"""The fuzz targets with a small budget: every seed, everything that once failed, and some inputs of hypothesis."""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from combust.edge.cli.main import COMMANDS
from tests.fuzz.registry import Target
from tests.fuzz.regressions import REGRESSIONS
from tests.fuzz.targets import TARGETS
from tests.fuzz.targets_tables import small_seeds

EXAMPLES = 6
SLOW = {"command_demo", "command_fleet", "command_cause", "command_mystery", "command_exercises"}


@pytest.mark.parametrize("name", TARGETS)
def test_every_seed_keeps_its_property(name: str) -> None:
    seeds = TARGETS[name].seeds()
    assert seeds
    for seed in seeds[: 2 if name in SLOW else None]:
        TARGETS[name].run(seed)


@pytest.mark.parametrize(("name", "data"), [(name, data) for name, many in REGRESSIONS.items() for data in many])
def test_what_once_failed_does_not_again(name: str, data: bytes) -> None:
    TARGETS[name].run(data)


@st.composite
def altered(draw: st.DrawFn, found: Target) -> bytes:
    """Return a seed with pieces cut out and words or bytes put in."""
    data = draw(st.sampled_from(small_seeds(found)))
    pieces = st.one_of(st.binary(max_size=6), st.sampled_from([word.encode() for word in found.words()] or [b"x"]))
    for _ in range(draw(st.integers(1, 4))):
        at = draw(st.integers(0, len(data)))
        data = data[:at] + draw(pieces) + data[at + draw(st.integers(0, 8)) :]
    return data


@pytest.mark.parametrize("name", [name for name in TARGETS if name not in SLOW])
def test_altered_seeds_keep_the_property(name: str) -> None:
    @settings(max_examples=EXAMPLES, deadline=None, database=None, suppress_health_check=list(HealthCheck))
    @given(altered(TARGETS[name]))
    def run(data: bytes) -> None:
        TARGETS[name].run(data)

    run()


def test_every_command_and_format_is_a_target() -> None:
    assert {f"command_{name}" for name in COMMANDS} <= set(TARGETS)
    assert sum(found.inputs for found in TARGETS.values()) >= 1000, "a whole run has fewer than a million inputs"
