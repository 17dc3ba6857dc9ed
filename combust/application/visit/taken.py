"""One reading of a visit, put together from its parts: what it says and the stops that it holds."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import Any

from combust.application.reading.result import ReadingResult, interpret, safety_of
from combust.application.visit.entries import Entry
from combust.application.visit.words import BESIDE, SETTINGS
from combust.data.errors import CombustError
from combust.data.told import Told
from combust.data.vocabulary import inputs, quantities
from combust.domain.limits import Finding, finding_kinds
from combust.domain.result import many
from combust.domain.safety import PLACE, Safety

# What stopped a heater before the work stops it until it is looked at, or measured, again: each by itself, and with
# what it is judged beside.
UNTIL_AGAIN = tuple(dict.fromkeys(one.again for one in finding_kinds().values() if one.again))
JUDGED_BESIDE = {"fuel_sample": ("fuel",), "cab_co_in_ppm": ("cab_co_out_ppm",)}
BURNING = ("o2_dry_pct", "co2_dry_pct", "co_dry_ppm", "o2_wet_pct", "co2_wet_pct", "co_wet_ppm", "co_mg_per_m3")
CO_TOLD = ("exhaust_co", "cab_co")  # findings on the CO that was read: more is worse
NO_FLAME = ("never_lit", "lit_and_died", "overheat_trip")  # a start after which no gas of a flame can be read


@dataclass(slots=True)
class Taken(Told):
    """One reading of a visit put together from its parts: name, time, values, and keys over the instrument's range.

    ``typed`` holds what was typed in another unit, ``works`` how often work was done before it.
    """

    key: str
    at: str
    values: dict[str, Any]
    over: dict[str, float] = field(default_factory=dict)
    typed: dict[str, str] = field(default_factory=dict)
    works: int = 0

    @classmethod
    def of_body(cls, body: Mapping[str, Any]) -> Taken:
        """Return a reading that stands whole in one entry."""
        return cls("", "", {key: value for key, value in body.items() if key not in BESIDE}, body.get("over", {}))

    @property
    def shown(self) -> dict[str, Any]:
        """The reading as it was read: CO over the range as ``>4000``, as a meter shows it and a table takes it."""
        return {**self.values, **{key: f">{least:.15g}" for key, least in self.over.items()}}

    @property
    def safety(self) -> Safety:
        """The safety state of what was read; CO over the range counts as just above it."""
        row = self.row
        values = _as_key(row)
        return safety_of(row) if values is None else _stops(values)

    @property
    def row(self) -> dict[str, Any]:
        """The reading as the ranking takes it: CO over the range counts there too."""
        counted = {key: inputs()[key].for_stops(least, at_least=True) for key, least in self.over.items()}
        values = {**self.values, **counted}
        return {
            key: value for key, value in values.items() if key in inputs() and key not in ("visit_id", "reading_id")
        }

    @property
    def after(self) -> bool:
        """Whether it was taken after the work."""
        return self.values.get("phase") == "after"

    @property
    def result(self) -> ReadingResult | None:
        """What the reading says; None when it holds nothing to interpret."""
        values = _as_key({key: value for key, value in self.values.items() if key in quantities()})
        said = None if values is None else _said(values)
        if said is None or not {"co_dry_ppm", "co_wet_ppm"} & {*self.over}:
            return said
        told = tuple(one for one in said.findings if one.code != "co_not_entered")
        assumed = (
            replace(one, origin="over the range: lambda is taken without it") if one.quantity == "co_dry_ppm" else one
            for one in said.assumed
        )
        return replace(said, findings=told, assumed=tuple(assumed))


def _as_key(values: Mapping[str, Any]) -> tuple[tuple[str, Any], ...] | None:
    """Return values by which an answer is remembered; None where a damaged entry holds what cannot be one."""
    key = tuple((name, tuple(value) if isinstance(value, list) else value) for name, value in values.items())
    try:
        hash(key)
    except TypeError:
        return None
    return key


@lru_cache(maxsize=512)
def _said(values: tuple[tuple[str, Any], ...]) -> ReadingResult | None:
    """Return what values say: a page of a visit asks it of every reading again and again."""
    try:
        return interpret(dict(values))
    except CombustError:
        return None


@lru_cache(maxsize=512)
def _stops(values: tuple[tuple[str, Any], ...]) -> Safety:
    """Return the safety state of values: each entry asks it of all readings before it."""
    return safety_of(dict(values))


def replace_place(one: Taken, place: object) -> Taken:
    """Return a reading with the place that was said last."""
    return replace(one, values={**one.values, "location": place} if place else one.values)


@dataclass(frozen=True, slots=True)
class Branch(Told):
    """The entries in force of one branch of a visit, in order; most visits have one branch.

    ``before`` is name -> names of the entries that one was written after, where branches were joined; empty in a line:
    a setting or a repair that another book wrote meanwhile does not speak for a reading that it did not precede.
    """

    entries: tuple[Entry, ...]
    before: Mapping[str, frozenset[str]] = field(default_factory=dict)
    fuel: str | None = None  # that of the heater's profile, where none was said

    def _preceding(self, entry: Entry) -> Callable[[str], bool]:
        known = self.before.get(entry.name)
        return (lambda name: True) if known is None else known.__contains__

    @property
    def taken(self) -> list[Taken]:
        """The readings in order, each put together from its parts and the settings it was taken under."""
        settings: list[Entry] = []
        works: list[Entry] = []
        found: list[tuple[str, Taken]] = []
        for entry in self.entries:
            precedes = self._preceding(entry)
            own = [one for name, one in found if precedes(name)]
            if entry.kind == "setting":
                settings.append(entry)
                if own:  # said while a reading was at hand: it fills what that one lacks
                    before = [one for one in settings if precedes(one.name) or one is entry]
                    own[-1].values = {**_held(before), **own[-1].values}
            elif is_work(entry):
                works.append(entry)
            elif entry.kind in ("reading", "part"):
                one = next((one for one in reversed(own) if one.key == entry.key), None)
                if one is None:
                    done = sum(precedes(work.name) for work in works)
                    said = _held(one for one in settings if precedes(one.name))
                    one = Taken(entry.key, entry.at, {**said, **({"phase": "after"} if done else {})}, works=done)
                    found.append((entry.name, one))
                one.values |= {key: value for key, value in entry.body.items() if key not in BESIDE}
                one.over |= entry.body.get("over", {})
                one.typed |= entry.body.get("typed", {})
        for _, one in found:
            if self.fuel:
                one.values.setdefault("fuel", self.fuel)
        return [one for _, one in found]

    @property
    def worked(self) -> bool:
        """Whether a repair or an adjustment was made, or a reading says that it was taken after one."""
        return any(map(is_work, self.entries)) or any(one.after for one in self.taken)

    @property
    def last_taken(self) -> list[Taken]:
        """The readings that speak of the heater as it is: those after the last work, or all when nothing was done."""
        taken, works = self.taken, sum(map(is_work, self.entries))
        return [one for one in taken if one.after and one.works in (0, works)] if self.worked else taken

    @property
    def not_again(self) -> list[Taken]:
        """What was seen or measured before the last work and not since, by itself: it may still stop the heater."""
        last, found = self.last_taken, []
        for again in UNTIL_AGAIN if last else ():
            holding = [one for one in self.taken if {*again} & {*one.values, *one.over}]
            keys = (*again, *(key for name in again for key in JUDGED_BESIDE.get(name, ())))
            if holding and holding[-1] not in last:
                one = holding[-1]
                held = {key: one.values[key] for key in keys if key in one.values}
                found.append(Taken(one.key, one.at, held, {key: one.over[key] for key in keys if key in one.over}))
        return found

    @property
    def place(self) -> object:
        """Where the heater stands now: as was said last; indoors too where the last entry with a place says that."""
        taken = self.last_taken or self.taken
        said = [one.body["location"] for one in self.entries if one.body.get("location")]
        if said and said[-1] == "indoors":
            return said[-1]
        return self.settings.get("location") or (taken[-1].values.get("location") if taken else None)

    @property
    def lacks_burning(self) -> bool:
        """Whether no gas of the burning heater was read after the last work."""
        return not any(key in one.values or key in one.over for one in self.last_taken for key in BURNING)

    @property
    def settings(self) -> dict[str, Any]:
        """What holds at the end, key -> value."""
        return {key: value for one in self.entries if one.kind == "setting" for key, value in one.body.items()}

    @property
    def lacks_cab_co(self) -> bool:
        """Whether CO in the cab and outside was not measured after the last work, nor since it was declared missing."""
        undone = [at for at, one in enumerate(self.entries) if is_work(one) or _cab_co_missing(one)]
        read = [one for one in self.entries[max(undone, default=-1) + 1 :] if one.kind in ("reading", "part")]
        later = {key for entry in read for key in entry.body}
        counted = {key for one in self.last_taken for key in one.values}
        return not {"cab_co_in_ppm", "cab_co_out_ppm"} <= later & counted


def _held(settings: Iterable[Entry]) -> dict[str, Any]:
    return {key: value for one in settings for key, value in one.body.items() if key in SETTINGS}


def _cab_co_missing(entry: Entry) -> bool:
    return entry.kind == "missing" and entry.body.get("field") == "cab_co"


def is_work(entry: Entry) -> bool:
    """Return whether an entry is a repair, an adjustment or a swap."""
    return entry.kind == "adjustment" or (entry.kind == "event" and entry.body.get("event") in ("repair", "swap"))


def without_doubles(taken: list[Taken]) -> list[Taken]:
    """Return the readings of several branches, each once: one that another branch only added to stands in that."""

    def within(one: Taken, other: Taken) -> bool:
        same = (one.key, one.at) == (other.key, other.at)
        return same and one.values.items() <= other.values.items() and one.over.items() <= other.over.items()

    kept: list[Taken] = []
    for one in taken:
        if not any(within(one, other) for other in kept):
            kept = [*(other for other in kept if not within(other, one)), one]
    return kept


def name_of_row(row: Mapping[str, Any], *whose: str) -> str:
    """Return a reading of long ago by name: whose it is, its day, and whether it was before or after the work."""
    work = {"before": "before the work", "after": "after the work"}.get(str(row.get("phase")), "")
    day = str(row.get("taken_at") or "")[:10]
    return ", ".join(filter(None, [*whose, "" if any(day in name for name in whose) else day, work]))


def of_rows(parts: Iterable[tuple[str, Safety]]) -> Safety:
    """Return the safety state of several readings of long ago, each finding with the name of its reading.

    Of each kind one is told, of CO that with the most, with how many more readings have it.
    """
    found: dict[str, list[tuple[str, Finding]]] = {}
    for name, part in parts:
        for one in part.findings:
            found.setdefault(one.code, []).append((name, one))
    told = []
    for code, some in found.items():
        name, one = max(some, key=lambda pair: pair[1].value or 0.0) if code.startswith(CO_TOLD) else some[0]
        more = f", and {many(len(some) - 1, 'reading')} more" if some[1:] else ""
        told.append(one if code in PLACE else one.named(f"{name}{more}"))
    return Safety(tuple(told))


def of_heaters(heaters: Iterable[Sequence[tuple[str, Safety]]]) -> Safety:
    """Return the safety state of readings of several heaters: each stop once for each heater, never two in one.

    Of the stops on CO the heater with the most comes first. Stops of the place stand together, with every name.
    """
    heaters = list(heaters)
    every = [(name, one) for parts in heaters for name, part in parts for one in part.findings]
    rest = of_rows((name, Safety((one,))) for name, one in every if one.severity != "stop")
    stops = [one for parts in heaters for one in of_rows(parts).stops if one.code not in PLACE]
    kinds = list(dict.fromkeys(one.code for one in stops))
    most = {id(one): -(one.value or 0.0) if one.code.startswith(CO_TOLD) else 0.0 for one in stops}
    stops.sort(key=lambda one: (kinds.index(one.code), most[id(one)]))
    places: dict[Finding, dict[str, None]] = {}
    for name, one in every:
        if one.severity == "stop" and one.code in PLACE:
            places.setdefault(one, {})[name] = None
    return Safety((*stops, *(one.named("; ".join(names)) for one, names in places.items()), *rest.findings))


def worst_co(parts: Iterable[Safety]) -> Safety:
    """Return the findings on CO of several readings, of each kind the one with the most: put before, it is told."""
    found: dict[str, Finding] = {}
    for one in (one for part in parts for one in part.findings if one.code.startswith(CO_TOLD)):
        if one.code not in found or (one.value or 0.0) > (found[one.code].value or 0.0):
            found[one.code] = one
    return Safety(tuple(found.values()))
