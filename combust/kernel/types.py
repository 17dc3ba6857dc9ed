"""What kernel functions take: floats or arrays, and anything that carries the atoms of a fuel."""

from __future__ import annotations

from typing import Any, NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


class Atoms(Protocol):
    """A fuel as atoms per carbon atom: CH_h O_o N_n S_s [mol/mol]."""

    @property
    def h_c(self) -> Any:
        """Hydrogen per carbon."""

    @property
    def o_c(self) -> Any:
        """Oxygen per carbon."""

    @property
    def n_c(self) -> Any:
        """Nitrogen per carbon."""

    @property
    def s_c(self) -> Any:
        """Sulphur per carbon."""


class AtomsTuple(NamedTuple):
    """A fuel as plain numbers or arrays, atoms per carbon atom [mol/mol]."""

    h_c: Any
    o_c: Any
    n_c: Any = 0.0
    s_c: Any = 0.0
