"""The tables of slow chemistry sweeps that ship with combust: read without Cantera, every point with its status."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from typing import Any

import numpy as np

from combust.data.errors import CombustError, Fault
from combust.data.tables import load_columns, load_table
from combust.kernel.types import Floats

WHAT_A_REACTOR_SAYS = (
    "A stirred reactor shows shapes: finite time leaves CO far above equilibrium, CO has a minimum over lambda, "
    "thermal NO falls steeply with excess air, and a flame blows out when the time is too short."
)
WHAT_A_REACTOR_DOES_NOT_SAY = (
    "It does not say how many ppm a heater makes: a small evaporating burner has drops, rich pockets, cold walls and "
    "mixing slower than the chemistry. Thermal NO alone; no soot; n-dodecane instead of diesel."
)
KIND_OF_COLUMN = {"fuel": str, "status": str, "reason": str}


class ChemistryTable(Mapping[str, Any]):
    """Columns of a shipped sweep by name, as arrays of one length; empty numbers are NaN.

    Attributes
    ----------
    provenance : tuple of str
        Where the table comes from.
    """

    def __init__(self, columns: Mapping[str, list[str]], provenance: tuple[str, ...]) -> None:
        self.provenance = provenance
        self._columns = {name: _array(name, texts) for name, texts in columns.items()}

    def __getitem__(self, name: str) -> Any:
        return self._columns[name]

    def __iter__(self) -> Any:
        return iter(self._columns)

    def __len__(self) -> int:
        return len(self._columns)

    def where(self, **values: Any) -> ChemistryTable:
        """Return the rows where every named column has the value; NaN (no cooling) is found by None."""
        keep = np.ones(len(next(iter(self._columns.values()))), dtype=bool)
        for name, value in values.items():
            column = self._columns[name]
            keep &= np.isnan(column) if value is None else column == value
        found = ChemistryTable({}, self.provenance)
        found._columns = {name: column[keep] for name, column in self._columns.items()}
        return found

    def dry_ppm(self, species: str) -> Floats:
        """Return a share of the dry gas [ppm]."""
        dry: Floats = 1e6 * self._columns[f"x_{species}"] / (1.0 - self._columns["x_h2o"])
        return dry


def _array(name: str, texts: list[str]) -> Any:
    if KIND_OF_COLUMN.get(name) is str:
        return np.array(texts)
    return np.array([float(text) if text else np.nan for text in texts])


@cache
def equilibrium_table() -> ChemistryTable:
    """Return adiabatic flame temperature and equilibrium gas over lambda 0.6 to 4 for surrogates and trade fuels."""
    return ChemistryTable(*load_columns("chemistry_equilibrium"))


@cache
def reactor_table() -> ChemistryTable:
    """Return the stirred reactor and burn-out sweep; points that blew out are there with their reason."""
    return ChemistryTable(*load_columns("chemistry_reactor"))


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
    rows = equilibrium_table().where(fuel=fuel)
    if not len(rows["air_ratio"]):
        known = ", ".join(dict.fromkeys(equilibrium_table()["fuel"]))
        raise CombustError(Fault("fuel", fuel, "unknown_name", why="is not in the table", hint=f"It has {known}."))
    return np.interp(air_ratio, rows["air_ratio"], rows["temp_k"], left=np.nan, right=np.nan)


def soot_indications() -> dict[str, dict[str, Any]]:
    """Return what is known about where soot begins, each with what it says and what it does not say."""
    return {name: dict(row) for name, row in load_table("sooting").items()}
