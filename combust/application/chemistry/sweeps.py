"""The tables of slow chemistry sweeps that ship with combust: read without Cantera, every point with its status."""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np

from combust.data.fields import Field
from combust.data.tables import load_columns, load_table
from combust.kernel.types import Floats

WHAT_A_REACTOR_DOES_NOT_SAY = (
    "It does not say how many ppm a heater makes: a small evaporating burner has drops, rich pockets, cold walls and "
    "mixing slower than the chemistry. Thermal NO alone; no soot; n-dodecane instead of diesel."
)
WORDS = ("fuel", "status", "reason")


class ChemistryTable(dict[str, Any]):
    """Columns of a shipped sweep by name, as arrays of one length; empty numbers are NaN."""

    @classmethod
    def shipped(cls, name: str) -> ChemistryTable:
        """Return the table ``combust/data/<name>.csv``."""
        columns, _ = load_columns(name)
        return cls(
            (name, np.array(texts if name in WORDS else [float(text or "nan") for text in texts]))
            for name, texts in columns.items()
        )

    def where(self, **values: Any) -> ChemistryTable:
        """Return the rows where every named column has the value; NaN (no cooling) is found by None."""
        held = [np.isnan(self[name]) if value is None else self[name] == value for name, value in values.items()]
        return ChemistryTable((name, column[np.all(held, axis=0)]) for name, column in self.items())

    def dry_ppm(self, species: str) -> Floats:
        """Return a share of the dry gas [ppm]."""
        dry: Floats = 1e6 * self[f"x_{species}"] / (1.0 - self["x_h2o"])
        return dry


@cache
def equilibrium_table() -> ChemistryTable:
    """Return adiabatic flame temperature and equilibrium gas over lambda 0.6 to 4 for surrogates and trade fuels."""
    return ChemistryTable.shipped("chemistry_equilibrium")


@cache
def reactor_table() -> ChemistryTable:
    """Return the stirred reactor and burn-out sweep; points that blew out are there with their reason."""
    return ChemistryTable.shipped("chemistry_reactor")


def tabled_flame_temperature(fuel: str, air_ratio: Any) -> Any:
    """Return the adiabatic flame temperature by linear interpolation in the shipped table [K].

    Parameters
    ----------
    fuel : str
        A fuel of the table.
    air_ratio : float or array
        lambda [-], 0.6 to 4; NaN outside. Between points the line is at most 10 K off (tests measure it).

    Raises
    ------
    CombustError
        The table has no such fuel.

    Examples
    --------
    >>> round(float(tabled_flame_temperature("n_dodecane", 2.0)), -1)
    1510.0
    """
    tabled = tuple(dict.fromkeys(equilibrium_table()["fuel"]))
    rows = equilibrium_table().where(fuel=Field("fuel", "choice", choices=tabled).checked(fuel))
    return np.interp(air_ratio, rows["air_ratio"], rows["temp_k"], left=np.nan, right=np.nan)


def soot_indications() -> dict[str, dict[str, Any]]:
    """Return what is known about where soot begins, each with what it says and what it does not say."""
    return {name: dict(row) for name, row in load_table("sooting").items()}
