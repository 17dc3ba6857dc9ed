"""The safety state of whatever was found: the one place that says what a heater may do and what may be listed."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from combust.data.tables import load_table
from combust.data.told import html_of_sentences
from combust.data.units import in_words
from combust.domain.limits import Finding, finding, finding_kinds, in_order
from combust.kernel.types import Truth

# What says where the heater stands, or that nothing was said: of a past or a refused reading it is left out.
PLACE = ("indoors", "location_unknown", "not_judged", "nothing_entered")
# From nothing to the worst; the place in this order is the rank.
STATES = ("nothing_found", "not_judged", "outdoors_only", "heater_off", "everyone_out")


def ranks_of(found: Mapping[str, Any]) -> np.int8 | NDArray[np.int8]:
    """Return the rank of the state of each row: the worst that any finding brings.

    Parameters
    ----------
    found : mapping
        Code of a finding -> where it holds, one truth value or an array of them.

    Returns
    -------
    int or array of int
        Place in ``STATES`` [-], 0 to 4, in the broadcast shape.

    References
    ----------
    combust/data/findings.toml: the state that each finding brings.

    Examples
    --------
    >>> STATES[int(ranks_of({"location_unknown": True}))] == STATES[0]
    False
    """
    kinds = finding_kinds()
    rank: np.int8 | NDArray[np.int8] = np.int8(0)
    for code, where in found.items():
        if kinds[code].state:
            rank = np.maximum(rank, np.where(where, np.int8(STATES.index(kinds[code].state)), np.int8(0)))
    return rank


def forbids(found: Mapping[str, Any], needs: Iterable[str]) -> Truth:
    """Return where any finding forbids one of the needs.

    Parameters
    ----------
    found : mapping
        Code of a finding -> where it holds, one truth value or an array of them.
    needs : iterable of str
        Any of ``burning``, ``cold``, ``fuel_work`` and the like.

    Returns
    -------
    bool or array of bool
        Whether it is forbidden [-], in the broadcast shape.

    References
    ----------
    combust/data/findings.toml: what each finding forbids.

    Examples
    --------
    >>> bool(forbids({}, ["burning"]))
    False
    """
    kinds, needs = finding_kinds(), set(needs)
    forbidden: Truth = np.bool(False)
    for code, where in found.items():
        if needs & set(kinds[code].forbids):
            forbidden = forbidden | np.asarray(where, dtype=bool)
    return forbidden


@dataclass(frozen=True, slots=True)
class Safety:
    """The safety state of one thing that was judged, worked out from its findings."""

    findings: tuple[Finding, ...]

    @property
    def _found(self) -> dict[str, bool]:
        """The findings of the table; a stop that is not in it counts as one that keeps the heater off."""
        kinds = finding_kinds()
        codes = [one.code if one.code in kinds else "unknown_stop" * (one.severity == "stop") for one in self.findings]
        return dict.fromkeys((code for code in codes if code), True)

    @property
    def state(self) -> str:
        """``everyone_out``, ``heater_off``, ``outdoors_only``, ``not_judged`` or ``nothing_found`` [worst first]."""
        return STATES[int(ranks_of(self._found))]

    @property
    def stops(self) -> tuple[Finding, ...]:
        """The findings that stop everything else [severity stop]."""
        return tuple(one for one in self.findings if one.severity == "stop")

    @property
    def alarming(self) -> bool:
        """Whether the state is told on both streams, and speaks against handing the heater back [yes or no]."""
        return STATES.index(self.state) >= STATES.index("outdoors_only")

    def allows(self, needs: Iterable[str]) -> bool:
        """Return whether what a check, a remedy or an adjustment needs may be done, and so be listed.

        Parameters
        ----------
        needs : iterable of str
            Any of ``burning``, ``cold``, ``fuel_work`` and the like.

        Returns
        -------
        bool
            Whether nothing forbids it [yes or no].

        See Also
        --------
        forbids : the other way round.

        References
        ----------
        combust/data/findings.toml: what each finding forbids.

        Examples
        --------
        >>> Safety(()).allows(["burning"])
        True
        """
        return not forbids(self._found, needs)

    def without_place(self) -> Safety:
        """Return the safety of the values alone, whatever was said of the place.

        Returns
        -------
        Safety
            Without the findings of the place [codes of ``PLACE``].

        References
        ----------
        A rule of this project: of a past or a refused reading the place is left out.

        Examples
        --------
        >>> Safety((finding("location_unknown"),)).without_place().findings
        ()
        """
        return Safety(tuple(one for one in self.findings if one.code not in PLACE))

    def told_in(self, units: str) -> Safety:
        """Return the same with its sentences in the units of a person.

        Parameters
        ----------
        units : str
            ``metric`` or ``us``.

        Returns
        -------
        Safety
            Its numbers as that person reads them [°F, ft, inH2O where ``us``].

        References
        ----------
        ``combust.data.units`` (definitions of the units).

        Examples
        --------
        >>> Safety(()).told_in("us").findings
        ()
        """
        return Safety(tuple(replace(one, text=in_words(one.text, units)) for one in self.findings))

    def lines(self) -> tuple[str, ...]:
        """Return what stands before anything else: the stops, or the sentence of the state.

        Returns
        -------
        tuple of str
            One sentence each [at least one].

        References
        ----------
        combust/data/cautions.toml.

        Examples
        --------
        >>> Safety(()).lines()
        ('No stop condition found in what was entered.',)
        """
        state, texts, kinds = self.state, load_table("cautions"), finding_kinds()
        if self.stops:
            return tuple(one.text for one in self.stops)
        why = tuple(one for one in self.findings if one.code in kinds and kinds[one.code].state == state)
        if state == "outdoors_only":
            return (str(texts[state]).format(reasons="; ".join(one.what for one in why)),)
        return tuple(one.text for one in why) if state == "not_judged" else (str(texts["no_stop"]),)

    def __str__(self) -> str:
        return "\n".join(self.lines())

    def _repr_html_(self) -> str:
        return html_of_sentences(self.lines(), strong=True)

    def to_dict(self) -> dict[str, object]:
        """Return plain values for JSON, where it stands first.

        Returns
        -------
        dict
            ``state``, ``text`` and ``stops`` [words].

        References
        ----------
        A rule of this project: the safety state comes first.

        Examples
        --------
        >>> Safety(()).to_dict()["state"]
        'nothing_found'
        """
        return {"state": self.state, "text": " ".join(self.lines()), "stops": [asdict(one) for one in self.stops]}


def calculation(*findings: Finding) -> Safety:
    """Return the safety of a calculation: without a reading of the heater, nothing is judged yet.

    Parameters
    ----------
    *findings : Finding
        What was found beside it.

    Returns
    -------
    Safety
        With ``calculation_only`` beside them [not_judged, or worse].

    References
    ----------
    A rule of this project.

    Examples
    --------
    >>> calculation().state
    'not_judged'
    """
    return Safety((*findings, finding("calculation_only")))


def of_all(parts: Iterable[Safety], *, refused: int = 0) -> Safety:
    """Return the safety of several things together and of refused rows; the worst first.

    Each kind of finding is told as the first thing tells it that has it: once, or once for each heater.

    Parameters
    ----------
    parts : iterable of Safety
        The things.
    refused : int
        Rows that were refused [-], 0 or more (unchecked).

    Returns
    -------
    Safety
        All findings [worst first].

    References
    ----------
    A rule of this project: the worst of all counts.

    Examples
    --------
    >>> of_all([Safety(()), calculation()]).state
    'not_judged'
    """
    found: list[Finding] = []
    for part in parts:
        known = {one.code for one in found}
        found += dict.fromkeys(one for one in part.findings if one.code not in known)
    ordered = sorted(found, key=lambda one: -STATES.index(Safety((one,)).state))
    return Safety(in_order([*ordered, finding("rows_refused", count=refused)] if refused else ordered))
