"""Stories to play on the simulated heater: what is done when, from ``trainer_scenarios.toml``."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from combust.application.trainer.session import TrainingSession
from combust.data.errors import CombustError, Fault
from combust.data.near import did_you_mean, near_matches
from combust.data.tables import load_table
from combust.data.told import Told


@dataclass(frozen=True, slots=True)
class Scenario(Told):
    """A story: what is done at which second of the heater, the question to put, how long it lasts [s].

    ``never``: it does what nobody does at a real heater, and the screen says so.
    """

    key: str
    title: str
    question: str
    lasts_s: float
    steps: tuple[Mapping[str, Any], ...]
    never: bool = False

    def run(self, session: TrainingSession) -> TrainingSession:
        """Play the whole story in a fresh session and return it."""
        session.never_on_a_real_heater |= self.never
        for step in self.steps:
            self._wait(session, step["at_s"])
            do_step(session, step)
        self._wait(session, self.lasts_s)
        return session

    @staticmethod
    def _wait(session: TrainingSession, until_s: float) -> None:
        session.advance(max(0.0, until_s - session.time_s) / session.time_factor)


def do_step(session: TrainingSession, step: Mapping[str, Any]) -> None:
    """Do what a step of a story says, at the moment where the session stands."""
    session.set_inputs(step.get("set"))
    if step.get("release_lockout"):
        session.release_lockout()
    if "request_heat" in step:
        session.request_heat(step["request_heat"])


def scenarios() -> dict[str, Scenario]:
    """Return the shipped stories, key -> Scenario."""
    rows = load_table("trainer_scenarios")["scenario"]
    return {row["key"]: Scenario(**{**row, "steps": tuple(row["steps"])}) for row in rows}


def scenario(key: str) -> Scenario:
    """Return a story by its key.

    Parameters
    ----------
    key : str
        One of ``combust/data/trainer_scenarios.toml``.

    Returns
    -------
    Scenario
        What happens when [s], to which input [unit of the input].

    Raises
    ------
    CombustError
        No such story; the nearest ones are told.

    References
    ----------
    Stories of this project, each with its physics tested in ``tests/application/trainer/test_stories.py``.

    Examples
    --------
    >>> scenario("thin_wire").title
    'A thin wire'
    """
    known = scenarios()
    if key not in known:
        hint = did_you_mean(near_matches(key, known, n=2, cutoff=0.4), f"There are {', '.join(known)}.")
        raise CombustError(Fault("scenario", key, "unknown_name", why="is no story of the trainer", hint=hint))
    return known[key]
