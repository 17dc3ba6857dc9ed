"""The two files of a mystery case: the learner's with what was shown, the trainer's key with results and accounts."""

from __future__ import annotations

import hashlib
import hmac
import json
import unicodedata
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from combust.application.mystery import CaseKey, Dealer, MysteryCase, Play, PlayedVisit, Statement
from combust.application.mystery.case import is_result, is_step
from combust.application.mystery.played_visit import begin
from combust.application.mystery.rules import table, told_columns
from combust.data.errors import CombustError, Fault
from combust.data.tables import is_nested_deeply, read_text
from combust.domain.result import many, plain

LARGEST_FILE = 20_000_000  # a key of a whole class


@dataclass
class LearnerFile:
    """What a learner holds: the case, the results that were shown, what is believed."""

    case: MysteryCase
    shown: list[tuple[str, dict[str, Any]]] = field(default_factory=list)
    statement: Statement = field(default_factory=Statement)

    @classmethod
    def read(cls, path: str) -> LearnerFile:
        """Return a learner's file.

        Raises
        ------
        CombustError
            It is none.
        """
        return cls.from_dict(read_json(path))

    @classmethod
    def from_dict(cls, given: Any) -> LearnerFile:
        """Return a learner's file from its JSON.

        Raises
        ------
        CombustError
            It is none, or shows what no check gives.
        """
        shown = given.get("shown") if isinstance(given, dict) else None
        if not isinstance(shown, list) or not all(isinstance(one, dict) for one in shown):
            raise _not_a_case("holds no case with what was shown")
        rows = []
        for one in shown:
            step, result = one.get("step"), one.get("result")
            if not is_step(step):
                raise _not_a_case("shows a step that is none")
            if not is_result(step, result):
                raise _not_a_case("shows what cannot be read")
            rows.append((str(step), result))
        held = cls(MysteryCase.from_dict(given.get("case")), rows, Statement.from_dict(given.get("statement") or {}))
        held.visit()
        return held

    def show(self, step: str, result: Mapping[str, Any]) -> None:
        """Add a result that was handed out."""
        self.shown.append((step, dict(result)))

    def result(self, step: str) -> dict[str, Any]:
        """Return what a step showed, nothing where it showed nothing."""
        return next((row for name, row in reversed(self.shown) if name == step), {})

    def visit(self) -> PlayedVisit:
        """Return the visit after all that was shown.

        Raises
        ------
        CombustError
            Steps that cannot have been made.
        """
        place = self.case
        visit = begin(place.heater.fuel.name, place.context, place.first, self.result, place.budget)
        for step, row in self.shown:
            if step == "start_again" and "flame" not in row and not visit.rule_broken_by(step):
                raise _not_a_case("shows a start without an end")
            visit.take(step)
        return visit

    def to_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        shown = [{"step": step, "result": row} for step, row in self.shown]
        return {"case": self.case.to_dict(), "shown": shown, "statement": plain(self.statement)}


