"""The safety state of whatever was found: the one place that says what a heater may do and what may be listed."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np

from combust.data.tables import load_table
from combust.data.units import in_words
from combust.domain.limits import Finding, finding, finding_kinds, in_order

# What says where the heater stands, or that nothing was said: of a past or a refused reading it is left out.
PLACE = ("indoors", "location_unknown", "not_judged", "nothing_entered")
# From nothing to the worst; the place in this order is the rank.
STATES = ("nothing_found", "not_judged", "outdoors_only", "heater_off", "everyone_out")


def ranks_of(found: Mapping[str, Any]) -> Any:
    """Return the rank of the state of each row: the worst that any finding brings.

    Parameters
    ----------
    found : mapping
        Code of a finding -> where it holds, one truth value or an array of them.
    """
    kinds = finding_kinds()
    rank: Any = np.int8(0)
    for code, where in found.items():
        if kinds[code].state:
            rank = np.maximum(rank, np.where(where, np.int8(STATES.index(kinds[code].state)), np.int8(0)))
    return rank


def forbids(found: Mapping[str, Any], needs: Iterable[str]) -> Any:
    """Return where any finding forbids one of the needs (``burning``, ``cold``, ``fuel_work``, ...)."""
    kinds, needs = finding_kinds(), set(needs)
    forbidden: Any = np.bool_(False)
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
        """``everyone_out``, ``heater_off``, ``outdoors_only``, ``not_judged`` or ``nothing_found``."""
        return STATES[int(ranks_of(self._found))]

    @property
    def stops(self) -> tuple[Finding, ...]:
        """The findings that stop everything else."""
        return tuple(one for one in self.findings if one.severity == "stop")

    @property
    def alarming(self) -> bool:
        """Whether the state is told on both streams, and speaks against handing the heater back."""
        return STATES.index(self.state) >= STATES.index("outdoors_only")

    def allows(self, needs: Iterable[str]) -> bool:
        """Return whether what a check, a remedy or an adjustment needs may be done, and so be listed."""
        return not forbids(self._found, needs)

    def without_place(self) -> Safety:
        """Return the safety of the values alone, whatever was said of the place."""
        return Safety(tuple(one for one in self.findings if one.code not in PLACE))

    def told_in(self, units: str) -> Safety:
        """Return the same with its sentences in the units of a person."""
        return Safety(tuple(replace(one, text=in_words(one.text, units)) for one in self.findings))

    def lines(self) -> tuple[str, ...]:
        """Return what stands before anything else: the stops, or the sentence of the state."""
        state, texts = self.state, load_table("cautions")
        if self.stops:
            return tuple(one.text for one in self.stops)
        if state == "not_judged":
            kinds = finding_kinds()
            return tuple(one.text for one in self.findings if one.code in kinds and kinds[one.code].state == state)
        return (str(texts["no_stop" if state == "nothing_found" else state]),)

    def to_dict(self) -> dict[str, Any]:
        """Return plain values for JSON, where it stands first."""
        return {"state": self.state, "text": " ".join(self.lines()), "stops": [asdict(one) for one in self.stops]}


def calculation(*findings: Finding) -> Safety:
    """Return the safety of a calculation: without a reading of the heater, nothing is judged yet."""
    return Safety((*findings, finding("calculation_only")))


def of_all(parts: Iterable[Safety], *, refused: int = 0) -> Safety:
    """Return the safety of several things together and of refused rows; each kind of finding once, the worst first."""
    found: dict[str, Finding] = {}
    for one in (one for part in parts for one in part.findings):
        found.setdefault(one.code, one)
    ordered = sorted(found.values(), key=lambda one: -STATES.index(Safety((one,)).state))
    return Safety(in_order([*ordered, finding("rows_refused", count=refused)] if refused else ordered))
