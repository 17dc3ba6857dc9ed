"""The causes, checks and priors as records, from the shipped table or with a user's own numbers over it."""

from __future__ import annotations

import json
import math
from collections.abc import Container, Iterable, Mapping
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from combust.application.heater.structure import priors_table
from combust.data.errors import CombustError, Fault
from combust.data.fields import as_number
from combust.data.tables import load_table, read_toml
from combust.kernel.types import Floats

HEALTHY = "healthy"
OWN_WORDS = ("origin",)  # all other words of the table stay as they are shipped
CAN_BE_NONE = ("healthy", "singles", "pairs", "weight", "weight_told")  # shares of what does not happen
MOST_FOLD = 100.0  # a number of a user's over the shipped one, or below it


@dataclass(frozen=True, slots=True)
class Cause:
    """A cause: label, sentence, whether it lies in measurement or baseline, and what a trim can do about it.

    ``weight``: its prior over that of a usual fault; ``weight_told`` is that where one of the channels ``told_by`` was
    read, which tell it from a fault. ``asked_by``: columns that are seen, or column=answer, without
    which it is not weighed; empty = always. ``label_without_baseline``, ``sentence_without_baseline``: what is said of
    it where there is no baseline to hold a reading against. ``watched_by``: checks that tell a dangerous cause; empty =
    not dangerous. ``learnt``: how often a logbook met it, over its shipped weight.
    """

    name: str
    label: str
    sentence: str
    trim: str
    quantity: str = ""
    measurement: bool = False
    baseline: bool = False
    weight: float = 1.0
    told_by: tuple[str, ...] = ()
    weight_told: float = 1.0
    asked_by: tuple[str, ...] = ()
    label_without_baseline: str = ""
    sentence_without_baseline: str = ""
    severity: Mapping[str, float] = field(default_factory=dict)
    variants: Mapping[str, float] = field(default_factory=lambda: {"": 1.0})
    rest: Mapping[str, str] = field(default_factory=dict)
    watched_by: tuple[str, ...] = ()
    learnt: float = 1.0

    @property
    def dangerous(self) -> bool:
        """Whether exhaust may reach people or a fuel may burn elsewhere: its prior is never learnt to be less."""
        return bool(self.watched_by)

    def told(self, have: Container[str], *, baseline: bool) -> str:
        """Return label and sentence for a heater with or without a baseline; less what was entered already."""
        if baseline or not self.label_without_baseline:
            return f"{self.label}: {_left(self.sentence, self.rest, have)}"
        return f"{self.label_without_baseline}: {self.sentence_without_baseline}"


@dataclass(frozen=True, slots=True)
class Check:
    """A check that can be made next: minutes, tier (validity, free, paid), what it needs, risk.

    ``of_start``: offered only where something was told of the start or of the cab.
    """

    name: str
    id: str
    minutes: float
    tier: str
    needs: tuple[str, ...]
    risk: str
    columns: tuple[str, ...]
    sentence: str
    rest: Mapping[str, str] = field(default_factory=dict)
    off: str = ""
    of_start: bool = False

    def left(self, have: Container[str], *, may_burn: bool = True) -> str:
        """Return what is left to do when one of its columns was entered already, or when the heater must stay off."""
        return _left(self.sentence if may_burn or not self.off else self.off, self.rest, have)


def _left(whole: str, rest: Mapping[str, str], have: Container[str]) -> str:
    """Return the text of the first column that was entered already, else the whole sentence."""
    return next((text for column, text in rest.items() if column in have), whole)


