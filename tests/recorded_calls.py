"""The calls that the examples of docstrings make: arguments of each function, for tests that try other kinds."""

from __future__ import annotations

import contextlib
import doctest
import inspect
import io
import sys
from functools import cache
from types import FrameType
from typing import Any

from tests.docstring_slots import Documented, documented
from tests.outside_calls import EDGE


@cache
def public() -> tuple[Documented, ...]:
    """Return every public function of kernel and domain."""
    return tuple(one for one in documented() if one.name.startswith(("combust.kernel.", "combust.domain.")))


@cache
def recorded() -> dict[str, dict[str, Any]]:
    """Return name -> arguments by name of the first call of each function that an example makes itself."""
    codes = {one.function.__code__: one.name for one in public()}
    calls: dict[str, dict[str, Any]] = {}

    def hook(frame: FrameType, event: str, _: Any) -> None:
        name = codes.get(frame.f_code) if event == "call" else None
        if name is None or name in calls:
            return
        caller = frame.f_back
        while caller is not None and caller.f_code.co_filename in EDGE:
            caller = caller.f_back
        if caller is not None and caller.f_code.co_filename.startswith("<doctest"):
            given = inspect.getargvalues(frame)
            calls[name] = {key: given.locals[key] for key in given.args}
            if given.keywords:
                calls[name] |= given.locals[given.keywords]

    parser, runner = doctest.DocTestParser(), doctest.DocTestRunner(verbose=False)
    for one in public():
        held = vars(sys.modules[one.function.__module__])
        test = parser.get_doctest(inspect.getdoc(one.function) or "", dict(held), one.name, None, 0)
        sys.setprofile(hook)
        try:
            with contextlib.redirect_stdout(io.StringIO()):
                runner.run(test)
        finally:
            sys.setprofile(None)
    return calls


def call(one: Documented, given: dict[str, Any]) -> Any:
    """Call a function with arguments by name."""
    parameters = inspect.signature(one.function).parameters
    named = [key for key, each in parameters.items() if each.kind is each.POSITIONAL_OR_KEYWORD]
    more = {key: value for key, value in given.items() if key not in named}
    return one.called(*(given[key] for key in named), **more)
