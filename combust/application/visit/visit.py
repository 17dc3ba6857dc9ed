"""The visit: a list of entries that only grows, and everything that follows from it by pure functions."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import Any

from combust.application.causes.first_look import first_look
from combust.application.safety import gasoline_stops
from combust.application.visit.entries import (
    KINDS,
    Entry,
    before_each,
    branches_of,
    corrected,
    ends_of,
    is_one_line,
    names_of,
    once,
)
from combust.application.visit.in_words import not_judged
from combust.application.visit.supply_said import supply_said
from combust.application.visit.taken import BURNING, NO_FLAME, Branch, Taken, replace_place, without_doubles, worst_co
from combust.application.visit.words import HEAD, SETTINGS, SUPPLY, with_plate
from combust.data.arguments import names_keywords
from combust.data.errors import CombustError, Fault, printable
from combust.data.told import Rows
from combust.domain.heater import Heater
from combust.domain.instrument import instrument_class
from combust.domain.limits import Finding, finding
from combust.domain.result import Result, plain
from combust.domain.safety import Safety, of_all


@names_keywords
@dataclass(frozen=True, slots=True)
class Visit(Result):
    """A visit: its name and its entries in their order. The same entries give the same answers.

    Attributes
    ----------
    visit_id : str
    entries : tuple of Entry
    broken : str or None
        Which entry does not fit the chain of its book; None when all do, or when it was never in a book.

    Examples
    --------
    >>> visit = Visit.open("V017", at="2026-01-12T09:00+01:00").add("setting", {"location": "outdoors"})
    >>> visit = visit.add("reading", {"fuel": "diesel_b7", "o2_dry_pct": 8.2}).add("part", {"co_dry_ppm": 54.0})
    >>> len(visit.taken), round(visit.taken[0].result.air_ratio, 2), visit.safety.state
    (1, 1.6, 'nothing_found')
    """

    visit_id: str
    entries: tuple[Entry, ...] = ()
    broken: str | None = None
    known: dict[str, Any] = field(default_factory=dict, init=False, repr=False, compare=False)

    @classmethod
    def open(cls, visit_id: str, *, at: str = "", heater: str | None = None, profile: Any = None) -> Visit:
        """Return a visit that has begun.

        Parameters
        ----------
        visit_id : str
        at : str
            When, ISO 8601.
        heater : str, optional
            Id of the heater.
        profile : mapping, optional
            The heater's profile in the layout of its file: it stays with the visit.
        """
        return cls(visit_id).add("opened", {"heater_id": heater, "profile": profile}, at=at)

    def add(
        self,
        kind: str,
        body: Mapping[str, Any],
        *,
        at: str = "",
        who: str | None = None,
        key: str = "",
        corrects: int | str | None = None,
    ) -> Visit:
        """Return the visit with one entry more, behind every branch; without a time it has that of the entry before.

        ``corrects`` is the number of an entry, or ``6@ab12`` where several branches have that number.

        Raises
        ------
        CombustError
            An unknown kind, or a correction of an entry that is not there.
        """
        if kind not in KINDS:
            hint = f"Use {', '.join(KINDS)}."
            raise CombustError(Fault("kind", kind, "unknown_name", why="is no kind of entry", hint=hint))
        about = None if corrects is None else self.entry(corrects)
        at = at or (self.entries[-1].at if self.entries else "")
        key = key or self.name_for(kind)
        body = plain(body) | ({"of": about.hash} if about and about.hash else {})
        ends = ends_of(self.entries)
        number = 1 + max((one.number for one in ends), default=0)
        after = tuple(sorted(one.name for one in ends))
        entry = Entry(kind, body, at, number, key, who, about.number if about else None, after=after)
        return replace(self, entries=(*self.entries, entry))

    def entry(self, name: int | str) -> Entry:
        """Return one entry by its number, or by number and first letters of its hash: ``6@ab12``.

        Raises
        ------
        CombustError
            There is none, or several are meant.
        """
        number, _, letters = str(name).partition("@")
        found = [one for one in self.entries if str(one.number) == number and one.hash.startswith(letters)]
        if len(found) == 1:
            return found[0]
        names = names_of(self.entries)
        several = ", ".join(f"{names[one.name]} ({one.kind}, {one.who or 'nobody named'}, {one.at})" for one in found)
        why = "is the number of several entries, of several books" if found else "is no entry to be corrected"
        known = f"They run from 1 to {max((one.number for one in self.entries), default=0)}: combust log show."
        hint = f"Say which: {several}." if found else known
        raise CombustError(Fault("corrects", str(name), "unknown_name", why=why, hint=hint))

    def name_for(self, kind: str) -> str:
        """Return the name of the next entry of a kind; a part has that of the reading at hand."""
        if kind == "part":
            return next((one.key for one in reversed(self.entries) if one.kind == "reading"), "reading-1")
        taken = {one.key for one in self.entries if one.kind == kind}
        number = len(taken) + 1
        while f"{kind}-{number}" in taken:
            number += 1
        return f"{kind}-{number}"

    def begins_reading(self, values: Mapping[str, Any]) -> bool:
        """Return whether values that come now begin a new reading: none is at hand, one is changed, work was done.

        What was seen of a start that failed and the gas of a flame are two readings, whichever comes first.
        """
        last = next((at for at in reversed(range(len(self.entries))) if self.entries[at].kind == "reading"), None)
        if last is None or any(entry.kind in ("adjustment", "event") for entry in self.entries[last:]):
            return True
        held = {**self.taken[-1].values, **self.taken[-1].over} if self.taken else {}
        for one, other in ((held, values), (values, held)):
            if one.get("start_event") in NO_FLAME and any(key in BURNING for key in other if key not in one):
                return True
        return any(key in held and key not in SETTINGS and held[key] != value for key, value in values.items())

    @property
    @once
    def in_force(self) -> tuple[Entry, ...]:
        """The entries as they are after every correction; what was withdrawn is not among them."""
        return corrected(self.entries)

    @property
    @once
    def branches(self) -> list[Branch]:
        """The branches of a visit that several books continued apart; one where none did, or where they were joined."""
        held = {entry.name: entry for entry in self.in_force}
        before = {} if is_one_line(self.entries) else before_each(self.entries)
        fuel = self.profile.get("fuel")
        said = fuel if isinstance(fuel, str) else None
        lines = branches_of(self.entries)
        return [Branch(tuple(held[one.name] for one in line if one.name in held), before, said) for line in lines]

    def of_kind(self, *kinds: str) -> list[Mapping[str, object]]:
        """Return the contents of some kinds of entry, in the order they were entered."""
        return [*self._bodies(*kinds)]

    def _bodies(self, *kinds: str) -> list[Mapping[str, Any]]:
        return [entry.body for entry in self.in_force if entry.kind in kinds]

    @property
    @once
    def settings(self) -> dict[str, object]:
        """What holds at the end: words about the visit and settings of the day, key -> value; ``typed`` beside them."""
        found: dict[str, Any] = {}
        for body in self._bodies("setting"):
            typed = {key: text for key, text in found.get("typed", {}).items() if key not in body}
            found |= {**body, "typed": typed | body.get("typed", {})}
        return found

    @property
    def head(self) -> dict[str, object]:
        """The words about the visit."""
        return {key: value for key, value in self.settings.items() if key in HEAD}

    @property
    def units(self) -> str:
        """The units of the person: ``us`` or ``metric``. What is stored is metric."""
        return str(self.settings.get("units", "metric"))

    @property
    @once
    def taken(self) -> list[Taken]:
        """The readings in order, each put together from its parts and the settings it was taken under."""
        return self._of_branches("taken")

    def _of_branches(self, which: str) -> list[Taken]:
        found = [getattr(branch, which) for branch in self.branches]
        return found[0] if len(found) == 1 else without_doubles([one for some in found for one in some])

    @property
    def readings(self) -> list[dict[str, float | str]]:
        """The readings, vocabulary key -> value; CO over the range of the instrument as it was read, ``>4000``."""
        return [one.shown for one in self.taken]

    @property
    @once
    def last_taken(self) -> list[Taken]:
        """The readings that speak of the heater as it is: those after the last work, or all when nothing was done."""
        return self._of_branches("last_taken")

    @property
    def worked(self) -> bool:
        """Whether a repair or an adjustment was made, or a reading says that it was taken after one."""
        return any(branch.worked for branch in self.branches)

    @property
    @once
    def profile(self) -> Mapping[str, object]:
        """The heater's profile that stays with the visit, with what was said of its plate; empty without either."""
        of_file: Mapping[str, Any] = next(
            (body["profile"] for body in self._bodies("opened") if body.get("profile")), {}
        )
        return with_plate(of_file, self.heater_id, self.settings)

    @property
    def stages(self) -> tuple[str, ...]:
        """Names of the heat stages of its profile; none without a profile."""
        stages = self.profile.get("stages")
        return tuple(map(str, stages)) if isinstance(stages, Mapping) else ()

    @property
    def heater(self) -> Heater | None:
        """The heater of the profile, or of its plate alone; None when neither is known, or cannot be."""
        try:
            return self.need_heater()
        except CombustError:
            return None

    def need_heater(self) -> Heater | None:
        """Return the heater, None where nothing is known of it.

        Raises
        ------
        CombustError
            What was said of its plate cannot be.
        """
        profile = self.profile
        return _heater_of(json.dumps(profile, sort_keys=True)) if profile else None

    @property
    def supply(self) -> dict[str, float]:
        """What was said of battery, cable and cut-outs, with the voltage at the plug under glow that was read last."""
        said = {key: value for key, value in self.settings.items() if key in SUPPLY}
        glow = [one.values["supply_glow_v"] for one in self.last_taken if one.values.get("supply_glow_v") is not None]
        return {**said, **({"plug_glow_v": glow[-1]} if glow else {})}

    @property
    def heater_id(self) -> str | None:
        """Which heater it is about."""
        named = [body.get("heater_id") for body in self._bodies("opened", "setting")]
        return next((name for name in named if name), None)

    @property
    def opened_at(self) -> str:
        """When it was opened."""
        return self.entries[0].at if self.entries else ""

    @property
    def _ending(self) -> Entry | None:
        return next((one for one in reversed(self.entries) if one.kind in ("closed", "reopened")), None)

    @property
    def closed_at(self) -> str | None:
        """When it was closed (of a table: as that says), None while it is open."""
        ending = self._ending
        return str(ending.body.get("closed_at") or ending.at) if ending and ending.kind == "closed" else None

    @property
    def revision(self) -> int:
        """1, and one more for each time that it was opened again."""
        return 1 + sum(entry.kind == "reopened" for entry in self.entries)

    @property
    def reason(self) -> str | None:
        """Why it was opened again, if it was."""
        return next((one.body.get("reason") for one in reversed(self.entries) if one.kind == "reopened"), None)

    @property
    def incomplete(self) -> str | None:
        """What it lacked when it was closed."""
        return (self._ending.body.get("incomplete") or None) if self._ending and self.closed_at else None

    @property
    def declared_missing(self) -> dict[str, str]:
        """Field -> the reason why it cannot be had."""
        return {body["field"]: body["reason"] for body in self._bodies("missing")}

    def until(self, revision: int) -> Visit | None:
        """Return the visit as it was at the end of a revision; None when there was none."""
        starts = [at for at, entry in enumerate(self.entries) if entry.kind == "reopened"]
        if not 1 <= revision <= len(starts) + 1:
            return None
        return replace(self, entries=self.entries[: [*starts, len(self.entries)][revision - 1]])

    @property
    @once
    def safety(self) -> Safety:
        """The safety state at the end: of the readings after the last work; the place is the last that was said.

        Work alone clears no stop: until something was read after it, what was read before counts, and what was seen or
        measured before counts until it is looked at or measured again. With a profile the
        limits of the heater's own document count too. Of several branches each counts: none clears a stop of another.
        """
        heater = self.heater
        parts: list[Safety] = []
        for branch in self.branches:
            parts.append(Safety(alarm_findings(branch.settings)))
            taken = branch.last_taken or branch.taken or [Taken("", "", {})]
            parts += [one.safety.without_place() for one in taken]
            parts += [Safety(one.safety.without_place().stops) for one in branch.not_again]
            parts.append(replace_place(taken[-1], branch.place).safety)
            if heater:
                parts.append(Safety(gasoline_stops(heater, branch.settings.get("fuel"))))
                rows = [one.row for one in taken]
                parts += [look.safety.without_place() for look in first_look(heater, instrument_class(None), [rows])]
        if said := supply_said(heater, self.supply):
            parts.append(said.safety)
        return of_all([worst_co(parts), *parts])

    def hand_back_doubts(self, safety: Safety) -> list[str]:
        """Return why the heater may not be called handed back; empty when nothing speaks against it.

        The safety state is "nothing found", and after the last work gas of the burning heater was read and CO in the
        cab and outside measured. What was declared missing is not measured.
        """
        doubts = [] if safety.state == "nothing_found" else list(safety.lines())
        doubts += not_judged(self.in_force)
        if self.broken:
            doubts.append(f"The record was changed outside combust: {self.broken}.")
        if any(branch.lacks_cab_co for branch in self.branches):
            doubts.append("CO in the cab and outside was not measured after the last work, or was declared missing.")
        if any(branch.lacks_burning for branch in self.branches):
            doubts.append("No gas of the burning heater was read after the last work: CO in the cab says nothing then.")
        return doubts

    def before_after(self) -> dict[str, tuple[Taken | None, Taken | None]]:
        """Return stage -> (the last reading before the work, the last one after it)."""
        found: dict[str, tuple[Taken | None, Taken | None]] = {}
        for one in self.taken:
            if one.values.get("o2_dry_pct") is None and one.values.get("co_dry_ppm") is None:
                continue
            before, after = found.get(stage := str(one.values.get("stage") or "stage not named"), (None, None))
            found[stage] = (before, one) if one.after else (one, after)
        return found

    def history(self) -> Iterator[tuple[str, Mapping[str, object]]]:
        """Yield (kind, content) of the readings, put together, and of the work, for the history of the heater."""
        yield from (("reading", one.values) for one in self.taken)
        yield from ((one.kind, one.body) for one in self.in_force if one.kind in ("event", "adjustment"))

    derived = ("heater_id", "revision", "opened_at", "closed_at", "reason", "head")
    unshown = ("entries", "known")

    def to_dict(self) -> dict[str, object]:
        """Return plain values for JSON, the entries as they were made and what they come to.

        Whether it is handed back is a verdict, told beside them: what was typed of it stands in the entries alone.
        """
        facts = Result.to_dict(self)
        facts["head"] = {key: value for key, value in plain(self.head).items() if key != "handed_back"}
        more = {"entries": self.entries, "readings": self.readings, "declared_missing": self.declared_missing}
        return {**facts, **{key: plain(value) for key, value in more.items()}}

    def lines(self) -> Rows:
        """Return (label, text) rows of what it is."""
        rows = [("visit", self.visit_id), ("state", "closed" if self.closed_at else "open")]
        if self.broken:
            rows.append(("BROKEN", f"{self.broken}: changed outside combust, do not rely on it"))
        return [(label, printable(text)) for label, text in rows]


@lru_cache(maxsize=64)
def _heater_of(profile: str) -> Heater:
    """Return one and the same heater for a profile, so that what was drawn for it serves every later question."""
    return Heater.from_dict(json.loads(profile), of_plate=True)


def alarm_findings(head: Mapping[str, Any]) -> tuple[Finding, ...]:
    """Return the finding of a CO alarm of the cab that fails or is missing; nothing when that was not entered."""
    alarm = head.get("co_alarm")
    return (finding("no_co_alarm", alarm=alarm),) if alarm in ("fails", "missing") else ()
