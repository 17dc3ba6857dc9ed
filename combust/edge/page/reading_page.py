"""The page where a reading is typed: fields, a slider for O2, the result in words and the figure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from combust.application.reading.result import interpret
from combust.data.errors import CombustError
from combust.data.vocabulary import quantity
from combust.domain.catalogue import aliases, shipped_fuels
from combust.domain.limits import cautions
from combust.edge.figures.gas_plane import draw_plane
from combust.edge.notebook import FrozenFigure, widget_library
from combust.edge.reports.html import bullets, paragraphs, status

# field -> words for cold hands; the unit comes from the vocabulary.
FIELDS = (
    ("o2_dry_pct", "O2, dry"),
    ("co2_dry_pct", "CO2, dry"),
    ("co_dry_ppm", "CO, dry"),
    ("flue_temp_c", "Flue gas"),
    ("intake_temp_c", "Intake air"),
    ("altitude_m", "Altitude"),
    ("cab_co_in_ppm", "CO in the cab"),
    ("cab_co_out_ppm", "CO outside"),
)
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
        widgets = widget_library()

        self._quiet = False
        wide = widgets.Layout(width="min(100%, 26em)")
        style = {"description_width": "min(46%, 13em)"}

        def text(key: str, words: str) -> Any:
            unit = quantity(key).unit
            return widgets.Text(description=f"{words} ({unit})", placeholder="not measured", continuous_update=False,
                                style=style, layout=wide)  # fmt: skip

        def choice(words: str, options: Sequence[tuple[str, str]]) -> Any:
            return widgets.Dropdown(description=words, options=list(options), style=style, layout=wide)

        names = [(name, name) for name in (*aliases(), *shipped_fuels())]
        self.fields: dict[str, Any] = {
            "location": choice("Heater stands", LOCATIONS),
            "fuel": choice("Fuel in the tank", names),
        }
        self.fields |= {key: text(key, words) for key, words in FIELDS}
        self.fields["co2_origin"] = choice("CO2 comes", ORIGINS)
        order = ["location", "fuel", "o2_dry_pct", "co2_dry_pct", "co2_origin", *[key for key, _ in FIELDS[2:]]]
        self.slider = widgets.FloatSlider(
            value=0.0, min=0.0, max=SLIDER_TOP, step=0.1, description="What if O2 were", continuous_update=False,
            readout_format=".1f", style=style, layout=widgets.Layout(width="min(100%, 40em)"),
        )  # fmt: skip
        self.told, self.figure = widgets.HTML(value=EMPTY), widgets.HTML()
        box = widgets.Layout(display="flex", flex_flow="row wrap", grid_gap="0.2em 2em")
        self._all = widgets.VBox(
            [
                widgets.HBox([self.fields[key] for key in order], layout=box),
                self.slider,
                self.told,
                self.figure,
                widgets.HTML(paragraphs(cautions())),
            ]
        )
        for field in self.fields.values():
            field.observe(self._typed, names="value")
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
