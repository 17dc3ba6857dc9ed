"""Fleets whose logbooks teach: visits of several heaters of one condition, as learning takes them and as a logbook."""

from __future__ import annotations

import datetime

from combust.application.learning.taught import Taught
from combust.domain.heater import Heater
from combust.edge.logbook.book import Logbook
from combust.edge.logbook.visits import NewVisit, add, close_visit
from tests.simulator.conditions import CONDITIONS
from tests.simulator.foreign import group_of
from tests.simulator.table import seen

BEGIN = datetime.date(2025, 10, 1)


def groups_of(condition, seed, first, heaters, visits):
    """Heaters of a condition with their visits: profile, truths, visits."""
    knobs = CONDITIONS[condition]
    return [group_of(knobs, seed, index, visits, 1) for index in range(first, first + heaters)]


def lessons_of(condition, evidence, seed, *, first=0, heaters=10, visits=4, groups=None):
    """What the visits teach, unlabelled."""
    repeats = CONDITIONS[condition].repeats
    found = []
    for one in groups or groups_of(condition, seed, first, heaters, visits):
        heater = Heater.from_dict(one["profile"])
        for case in one["visits"]:
            found.append(Taught(str(one["heater"]), heater, tuple(seen(case, evidence, repeats)), day=str(BEGIN)))
    return found


def write_book(path, groups, evidence="full", typed=""):
    """A logbook with closed visits of heaters; ``typed`` is the moment at which they were typed, if not at once."""
    with Logbook(path, create=True) as book:
        for one in groups:
            name = f"heater-{one['heater']:04d}"
            for number, case in enumerate(one["visits"]):
                at = f"{BEGIN + datetime.timedelta(days=7 * number)}T09:00:00+00:00"
                entries = [("reading", None, {**row, "taken_at": at}) for row in seen(case, evidence, 1)]
                entries.append(("missing", None, {"field": "cab_co", "reason": "no cab"}))
                head = {"who": "T. Larkwood", "place": "Fellarch depot", "handed_back": "no"}
                profile = {**one["profile"], "heater_id": name}
                visit = f"{name}-{number}"
                add(book, [NewVisit(visit, name, head, entries, profile=profile, at=typed or at)])
                close_visit(book, visit, incomplete=True)
