"""How the site is built; ``make docs`` gathers the pages (tools/make_site.py) and runs Sphinx with this."""

from typing import Any

import nbformat
from docutils import nodes
from sphinx.application import Sphinx
from sphinx.environment import BuildEnvironment
from sphinx.util import logging

from combust import __version__

project, author, release, version = "combust", "the contributors of combust", __version__, __version__
copyright = "the contributors of combust"
extensions = ["myst_nb", "sphinx.ext.autodoc", "numpydoc"]
exclude_patterns = ["data", "**/data", "**.ipynb_checkpoints"]
language = "en"
smartquotes = False  # "--help" is no dash

# Notebooks were run when the pages were gathered; a cell without a number was not, and a word on stderr ends the build.
nb_execution_mode = "off"
nb_output_stderr = "warn"
nb_merge_streams = True
nb_code_prompt_show, nb_code_prompt_hide = "Show the code", "Hide the code"
myst_heading_anchors = 4
myst_enable_extensions = ["attrs_inline"]

nitpicky = True
autodoc_default_options = {"members": True, "member-order": "bysource"}
toc_object_entries_show_parents = "hide"
autodoc_typehints = "none"  # units and bands stand in the docstring, types with them
numpydoc_show_class_members = False
numpydoc_validation_checks = {"GL08"}  # a public name without a docstring
numpydoc_xref_param_type = False

html_theme = "plain"
html_theme_path = ["theme"]
html_title = "combust"
html_copy_source = False
html_show_search_summary = False  # it would be fetched, which a browser refuses for files
html_show_sphinx = False
html_favicon = "icon.svg"
pygments_style = "bw"


def setup(app: Sphinx) -> None:
    """Add what Sphinx does not do by itself."""
    app.connect("autodoc-skip-member", _is_field)
    app.connect("env-check-consistency", _all_ran)
    app.connect("doctree-resolved", _hang_the_gallery)
    app.connect("doctree-resolved", _name_the_cells)


def _is_field(_: Sphinx, what: str, name: str, value: Any, skip: bool, options: Any) -> bool | None:
    """Leave out fields of named tuples and data classes: they stand in the Attributes of their class, once."""
    return True if type(value).__name__ in ("_tuplegetter", "member_descriptor") else None


def _books(env: BuildEnvironment) -> list[str]:
    return sorted(
        name for name in env.found_docs if name.startswith("notebooks/") and name != "notebooks/00_start_here"
    )


def _all_ran(_: Sphinx, env: BuildEnvironment) -> None:
    """Refuse a notebook that was not run to its end."""
    for name in _books(env):
        cells = [cell for cell in nbformat.read(env.doc2path(name), as_version=4).cells if cell.cell_type == "code"]
        left = sum(not cell.execution_count for cell in cells)
        if left or not cells:
            logging.getLogger(__name__).warning("%s of %s cells were not run", left, len(cells), location=name)


def _name_the_cells(_app: Sphinx, page: nodes.document, _name: str) -> None:
    """Put its heading before each cell of a table but the first of a row: on a phone a row stands as a block."""
    for table in page.findall(nodes.table):
        heads = [entry.astext() for head in table.findall(nodes.thead) for entry in head.findall(nodes.entry)]
        rows = [row for body in table.findall(nodes.tbody) for row in body.findall(nodes.row)]
        for row in rows:
            for head, entry in list(zip(heads, row.findall(nodes.entry), strict=False))[1:]:
                words = next(entry.findall(nodes.paragraph), None)
                if head and words and words.astext():
                    words.insert(0, nodes.inline("", f"{head}: ", classes=["cell-head"]))


def _hang_the_gallery(app: Sphinx, page: nodes.document, name: str) -> None:
    """Put every figure of the notebooks on one page, each under the name of its notebook."""
    if name != "gallery":
        return
    room = next(page.findall(nodes.section))
    for book in _books(app.env):
        drawn = {}  # a slider and the same figure frozen are one
        for raw in app.env.get_doctree(book).findall(nodes.raw):
            if '<figure role="img"' in raw.rawsource:
                drawn[raw.rawsource.partition("<svg")[2].partition("</svg>")[0]] = raw
        shown = list(drawn.values())
        if not shown:
            continue
        title = app.env.titles[book].astext()
        link = nodes.reference("", title, refuri=app.builder.get_relative_uri(name, book), internal=True)
        figures = nodes.container("", *(raw.deepcopy() for raw in shown), classes=["pictures"])
        room += nodes.section("", nodes.title("", "", link), figures, ids=[book.replace("/", "-")])
