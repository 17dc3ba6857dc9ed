"""Draws of several hypotheses worked as one array: their structure in one go, their causes one by one."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from combust.application.causes.draws import FARTHEST, Drawer, Variant
from combust.application.heater.structure import STRUCTURE, Parameters
from combust.kernel.types import Floats

# What a parameter is when no cause touches it; all others are 0.
NEUTRAL = dict.fromkeys(
    (
        "r_in", "r_ex", "r_burner", "head", "blower_speed", "frequency", "stroke", "delivery", "released", "clean",
        "heating_air", "air_need", "heat_per_air", "co2_maximum", "voltage", "saturation", "recirculated_heat",
    ),
    1.0,
)  # fmt: skip


def parameters_together(
    drawer: Drawer, draws: Sequence[Floats], keys: Sequence[Sequence[Variant]]
) -> tuple[list[Parameters], Parameters]:
    """Return the parameters of the draws of each hypothesis, and all of them as one block."""
    near = [np.clip(u, -FARTHEST, FARTHEST) for u in draws]
    structure = drawer.structure_of(np.concatenate([u[:, : len(STRUCTURE)] for u in near]))
    parts, start = [], 0
    for u, key in zip(near, keys, strict=True):
        of_block = {name: value[start : start + len(u)] for name, value in structure.items()}
        parts.append(drawer.under_causes(of_block, u, *key))
        start += len(u)
    return parts, stacked(parts, [len(u) for u in near])


def stacked(parts: Sequence[Parameters], sizes: Sequence[int]) -> Parameters:
    """Return the parameters of several blocks as one; a key that a block lacks takes its healthy value."""
    total: Parameters = {}
    ends = np.cumsum(sizes).tolist()
    for part, size, end in zip(parts, sizes, ends, strict=True):
        for key, value in part.items():
            if key not in total and not key.startswith(("size_", "stage_unknown")):
                total[key] = np.full(ends[-1], NEUTRAL.get(key, 0.0))
            if key in total:
                total[key][end - size : end] = value
    if any("stage_unknown" in part for part in parts):
        total["stage_unknown"] = np.concatenate(
            [part.get("stage_unknown", np.zeros((size, 2))) for part, size in zip(parts, sizes, strict=True)]
        )
    return total
