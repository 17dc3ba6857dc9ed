"""Write notebooks/*.ipynb from notebooks/sources/*.md with jupytext: its Markdown, a cell for every heading.

Code is folded but for what the reader types into; the index, and what comes next, come from the sources' own openings.

python tools/make_notebooks.py            writes them
python tools/make_notebooks.py --check    fails when one is out of date
python tools/make_notebooks.py --html DIR runs each and writes it as a page, a figure where a slider stood
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import jupytext
import nbformat

from combust.application.lessons.predictions import lesson_path
from combust.edge.lesson_source import Opening, opening_of

ROOT = Path(__file__).parents[1] / "notebooks"
PYTHON = {
    "kernelspec": {"display_name": "Python 3", "language": "python", "name": "python3"},
    "language_info": {"name": "python"},
}
INDEX = "00_start_here.ipynb"
PARTS = (
    ("The work", "From a reading to a fleet over the winters.", ("01", "02", "03", "04", "05", "06", "07", "08")),
    *(
        (f"Lessons: {title.lower()}", "One idea each, for a class or alone.", numbers)
        for title, numbers in lesson_path()
    ),
    ("The room", "The page on a phone, cards, a heater with a hidden cause.", ("20", "21", "22")),
)
TYPED, OPEN = "# <- yours here", "open"  # what the reader types into; a tag for code that is there to be read
FOLDED, LIVE = "hide-input", "live"  # tags of what an export leaves out: folded code, how a notebook is run
# A page that nbconvert writes shows folded code, but names the tags of a cell as classes; a lab drops this rule.
LEFT_OUT = f"<style>.celltag_{FOLDED} > .jp-Cell-inputWrapper, .celltag_{LIVE} {{ display: none; }}</style>"
GOAL = "After this you can "
TO_RUN = (
    f"{LEFT_OUT}\n\n"
    "*In the menu: **Run**, **Run All Cells**. Code is folded; a click on its three dots opens it, **View**, **Expand All "
    f"Code** opens all. Where `{TYPED}` stands, type and run the cell with Shift-Enter.*"
)
INDEX_TEXT = """# Start here

These notebooks need no code: each asks a question first, then shows tables and figures that can be moved. Readings, \
places and heaters are invented.

> Carbon monoxide kills without smell. Heaters run only outdoors, exhaust in the open, a CO alarm worn. Local codes, \
the heater's own document and licensed practice come before anything here. No exercise is to be repeated on a real heater.

{to_run}

**Which path?** At the heater: 01, 02, 03, 06. Planning a fleet: 01, 05, 04, 07. Teaching: the lessons 10 to 19 in their \
order, then 20 to 22; `combust exercises --course` writes the day, notes and handouts. The lessons stand on the page \
too (`combust page`).

