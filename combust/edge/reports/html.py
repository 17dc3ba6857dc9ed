"""How HTML is made: one template engine that escapes for whole pages, figures for them, and two pieces beside it."""

from __future__ import annotations

import re
from functools import cache
from typing import TYPE_CHECKING, Any

from combust import __version__
from combust.data.units import chance_in_words
from combust.domain.limits import cautions
from combust.domain.result import many, plain
from combust.edge.figures.style import svg_picture, svg_text

if TYPE_CHECKING:
    from matplotlib.figure import Figure

LONGEST_ID = 32


def page(name: str, **facts: Any) -> str:
    """Return a whole page from its template; every text it is given is escaped, and a name that it lacks is an error.

    Cautions and version stand on every page. A name may carry its room of ``combust/edge`` (``web/home``).
    """
    facts = {"cautions": cautions(), "version": __version__, **facts}
    room, _, name = name.rpartition("/")
    ending = "j2" if name.endswith(".svg") else "html.j2"
    text: str = _pages(room or "reports").get_template(f"{name}.{ending}").render(facts)
    return text


@cache
def _pages(room: str) -> Any:
    from jinja2 import ChoiceLoader, Environment, PackageLoader, StrictUndefined

    rules = Environment(  # every room may show the small figures
        loader=ChoiceLoader([PackageLoader(f"combust.edge.{one}", "templates") for one in (room, "figures")]),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=harmless,
        trim_blocks=True,
        auto_reload=False,  # a page of a class would look at five files each time
    )
    rules.filters |= {
        "words": lambda text: str(text).replace("_", " "),
        "rows": plain,
        "many": many,
        "chance": chance_in_words,
    }
    return rules


def harmless(value: Any) -> Any:
    """Return text without control and direction characters; escaping is the template engine's own."""
    if not isinstance(value, str) or value.isprintable() or hasattr(value, "__html__"):  # markup stays as it is
        return value
    return "".join(mark if mark.isprintable() or mark in "\n\t" else "?" for mark in value)


def picture(figure: Figure, caption: str = "") -> dict[str, str]:
    """Return a figure for a page: SVG in a data URL (it cannot run a script or fetch anything), alt, caption."""
    return _shown(svg_text(figure), str(figure.get_label()), caption)


def small_picture(name: str, one: Any, alt: str, caption: str = "") -> dict[str, str]:
    """Return one of the small figures of ``edge/figures/svg.py`` as :func:`picture` does, from its template."""
    return _shown(page(f"figures/{name}.svg", one=one, alt=alt), alt, caption)


def _shown(svg: str, alt: str, caption: str) -> dict[str, str]:
    return svg_picture(svg, alt) | {"caption": caption or alt}


def status(html: str) -> str:
    """Return HTML as a region whose changes are read out to people who cannot see them."""
    return f'<div role="status" aria-live="polite">{html}</div>'


def unbroken(text: str) -> Any:
    """Return a text for the page in which no name breaks at its hyphen; a very long one still may."""
    from markupsafe import Markup, escape

    pieces = (
        Markup('<span class="id">{}</span>').format(one) if "-" in one and len(one) <= LONGEST_ID else escape(one)
        for one in re.split(r"(\s+)", harmless(text))
    )
    return Markup("").join(pieces)