class KeyFile:
    """The trainer's key of some cases: results, answers, what was handed out to whom, and to whom the answer was told.

    Parameters
    ----------
    cases : mapping
    ids : str
        Secret behind the ids of learners.
    handed_out : mapping
        Case -> learner -> steps.
    scored : mapping, optional
        Case -> learner -> ``statement`` and ``steps`` (how many) when it was scored first.
    """

    def __init__(
        self,
        cases: dict[str, CaseKey],
        ids: str,
        handed_out: dict[str, dict[str, list[str]]],
        scored: dict[str, dict[str, dict[str, Any]]] | None = None,
    ) -> None:
        self.cases, self.ids, self.handed_out, self.scored = cases, ids, handed_out, scored or {}

    @classmethod
    def opened(cls, path: str, dealer: Dealer) -> KeyFile:
        """Return the key at a path, a new one where there is none."""
        return cls.read(path) if Path(path).exists() else cls({}, dealer.learners_secret, {})

    @classmethod
    def read(cls, path: str) -> KeyFile:
        """Return the key at a path.

        Raises
        ------
        CombustError
            It is none.
        """
        given = read_json(path)
        cases, out = given.get("cases"), given.get("handed_out")
        good = given.get("format") == table()["format"] and isinstance(given.get("ids"), str)
        if not good or not isinstance(cases, dict) or not isinstance(out, dict):
            raise _not_a_case("is no key of a trainer", "Give the file that `combust mystery deal --key` wrote.")
        for of_case in out.values():
            known = isinstance(of_case, dict) and all(isinstance(steps, list) for steps in of_case.values())
            if not known or not all(is_step(step) for steps in of_case.values() for step in steps):
                raise _not_a_case("holds an account that cannot be")
        scored = _scored(given.get("scored", {}))
        return cls({str(name): CaseKey.from_dict(one) for name, one in cases.items()}, given["ids"], out, scored)

    def add(self, key: CaseKey) -> None:
        """Add a case; what was handed out of it before stays."""
        self.cases[key.case.case_id] = key

    def case(self, case_id: str) -> CaseKey:
        """Return the key of a case.

        Raises
        ------
        CombustError
            It is not in this file.
        """
        if case_id not in self.cases:
            hint = "Give the key that was written when it was dealt."
            raise CombustError(Fault("case", case_id[:40], "unknown_name", why="is not in this key", hint=hint))
        return self.cases[case_id]

    def steps(self, case_id: str, learner: str) -> tuple[str, ...]:
        """Return the steps that were handed out to a learner."""
        of_case = self.handed_out.get(case_id, {})
        return tuple(of_case.get(_known(learner, of_case), ()))

    def play(self, learner: str, held: LearnerFile) -> Play:
        """Return what a learner bought, by this key."""
        return Play(self.case(held.case.case_id), self.steps(held.case.case_id, learner))

    def hand_out(self, case_id: str, learner: str, step: str) -> dict[str, Any]:
        """Return the result of a step, and keep it in the account of the learner.

        Raises
        ------
        CombustError
            A step that is none, or makes no sense now.
        """
        play = Play(self.case(case_id), self.steps(case_id, learner)).take(step)
        of_case = self.handed_out.setdefault(case_id, {})
        of_case[_known(learner, of_case)] = list(play.steps)
        return dict(play.visit().shown.get(step, {}))

    def remarks(self, learner: str, held: LearnerFile) -> list[str]:
        """Return what in a learner's file is not as it was dealt and handed out: this key counts all the same."""
        key, shown = self.case(held.case.case_id), held.shown
        mine, dealt = _in_words(held.case), _in_words(key.case)
        told = [
            f"says {name} {text}: {dealt[name]} was dealt, and counts"
            for name, text in mine.items()
            if text != dealt[name]
        ]
        visit, given = key.visit(), list[tuple[str, dict[str, Any]]]()
        for step in self.steps(key.case.case_id, learner):
            visit.take(step)
            given.append((step, dict(visit.shown.get(step, {}))))
        out, here = Counter(step for step, _ in given), Counter(step for step, _ in shown)
        other = dict.fromkeys(step for step, row in shown if step in out and (step, row) not in given)
        for words, steps in (
            ("lacks what was handed out", out - here),
            ("shows what was never handed out", here - out),
            ("shows another result than was handed out", other),
        ):
            told += [f"{words}: {', '.join(steps)}"] if steps else []
        return told

    def tell(self, learner: str, held: LearnerFile) -> list[str]:
        """Keep that a learner was told the answer, by which statement; return what is otherwise than the first time."""
        case_id, statement = held.case.case_id, plain(replace(held.statement, record={}))
        of_case, steps = self.scored.setdefault(case_id, {}), len(self.steps(case_id, learner))
        first = of_case.setdefault(_known(learner, of_case), {"statement": statement, "steps": steps})
        said = ", ".join(f"{name} {share:g}" for name, share in first["statement"]["probabilities"].items())
        told = (
            [f"was scored before with another statement ({said or 'none'})"] if first["statement"] != statement else []
        )
        later = steps - first["steps"]
        return told + ([f"got {many(later, 'step')} after its answer was told"] if later > 0 else [])

    def known_before(self, played: Iterable[tuple[str, str]]) -> list[str]:
        """Return of each case (learner, case) who may know its answer, since it was told with the score of others."""
        learners: dict[str, list[str]] = {}
        for name, case_id in played:
            learners.setdefault(case_id, []).append(name)
        told = []
        for case_id, names in learners.items():
            before = self.scored.get(case_id, {})
            late = [name for name in names if _known(name, before) not in before]
            said = f"The answer of case {case_id} was told before, with the score of {', '.join(before)}"
            told += [f"{said}: {', '.join(late)} may know it."] if before and late else []
        return told

    def others(self, told: Iterable[tuple[str, Any]]) -> list[str]:
        """Return to whom else results of the scored cases were handed out: a copy under another name shows here."""
        scored = [(_folded(name), one.score.case_id) for name, one in told]
        return [
            f"{name} ({len(steps)} of case {case_id})"
            for case_id in dict.fromkeys(case_id for _, case_id in scored)
            for name, steps in self.handed_out.get(case_id, {}).items()
            if (_folded(name), case_id) not in scored
        ]

    def learner_id(self, name: str) -> str:
        """Return the id of a learner in results: the same for the same name and key, and untold without the key."""
        return hmac.new(self.ids.encode(), _folded(name).encode(), hashlib.sha256).hexdigest()[:8]

    def to_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        cases = {name: one.to_dict() for name, one in self.cases.items()}
        accounts = {"handed_out": plain(self.handed_out), "scored": plain(self.scored)}
        return {"format": table()["format"], "ids": self.ids, **accounts, "cases": cases}


