"""A visit: the list, opening one, where it stands with the next check in one form, a reading, a repair or a note."""

from __future__ import annotations

from typing import Any

from starlette.responses import Response

from combust.application.visit.visit import Visit
from combust.data.errors import CombustError
from combust.data.units import in_other_units
from combust.data.vocabulary import input_keys
from combust.domain.safety import Safety, of_all
from combust.edge.logbook.keyboard import day_of, open_visit, this_moment, visit_of_day
from combust.edge.logbook.typed import WORDS, stops_typed
from combust.edge.logbook.visits import list_visits
from combust.edge.web.asked import Asked
from combust.edge.web.fields import form_fields, words_of
from combust.edge.web.visit_book import (
    again_with,
    book_path,
    path_of,
    standing_of,
    visit_of,
    write_line,
)
from combust.edge.web.visit_view import about, check_keys, check_words, facts_of, visit_fields

LATEST = 30
OPENING = ("location", "co_alarm", "symptom", "complaint", "vehicle")
PLATE = (
    *("fuel", "nominal_v", "plate_heat_kw", "plate_fuel_l_per_h", "blower_type", "stroke_ul", "band_high", "band_low"),
    *("height_limit_m", "air_ratio_min"),
)
# The reading in groups, in the order in which it is read at the heater; the later ones are opened when needed.
GROUPS = {
    "gas": ("stage", "o2_dry_pct", "co_dry_ppm", "co2_dry_pct", "flue_temp_c", "smoke_number"),
    "where": ("location", "fuel", "intake_temp_c", "altitude_m"),
    "heater": ("supply_v", "blower_rpm", "pump_hz", "minutes_since_ignition", "air_in_temp_c", "air_out_temp_c"),
    "cab": ("cab_co_in_ppm", "cab_co_out_ppm", "heating_air_smell"),
    "seen": ("terminals", "joints", "fuel_sample", "fuel_line"),
    "start": ("start_event", "died_after_s", "start_smoke", "failed_starts", "supply_glow_v", "cold_soak_c"),
    "ports": ("intake_static_pa", "exhaust_static_pa", "intake_co2_pct", "intake_o2_pct", "co2_origin"),
    "wet": ("o2_wet_pct", "co2_wet_pct", "co_wet_ppm"),
    "steady": ("o2_span_over_3min_pct", "flue_drift_k_per_min"),
}
NAMES = ("heater_id", "visit_id", "reading_id", "taken_at")  # they are told by the path, or stamped
SAYINGS = ("repair", "adjusted", "note", "unchecked")


def listed(asked: Asked) -> Response:
    """Return the visits that are open, the latest others, and the form to open one."""
    return asked.show("visits", **_list_facts(asked))


def _list_facts(asked: Asked, error: CombustError | None = None) -> dict[str, Any]:
    path, now = book_path(asked), this_moment()
    every: list[dict[str, Any]] = []
    day: dict[str, Any] = {}
    if path.exists():
        with asked.house.book(read_only=True) as book:
            every, _ = list_visits(book)
            day = day_of(book, now)[0]
    find = " ".join(asked.request.query_params.get("find", "").split())
    fits = [row for row in every if find.casefold() in f"{row['label']} {row['heater_id']}".casefold()]
    latest = {row["label"] for row in fits[-LATEST:]}
    rows = [row for row in fits if row["is_open"] or row["label"] in latest]
    shown = [{**row, "path": path_of(row["label"])} for row in reversed(rows)]
    heaters, wrong = asked.heaters
    faults = error.faults if error else ()
    first = [key for key in OPENING if key not in day]
    return {
        "still": [row for row in shown if row["is_open"]],
        "done": [row for row in shown if not row["is_open"]],
        "day": day,
        "find": find,
        "more": len(every) > LATEST or bool(find),
        "heaters": heaters,
        "wrong": wrong,
        "fields": form_fields([*first, *PLATE], asked.units, asked.form, faults),
        "first": len(first),
    }


