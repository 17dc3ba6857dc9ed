"""Helpers for notebooks: what is shown as HTML, widgets that show it anew, and a frozen figure that needs no kernel."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Sequence
from functools import cached_property
from html import escape
from typing import TYPE_CHECKING, Any

from combust.data.errors import need_module
from combust.data.told import html_table
from combust.edge.figures.chart import Chart, chart_svg
from combust.edge.figures.style import as_wide_as_its_place, svg_text

if TYPE_CHECKING:
    from matplotlib.figure import Figure

Row = tuple[str, str, Any, str, str]
TEXT, FULL = "max-width:44em", "max-width:none;font-size:1.8em"  # a figure in the text, and one for a projector


def widget_library() -> Any:
    """Return the module ipywidgets.

    Raises
    ------
    CombustError
        It is not installed; the remedy is told.
    """
    return need_module("ipywidgets", "notebooks")


class Shown:
    """Something that a notebook shows as HTML and a terminal as text."""

    def __init__(self, html: str, text: str) -> None:
        self._html, self._text = html, text

    def _repr_html_(self) -> str:
        return self._html

    def __str__(self) -> str:
        return self._text

    __repr__ = __str__


class InputTable(Shown):
    """Inputs of a notebook as a table: symbol, meaning, value, unit, source; ``table[symbol]`` is the value."""

    def __init__(self, rows: Sequence[Row]) -> None:
        self._values = {symbol: value for symbol, _, value, _, _ in rows}
        lines = [f"{s:<18}{v} {u}  {m} ({source})" for s, m, v, u, source in rows]
        super().__init__(html_table(rows, ("symbol", "meaning", "value", "unit", "source")), "\n".join(lines))

    def __getitem__(self, symbol: str) -> Any:
        return self._values[symbol]

    def keys(self) -> Any:
        """Return the symbols: a table of inputs can be handed on as a mapping."""
        return self._values.keys()


class ResultTable(Shown):
    """What came out as a table, for people: headings with their units, rows of cells, a sentence below it.

    Parameters
    ----------
    head : sequence of str
    rows : iterable of sequences
        Cells; a number is shown as it is given.
    note : str
    """

    def __init__(self, head: Sequence[str], rows: Iterable[Sequence[object]], note: str = "") -> None:
        cells = [[str(cell) for cell in row] for row in rows]
        below = f"<p>{escape(note)}</p>" if note else ""
        lines = ["  ".join(row) for row in [list(head), *cells]]
        super().__init__(html_table(cells, head) + below, "\n".join([*lines, *([note] if note else [])]))


class FrozenFigure(Shown):
    """A figure as SVG with its alt text and caption: it reads in a notebook without a running kernel."""

    def __init__(self, figure: Figure | Chart, caption: str, *, presenter: bool = False) -> None:
        if isinstance(figure, Chart):
            self.alt, self.svg, caption = figure.told, chart_svg(figure), f"{figure.title}. {caption}"
        else:
            self.alt, self.svg = str(figure.get_label() or caption), as_wide_as_its_place(svg_text(figure))
        super().__init__(
            f'<figure role="img" aria-label="{escape(self.alt, quote=True)}" style="{FULL if presenter else TEXT}">'
            f"{self.svg[self.svg.index('<svg') :]}<figcaption>{escape(caption)}</figcaption></figure>",
            f"Figure: {self.alt}",
        )


def nobody_there() -> bool:
    """Return True where a notebook is run by a program (an export, a test): it says that nobody can be asked."""
    ipython = sys.modules.get("IPython")
    shell = ipython.get_ipython() if ipython else None
    kernel = getattr(shell, "kernel", None)
    return kernel is not None and not kernel.get_parent().get("content", {}).get("allow_stdin", True)


class Moved(Shown):
    """A control with the figure that it moves; where nobody can move it, the figure as it first was stands there.

    Parameters
    ----------
    handle : callable
        Gives the control; it is not made where nobody is there, so that an export holds none.
    show : callable
        Value and name of what is chosen -> what is shown.
    first : tuple
        Value and name at the beginning.
    """

    def __init__(self, handle: Callable[[], Any], show: Callable[[Any, str], Shown], first: tuple[Any, str]) -> None:
        shown = show(*first)
        super().__init__(shown._repr_html_(), str(shown))
        self._handle, self._show = handle, show

    @cached_property
    def children(self) -> tuple[Any, Any]:
        """The control, and what stands below it."""
        handle, below = self._handle(), widget_library().HTML(self._repr_html_())

        def redraw(_change: Any) -> None:
            below.value = self._show(handle.value, getattr(handle, "label", ""))._repr_html_()

        handle.observe(redraw, names="value")
        return handle, below

    def _repr_mimebundle_(self, **kwargs: Any) -> dict[str, Any]:
        """Return the control for a notebook that runs, and for every other reader the figure."""
        told = {"text/html": self._repr_html_(), "text/plain": str(self)}
        return told if nobody_there() else {**widget_library().VBox(self.children)._repr_mimebundle_(**kwargs), **told}


def slide(
    draw: Callable[[float], Figure | Chart],
    *,
    label: str,
    low: float,
    high: float,
    step: float,
    start: float,
    source: str = "",
    presenter: bool = False,
) -> Moved:
    """Return a slider that redraws a figure when it is moved (arrow keys work on its handle).

    Parameters
    ----------
    draw : callable
        Value of the slider -> figure.
    label : str
        What is moved, with its unit.
    low, high, step, start : float
    source : str
        Where the numbers come from, for the caption.
    presenter : bool
        Whether the figure takes the full width, for a projector.
    """

    def handle() -> Any:
        widgets = widget_library()
        return widgets.FloatSlider(
            value=start, min=low, max=high, step=step, description=label, continuous_update=False,
            style={"description_width": "initial"}, layout=widgets.Layout(width="95%", max_width="44em"),
        )  # fmt: skip

    def shown(value: float, _name: str) -> Shown:
        return FrozenFigure(draw(value), f"{label}: {value:g}. {source}".strip(), presenter=presenter)

    return Moved(handle, shown, (start, ""))


def choose(
    draw: Callable[[str], Figure | Chart],
    *,
    label: str,
    options: Sequence[tuple[str, str]],
    source: str = "",
    presenter: bool = False,
) -> Moved:
    """Return a list of choices that redraws a figure (arrow keys work in it).

    Parameters
    ----------
    draw : callable
        Chosen value -> figure.
    label : str
        What is chosen.
    options : sequence of (text, value)
    source : str
        Where the numbers come from, for the caption.
    presenter : bool
        Whether the figure takes the full width, for a projector.
    """

    def handle() -> Any:
        return widget_library().Dropdown(options=options, description=label, style={"description_width": "initial"})

    def shown(value: str, name: str) -> Shown:
        return FrozenFigure(draw(value), f"{label}: {name}. {source}".strip(), presenter=presenter)

    name, value = options[0]
    return Moved(handle, shown, (value, name))


def choose_card(cards: Sequence[Any]) -> Moved:
    """Return a list of choices that shows one card at a time."""

    def handle() -> Any:
        widgets, options = widget_library(), [(card.belief, index) for index, card in enumerate(cards)]
        return widgets.Dropdown(options=options, description="card", layout=widgets.Layout(width="min(100%, 44em)"))

    return Moved(handle, lambda index, _name: cards[index], (0, ""))
