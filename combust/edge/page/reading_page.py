"""The page where a reading is typed: fields, a slider for O2, the result in words and the figure."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from combust.application.reading.result import interpret
from combust.data.errors import CombustError
from combust.data.vocabulary import quantity
from combust.domain.catalogue import aliases, shipped_fuels
from combust.domain.limits import cautions
from combust.edge.figures.gas_plane import draw_plane
from combust.edge.notebook import FrozenFigure, widget_library
from combust.edge.page.fields import field_maker
from combust.edge.reports.html import bullets, paragraphs, status

# field -> words for cold hands, in the order of the page; the unit comes from the vocabulary.
FIELDS = {
    "location": "Heater stands",
    "fuel": "Fuel in the tank",
    "o2_dry_pct": "O2, dry",
    "co2_dry_pct": "CO2, dry",
    "co2_origin": "CO2 comes",
    "co_dry_ppm": "CO, dry",
    "flue_temp_c": "Flue gas",
    "intake_temp_c": "Intake air",
    "altitude_m": "Altitude",
    "cab_co_in_ppm": "CO in the cab",
    "cab_co_out_ppm": "CO outside",
}
LOCATIONS = (("not said: as indoors", ""), ("outdoors", "outdoors"), ("indoors", "indoors"))
ORIGINS = (("not known", ""), ("measured, own cell", "measured"), ("calculated from O2", "calculated"))
EMPTY = "<p>Type at least O2.</p>"
SLIDER_TOP = 20.5


class ReadingPage:
    """Widgets of the page; ``show()`` returns them, every change works the result out again.

    Examples
    --------
    >>> page = ReadingPage()
    >>> page.set(o2_dry_pct="8,2", co_dry_ppm="150", location="outdoors")
    >>> "1.60" in page.told.value
    True
    """

    def __init__(self) -> None:
        widgets, field = widget_library(), field_maker("26em", "46%, 13em")
        self._quiet = False
        names = [(name, name) for name in (*aliases(), *shipped_fuels())]
        choices = {"location": LOCATIONS, "fuel": names, "co2_origin": ORIGINS}
        self.fields: dict[str, Any] = {
            key: field("Dropdown", words, options=choices[key])
            if key in choices
            else field("Text", f"{words} ({quantity(key).unit})", placeholder="not measured")
            for key, words in FIELDS.items()
        }
        wide = widgets.Layout(width="min(100%, 40em)")
        self.slider = field(
            "FloatSlider", "What if O2 were", max=SLIDER_TOP, step=0.1, readout_format=".1f", layout=wide
        )
        self.told, self.figure = widgets.HTML(value=EMPTY), widgets.HTML()
        box = widgets.Layout(display="flex", flex_flow="row wrap", grid_gap="0.2em 2em")
        self._all = widgets.VBox(
            [
                widgets.HBox(list(self.fields.values()), layout=box),
                self.slider,
                self.told,
                self.figure,
                widgets.HTML(paragraphs(cautions())),
            ]
        )
        for one in self.fields.values():
            one.observe(self._typed, names="value")
        self.slider.observe(self._slid, names="value")

    def show(self) -> Any:
        """Return the whole page as one widget."""
        return self._all

    def set(self, **values: str) -> None:
        """Fill fields as if they were typed."""
        for key, value in values.items():
            self.fields[key].value = value

    def _slid(self, _change: Any) -> None:
        if not self._quiet:
            self.fields["o2_dry_pct"].value = f"{self.slider.value:.1f}"

    def _typed(self, _change: Any) -> None:
        given = {key: field.value.strip() for key, field in self.fields.items() if field.value.strip()}
        if not {"o2_dry_pct", "co2_dry_pct", "co_dry_ppm", "cab_co_in_ppm"} & given.keys():
            self._tell(EMPTY, "")
            return
        # A co2_origin without CO2, or a fuel alone, is no fault: the field just stands there.
        if "co2_dry_pct" not in given:
            given.pop("co2_origin", None)
        try:
            result = interpret({key: _number_text(text) for key, text in given.items()})
        except CombustError as error:
            head = paragraphs(["Not accepted, nothing was computed:"], strong=True)
            self._tell(head + bullets(error.faults), "")
            return
        self._follow(result.inputs.get("o2_dry_pct"))
        figure = FrozenFigure(draw_plane(result), "The reading on the CO2-O2 plane, as typed.")._repr_html_()
        self._tell(replace(result, cautions=())._repr_html_(), figure)  # they stand below the figure all the time

    def _tell(self, text: str, figure: str) -> None:
        self.told.value = status(text)
        self.figure.value = figure

    def _follow(self, oxygen: float | None) -> None:
        """Move the slider to the typed O2 without working the result out a second time."""
        if oxygen is not None:
            self._quiet = True
            self.slider.value = min(oxygen, SLIDER_TOP)
            self._quiet = False


def _number_text(text: str) -> str:
    """Return a typed text with a decimal comma turned into a point."""
    return text.replace(",", ".") if text.count(",") == 1 and "." not in text else text
