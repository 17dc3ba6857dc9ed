"""What ``combust/data/duct_losses.toml`` says of walls, bends and fittings, as a value and its standard uncertainty."""

from __future__ import annotations

from functools import cache

from combust.data.tables import load_table

# 95 % limits are two standard uncertainties, as everywhere in combust.
COVERAGE = 2.0


@cache
def fitting(name: str) -> tuple[float, float]:
    """Return the loss of a fitting in velocity heads.

    Parameters
    ----------
    name : str
        A name of ``combust/data/duct_losses.toml``.

    Returns
    -------
    pair of float
        K and its standard uncertainty [velocity heads].

    References
    ----------
    combust/data/duct_losses.toml, source beside each row.

    Examples
    --------
    >>> fitting("exit")[0]  # a jet loses its whole velocity head
    1.0
    """
    row = load_table("duct_losses")["fitting"][name]
    return float(row["k"]), (float(row["high"]) - float(row["low"])) / (2.0 * COVERAGE)


def wall_factor(wall: str | None) -> tuple[float, float]:
    """Return the factor of a wall on smooth friction.

    Parameters
    ----------
    wall : str or None
        ``smooth``, ``corrugated``, or None = unknown.

    Returns
    -------
    pair of float
        Factor and its standard uncertainty [-].

    References
    ----------
    combust/data/duct_losses.toml, source beside each row.

    Examples
    --------
    >>> wall_factor("smooth")[0]
    1.0
    """
    row = load_table("duct_losses")["wall"][wall or "unknown"]
    return float(row["factor"]), float(row["factor"]) * float(row["half_width"]) / COVERAGE


def bore_u_mm() -> float:
    """Return the standard uncertainty of a measured bore.

    Returns
    -------
    float
        Standard uncertainty [mm].
    """
    return float(load_table("duct_losses")["limits"]["bore"]["value"])
