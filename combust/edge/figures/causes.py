"""Figures of the ranking of causes: how each check moved the probabilities."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from combust.application.causes.catalogue import shipped_priors
from combust.application.causes.checks import ENTERED_WITH, NEW_ROW, checks_done
from combust.application.causes.rank import rank_causes
from combust.application.causes.stage_reading import Values
from combust.application.learning.learnt import Learnt
from combust.data.units import chance_in_words
from combust.domain.catalogue import Catalogue
from combust.domain.heater import Heater
from combust.domain.result import many
from combust.edge.figures.style import FOURTH, GREY, LINE, MARK, THIRD, legend, sheet, title

if TYPE_CHECKING:
    from matplotlib.figure import Figure

# Okabe and Ito (2008): safe for colour-blind readers; hatches tell them apart in grey.
LOOKS = ((LINE, ""), (MARK, "///"), (THIRD, "..."), ("#E69F00", "xxx"), ("#56B4E9", "\\\\\\"), (FOURTH, "+++"))
SHOWN = 6


def evidence_in_steps(readings: Sequence[Values]) -> list[tuple[str, list[dict[str, object]]]]:
    """Return the evidence of one visit step by step: the first gas reading, then each check in the order of the table.

    Each step is (name of the check, readings known after it).
    """
    checks = shipped_priors().checks
    done = checks_done(readings)
    columns_of = {name: checks[name].columns for name in checks if name in done}
    later = {column for columns in columns_of.values() for column in columns}
    later -= {"o2_dry_pct", "co_dry_ppm", "flue_temp_c"}
    main = next((row for row in readings if row.get("arrangement", "as_installed") == "as_installed"), readings[0])
    known = [{key: value for key, value in main.items() if key not in later}]
    steps = [("first reading", [dict(row) for row in known])]
    for name, columns in columns_of.items():
        if name in NEW_ROW:
            new = [dict(row) for row in readings if _is_of(name, row, main)]
            known = known + new
        else:
            keys = [key for column in columns for key in (column, *ENTERED_WITH.get(column, ()))]
            extra = {key: main[key] for key in keys if key in main}
            if not extra or all(key in known[0] for key in extra):
                continue
            known = [{**known[0], **extra}, *known[1:]]
        steps.append((name, [dict(row) for row in known]))
    return steps


def _is_of(name: str, row: Values, main: Values) -> bool:
    if name == "second_stage":
        return row.get("stage") != main.get("stage") and row.get("arrangement", "as_installed") == "as_installed"
    return row.get("arrangement") == name


def draw_steps(
    heater: Heater,
    readings: Sequence[Values],
    *,
    seed: int = 1,
    pairs: bool = True,
    catalogue: Catalogue | None = None,
    learnt: Learnt | None = None,
    name: str = "",
    presenter: bool = False,
) -> Figure:
    """Draw how the prior, the first reading and each check moved the probabilities of the causes of one visit.

    Parameters
    ----------
    heater : Heater
    readings : sequence of Reading
        Rows of one visit.
    seed : int
    pairs : bool
    catalogue : mapping, optional
        Fuels beside the shipped ones.
    learnt : Learnt, optional
        What a logbook taught.
    name : str
        Of the visit; default that of its rows.
    presenter : bool
        Whether it is drawn for a projector: no type under 18 pt where it fills a slide.

    Returns
    -------
    matplotlib Figure
        Its label (``figure.get_label()``) is the alt text.
    """
    context = ("stage", "location", "altitude_m", "pressure_hpa", "intake_temp_c", "fuel")
    empty = [{key: value for key, value in readings[0].items() if key in context}]
    steps = [("before any reading", empty), *evidence_in_steps(readings)]
    how: dict[str, Any] = {"seed": seed, "pairs": pairs, "next_checks": False, "catalogue": catalogue}
    how["learnt"] = learnt
    found = [rank_causes(heater, rows, **how)[0] for _, rows in steps]
    shares = [{one.cause: one.probability for one in visit.causes} for visit in found]
    best = sorted(shares[-1], key=lambda name: -max(share.get(name, 0.0) for share in shares[1:]))[:SHOWN]
    best.sort(key=lambda name: -shares[-1].get(name, 0.0))
    figure, plot = sheet(presenter=presenter, size=(7.2, 1.4 + 0.42 * len(steps)))
    places, start = np.arange(len(steps))[::-1], np.zeros(len(steps))
    for one, (color, hatch) in zip([*best, "all others"], [*LOOKS[: len(best)], (GREY, "")], strict=True):
        width = np.array([share.get(one, 0.0) for share in shares]) if one in best else 1.0 - start
        label = shipped_priors().causes[one].label if one in best else one
        plot.barh(places, 100.0 * width, left=100.0 * start, color=color, hatch=hatch, edgecolor="white", label=label)
        start += width
    plot.set_yticks(places, [step.replace("_", " ") for step, _ in steps])
    plot.set(xlim=(0.0, 100.0), xlabel="probability (%)")
    state = (
        "STOP condition: see the findings first" if found[-1].stop else "no stop condition found in what was entered"
    )
    visit = f"Visit {name or readings[0].get('visit_id') or 'without a name'}"
    title(plot, f"{visit}: how each check moved the causes\n{state}")
    legend(figure, loc="outside lower center", ncols=3)
    last = ", ".join(f"{one} {chance_in_words(shares[-1].get(one, 0.0))}" for one in best[:3])
    figure.set_label(
        f"{visit}, {state}. Stacked bars of the probabilities of causes after each of {many(len(steps), 'step')}. "
        f"At the end: {last}."
    )
    return figure
