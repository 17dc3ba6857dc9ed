"""What was learnt of the structure of a type of heater, beside what was believed before."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from combust.data.tables import load_table
from combust.edge.figures.chart import Axis, Chart
from combust.edge.figures.style import GREY, LINE

LEFT, RIGHT = -3.0, 3.0


def learnt_chart(structure: Mapping[str, Mapping[str, float]]) -> Chart:
    """Return each row of the structure as a bar of 95 % in standard deviations of its shipped prior, the prior behind.

    Parameters
    ----------
    structure : mapping
        Name -> ``shift`` and ``spread`` in standard deviations of the shipped prior, as
        :class:`~combust.application.learning.learnt.Learnt` holds them.
    """
    meanings: Any = load_table("learnt")["structure"]
    names = list(structure)
    places = [float(len(names) - number) for number in range(len(names))]
    told = [f"{name}: {structure[name]['shift']:+.1f} ± {2.0 * structure[name]['spread']:.1f}." for name in names]
    chart = Chart(
        "What the visits taught of this type of heater",
        " ".join(["In standard deviations of the shipped prior, 95 %.", *told]),
        Axis("shift [sd of the shipped prior]", LEFT, RIGHT, (-2.0, -1.0, 0.0, 1.0, 2.0)),
        Axis(
            "",
            0.4,
            len(names) + 0.6,
            places,
            [str(meanings[name].get("short", name)).replace("_", " ") for name in names],
        ),
    )
    for name, y in zip(names, places, strict=True):
        shift, spread = structure[name]["shift"], structure[name]["spread"]
        chart.line([-1.96, 1.96], [y, y], GREY, "2 4", 2.0)
        chart.line([shift - 1.96 * spread, shift + 1.96 * spread], [y, y], LINE, "", 5.0)
        chart.mark(shift, y, color=LINE)
    chart.upright(0.0, GREY, "6 4")
    return chart
