"""The quiet sheet that every figure is drawn on: one style, shapes beside colours, written complete or not at all."""

from __future__ import annotations

import base64
import io
import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

from combust.edge.whole_file import whole_file, writable_name

if TYPE_CHECKING:
    from matplotlib.figure import Figure

# Tones of a colour-blind-safe set (Okabe and Ito 2008) that also differ in grey; every use has its own dash or shape.
INK, LINE, MARK, THIRD, FOURTH, GREY = "#222222", "#0072B2", "#D55E00", "#009E73", "#CC79A7", "#888888"
STYLE: dict[str, Any] = {
    "font.size": 9,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "svg.hashsalt": "combust",
}


SLIDE_IN, SLIDE_PT = 13.33, 18.0  # how wide a figure stands on a projector, and the smallest type that is read there
PRESENTER = "presenter"  # marks the figure
MADE_BY = "combust"  # marks the file: another figure is not replaced


def sheet(
    rows: int = 1,
    columns: int = 1,
    *,
    size: tuple[float, float] = (6.4, 4.4),
    presenter: bool = False,
    **layout: Any,
) -> tuple[Figure, Any]:
    """Return a figure and its axes (an array when there are several) in the project's style.

    Parameters
    ----------
    rows, columns : int
    size : (float, float)
        Width and height [in].
    presenter : bool
        For a projector: no type is smaller than 18 pt where the figure fills a slide of 13.33 in, and a PNG has the
        points for that width.
    **layout
        As ``Figure.subplots`` takes it.
    """
    import matplotlib as mpl
    from matplotlib.figure import Figure

    least = SLIDE_PT * size[0] / SLIDE_IN if presenter else 0.0
    with mpl.rc_context(STYLE | {"font.size": max(STYLE["font.size"], least)}):
        figure = Figure(figsize=size, layout="constrained")
        if presenter:
            figure.set_gid(PRESENTER)
        axes = figure.subplots(rows, columns, **layout)
        for one in figure.axes:  # ticks are made when they are drawn, out of reach of the style
            one.tick_params(labelsize=mpl.rcParams["font.size"])
    return figure, axes


def type_size(plot: Any, points: float) -> float:
    """Return the size of a type on a plot or a figure [pt]: on a presenter's sheet no less than can be read."""
    figure = plot if plot.get_figure() is None else plot.get_figure()
    shown = figure.get_gid() == PRESENTER
    return max(points, SLIDE_PT * figure.get_figwidth() / SLIDE_IN) if shown else points


def title(plot: Any, text: str) -> None:
    """Write a finding as the title: what the figure shows, not what it is called."""
    plot.set_title(text, loc="left", fontsize=type_size(plot, 9), wrap=True)


def legend(plot: Any, **where: Any) -> None:
    """Draw the legend of a plot or a figure without a frame."""
    plot.legend(**{"frameon": False, "fontsize": type_size(plot, 8), **where})


def note(plot: Any, text: str, at: tuple[Any, Any], shift: tuple[float, float] = (4, 4), **look: Any) -> None:
    """Write a small word beside a point, shifted by so many points of type."""
    plot.annotate(text, at, xytext=shift, textcoords="offset points", **{"fontsize": type_size(plot, 8), **look})


def marker_line(plot: Any, x: float, text: str = "") -> None:
    """Draw a thin vertical line with a word at it."""
    plot.axvline(x, color=INK, linewidth=0.8)
    if text:
        note(plot, text, (x, 0.97), (4, 0), xycoords=("data", "axes fraction"), va="top", color=INK)


def source_line(figure: Figure, text: str) -> None:
    """Write where the numbers come from along the foot."""
    figure.supxlabel(text, fontsize=type_size(figure, 7), color=INK)


def svg_picture(svg: str, alt: str) -> dict[str, str]:
    """Return the text of an SVG as a picture for a page: a data URL (it can run no script and fetch nothing), alt."""
    return {"src": f"data:image/svg+xml;base64,{base64.b64encode(svg.encode()).decode('ascii')}", "alt": alt}


def svg_text(figure: Figure) -> str:
    """Return a figure as the text of an SVG file: the same figure gives the same bytes."""
    text = io.StringIO()
    _write(figure, text, "svg")
    return text.getvalue()


def as_wide_as_its_place(svg: str) -> str:
    """Return the text of an SVG without its own size: it fills the width of what it stands in."""
    return re.sub(r' width="[\d.]+pt" height="[\d.]+pt"', ' width="100%"', svg, count=1)


def _write(figure: Figure, target: Any, kind: str) -> None:
    import matplotlib as mpl

    with mpl.rc_context(STYLE):  # the salt of the SVG's names is read here, not while drawing
        dpi = 150 * (SLIDE_IN / figure.get_figwidth() if figure.get_gid() == PRESENTER else 1.0)
        by = {"Creator": MADE_BY, "Date": None} if kind == "svg" else {"Software": MADE_BY}
        figure.savefig(target, format=kind, dpi=dpi, metadata=by)


def save(figure: Figure, path: str | Path) -> None:
    """Write a figure (.png or .svg by its ending), complete or not at all; SVG is the same byte for byte each time.

    Raises
    ------
    CombustError
        The name ends in neither .png nor .svg.
    """
    path = writable_name(path, (".png", ".svg"))
    with whole_file(path) as partial:
        _write(figure, partial, path.suffix[1:].lower())
