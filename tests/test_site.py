"""The site: what a page asks for outside is found, its pictures are fresh, and what is not in order fails the build."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import nbformat
import pytest
from nbclient.exceptions import CellExecutionError

from tests.edge.runs import ROOT, tool
from tests.long import LONG

pytestmark = pytest.mark.regression

SITE, PICTURES, BOOKS = tool("make_site"), tool("make_pictures"), tool("make_notebooks")

OUTSIDE = [
    ("<script src='https://cdn.example/x.js'></script>", ".html"),
    ("<script src='//cdn.example/x.js'></script>", ".html"),
    ('<link rel="preload stylesheet" href="HTTPS://fonts.example/a.css">', ".html"),
    ('<img srcset="a.png 1x, https://img.example/b.png 2x">', ".html"),
    ("<svg><use xlink:href='//svg.example/a.svg#x'/></svg>", ".html"),
    ("<svg><image href='http://svg.example/a.png'/></svg>", ".svg"),
    ("<p style=\"background: url( 'https://img.example/a.png')\">", ".html"),
    ("<style>@import 'https://fonts.example/a.css';</style>", ".html"),
    ("<script>fetch(`https://api.example/a`)</script>", ".html"),
    ('<meta http-equiv="refresh" content="0; url=https://other.example/">', ".html"),
    ("<iframe src=https://frame.example></iframe>", ".html"),
    ("@font-face { src: url(//fonts.example/a.woff2) }", ".css"),
    ('import("https://cdn.example/a.js")', ".js"),
]
WITHIN = [
    ('<a href="https://standard.example">a source</a>', ".html"),
    ('<img src="data:image/svg+xml;base64,aHR0cHM6Ly9h" alt="">', ".html"),
    ('<link rel="next" href="https://a.example"><link rel="stylesheet" href="_static/site.css">', ".html"),
    ('<svg xmlns="http://www.w3.org/2000/svg"><rect fill="url(#a)"/></svg>', ".svg"),
    ("/* see https://a.example */ a { background: url(b.png) }", ".css"),
    ("// https://a.example\nfetch('searchindex.js')", ".js"),
]


@pytest.mark.parametrize(("text", "kind"), OUTSIDE)
def test_what_a_page_asks_for_outside_is_found(text: str, kind: str) -> None:
    assert SITE.asked_outside(text, kind)


@pytest.mark.parametrize(("text", "kind"), WITHIN)
def test_a_link_a_comment_and_what_lies_beside_the_page_are_no_requests(text: str, kind: str) -> None:
    assert SITE.asked_outside(text, kind) == []


def test_the_pictures_of_the_readme_show_what_the_code_draws() -> None:
    assert PICTURES.refresh(check=True) == [], "run: python tools/make_pictures.py"
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    assert re.findall(r"\(docs/pictures/(\w+)\.svg\)", readme) == list(PICTURES.PICTURES)


def test_a_stale_picture_is_noticed_and_another_version_of_the_drawing_library_is_not() -> None:
    drawn = '<svg id="a1"><path d="M 10.25 20 L 30 -4.5e-3" clip-path="url(#p9)"/><text x="5">lambda 1.60</text></svg>'
    assert PICTURES.same(drawn, drawn.replace("a1", "b77").replace("p9", "q1").replace("10.25", "10.2"))
    for stale in (
        drawn.replace("10.25", "13"),
        drawn.replace("lambda 1.60", "lambda 5.60"),
        drawn.replace("lambda", "air"),
        drawn.replace("L 30", "L 30 1 L 30"),
    ):
        assert not PICTURES.same(drawn, stale)


def test_every_figure_that_can_be_drawn_hangs_in_the_gallery() -> None:
    """The gallery shows the figures of the notebooks: each public ``draw_`` function stands in one of them."""
    told = "".join(path.read_text(encoding="utf-8") for path in (ROOT / "notebooks" / "sources").glob("*.md"))
    for path in sorted((ROOT / "combust" / "edge" / "figures").glob("*.py")):
        for name in re.findall(r"^def (draw_\w+)\([^)]*\) -> (?:Figure|Chart)", path.read_text(encoding="utf-8"), re.M):
            assert re.search(rf"^(?!from |import ).*\b{name}\b", told, re.M), f"{name} is drawn in no notebook"


def test_the_reference_holds_every_public_name() -> None:
    """Counted another way than the pages are made: by the text of the sources, not by the loaded modules."""
    pages = dict(SITE.reference())
    for floor in SITE.FLOORS:
        for path in sorted((ROOT / "combust" / floor).glob("*.py")):
            for name in re.findall(r"^(?:def|class) ([A-Za-z]\w*)", path.read_text(encoding="utf-8"), re.M):
                assert f":: combust.{floor}.{path.stem}.{name}\n" in pages[f"reference/combust.{floor}.{path.stem}"]


FAULTS = {
    "a link to nowhere": "# T\n\n[there](nowhere.md)\n",
    "a heading that is not there": "# T\n\n[there](#no-such-heading)\n",
    "a name that is not there": "# T\n\n```{eval-rst}\n:func:`no_such_name`\n```\n",
    "a name without a docstring": "# T\n\n```{eval-rst}\n.. autofunction:: bare.bare\n```\n",
    "a cell that fails": "1 / 0",
    "a cell that was not run": "print(2)",
    "a cell that mutters": "import sys; print('careful', file=sys.stderr)",
    "nothing": "print(1)",
}


def a_notebook(cell: str) -> str:
    """Return the text of a notebook with one cell of code."""
    book = nbformat.v4.new_notebook(cells=[nbformat.v4.new_markdown_cell("# T"), nbformat.v4.new_code_cell(cell)])
    return str(nbformat.writes(book))


@pytest.mark.skipif(not LONG, reason="eight small builds: COMBUST_LONG=yes")
@pytest.mark.parametrize("fault", FAULTS)
def test_what_is_not_in_order_fails_the_build(fault: str, tmp_path: Path) -> None:
    """A site of a few empty pages with the real settings; without a fault it is built."""
    pages, text = tmp_path / "pages", FAULTS[fault]
    shutil.copytree(ROOT / "docs" / "site", pages)
    shutil.copy(ROOT / "combust" / "edge" / "web" / "static" / "icon.svg", pages)
    for name in (
        "tour_engineer",
        "tour_planner",
        "tour_trainer",
        "gallery",
        "reference/index",
        "notebooks/00_start_here",
    ):
        (pages / name).parent.mkdir(exist_ok=True)
        (pages / f"{name}.md").write_text("---\norphan: true\n---\n# T\n", encoding="utf-8")
    on_page = text.startswith("# T")
    (pages / "notebooks" / "01.ipynb").write_text(a_notebook("1" if on_page else text), encoding="utf-8")
    if fault != "a cell that was not run":
        book = nbformat.read(pages / "notebooks" / "01.ipynb", as_version=4)
        if fault == "a cell that fails":
            with pytest.raises(CellExecutionError):
                BOOKS.run(book)
            return
        nbformat.write(BOOKS.run(book), pages / "notebooks" / "01.ipynb")
    first = f"{text if on_page else '# T'}\n```{{toctree}}\nnotebooks/01\n```\n"
    (pages / "index.md").write_text(first, encoding="utf-8")
    (pages / "bare.py").write_text("def bare():\n    return 1\n", encoding="utf-8")
    command = [sys.executable, "-m", "sphinx", *SITE.SPHINX, str(pages), str(tmp_path / "out")]
    found = {**os.environ, "PYTHONPATH": str(pages)}
    done = subprocess.run(command, cwd=pages, env=found, capture_output=True, text=True, check=False)
    assert (done.returncode == 0) == (fault == "nothing"), done.stderr
