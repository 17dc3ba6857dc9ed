"""What holds for the whole day: typed once, carried into each visit with its age."""

from __future__ import annotations

from typing import Any

from starlette.responses import Response

from combust.application.visit.visit import Visit
from combust.application.visit.wording import told
from combust.data.errors import CombustError
from combust.edge.logbook.keyboard import age_of, day_of, set_day, this_moment, visit_of_day
from combust.edge.logbook.typed import WORDS, stops_typed
from combust.edge.web.asked import Asked
from combust.edge.web.fields import form_fields, words_of
from combust.edge.web.texts import texts
from combust.edge.web.visit_book import again_with, book_path

DAY = (
    *("who", "place", "location", "altitude_m", "intake_temp_c", "pressure_hpa", "humidity_pct"),
    *("instrument", "ambient_o2_pct", "ambient_co_ppm", "probe_leak_test", "sample_line", "analyser_fuel"),
    *("co_alarm", "units"),
)


def show(asked: Asked) -> Response:
    """Return what holds today, and the fields to change it."""
    return asked.show("visit_day", **_facts(asked))


def _facts(asked: Asked, error: CombustError | None = None) -> dict[str, Any]:
    path, now = book_path(asked), this_moment()
    values: dict[str, Any] = {}
    times: dict[str, str] = {}
    if path.exists():
        with asked.house.book(read_only=True) as book:
            values, times, typed = day_of(book, now)
            values = {**values, "typed": typed}
    labels = texts()["field"]
    rows = [
        (labels.get(key) or WORDS[key].meaning, f"{told(key, values, asked.units)} ({age_of(times[key], now)})")
        for key in values
        if key in WORDS
    ]
    fields = form_fields(DAY, asked.units, asked.form, error.faults if error else ())
    return {"rows": rows, "fields": fields}


def keep(asked: Asked) -> Response:
    """Write down what holds for the day."""
    words, now, held = words_of(asked.form, DAY), this_moment(), Visit("")
    if asked.units == "us" and words and not asked.form.get("units"):
        words = ["units", "us", *words]
    try:
        with asked.house.book() as book:
            held = visit_of_day(book, now)
            set_day(book, words, now, key=asked.key)
    except CombustError as error:
        stops = stops_typed(words, now, held)
        again = again_with(asked, "visit_day", lambda wrong: _facts(asked, wrong))
        return again(error, stops if stops.stops else None)
    return asked.go("/day")
