"""How often the ranking was right, as one page with its figure."""

from __future__ import annotations

from typing import Any

from combust.application.learning.right import FEW, HowRight
from combust.application.learning.right_tables import sections_of
from combust.edge.figures.chart import Axis, Chart, chart_svg
from combust.edge.figures.style import GREY, LINE, svg_picture
from combust.edge.reports.html import page, unbroken

ENDS = (0.0, 25.0, 50.0, 75.0, 100.0)


def right_chart(found: HowRight) -> Chart:
    """Return what was said against how often it was right: a point with its interval for each class."""
    told = [f"it said {one.name}: right in {one.words}." for one in found.by_said]
    chart = Chart(
        "How often it was right against what it said",
        " ".join(["Right, per cent, over what it said, per cent.", *(told or ["No visit yet."])]),
        Axis("it said [%]", 0.0, 100.0, ENDS),
        Axis("it was right [%]", 0.0, 104.0, ENDS),
        (("as often as said", GREY, "6 4"), ("95 %", LINE, ""), (f"95 %, under {FEW} counted", LINE, "2 3")),
    )
    chart.line([0.0, 100.0], [0.0, 100.0], GREY, "6 4", 1.5)
    for one in found.by_said:
        low, high = one.interval
        x = 100.0 * one.said
        chart.line([x, x], [100.0 * low, 100.0 * high], LINE, "" if one.of >= FEW else "2 3", 2.5)
        chart.mark(x, 100.0 * one.right / one.of, color=LINE)
    return chart


def right_page(found: HowRight, *, source: str = "") -> str:
    """Return the page as one HTML document that needs no network; every text of the records is escaped.

    Parameters
    ----------
    found : HowRight
    source : str
        Name of the book that it was worked out from.
    """
    chart = right_chart(found)
    figure = svg_picture(chart_svg(chart), chart.told) | {"caption": CAPTION}
    parts = [
        part._replace(rows=[[_together(cell) for cell in row] for row in part.rows]) for part in sections_of(found)
    ]
    first = _together(found.first)
    return page("right", found=found, first=first, source=source, parts_of_it=parts, figure=figure)


def _together(text: str) -> Any:
    """Return a text as markup in which, on a narrow screen, no date breaks and no number loses its per cent sign."""
    return unbroken(text).replace(" %", "\N{NO-BREAK SPACE}%")


CAPTION = "Bars: 95 % intervals (Wilson 1927), dotted where fewer than five were counted. "
CAPTION += "On the grey line it was right as often as it said."
