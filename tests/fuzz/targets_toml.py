"""Fuzz targets of the files in TOML: fuels, analyser, profile, policy, causes, procedure, interlocks."""

from __future__ import annotations

import json

from combust.application.causes.catalogue import get_priors
from combust.application.fleet.policy import Policy
from combust.application.heater.profile_check import check_profile
from combust.application.visit.start_phases import interlocks
from combust.application.visit.steady import visit_procedure
from combust.data.tables import load_table
from combust.domain.catalogue import load_fuels
from combust.domain.instrument import instrument_class
from combust.domain.profile_keys import PARTS, profile_keys
from combust.domain.result import plain
from tests.fuzz.registry import DATA, SHIPPED, answer_or_refusal, as_file, seed_files, target
from tests.fuzz.targets_text import check_fuel

SYNTAX = ("[", "]", "[[", "]]", "=", '"', "'", '"""', "{", "}", "true", "false", "nan", "inf", "1e400", "\n", ".", "#")


def text_seed(text: str) -> list[bytes]:
    """Return one seed."""
    return [text.encode()]


FUELS = """[fuel.winter]
formula = "CH1.9O0.01"
h_c_u = 0.05
net_heating_value = {value = 43.1, source = "delivery note", status = "READ"}
density = 820
expansion = 0.0009
[mixture.mixed]
parts = { winter = 0.5, diesel_b0 = 0.5 }
by = "mass"
[alias]
w = "winter"
"""


@target(30, lambda: text_seed(FUELS), [*SYNTAX, "formula", "parts", "[alias]", "[mixture.x]", "[fuel.y]", "formation"])
def fuels_toml(data: bytes) -> None:
    """A file of fuels gives fuels that can be computed with, or every fault."""
    found = answer_or_refusal(lambda: load_fuels(as_file(data, "fuels.toml")))
    for made in (found or {}).values():
        check_fuel(made)


def _instrument() -> list[bytes]:
    text = (SHIPPED / "instruments.toml").read_text(encoding="utf-8")
    return text_seed(text.partition("[class.portable]\n")[2].partition("\n[")[0])


@target(30, _instrument, [*SYNTAX, "co_ranges_ppm", "[[200.0, 10.0, 0.0], [inf, 0.0, 0.1]]", "o2_limit_pct"])
def instrument_toml(data: bytes) -> None:
    """A file of an analyser gives finite limits, or every fault."""
    found = answer_or_refusal(lambda: instrument_class(str(as_file(data, "analyser.toml"))))
    if found is not None:
        json.dumps(plain(found), allow_nan=False)
        assert found.co_limit_ppm(150.0) >= 0.0


PROFILE_WORDS = [key for part in PARTS for key in profile_keys(part)]


@target(40, lambda: seed_files(*sorted((DATA / "heaters").glob("*.toml")),
                               DATA / "larkfell_fleet" / "profiles" / "small.toml", largest=6000),
        [*SYNTAX, *PROFILE_WORDS, "[stages.low]", "[[baseline]]", "[ducts.intake]"])  # fmt: skip
def profile_toml(data: bytes) -> None:
    """A heater profile is a heater with checked findings, or every fault with its line."""
    found = answer_or_refusal(lambda: check_profile(as_file(data, "heater.toml")))
    if found is not None:
        json.dumps(found.to_dict(), allow_nan=False)


@target(40, lambda: seed_files(DATA / "larkfell_fleet" / "policy.toml"), [*SYNTAX, *load_table("fleet_policy")])
def policy_toml(data: bytes) -> None:
    """A policy is numbers inside their bands, or every fault."""
    found = answer_or_refusal(lambda: Policy.of(as_file(data, "policy.toml")))
    if found is not None:
        for key, row in load_table("fleet_policy").items():
            value = found.given(key)
            assert value is None or row["band"][0] <= value <= row["band"][1], f"{key} = {value} was let in"


CAUSES = ("[prior]\nhealthy = 0.5\nsingles = 0.4\npairs = 0.1\n", "[cause.fuel_over]\nprior = 0.2\n")


@target(20, lambda: [text.encode() for text in CAUSES] + seed_files(SHIPPED / "causes.toml", largest=8000),
        [*SYNTAX, "prior", "cause", "check", "severity", "[prior]", "[decide]"])  # fmt: skip
def causes_toml(data: bytes) -> None:
    """A file of priors and spreads is laid over the shipped one, or every fault is told."""
    found = answer_or_refusal(lambda: get_priors(as_file(data, "causes.toml")))
    if found is not None:
        assert abs(sum(found.shares.values()) - 1.0) < 1e-9


@target(20, lambda: text_seed('[[part]]\nkey = "look"\ntitle = "Look"\nsteps = ["a", "b"]\n'), [*SYNTAX, "[[part]]"])
def procedure_toml(data: bytes) -> None:
    """A procedure of one's own has parts with key, title and steps, or is refused."""
    for part in answer_or_refusal(lambda: visit_procedure(str(as_file(data, "procedure.toml")))) or []:
        assert set(part) == {"key", "title", "steps"}


@target(20, lambda: text_seed('[[interlock]]\nname = "door"\nlook = "Door shut"\n') + seed_files(
    SHIPPED / "start_guide.toml"), [*SYNTAX, "[[interlock]]"])  # fmt: skip
def interlocks_toml(data: bytes) -> None:
    """A checklist of one's own, or a refusal."""
    answer_or_refusal(lambda: interlocks(str(as_file(data, "interlocks.toml"))))
