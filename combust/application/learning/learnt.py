"""What a logbook taught: its file, and the priors with it. No stop, limit or safety state reads it."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import lru_cache
from pathlib import Path
from typing import Any

from combust import __version__
from combust.application.causes.catalogue import Priors
from combust.data.errors import CombustError, Fault
from combust.data.fields import Field, check_fields, fields_of
from combust.data.tables import load_table, read_toml, toml_of_text, toml_value
from combust.domain.heater import Heater
from combust.domain.result import Assumed, many

SCATTERS = tuple(load_table("learnt")["scatter"])
TABLES = ("type", "structure", "scatter", "frequency", "look")  # of rows that are named; the others are one row each
ROWS = ("book", "score")
NOTHING = "none"  # said where a file could stand: nothing that was learnt is used
UNKNOWN = "unknown"  # stands in the file for a day that no visit told
QUANTITY = "learnt from a logbook"


def rests_on(book: Mapping[str, float]) -> str:
    """Return what something learnt rests on, in words: visits of a logbook, or what anonymous tables tell of theirs."""
    if not book.get("tables"):
        sure = f", {book['confirmed']:g} with a confirmed cause" if book["confirmed"] else ""
        return f"{many(int(book['visits']), 'visit')} of {many(int(book['heaters']), 'heater')}{sure}"
    several = book["tables"] > 1.0
    told = many(int(book["visits"]), "mean row") if book["visits"] else "counts alone"
    behind = f"{many(int(book['behind']), 'confirmed visit')} behind {'them' if several else 'it'}, told as {told}"
    named = f"{book['behind'] - book['held_back']:g} with a cause that is named, {book['held_back']:g} held back"
    return f"{book['tables']:g} anonymous table{'s' if several else ''}: {behind}; {named}"


def rule(key: str) -> float:
    """Return one number of the rules by which something is learnt."""
    return float(load_table("learnt")["rule"][key])


def in_bands(part: str, row: Mapping[str, float]) -> dict[str, float]:
    """Return a row of a part of the file inside the bands in which it can be read again."""
    fields = _fields(part)
    return {key: min(max(value, fields[key].low), fields[key].high) for key, value in row.items()}


@dataclass(frozen=True, slots=True, eq=False)
class Learnt:
    """What a logbook taught, each with the visits that it rests on.

    Attributes
    ----------
    book : mapping
        checksum, visits, heaters, confirmed, first, last, learnt_at, version.
    score : mapping
        before, after, gain, gain_u, unlike_before, unlike_after; empty when no structure was learnt.
    structure : mapping
        Row of the structure -> shift and spread, in standard deviations of its shipped prior.
    scatter : mapping
        Scatter -> factor over the shipped one.
    frequency : mapping
        Cause -> count, low, high, and factor over its shipped prior.
    look : mapping
        What is looked at -> false and clear looks, and factor over the shipped share of false ones.
    type : mapping
        Type of heater -> heaters that taught, and their least and most useful heat [kW].
    unlike : str
        Why the structure is not used for the heater in question, in words; "" where it is.
    """

    book: Mapping[str, Any]
    score: Mapping[str, float] = field(default_factory=dict)
    structure: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    scatter: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    frequency: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    look: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    type: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    unlike: str = ""

    @classmethod
    def load(cls, path: str | Path) -> Learnt:
        """Return what a file holds.

        Raises
        ------
        CombustError
            It cannot be read, or holds what cannot be, every fault at once; or it was changed by hand.
        """
        return _whole(read_toml(path, quantity="learnt"), must=True)

    @classmethod
    def from_text(cls, text: str) -> Learnt:
        """Return what the text of a file holds, as it stays with a visit; the same text gives the same object.

        Raises
        ------
        CombustError
            As :meth:`load`.
        """
        return _of_text(text)

    @classmethod
    def from_dict(cls, given: Mapping[str, Any]) -> Learnt:
        """Return what a table holds, checked.

        Raises
        ------
        CombustError
            Every fault at once.
        """
        known = {name: Field(name, "table", f"the part [{name}]", required=name == "book") for name in (*ROWS, *TABLES)}
        good, faults = check_fields(given, known, what="a file of what was learnt")
        found: dict[str, Any] = {}
        for name, part in good.items():
            if name in ROWS:
                found[name], more = check_fields(part, _fields(name), what=f"[{name}]")
                faults += [(key, fault.within(f"{name}.")) for key, fault in more]
                continue
            rows, more = check_fields(part, _row_names(name), what=f"[{name}]")
            faults += [(key, fault.within(f"{name}.")) for key, fault in more]
            found[name] = {}
            for key, row in rows.items():
                found[name][key], more = check_fields(row, _fields(name), what=f"[{name}.{key}]")
                faults += [(one, fault.within(f"{name}.{key}.")) for one, fault in more]
        if faults:
            raise CombustError([fault for _, fault in faults])
        return cls(**found)

    def to_dict(self) -> dict[str, Any]:
        """Return plain values, as the file holds them."""
        whole = {name: {**getattr(self, name)} for name in (*ROWS, *TABLES)}
        return {name: part for name, part in whole.items() if part}

    def to_toml(self) -> str:
        """Return the text of the file."""
        told = ["# What a logbook taught (combust learn). No stop, limit or safety state reads it."]
        for name, part in self.to_dict().items():
            rows = {name: part} if name in ROWS else {f"{name}.{key}": row for key, row in part.items()}
            for key, row in rows.items():
                told += ["", f"[{key}]", *(f"{one} = {toml_value(value)}" for one, value in row.items())]
        text = "\n".join(told) + "\n"
        content = _content(toml_of_text(text, quantity="learnt"))
        return text.replace("[book]\n", f'[book]\ncontent = "{content}"\n', 1)

    @property
    def told(self) -> str:
        """What it rests on, in words."""
        book = self.book
        known = load_table("learnt")["type"]
        types = "; ".join(f"{known[name]['label']}: {row['heaters']:g}" for name, row in self.type.items())
        told = rests_on(book) + (f", {book['first']} to {book['last']}" if book["first"] != UNKNOWN else "")
        told += f" ({types})" if types else ""
        told += f", by version {book['version']} where this is {__version__}" if book["version"] != __version__ else ""
        return f"{told}; {self.unlike}" if self.unlike else told

    def why_unlike(self, heater: Heater) -> str:
        """Return why the structure is of no heater of this type, in words; "" where it is, or nobody told."""
        if not self.structure or not self.type:
            return ""
        row, heat = self.type.get(type_of(heater)), heat_of(heater)
        if row and (not heat or not row["most_kw"] or row["least_kw"] / 2.0 <= heat <= 2.0 * row["most_kw"]):
            return ""
        label = load_table("learnt")["type"][type_of(heater)]["label"] + (f", {heat:g} kW" if heat else "")
        return f"no heater of this type ({label}) among those that taught: their structure is not used for it"

    @property
    def assumed(self) -> Assumed:
        """What every answer says that used it."""
        what = [name for name in TABLES if name != "type" and getattr(self, name)]
        names = {"structure": "structure", "scatter": "scatter", "frequency": "frequencies of causes"}
        names["look"] = "false looks"
        return Assumed(QUANTITY, ", ".join(names[one] for one in what) or "nothing of it", "", self.told)


@lru_cache(maxsize=8)
def _of_text(text: str) -> Learnt:
    return _whole(toml_of_text(text, quantity="learnt"), must=False)  # a book has a chain of its own


def _whole(table: Mapping[str, Any], *, must: bool) -> Learnt:
    """Return what a table of a file holds, where it is as it was written; ``must``: it carries its checksum."""
    given = {name: dict(part) if name == "book" and isinstance(part, Mapping) else part for name, part in table.items()}
    content = given["book"].pop("content", None) if isinstance(given.get("book"), dict) else None
    found = Learnt.from_dict(given)
    if content != _content(given) and (must or content is not None):
        why = "was changed by hand after it was written" if content else "has lost the checksum of its content"
        hint = "Learn again (combust learn BOOK --out FILE): what was proved is not mended by hand."
        raise CombustError(Fault("learnt", found.told, "damaged", why=why, hint=hint))
    return found


def _content(table: Mapping[str, Any]) -> str:
    """Return the checksum of what a file holds, whatever its layout and remarks."""
    text = json.dumps(table, sort_keys=True, default=str, ensure_ascii=True)
    return hashlib.sha256(text.encode()).hexdigest()


def type_of(heater: Heater) -> str:
    """Return the type of a heater: family of its fuel, and its blower."""
    family = heater.fuel.family
    return f"{family if family in ('diesel', 'kerosene', 'gasoline') else 'other'}_{heater.blower}"


def heat_of(heater: Heater) -> float:
    """Return the largest useful heat of a heater [kW], 0 where none is known."""
    return max((one.useful_heat_kw or 0.0 for one in heater.stages.values()), default=0.0)


def types_of(heaters: Iterable[Heater]) -> dict[str, dict[str, float]]:
    """Return the types of heaters, as the file holds them."""
    found: dict[str, list[float]] = {}
    for heater in heaters:
        found.setdefault(type_of(heater), []).append(heat_of(heater))
    rows = {}
    for name, heats in sorted(found.items()):
        known = [one for one in heats if one] or [0.0]
        row = {"heaters": float(len(heats)), "least_kw": min(known), "most_kw": max(known)}
        rows[name] = in_bands("type", row)
    return rows


def of_type(priors: Priors, heater: Heater) -> Priors:
    """Return priors for a heater: without the structure that was learnt of other types."""
    found = priors.learnt
    if found is None or priors.stated is None or not (why := found.why_unlike(heater)):
        return priors
    return with_learnt(priors.stated, _without_structure(found, why))


@lru_cache(maxsize=8)
def _without_structure(found: Learnt, why: str) -> Learnt:
    return replace(found, structure={}, unlike=why)


def _fields(name: str) -> dict[str, Field]:
    return fields_of(load_table("learnt")["field"][name])


def _row_names(name: str) -> dict[str, Field]:
    from combust.application.causes.catalogue import shipped_priors

    known = shipped_priors().faults if name == "frequency" else tuple(load_table("learnt")[name])
    return {key: Field(key, "table", f"a part of [{name}]") for key in known}


def with_learnt(priors: Priors, learnt: Learnt | str | Path | None) -> Priors:
    """Return priors with what was learnt over them; what the safety of a visit goes by stays as it was stated.

    Raises
    ------
    CombustError
        The file of what was learnt cannot be read.
    """
    if learnt is None:
        return priors
    found = learnt if isinstance(learnt, Learnt) else Learnt.load(learnt)
    if priors.learnt is not None:
        why, hint = "is learnt twice", "Give one file of what was learnt."
        raise CombustError(Fault("learnt", found.told, "conflict", why=why, hint=hint))
    kept = _WITH.get((id(priors), id(found)))
    if kept is None or kept[0] is not priors or kept[1] is not found:
        if len(_WITH) >= 4:
            _WITH.pop(next(iter(_WITH)))
        kept = _WITH[id(priors), id(found)] = (priors, found, _over(priors, found))
    return kept[2]


# The last few priors with what was learnt: an engine is kept for the same priors.
_WITH: dict[tuple[int, int], tuple[Priors, Learnt, Priors]] = {}


def _over(priors: Priors, found: Learnt) -> Priors:
    table = priors.table
    structure = {
        key: {**row, "learnt": (found.structure[key]["shift"], found.structure[key]["spread"])}
        if key in found.structure
        else row
        for key, row in table["structure"].items()
    }
    factors = {key: row["factor"] for key, row in found.scatter.items()}
    tolerance = {key: value * factors[key] if key in factors else value for key, value in table["tolerance"].items()}
    causes = {
        name: replace(cause, learnt=found.frequency[name]["factor"]) if name in found.frequency else cause
        for name, cause in priors.causes.items()
    }
    seen = {name: _looked(row, found.look.get(name)) for name, row in table["seen"].items()}
    whole = {**table, "structure": structure, "tolerance": tolerance, "seen": seen}
    return replace(priors, causes=causes, table=whole, stated=priors, learnt=found)


def _looked(row: Mapping[str, Any], learnt: Mapping[str, float] | None) -> Mapping[str, Any]:
    """Return what a look shows, with the learnt share of looks that show what is not there."""
    if learnt is None:
        return row
    usual = row["usual"]
    nothing = max(usual, key=lambda one: usual[one])
    shown = {answer: share * learnt["factor"] for answer, share in usual.items() if answer != nothing}
    return {**row, "usual": {**shown, nothing: 1.0 - sum(shown.values())}}
