"""Helpers for notebooks: an input table, a slider on a plain function, and a frozen figure that needs no kernel."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any

from combust.data.errors import CombustError, Fault, missing_extra
from combust.edge.figures.style import svg_text

if TYPE_CHECKING:
    from matplotlib.figure import Figure

Row = tuple[str, str, Any, str, str]


def demo_data() -> Path:
    """Return the folder with the invented demo data, from wherever a notebook runs.

    Raises
    ------
    CombustError
        No ``data/heaters`` beside the working folder, above it, or in the clone that this package belongs to.
    """
    here = Path.cwd()
    for place in (here, *here.parents, Path(__file__).parents[2]):
        if (place / "data" / "heaters").is_dir():
            return place / "data"
    hint = "Start the notebook from a clone of the project."
    raise CombustError(Fault("data", str(here), "missing", why="holds no demo data", hint=hint))


def widget_library() -> Any:
    """Return the module ipywidgets.

    Raises
    ------
    CombustError
        It is not installed; the remedy is told.
    """
    try:
        import ipywidgets as module
    except ImportError as error:
        raise missing_extra("ipywidgets", "notebooks") from error
    return module


class InputTable:
    """Inputs of a notebook as a table: symbol, meaning, value, unit, source."""

    def __init__(self, rows: Sequence[Row]) -> None:
        self.rows = tuple(rows)

    def __getitem__(self, symbol: str) -> Any:
        for name, _, value, _, _ in self.rows:
            if name == symbol:
                return value
        raise KeyError(symbol)

    def __str__(self) -> str:
        return "\n".join(f"{s:<18}{v} {u}  {m} ({source})" for s, m, v, u, source in self.rows)

    def _repr_html_(self) -> str:
        head = "".join(f"<th>{word}</th>" for word in ("symbol", "meaning", "value", "unit", "source"))
        body = "".join("<tr>" + "".join(f"<td>{escape(str(cell))}</td>" for cell in row) + "</tr>" for row in self.rows)
        return f"<table><tr>{head}</tr>{body}</table>"


class FrozenFigure:
    """A figure as SVG with its alt text and caption: it reads in a notebook without a running kernel."""

    def __init__(self, figure: Figure, caption: str) -> None:
        self.alt, self.caption = str(figure.get_label() or caption), caption
        self.svg = svg_text(figure)

    def _repr_html_(self) -> str:
        body = self.svg[self.svg.index("<svg") :]
        return (
            f'<figure role="img" aria-label="{escape(self.alt, quote=True)}" style="max-width:44em">{body}'
            f"<figcaption>{escape(self.caption)}</figcaption></figure>"
        )

    def __repr__(self) -> str:
        return f"Figure: {self.alt}"


def slide(draw: Callable[[float], Figure], *, label: str, low: float, high: float, step: float, start: float) -> Any:
    """Return a slider that redraws a figure when it is moved (arrow keys work on its handle).

    Parameters
    ----------
    draw : callable
        Value of the slider -> figure.
    label : str
        What is moved, with its unit.
    low, high, step, start : float
    """
    widgets = widget_library()

    handle = widgets.FloatSlider(
        value=start, min=low, max=high, step=step, description=label, continuous_update=False,
        style={"description_width": "initial"}, layout=widgets.Layout(width="95%", max_width="44em"),
    )  # fmt: skip
    shown = widgets.HTML()

    def redraw(_change: Any = None) -> None:
        shown.value = FrozenFigure(draw(handle.value), f"{label}: {handle.value:g}")._repr_html_()

    handle.observe(redraw, names="value")
    redraw()
    return widgets.VBox([handle, shown])


def choose(draw: Callable[[str], Figure], *, label: str, options: Sequence[tuple[str, str]]) -> Any:
    """Return a list of choices that redraws a figure (arrow keys work in it).

    Parameters
    ----------
    draw : callable
        Chosen value -> figure.
    label : str
        What is chosen.
    options : sequence of (text, value)
    """
    widgets = widget_library()

    handle = widgets.Dropdown(options=options, description=label, style={"description_width": "initial"})
    shown = widgets.HTML()

    def redraw(_change: Any = None) -> None:
        shown.value = FrozenFigure(draw(handle.value), f"{label}: {handle.label}")._repr_html_()

    handle.observe(redraw, names="value")
    redraw()
    return widgets.VBox([handle, shown])


class CardTable:
    """Misconception cards as a page: what is believed, what is so, and the number that shows it."""

    def __init__(self, cards: Sequence[Any]) -> None:
        self.cards = tuple(cards)

    def _repr_html_(self) -> str:
        return "".join(card._repr_html_() for card in self.cards)

    def __str__(self) -> str:
        return "\n\n".join(str(card) for card in self.cards)


def choose_card(cards: Sequence[Any]) -> Any:
    """Return a list of choices that shows one card at a time."""
    widgets = widget_library()

    handle = widgets.Dropdown(options=[(card.belief, index) for index, card in enumerate(cards)], description="card",
                              layout=widgets.Layout(width="min(100%, 44em)"))  # fmt: skip
    shown = widgets.HTML(cards[0]._repr_html_())

    def turn(_change: Any) -> None:
        shown.value = cards[handle.value]._repr_html_()

    handle.observe(turn, names="value")
    return widgets.VBox([handle, shown])
