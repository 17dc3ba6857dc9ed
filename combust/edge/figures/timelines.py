"""Figures of a visit: the start as a timeline, a heater over the winters."""

from __future__ import annotations

import datetime
from typing import TYPE_CHECKING, Any

import numpy as np

from combust.application.history.history_result import HeaterHistory
from combust.application.history.visit_points import DAYS_PER_YEAR
from combust.application.visit.start import StartTimeline
from combust.domain.result import many
from combust.edge.figures.style import INK, LINE, MARK, legend, note, sheet, title

if TYPE_CHECKING:
    from matplotlib.figure import Figure

LANES = ("blower", "pump", "glow")
ON_TONE, MAYBE_TONE = 0.6, 0.25


def draw_start(timeline: StartTimeline, *, presenter: bool = False) -> Figure:
    """Draw a start whose attempts all fail: glow, pump and blower over time, the earliest restart, a power cut.

    Parameters
    ----------
    timeline : StartTimeline
    presenter : bool
        Whether it is drawn for a projector: no type under 18 pt where it fills a slide.

    Returns
    -------
    matplotlib Figure
        Its label is the alt text.
    """
    figure, plot = sheet(presenter=presenter, size=(7.2, 3.8))
    for phase in timeline.phases:
        _bars(plot, phase, timeline.cut_at_s)
        plot.axvline(phase.begin_s, color=INK, linewidth=0.4, linestyle=":")
    end = timeline.phases[-1].end_s
    if timeline.earliest_restart_s is not None:
        plot.axvline(end, color=INK, linewidth=1.2)
        note(plot, f"restart not before {end:.0f} s", (end, 2.62), (-4, 0), ha="right")
    if timeline.cut_at_s is not None:
        plot.axvline(timeline.cut_at_s, color=MARK, linewidth=1.6, linestyle="--")
        note(plot, "power cut", (timeline.cut_at_s, -0.62), (3, 0), color=MARK)
    legend(figure, loc="outside lower center", ncols=3, handles=_blower_key(timeline))
    plot.set_yticks(range(3), LANES)
    plot.set(xlabel="time after switch-on (s)", ylim=(-0.8, 2.9), xlim=(0, end * 1.02))
    fuel = timeline.fuel_ml_last
    dosed = "fuel cannot be told" if fuel is None else f"{fuel:.1f} ml of fuel dosed"
    attempts = sum(phase.name == "attempt" for phase in timeline.phases)
    failed = "A start whose attempt fails" if attempts == 1 else f"A start whose {attempts} attempts fail"
    cut = f"; power cut at {timeline.cut_at_s:.0f} s" if timeline.cut_at_s is not None else ""
    title(plot, f"{failed}: {dosed}{cut}")
    summary = f"{many(attempts, 'attempt')}, {dosed}"
    summary += f", restart not before {end:.0f} s" if timeline.earliest_restart_s is not None else ""
    figure.set_label(f"Timeline of a failed start with lanes for glow, pump and blower: {summary}{cut}.")
    return figure


def _blower_key(timeline: StartTimeline) -> list[Any]:
    """Return the legend of the blower's tones: runs, may run, and what a power cut takes away."""
    from matplotlib.patches import Patch

    key = [Patch(facecolor=INK, alpha=ON_TONE, label="blower runs")]
    if any(phase.blower == "either" for phase in timeline.phases):
        key.append(Patch(facecolor=INK, alpha=MAYBE_TONE, label="blower may run or stand"))
    if timeline.cut_at_s is not None:
        key.append(Patch(facecolor="none", edgecolor=INK, linestyle="--", label="taken away by the power cut"))
    return key


def _bars(plot: Any, phase: Any, cut_at_s: float | None) -> None:
    """Draw one phase's bars; what a power cut prevents is drawn empty."""
    stop = phase.end_s if cut_at_s is None else min(max(cut_at_s, phase.begin_s), phase.end_s)
    # Told apart in grey by hatch as well as by tone.
    lanes = (
        (2, phase.glow, MARK, "///"),
        (1, phase.name == "attempt", LINE, "..."),
        (0, phase.blower != "off", INK, ""),
    )
    for lane, on, colour, hatch in lanes:
        if not on:
            continue
        maybe = lane == 0 and phase.blower == "either"
        style = {"facecolor": colour, "alpha": MAYBE_TONE if maybe else ON_TONE, "hatch": hatch, "edgecolor": colour}
        if stop > phase.begin_s:
            plot.broken_barh([(phase.begin_s, stop - phase.begin_s)], (lane - 0.3, 0.6), **style)
        if stop < phase.end_s:
            plot.broken_barh([(stop, phase.end_s - stop)], (lane - 0.3, 0.6), facecolor="none", edgecolor=colour,
                             linestyle="--")  # fmt: skip


