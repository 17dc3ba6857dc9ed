"""Write notebooks/*.ipynb from notebooks/sources/*.md: text between python fences, a cell for every heading.

python tools/make_notebooks.py           writes them
python tools/make_notebooks.py --check   fails when one is out of date
"""

from __future__ import annotations

import sys
from pathlib import Path

import nbformat

ROOT = Path(__file__).parents[1] / "notebooks"
METADATA = {
    "kernelspec": {"display_name": "Python 3", "language": "python", "name": "python3"},
    "language_info": {"name": "python"},
}


def cells_of(text: str) -> list[nbformat.NotebookNode]:
    """Return the cells of a source: code inside ```python fences, text cells that begin at headings."""
    cells: list[nbformat.NotebookNode] = []
    lines: list[str] = []

    def close(kind: str) -> None:
        body = "\n".join(lines).strip("\n")
        lines.clear()
        if body:
            make = nbformat.v4.new_code_cell if kind == "code" else nbformat.v4.new_markdown_cell
            cells.append(make(body, id=f"cell-{len(cells):02d}"))

    inside = False
    for line in text.splitlines():
        if not inside and line.startswith("```python"):
            close("text")
            inside = True
        elif inside and line.startswith("```"):
            close("code")
            inside = False
        else:
            if not inside and line.startswith("#"):
                close("text")
            lines.append(line)
    close("code" if inside else "text")
    return cells


def notebook_text(source: Path) -> str:
    """Return the notebook of one source as the text of its file."""
    cells = cells_of(source.read_text(encoding="utf-8"))
    title = cells[0].source.splitlines()[0].lstrip("# ")
    book = nbformat.v4.new_notebook(cells=cells, metadata={**METADATA, "title": title})
    nbformat.validate(book)
    return nbformat.writes(book, indent=1, ensure_ascii=False) + "\n"


def main() -> None:
    """Write every notebook, or with --check compare."""
    stale = []
    for source in sorted((ROOT / "sources").glob("*.md")):
        target, text = ROOT / f"{source.stem}.ipynb", notebook_text(source)
        if "--check" in sys.argv:
            if not target.exists() or target.read_text(encoding="utf-8") != text:
                stale.append(target.name)
        else:
            target.write_text(text, encoding="utf-8")
    if stale:
        sys.exit(f"out of date: {', '.join(stale)}. Run: python tools/make_notebooks.py")


if __name__ == "__main__":
    main()
