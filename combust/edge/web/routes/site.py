"""The page for a site: what height and cold do to a heater there."""

from __future__ import annotations

from typing import Any

from starlette.responses import Response

from combust.application.site.effect import site_effect
from combust.application.visit.visit import Visit
from combust.data.errors import CombustError, Fault
from combust.domain.heater import Heater
from combust.domain.site import Site
from combust.edge.figures.svg import ceiling
from combust.edge.logbook.keyboard import this_moment
from combust.edge.logbook.profiles import profile_in
from combust.edge.logbook.typed import read_line
from combust.edge.web.asked import Asked
from combust.edge.web.fields import form_fields, words_of

AIR = ("altitude_m", "intake_temp_c", "pressure_hpa", "humidity_pct")
FIRST = AIR[:2]


def show(asked: Asked) -> Response:
    """Return the empty form."""
    return asked.show("site", **_form(asked))


def judge(asked: Asked) -> Response:
    """Return what the air at the site does to the heater that was chosen: stops first, then lambda there."""
    try:
        effect = _effect(asked)
    except CombustError as error:
        refused = [str(one) for one in error.faults]
        return asked.show("site", 422, refused=refused, **_form(asked, error))
    figure = ceiling(effect)
    return asked.show("site", safety=effect.safety, effect=effect, figure=figure, **_form(asked))


def _effect(asked: Asked) -> Any:
    values = read_line(words_of(asked.form, AIR), Visit(""), this_moment()).given
    air = {key: value for key, value in values.items() if key in AIR}
    faults = []
    if not {"altitude_m", "pressure_hpa"} & air.keys():
        faults.append(Fault("altitude_m", None, "missing", why="is missing", hint="Type the height of the site."))
    if "intake_temp_c" not in air:
        hint = "Type the air at the intake: it counts as much as height."
        faults.append(Fault("intake_temp_c", None, "missing", why="is missing", hint=hint))
    folder, name = asked.house.settings.heaters, asked.form.get("heater", "").strip()
    if not (name and folder):
        hint = "Choose one; the page is started with a folder of profiles: --heaters."
        faults.append(Fault("heater", name or None, "missing", why="is missing", hint=hint))
    if faults or folder is None:
        raise CombustError(faults)
    heater = Heater.from_dict(profile_in(folder, name))
    return site_effect(heater, Site(**air), stage=asked.form.get("stage") or None)


def _form(asked: Asked, error: CombustError | None = None) -> dict[str, Any]:
    faults = error.faults if error else ()
    heaters, wrong = asked.heaters
    groups = {"first": FIRST, "more": AIR[2:]}
    fields = {name: form_fields(keys, asked.units, asked.form, faults) for name, keys in groups.items()}
    said = [*([wrong] if wrong else []), *(str(one) for one in faults if one.quantity in ("heater", "heater_id"))]
    return {**fields, "heaters": heaters, "heater": asked.form.get("heater", ""), "said": said}
