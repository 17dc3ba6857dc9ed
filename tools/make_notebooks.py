"""Write notebooks/*.ipynb from notebooks/sources/*.md with jupytext: its Markdown, a cell for every heading.

python tools/make_notebooks.py           writes them
python tools/make_notebooks.py --check   fails when one is out of date
"""

from __future__ import annotations

import sys
from pathlib import Path

import jupytext

ROOT = Path(__file__).parents[1] / "notebooks"
PYTHON = {
    "kernelspec": {"display_name": "Python 3", "language": "python", "name": "python3"},
    "language_info": {"name": "python"},
}


def notebook_text(source: Path) -> str:
    """Return the notebook of one source as the text of its file; the ids of its cells are their numbers."""
    book = jupytext.read(source, fmt={"extension": ".md", "split_at_heading": True})
    for number, cell in enumerate(book.cells):
        cell["id"] = f"cell-{number:02d}"
    book["metadata"] = {**PYTHON, "title": book.cells[0].source.splitlines()[0].lstrip("# ")}
    return str(jupytext.writes(book, fmt="ipynb")) + "\n"


def main() -> None:
    """Write every notebook, or with --check compare; a notebook without a source is out of date too."""
    wanted = {ROOT / f"{source.stem}.ipynb": notebook_text(source) for source in (ROOT / "sources").glob("*.md")}
    if "--check" not in sys.argv:
        for path, text in wanted.items():
            path.write_text(text, encoding="utf-8")
    there = {path: path.read_text(encoding="utf-8") for path in ROOT.glob("*.ipynb")}
    stale = sorted(path.name for path in {*wanted, *there} if wanted.get(path) != there.get(path))
    if stale:
        sys.exit(f"out of date, or without a source: {', '.join(stale)}. Run: python tools/make_notebooks.py")


if __name__ == "__main__":
    main()
