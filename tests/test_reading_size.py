"""What a reader meets: files and functions of a size that can be read, and docstrings whose slots are filled."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

import combust

ROOT = Path(combust.__file__).parents[1]
PACKAGE = sorted((ROOT / "combust").rglob("*.py"))
FILES = [*PACKAGE, *(path for top in ("tests", "tools") for path in sorted((ROOT / top).rglob("*.py")))]
MOST_LINES = 400
MOST_OF_A_FUNCTION = 66  # without its docstring; only the two fixed points of the causes are above 60
IN_TESTS = 70
SECTIONS = ("Parameters", "Returns", "Raises", "Notes", "References", "Examples", "See Also", "Attributes")
Function = ast.FunctionDef | ast.AsyncFunctionDef


def name_of(path: Path) -> str:
    return str(path.relative_to(ROOT))


def functions(tree: ast.Module) -> Iterator[Function]:
    return (node for node in ast.walk(tree) if isinstance(node, Function))


def public(body: list[ast.stmt]) -> Iterator[Function | ast.ClassDef]:
    """Yield what a module shows: functions and classes, and the methods of its classes."""
    for node in body:
        if isinstance(node, Function | ast.ClassDef) and not node.name.startswith("_"):
            if [ast.unparse(one) for one in node.decorator_list] == ["overload"]:  # a type, told at the function itself
                continue
            yield node
            if isinstance(node, ast.ClassDef):
                yield from public(node.body)


def section(text: str, title: str) -> str:
    """Return the body of one numpydoc section, empty when there is none."""
    ends = "|".join(SECTIONS)
    found = re.search(rf"(?ms)^{title}\n-+\n(.*?)(?=^(?:{ends})\n-+$|\Z)", text)
    return found[1] if found else ""


def arguments(node: Function) -> set[str]:
    given = node.args
    listed = [*given.posonlyargs, *given.args, *given.kwonlyargs, *filter(None, (given.vararg, given.kwarg))]
    return {one.arg for one in listed} - {"self", "cls"}


def raised(node: ast.AST) -> Iterator[ast.Raise]:
    """Yield what a function raises to its caller: what it catches and collects itself is not among it."""
    for child in ast.iter_child_nodes(node):
        if isinstance(child, ast.Raise):
            yield child
        elif isinstance(child, ast.Try) and any("CombustError" in ast.unparse(one) for one in child.handlers):
            for rest in (*child.handlers, *child.orelse, *child.finalbody):
                yield from raised(rest)
        else:
            yield from raised(child)


@pytest.mark.parametrize("path", FILES, ids=name_of)
def test_files_and_functions_can_be_read(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    assert len(text.splitlines()) < MOST_LINES
    most = MOST_OF_A_FUNCTION if path in PACKAGE else IN_TESTS
    for node in functions(ast.parse(text)):
        lines = (node.end_lineno or 0) - node.lineno + 1
        if ast.get_docstring(node) is not None:
            lines -= (node.body[0].end_lineno or 0) - node.body[0].lineno + 1
        assert lines <= most, f"{node.name} has {lines} lines without its docstring"


@pytest.mark.parametrize("path", PACKAGE, ids=name_of)
def test_docstrings_say_what_is_there(path: Path) -> None:
    """A sentence for everything public; what is listed as a parameter exists; what is raised here is told."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    assert ast.get_docstring(tree), "the module has no docstring"
    for node in public(tree.body):
        said = ast.get_docstring(node) or ""
        first = said.split("\n\n")[0]
        assert re.search(r"[.:!?;\])]", first), f"{node.name}: no sentence"
        if not isinstance(node, Function):
            continue
        heads = re.findall(r"(?m)^(\*{0,2}\w[\w, *]*?)(?: :.*)?$", section(said, "Parameters"))
        named = {name.strip(" *") for head in heads for name in head.split(",")}
        if node.args.kwarg is None:  # what goes through ** is named in the section too
            assert not named - arguments(node), f"{node.name}: {named - arguments(node)} are no parameters"
        raises = any("CombustError(" in ast.unparse(one) for one in raised(node))
        if any(re.search("answers|command", ast.unparse(one)) for one in node.decorator_list):
            continue  # its docstring is the help of the command
        assert not raises or "CombustError" in section(said, "Raises"), f"{node.name}: raises, and does not say so"
