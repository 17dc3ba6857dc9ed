"""Which public functions the outside checks really call: watched while the tests run, told and enforced at the end.

Every test that is marked with an outside kind (published, hand, independent, memory, practice) runs under a profile
hook that notes each public function called straight from a file below ``tests/``. With ``--outside-gate`` the run fails
when a public function was called by none of them, and the evidence is written for the accuracy page.
"""

from __future__ import annotations

import importlib
import inspect
import json
import pkgutil
import sys
import tomllib
from collections.abc import Callable, Iterator
from pathlib import Path
from types import CodeType, FrameType
from typing import Any

import pytest

import combust
from combust.data import arguments
from combust.domain import arrays
from combust.kernel import elementwise
from tests.source_rows import KINDS

TESTS = Path(__file__).parent
EVIDENCE = TESTS.parent / "output" / "accuracy" / "evidence.json"
# Floors whose every public function must be checked; above them what ``combust`` itself offers counts.
FLOORS = ("kernel", "domain")
EDGE = {inspect.getfile(one) for one in (arguments, arrays, elementwise)}
# Profile events that are watched in one test: a long loop of small calls would spend the suite's time in the hook.
EVENTS = 300_000


def bookkeeping() -> dict[str, str]:
    """Return name -> reason of the public functions that hold no number to check against the outside."""
    table = tomllib.loads((TESTS / "bookkeeping.toml").read_text(encoding="utf-8"))
    return {f"{module}.{name}": reason for module, names in table.items() for name, reason in names.items()}


def public_functions() -> dict[str, CodeType]:
    """Return dotted name -> code of every public function, method and property of the floors, and of ``combust``."""
    found: dict[str, CodeType] = {}
    for floor in FLOORS:
        package = importlib.import_module(f"combust.{floor}")
        for module in pkgutil.walk_packages(package.__path__, f"combust.{floor}."):
            for name, value in vars(importlib.import_module(module.name)).items():
                if not name.startswith("_") and getattr(value, "__module__", None) == module.name:
                    found.update(_codes(f"{module.name}.{name}", value))
    known = set(found.values())
    for name in combust.__all__:
        value = getattr(combust, name)
        plain = inspect.unwrap(value) if callable(value) else value
        if inspect.isfunction(plain) and plain.__code__ not in known:
            found[f"combust.{name}"] = plain.__code__
    return found


def _codes(name: str, value: Any) -> Iterator[tuple[str, CodeType]]:
    """Yield (name, code) of a function, or of the public methods and properties a class defines itself."""
    if not inspect.isclass(value):
        plain = inspect.unwrap(value)
        if inspect.isfunction(plain):
            yield name, plain.__code__
        return
    if getattr(value, "_is_protocol", False):  # names that others must have; nothing of its own
        return
    for key, member in vars(value).items():
        plain = member.fget if isinstance(member, property) else getattr(member, "func", member)
        plain = inspect.unwrap(getattr(plain, "__func__", plain))
        if not key.startswith("_") and inspect.isfunction(plain):
            yield f"{name}.{key}", plain.__code__


class OutsideCalls:
    """The plugin: watches the outside checks of one process, gathers those of the workers, and judges at the end."""

    def __init__(self) -> None:
        self.names = {code: name for name, code in public_functions().items()}
        # function -> kind -> tests, and test -> (kinds, first sentence, passed)
        self.calls: dict[str, dict[str, list[str]]] = {}
        self.tests: dict[str, dict[str, Any]] = {}
        self.bare: list[str] = []

    @pytest.hookimpl(hookwrapper=True)
    def pytest_pyfunc_call(self, pyfuncitem: pytest.Function) -> Iterator[None]:
        kinds = sorted({mark.name for mark in pyfuncitem.iter_markers()} & set(KINDS))
        if not kinds:
            yield
            return
        seen: set[str] = set()
        before = sys.getprofile()
        sys.setprofile(self._hook(seen))
        try:
            outcome = yield
        finally:
            sys.setprofile(before)
        for name in seen:
            for kind in kinds:
                self.calls.setdefault(name, {}).setdefault(kind, []).append(pyfuncitem.nodeid)
        said = (inspect.getdoc(pyfuncitem.function) or "").partition("\n")[0]
        passed = outcome.excinfo is None
        rows = "row" in pyfuncitem.fixturenames
        self.tests[pyfuncitem.nodeid] = {"kinds": kinds, "says": said, "passed": passed, "row": rows}

    def _hook(self, seen: set[str]) -> Callable[[FrameType, str, Any], None]:
        names, here, left = self.names, str(TESTS), EVENTS

        def hook(frame: FrameType, event: str, _: Any) -> None:
            nonlocal left
            left -= 1
            if event == "call":
                name = names.get(frame.f_code)
                if name is not None and name not in seen:
                    caller = frame.f_back
                    while caller is not None and caller.f_code.co_filename in EDGE:
                        caller = caller.f_back  # what checks the arguments stands between
                    if caller is not None and caller.f_code.co_filename.startswith(here):
                        seen.add(name)
            if left <= 0:
                sys.setprofile(None)

        return hook

    # ---- workers of pytest-xdist hand over what they saw --------------------------------------------------------

    @pytest.hookimpl(optionalhook=True)
    def pytest_testnodedown(self, node: Any) -> None:
        handed = getattr(node, "workeroutput", {}).get("outside_calls")
        if handed:
            self.tests.update(handed["tests"])
            for name, kinds in handed["calls"].items():
                for kind, tests in kinds.items():
                    self.calls.setdefault(name, {}).setdefault(kind, []).extend(tests)

    @pytest.hookimpl(trylast=True)
    def pytest_sessionfinish(self, session: pytest.Session) -> None:
        handing = getattr(session.config, "workeroutput", None)
        if handing is not None:
            handing["outside_calls"] = {"calls": self.calls, "tests": self.tests}
        else:
            excused = bookkeeping()
            self.bare = sorted(set(self.names.values()) - set(self.calls) - set(excused))
            write_evidence(self.calls, self.tests, sorted(self.names.values()), excused)
            if self.bare and session.exitstatus == 0:
                session.exitstatus = pytest.ExitCode.TESTS_FAILED

    def pytest_terminal_summary(self, terminalreporter: Any) -> None:
        if self.bare:
            terminalreporter.section("public functions without a check against something outside", red=True)
            for name in self.bare:
                terminalreporter.line(name)
        else:
            terminalreporter.line(
                f"Each of the {len(self.calls)} public functions with a number in it has an outside check."
            )


def write_evidence(
    calls: dict[str, dict[str, list[str]]], tests: dict[str, Any], names: list[str], excused: dict[str, str]
) -> None:
    """Write what was seen as JSON for ``tools/make_accuracy.py``."""
    EVIDENCE.parent.mkdir(parents=True, exist_ok=True)
    held = {"functions": names, "bookkeeping": excused, "calls": calls, "tests": tests}
    EVIDENCE.write_text(json.dumps(held, indent=1, sort_keys=True), encoding="utf-8")


def pytest_addoption(parser: pytest.Parser) -> None:
    """Add the option of the gate."""
    parser.addoption(
        "--outside-gate",
        action="store_true",
        help="fail when a public function is called by no outside check; write the evidence of the accuracy page",
    )


def pytest_configure(config: pytest.Config) -> None:
    """Watch only where the gate is asked for: a run of a few tests is not slowed down."""
    if config.getoption("--outside-gate"):
        config.pluginmanager.register(OutsideCalls(), "outside_calls")
