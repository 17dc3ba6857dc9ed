"""The ways in: every path with its method, the function that answers it and who may ask. There is no other way in.

A page is imported when it is first asked for, so that the first screen is there at once.
"""

from __future__ import annotations

import importlib
from dataclasses import dataclass

FORM_BYTES = 64_000
PHOTO_BYTES = 12_500_000


@dataclass(frozen=True, slots=True)
class Way:
    """One way in.

    Attributes
    ----------
    method, path : str
    answer : str
        ``module:function`` in ``routes/``; the function takes an :class:`~combust.edge.web.asked.Asked` and returns a
        response.
    role : str
        The least role that may ask.
    most, files : int
        Most bytes of its body, most files in it.
    json : bool
        Whether its body is a JSON object of another program, and not a form.
    """

    method: str
    path: str
    answer: str
    role: str = "learner"
    most: int = FORM_BYTES
    files: int = 0
    json: bool = False

    def load(self) -> object:
        """Return the function that answers."""
        module, _, name = self.answer.partition(":")
        return getattr(importlib.import_module(f"combust.edge.web.routes.{module}"), name)


WAYS = (
    Way("GET", "/", "home:show"),
    Way("POST", "/units", "home:set_units"),
    Way("GET", "/token", "home:give_token"),
    Way("GET", "/pair", "pair:show", role="nobody"),
    Way("POST", "/pair", "pair:pair", role="nobody", most=2_000),
    Way("GET", "/share", "pair:share", role="engineer"),
    Way("GET", "/reading", "reading:show"),
    Way("POST", "/reading", "reading:judge"),
    Way("GET", "/word", "word:show"),
    Way("GET", "/site", "site:show"),
    Way("POST", "/site", "site:judge"),
    Way("GET", "/plan", "plan:show"),
    Way("GET", "/plan/whole", "plan:save"),
    Way("GET", "/day", "visit_day:show", role="trainer"),
    Way("POST", "/day", "visit_day:keep", role="engineer"),
    Way("GET", "/day/sheet", "visit_sheet:day_sheet", role="trainer"),
    Way("GET", "/visit", "visit:listed", role="trainer"),
    Way("POST", "/visit", "visit:open_one", role="engineer"),
    Way("GET", "/visit/{visit_id}", "visit:show", role="trainer"),
    Way("POST", "/visit/{visit_id}/check", "visit:check", role="engineer"),
    Way("GET", "/visit/{visit_id}/reading", "visit:reading_form", role="trainer"),
    Way("POST", "/visit/{visit_id}/reading", "visit:reading", role="engineer"),
    Way("GET", "/visit/{visit_id}/say", "visit:say_form", role="trainer"),
    Way("POST", "/visit/{visit_id}/say", "visit:say", role="engineer"),
    Way("GET", "/visit/{visit_id}/photo", "visit_photo:form", role="trainer"),
    Way("POST", "/visit/{visit_id}/photo", "visit_photo:add", role="engineer", most=PHOTO_BYTES, files=1),
    Way("GET", "/visit/{visit_id}/photo/{name}", "visit_photo:give", role="trainer"),
    Way("GET", "/visit/{visit_id}/watch", "visit_watch:show", role="trainer"),
    Way("POST", "/visit/{visit_id}/watch", "visit_watch:take", role="engineer", most=4 * FORM_BYTES),
    Way("GET", "/visit/{visit_id}/record", "visit_record:record", role="trainer"),
    Way("POST", "/visit/{visit_id}/complete", "visit_record:complete", role="engineer"),
    Way("POST", "/visit/{visit_id}/missing", "visit_record:declare", role="engineer"),
    Way("POST", "/visit/{visit_id}/close", "visit_record:close", role="engineer"),
    Way("POST", "/visit/{visit_id}/reopen", "visit_record:open_again", role="engineer"),
    Way("GET", "/visit/{visit_id}/entries", "visit_record:entries", role="trainer"),
    Way("GET", "/visit/{visit_id}/entries/{entry}", "visit_record:correct_form", role="engineer"),
    Way("POST", "/visit/{visit_id}/entries/{entry}", "visit_record:correct", role="engineer"),
    Way("GET", "/visit/{visit_id}/sheet", "visit_sheet:sheet", role="trainer"),
    Way("GET", "/emergency", "emergency:show"),
    Way("GET", "/lesson", "lesson:listed"),
    Way("GET", "/lesson/{number}", "lesson:show"),
    Way("GET", "/mystery", "mystery:show"),
    Way("POST", "/mystery", "mystery:finish"),
    Way("POST", "/mystery/step", "mystery:take"),
    Way("GET", "/class", "class_phone:show"),
    Way("GET", "/class/join", "class_phone:join_form", role="nobody"),
    Way("POST", "/class/join", "class_phone:join", role="nobody", most=2_000),
    Way("POST", "/class/vote", "class_phone:vote", most=2_000),
    Way("POST", "/class/check", "class_phone:want", most=2_000),
    Way("POST", "/class/drive", "class_phone:drive", most=2_000),
    Way("GET", "/class/say", "class_phone:say_form"),
    Way("POST", "/class/say", "class_phone:say", most=8_000),
    Way("GET", "/class/start", "class_desk:start_form", role="trainer"),
    Way("POST", "/class/start", "class_desk:start", role="trainer", most=2_000),
    Way("GET", "/class/desk", "class_desk:show", role="trainer"),
    Way("POST", "/class/desk", "class_desk:act", role="trainer", most=16_000),
    Way("GET", "/class/wall", "class_wall:show", role="trainer"),
    Way("GET", "/class/summary", "class_wall:summary", role="trainer"),
    Way("GET", "/class/summary.csv", "class_wall:table", role="trainer"),
    Way("GET", "/api/openapi.json", "api:describe"),
    Way("POST", "/api/reading", "api:judge", json=True),
    Way("GET", "/api/visit/{visit_id}", "api:stand", role="trainer", json=True),
    Way("POST", "/api/visit/{visit_id}/entries", "api:enter", role="engineer", json=True),
)
