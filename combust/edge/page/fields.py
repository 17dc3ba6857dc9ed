"""Fields of a page: every widget that is typed into or chosen from looks alike and fits a phone."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from combust.edge.notebook import widget_library


def field_maker(width: str, words_width: str) -> Callable[..., Any]:
    """Return a function that makes a field from the name of its widget, its words and the widget's own options."""
    widgets = widget_library()

    def field(kind: str, words: str, **options: Any) -> Any:
        layout, style = widgets.Layout(width=f"min(100%, {width})"), {"description_width": f"min({words_width})"}
        if kind not in ("Dropdown", "SelectMultiple", "Checkbox"):
            options["continuous_update"] = False
        return getattr(widgets, kind)(description=words, **{"layout": layout, "style": style, **options})

    return field
