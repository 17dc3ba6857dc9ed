"""The quiet sheet that every figure is drawn on: one style, shapes beside colours, written complete or not at all."""

from __future__ import annotations

import io
from pathlib import Path
from typing import TYPE_CHECKING, Any

from combust.data.errors import CombustError, Fault
from combust.edge.whole_file import whole_file

if TYPE_CHECKING:
    from matplotlib.figure import Figure

# Three tones from a colour-blind-safe set (Okabe and Ito 2008) that also differ in grey.
INK, LINE, MARK = "#222222", "#0072B2", "#D55E00"
STYLE = {"font.size": 9, "axes.spines.top": False, "axes.spines.right": False, "svg.hashsalt": "combust"}
# Fourth and fifth tone of the same colour-blind-safe set (Okabe and Ito 2008); every use also has its own dash.
THIRD, FOURTH = "#009E73", "#CC79A7"
TONES = ((LINE, "-"), (MARK, "--"), (THIRD, "-."), (FOURTH, ":"), (INK, (0, (1, 1))))


def sheet(
    rows: int = 1, columns: int = 1, *, size: tuple[float, float] = (6.4, 4.4), **layout: Any
) -> tuple[Figure, Any]:
    """Return a figure and its axes (an array when there are several) in the project's style."""
    import matplotlib as mpl
    from matplotlib.figure import Figure

    with mpl.rc_context(STYLE):
        figure = Figure(figsize=size, layout="constrained")
        axes = figure.subplots(rows, columns, **layout)
    return figure, axes


def title(plot: Any, text: str) -> None:
    """Write a finding as the title: what the figure shows, not what it is called."""
    plot.set_title(text, loc="left", fontsize=9)


def legend(plot: Any, **where: Any) -> None:
    """Draw the legend without a frame."""
    plot.legend(frameon=False, fontsize=8, **where)


def marker_line(plot: Any, x: float, text: str = "", *, height: float = 0.97) -> None:
    """Draw a thin vertical line with a word at it."""
    plot.axvline(x, color=INK, linewidth=0.8)
    if text:
        plot.annotate(text, (x, height), xycoords=("data", "axes fraction"), xytext=(4, 0), fontsize=8,
                      textcoords="offset points", va="top", color=INK)  # fmt: skip


def svg_text(figure: Figure) -> str:
    """Return a figure as the text of an SVG file: the same figure gives the same bytes."""
    import matplotlib as mpl

    text = io.StringIO()
    with mpl.rc_context(STYLE):  # the salt of the SVG's names is read here, not while drawing
        figure.savefig(text, format="svg", metadata={"Date": None})
    return text.getvalue()


def save(figure: Figure, path: str | Path) -> None:
    """Write a figure (.png or .svg by its ending), complete or not at all; SVG is the same byte for byte each time.

    Raises
    ------
    CombustError
        The name ends in neither .png nor .svg.
    """
    import matplotlib as mpl

    path = Path(path)
    kind = path.suffix.lstrip(".").lower()
    if kind not in ("png", "svg") or path.is_dir():
        hint = f"Write it like {path.stem or 'figure'}.png"
        raise CombustError(Fault("figure", str(path), "format", why="ends in neither .png nor .svg", hint=hint))
    path.parent.mkdir(parents=True, exist_ok=True)
    metadata = {"Date": None} if kind == "svg" else {}
    # The salt of the SVG's names is read here, not while drawing.
    with whole_file(path) as partial, mpl.rc_context(STYLE):
        figure.savefig(partial, format=kind, dpi=150, metadata=metadata)
