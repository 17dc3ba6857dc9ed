"""A picture for one cell: how many heaters of a site lie how far on either side of the limit that counts."""

from __future__ import annotations

from typing import Any

import numpy as np

from combust.edge.figures.style import svg_picture

BINS, WIDTH, HEIGHT = 30, 150, 22
MIDDLE = HEIGHT / 2.0


def margin_scale(margin_m: Any) -> float:
    """Return the metres that the edge of every picture of a plan stands for: a round number beyond all of them."""
    known = np.abs(np.asarray(margin_m, dtype=float))
    known = known[~np.isnan(known)]
    return float(max(np.ceil(known.max() / 500.0) * 500.0, 500.0)) if len(known) else 500.0


def margin_picture(margin_m: Any, off: Any, widest_m: float) -> dict[str, str]:
    """Return the picture as an SVG in a data URL with its alt text: black bars hang for off, open bars stand for runs.

    The longest bar is the site's fullest; what has no known margin is told in the alt text alone.
    """
    margin, off = np.asarray(margin_m, dtype=float), np.asarray(off, dtype=bool)
    known = ~np.isnan(margin)
    edges = np.linspace(-widest_m, widest_m, BINS + 1)
    step = WIDTH / BINS
    parts = []
    masks = (off & known, ~off & known)
    both = [np.histogram(np.clip(margin[mask], -widest_m, widest_m), edges)[0] for mask in masks]
    most = max(1, *(int(counts.max()) for counts in both))
    for counts, fill, down in zip(both, ("#000", "#fff"), (True, False), strict=True):
        for place in np.flatnonzero(counts):
            length = max(MIDDLE * counts[place] / most, 4.0) - 1.0
            top = MIDDLE if down else MIDDLE - length
            size = f'x="{place * step + 0.5:.1f}" y="{top:.1f}" width="{step - 1:.1f}" height="{length:.1f}"'
            parts.append(f'<rect {size} fill="{fill}" stroke="#000"/>')
    lines = f'<path d="M0 {MIDDLE}H{WIDTH}M{WIDTH / 2} 0V{HEIGHT}" stroke="#555"/>'
    svg = f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}">{lines}{"".join(parts)}</svg>'
    told = [_told("off", margin[off & known]), _told("may run", margin[~off & known])]
    told += [f"{int((~known).sum())} without a known limit"] if (~known).any() else []
    return svg_picture(svg, "; ".join(one for one in told if one))


def _told(word: str, margin: Any) -> str:
    if not len(margin):
        return ""
    ends = sorted({f"{margin.min():+.0f}", f"{margin.max():+.0f}"}, key=float)
    return f"{len(margin)} {word}, {' to '.join(ends)} m left"
