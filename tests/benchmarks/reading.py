"""The kernel and the interpretation of readings against libraries that do a part of it."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import cantera as ct
import numpy as np
import uncertainties
from chemicals.combustion import fuel_air_spec_solver
from chemicals.identifiers import CAS_from_any
from scipy.optimize import brentq

from combust.application.reading.interpret import interpret_columns
from combust.domain.catalogue import get_fuel
from combust.domain.instrument import instrument_class
from combust.kernel.air_ratio import air_ratio_from_balance, air_ratio_from_o2
from combust.kernel.constants import DRY_AIR
from combust.kernel.stoichiometry import dry_flue_gas_moles, stoichiometric_oxygen
from combust.kernel.uncertainty import uncertain_route
from tests.benchmarks.made import CANTERA_GASES, FUEL, Readings, columns_of, readings
from tests.benchmarks.records import Effort, Record, apart

GROUP = "reading"
PURE = get_fuel("n_dodecane")
BALANCE_GOAL_NS = 10.0
CANTERA_GOAL = 1.0 / 300.0
INTERPRET_GOAL_S = 0.5


def records(effort: Effort) -> list[Record]:
    """Return every comparison of this file."""
    rows, few = effort.pick(100_000, 1_000_000), effort.pick(300, 2_000)
    many = readings(rows)

    def balance(seen: Readings) -> np.ndarray:
        return air_ratio_from_balance(seen.o2, seen.co2, FUEL, co_dry_ppm=seen.co)

    ours = effort.timed(lambda: balance(many), 9)
    row_ns = 1e9 * ours.best / rows
    source, target = np.stack([many.o2, many.co2, many.co]), np.empty((3, rows))
    copy = 1e9 * effort.timed(lambda: np.copyto(target, source), 9).best / rows
    told = partial(Record, GROUP, unit="ns/row", spread_pct=ours.spread_pct)
    some, clean = readings(few), readings(few, co=False)
    cantera, theirs = cantera_rows(some)
    solver, solved = brentq_rows(clean)
    worst = apart(balance(some), theirs())
    found = [
        told(
            f"lambda by full balance, {rows:,} rows",
            ours=row_ns,
            peer_name="memory copy of the three columns",
            peer=copy,
            goal=BALANCE_GOAL_NS,
            difference=apart(balance(many), many.ratio),
            allowed=1e-9,
            checked="against the true lambda",
        ),
        told(
            "lambda by full balance",
            ours=row_ns,
            peer_name="Cantera equivalence_ratio, row by row",
            peer=1e9 * effort.timed(cantera, 3).best / few,
            goal=CANTERA_GOAL,
            goal_of="ratio",
            difference=worst,
            allowed=1e-9,
            checked="lambda",
        ),
        told(
            "lambda by full balance",
            ours=row_ns,
            peer_name="scipy brentq on the forward gas, row by row",
            peer=1e9 * effort.timed(solver, 3).best / few,
            difference=apart(balance(clean), solved()),
            allowed=1e-9,
            checked="lambda, gases without CO",
        ),
    ]
    return [*found, _against_chemicals(effort), *_against_uncertainties(effort), _whole_interpretation(effort)]


def cantera_rows(seen: Readings) -> tuple[Callable[[], object], Callable[[], np.ndarray]]:
    """Return a call that asks Cantera for the equivalence ratio of each wet gas, and one that returns lambda."""
    known = {species.name: species for species in ct.Species.list_from_file("nasa_gas.yaml")}
    own = ct.Species("FUEL", {"C": 1.0, "H": FUEL.h_c, "O": FUEL.o_c})
    own.thermo = ct.ConstantCp(200.0, 3500.0, ct.one_atm, [298.15, 0.0, 2e5, 3e4])
    names = [name.upper() if name != "ar" else "Ar" for name in CANTERA_GASES]
    gas = ct.Solution(thermo="ideal-gas", species=[*(known[name] for name in names), own])
    moles = np.concatenate([seen.moles, np.zeros((len(seen.moles), 1))], axis=1)
    air = {"O2": DRY_AIR.o2, "N2": DRY_AIR.n2, "Ar": DRY_AIR.ar, "CO2": DRY_AIR.co2}

    def ask(row: np.ndarray) -> float:
        gas.X = row
        return gas.equivalence_ratio("FUEL", air)

    return (lambda: [ask(row) for row in moles]), (lambda: np.array([1.0 / ask(row) for row in moles]))


def brentq_rows(seen: Readings) -> tuple[Callable[[], object], Callable[[], np.ndarray]]:
    """Return a call that finds the lambda whose CO-free gas shows the dry O2, row by row in plain floats."""
    need, inert = float(stoichiometric_oxygen(FUEL)), float(dry_flue_gas_moles(FUEL))
    oxygen = (seen.o2 / 100.0).tolist()

    def residual(ratio: float, shown: float) -> float:
        excess = (ratio - 1.0) * need
        return excess / (inert + excess / DRY_AIR.o2) - shown

    def work() -> list[float]:
        return [brentq(residual, 0.9, 100.0, args=(shown,), xtol=1e-12) for shown in oxygen]

    return work, lambda: np.array(work())


def _against_chemicals(effort: Effort) -> Record:
    """Lambda of dry O2 of a pure fuel: the solver of `chemicals` against the kernel."""
    rows, few = effort.pick(200_000, 1_000_000), effort.pick(200, 1_000)
    oxygen = np.random.default_rng(2).uniform(0.5, 17.0, rows)
    carbon = PURE.carbon or 1.0
    atoms = {"C": round(carbon), "H": round(carbon * PURE.h_c)}
    known = {
        "zs_air": [DRY_AIR.o2, DRY_AIR.n2, DRY_AIR.ar, DRY_AIR.co2, 0.0, 0.0],
        "zs_fuel": [0.0, 0.0, 0.0, 0.0, 0.0, 1.0],
        "CASs": ["7782-44-7", "7727-37-9", "7440-37-1", "124-38-9", "7732-18-5", CAS_from_any("n-dodecane")],
        "atomss": [{"O": 2}, {"N": 2}, {"Ar": 1}, {"C": 1, "O": 2}, {"H": 2, "O": 1}, atoms],
        "n_fuel": 1.0,
        "MW_air": DRY_AIR.molar_mass,
        "MW_fuel": PURE.molar_mass_per_carbon * carbon,
        "Vm_air": 1.0,
        "Vm_fuel": 1.0,
    }

    def theirs() -> list[float]:
        shown = (oxygen[:few] / 100.0).tolist()
        return [1.0 + fuel_air_spec_solver(frac_out_O2_dry=value, **known)["O2_excess"] for value in shown]

    ours = effort.timed(lambda: air_ratio_from_o2(oxygen, PURE))
    return Record(
        GROUP,
        f"lambda of dry O2, {rows:,} rows",
        "ns/row",
        1e9 * ours.best / rows,
        "chemicals fuel_air_spec_solver, row by row",
        1e9 * effort.timed(theirs, 3).best / few,
        ours.spread_pct,
        difference=apart(air_ratio_from_o2(oxygen[:few], PURE), theirs()),
        allowed=1e-6,
        checked="lambda of n-dodecane",
    )


def _against_uncertainties(effort: Effort) -> list[Record]:
    """Propagation of O2 and hydrogen to lambda: automatic derivatives of `uncertainties` against the kernel."""
    few = effort.pick(200, 1_000)
    random = np.random.default_rng(3)
    oxygen, u = random.uniform(1.0, 17.0, few), random.uniform(0.05, 0.3, few)
    hydrogen_u = 0.03

    def propagate(shown: float, shown_u: float) -> uncertainties.UFloat:
        o2, h_c = uncertainties.ufloat(shown, shown_u), uncertainties.ufloat(FUEL.h_c, hydrogen_u)
        air_moles = (1.0 + FUEL.s_c + h_c / 4.0 - FUEL.o_c / 2.0) / DRY_AIR.o2
        dry = 1.0 + FUEL.s_c + FUEL.n_c / 2.0 + air_moles * (1.0 - DRY_AIR.o2)
        return 1.0 + o2 / 100.0 * dry / air_moles / (DRY_AIR.o2 - o2 / 100.0)

    def theirs() -> np.ndarray:
        pairs = zip(oxygen.tolist(), u.tolist(), strict=True)
        return np.array([propagate(shown, shown_u).std_dev for shown, shown_u in pairs])

    def ours(shown: object, shown_u: object) -> np.ndarray:
        return np.sqrt(uncertain_route(air_ratio_from_o2, shown, FUEL, gas_u=shown_u, hydrogen_u=hydrogen_u).variance)

    one = effort.timed(lambda: ours(8.2, 0.15))
    repeat = effort.pick(100, 1_000)
    wide, wide_u = np.tile(oxygen, repeat), np.tile(u, repeat)
    many = effort.timed(lambda: ours(wide, wide_u), 3)
    same = {"allowed": 1e-3, "checked": "u of lambda"}
    return [
        Record(
            GROUP,
            "u of lambda, one reading",
            "µs",
            1e6 * one.best,
            "uncertainties, automatic derivatives",
            1e6 * effort.timed(lambda: propagate(8.2, 0.15).std_dev).best,
            one.spread_pct,
            difference=apart(ours(8.2, 0.15), propagate(8.2, 0.15).std_dev),
            **same,
        ),
        Record(
            GROUP,
            f"u of lambda, {len(wide):,} rows",
            "ns/row",
            1e9 * many.best / len(wide),
            "uncertainties, row by row",
            1e9 * effort.timed(theirs, 3).best / few,
            many.spread_pct,
            difference=apart(ours(oxygen, u), theirs()),
            **same,
        ),
    ]


def _whole_interpretation(effort: Effort) -> Record:
    rows = effort.pick(100_000, 1_000_000)
    columns = columns_of(rows)
    instrument = instrument_class()
    ours = effort.timed(lambda: interpret_columns(columns, instrument), 3)
    result = interpret_columns(columns, instrument)
    source = np.zeros(rows * (len(columns.values) + len(result.values)) // 2)
    copy = effort.timed(lambda: source.copy(), 3)
    scale = 1_000_000 / rows
    return Record(
        GROUP,
        "full interpretation, a million rows",
        "s",
        scale * ours.best,
        "memory copy of as many bytes in and out",
        scale * copy.best,
        ours.spread_pct,
        goal=INTERPRET_GOAL_S,
        difference=apart(result.values["air_ratio_by_balance"], readings(rows).ratio),
        allowed=1e-9,
        checked="balance against the true lambda",
    )
