"""Readings of a known lambda, made by the forward balance; light to import, since processes of their own need it."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from combust.application.reading.columns import Columns
from combust.domain.catalogue import get_fuel
from combust.kernel.flue_gas import flue_gas_moles

FUEL = get_fuel("diesel_b7")
CANTERA_GASES = ("co2", "co", "h2", "h2o", "o2", "n2", "ar")


class Readings(NamedTuple):
    """Dry gases of random true lambda and CO, as an analyser shows them, and the whole wet gas behind them."""

    ratio: np.ndarray
    o2: np.ndarray
    co2: np.ndarray
    co: np.ndarray
    moles: np.ndarray


def readings(rows: int, *, co: bool = True) -> Readings:
    """Return random readings of diesel with 7 % ester."""
    random = np.random.default_rng(1)
    ratio = random.uniform(1.1, 3.0, rows)
    gas = flue_gas_moles(FUEL, ratio, co_share=random.uniform(0.0, 0.01, rows) if co else 0.0)
    moles = np.stack([getattr(gas, name) for name in CANTERA_GASES], axis=1) if rows <= 10_000 else np.empty((0, 7))
    return Readings(ratio, 100.0 * gas.o2 / gas.dry, 100.0 * gas.co2 / gas.dry, 1e6 * gas.co / gas.dry, moles)


def columns_of(rows: int) -> Columns:
    """Return the columns of a full reading, for the whole interpretation."""
    seen = readings(rows)
    values = {"o2_dry_pct": seen.o2, "co2_dry_pct": seen.co2, "co_dry_ppm": seen.co}
    values |= {"flue_temp_c": np.full(rows, 300.0), "intake_temp_c": np.full(rows, 15.0)}
    values |= {"altitude_m": np.full(rows, 1500.0), "co2_origin": np.zeros(rows, dtype=np.int8)}
    return Columns(rows, values, (FUEL,))
