"""Fields of a form from the vocabulary, and what was typed into them as the words that the keyboard takes."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from combust.data.errors import Fault
from combust.data.units import in_other_units, key_of_person, mark_of, other_unit_of
from combust.domain.catalogue import LABORATORY, aliases, shipped_fuels
from combust.edge.logbook.typed import OVER, WORDS
from combust.edge.web.texts import texts


@dataclass(frozen=True, slots=True)
class FormField:
    """One field as a template draws it.

    Attributes
    ----------
    name : str
        As it is sent: the key, or the key in the person's unit.
    key, label, unit, kind : str
        Key of the vocabulary; words; number, choice or text.
    value : str
        What was typed.
    choices : tuple of (str, str)
        Word and what is shown for it.
    negative : bool
        Whether it can be below zero: keypads for numbers lack a minus.
    said : tuple of str
        What was wrong with it.
    held : str
        What the visit holds already: it stands in the empty field, and is not sent again.
    """

    name: str
    key: str
    label: str
    unit: str
    kind: str
    value: str = ""
    choices: tuple[tuple[str, str], ...] = ()
    negative: bool = False
    said: tuple[str, ...] = ()
    held: str = ""


def in_tanks(said: str) -> Iterable[str]:
    """Yield the fuels that stand in tanks, and what was said; those of a laboratory are for who types them."""
    return (name for name, fuel in shipped_fuels().items() if fuel.family not in LABORATORY or name == said)


def form_fields(
    keys: Iterable[str], units: str = "metric", typed: Mapping[str, str] | None = None, faults: Iterable[Fault] = ()
) -> list[FormField]:
    """Return the fields of some keys, with what was typed and what was wrong with it.

    Parameters
    ----------
    keys : iterable of str
        Keys of the vocabulary or words about a visit.
    units : str
        ``metric`` or ``us``.
    typed : mapping, optional
        Name as it was sent -> text.
    faults : iterable of Fault
    """
    typed, faults, said = typed or {}, list(faults), texts()
    made = []
    for key in keys:
        record, name = WORDS[key], key_of_person(key, units)
        unit = record.unit if name == key else mark_of(name)
        shown = said["choice"].get(key, {})
        offered = (*aliases(), *in_tanks(typed.get(name, ""))) if key == "fuel" else record.choices
        choices = tuple((word, shown.get(word, word.replace("_", " "))) for word in offered)
        label = said["field"].get(key) or record.meaning[:1].upper() + record.meaning[1:]
        kind = "choice" if choices else "number" if record.kind == "number" else "text"
        wrong = tuple(str(one) for one in faults if one.quantity in (key, name))
        negative = kind == "number" and record.low < 0.0
        made.append(FormField(name, key, label, unit, kind, typed.get(name, ""), choices, negative, wrong))
    return made


def shown_in(keys: Iterable[str], body: Mapping[str, Any], units: str) -> dict[str, str]:
    """Return name of the field -> what it holds, of the values of an entry in the units of the person.

    Examples
    --------
    >>> shown_in(["flue_temp_c", "co_dry_ppm"], {"flue_temp_c": 365.0, "over": {"co_dry_ppm": 2000.0}}, "us")
    {'flue_temp_f': '689', 'co_dry_ppm': '>2000'}
    """
    shown = {}
    for key in keys:
        value, name = body.get(key), key_of_person(key, units)
        if key in (body.get("over") or {}):
            shown[key] = f">{body['over'][key]:g}"
        elif isinstance(value, int | float):
            other = other_unit_of(name) if name != key else None
            shown[name] = f"{other.back(value) if other else value:.6g}"
        elif isinstance(value, list):
            shown[name] = "-".join(f"{end:g}" for end in value)
        elif value is not None:
            shown[name] = str(value)
    return shown


def words_of(form: Mapping[str, str], keys: Iterable[str]) -> list[str]:
    """Return what was typed into the fields of some keys as words of a line; empty fields are left out.

    Each text stays one word, whatever it holds: what is typed into one field can fill no other.

    Examples
    --------
    >>> words_of({"o2_dry_pct": " 8,2 ", "co_dry_ppm": "over 2000", "flue_temp_f": "689", "smoke_number": ""},
    ...          ["o2_dry_pct", "co_dry_ppm", "flue_temp_c", "smoke_number"])
    ['o2_dry_pct', '8,2', 'co_dry_ppm', '>2000', 'flue_temp_f', '689']
    """
    words = []
    for key in keys:
        for name in (key, *in_other_units(key, WORDS)):
            text = " ".join(form.get(name, "").split())
            first, _, rest = text.partition(" ")
            if WORDS[key].kind == "number" and first.lower() in OVER:
                text = f">{rest}"
            if text:
                words += [name, text]
    return words
