"""A stirred reactor and a burn-out zone behind it, with n-dodecane kinetics and thermal NO (Cantera, when used).

What it can say: that a finite residence time leaves CO far above equilibrium, that CO has a minimum over lambda, that
thermal NO falls steeply with lambda, where a flame blows out. What it cannot say: how many ppm a heater makes. A small
evaporating burner has drops, rich pockets, cold walls and mixing that takes longer than the chemistry.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from typing import Any

from combust.application.chemistry import equilibrium
from combust.data.errors import CombustError, Fault
from combust.data.fields import Field
from combust.kernel.constants import DRY_AIR

MECHANISM = ("nDodecane_Reitz.yaml", "nDodecane_IG")
FUEL_SPECIES, STOICHIOMETRIC_OXYGEN = "c12h26", 12.0 + 26.0 / 4.0
THERMAL_NO = ({"N", "NO", "N2", "O"}, {"N", "O2", "NO", "O"}, {"N", "OH", "NO", "H"})
RESIDENCE = Field("residence_ms", unit="ms", low=0.5, high=500.0, hint=equilibrium.INSIDE)
EXTINCT_K = 1000.0  # a burning n-dodecane reactor stays above 1250 K; below 1000 K it is washing out
SINK_K = 393.15
RELATIVE, ABSOLUTE = 1e-10, 1e-18


@dataclass(frozen=True)
class ReactorPoint:
    """One point of a stirred reactor, with or without a burn-out zone.

    Attributes
    ----------
    air_ratio, residence_ms, burn_out_ms : float
        lambda [-]; time in the reactor and in the zone behind it [ms].
    cooling_ms : float or None
        Time constant with which the zone behind cools at its start [ms]; None = no heat is lost.
    status : str
        ``burning``, ``blown_out`` or ``failed``.
    reason : str
        Why there is no gas.
    gas : GasState or None
    """

    air_ratio: float
    residence_ms: float
    burn_out_ms: float
    cooling_ms: float | None
    status: str
    reason: str
    gas: equilibrium.GasState | None


@cache
def mechanism() -> Any:
    """Return the n-dodecane mechanism with argon and the three thermal-NO reactions of GRI-Mech 3.0 added.

    No prompt NO, no N2O route, no NO2: what is left out only adds to the NO.

    Raises
    ------
    CombustError
        The mechanism of Cantera lacks the three thermal-NO reactions.

    References
    ----------
    n-dodecane: ``nDodecane_Reitz.yaml`` of Cantera (Wang, Ra, Jia and Reitz, reduced mechanism with PAH). NO:
    ``gri30.yaml`` of Cantera (Smith et al., GRI-Mech 3.0), extended Zeldovich reactions.
    """
    ct = equilibrium.cantera()
    base, donor = ct.Solution(*MECHANISM), ct.Solution("gri30.yaml")
    species = base.species()
    for name in ("NO", "N", "AR"):
        new = ct.Species(name.lower(), donor.species(name).composition)
        new.thermo = donor.species(name).thermo
        species.append(new)
    thermal = [one for one in donor.reactions() if set(one.reactants) | set(one.products) in THERMAL_NO]
    if len(thermal) != len(THERMAL_NO):
        why, hint = "has not the three thermal-NO reactions", "Install Cantera again: pip install 'combust[chem]'."
        raise CombustError(Fault("gri30.yaml", len(thermal), "format", why=why, hint=hint))
    reactions = base.reactions()
    reactions += [ct.Reaction(equation=one.equation.lower(), rate=one.rate) for one in thermal]
    return ct.Solution(thermo="ideal-gas", kinetics="gas", species=species, reactions=reactions)


def stirred_reactor(air_ratio: float, residence_ms: float) -> ReactorPoint:
    """Return the steady burning state of a perfectly stirred, adiabatic reactor fed with n-dodecane vapour and air.

    Both enter at 25 °C and one atmosphere.

    Parameters
    ----------
    air_ratio : float
        lambda [-], 0.5 to 6.
    residence_ms : float
        Mass in the reactor over mass flow [ms], 0.5 to 500.

    Returns
    -------
    ReactorPoint
        ``blown_out`` where no burning state was found from the hot side, ``failed`` where the solver gave up; both
        are answers and are kept.

    Raises
    ------
    CombustError
        Outside the bands, Cantera not installed.

    Examples
    --------
    >>> point = stirred_reactor(1.8, 10.0)
    >>> point.status, 2300 < point.gas.dry_ppm("CO") < 2600
    ('burning', True)
    """
    ratio = equilibrium.AIR_RATIO.checked(air_ratio)
    seconds = RESIDENCE.checked(residence_ms) * 1e-3
    ct, gas = equilibrium.cantera(), mechanism()
    air_moles = ratio * STOICHIOMETRIC_OXYGEN / DRY_AIR.o2
    equilibrium.fill(gas, FUEL_SPECIES, air_moles, equilibrium.STANDARD_K, ct.one_atm)
    inlet, fed = ct.Reservoir(gas, clone=True), equilibrium.elements_per_kg(gas)
    gas.equilibrate("HP")
    reactor, outlet = ct.IdealGasConstPressureReactor(gas, clone=True), ct.Reservoir(gas, clone=True)
    controllers = [
        ct.MassFlowController(source, sink, mdot=lambda _t: reactor.mass / seconds)
        for source, sink in ((inlet, reactor), (reactor, outlet))
    ]
    network = ct.ReactorNet([reactor])
    network.rtol, network.atol = RELATIVE, ABSOLUTE
    why = f"{residence_ms:g} ms are too short for this mixture: the flame blows out"
    blown_out = ReactorPoint(ratio, float(residence_ms), 0.0, None, "blown_out", why, None)
    try:
        for step in range(1, 41):
            network.advance(0.25 * step * seconds)
            if reactor.T < EXTINCT_K:
                return blown_out
        before = reactor.T
        network.solve_steady()
    except ct.CanteraError as error:
        return replace(blown_out, status="failed", reason=_first_line(error))
    # Steady solvers fall on the cold branch without a word: the temperature tells.
    if reactor.T < EXTINCT_K or abs(reactor.T - before) > 50.0:
        return blown_out
    del controllers
    return replace(blown_out, status="burning", reason="", gas=equilibrium.state_of(reactor.phase, ratio, fed))


def burn_out(
    start: ReactorPoint, burn_out_ms: Sequence[float], *, cooling_ms: float | None = None
) -> list[ReactorPoint]:
    """Return the gas along a plug-flow zone behind a stirred reactor.

    Parameters
    ----------
    start : ReactorPoint
        From :func:`stirred_reactor`. Where it does not burn, every point of the zone says so.
    burn_out_ms : sequence of float
        Times in the zone, rising [ms].
    cooling_ms : float, optional
        Time constant of cooling towards 120 °C, with the gas's heat capacity at the start [ms]; None = adiabatic.

    Returns
    -------
    list of ReactorPoint
        One a time.

    Examples
    --------
    >>> first = stirred_reactor(1.8, 10.0)
    >>> later = burn_out(first, [20.0])[0]
    >>> later.gas.dry_ppm("CO") < 0.1 * first.gas.dry_ppm("CO")
    True
    """
    ct, gas = equilibrium.cantera(), mechanism()
    points = [replace(start, burn_out_ms=time, cooling_ms=cooling_ms) for time in burn_out_ms]
    if start.gas is None:
        why = f"nothing burns in the reactor before it: {start.reason}"
        return [replace(point, reason=why) for point in points]
    gas.TPX = start.gas.temp_k, ct.one_atm, start.gas.fractions
    entered = equilibrium.elements_per_kg(gas)
    parcel = ct.IdealGasConstPressureReactor(gas, clone=True)
    heat_rate = 0.0 if cooling_ms is None else parcel.mass * gas.cp_mass / (cooling_ms * 1e-3)
    gas.TP = SINK_K, ct.one_atm
    wall = ct.Wall(parcel, ct.Reservoir(gas, clone=True), A=1.0, U=heat_rate)
    network = ct.ReactorNet([parcel])
    network.rtol, network.atol = RELATIVE, ABSOLUTE
    for index, point in enumerate(points):
        try:
            network.advance(point.burn_out_ms * 1e-3)
        except ct.CanteraError as error:
            points[index] = replace(point, status="failed", reason=_first_line(error), gas=None)
        else:
            points[index] = replace(point, gas=equilibrium.state_of(parcel.phase, start.air_ratio, entered))
    del wall
    return points


def _first_line(error: Exception) -> str:
    lines = [line.strip("* ").strip() for line in str(error).splitlines()]
    return next((line for line in lines if line), "the solver gave up")[:120]