@dataclass(frozen=True, slots=True)
class Priors:
    """Everything that is believed before a reading: causes, checks, priors, spreads; ``table`` is the whole TOML.

    ``learnt`` is what a logbook taught over them, ``stated`` then the priors without it: safety goes by those.
    """

    causes: Mapping[str, Cause]
    checks: Mapping[str, Check]
    table: Mapping[str, Any]
    stated: Priors | None = None
    learnt: Any = None

    @property
    def shares(self) -> dict[str, float]:
        """Shares of healthy, singles and pairs, normalised to 1."""
        row = self.table["prior"]
        total = row["healthy"] + row["singles"] + row["pairs"]
        return {key: row[key] / total for key in ("healthy", "singles", "pairs")}

    @property
    def faults(self) -> tuple[str, ...]:
        """Names of all causes but healthy."""
        return tuple(name for name in self.causes if name != HEALTHY)

    def weighed(self, seen: Iterable[tuple[str, str]], *, gas: bool, channels: Iterable[str] = ()) -> dict[str, float]:
        """Return the causes that the evidence can speak about, with the weight of each.

        Whatever was learnt and whichever are weighed together: the share of a dangerous one is never below its shipped
        share, that of another never below a tenth of it.

        Parameters
        ----------
        seen : iterable of (column, answer)
            What was seen or told.
        gas : bool
            Whether anything was read: of a mere start neither sample nor instrument nor baseline is in question.
        channels : iterable of str
            What was read.
        """
        told = {text for column, answer in seen for text in (column, f"{column}={answer}")}
        asked = {name for name, cause in self.causes.items() if told & set(cause.asked_by)}
        always = {name for name, cause in self.causes.items() if not cause.asked_by}
        idle = {name for name, cause in self.causes.items() if cause.measurement or cause.baseline}
        kept, read = (always | asked if gas or not asked else (always | asked) - idle), set(channels)
        found = {
            name: cause.weight_told if read & set(cause.told_by) else cause.weight
            for name, cause in self.causes.items()
            if name in kept
        }
        return found if self.learnt is None else self._learnt(found)

    def _learnt(self, stated: Mapping[str, float]) -> dict[str, float]:
        """Return weights as they were learnt, held where they must not fall."""
        weight = np.array([*stated.values()])
        some = [self.causes[name] for name in stated]
        least = np.array(
            [1.0 if cause.dangerous else float(load_table("learnt")["rule"]["least_prior"]) for cause in some]
        )
        moved = held(weight * np.array([cause.learnt for cause in some]), weight, least)
        return dict(zip(stated, moved.tolist(), strict=True))

    def minutes_of(self, check: Check, *, off: bool) -> float:
        """Return the minutes of a check; ``off``: the heater is off, so that nobody waits until it is cold."""
        return check.minutes - (self.decide("cooling_minutes") if off and "cold" in check.needs else 0.0)

    def strip_down_faults(self, found: str | None) -> list[Fault]:
        """Return the fault of what opening the unit showed, when that is no cause; nothing when it was not entered."""
        if found is None or found == "nothing_found" or found in self.faults:
            return []
        hint = f"Use nothing_found or {', '.join(self.faults)}."
        return [Fault("strip_down", found, "unknown_name", why="is no cause", hint=hint)]

    def decide(self, key: str) -> float:
        """Return one number of the decision rules."""
        return float(self.table["decide"][key])


def held(wanted: Floats, stated: Floats, least: Floats) -> Floats:
    """Return weights in the proportions that are wanted, none of whose shares is below ``least`` of its stated share.

    What is held takes its part from the others; the sum is that of the stated weights.
    """
    total = stated.sum()
    found: Floats = wanted * (total / wanted.sum())
    fixed = np.zeros(len(wanted), dtype=bool)
    while (low := ~fixed & (found < least * stated)).any():
        fixed |= low
        found[fixed] = (least * stated)[fixed]
        if not (free := wanted[~fixed].sum()) > 0.0:
            return stated.copy()
        found[~fixed] = wanted[~fixed] * ((total - found[fixed].sum()) / free)
    return found


@cache
def shipped_priors() -> Priors:
    """Return what ships with combust."""
    return _priors_of(priors_table())


def label_of(cause: str) -> str:
    """Return a cause as a person reads it; any other word without its underscores.

    Examples
    --------
    >>> label_of("o2_cell_drift"), label_of("nothing_found")
    ('O2 cell off', 'nothing found')
    """
    known = shipped_priors().causes.get(cause)
    return known.label if known else cause.replace("_", " ")


