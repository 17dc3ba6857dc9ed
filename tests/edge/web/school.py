"""A shared server with a class on it, a clock of the test, and whoever comes in."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import Any

from starlette.applications import Starlette

from combust.edge.web.class_hall import Hall
from combust.edge.web.seats import Seats
from combust.edge.web.serve import make_app
from combust.edge.web.settings import Settings
from tests.edge.web.phone import Phone

DEMO = Path(__file__).parents[3] / "data" / "heaters"
TRAINER_PAGES = ("/class/desk", "/class/wall", "/class/summary", "/class/summary.csv")


class School:
    """One shared server with a class that is on, a clock of the test, and whoever comes in.

    Parameters
    ----------
    settings : Settings
    """

    def __init__(self, settings: Settings) -> None:
        self.settings = replace(settings, host="192.168.7.20", shared=True)
        self.now = 1000.0
        self.begin()
        self.trainer = self.person("trainer")

    def begin(self) -> None:
        """Start the server, again too."""
        self.hall, self.seats = Hall(self.settings.book, lambda: self.now, patience_s=600.0), Seats(self.settings.key)
        self.app: Starlette = make_app(self.settings, self.seats, None, self.hall)

    def person(self, role: str = "") -> Phone:
        phone = Phone(self.settings, app=self.app)
        if role:
            phone.client.cookies.set(f"combust_{self.settings.port}", self.seats.cookie_of(self.seats.new(role)))
        return phone

    def back(self, phone: Phone) -> Phone:
        """Return the same phone at the server as it runs now."""
        again = Phone(self.settings, app=self.app)
        again.client.cookies = phone.client.cookies
        return again

    def start(self, story: str = "", factor: str = "10", whose: str = "one") -> School:
        typed = {"heater": "heater-0312", "story": story, "factor": factor, "whose": whose}
        assert self.trainer.post("/class/start", typed).headers["location"] == "/class/desk"
        return self

    def joined(self, name: str = "") -> Phone:
        phone = self.person()
        assert phone.post("/class/join", {"words": self.hall.words, "name": name}).headers["location"] == "/class"
        return phone

    def act(self, do: str, *, desk: str = "", **typed: str) -> Any:
        """Press a button of the desk, as it stands now or as it stood."""
        held: dict[str, str] = {}
        if do in ("go_on", "close"):
            page = desk or self.trainer.get("/class/desk").text
            held = {"seen": re.findall(r'name="seen" value="(\d+)"', page)[0]}
        sent = {**held, "token": self.trainer.get("/token").json()["token"], "do": do, **typed}
        return self.trainer.client.post("/class/desk", data=sent, headers={"origin": self.trainer.origin})

    def pass_time(self, seconds: float) -> None:
        """Let time pass while the wall looks on."""
        for _ in range(int(seconds / 10.0)):
            self.now += 10.0
            self.trainer.get("/class/wall")

    @property
    def time_s(self) -> float:
        with self.hall.open() as room:
            return room.heater.session.time_s


def said(answer: Any) -> str:
    """Return the words of a page."""
    return " ".join(re.sub(r"<[^>]*>", " ", answer.text).split())
