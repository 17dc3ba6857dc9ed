"""The quiet sheet that lesson figures are drawn on: one style, shapes beside colours, alt text for every figure."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from combust.edge.figures import INK, LINE, MARK, STYLE

if TYPE_CHECKING:
    from matplotlib.figure import Figure

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
