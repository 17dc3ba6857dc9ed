"""How a record tells itself to people: rows with units, as text and as HTML for a notebook; never its ``repr``."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Callable, Iterable, Mapping
from html import escape
from typing import Any, ClassVar, TypeVar

from combust.data.errors import shorten
from combust.data.units import name_and_unit
from combust.data.vocabulary import quantities

Rows = list[tuple[str, str]]
T = TypeVar("T")
R = TypeVar("R", bound="Told")
C = TypeVar("C", bound=type)

MOST_IN_REPR = 3
LEFT = 'style="text-align:left;vertical-align:top;overflow-wrap:break-word"'
SCROLLS = '<div style="max-width:100%;overflow-x:auto">'  # on a phone a wide table is moved, never cut off
_NAMES = {"h_c": "H/C", "o_c": "O/C", "n_c": "N/C", "s_c": "S/C", "h_c_u": "H/C, standard uncertainty"}
_NAMES |= {"dry_m3_per_kg": "dry gas", "wet_m3_per_kg": "wet gas", "ar": "Ar"}
_GASES = {"o2", "co2", "co", "hc", "no", "n2", "h2", "h2o", "so2"}


class Told:
    """What every record that a person may look at can do; a mixin.

    A class gives its fields, or the rows that people read with ``lines``. What was not entered has no row.

    Attributes
    ----------
    unshown : tuple of str
        Fields that are told nowhere.
    aside : tuple of str
        Fields that have no row.
    derived : tuple of str
        Properties that are told beside the fields.
    marks : mapping
        Field -> unit, where its name does not end in it.
    """

    __slots__ = ()
    unshown: ClassVar[tuple[str, ...]] = ()
    aside: ClassVar[tuple[str, ...]] = ()
    derived: ClassVar[tuple[str, ...]] = ()
    marks: ClassVar[Mapping[str, str]] = {}

    def __init_subclass__(cls) -> None:
        """Keep the short ``repr``: a dataclass writes its own only where the class has none."""
        super().__init_subclass__()
        if "__repr__" not in vars(cls):
            type.__setattr__(cls, "__repr__", Told.__repr__)

    def lines(self) -> Rows:
        """Return the rows for people; by default one for each field that holds something.

        Returns
        -------
        list of (str, str)
            Label and text [unit in the text].

        References
        ----------
        A form of this project.

        Examples
        --------
        >>> from combust.domain.site import Site
        >>> Site(altitude_m=2000, intake_temp_c=0).lines()[0]
        ('altitude', '2000 m')
        """
        return rows_of(self)

    def origins(self) -> Mapping[str, str]:
        """Return whence a value comes, label -> words; what has none is not in it."""
        return {}

    def opening(self) -> tuple[str, ...]:
        """Return the sentences that stand before the rows."""
        return ()

    def _lists(self) -> dict[str, list[str]]:
        """Return what stands after the rows, heading -> lines."""
        return {}

    def __str__(self) -> str:
        parts = ["\n".join(self.opening()), text_of_rows(self.lines())]
        parts += ["\n".join([head, *(f"- {text}" for text in texts)]) for head, texts in self._lists().items()]
        return "\n\n".join(part for part in parts if part)

    def _repr_html_(self) -> str:
        rows = self.lines()
        opening = html_of_sentences(self.opening(), strong=bool(rows))
        lists = "".join(
            f"<p>{head}</p><ul>{''.join(f'<li>{escape(text)}</li>' for text in texts)}</ul>"
            for head, texts in self._lists().items()
        )
        return f"{opening}{html_of_rows(rows, self.origins())}{lists}"

    def __repr__(self) -> str:
        rows = self.lines()
        words = [*self._first_in_repr(), *(shorten(text, 80) for text in self.opening()[:1] if not rows)]
        words += [f"{label} {shorten(text, 40)}" for label, text in rows[:MOST_IN_REPR]]
        more = f", {len(rows) - MOST_IN_REPR} more" if len(rows) > MOST_IN_REPR else ""
        return f"<{type(self).__name__}: {', '.join(words)}{more}>"

    def _first_in_repr(self) -> list[str]:
        return []


class Several(list[R]):
    """A list of records that a notebook shows one below the other."""

    def __str__(self) -> str:
        return "\n\n".join(map(str, self))

    def _repr_html_(self) -> str:
        return "".join(one._repr_html_() for one in self)


class ByName(dict[str, T]):
    """Records by name that a notebook shows as a table, one row each."""

    def __str__(self) -> str:
        return text_of_rows([(name, in_short(one)) for name, one in self.items()])

    def _repr_html_(self) -> str:
        return html_table([(name, in_short(one)) for name, one in self.items()], named=True)


def values_of(record: Any) -> dict[str, Any]:
    """Return the fields of a record and what it derives, as they are, less what is told nowhere."""
    names = [*getattr(record, "__dataclass_fields__", getattr(record, "_fields", ()))]
    hidden = getattr(record, "unshown", ())
    return {name: getattr(record, name) for name in (*names, *getattr(record, "derived", ())) if name not in hidden}


def rows_of(record: Any) -> Rows:
    """Return a row for each value of a record: name, value with unit; records within it are told in one line each.

    What its ``repr`` hides (answers, long tables) has no row.
    """
    marks: Mapping[str, str] = getattr(record, "marks", {})
    hidden = {name for name, one in getattr(record, "__dataclass_fields__", {}).items() if not one.repr}
    rows: Rows = []
    for key, value in values_of(record).items():
        if key.startswith("_") or key in hidden or key in getattr(record, "aside", ()):
            continue
        name, unit = label_of(key)
        many = value if isinstance(value, Mapping) else dict(enumerate(value, 1)) if _is_row_of_records(value) else {}
        if many and all(map(_is_record, many.values())):
            rows += [(f"{name} {one}", in_short(held)) for one, held in many.items()]
        elif text := text_of(value, marks.get(key, unit)):
            rows.append((name, text))
    return rows


def label_of(key: str) -> tuple[str, str]:
    """Return a key in words, and its unit ("" = none).

    Examples
    --------
    >>> label_of("o2_dry_pct"), label_of("fuel_l_per_h")
    (('O2 dry', 'vol %'), ('fuel', 'l/h'))
    """
    known = quantities().get(key)
    stem, unit = name_and_unit(key)
    words = stem.split("_")
    gas = words[0] in _GASES and (known is not None or words[-1] in ("dry", "wet", "maximum") or len(words) == 1)
    words[0] = words[0].upper() if gas else words[0]
    return _NAMES.get(key, " ".join(words)), known.unit if known else "vol %" if gas and unit == "%" else unit


def text_of(value: Any, unit: str = "") -> str:
    """Return one value in words with its unit; "" for what is not there.

    Examples
    --------
    >>> text_of(8.2, "vol %"), text_of(True), text_of(None), text_of((15.0, 20.0), "s")
    ('8.2 vol %', 'yes', '', '15, 20 s')
    """
    if _is_record(value):
        return in_short(value)
    if isinstance(value, bool):
        return "yes" if value else "no"
    if getattr(value, "ndim", 0) == 1 and len(value):  # an array, or a column of a frame
        return f"{min(value):.5g} to {max(value):.5g} {unit}".rstrip() + f", {len(value)} of them"
    if getattr(value, "ndim", 0):
        return f"table of {value.shape[0]} x {value.shape[1]}" if value.shape[0] else ""
    if isinstance(value, float) or hasattr(value, "__float__"):
        return "" if not math.isfinite(value) else f"{value:.5g} {unit}".rstrip()
    if isinstance(value, Mapping):
        named = [(label_of(str(key)), one) for key, one in value.items()]
        told = [(name, text_of(one, mark)) for (name, mark), one in named]
        return ", ".join(f"{name} {text}" for name, text in told if text)
    if isinstance(value, list | tuple | set | frozenset):
        items = sorted(map(str, value)) if isinstance(value, set | frozenset) else value
        return f"{', '.join(filter(None, map(text_of, items)))} {unit}".strip()
    return "" if value is None else str(value)


def in_short(record: Any) -> str:
    """Return a record in one line: its own sentence where it has one, else its rows."""
    without: tuple[Any, ...] = (Told.__str__, object.__str__)
    text = str(record)
    if type(record).__str__ not in without and "\n" not in text and not isinstance(record, tuple):
        return text
    rows = record.lines() if isinstance(record, Told) else rows_of(record)
    sentences = record.opening() if isinstance(record, Told) else ()
    return " ".join(sentences) if sentences else ", ".join(f"{label} {text}" for label, text in rows)


def _is_record(value: Any) -> bool:
    return hasattr(value, "_repr_html_") and not hasattr(value, "ndim") and not isinstance(value, list | dict)


def _is_row_of_records(value: Any) -> bool:
    return isinstance(value, list | tuple) and bool(value) and not hasattr(value, "_fields") and _is_record(value[0])


def tells(*, derived: tuple[str, ...] = (), **marks: str) -> Callable[[C], C]:
    """Let a class that cannot have the mixin (a named tuple) show itself in a notebook; see :class:`Told`."""

    def shows(record: Any) -> str:
        return html_of_rows(rows_of(record))

    def told(kind: C) -> C:
        for name, value in (("derived", derived), ("marks", marks), ("_repr_html_", shows)):
            setattr(kind, name, value)
        return kind

    return told


def html_of_rows(rows: Rows, origins: Mapping[str, str] | None = None) -> str:
    """Return rows as a table, with a column for whence they come where that is told; "" without rows."""
    found = origins or {}
    told = [(label, text, found.get(label, "")) for label, text in rows] if found else rows
    return html_table(told, named=True) if rows else ""


def html_of_sentences(sentences: Iterable[str], *, strong: bool = False) -> str:
    """Return sentences as paragraphs, escaped."""
    texts = map(escape, sentences)
    return "".join(f"<p><strong>{text}</strong></p>" if strong else f"<p>{text}</p>" for text in texts)


def html_table(rows: Iterable[Iterable[object]], head: Iterable[str] = (), *, named: bool = False) -> str:
    """Return rows of cells as a table, escaped, for a notebook: words begin at the left and stay whole.

    Parameters
    ----------
    rows : iterable of iterables
    head : iterable of str
        Headings of the columns.
    named : bool
        Whether the first cell of a row is its name.

    Returns
    -------
    str
    """

    def cell(text: object, kind: str) -> str:
        return f"<{kind} {LEFT}>{escape(str(text))}</{kind.partition(' ')[0]}>"

    top = "".join(cell(word, 'th scope="col"') for word in head)
    kinds = ['th scope="row"' if named else "td"]
    lines = ((cell(text, (kinds[number:] or ["td"])[0]) for number, text in enumerate(row)) for row in rows)
    body = "".join(f"<tr>{''.join(line)}</tr>" for line in lines)
    return f"{SCROLLS}<table>{f'<thead><tr>{top}</tr></thead>' if top else ''}<tbody>{body}</tbody></table></div>"


def text_of_rows(rows: Iterable[tuple[str, str]], *, wrap: int = 0) -> str:
    """Return rows as two aligned columns.

    Parameters
    ----------
    rows : iterable of (str, str)
        Label and text.
    wrap : int
        The widest a line may be [characters], 0 or more (unchecked); 0 = as it comes.

    Returns
    -------
    str
        The text, one line or more a row.
    """
    rows = list(rows)
    indent = max((len(label) for label, _ in rows), default=0) + 2
    joint = "\n" + " " * indent
    texts = [joint.join(textwrap.wrap(text, max(wrap - indent, 40))) if wrap else text for _, text in rows]
    return "\n".join(f"{label:<{indent}}{text}" for (label, _), text in zip(rows, texts, strict=True))