def draw_history(found: HeaterHistory, *, presenter: bool = False) -> Figure:
    """Draw a heater's lambda at reference air over the winters: visits, line with 95 % band, limit, crossing dates.

    Parameters
    ----------
    found : HeaterHistory
    presenter : bool
        Whether it is drawn for a projector: no type under 18 pt where it fills a slide.

    Returns
    -------
    matplotlib Figure
        Its label is the alt text.
    """
    figure, plot = sheet(presenter=presenter, size=(7.2, 4.2))
    usual = float(np.median([point.relative_u for point in found.points]))
    for after, marker, label in ((False, "o", "visit"), (True, "s", "after work")):
        some = [point for point in found.points if point.after == after]
        if some:
            ratios = np.array([point.air_ratio for point in some])
            bars = 2 * ratios * [point.relative_u / usual * found.scatter_pct / 100.0 for point in some]
            plot.errorbar([point.date for point in some], ratios, yerr=bars, fmt=marker, color=INK, capsize=3,
                          label=f"{label}, ± 95 %")  # fmt: skip
    _history_line(plot, found)
    richer = found.trend is not None and found.trend.slope < 0.0
    for limit, colour, words, left in (
        (found.limit, MARK, "lowest lambda", richer),
        (found.highest, INK, "lean end of the band", not richer),
    ):
        if limit is not None:  # the words stand at the side that the line is far from
            plot.axhline(limit, color=colour, linestyle="--")
            side, anchor = (0.01, "left") if left else (0.99, "right")
            at = {"xycoords": plot.get_yaxis_transform(), "ha": anchor}
            box = {"facecolor": "white", "edgecolor": "none", "pad": 1.0}
            note(plot, f"{words} {limit:.2f}", (side, limit), (0, 4), color=colour, bbox=box, zorder=4, **at)
    if found.step is not None:
        middle = found.step.before + (found.step.after - found.step.before) / 2
        plot.axvline(middle, color=INK, linestyle="-.", label=f"step of {found.step.size_pct:+.0f} %?")
    plot.set(xlabel="date of the visit", ylabel="lambda (air ratio) at reference air")
    low, high = plot.get_ylim()
    plot.set_ylim(low, high + 0.08 * (high - low))  # room for the words of a band's end below the title
    verdict = f"HEATER OFF by its last visit; {found.verdict}" if found.stopped else found.verdict
    plot.axvline(found.on, color=INK, linestyle=":", label=f"asked: {found.on}")
    title(plot, f"{found.heater_id or 'heater'}, stage {found.stage or 'not stated'}: {verdict}")
    legend(figure, loc="outside lower center", ncols=4)
    figure.autofmt_xdate()
    figure.set_label(
        f"Lambda at reference air over {many(len(found.points), 'visit')} of {found.heater_id}: {verdict}."
    )
    return figure


def _history_line(plot: Any, found: HeaterHistory) -> None:
    """Draw the line of the present segment with its band, a year ahead and past the day that is asked about."""
    trend = found.trend
    if trend is None or not np.isfinite(trend.slope):
        return
    last = found.points[-1]
    first = next(point for point in found.points if point.segment == last.segment)
    days = np.linspace((first.date - last.date).days, max(366, (found.on - last.date).days + 30), 60)
    years = days / DAYS_PER_YEAR
    line = trend.level + trend.slope * years
    u = np.sqrt(trend.variance_level + 2 * years * trend.covariance + years**2 * trend.variance_slope)
    dates = [last.date + datetime.timedelta(days=float(day)) for day in days]
    plot.plot(dates, np.exp(line), color=LINE, label="line of the forecast")
    plot.fill_between(
        dates, np.exp(line - 2 * u), np.exp(line + 2 * u), color=LINE, alpha=0.15, label="95 % of the line"
    )
