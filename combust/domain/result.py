"""A result as frozen data: one base that gives text, JSON, HTML and a short ``repr`` from fields and rows."""

from __future__ import annotations

import datetime
import math
from collections.abc import Mapping
from dataclasses import dataclass, fields, is_dataclass
from typing import Any, ClassVar, Protocol, overload

from combust import __version__
from combust.data.told import Rows, Told, label_of, values_of
from combust.data.vocabulary import quantities
from combust.domain.limits import Finding
from combust.domain.safety import Safety, calculation

UNTOLD = "cannot be told"


@dataclass(frozen=True, slots=True)
class Assumed(Told):
    """What stood in for a quantity that was not entered: its value, unit ("" = none) and origin."""

    quantity: str
    value: Any
    unit: str
    origin: str

    @property
    def shown(self) -> str:
        """The value with its unit."""
        value = self.value
        number = f"{value:.6g}" if isinstance(value, float) else "not known" if value is None else str(value)
        return f"{number} {self.unit}".rstrip()

    def lines(self) -> Rows:
        """Return its one row.

        Returns
        -------
        list of (str, str)
            Label and text [unit in the text].
        """
        return [(label_of(self.quantity)[0], self.shown)]

    def origins(self) -> dict[str, str]:
        """Return whence it comes.

        Returns
        -------
        dict
            Label of the row -> words.
        """
        return {label_of(self.quantity)[0]: self.origin}

    def __str__(self) -> str:
        return f"{self.quantity} = {self.shown}: {self.origin}"


def assume(quantity: str, value: Any, origin: str) -> Assumed:
    """Return what was assumed, in the unit of the vocabulary where its first word is a key of it.

    Parameters
    ----------
    quantity : str
        A key of the vocabulary, or words.
    value : object
        What stood in for it.
    origin : str
        Where that came from.

    Returns
    -------
    Assumed
        Value and unit [unit of the key].

    References
    ----------
    combust/data/quantities.toml: unit of every key.

    Examples
    --------
    >>> assume("pressure_hpa", 1013.25, "standard atmosphere").unit
    'hPa'
    """
    known = quantities().get(quantity.split(" ")[0])
    return Assumed(quantity, value, known.unit if known else "", origin)


def many(count: int, word: str) -> str:
    """Return how many of something there are, its word in the plural unless it is one.

    Parameters
    ----------
    count : int
        How many [-], 0 or more (unchecked).
    word : str
        In the singular; one that takes s, es or ies.

    Returns
    -------
    str
        Number and word [words].

    References
    ----------
    English grammar.

    Examples
    --------
    >>> many(1, "visit"), many(0, "row"), many(2, "entry"), many(3, "branch"), many(2, "day")
    ('1 visit', '0 rows', '2 entries', '3 branches', '2 days')
    """
    if count == 1:
        return f"1 {word}"
    if word.endswith("y") and word[-2:-1] not in "aeiou":
        return f"{count} {word[:-1]}ies"
    return f"{count} {word}{'es' if word.endswith(('ch', 'sh', 's', 'x')) else 's'}"


def shown(value: float | None, pattern: str, unit: str = "", *, u: float | None = None, untold: str = UNTOLD) -> str:
    """Return a number in words, with its 95 % half-width where its standard uncertainty is given.

    Parameters
    ----------
    value : float or None
        The number [unit], any; None = not known.
    pattern : str
        Format of the number, like ``.2f``.
    unit : str
        What stands behind it, "" = none.
    u : float or None
        Its standard uncertainty [unit], 0 or more (unchecked).
    untold : str
        What is said where there is no number.

    Returns
    -------
    str
        The words [number, ±, unit].

    References
    ----------
    JCGM 100:2008, 6.2: two standard uncertainties as 95 %.

    Examples
    --------
    >>> shown(1.6, ".2f", u=0.02)
    '1.60 ± 0.04 (95 %)'
    """
    if value is None:
        return untold
    spread = "" if u is None else f" ± {2 * u:{pattern.lstrip('+')}}"
    return f"{value + 0.0:{pattern}}{spread} {unit}".rstrip() + (" (95 %)" if spread else "")


class _Dataclass(Protocol):
    __dataclass_fields__: ClassVar[dict[str, Any]]


class _Tuple(Protocol):
    def _asdict(self) -> dict[str, Any]: ...


