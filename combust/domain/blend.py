"""Mixing fuels by mass, by volume or by mole."""

from __future__ import annotations

from typing import Any

from combust.data.errors import CombustError, Fault
from combust.data.fields import Field
from combust.domain.fuel import Fuel

BASES = ("mass", "volume", "mole")
SLACK = 1e-6
BY = Field("by", "choice", choices=BASES, hint="Say what the shares are of.")
SHARE = Field("parts", low=0.0, high=1.0 + SLACK, hint="Give shares of one that sum to 1.")


def mix_fuels(items: list[tuple[Fuel, float]], *, by: str, name: str, label: str = "") -> Fuel:
    """Return the mixture of fuels.

    Parameters
    ----------
    items : list of (Fuel, share)
        Shares sum to 1.
    by : {"mass", "volume", "mole"}
        Volume needs the density of every part, mole the carbon atoms of its molecule.

    Raises
    ------
    CombustError
        Unknown basis, shares that do not sum to 1, a part without density or carbon count.
    """
    _check(items, by)
    fuels = [part for part, _ in items]
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
        family="blend",
        provenance={"blend": " + ".join(f"{share:g} {part.name}" for part, share in items) + f" by {by}"},
    )


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