To hand one out as a page: `jupyter nbconvert --execute --to html notebooks/10_air_sweep.ipynb`; a figure stands where \
a slider stood, folded code is left out. `nbconvert` puts links to two scripts of its own into it; it reads \
without them.
"""


def sources() -> dict[str, tuple[Path, Opening]]:
    """Return each source and how it begins, by its number, in the order of the path."""
    found = {path.stem[:2]: path for path in (ROOT / "sources").glob("*.md")}
    order = [number for _, _, numbers in PARTS for number in numbers]
    if sorted(order) != sorted(found):
        raise ValueError(f"not in the path, or without a source: {set(order) ^ set(found)}")
    return {number: (found[number], opening_of(found[number].read_text(encoding="utf-8"))) for number in order}


def link(path: Path, opening: Opening) -> str:
    """Return the link to a notebook, as Markdown."""
    return f"[{opening.number} · {opening.title}]({path.stem}.ipynb)"


def notebook_text(book: Any) -> str:
    """Return a notebook as the text of its file: cells numbered, code folded."""
    for number, cell in enumerate(book.cells):
        cell["id"] = f"cell-{number:02d}"
        if cell.cell_type == "code" and TYPED not in cell.source and OPEN not in cell.metadata.get("tags", ()):
            cell["metadata"] = {"jupyter": {"source_hidden": True}, "tags": [FOLDED]}
    book["metadata"] = {**PYTHON, "title": book.cells[0].source.splitlines()[0].lstrip("# ")}
    return str(jupytext.writes(book, fmt="ipynb")) + "\n"


def of_source(path: Path, following: str) -> str:
    """Return the notebook of one source: how it is run stands after its opening, what comes next at its end."""
    book = jupytext.read(path, fmt={"extension": ".md", "split_at_heading": True})
    book.cells.insert(1, nbformat.v4.new_markdown_cell(TO_RUN, metadata={"tags": [LIVE]}))
    book.cells.append(nbformat.v4.new_markdown_cell(f"**Next:** {following}"))
    return notebook_text(book)


def index() -> str:
    """Return the index: the path in its parts, and of each notebook the minutes, the reader and what it needs."""
    known, cells = sources(), [nbformat.v4.new_markdown_cell(text) for text in INDEX_TEXT.split("\n\n{to_run}\n\n")]
    cells.insert(1, nbformat.v4.new_markdown_cell(TO_RUN, metadata={"tags": [LIVE]}))
    for title, about, numbers in PARTS:
        rows = [known[number] for number in numbers]
        lines = [
            f"| {link(path, one)} | {one.minutes} | {one.audience.removeprefix('For ')} | {one.before} | {one.goal.removeprefix(GOAL)} |"
            for path, one in rows
        ]
        head = "| notebook | minutes | for | before you start | you can then |\n|:---|---:|:---|:---|:---|"
        minutes = sum(one.minutes for _, one in rows)
        text = f"## {title} ({minutes} minutes)\n\n{about}\n\n" + "\n".join([head, *lines])
        cells.append(nbformat.v4.new_markdown_cell(text))
    return notebook_text(nbformat.v4.new_notebook(cells=cells))


def notebooks() -> dict[str, str]:
    """Return the text of each notebook, by its file name."""
    listed = list(sources().values())
    back = f"[All notebooks]({INDEX})"
    following = [f"{link(*pair)}, {pair[1].minutes} minutes. {back}." for pair in listed[1:]] + [f"{back}."]
    made = {f"{path.stem}.ipynb": of_source(path, words) for (path, _), words in zip(listed, following, strict=True)}
    return {INDEX: index(), **made}


def page_of(book: Any) -> str:
    """Return a notebook that was run as a page: without folded code, a figure where a control stood."""
    from nbconvert import HTMLExporter
    from traitlets.config import Config

    tags = {"enabled": True, "remove_input_tags": (FOLDED,), "remove_cell_tags": (LIVE,)}
    exporter = HTMLExporter(config=Config({"TagRemovePreprocessor": tags}))
    page, _ = exporter.from_notebook_node(book)
    return str(page).replace('.ipynb"', '.html"')


@contextmanager
def kernel() -> Iterator[Any]:
    """Give what starts a kernel and ends it; it is spoken to through files, so nobody else can listen."""
    from jupyter_client.manager import KernelManager

    with tempfile.TemporaryDirectory() as folder:
        place = str(Path(folder) / "kernel.json")
        manager = KernelManager(kernel_name="python3", transport="ipc", connection_file=place)
        yield manager
        if manager.has_kernel:
            manager.shutdown_kernel(now=True)


def run(book: Any) -> Any:
    """Run a notebook in a kernel of its own and return it with what came out; a cell that fails is an error."""
    from nbclient import NotebookClient

    with kernel() as manager:
        NotebookClient(book, km=manager, timeout=900, resources={"metadata": {"path": str(ROOT.parent)}}).execute()
    return book


def all_run() -> dict[Path, Any]:
    """Return every notebook, run, two at a time."""
    books = {path: nbformat.read(path, as_version=4) for path in sorted(ROOT.glob("*.ipynb"))}
    with ThreadPoolExecutor(2) as hands:
        return dict(zip(books, hands.map(run, books.values()), strict=True))


def export(folder: Path) -> None:
    """Run each notebook and write it as a page."""
    folder.mkdir(parents=True, exist_ok=True)
    for path, book in all_run().items():
        (folder / f"{path.stem}.html").write_text(page_of(book), encoding="utf-8")
        print(folder / f"{path.stem}.html")


def main() -> None:
    """Write every notebook, or with --check compare; a notebook without a source is out of date too."""
    if "--html" in sys.argv:
        export(Path(sys.argv[sys.argv.index("--html") + 1]))
        return
    wanted = {ROOT / name: text for name, text in notebooks().items()}
    if "--check" not in sys.argv:
        for path, text in wanted.items():
            path.write_text(text, encoding="utf-8")
    there = {path: path.read_text(encoding="utf-8") for path in ROOT.glob("*.ipynb")}
    stale = sorted(path.name for path in {*wanted, *there} if wanted.get(path) != there.get(path))
    if stale:
        sys.exit(f"out of date, or without a source: {', '.join(stale)}. Run: python tools/make_notebooks.py")


if __name__ == "__main__":
    main()
