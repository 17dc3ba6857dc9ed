"""What kernel functions take: floats or arrays, and anything that carries the atoms of a fuel."""

from __future__ import annotations

from typing import Generic, NamedTuple, Protocol, TypeAlias, TypeVar

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

X = TypeVar("X", float, Floats)
"""The kind of a result. With parameters of type ``X | float``: numbers give a float, an array among them an array."""
X_co = TypeVar("X_co", float, Floats, covariant=True)

Truth: TypeAlias = bool | np.bool | NDArray[np.bool]
"""Whether something holds: of a number, or of each of an array."""


class Atoms(Protocol[X_co]):
    """A fuel as atoms per carbon atom: CH_h O_o N_n S_s [mol/mol]."""

    @property
    def h_c(self) -> X_co | float:
        """Hydrogen per carbon."""

    @property
    def o_c(self) -> X_co | float:
        """Oxygen per carbon."""

    @property
    def n_c(self) -> X_co | float:
        """Nitrogen per carbon."""

    @property
    def s_c(self) -> X_co | float:
        """Sulphur per carbon."""


class AtomsTuple(NamedTuple, Generic[X]):
    """A fuel as plain numbers or arrays, atoms per carbon atom [mol/mol]."""

    h_c: X | float
    o_c: X | float
    n_c: X | float = 0.0
    s_c: X | float = 0.0