def open_one(asked: Asked) -> Response:
    """Open a visit of a heater of the folder, or of one of which only the plate is known, and show it."""
    form, settings = asked.form, asked.house.settings
    chosen = form.get("heater", "").strip()
    heater = chosen or form.get("heater_id", "").strip()
    folder = str(settings.heaters) if chosen and settings.heaters else None
    words = words_of(form, (*OPENING, *PLATE))
    now, held = this_moment(), Visit("")
    try:
        with asked.house.book() as book:
            held = visit_of_day(book, now)
            if asked.units == "us" and "units" not in held.settings:
                words = ["units", "us", *words]
            name = " ".join(form.get("visit_id", "").split()) or None
            visit, _ = open_visit(book, name, heater, folder, words, now, key=asked.key)
    except CombustError as error:
        stops = of_all([stops_typed(words, now, held), error.safety or Safety(())])
        again = again_with(asked, "visits", lambda wrong: _list_facts(asked, wrong))
        return again(error, stops if stops.stops else None)
    return asked.go(path_of(visit.visit_id))


def show(asked: Asked) -> Response:
    """Return where a visit stands: the answer, the next check, the causes, what is left."""
    found = standing_of(asked, visit_of(asked))
    return asked.show("visit", safety=found.safety.told_in(asked.units), **facts_of(found, asked))


def check(asked: Asked) -> Response:
    """Write down the result of a check."""
    name = asked.form.get("check", "")
    words = words_of(asked.form, check_keys(name))
    again = again_with(asked, "visit", lambda wrong: facts_of(standing_of(asked, visit_of(asked)), asked, wrong))
    return write_line(asked, [*check_words(name), *words] if words else [], again)


def reading_form(asked: Asked) -> Response:
    """Return the fields of a reading in groups."""
    visit = visit_of(asked)
    safety = standing_of(asked, visit).safety.told_in(asked.units)
    return asked.show("visit_reading", safety=safety, **_reading_facts(asked, visit))


def _reading_facts(asked: Asked, visit: Visit, error: CombustError | None = None) -> dict[str, Any]:
    shown = {key for keys in GROUPS.values() for key in keys}
    rest = [key for key in _readable() if key not in shown and {key, *in_other_units(key, WORDS)} & asked.form.keys()]
    every = {**GROUPS, **({"rest": rest} if rest else {})}
    groups = [(name, visit_fields(keys, visit, asked, error)) for name, keys in every.items()]
    at_hand = visit.taken[-1].key.replace("-", " ") if visit.taken else ""
    fields = [one for _, some in groups for one in some]
    location = visit.settings.get("location")
    held = {"location": location, "at_hand": at_hand}
    return {**about(visit), **held, "groups": groups, "fields": fields, "safety_stops": bool(visit.safety.stops)}


def _readable() -> list[str]:
    """Return every key that a reading can hold: what was sent is judged, whatever the page shows."""
    return [key for key in input_keys() if key not in NAMES]


def reading(asked: Asked) -> Response:
    """Write down a reading."""
    begins = ["next"] if asked.form.get("next") else []
    at = ["at", asked.form["at"].strip()] if asked.form.get("at", "").strip() else []
    words = words_of(asked.form, _readable())
    again = again_with(asked, "visit_reading", lambda wrong: _reading_facts(asked, visit_of(asked), wrong))
    return write_line(asked, [*begins, *words, *at] if words else [], again)


def say_form(asked: Asked) -> Response:
    """Return the forms for what was done or is to be noted."""
    visit = visit_of(asked)
    safety = standing_of(asked, visit).safety.told_in(asked.units)
    return asked.show("visit_say", safety=safety, sayings=SAYINGS, fields=[], **about(visit))


def say(asked: Asked) -> Response:
    """Write down a sentence: a repair, an adjustment, a note, what was not checked."""
    kind = asked.form.get("kind", "")
    words = [kind if kind in SAYINGS else "note", asked.form.get("text", "")]
    again = again_with(asked, "visit_say", lambda _: {**about(visit_of(asked)), "sayings": SAYINGS, "fields": []})
    return write_line(asked, words, again)
