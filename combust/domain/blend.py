"""Mixing fuels by mass, by volume or by mole."""

from __future__ import annotations

from collections.abc import Mapping

from combust.data.errors import CombustError, Fault
from combust.domain.fuel import Fuel

BASES = ("mass", "volume", "mole")


def mix_fuels(parts: Mapping[Fuel, float] | list[tuple[Fuel, float]], *, by: str, name: str, label: str = "") -> Fuel:
    """Return the mixture of fuels.

    Parameters
    ----------
    parts : list of (Fuel, share)
        Shares sum to 1.
    by : {"mass", "volume", "mole"}
        Volume needs the density of every part, mole the carbon atoms of its molecule.

    Raises
    ------
    CombustError
        Unknown basis, shares that do not sum to 1, a part without density or carbon count.
    """
    items = list(parts.items()) if isinstance(parts, Mapping) else parts
    _check(items, by)
    mass = [share * _mass_per_basis(part, by) for part, share in items]
    total_mass = sum(mass)
    carbon = [grams / part.molar_mass_per_carbon for grams, (part, _) in zip(mass, items, strict=True)]
    total = sum(carbon)

    def per_carbon(attribute: str) -> float:
        return (
            sum(moles * float(getattr(part, attribute)) for moles, (part, _) in zip(carbon, items, strict=True)) / total
        )

    densities = [part.density_kg_per_m3 for part, _ in items]
    molecules = [moles / part.carbon if part.carbon else None for moles, (part, _) in zip(carbon, items, strict=True)]
    return Fuel(
        name=name,
        h_c=per_carbon("h_c"),
        o_c=per_carbon("o_c"),
        n_c=per_carbon("n_c"),
        s_c=per_carbon("s_c"),
        h_c_u=per_carbon("h_c_u"),
        net_heating_value_mj_per_kg=sum(
            grams * part.net_heating_value_mj_per_kg for grams, (part, _) in zip(mass, items, strict=True)
        )
        / total_mass,
        density_kg_per_m3=None
        if None in densities
        else total_mass / sum(grams / (d or 1.0) for grams, d in zip(mass, densities, strict=True)),
        expansion_per_k=None
        if any(part.expansion_per_k is None for part, _ in items)
        else sum((part.expansion_per_k or 0.0) * grams for grams, (part, _) in zip(mass, items, strict=True))
        / total_mass,
        carbon=None if None in molecules else total / sum(count or 0.0 for count in molecules),
        label=label or "blend by " + by,
        family="blend",
        provenance={"blend": " + ".join(f"{share:g} {part.name}" for part, share in items) + f" by {by}"},
    )


def _check(items: list[tuple[Fuel, float]], by: str) -> None:
    faults = []
    if by not in BASES:
        faults.append(
            Fault("by", by, "unknown_name", why="is none of mass, volume, mole", hint="Say what the shares are of.")
        )
    if not items:
        faults.append(
            Fault(
                "parts", "empty", "missing", why="names no fuel", hint="Name at least one fuel with its share, 0 to 1."
            )
        )
    total = sum(share for _, share in items)
    if items and not abs(total - 1.0) < 1e-6:
        hint = "Give shares of one, not per cent." if 99.0 < total < 101.0 else "Make the shares sum to 1."
        faults.append(Fault("parts", total, "out_of_band", why="is the sum of the shares, not 1", hint=hint))
    for part, share in items:
        if not 0.0 <= share <= 1.0 + 1e-6:
            why, hint = f"is no share ({part.name})", "Give shares of one that sum to 1."
            faults.append(Fault("parts", share, "out_of_band", why=why, low=0.0, high=1.0, hint=hint))
        if by == "volume" and part.density_kg_per_m3 is None:
            faults.append(Fault("parts", part.name, "missing", why="has no density", hint="Blend by mass."))
        if by == "mole" and part.carbon is None:
            faults.append(
                Fault("parts", part.name, "missing", why="has no known molecule", hint="Blend by mass or volume.")
            )
    if faults:
        raise CombustError(faults)


def _mass_per_basis(part: Fuel, by: str) -> float:
    if by == "volume":
        return part.density_kg_per_m3 or 0.0
    return part.molar_mass_per_carbon * (part.carbon or 0.0) if by == "mole" else 1.0