def _folded(name: str) -> str:
    """Return the name of a learner without what makes no other learner: capitals, blanks, ways to write an accent."""
    return unicodedata.normalize("NFC", name).strip().casefold()


def _known(learner: str, names: Iterable[str]) -> str:
    """Return a learner's name as an account has it already."""
    return next((one for one in names if _folded(one) == _folded(learner)), learner)


def _in_words(case: MysteryCase) -> dict[str, str]:
    """Return everything of a case that a file could say otherwise, in words."""
    names = {"level": case.level, "heater_id": case.heater_id, "site": case.site}
    return dict(told_columns({"budget_min": case.budget, **case.context, **case.first, **names}))


def _scored(accounts: Any) -> dict[str, dict[str, dict[str, Any]]]:
    """Return what was kept of each learner of each case when it was scored first, each statement whole.

    Raises
    ------
    CombustError
        They are no accounts.
    """
    if not isinstance(accounts, dict) or not all(isinstance(one, dict) for one in accounts.values()):
        raise _not_a_case("holds a score that cannot be")
    for row in (row for of_case in accounts.values() for row in of_case.values()):
        if not isinstance(row, dict) or type(row.get("steps")) is not int:
            raise _not_a_case("holds a score that cannot be")
    return {
        case_id: {
            name: {"statement": plain(Statement.from_dict(row.get("statement"))), "steps": row["steps"]}
            for name, row in of_case.items()
        }
        for case_id, of_case in accounts.items()
    }


def read_json(path: str) -> dict[str, Any]:
    """Return the JSON object of a file.

    Raises
    ------
    CombustError
        It holds none.
    """
    text = read_text(path, max_bytes=LARGEST_FILE)
    try:
        held = json.loads(text)
    except (ValueError, RecursionError):  # a number of more than 4300 digits is a plain ValueError
        held = None
    if not isinstance(held, dict) or is_nested_deeply(held):
        raise _not_a_case("is no file of a case")
    return held


def _not_a_case(why: str, hint: str = "Give the file that `combust mystery deal` wrote.") -> CombustError:
    return CombustError(Fault("file", None, "format", why=why, hint=hint))
