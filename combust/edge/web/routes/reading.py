"""The page for one reading: typed, judged, and shown in order of importance. Nothing of it is kept."""

from __future__ import annotations

from typing import Any

from starlette.responses import Response

from combust.application.reading.result import fuel_faults, interpret
from combust.application.visit.taken import Taken
from combust.application.visit.visit import Visit
from combust.data.errors import CombustError
from combust.data.units import in_other_units
from combust.data.vocabulary import input_keys, inputs
from combust.domain.safety import Safety, of_all
from combust.edge.figures.svg import plane
from combust.edge.logbook.keyboard import this_moment
from combust.edge.logbook.typed import read_line, stops_typed
from combust.edge.web.asked import Asked
from combust.edge.web.fields import form_fields, words_of

# In the order in which they are read at the heater; the other groups are opened when they are needed. Every other key
# of the vocabulary is taken too: what was sent is shown again and judged, never dropped.
FIRST = ("location", "fuel", "o2_dry_pct", "co_dry_ppm", "flue_temp_c", "intake_temp_c")
MORE = ("co2_dry_pct", "co2_origin", "smoke_number", "altitude_m", "probe_leak_test", "cab_co_in_ppm", "cab_co_out_ppm")
SEEN = ("terminals", "joints", "fuel_sample", "heating_air_smell")


def show(asked: Asked) -> Response:
    """Return the empty form."""
    return asked.show("reading", **_form(asked))


def judge(asked: Asked) -> Response:
    """Return what was typed, judged: stops first, then lambda, then the rest."""
    words, now = words_of(asked.form, input_keys()), this_moment()
    try:
        line = read_line(words, Visit(""), now)
        taken = Taken("reading", now.isoformat(), line.given, over=line.over, typed=line.typed)
        result = taken.result if line.over else interpret(line.given)
    except CombustError as error:
        stops = of_all([stops_typed(words, now), error.safety or Safety(())])
        known = {one.quantity for one in error.faults}
        of_fuel = [one for one in fuel_faults(asked.form.get("fuel")) if one.quantity not in known]
        error = CombustError([*error.faults, *of_fuel])
        refused = [str(one) for one in error.faults]
        return asked.show("reading", 422, safety=stops if stops.stops else None, refused=refused, **_form(asked, error))
    safety = of_all([taken.safety, *([result.safety] if result else [])])
    figure = plane(result) if result and not safety.stops else None
    return asked.show("reading", safety=safety, result=result, figure=figure, **_form(asked))


def _form(asked: Asked, error: CombustError | None = None) -> dict[str, Any]:
    faults = error.faults if error else ()
    shown = {*FIRST, *MORE, *SEEN}
    sent = {key for key in input_keys() if {key, *in_other_units(key, inputs())} & asked.form.keys()}
    rest = [key for key in input_keys() if key in sent - shown]
    groups = {"first": FIRST, "more": (*MORE, *rest), "seen": SEEN}
    return {name: form_fields(keys, asked.units, asked.form, faults) for name, keys in groups.items()}
