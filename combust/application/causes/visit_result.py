"""What a visit was found to mean: frozen, for people and for machines."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from combust.application.learning.learnt import QUANTITY
from combust.data.told import Rows, Told, text_of_rows
from combust.data.units import chance_in_words
from combust.domain.limits import Finding, cautions
from combust.domain.result import Assumed, Result
from combust.domain.safety import Safety, of_all

LEAST_SHOWN = 0.01


@dataclass(frozen=True, slots=True)
class Severity(Told):
    """How large the fault is if this cause is there: median and interval of the stated level."""

    quantity: str
    median: float
    low: float
    high: float
    level: float
    text: str


@dataclass(frozen=True, slots=True)
class RankedCause(Told):
    """A cause with its probability, its severity and one sentence."""

    cause: str
    probability: float
    severity: Severity | None
    text: str

    @property
    def percent(self) -> str:
        """Its share in words, whole per cent."""
        return chance_in_words(self.probability)


@dataclass(frozen=True, slots=True)
class Explanation(Told):
    """One hypothesis: no cause (healthy), one, or two at once."""

    causes: tuple[str, ...]
    probability: float


@dataclass(frozen=True, slots=True)
class NextCheck(Result):
    """A check worth making: what it is expected to tell, minutes, risk and why.

    ``best_with`` names the check with which it tells more per minute than either of the two alone; nothing where no
    pair does. ``bits_with`` and ``minutes_with`` are of both together.
    """

    check: str
    gain_bits: float
    minutes: float
    risk: str
    tier: str
    why: str
    best_with: str = ""
    bits_with: float = 0.0
    minutes_with: float = 0.0
    derived = ("gain_bits_per_minute",)

    @property
    def gain_bits_per_minute(self) -> float:
        """Expected information for each minute [bit/min]."""
        return self.gain_bits / self.minutes


@dataclass(frozen=True, slots=True)
class Adjustment(Told):
    """A trim that may answer the cause: per cent of fuel or blower speed, what to aim for, and what comes first."""

    fuel_trim_pct: float | None
    blower_trim_pct: float | None
    to_air_ratio: float
    to_o2_dry_pct: float
    to_co2_dry_pct: float
    to_pump_hz: float | None
    u_pct: float
    only_after: tuple[str, ...]
    text: str


@dataclass(frozen=True, slots=True)
class VisitResult(Result):
    """What one visit means. ``stop`` holds the stop conditions, ``findings`` the rest.

    ``fits`` is False when the evidence fits no cause in the list; ``disagree`` then names the channels at odds.
    ``ranked`` is False without a healthy baseline: ``next_checks`` is then a fixed order, and ``causes`` hold what
    usual values of such heaters allow, which is no answer.
    ``lowered`` names the causes that only what was learnt took below one in a hundred: no reading speaks against them.
    ``expected_healthy`` holds, for each stage, ``air_ratio`` and ``air_ratio_u`` [-] of the healthy heater here.
    """

    visit_id: str
    heater_id: str | None
    phase: str
    valid: bool
    stop: tuple[Finding, ...]
    causes: tuple[RankedCause, ...]
    marginal: Mapping[str, float]
    explanations: tuple[Explanation, ...]
    cannot_separate: tuple[tuple[str, ...], ...]
    next_checks: tuple[NextCheck, ...]
    adjust: Adjustment | None
    fits: bool
    effective_samples: float
    findings: tuple[Finding, ...]
    assumed: tuple[Assumed, ...]
    seed: int
    disagree: tuple[str, ...] = ()
    ranked: bool = True
    why_no_adjust: str = ""
    lowered: tuple[str, ...] = ()
    expected_healthy: Mapping[str, Mapping[str, float]] = field(default_factory=dict)

    @property
    def safety(self) -> Safety:
        """The safety state; nothing that it forbids is listed."""
        return Safety((*self.stop, *self.findings))

    @property
    def top(self) -> RankedCause:
        """The most probable cause."""
        return self.causes[0]

    @property
    def learnt(self) -> str:
        """What was learnt from a logbook and used here, in words; "" where nothing was."""
        found = next((one for one in self.assumed if one.quantity == QUANTITY), None)
        return f"used: {found.value}, from {found.origin}" if found else ""

    @property
    def in_short(self) -> str:
        """The answer in a few words."""
        if not self.ranked:
            return "not ranked: no healthy reading of this heater"
        return ("" if self.fits else "fits no cause; nearest ") + f"{self.top.cause} {self.top.percent}"

    def lines(self) -> Rows:
        """Return what is told of the visit: causes, what cannot be told apart, next checks in their order, the trim."""
        rows = [("visit", self.visit_id + (", after work" if self.phase == "after" else ""))]
        if not self.fits:
            told = f"the evidence fits no cause in the list; most at odds: {', '.join(self.disagree)}"
            rows.append(("not explained", told))
        if not self.valid:
            rows.append(("not valid", "only sample and instrument are judged: mend them and read again"))
        for stage, when_healthy in self.expected_healthy.items():
            lam, u = when_healthy["air_ratio"], when_healthy["air_ratio_u"]
            rows.append((f"healthy, {stage} stage", f"lambda {lam:.2f} ± {2.0 * u:.2f} (95 %) is to be expected here"))
        for one in self.causes if self.ranked else ():
            if one.probability >= LEAST_SHOWN:
                much = f"  {one.severity.text}" if one.severity else ""
                rows.append((one.cause, f"{100.0 * one.probability:.1f} %{much}"))
        rows += self._settled() if self.ranked else [("not ranked", "there is no healthy reading of this heater")]
        if self.next_checks:
            order = (
                "in this order: most news (bit) per minute, alone or together with one more; each: combust word NAME"
            )
            fixed = "a fixed order by what stands out; each: combust word NAME"
            rows.append(("checks to make next", order if self.ranked else fixed))
        for number, check in enumerate(self.next_checks, 1):
            risk = "" if check.risk == "none" else f" RISK: {check.risk}."
            news = f", {check.gain_bits:.2f} bit" if self.ranked else ""
            if check.best_with:
                news += f"; with {check.best_with} {check.bits_with:.2f} bit in {check.minutes_with:g} min"
            rows.append((f"{number}. {check.check}", f"{check.minutes:g} min{news}. {check.why}{risk}"))
        rows.append(("trim", self.adjust.text) if self.adjust else ("no trim", self.why_no_adjust))
        return rows

    def _settled(self) -> Rows:
        """Return the leading cause, and what is not told apart."""
        lead = "" if self.top.probability >= 0.5 else f"first, with {self.top.percent}, "
        label = "nothing is settled" if lead else "most probable" if self.fits else "nearest, but it does not fit"
        labels = ("not told apart yet", *["not by such evidence"] * len(self.cannot_separate))
        apart = [(name, ", ".join(names)) for name, names in zip(labels, self.cannot_separate, strict=False)]
        return [(label, f"{lead}{self.top.text}"), *apart]


@dataclass(frozen=True, slots=True)
class CausesResult(Result):
    """The results of all visits, with the prior they rest on."""

    visits: tuple[VisitResult, ...]
    prior: Mapping[str, float]
    seed: int
    derived = ("cautions",)

    def __iter__(self) -> Iterator[VisitResult]:
        return iter(self.visits)

    def __len__(self) -> int:
        return len(self.visits)

    def __getitem__(self, index: int) -> VisitResult:
        return self.visits[index]

    @property
    def safety(self) -> Safety:
        """The safety state of all visits together."""
        return of_all(visit.safety for visit in self.visits)

    @property
    def cautions(self) -> tuple[str, ...]:
        """The cautions that stand with every result."""
        return tuple(cautions())

    def lines(self) -> Rows:
        """Return the most probable cause of each visit, and the prior."""
        rows = [(visit.visit_id, visit.in_short) for visit in self.visits]
        return [*rows, ("prior", ", ".join(f"{name} {value:g}" for name, value in self.prior.items()))]

    def __str__(self) -> str:
        prior = text_of_rows(self.lines()[-1:])
        return "\n\n".join([*(str(visit) for visit in self.visits), prior, "\n".join(self.cautions)])

    def _repr_html_(self) -> str:
        return "".join(visit._repr_html_() for visit in self.visits)
