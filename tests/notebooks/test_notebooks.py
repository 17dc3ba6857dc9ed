"""Every notebook runs without an error and without a word on stderr, and is in order.

They run one after the other in one kernel, which forgets all names before each: its start and its imports would be most
of the time. That a notebook leans on a setting that another left behind would be seen in JupyterLab only.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import nbformat
import pytest
from nbclient import NotebookClient
from nbconvert import HTMLExporter

from tests.edge.runs import ROOT, tool

BOOKMAKER = tool("make_notebooks")
BOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))
INDEX, *SOURCED = BOOKS
LESSONS = [path for path in BOOKS if "10" <= path.stem[:2] <= "19"]
CALLED = '<span class="n">choose</span>'
WIDGET = "application/vnd.jupyter.widget-view+json"
IN_ORDER = ("Before you start", "Inputs", "Predict", "Compute", "Check", "Explore", "What would change the answer",
            "Formulas", "Exercise", "Three things to remember")  # fmt: skip


def read(path: Path) -> Any:
    return nbformat.read(path, as_version=4)


@pytest.fixture(scope="module")
def client() -> Iterator[NotebookClient]:
    """Give what runs a notebook after the other in the same kernel."""
    paths = filter(None, [str(ROOT), os.environ.get("PYTHONPATH")])
    with pytest.MonkeyPatch.context() as patch, BOOKMAKER.kernel() as kernel:
        patch.setenv("PYTHONPATH", os.pathsep.join(paths))
        where = {"metadata": {"path": str(ROOT)}}
        yield NotebookClient(read(INDEX), km=kernel, timeout=900, startup_timeout=600, resources=where)


@pytest.mark.parametrize("path", SOURCED, ids=lambda path: path.stem)
def test_a_notebook_runs_without_errors_and_without_warnings(path: Path, client: NotebookClient) -> None:
    book = read(path)
    book.cells.insert(0, nbformat.v4.new_code_cell("%reset -f"))
    client.nb = book
    client.execute()
    outputs = [output for cell in book.cells if cell.cell_type == "code" for output in cell.outputs]
    assert [output.text for output in outputs if output.get("name") == "stderr"] == []
    assert outputs
    # for people: a table, a figure or a few lines; a program that runs it gets the figure of a control
    shown = [output.data for output in outputs if "data" in output]
    assert [data for data in shown if not {"text/html", "text/markdown"} & set(data)] == [], "a bare repr"
    assert [output.text for output in outputs if len(output.get("text", "").splitlines()) > 4] == []
    assert [data for data in shown if WIDGET in data] == []
    assert "widgets" not in book.metadata
    if path.stem.startswith("16"):
        page = BOOKMAKER.page_of(book)
        assert 'class="chart"' in page  # where the control stood
        assert CALLED not in page
        assert "# &lt;- yours here" in page
        plain, _ = HTMLExporter().from_notebook_node(book)  # as jupyter nbconvert --to html does
        assert 'class="chart"' in plain
        assert CALLED in plain  # it is there, and hidden by its tag
        folded = len([cell for cell in book.cells if BOOKMAKER.FOLDED in cell.metadata.get("tags", ())])
        assert len(re.findall(r'class="jp-Cell [^"]* celltag_hide-input', plain)) == folded > 5
        assert len(re.findall(r'class="jp-[^"]* celltag_live"', plain)) == 1
        assert plain.count("<style>.celltag_hide-input > .jp-Cell-inputWrapper, .celltag_live {") == 1
        assert WIDGET not in plain


CONTROL = """
from combust.edge.figures import lesson_gas
from combust.edge.notebook import slide
slide(lesson_gas.draw_dilution, label="air (%)", low=0, high=30, step=1, start=10)
"""


def test_a_control_is_there_for_whoever_can_move_it_and_its_figure_for_all_others() -> None:
    """A kernel is asked by somebody who can answer, then by a program."""
    came: dict[bool, list[Any]] = {True: [], False: []}
    with BOOKMAKER.kernel() as kernel:
        kernel.start_kernel(cwd=str(ROOT))
        talk = kernel.blocking_client()
        talk.start_channels()
        talk.wait_for_ready(timeout=120)
        for somebody, heard in came.items():
            talk.execute_interactive(CONTROL, allow_stdin=somebody, output_hook=heard.append, timeout=120)
        talk.stop_channels()
    shown = {who: [one["content"]["data"] for one in heard if "data" in one["content"]] for who, heard in came.items()}
    ((control,), (figure,)) = ([data for data in told if "text/html" in data] for told in shown.values())
    assert WIDGET in control
    assert set(figure) == {"text/html", "text/plain"}
    assert "<figure" in figure["text/html"] == control["text/html"]


@pytest.mark.parametrize("path", BOOKS, ids=lambda path: path.stem)
def test_no_outputs_are_committed_and_no_warning_is_muted(path: Path) -> None:
    for cell in read(path).cells:
        if cell.cell_type == "code":
            assert cell.outputs == []
            assert cell.execution_count is None
            assert "filterwarnings" not in cell.source
            assert "%%capture" not in cell.source


@pytest.mark.parametrize("path", LESSONS, ids=lambda path: path.stem)
def test_a_lesson_has_its_parts_in_order(path: Path) -> None:
    cells = read(path).cells
    headings = [cell.source.splitlines()[0][3:] for cell in cells if cell.source.startswith("## ")]
    assert tuple(headings) == IN_ORDER
    assert "**After this you can**" in cells[0].source
    assert "minutes" in cells[0].source
    assert "Carbon monoxide kills" in cells[0].source
    code = [cell.source for cell in cells if cell.cell_type == "code"]
    assert any("assert " in source for source in code)
    assert any("slide(" in source or "choose(" in source for source in code)
    assert any(".check(" in source for source in code)
    assert max(len(source.splitlines()) for source in code) <= 20


def test_the_index_names_every_notebook_with_its_minutes_and_each_names_its_next() -> None:
    told = "\n\n".join(cell.source for cell in read(INDEX).cells)
    rows = re.findall(r"\| \[(\d\d) · .+?\]\((.+?)\) \| (\d+) \| ", told)
    assert [name for _, name, _ in rows] == [path.name for path in SOURCED]
    parts = [int(minutes) for minutes in re.findall(r"^## .+ \((\d+) minutes\)", told, re.M)]
    assert sum(parts) == sum(int(minutes) for _, _, minutes in rows)
    assert "Carbon monoxide kills" in told
    for path, following in zip(SOURCED, [*SOURCED[1:], INDEX], strict=True):
        last = read(path).cells[-1].source
        assert last.startswith("**Next:** [")
        assert f"]({following.name})" in last
        assert f"]({INDEX.name})" in last


@pytest.mark.parametrize("path", SOURCED, ids=lambda path: path.stem)
def test_code_is_folded_but_for_what_is_typed(path: Path) -> None:
    cells = read(path).cells
    code = [cell for cell in cells if cell.cell_type == "code"]
    seen = [cell for cell in code if not cell.metadata.get("jupyter", {}).get("source_hidden")]
    for cell in seen:
        assert "# <- yours here" in cell.source or "open" in cell.metadata["tags"]
        assert len(cell.source.splitlines()) <= 7
    assert not any("# <- " in cell.source for cell in code if cell not in seen)
    assert seen
    assert "Run All Cells" in cells[1].source


def test_notebooks_are_what_their_sources_say() -> None:
    script = [sys.executable, str(ROOT / "tools" / "make_notebooks.py"), "--check"]
    done = subprocess.run(script, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
