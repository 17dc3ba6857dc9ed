"""Speed of the reading, as ratios against peers in the same run. Nothing here gates a test.

python tests/benchmarks/bench_reading.py [ROWS]
"""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Callable

import cantera as ct
import numpy as np
from scipy.optimize import brentq

from combust.application.reading.columns import Columns
from combust.application.reading.interpret import interpret_columns
from combust.domain.catalogue import fuel
from combust.domain.instrument import instrument_class
from combust.kernel.air_ratio import air_ratio_from_balance
from combust.kernel.constants import DRY_AIR
from combust.kernel.flue_gas import flue_gas_moles

FUEL = fuel("diesel_b7")
PEER_ROWS = 2_000  # peers that work row by row are timed on this many


def best_of(call: Callable[[], object], rounds: int = 5) -> float:
    """Return the shortest of several times [s]."""
    times = []
    for _ in range(rounds):
        start = time.perf_counter()
        call()
        times.append(time.perf_counter() - start)
    return min(times)


def readings(rows: int) -> dict[str, np.ndarray]:
    """Return dry O2, CO2 and CO of random lambda and CO, as an analyser shows them."""
    rng = np.random.default_rng(1)
    gas = flue_gas_moles(FUEL, rng.uniform(1.1, 3.0, rows), co_share=rng.uniform(0.0, 0.01, rows))
    names = {"o2_dry_pct": ("o2", 100.0), "co2_dry_pct": ("co2", 100.0), "co_dry_ppm": ("co", 1e6)}
    return {key: scale * getattr(gas, name) / gas.dry for key, (name, scale) in names.items()}


def cantera_rows(table: dict[str, np.ndarray]) -> Callable[[], object]:
    """Return a call that rebuilds each wet gas and asks Cantera for equivalence_ratio(fuel, air)."""
    known = {species.name: species for species in ct.Species.list_from_file("nasa_gas.yaml")}
    own = ct.Species("FUEL", {"C": 1.0, "H": FUEL.h_c, "O": FUEL.o_c})
    own.thermo = ct.ConstantCp(200.0, 3500.0, ct.one_atm, [298.15, 0.0, 2e5, 3e4])
    names = ("O2", "N2", "CO2", "H2O", "CO", "H2")
    gas = ct.Solution(thermo="ideal-gas", species=[*(known[name] for name in names), own])
    oxygen, dioxide, monoxide = (table[key][:PEER_ROWS] for key in ("o2_dry_pct", "co2_dry_pct", "co_dry_ppm"))
    monoxide = monoxide * 1e-4
    hydrogen = FUEL.h_c / 2.0 * (dioxide + monoxide)
    water = hydrogen * 3.5 / (3.5 + monoxide / dioxide)
    rest = 100.0 - oxygen - dioxide - monoxide
    order = (oxygen, rest, dioxide, water, monoxide, hydrogen - water, np.zeros(len(oxygen)))
    moles = np.stack(order, axis=1)
    air = {"O2": DRY_AIR.o2, "N2": 1.0 - DRY_AIR.o2}

    def work() -> None:
        for row in moles:
            gas.X = row
            gas.equivalence_ratio("FUEL", air)

    return work


def brentq_rows(table: dict[str, np.ndarray]) -> Callable[[], object]:
    """Return a call that solves the forward model's CO2 for lambda, row by row, plain floats."""
    need = 1.0 + FUEL.h_c / 4.0 - FUEL.o_c / 2.0
    oxygen = table["o2_dry_pct"][:PEER_ROWS] / 100.0

    def residual(ratio: float, seen: float) -> float:
        air = ratio * need / DRY_AIR.o2
        return (ratio - 1.0) * need / (1.0 + air - need) - seen

    def work() -> None:
        for seen in oxygen.tolist():
            brentq(residual, 0.9, 100.0, args=(seen,))

    return work


def import_seconds(module: str) -> float:
    """Return the median time of a fresh interpreter that imports a module [s]."""
    times = []
    for _ in range(9):
        start = time.perf_counter()
        subprocess.run([sys.executable, "-c", f"import {module}"], check=True)
        times.append(time.perf_counter() - start)
    return sorted(times)[len(times) // 2]


def line(what: str, ours: str, against: str = "") -> None:
    print(f"{what:<58}{ours:>16}   {against}")


def main(rows: int) -> None:
    """Run everything once and print one line for each comparison."""
    table = readings(rows)
    o2, co2, co = table["o2_dry_pct"], table["co2_dry_pct"], table["co_dry_ppm"]
    balance = best_of(lambda: air_ratio_from_balance(o2, co2, FUEL, co_dry_ppm=co)) / rows
    line(f"lambda by full balance, {rows:,} rows", f"{1e9 * balance:.2f} ns/row", "goal: 10 ns/row or less")

    source, target = np.stack([o2, co2, co]), np.empty((3, rows))
    copy = best_of(lambda: np.copyto(target, source)) / rows
    line("  memory copy of the three columns", f"{1e9 * copy:.2f} ns/row", f"balance = {balance / copy:.1f} copies")

    by_cantera = best_of(cantera_rows(table), 3) / min(rows, PEER_ROWS)
    faster = by_cantera / balance
    line("  Cantera, row by row", f"{1e6 * by_cantera:.2f} µs/row", f"balance is {faster:,.0f} x faster (goal: 300)")

    by_brentq = best_of(brentq_rows(table), 3) / min(rows, PEER_ROWS)
    line(
        "  scipy brentq, row by row", f"{1e6 * by_brentq:.2f} µs/row", f"balance is {by_brentq / balance:,.0f} x faster"
    )

    values = {**table, "flue_temp_c": np.full(rows, 300.0), "intake_temp_c": np.full(rows, 15.0)}
    values["altitude_m"] = np.full(rows, 1500.0)
    values["co2_origin"] = np.zeros(rows, dtype=np.int8)
    columns = Columns(rows, values, (FUEL,))
    full = best_of(lambda: interpret_columns(columns, instrument_class()), 3)
    line(
        "full interpretation, all columns of a reading",
        f"{full:.3f} s",
        f"{1e9 * full / rows:.0f} ns/row; goal: 0.5 s a million",
    )

    numpy_time, ours = import_seconds("numpy"), import_seconds("combust")
    line(
        "import combust",
        f"{1e3 * ours:.0f} ms",
        f"{ours / numpy_time:.2f} x import numpy ({1e3 * numpy_time:.0f} ms); goal: 1.5",
    )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000)
