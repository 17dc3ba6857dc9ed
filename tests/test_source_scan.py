"""What the sources never do: run text as code, unpickle, start a shell, open the network, check input by assert."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
FILES = sorted([*(ROOT / "combust").rglob("*.py"), *(ROOT / "tools").glob("*.py")])
CALLS = ("eval", "exec", "compile", "__import__", "os.system", "os.popen", "yaml.load", "np.load", "numpy.load",
         "pd.read_pickle", "pandas.read_pickle", "tempfile.mktemp")  # fmt: skip
METHODS = ("read_pickle", "to_pickle")
MODULES = ("pickle", "cPickle", "dill", "cloudpickle", "marshal", "shelve", "yaml", "telnetlib", "ctypes")
NETWORK = ("socket", "urllib", "http", "requests", "ftplib", "smtplib", "ssl", "httpx", "aiohttp", "webbrowser")
# The page becomes a server of its own; before that it asks this machine whether its port is free.
ASKS_FOR_A_PORT = "combust/edge/cli/page.py"


def name_of(node: ast.expr) -> str:
    """Return the dotted name of an expression, or nothing."""
    if isinstance(node, ast.Name):
        return node.id
    if isinstance(node, ast.Attribute):
        return f"{name_of(node.value)}.{node.attr}"
    return ""


def offences(tree: ast.AST) -> Iterator[tuple[int, str]]:
    """Yield (line, what) for everything in a module that must not be there."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            names = [node.module or ""] if not node.level else []
        else:
            names = []
        for name in names:
            top = name.split(".")[0]
            if top in (*MODULES, *NETWORK):
                yield node.lineno, f"import of {name}"
            if top == "subprocess":
                yield node.lineno, "subprocess"
        if isinstance(node, ast.Call):
            called = name_of(node.func)
            if called in CALLS or called.rpartition(".")[2] in METHODS:
                yield node.lineno, called
            for keyword in node.keywords:
                if keyword.arg in ("shell", "allow_pickle") and not (
                    isinstance(keyword.value, ast.Constant) and keyword.value.value is False
                ):
                    yield node.lineno, f"{keyword.arg}="
        if isinstance(node, ast.Assert):
            yield node.lineno, "assert"


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.relative_to(ROOT).as_posix())
def test_nothing_dangerous_stands_in_the_sources(path: Path) -> None:
    place = path.relative_to(ROOT).as_posix()
    allowed = {"subprocess"} if place.startswith("tools/") else set()
    allowed.add("import of urllib.parse")  # it takes addresses apart and asks nobody
    if place == ASKS_FOR_A_PORT:
        allowed.add("import of socket")
    if place == "tools/readme_tour.py":  # asks the page that it started on this machine
        allowed.add("import of urllib.request")
    found = [
        f"{place}:{line}: {what}" for line, what in offences(ast.parse(path.read_text("utf-8"))) if what not in allowed
    ]
    assert not found


@pytest.mark.parametrize(
    "text",
    ["eval('1')", "exec(x)", "import pickle", "from pickle import loads", "import urllib.request", "os.system('x')",
     "subprocess.run('x', shell=True)", "np.load(x, allow_pickle=True)", "assert x > 0", "pd.read_pickle(x)",
     "frame.to_pickle(x)", "from yaml import load", "import socket as s", "run(x, shell=flag)"],
)  # fmt: skip
def test_the_scan_finds_what_it_looks_for(text: str) -> None:
    assert list(offences(ast.parse(text)))


def test_the_scan_passes_harmless_code() -> None:
    assert not list(offences(ast.parse("import json\nre.compile('x')\nrun([x], shell=False)\nevaluate(x)")))


def test_every_page_template_escapes() -> None:
    """Every environment of the template engine is made with autoescape, and no template turns it off."""
    for path in FILES:
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.Call) and name_of(node.func).rpartition(".")[2] == "Environment":
                given = {keyword.arg: keyword.value for keyword in node.keywords}
                assert isinstance(given.get("autoescape"), ast.Constant), path
                assert given["autoescape"].value is True, path
    for template in (ROOT / "combust" / "edge" / "reports" / "templates").iterdir():
        text = template.read_text("utf-8")
        assert "|safe" not in text.replace(" ", ""), template
        assert "autoescape" not in text, template
        if "script-src '{{ script_hash }}'" in text:  # one script, known by its hash
            text = text.replace("<script>{{ script }}</script>", "", 1)
        assert "<script" not in text, template
