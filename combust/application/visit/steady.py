"""Is a logged series steady? The window found, averaged, or the reason why there is none."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any, NamedTuple

import numpy as np

from combust.data.errors import CombustError, Fault
from combust.data.fields import fields_of, need_rows
from combust.data.tables import load_numbers, load_table, read_toml
from combust.data.told import Rows
from combust.data.vocabulary import quantities
from combust.domain.limits import limit
from combust.domain.reading import REPEATED
from combust.domain.result import Result, many

MOST_SAMPLES = 20_000
LONGEST_WINDOW_S = 3600.0
SUMMARY_DECIMALS = 6
PART = fields_of(
    {
        "key": {"kind": "text", "meaning": "a short name"},
        "title": {"kind": "text", "meaning": "the heading"},
        "steps": {"kind": "texts", "meaning": "a list of steps"},
    },
    required=True,
)


@dataclass(frozen=True, slots=True)
class SteadyRule:
    """When a series counts as steady; every number can be changed."""

    window_s: float
    sample_s: float
    o2_span_pct: float
    co_span_ppm: float
    co_span_share: float
    flue_drift_k_per_min: float
    minutes_since_ignition: float
    mean_s: float


@cache
def steady_rule() -> SteadyRule:
    """Return the shipped rule (``visit_procedure.toml`` and ``limits.toml``, origin beside each number)."""
    row = load_numbers("visit_procedure", "steady")
    return SteadyRule(
        o2_span_pct=limit("steady_o2_span"),
        flue_drift_k_per_min=limit("steady_flue_drift"),
        minutes_since_ignition=limit("steady_minutes"),
        **row,
    )


@dataclass(frozen=True)
class SteadyResult(Result):
    """Whether a series was steady, from when to when [s], the means over that window, and why not.

    Attributes
    ----------
    values : mapping
        Vocabulary key -> mean over the window, with ``o2_repeat_sd_pct``, ``repeats``, ``o2_span_over_3min_pct`` and
        ``flue_drift_k_per_min``: the values of a Reading. Empty when the series is not steady.
    why : tuple of str
        Why there is no steady window; empty when there is one.
    """

    steady: bool
    begin_s: float | None
    end_s: float | None
    samples: int
    values: Mapping[str, float]
    why: tuple[str, ...]
    rule: SteadyRule
    calculated = True

    def opening(self) -> tuple[str, ...]:
        """Return nothing: a window is found here, nothing is judged."""
        return ()

    def lines(self) -> Rows:
        """Return whether it was steady, then why not, or the window and its means."""
        rows = [("steady", "yes" if self.steady else "NO: no lambda is given"), *(("why", why) for why in self.why)]
        if self.steady:
            rows.append(("window", f"{self.begin_s:.0f} to {self.end_s:.0f} s, {many(self.samples, 'sample')}"))
        return rows + [(key, f"{value:.4g} {quantities()[key].unit}") for key, value in self.values.items()]


def steady_window(
    times_s: Any,
    columns: Mapping[str, Any],
    *,
    stage: Sequence[str | None] | None = None,
    rule: SteadyRule | None = None,
) -> SteadyResult:
    """Return the longest stretch of a logged series that is steady as a whole, averaged.

    Over the whole stretch (3 minutes at least, samples 10 s apart at most): O2 span, CO span and flue drift within
    the rule, the drift of the first three minutes too, one stage. Of two equally long ones the later counts.

    Parameters
    ----------
    times_s : array
        Increasing [s].
    columns : mapping
        Vocabulary key -> array of the same length; NaN = not read. ``o2_dry_pct`` is required.
    stage : sequence of str, optional
        Heat stage of each sample.
    rule : SteadyRule, optional

    Raises
    ------
    CombustError
        No O2, lengths that differ, times that do not increase, too many samples.

    Examples
    --------
    >>> clock = np.arange(0.0, 200.0, 5.0)
    >>> steady_window(clock, {"o2_dry_pct": 8.2 + 0.1 * np.sin(clock)}).steady
    True
    >>> steady_window(clock, {"o2_dry_pct": 8.0 + 0.5 * (clock > 100)}).steady
    False
    """
    rule = rule or steady_rule()
    series = _checked(times_s, columns, stage)
    clock = series.clock
    best: tuple[int, int] | None = None
    for first in range(len(clock)):
        last = _last_of(series.part(first, len(clock)), rule)
        if last and (best is None or clock[first + last] - clock[first] >= clock[best[1]] - clock[best[0]] - 1e-9):
            best = (first, first + last)
    if best is None:
        return SteadyResult(False, None, None, len(clock), {}, _why(series, rule), rule)
    part = series.part(best[0], best[1] + 1)
    begin, end = float(part.clock[0]), float(part.clock[-1])
    return SteadyResult(True, begin, end, len(part.clock), _means(part, rule), (), rule)


class _Series(NamedTuple):
    """A logged series: times [s], vocabulary key -> values, heat stage of each sample or None."""

    clock: Any
    data: dict[str, Any]
    stages: Any

    def part(self, first: int, end: int) -> _Series:
        """Return the samples from one to before another."""
        here = slice(first, end)
        stages = None if self.stages is None else self.stages[here]
        return _Series(self.clock[here], {key: column[here] for key, column in self.data.items()}, stages)


def _checked(times_s: Any, columns: Mapping[str, Any], stage: Sequence[str | None] | None) -> _Series:
    clock = np.asarray(times_s, dtype=float)
    data = {key: np.asarray(column, dtype=float) for key, column in columns.items()}
    stages = np.array([name or "" for name in stage], dtype=object) if stage is not None else None
    faults = []
    if "o2_dry_pct" not in data:
        hint = "Log O2 in vol %: whether the heater is steady is judged by it."
        faults.append(Fault("o2_dry_pct", None, "missing", why="is missing", hint=hint))
    if clock.ndim != 1 or any(column.shape != clock.shape for column in data.values()):
        why, hint = "has columns of different length", "Give a value, or an empty cell, at every time."
        faults.append(Fault("series", str(clock.shape), "format", why=why, hint=hint))
    elif stages is not None and stages.shape != clock.shape:
        why, hint = "has another length than the times", "Give the heat stage at every time, or leave it out."
        faults.append(Fault("stage", len(stages), "format", why=why, hint=hint))
    elif len(clock) > MOST_SAMPLES:
        hint = "Keep only the hour that counts."
        faults.append(Fault("series", len(clock), "too_large", why=f"has more than {MOST_SAMPLES} samples", hint=hint))
    elif len(clock) == 0 or not np.all(np.isfinite(clock)) or np.any(np.diff(clock) <= 0.0):
        why, hint = "do not increase from sample to sample", "Sort the samples by time [s] and keep each time once."
        faults.append(Fault("times_s", "given", "format", why=why, hint=hint))
    if faults:
        raise CombustError(faults)
    return _Series(clock, data, stages)


def _last_of(ahead: _Series, rule: SteadyRule) -> int | None:
    """Return the last sample of the longest steady stretch that begins with the first sample, or None."""
    near = ahead.part(0, int(np.searchsorted(ahead.clock, ahead.clock[0] + LONGEST_WINDOW_S, "right")))
    steady = near.clock - near.clock[0] >= rule.window_s - 1e-9
    if steady.any():
        for held, _ in _rules(near, rule):
            steady &= held
    return int(np.flatnonzero(steady)[-1]) if steady.any() else None


def _rules(series: _Series, rule: SteadyRule) -> Iterator[tuple[Any, str]]:
    """Yield each rule: where it holds from the first sample to each sample, and why not if not to the last one."""
    clock, data, unbroken = series.clock, series.data, np.logical_and.accumulate
    oxygen = data["o2_dry_pct"]
    missing, spans = np.isnan(oxygen), _spans(oxygen)
    why = f"O2 spans {spans[-1]:.2f} % in the calmest 3 min; {rule.o2_span_pct:g} % is allowed."
    if missing.any():
        why = f"O2 is missing in {many(int(missing.sum()), 'sample')} of the calmest 3 min."
    yield unbroken(~missing) & (spans <= rule.o2_span_pct + 1e-9), why
    steps = np.diff(clock, prepend=clock[0])
    yield (
        unbroken(steps <= rule.sample_s + 1e-9),
        f"Samples are {steps.max():.0f} s apart; {rule.sample_s:g} s at most.",
    )
    if "minutes_since_ignition" in data:
        early = data["minutes_since_ignition"] < rule.minutes_since_ignition
        yield unbroken(~early), f"Some of it was read less than {rule.minutes_since_ignition:g} min after ignition."
    if "co_dry_ppm" in data:
        co = data["co_dry_ppm"]
        known, spans = np.isfinite(co), _spans(co)
        mean = np.cumsum(np.where(known, co, 0.0)) / np.maximum(np.cumsum(known), 1)
        most = np.maximum(rule.co_span_ppm, rule.co_span_share * mean)
        yield ~(spans > most + 1e-9), f"CO spans {spans[-1]:.0f} ppm; {most[-1]:.0f} ppm is allowed."
    if "flue_temp_c" in data:
        drifts, most = _drifts(clock, data["flue_temp_c"]), rule.flue_drift_k_per_min
        yield ~(np.abs(drifts) > most + 1e-9), f"The flue drifts {drifts[-1]:+.1f} K/min; {most:g} K/min is allowed."
        # A long calm tail would hide a warm-up in the drift of the whole: its first three minutes hold by themselves.
        first = int(np.searchsorted(clock, clock[0] + rule.window_s - 1e-9))
        early = drifts[first] if first < len(clock) else 0.0
        calm = np.full(clock.shape, not abs(early) > most + 1e-9)
        yield calm, f"The flue drifts {early:+.1f} K/min in the first three minutes; {most:g} K/min is allowed."
    if series.stages is not None:
        yield unbroken(series.stages == series.stages[0]), "The stage changed."


def _spans(column: Any) -> Any:
    """Return highest less lowest from the first sample to each sample; samples that are NaN are passed over."""
    return np.fmax.accumulate(column) - np.fmin.accumulate(column)


def _drifts(times_s: Any, column: Any) -> Any:
    """Return the least-squares drift [1/min] from the first sample to each sample; NaN below three samples."""
    known = np.isfinite(column)
    minutes = (times_s - times_s[0]) / 60.0
    value = np.where(known, column - (np.nanmean(column) if known.any() else 0.0), 0.0)
    count = np.cumsum(known)
    t, y, tt, ty = (np.cumsum(part) for part in (minutes * known, value, minutes**2 * known, minutes * value))
    below = count * tt - t**2
    enough = (count >= 3) & (below > 1e-12)
    return np.where(enough, (count * ty - t * y) / np.where(enough, below, 1.0), np.nan)


def _means(series: _Series, rule: SteadyRule) -> dict[str, float]:
    clock, data = series.clock, series.data
    numbers = {key: column for key, column in data.items() if quantities()[key].kind == "number"}
    values = {key: float(np.nanmean(column)) for key, column in numbers.items() if np.isfinite(column).any()}
    blocks = np.minimum(((clock - clock[0]) / rule.mean_s).astype(int), int((clock[-1] - clock[0]) / rule.mean_s) - 1)
    repeats = int(blocks[-1]) + 1
    for key, name in REPEATED.items():
        if key in values:
            means = [np.nanmean(data[key][blocks == block]) for block in range(repeats)]
            values[name] = float(np.std(means, ddof=1))
    values["repeats"] = float(repeats)
    values["o2_span_over_3min_pct"] = float(np.ptp(data["o2_dry_pct"]))
    drift = _drifts(clock, data["flue_temp_c"])[-1] if "flue_temp_c" in values else np.nan
    values |= {"flue_drift_k_per_min": abs(float(drift))} if np.isfinite(drift) else {}
    # 8.5 - 8.2 is 0.3000000000000007 in binary: what was judged steady here must not be refused for it elsewhere.
    return {key: round(value, SUMMARY_DECIMALS) for key, value in values.items()}


def _why(series: _Series, rule: SteadyRule) -> tuple[str, ...]:
    """Return what kept the calmest window of the required length from being steady."""
    clock = series.clock
    length = clock[-1] - clock[0]
    if length < rule.window_s:
        return (f"The series covers {length / 60.0:.1f} min; {rule.window_s / 60.0:g} min are needed.",)
    ends = np.searchsorted(clock, clock + rule.window_s - 1e-9)
    windows = [series.part(first, last + 1) for first, last in enumerate(ends) if last < len(clock)]
    spans = [np.nan_to_num(_spans(window.data["o2_dry_pct"])[-1], nan=np.inf) for window in windows]
    reasons = [[why for held, why in _rules(window, rule) if not held[-1]] for window in windows]
    return tuple(min(zip(map(len, reasons), spans, reasons, strict=True))[2])


def visit_procedure(path: str | None = None) -> list[dict[str, Any]]:
    """Return the parts of a visit (key, title, steps): the shipped ones or a user's TOML file with the same [[part]].

    Raises
    ------
    CombustError
        The file cannot be read or a part lacks key, title or steps.
    """
    table = load_table("visit_procedure") if path is None else read_toml(path, quantity="procedure")
    return need_rows(table.get("part"), "part", PART)
