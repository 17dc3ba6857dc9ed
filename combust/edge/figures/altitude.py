"""Figures of altitude: a heater's map over height and temperature, its ceiling, and the fleet against its limits."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from combust.application.fleet.rules import stays_off
from combust.application.heater.healthy import HealthyStage
from combust.application.site.derating import derating_columns
from combust.application.site.effect import CURVE_TEMPS_C, ceiling_by_temperature
from combust.domain.result import many
from combust.edge.figures.style import GREY, INK, LINE, MARK, legend, note, sheet, source_line, title, type_size
from combust.kernel.altitude import lambda_from_surface

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from combust.application.fleet.plan import FleetPlan

SOURCE = "Air: ISO 2533:1975. Lambda in full: air density, fuel density and hot gas with stated priors."
MOST_BARS = 60
NO_TRIM = "Below the dotted line no fuel is trimmed (lambda is above its baseline): heat goes by fuel density."
LEGEND_ROOM = 0.25  # of an axis, kept free for a legend of two rows


def draw_derating(base: HealthyStage, *, minimum: float, name: str = "heater", presenter: bool = False) -> Figure:
    """Draw full lambda over height and temperature, and the useful heat with lambda kept.

    Cividis: colour-blind readers tell it apart, and it is even in grey; contour lines carry their numbers. The hatched
    part lies below the minimum lambda, up to the thick line. The contours of heat bend at the dotted line: below it the
    fuel is not trimmed.

    Parameters
    ----------
    base : HealthyStage
    minimum : float
        Lowest lambda accepted [-].
    name : str
        What the title calls the heater.
    presenter : bool
        Whether it is drawn for a projector: no type under 18 pt where it fills a slide.
    """
    from matplotlib.colors import to_hex
    from matplotlib.patheffects import withStroke

    heights, temps = np.linspace(0.0, 4500.0, 61), np.linspace(-40.0, 40.0, 41)
    grid = np.meshgrid(heights, temps, indexing="ij")
    lambdas = derating_columns(base, *(part.ravel() for part in grid))
    columns = {key: values.reshape(grid[0].shape) for key, values in lambdas.items()}
    heat = columns["useful_heat_full_kw"]
    share = np.isnan(heat).all()
    shown = 100.0 * (1.0 + columns["fuel_trim_full_pct"] / 100.0) if share else heat
    panels = (
        (columns["air_ratio_full"], "lambda (air ratio), fuel not trimmed"),
        (shown, "fuel left when trimmed (%)" if share else "useful heat, lambda kept (kW)"),
    )
    figure, plots = sheet(1, 2, presenter=presenter, size=(9.0, 4.2), sharey=True)
    for plot, (values, words) in zip(plots, panels, strict=True):
        levels = round_levels(values)
        plot.contourf(temps, heights, values, levels=levels, cmap="cividis", extend="both")
        tones = ["white" if level < (levels[0] + levels[-1]) / 2.0 else INK for level in levels]
        lines = plot.contour(temps, heights, values, levels=levels, colors=tones, linewidths=0.7)
        for word in plot.clabel(lines, fmt="%.4g", fontsize=type_size(plot, 8), colors=tones):
            edge = INK if to_hex(word.get_color()) == "#ffffff" else "white"  # to be read on the hatching too
            word.set_path_effects([withStroke(linewidth=1.6, foreground=edge)])
        low = [-1.0, minimum]
        plot.contourf(temps, heights, columns["air_ratio_full"], levels=low, colors="none", hatches=["//"])
        edges = plot.contour(temps, heights, columns["air_ratio_full"], levels=[minimum], colors=INK, linewidths=1.8)
        edges.set(path_effects=[withStroke(linewidth=3.4, foreground="white")])  # to be seen on the dark end too
        title(plot, words)
        plot.set_xlabel("intake air (°C)")
        _heater_limit(plot, base)
    plots[0].set_ylabel("height above sea level (m)")
    bends = [base.air_ratio]  # of the contours of heat: the fuel is never trimmed upward
    plots[1].contour(temps, heights, columns["air_ratio_full"], levels=bends, colors=INK, linestyles=":")
    limited = base.heater is not None and base.heater.limits.altitude_m is not None
    pale = "; pale = above its own limit, heater off" if limited else ""
    figure.suptitle(
        f"{name}: hatched = full lambda below {minimum:g}{pale}", x=0.01, ha="left", fontsize=type_size(figure, 10)
    )
    source_line(figure, f"{NO_TRIM}\n{SOURCE}")
    lowest = float(np.nanmin(columns["air_ratio_full"]))
    figure.set_label(
        f"Two maps over height 0 to 4500 m and intake air -40 to 40 °C for {name}. Lambda falls with height and with "
        f"warmth, to {lowest:.2f} at the warm high corner; heat with lambda kept falls likewise. {NO_TRIM}"
    )
    return figure


def round_levels(values: Any, about: int = 11) -> Any:
    """Return round numbers through a range of values, about so many, one below it and one above.

    Examples
    --------
    >>> [round(float(one), 2) for one in round_levels([0.93, 1.72], 8)]
    [0.9, 1.0, 1.1, 1.2, 1.3, 1.4, 1.5, 1.6, 1.7, 1.8]
    """
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    rough = max(high - low, 1e-5) / about
    power = 10.0 ** np.floor(np.log10(rough))
    step = next(one * power for one in (1.0, 2.0, 5.0, 10.0) if one * power >= rough * (1.0 - 1e-9))
    return step * np.arange(np.floor(low / step + 1e-9), np.ceil(high / step - 1e-9) + 1)


def _heater_limit(plot: Any, base: HealthyStage) -> None:
    limit = base.heater.limits.altitude_m if base.heater else None
    if limit is not None:
        plot.axhline(limit, color=MARK, linewidth=1.4, linestyle="--")
        top = plot.get_ylim()[1]
        if limit < top:  # nothing above it is a place for this heater
            plot.axhspan(limit, top, facecolor="white", alpha=0.55, zorder=2.5)
        box = {"facecolor": INK, "edgecolor": "none", "pad": 1.5}
        note(
            plot,
            f"heater's own limit {limit:.0f} m",
            (-39, limit),
            (0, 3),
            color="white",
            bbox=box,
        )


def draw_ceiling(base: HealthyStage, *, minimum: float, name: str = "heater", presenter: bool = False) -> Figure:
    """Draw the highest site that keeps lambda at its minimum against temperature, by dry-air density and in full.

    Parameters
    ----------
    base : HealthyStage
    minimum : float
        Lowest lambda accepted [-].
    name : str
        What the title calls the heater.
    presenter : bool
        Whether it is drawn for a projector: no type under 18 pt where it fills a slide.
    """
    temps = np.linspace(CURVE_TEMPS_C[0], CURVE_TEMPS_C[-1], 81)
    by_density, full = ceiling_by_temperature(base, temps, minimum)
    figure, plot = sheet(presenter=presenter, size=(6.4, 4.2))
    plot.plot(temps, by_density, color=LINE, label="dry-air density alone")
    plot.plot(temps, full, color=MARK, linestyle="--", label="with fuel density and hot gas")
    limit = base.heater.limits.altitude_m if base.heater else None
    if limit is not None:
        plot.axhline(limit, color=INK, linewidth=1.0, linestyle=":", label="heater's own limit: it decides")
    plot.set(xlabel="intake air (°C)", ylabel=f"highest site with lambda ≥ {minimum:g} (m)")
    title(plot, f"{name}: cold air buys height")
    legend(plot)
    source_line(figure, SOURCE)
    figure.set_label(
        f"Highest site that keeps lambda at {minimum:g} against intake temperature for {name}: falling lines, the full "
        "account below the one by dry-air density alone."
    )
    return figure


def draw_nights(
    base: HealthyStage,
    *,
    altitude_m: float,
    minimum: float,
    nights_c: Any = (),
    name: str = "heater",
    presenter: bool = False,
) -> Figure:
    """Draw the three lambdas at one height over the temperature of the night, and the nights of a season below.

    Parameters
    ----------
    base : HealthyStage
    altitude_m : float
        Height [m]; the standard atmosphere gives the pressure.
    minimum : float
        Lowest lambda accepted [-].
    nights_c : sequence of float
        Temperatures of the nights of use [°C], drawn as ticks at the foot.
    name : str
        What the title calls the heater.
    presenter : bool
        Whether it is drawn for a projector: no type under 18 pt where it fills a slide.
    """
    temps, nights = np.linspace(-35.0, 25.0, 121), np.asarray(nights_c, dtype=float)
    lambdas = lambda_from_surface(base.surface, altitude_m=altitude_m, temp_c=temps)
    full, width = lambdas.air_ratio_full, 2.0 * lambdas.air_ratio_full_u
    spans = [f"{part[0]:.2f} to {part[-1]:.2f}" for part in (lambdas.air_ratio, full)]
    figure, plot = sheet(presenter=presenter, size=(6.8, 4.4))
    plot.fill_between(temps, full - width, full + width, color=MARK, alpha=0.15, linewidth=0)
    plot.plot(temps, lambdas.air_ratio, color=LINE, label="dry-air density alone")
    plot.plot(temps, lambdas.air_ratio_with_fuel_density, color=INK, linestyle=":", label="with fuel density")
    plot.plot(temps, full, color=MARK, linestyle="--", label="full: with hot gas; band 95 %")
    plot.axhline(minimum, color=GREY, linewidth=1.0, label=f"minimum {minimum:g}")
    foot, top = min(float((full - width).min()), minimum) - 0.15, max(float((full + width).max()), minimum)
    plot.set(xlabel="intake air (°C)", ylabel="lambda (air ratio)", xlim=(-35, 25))
    plot.set_ylim(foot, top + LEGEND_ROOM * (top - foot))
    at_night = lambda_from_surface(base.surface, altitude_m=altitude_m, temp_c=nights)
    below = int((at_night.air_ratio_full < minimum).sum())
    scan = f"full lambda below {minimum:g} in {below} of {many(len(nights), 'night')} drawn" if len(nights) else ""
    if scan:
        plot.plot(nights, np.full(len(nights), foot + 0.05), linestyle="none", marker="|", markersize=11, color=INK,
                  label="nights of the season")  # fmt: skip
    title(plot, f"{name} at {altitude_m:.0f} m" + (f": {scan}" if scan else ""))
    legend(plot, loc="upper right", ncols=3)
    source_line(figure, SOURCE)
    figure.set_label(
        f"Three lambdas of {name} at {altitude_m:.0f} m against intake air of -35 to 25 °C, falling with warmth: by "
        f"dry-air density {spans[0]}, in full {spans[1]}. "
        f"{scan}".strip()
    )
    return figure


def draw_margins(plan: FleetPlan, *, presenter: bool = False) -> Figure:
    """Draw each site's vehicles: height margin to the heater's own limit against the margin of full lambda.

    Parameters
    ----------
    plan : FleetPlan
    presenter : bool
        Whether it is drawn for a projector: no type under 18 pt where it fills a slide.
    """
    frame = plan.vehicles
    groups = (("needs a kit or may not run", MARK, "X", "right"), ("within the heater's own limit", LINE, "o", "left"))
    off = stays_off(frame)
    figure, plot = sheet(presenter=presenter, size=(7.2, 4.6))
    for (label, colour, marker, side), rows in zip(groups, (off, ~off), strict=True):
        at = frame.loc[rows, ["margin_m", "margin_air_ratio"]].dropna().to_numpy(dtype=float)
        plot.scatter(*at.T, c=colour, marker=marker, s=34, label=f"{label}: {rows.sum()}", rasterized=True)
        for x, y, count in stacks(at):
            shift = (-8 if side == "right" else 8, 3)
            note(plot, f"{count:.0f}", (x, y), shift, color=colour, ha=side)
    plot.axvline(0.0, ymax=1.0 - LEGEND_ROOM / 2.0, color=INK, linewidth=0.8)
    plot.axhline(0.0, color=INK, linewidth=0.8, linestyle=":")
    plot.set(xlabel="left to the limit that counts (m)", ylabel="lowest full lambda less its minimum (-)")
    title(plot, "The heater's limit decides (left of the line: off). Numbers count vehicles at one place")
    plot.set_ylim(plot.get_ylim()[0], plot.get_ylim()[1] + LEGEND_ROOM / 2.0 * np.ptp(plot.get_ylim()))
    legend(plot, loc="upper left", ncols=2)
    source_line(figure, SOURCE)
    figure.set_label(
        f"{int(off.sum())} of {many(len(frame), 'vehicle')} left of the line where metres to the limit are negative."
    )
    return figure


def stacks(at: Any, cells: int = 14) -> Any:
    """Return where marks stand on or beside each other, and how many: (x, y of the one nearest the side, count).

    Parameters
    ----------
    at : array of shape (n, 2)
        Places of the marks.
    cells : int
        Into how many parts either axis is cut; marks of one cell are counted together.
    """
    if not len(at):
        return np.empty((0, 3))
    wide = np.maximum(np.ptp(at, axis=0), 1e-9) / cells
    _, cell, counts = np.unique(np.floor(at / wide), axis=0, return_inverse=True, return_counts=True)
    cell = cell.reshape(-1)
    middle = np.array([at[cell == one].mean(axis=0) for one in range(len(counts))])
    return np.column_stack([middle, counts])[counts > 1]


def draw_heat(plan: FleetPlan, *, presenter: bool = False) -> Figure:
    """Draw heat wanted and heat there on the design night, one bar a place and heater, sorted by what is missing.

    Parameters
    ----------
    plan : FleetPlan
    presenter : bool
        Whether it is drawn for a projector: no type under 18 pt where it fills a slide.
    """
    frame = plan.vehicles.groupby(["site_id", "heater"], sort=False, as_index=False).agg(
        demand=("heat_demand_kw", "max"), heat=("useful_heat_full_kw", "min"), count=("vehicle_id", "size")
    )
    frame = frame.assign(gap=frame["demand"] - frame["heat"]).sort_values("gap").tail(MOST_BARS)
    names = [f"{row.site_id}, {row.heater} ({row.count})" for row in frame.itertuples(index=False)]
    places = np.arange(len(frame))
    figure, plot = sheet(presenter=presenter, size=(7.2, 1.4 + 0.24 * len(frame)))
    plot.barh(places, frame["heat"], height=0.55, color=LINE, label="heat there, lambda kept (lowest)")
    plot.plot(
        frame["demand"], places, linestyle="none", marker="D", markersize=5, color=MARK, label="heat wanted (highest)"
    )
    plot.set_yticks(places, names, fontsize=type_size(plot, 8))
    plot.set(xlabel="heat on the design night (kW)", ylabel="place, heater (vehicles)")
    title(plot, "Where the diamond stands beyond the bar the cab stays cold")
    legend(figure, loc="outside lower center", ncols=2)
    short = int((frame["gap"] > 0).sum())
    figure.set_label(
        f"Bars of heat and diamonds of demand for {many(len(frame), 'place')}; at {short} the demand is larger."
    )
    return figure