@overload
def plain(value: Mapping[str, Any] | Result | _Dataclass | _Tuple) -> dict[str, object]: ...
@overload
def plain(value: list[Any] | tuple[Any, ...]) -> list[object]: ...
@overload
def plain(value: object) -> object: ...
def plain(value: Any) -> object:
    """Return a value as plain JSON: NaN and infinity as None, numpy as Python, records and mappings as dictionaries.

    A frame of pandas is a list of its rows.

    Parameters
    ----------
    value : object
        Anything a result holds.

    Returns
    -------
    None, bool, int, float, str, list or dict
        The same as JSON takes it [units in the keys].

    References
    ----------
    RFC 8259: JSON knows no NaN.

    Examples
    --------
    >>> import numpy as np
    >>> plain({"lambda": np.float64(1.6), "co": (float("nan"), 3)})
    {'lambda': 1.6, 'co': [None, 3]}
    >>> import pandas as pd
    >>> plain(pd.DataFrame({"co": [3.0, float("nan")]}))
    [{'co': 3.0}, {'co': None}]
    """
    if isinstance(value, Result):
        return {key: one for key, one in value.to_dict().items() if key != "version"}  # that of the whole is enough
    if hasattr(value, "notna"):  # a frame of pandas, which is not loaded for it
        value = value.astype(object).where(value.notna(), None).to_dict("records")
    if hasattr(value, "tolist"):  # of numpy
        value = value.tolist()
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if is_dataclass(value) and not isinstance(value, type):
        return {field.name: plain(getattr(value, field.name)) for field in fields(value)}
    if hasattr(value, "_asdict"):
        value = value._asdict()
    if isinstance(value, Mapping):
        return {str(key): plain(one) for key, one in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [plain(one) for one in value]
    return value.isoformat() if isinstance(value, datetime.date) else value


class Result(Told):
    """What every result can do beside telling itself; a mixin of frozen dataclasses.

    A class gives its fields and, with ``lines``, the rows that people read. The fields ``findings`` (Finding),
    ``assumed`` (Assumed), ``left_out`` and ``cautions`` (texts) are shown after the rows wherever a class has them.

    Attributes
    ----------
    unshown : tuple of str
        Fields that stay out of the JSON.
    derived : tuple of str
        Properties that the JSON holds beside the fields.
    version : str
        Of combust, told with every result.
    calculated : bool
        Worked out without a reading of the heater: whether it may run is not judged.
    """

    __slots__ = ()
    aside = ("findings", "assumed", "left_out", "cautions", "safety", "inputs", "sources")
    version: ClassVar[str] = __version__
    calculated: ClassVar[bool] = False

    @property
    def safety(self) -> Safety:
        """The safety state and its findings."""
        findings = self._list("findings")
        return calculation(*findings) if self.calculated else Safety(findings)

    @property
    def stops(self) -> tuple[Finding, ...]:
        """The findings that stop everything else."""
        return self.safety.stops

    def opening(self) -> tuple[str, ...]:
        """Return what stands before the rows.

        Returns
        -------
        tuple of str
            The stop conditions, or the sentence of the safety state.
        """
        return self.safety.lines()

    def to_dict(self) -> dict[str, object]:
        """Return plain values for JSON; what is not known is None, never NaN.

        Returns
        -------
        dict
            Key -> value [units in the keys]; ``safety`` first, ``version`` last.

        References
        ----------
        RFC 8259: JSON knows no NaN.

        Examples
        --------
        >>> from combust.application.reading.result import interpret
        >>> next(iter(interpret({"fuel": "diesel_b7", "o2_dry_pct": 8.2, "location": "outdoors"}).to_dict()))
        'safety'
        """
        judged = hasattr(self, "findings") or self.calculated or type(self).safety is not Result.safety
        facts: dict[str, object] = {"safety": self.safety.to_dict()} if judged else {}
        facts |= plain(values_of(self))
        if "assumed" in facts:
            facts["assumed"] = {
                one.quantity: {"value": plain(one.value), "unit": one.unit, "origin": one.origin}
                for one in self._list("assumed")
            }
        return facts | {"version": self.version}

    def _list(self, name: str) -> tuple[Any, ...]:
        return tuple(getattr(self, name, ()))

    def _lists(self) -> dict[str, list[str]]:
        """Return what stands after the rows, heading -> lines."""
        findings = [finding.text for finding in self._list("findings") if finding.severity != "stop"]
        lists = {"Findings": findings, "Assumed": self._list("assumed"), "Left out": self._list("left_out")}
        lists |= {"Cautions": self._list("cautions")}
        return {head: [str(one) for one in found] for head, found in lists.items() if found}

    def _first_in_repr(self) -> list[str]:
        return [f"STOP {finding.code}" for finding in self.stops]
