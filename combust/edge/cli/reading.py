"""``combust reading``: interpret one flue-gas reading."""

from __future__ import annotations

from functools import partial
from typing import Any

from combust.application.causes.catalogue import shipped_priors
from combust.application.reading.result import interpret
from combust.data.errors import CombustError
from combust.data.near import near_matches
from combust.domain.catalogue import Catalogue
from combust.domain.reading import Reading
from combust.edge.cli.answer import Answer, answers
from combust.edge.cli.options import fuels_option, instrument_option, quantity_options, units_option, values_of
from combust.edge.figures.gas_plane import draw_plane

USUAL_STAGES = ("high", "low")


@answers("reading", figure="Draw the reading on the CO2-O2 plane (.png or .svg).", out=True)
@quantity_options()
@instrument_option
@fuels_option
@units_option
def command(instrument_class: str | None, catalogue: Catalogue | None, **options: Any) -> Answer:
    """Interpret one flue-gas reading.

    Use it at the heater: type what the analyser shows. O2 is enough for lambda; CO, temperatures, altitude and a
    measured CO2 say more. Stops go to stdout and stderr, other findings and cautions to stderr. Other units:
    --altitude-ft, --flue-temp-f, --pressure-inhg, --co-dry-pct and so on; --units us tells them so too.

    \b
    Example:
      combust reading --fuel diesel --o2-dry 8.2 --co-dry 150 --flue-temp 300 --intake-temp 20 --location outdoors

    \b
    Next: combust cause --help     (which fault it may be)
    """
    reading = Reading(**values_of(options, catalogue))
    if faults := shipped_priors().strip_down_faults(reading.strip_down):
        raise CombustError(faults)
    result = interpret(reading, instrument=instrument_class, catalogue=catalogue)
    near = near_matches(stage := str(reading.stage or ""), USUAL_STAGES, n=1)
    notes = [f"warning: stage = {stage}: did you mean {near[0]}?"] if near and stage not in USUAL_STAGES else []
    return Answer(result, draw=partial(draw_plane, result), notes=notes)