def get_priors(source: str | Path | Priors | None = None) -> Priors:
    """Return the shipped causes, checks and priors, or those with the numbers of a user's TOML file over them.

    Raises
    ------
    CombustError
        Unknown table or key, what is no number, a word that is another, no prior that is above 0; all at once.
    """
    if source is None:
        return shipped_priors()
    if isinstance(source, Priors):
        return source
    faults: list[Fault] = []
    merged = _merge(priors_table(), read_toml(source, quantity="causes file"), "", faults)
    prior = merged["prior"]
    shares = [] if faults else [float(prior[key]) for key in ("healthy", "singles", "pairs")]
    if shares and not (shares[0] > 0.0 <= min(shares) and max(shares) < math.inf):
        why = "holds a share below 0 or without end, or no heater is healthy"
        hint = "Give shares of 0 to 1: healthy (above 0), singles and pairs."
        faults.append(Fault("prior", str(prior), "out_of_band", why=why, hint=hint))
    if faults:
        raise CombustError(faults)
    return _priors_of(merged)


def _merge(ours: Mapping[str, Any], theirs: Mapping[str, Any], path: str, faults: list[Fault]) -> dict[str, Any]:
    """Return our table with their numbers over it; a key we do not have, or what is no such number, is a fault."""
    merged = dict(ours)
    for key, value in theirs.items():
        where, shipped = f"{path}{key}", ours.get(key)
        if key not in ours:
            why, hint = "is not in the table of causes", f"Use {', '.join(list(ours)[:12])}."
            faults.append(Fault(where, value, "unknown_name", why=why, hint=hint))
        elif isinstance(shipped, Mapping) and isinstance(value, Mapping):
            merged[key] = _merge(shipped, value, f"{where}.", faults)
        elif isinstance(shipped, Mapping):
            why, hint = "is one value, where several named ones are wanted", f"Write [{where}] and its lines below."
            faults.append(Fault(where, value, "format", why=why, hint=hint))
        elif key in OWN_WORDS and isinstance(value, str):
            merged[key] = value
        elif told := _misfit(key, shipped, value):
            faults.append(Fault(where, value, "format", why=told[0], hint=told[1]))
        else:
            merged[key] = value
    return merged


def _misfit(key: str, shipped: Any, value: Any) -> tuple[str, str] | None:
    """Return what is wrong with a value in the place of a shipped one, and what to do; None where it can stand there.

    The numbers are a user's own. Words stay: what a check needs and what watches a danger are among them.
    """
    ours, theirs = ([*one] if isinstance(one, list) else [one] for one in (shipped, value))
    like = f"Write it like {json.dumps(shipped)}."
    if not ours or not all(map(_is_number, ours)):
        kept = "is another word than is shipped", "Leave it out: the numbers are your own, the words stay."
        return None if type(value) is type(shipped) and value == shipped else kept
    if isinstance(value, list) != isinstance(shipped, list) or len(theirs) != len(ours):
        return f"does not stand for {json.dumps(shipped)}", like
    if not all(_is_number(one) and as_number(one) is not None for one in theirs):
        return "is not a number", like
    high = MOST_FOLD * (max(map(abs, ours)) or 1.0)
    low = -high
    if not isinstance(shipped, list) and shipped > 0:
        low = 0.0 if key in CAN_BE_NONE else shipped / MOST_FOLD
    if not all(low <= one <= high for one in theirs):  # not a number is none either
        return f"is not between {low:g} and {high:g}", like
    return None


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _priors_of(table: Mapping[str, Any]) -> Priors:
    causes = {
        name: Cause(name, **{**row, **{key: tuple(row.get(key, ())) for key in ("asked_by", "told_by", "watched_by")}})
        for name, row in table["cause"].items()
    }
    checks = {
        name: Check(name, **{**row, "columns": tuple(row["columns"]), "needs": tuple(row["needs"])})
        for name, row in table["check"].items()
    }
    return Priors(causes, checks, table)
