"""What a visit was found to mean: frozen, for people and for machines."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from html import escape
from typing import Any

from combust import __version__
from combust.domain.limits import Finding, cautions
from combust.domain.result import plain
from combust.domain.safety import Safety, of_all


@dataclass(frozen=True, slots=True)
class Severity:
    """How large the fault is if this cause is there: median and interval of the stated level."""

    quantity: str
    median: float
    low: float
    high: float
    level: float
    text: str

    def to_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {name: getattr(self, name) for name in self.__slots__}


@dataclass(frozen=True, slots=True)
class RankedCause:
    """A cause with its probability, its severity and one sentence."""

    cause: str
    probability: float
    severity: Severity | None
    text: str

    def to_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        severity = self.severity.to_dict() if self.severity else None
        return {"cause": self.cause, "probability": self.probability, "severity": severity, "text": self.text}


@dataclass(frozen=True, slots=True)
class Explanation:
    """One hypothesis: no cause (healthy), one, or two at once."""

    causes: tuple[str, ...]
    probability: float

    def to_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {"causes": list(self.causes), "probability": self.probability}


@dataclass(frozen=True, slots=True)
class NextCheck:
    """A check worth making: what it is expected to tell, minutes, risk and why."""

    check: str
    gain_bits: float
    minutes: float
    risk: str
    tier: str
    why: str

    @property
    def gain_bits_per_minute(self) -> float:
        """Expected information for each minute [bit/min]."""
        return self.gain_bits / self.minutes

    def to_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {
            "check": self.check,
            "gain_bits": self.gain_bits,
            "minutes": self.minutes,
            "gain_bits_per_minute": self.gain_bits_per_minute,
            "risk": self.risk,
            "tier": self.tier,
            "why": self.why,
        }


@dataclass(frozen=True, slots=True)
class Adjustment:
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

    def to_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {
            name: list(value) if isinstance(value := getattr(self, name), tuple) else value for name in self.__slots__
        }


@dataclass(frozen=True, slots=True)
class VisitResult:
    """What one visit means; the keys of ``to_dict`` are those of the JSON output."""

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
    assumed: tuple[str, ...]
    seed: int
    why_no_adjust: str = ""

    @property
    def safety(self) -> Safety:
        """The safety state; nothing that it forbids is listed."""
        return Safety((*self.stop, *self.findings))

    @property
    def top(self) -> RankedCause:
        """The most probable cause."""
        return self.causes[0]

    def to_dict(self) -> dict[str, Any]:
        """Return plain values for JSON: no NaN, no infinity."""
        table: dict[str, Any] = plain(
            {
                "safety": self.safety.to_dict(),
                "visit_id": self.visit_id,
                "heater_id": self.heater_id,
                "phase": self.phase,
                "valid": self.valid,
                "stop": plain(self.stop),
                "causes": [cause.to_dict() for cause in self.causes],
                "marginal": dict(self.marginal),
                "explanations": [explanation.to_dict() for explanation in self.explanations],
                "cannot_separate": [list(names) for names in self.cannot_separate],
                "next_checks": [check.to_dict() for check in self.next_checks],
                "adjust": self.adjust.to_dict() if self.adjust else None,
                "why_no_adjust": self.why_no_adjust,
                "fits": self.fits,
                "effective_samples": self.effective_samples,
                "findings": plain(self.findings),
                "assumed": list(self.assumed),
                "seed": self.seed,
            }
        )
        return table

    def __str__(self) -> str:
        lines = [f"Visit {self.visit_id}" + (f", heater {self.heater_id}" if self.heater_id else "")]
        lines += self.safety.lines()
        if not self.valid:
            lines.append("The reading is not valid: only sample and instrument are judged. Mend them and read again.")
        if not self.fits:
            lines.append("Nothing here explains the reading: check the numbers and the profile before anything else.")
        lines.append("Causes:")
        lines += [f"  {100.0 * one.probability:5.1f} %  {one.text}" for one in self.causes if one.probability >= 0.005]
        for number, names in enumerate(self.cannot_separate):
            text = ", ".join(names)
            lines.append(
                f"Not separable with what was read: {text}."
                if number == 0
                else f"Evidence of this kind never separates: {text}."
            )
        if self.next_checks:
            lines.append("Next checks, in this order:")
            lines += [
                f"  {check.check}: {check.gain_bits:.2f} bit in {check.minutes:g} min (risk: {check.risk}). {check.why}"
                for check in self.next_checks
            ]
        if self.adjust:
            lines.append(self.adjust.text)
        elif self.why_no_adjust:
            lines.append(f"No trim: {self.why_no_adjust}")
        lines += [f"{finding.severity}: {finding.text}" for finding in self.findings]
        if self.assumed:
            lines.append("Assumed: " + "; ".join(self.assumed) + ".")
        return "\n".join(lines)


@dataclass(frozen=True, slots=True)
class CausesResult:
    """The results of all visits, with the prior they rest on."""

    visits: tuple[VisitResult, ...]
    prior: Mapping[str, float]
    seed: int
    version: str = field(default=__version__)

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

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON of ``combust cause``."""
        return {
            "safety": self.safety.to_dict(),
            "visits": [visit.to_dict() for visit in self.visits],
            "prior": dict(self.prior),
            "cautions": cautions(),
            "version": self.version,
        }

    def __str__(self) -> str:
        prior = ", ".join(f"{name} {value:g}" for name, value in self.prior.items())
        parts = [str(visit) for visit in self.visits]
        parts.append(f"Prior (a stated convention, editable): {prior}.")
        return "\n\n".join([*parts, "\n".join(cautions())])

    def _repr_html_(self) -> str:
        return "".join(_visit_html(visit) for visit in self.visits)


def _visit_html(visit: VisitResult) -> str:
    rows = "".join(
        f"<tr><td>{100.0 * one.probability:.1f} %</td><td>{escape(one.text)}</td></tr>"
        for one in visit.causes
        if one.probability >= 0.005
    )
    opening = "".join(f"<p><strong>{escape(text)}</strong></p>" for text in visit.safety.lines())
    checks = "".join(f"<li>{escape(check.check)}: {escape(check.why)}</li>" for check in visit.next_checks)
    return (
        f"<h4>Visit {escape(visit.visit_id)}</h4>{opening}"
        f"<table><thead><tr><th>probability</th><th>cause</th></tr></thead><tbody>{rows}</tbody></table>"
        + (f"<p>Next checks, in this order:</p><ol>{checks}</ol>" if checks else "")
    )
