"""What to do when something is wrong at once: fire, smell of exhaust, the alarm, somebody unwell. Nothing is typed."""

from __future__ import annotations

from starlette.responses import Response

from combust.application.visit.start import emergency_findings
from combust.domain.limits import finding_kinds
from combust.domain.safety import Safety
from combust.edge.web.asked import Asked


def show(asked: Asked) -> Response:
    """Return what can be wrong, and the stop of what is."""
    what = asked.request.query_params.get("what", "")
    safety = Safety(tuple(emergency_findings((what,)))) if what else None
    return asked.show("emergency", safety=safety, words=tuple(finding_kinds("emergency")), what=what)
