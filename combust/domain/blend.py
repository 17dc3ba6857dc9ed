"""Mixing fuels by mass, by volume or by mole, and a blend as a text: ``0.8 diesel_b7 + 0.2 kerosene by volume``.

The text is the one that a blend tells of itself. Nothing cold is known of a blend: waxes of one part can plug a filter
that each part would pass, so a plugging point is never worked out from those of the parts.
"""

from __future__ import annotations

import re
from typing import Any

from combust.data.errors import CombustError, Fault
from combust.data.fields import Field
from combust.domain.fuel import Fuel

BASES = ("mass", "volume", "mole")
SLACK = 1e-6
SOLD = {"diesel", "kerosene", "gasoline"}  # a blend of one family is of it
BY = Field("by", "choice", choices=BASES, hint="Say what the shares are of.")
PART = re.compile(r"(?P<share>\d+(?:[.,]\d+)?|[.,]\d+)\s*(?P<pct>%?)\s*(?P<name>[^\s%].*)")
LIKE = "Write it like 0.8 diesel_b7 + 0.2 kerosene by volume (or by mass), or with 80 % and 20 %."
SHARE = Field("parts", low=0.0, high=1.0 + SLACK, hint="Give shares of one that sum to 1.")


def mix_fuels(items: list[tuple[Fuel, float]], *, by: str, name: str, label: str = "") -> Fuel:
    """Return the mixture of fuels.

    Parameters
    ----------
    items : list of (Fuel, share)
        Shares [-], 0 to 1, that sum to 1; others are refused.
    by : {"mass", "volume", "mole"}
        Volume needs the density of every part, mole the carbon atoms of its molecule.
    name, label : str
        What the mixture is called, and in plain words.

    Returns
    -------
    Fuel
        The mixture [per carbon atom, MJ/kg, kg/m³]; what one part does not know is None.

    Raises
    ------
    CombustError
        Unknown basis, shares that do not sum to 1, a part without density or carbon count.

    See Also
    --------
    blend_parts : the other way, from the text of a blend to its parts.

    References
    ----------
    Balance of the elements: atoms add up, mass and volume are kept.

    Examples
    --------
    >>> from combust.domain.fuel import fuel_from_formula
    >>> hexane, dodecane = fuel_from_formula("C6H14"), fuel_from_formula("C12H26")
    >>> mix_fuels([(hexane, 0.5), (dodecane, 0.5)], by="mole", name="half").formula  # 20 H for 9 C
    'CH2.2222'
    """
    _check(items, by)
    fuels = [part for part, _ in items]
    families = frozenset().union(*(part.families for part in fuels))
    mass = [share * _mass_per_basis(part, by) for part, share in items]
    carbon = [kilos / part.molar_mass_per_carbon for kilos, part in zip(mass, fuels, strict=True)]

    def mean(key: str, weights: list[float], power: int = 1) -> Any:
        """Return the weighted mean, harmonic with power -1; None when one part does not know it."""
        values = [getattr(part, key) for part in fuels]
        if None in values:
            return None
        return (sum(w * value**power for w, value in zip(weights, values, strict=True)) / sum(weights)) ** power

    return Fuel(
        name=name,
        **{key: mean(key, carbon) for key in ("h_c", "o_c", "n_c", "s_c", "h_c_u")},
        net_heating_value_mj_per_kg=mean("net_heating_value_mj_per_kg", mass),
        density_kg_per_m3=mean("density_kg_per_m3", mass, -1),
        expansion_per_k=mean("expansion_per_k", mass),
        carbon=mean("carbon", carbon, -1),
        label=label or "blend by " + by,
        family=min(families) if len(families) == 1 and families <= SOLD else "blend",
        holds=families,
        provenance={"blend": " + ".join(f"{share:g} {part.name}" for part, share in items) + f" by {by}"},
    )


def blend_parts(text: str) -> tuple[list[tuple[str, float]], str]:
    """Return the parts of a text; one that is no blend is its own part.

    Shares are of one or with ``%``; without ``by`` they are volumes, which is what a tank and a pump see.

    Parameters
    ----------
    text : str
        Like ``0.8 diesel_b7 + 0.2 kerosene by volume``.

    Returns
    -------
    tuple of (list of (name, share), str)
        Names and shares [-], and what they are shares of.

    Raises
    ------
    CombustError
        A part without share or name.

    See Also
    --------
    mix_fuels : the other way, from parts to a fuel.

    References
    ----------
    A form of this project: the text that a blend tells of itself.

    Examples
    --------
    >>> blend_parts("80 % diesel_b7 + 20 % kerosene")
    ([('diesel_b7', 0.8), ('kerosene', 0.2)], 'volume')
    >>> blend_parts("diesel_b7")
    ([('diesel_b7', 1.0)], 'volume')
    """
    body, given, by = text.strip().partition(" by ")
    if "+" not in body:
        return [(text.strip(), 1.0)], "volume"
    items = []
    for piece in body.split("+"):
        found = PART.fullmatch(piece.strip())
        if not found:
            raise CombustError(Fault("fuel", text, "format", why="is no blend: a part lacks share or name", hint=LIKE))
        share = float(found["share"].replace(",", ".")) / (100.0 if found["pct"] else 1.0)
        items.append((found["name"].strip(), share))
    return items, by.strip() if given else "volume"


def _check(items: list[tuple[Fuel, float]], by: str) -> None:
    faults = [*BY.faults_of(by), *(fault for _, share in items for fault in SHARE.faults_of(share))]
    total = sum(share for _, share in items)
    if not items:
        hint = "Name at least one fuel with its share, 0 to 1."
        faults.append(Fault("parts", "empty", "missing", why="names no fuel", hint=hint))
    elif not abs(total - 1.0) < SLACK:
        hint = "Give shares of one, not per cent." if 99.0 < total < 101.0 else "Make the shares sum to 1."
        faults.append(Fault("parts", total, "out_of_band", why="is the sum of the shares, not 1", hint=hint))
    for part, _ in items:
        if by == "volume" and part.density_kg_per_m3 is None:
            faults.append(Fault("parts", part.name, "missing", why="has no density", hint="Blend by mass."))
        if by == "mole" and part.carbon is None:
            hint = "Blend by mass or volume."
            faults.append(Fault("parts", part.name, "missing", why="has no known molecule", hint=hint))
    if faults:
        raise CombustError(faults)


def _mass_per_basis(part: Fuel, by: str) -> float:
    if by == "volume":
        return part.density_kg_per_m3 or 0.0
    return part.molar_mass_per_carbon * (part.carbon or 0.0) if by == "mole" else 1.0
