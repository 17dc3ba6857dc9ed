"""Every text with which combust refuses an input, read from the source: each ``Fault(...)`` and each usage error.

A name that stands in a text is followed to where it is assigned, or to the callers that pass it; what is only known
when the program runs is shown as an ellipsis.
"""

from __future__ import annotations

import ast
import itertools
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

SOURCE = Path(__file__).parents[1] / "combust"
OPEN = "…"
DEEPEST = 6
MOST = 12
FIELDS = ("quantity", "value", "code", "unit", "low", "high", "why", "hint")
USAGE = ("UsageError", "ClickException", "fail")


@dataclass(frozen=True)
class FaultText:
    """One refusal: where it stands, what it names, its codes, what it says and what to do."""

    module: str
    line: int
    quantities: tuple[str, ...]
    codes: tuple[str, ...]
    whys: tuple[str, ...]
    hints: tuple[str, ...]
    allowed: str = ""


def fault_texts(root: Path = SOURCE) -> list[FaultText]:
    """Return every refusal of the package, in the order of the files."""
    found: list[FaultText] = []
    for path in sorted(root.rglob("*.py")):
        module = _Module(ast.parse(path.read_text(encoding="utf-8")), path.relative_to(root).as_posix())
        found.extend(module.faults())
    return found


@dataclass
class _Module:
    tree: ast.Module
    name: str
    parents: dict[ast.AST, ast.AST] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for node in ast.walk(self.tree):
            for child in ast.iter_child_nodes(node):
                self.parents[child] = node

    def faults(self) -> Iterator[FaultText]:
        for node in ast.walk(self.tree):
            if not isinstance(node, ast.Call):
                continue
            if isinstance(node.func, ast.Name) and node.func.id == "Fault":
                yield self._fault(node)
            elif isinstance(node.func, ast.Attribute) and node.func.attr in USAGE and node.args:
                texts = self._texts(node.args[0], node)
                yield FaultText(self.name, node.lineno, ("command line",), ("usage",), texts, ("",))

    def _fault(self, node: ast.Call) -> FaultText:
        given = dict(zip(FIELDS, node.args, strict=False)) | {
            word.arg: word.value for word in node.keywords if word.arg
        }
        texts = {key: self._texts(value, node) for key, value in given.items() if key not in ("value", "low", "high")}
        span = [
            ast.unparse(given[key]) if isinstance(given.get(key), ast.Constant) else OPEN for key in ("low", "high")
        ]
        unit = " ".join(texts.get("unit", ()))
        allowed = f"{span[0]} to {span[1]} {unit}".strip() if "low" in given and "high" in given else ""
        return FaultText(
            self.name,
            node.lineno,
            texts["quantity"],
            texts["code"],
            texts.get("why", ("",)),
            texts.get("hint", ("",)),
            allowed,
        )

    def _texts(self, node: ast.expr, at: ast.AST, depth: int = 0) -> tuple[str, ...]:
        """Return the texts an expression can have, at most a dozen."""
        found = list(dict.fromkeys(itertools.islice(self._walk(node, at, depth), 200)))
        return tuple(found[:MOST]) or (OPEN,)

    def _walk(self, node: ast.expr, at: ast.AST, depth: int) -> Iterator[str]:
        if depth > DEEPEST:
            yield OPEN
        elif isinstance(node, ast.Constant):
            yield str(node.value) if node.value is not None else ""
        elif isinstance(node, ast.JoinedStr):
            parts = [
                self._texts(part.value, at, depth + 1)
                if isinstance(part, ast.FormattedValue) and part.format_spec is None and self._is_text(part.value)
                else (part.value,) if isinstance(part, ast.Constant) else (OPEN,)
                for part in node.values
            ]  # fmt: skip
            yield from ("".join(row) for row in itertools.product(*parts))
        elif isinstance(node, ast.BinOp) and isinstance(node.op, ast.Add):
            pairs = itertools.product(self._texts(node.left, at, depth + 1), self._texts(node.right, at, depth + 1))
            yield from ("".join(pair) for pair in pairs)
        elif isinstance(node, ast.IfExp):
            yield from self._walk(node.body, at, depth + 1)
            yield from self._walk(node.orelse, at, depth + 1)
        elif isinstance(node, ast.BoolOp):
            for value in node.values:  # an empty text before "or" is never shown
                texts = self._walk(value, at, depth + 1)
                yield from (text for text in texts if text or value is node.values[-1])
        elif isinstance(node, ast.Name):
            yield from self._named(node.id, at, depth)
        elif (
            isinstance(node, ast.Call)
            and isinstance(node.func, ast.Attribute)
            and node.func.attr in ("strip", "lstrip")
        ):
            yield from self._walk(node.func.value, at, depth + 1)
        else:
            yield OPEN

    def _is_text(self, node: ast.expr) -> bool:
        return isinstance(node, ast.Name | ast.IfExp | ast.JoinedStr | ast.Constant)

    def _named(self, name: str, at: ast.AST, depth: int) -> Iterator[str]:
        scope = self._function(at)
        while True:
            assigned = list(self._assigned(name, scope if scope is not None else self.tree))
            for value in assigned if scope is None else self._latest(assigned, at):
                yield from self._walk(value, at, depth + 1)
            if assigned:
                return
            if scope is None:
                yield OPEN
                return
            arguments = [each.arg for each in (*scope.args.posonlyargs, *scope.args.args, *scope.args.kwonlyargs)]
            if name in arguments:
                yield from self._passed(name, arguments, scope, depth)
                return
            scope = self._function(self.parents.get(scope))

    def _latest(self, assigned: list[ast.expr], at: ast.AST) -> list[ast.expr]:
        """Return the assignments that can reach a place: back to the last one that is always passed on the way."""
        above = set(self._above(at))
        reaching: list[ast.expr] = []
        for value in sorted(assigned, key=lambda node: node.lineno, reverse=True):
            if value.lineno > getattr(at, "lineno", 0) or self._excluded(value, at):
                continue
            reaching.insert(0, value)
            statement = self.parents[value]
            if isinstance(statement, ast.Assign) and self.parents[statement] in above:
                break
        return reaching or assigned

    def _excluded(self, value: ast.AST, at: ast.AST) -> bool:
        """Return True when the two stand in different branches of one condition."""
        here = {*self._above(at), at}
        for node in (value, *self._above(value)):
            choice = self.parents.get(node)
            if isinstance(choice, ast.If) and choice in here:
                mine, other = (choice.body, choice.orelse) if node in choice.body else (choice.orelse, choice.body)
                if node in mine and any(each in here for each in other):
                    return True
        return False

    def _above(self, node: ast.AST) -> Iterator[ast.AST]:
        while node in self.parents:
            node = self.parents[node]
            yield node

    def _assigned(self, name: str, scope: ast.AST) -> Iterator[ast.expr]:
        for node in ast.walk(scope):
            if isinstance(scope, ast.Module) and self._function(node) is not None:
                continue
            if isinstance(node, ast.Assign):
                for target in node.targets:
                    yield from _matched(target, node.value, name)
            elif isinstance(node, ast.AugAssign | ast.AnnAssign) and node.value is not None:
                yield from _matched(node.target, node.value, name)
            elif isinstance(node, ast.For | ast.comprehension):
                rows = node.iter
                if isinstance(rows, ast.Name):
                    rows = next(self._assigned(rows.id, self.tree), rows)
                for row in rows.elts if isinstance(rows, ast.Tuple | ast.List) else ():
                    yield from _matched(node.target, row, name)

    def _passed(self, name: str, arguments: list[str], scope: ast.FunctionDef, depth: int) -> Iterator[str]:
        """Return what the callers in the same file pass for an argument, and its default."""
        method = bool(arguments) and arguments[0] in ("self", "cls")
        place = arguments.index(name) - method
        for node in ast.walk(self.tree):
            if isinstance(node, ast.Call) and scope.name in (
                getattr(node.func, "id", ""),
                getattr(node.func, "attr", ""),
            ):
                words = {word.arg: word.value for word in node.keywords}
                value = words.get(name) or (node.args[place] if 0 <= place < len(node.args) else None)
                if value is not None:
                    yield from self._walk(value, node, depth + 1)
        defaults = dict(
            zip(reversed([each.arg for each in scope.args.args]), reversed(scope.args.defaults), strict=False)
        )
        defaults |= {a.arg: d for a, d in zip(scope.args.kwonlyargs, scope.args.kw_defaults, strict=True) if d}
        if name in defaults:
            yield from self._walk(defaults[name], scope, depth + 1)

    def _function(self, node: ast.AST | None) -> ast.FunctionDef | None:
        while node is not None:
            node = self.parents.get(node)
            if isinstance(node, ast.FunctionDef):
                return node
        return None


def _matched(target: ast.expr, value: ast.expr, name: str) -> Iterator[ast.expr]:
    if isinstance(target, ast.Name) and target.id == name:
        yield value
    elif isinstance(target, ast.Tuple) and isinstance(value, ast.Tuple):
        for each, part in zip(target.elts, value.elts, strict=False):
            yield from _matched(each, part, name)
