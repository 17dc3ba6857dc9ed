"""What a class sees at the wall: the heater in plain lines, and the strip of the last half hour of its time."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache

from combust.application.trainer.class_heater import SAMPLE_S, STRIP_POINTS, Sample
from combust.application.trainer.display import FULL_C, SimulatedDisplay
from combust.data.tables import load_table
from combust.edge.figures.svg import Scale

BURNS_FROM = 0.3  # of the chamber's bar: from there the flame is drawn
FLAME_LOW, FLAME_HIGH = 26.0, 74.0
BAR_WIDTH = 310.0
GLOWS_FROM = 0.45  # of the glow's bar
O2_FULL, O2_STEP, FLUE_FULL, FLUE_STEP = 21.0, 7.0, 600.0, 200.0
PANEL = (404.0, 214.0)  # width, height of one panel
LEFT, RIGHT, TOP, FOOT = 76.0, 14.0, 44.0, 34.0
CO_LEFT = 156.0
TITLES = ("o2", "co", "flue")
ON_A_PHONE = (120, ("o2", "flue"))  # ten minutes: whether it stands still


@dataclass(frozen=True, slots=True)
class HeaterPicture:
    """The heater as it is drawn, from what one sees and hears at it: nothing hidden is shown.

    Attributes
    ----------
    flame : float
        Height of the flame, 0 = none: it follows the chamber's bar.
    glows, fuel, air : bool
        Whether glow element, pump and blower are heard or seen at work.
    bars : tuple of (str, float, str)
        Name and length of glow, chamber and wall, and what a full bar stands for [°C].
    told : str
        The same in words.
    """

    flame: float
    glows: bool
    fuel: bool
    air: bool
    bars: tuple[tuple[str, float, str], ...]
    told: str


def heater_picture(display: SimulatedDisplay) -> HeaterPicture:
    """Return the drawing of a heater from what one sees at it.

    Parameters
    ----------
    display : SimulatedDisplay
    """
    bars, still = display.bars, ("off", "stopped", "locked", "no_power", "standby")
    share = (bars["chamber"] - BURNS_FROM) / (1.0 - BURNS_FROM)
    flame = FLAME_LOW + share * (FLAME_HIGH - FLAME_LOW) if share > 0.0 else 0.0
    seen = {
        "air": display.phase not in still if display.blower_rpm is None else display.blower_rpm > 0.0,
        "fuel": display.pump_hz > 0.0,
        "glow": bars["glow"] >= GLOWS_FROM,
        "flame": flame > 0.0,
    }
    told = ", ".join(f"{name} {'on' if on else 'off'}" for name, on in seen.items())
    lengths = tuple((name, round(BAR_WIDTH * length, 1), f"{FULL_C[name]:.0f}") for name, length in bars.items())
    return HeaterPicture(round(flame, 1), seen["glow"], seen["fuel"], seen["air"], lengths, told)


@dataclass(frozen=True, slots=True)
class Panel:
    """One quantity over the time of the heater.

    Attributes
    ----------
    title : str
        Name of its text.
    left : float
        Where its frame begins.
    lines : tuple of str
        Points of each piece of its line, as SVG takes them.
    ticks : tuple of (str, float)
        What stands at its axis, and at which height.
    """

    title: str
    left: float
    lines: tuple[str, ...]
    ticks: tuple[tuple[str, float], ...]


@dataclass(frozen=True, slots=True)
class Strip:
    """O2, CO in bands and flue gas over the last half hour of the heater, as they are drawn.

    Attributes
    ----------
    begin_min, end_min : float
        Time of the heater at both ends [min].
    """

    panels: tuple[Panel, ...]
    begin_min: float
    end_min: float
    width: float = PANEL[0]
    height: float = PANEL[1]
    right: float = PANEL[0] - RIGHT
    top: float = TOP
    foot: float = PANEL[1] - FOOT


def strip(samples: Sequence[Sample], points: int = STRIP_POINTS, titles: Sequence[str] = TITLES) -> Strip:
    """Return the strip of some samples; what was no flue gas has no band of CO, and its line is broken there.

    Parameters
    ----------
    samples : sequence of Sample
    points : int
        How many samples it is long.
    titles : sequence of str
        Which of its panels are drawn.
    """
    return _strip(tuple(samples[-points:]), points, tuple(titles))


@lru_cache(maxsize=64)
def _strip(samples: tuple[Sample, ...], points: int, titles: tuple[str, ...]) -> Strip:
    """Draw a strip once for all who look at it."""
    end = samples[-1].time_s if samples else 0.0
    begin = max(0.0, end - SAMPLE_S * points)
    words = load_table("trainer_scenarios")["co_band"]["words"]
    hottest = max((one.flue_temp_c for one in samples), default=0.0)
    most = max(FLUE_FULL, FLUE_STEP * (hottest // FLUE_STEP + 1.0))
    o2s = tuple(O2_STEP * step for step in range(4 + any(one.o2_dry_pct > O2_FULL for one in samples)))
    flues = tuple(FLUE_STEP * step for step in range(int(most / FLUE_STEP) + 1))
    panels = (
        _panel("o2", LEFT, (0.0, o2s[-1]), [(one.time_s, one.o2_dry_pct) for one in samples], (begin, end),
               [(f"{value:g}", value) for value in o2s]),
        _panel("co", CO_LEFT, (-0.3, len(words) - 0.7), _bands(samples, words), (begin, end),
               [(word, float(level)) for level, word in enumerate(words)]),
        _panel("flue", LEFT, (0.0, most), [(one.time_s, one.flue_temp_c) for one in samples], (begin, end),
               [(f"{value:g}", value) for value in flues]),
    )  # fmt: skip
    return Strip(tuple(one for one in panels if one.title in titles), round(begin / 60.0, 1), round(end / 60.0, 1))


def _bands(samples: Iterable[Sample], words: Sequence[str]) -> list[tuple[float, float | None]]:
    return [(one.time_s, float(words.index(one.co_band)) if one.co_band in words else None) for one in samples]


def _panel(
    title: str,
    left: float,
    band: tuple[float, float],
    values: Iterable[tuple[float, float | None]],
    times: tuple[float, float],
    ticks: Iterable[tuple[str, float]],
) -> Panel:
    across = Scale(times[0], max(times[1], times[0] + SAMPLE_S), left, PANEL[0] - RIGHT)
    up = Scale(band[0], band[1], PANEL[1] - FOOT, TOP)
    pieces: list[list[str]] = [[]]
    for at, value in values:
        if value is None:
            pieces.append([])
        else:
            pieces[-1].append(f"{across(at)},{up(value)}")
    lines = tuple(" ".join(piece) for piece in pieces if piece)
    return Panel(title, left, lines, tuple((text, up(value)) for text, value in ticks))
