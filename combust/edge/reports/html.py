"""How every printable page is made: one template engine that escapes, and figures as data inside the page."""

from __future__ import annotations

import base64
from functools import cache
from typing import TYPE_CHECKING, Any

from combust.edge.figures.style import svg_text

if TYPE_CHECKING:
    from matplotlib.figure import Figure


@cache
def template(name: str) -> Any:
    """Return a page's template; every text that it is given is escaped, and a name that it lacks is an error."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    rules = Environment(
        loader=PackageLoader("combust.edge.reports", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=harmless,
        trim_blocks=True,
    )
    rules.filters["words"] = lambda text: str(text).replace("_", " ")
    return rules.get_template(name)


def harmless(value: Any) -> Any:
    """Return text without control and direction characters; escaping is the template engine's own."""
    if not isinstance(value, str) or hasattr(value, "__html__"):  # markup of the templates themselves stays as it is
        return value
    return "".join(mark if mark.isprintable() or mark in "\n\t" else "?" for mark in value)


def svg_address(figure: Figure) -> str:
    """Return a figure as an SVG image in a data URL: an image cannot run a script or fetch anything."""
    return "data:image/svg+xml;base64," + base64.b64encode(svg_text(figure).encode()).decode("ascii")
