"""Intake and exhaust ducts: pressure loss of a geometry at a duty, and what a change of geometry multiplies it by."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from combust.kernel import gas_flow
from combust.kernel.duct_shape import DuctLoss, DuctShape, Multiplier
from combust.kernel.duct_table import COVERAGE, bore_u_mm, fitting, wall_factor
from combust.kernel.elementwise import elementwise
from combust.kernel.gas_flow import Duty, contraction_k, expansion_k, friction_factor
from combust.kernel.types import Floats, Truth, X

SECONDS_PER_HOUR, MILLIMETRE = 3600.0, 1e-3
# Friction is not repeatable while the flow turns turbulent (convention of this project), as relative u.
TRANSITION_U = 0.15
STEP = 1e-4


Parameters = Mapping[str, tuple[float, float]]


@elementwise
def velocity_head(duty: Duty[X] | Duty[float], bore_mm: X | float) -> tuple[X, X, X]:
    """Return velocity, Reynolds number and velocity head of a duty in a bore.

    Parameters
    ----------
    duty : Duty
        What flows [kg/h, kg/m³, Pa s].
    bore_mm : float or array
        Inner diameter [mm], above 0 (unchecked).

    Returns
    -------
    tuple of float or array
        Velocity [m/s], Reynolds number [-], velocity head [Pa], in the broadcast shape.

    References
    ----------
    Continuity; rho v²/2.

    Examples
    --------
    >>> velocity, _, head = velocity_head(Duty(3600.0 * np.pi / 4.0, 1.0, 1.8e-5), 1000.0)
    >>> round(float(velocity), 9), round(float(head), 9)  # pi/4 kg/s of 1 kg/m³ through 1 m bore
    (1.0, 0.5)
    """
    bore = np.asarray(bore_mm, dtype=float) * MILLIMETRE
    mass = np.asarray(duty.mass_flow_kg_per_h, dtype=float) / SECONDS_PER_HOUR
    velocity = mass / (duty.density_kg_per_m3 * np.pi / 4.0 * bore**2)
    reynolds = duty.density_kg_per_m3 * velocity * bore / duty.viscosity_pa_s
    return velocity, reynolds, 0.5 * duty.density_kg_per_m3 * velocity**2


def _parameters(shape: DuctShape[Any]) -> dict[str, tuple[float, float]]:
    """Return every uncertain number of a geometry, name -> (value, u); one name is one number in both of two ducts."""
    kind = shape.wall or "unknown"
    found = {f"wall_{kind}": wall_factor(shape.wall), f"bend_{kind}": fitting(f"bend_{kind}")}
    found |= {name: fitting(name) for name in (shape.end, *shape.fittings)}
    found["transition"] = (1.0, TRANSITION_U)
    if shape.bends_90 is None:
        found["bends_unknown"] = (1.0, 0.5)
    for key in ("bore_mm", "crushed_bore_mm"):
        if getattr(shape, key) is not None and np.ndim(getattr(shape, key)) == 0:
            found[f"bore_{float(getattr(shape, key)):.3f}"] = (0.0, bore_u_mm())
    return found


@elementwise
def in_transition(reynolds: float | Floats) -> Truth:
    """Return where the flow is turning turbulent and friction is not repeatable.

    Parameters
    ----------
    reynolds : float or array
        Reynolds number [-], any.

    Returns
    -------
    bool or array of bool
        Whether it is [-], in the shape given.

    References
    ----------
    Common practice, no source: pipes turn turbulent between about 2000 and 4000.

    Examples
    --------
    >>> in_transition(2500.0), in_transition(10_000.0)
    (True, False)
    """
    return (reynolds > gas_flow.LAMINAR_BELOW * 0.8) & (reynolds < gas_flow.TURBULENT_ABOVE * 1.3)


def _straight(duty: Duty[Any], bore_mm: Any, factor: float, transition: float) -> tuple[Any, Any]:
    """Return (loss of one metre, velocity head) [Pa] in a bore."""
    _, reynolds, head = velocity_head(duty, bore_mm)
    uneven = np.where(in_transition(reynolds), transition, 1.0)
    return factor * uneven * friction_factor(reynolds) * head / (np.asarray(bore_mm, dtype=float) * MILLIMETRE), head


def _loss(shape: DuctShape[Any], duty: Duty[Any], numbers: Mapping[str, float]) -> Any:
    """Return the loss of total pressure [Pa] with every uncertain number as given."""
    kind = shape.wall or "unknown"

    def bore_of(key: str) -> Any:
        bore = getattr(shape, key)
        return bore + numbers[f"bore_{float(bore):.3f}"] if np.ndim(bore) == 0 else bore

    bends = numbers["bends_unknown"] if shape.bends_90 is None else shape.bends_90
    factor, uneven = numbers[f"wall_{kind}"], numbers["transition"]
    bore = bore_of("bore_mm")
    per_metre, head = _straight(duty, bore, factor, uneven)
    heads = numbers[shape.end] + bends * numbers[f"bend_{kind}"] + sum(numbers[name] for name in shape.fittings)
    crushed = 0.0 if shape.crushed_bore_mm is None else shape.crushed_length_m
    loss = (shape.length_m - crushed) * per_metre + heads * head
    if shape.crushed_bore_mm is None:
        return loss
    narrow = np.minimum(bore_of("crushed_bore_mm"), bore)
    narrow_metre, narrow_head = _straight(duty, narrow, factor, uneven)
    ratio = narrow / bore
    local = (contraction_k(ratio) + expansion_k(ratio)) * narrow_head
    return loss + np.where(np.asarray(crushed) > 0.0, crushed * narrow_metre + local, 0.0)


@elementwise
def duct_loss(shape: DuctShape[X] | DuctShape[float], duty: Duty[X] | Duty[float]) -> DuctLoss[X]:
    """Return the pressure loss of a duct at a duty.

    Friction of a smooth round pipe times the wall's factor, plus bends, end and fittings. A short duct's developing
    flow is within the stated limits; wind on the terminal is not in it.

    Parameters
    ----------
    shape : DuctShape
        Geometry: lengths [m], bores [mm], above 0 (unchecked).
    duty : Duty
        From :func:`~combust.kernel.gas_flow.intake_duty` or :func:`~combust.kernel.gas_flow.exhaust_duty`.

    Returns
    -------
    DuctLoss
        Losses and pressures [Pa] with 95 % limits, in the broadcast shape.

    References
    ----------
    Darcy-Weisbach; fittings and walls of ``combust/data/duct_losses.toml``, source beside each row.

    Examples
    --------
    >>> from combust.kernel.gas_flow import gas_density, gas_viscosity
    >>> duty = Duty(10.1, gas_density(1013.25, 380.0), gas_viscosity(380.0))
    >>> loss = duct_loss(DuctShape(length_m=1.0, bore_mm=24.0, bends_90=0, wall="corrugated"), duty)
    >>> bool(100 < loss.per_metre_pa < 125)
    True
    """
    parameters = _parameters(shape)
    middle = {name: value for name, (value, _) in parameters.items()}
    loss = _loss(shape, duty, middle)
    u_share = _spread(parameters, lambda numbers: np.log(_loss(shape, duty, numbers)))
    kind = shape.wall or "unknown"
    velocity, reynolds, head = velocity_head(duty, shape.bore_mm)
    wall_u = parameters[f"wall_{kind}"][1] / middle[f"wall_{kind}"]
    per_metre, _ = _straight(duty, shape.bore_mm, middle[f"wall_{kind}"], 1.0)
    mass = np.asarray(duty.mass_flow_kg_per_h, dtype=float) / SECONDS_PER_HOUR
    static = loss - head if shape.end == "exit" else -(loss + head)
    return DuctLoss(
        loss_pa=loss,
        low_pa=loss * np.exp(-COVERAGE * u_share),
        high_pa=loss * np.exp(COVERAGE * u_share),
        u_share=u_share,
        per_metre_pa=per_metre,
        per_metre_u_share=np.where(in_transition(reynolds), np.hypot(wall_u, TRANSITION_U), wall_u),
        bend_pa=middle[f"bend_{kind}"] * head,
        port_static_pa=static,
        velocity_m_per_s=velocity,
        reynolds=reynolds,
        resistance_per_m4=loss * duty.density_kg_per_m3 / mass**2,
    )


@elementwise
def resistance_multiplier(
    before: DuctShape[X] | DuctShape[float], after: DuctShape[X] | DuctShape[float], duty: Duty[X] | Duty[float]
) -> Multiplier[X]:
    """Return by how much a change of geometry multiplies a duct's resistance, at the same mass flow.

    What both ducts share (the same wall's factor, the same kind of bend) is one uncertain number and largely cancels;
    a bore that changed is uncertain by itself.

    Parameters
    ----------
    before, after : DuctShape
        The two geometries: lengths [m], bores [mm], above 0 (unchecked).
    duty : Duty
        What flows through both.

    Returns
    -------
    Multiplier
        Ratio and 95 % limits [-], in the broadcast shape.

    References
    ----------
    As for :func:`duct_loss`; JCGM 100:2008, 5.1.2 for the limits.

    Examples
    --------
    >>> from combust.kernel.gas_flow import gas_density, gas_viscosity
    >>> duty = Duty(10.1, gas_density(1013.25, 380.0), gas_viscosity(380.0))
    >>> sound = DuctShape(length_m=1.0, bore_mm=24.0, bends_90=0, wall="corrugated")
    >>> longer = resistance_multiplier(sound, sound._replace(length_m=3.0), duty)
    >>> bool(2.0 < longer.value < 3.0)
    True
    """
    parameters = {**_parameters(before), **_parameters(after)}

    def logarithm(numbers: Mapping[str, float]) -> Any:
        return np.log(_loss(after, duty, numbers) / _loss(before, duty, numbers))

    middle = {name: value for name, (value, _) in parameters.items()}
    value, u = np.exp(logarithm(middle)), _spread(parameters, logarithm)
    return Multiplier(value, u, value * np.exp(-COVERAGE * u), value * np.exp(COVERAGE * u))


def _spread(parameters: Parameters, function: Any) -> Any:
    """Return the standard uncertainty of a function of independent numbers (central differences, first order)."""
    middle = {name: value for name, (value, _) in parameters.items()}
    variance: Any = 0.0
    for name, (value, u) in parameters.items():
        up, down = function({**middle, name: value + STEP * u}), function({**middle, name: value - STEP * u})
        variance = variance + ((up - down) / (2.0 * STEP)) ** 2
    return np.sqrt(variance)


@elementwise
def friction_multiplier_of_bore(before_mm: X | float, after_mm: X | float) -> X:
    """Return (before/after)^5: friction alone, the same mass flow and friction factor [-].

    The full formula (:func:`resistance_multiplier`) gives less: the friction factor falls as the narrower flow gets
    faster, and bends go with the fourth power.

    Parameters
    ----------
    before_mm, after_mm : float or array
        Inner diameters [mm], above 0 (unchecked).

    Returns
    -------
    float or array
        Ratio [-], in the broadcast shape.

    References
    ----------
    Darcy-Weisbach.

    Examples
    --------
    >>> round(friction_multiplier_of_bore(24.0, 18.0), 1)  # (4/3)^5
    4.2
    """
    return (before_mm / after_mm) ** 5


@elementwise
def air_after_change(multiplier: X | float, share: X | float, steepness: X | float) -> X:
    """Return air after over air before when one duct's resistance is multiplied, blower speed unchanged [-].

    (1 - w + w r)^(-1/(2 + s)). Neither the duct's share w of the whole path nor the steepness s of the blower curve
    is known to the public: give ranges, not one number.

    Parameters
    ----------
    multiplier : float or array
        r, resistance after over before [-], above 0 (unchecked).
    share : float or array
        w [-], 0 to 1 (unchecked).
    steepness : float or array
        s = -d ln p/d ln Q [-], about 0 (centrifugal near its flat part) to 2 (side-channel) (unchecked).

    Returns
    -------
    float or array
        Ratio [-], in the broadcast shape.

    See Also
    --------
    resistance_from_air_change : the inverse, of the whole path.

    References
    ----------
    Loss goes with the square of the flow; a blower curve as a power law.

    Examples
    --------
    >>> round(1.0 - float(air_after_change(2.0, 0.2, 0.0)), 3)  # 1 - 1.2^-0.5
    0.087
    """
    return (1.0 - share + share * np.asarray(multiplier, dtype=float)) ** (-1.0 / (2.0 + steepness))


@elementwise
def resistance_from_air_change(remaining: X | float, steepness: X | float) -> X:
    """Return the total resistance ratio that leaves a share of the volume flow: R = q^-(2+s) [-].

    Parameters
    ----------
    remaining : float or array
        q, volume flow after over before [-], above 0 (unchecked).
    steepness : float or array
        s = -d ln p/d ln Q of the blower [-], 0 to 2.5 (unchecked).

    Returns
    -------
    float or array
        Resistance after over before [-], in the broadcast shape.

    See Also
    --------
    air_after_change : the inverse, of one duct.

    References
    ----------
    Loss goes with the square of the flow; a blower curve as a power law.

    Examples
    --------
    >>> resistance_from_air_change(0.5, 0.0)  # half the air at the same pressure: 2²
    4.0
    """
    return remaining ** -(2.0 + steepness)
