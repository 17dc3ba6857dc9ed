"""A duct as records: its geometry, its loss at a duty, and what a change multiplies its resistance by."""

from __future__ import annotations

from typing import Generic, NamedTuple

from combust.data.arguments import names_keywords
from combust.data.told import tells
from combust.kernel.types import X


@names_keywords
@tells()
class DuctShape(NamedTuple, Generic[X]):
    """Geometry of a duct; numbers may be arrays.

    Attributes
    ----------
    length_m, bore_mm : float or array
        Length [m] and inner diameter [mm], above 0; what cannot be is refused where the duct is judged.
    bends_90 : float, array or None
        Bends of 90° [-], 0 or more; None counts one bend, more or less (``None`` is unknown, not 0).
    wall : str or None
        ``smooth``, ``corrugated``, or None = unknown.
    end : str
        ``entrance`` (intake: draws from open air) or ``exit`` (exhaust: blows into open air).
    fittings : tuple of str
        Any of ``terminal``, ``screen``, ``silencer``, as often as they occur.
    crushed_length_m, crushed_bore_mm : float, array or None
        A part of the length [m] at a smaller bore [mm].

    References
    ----------
    Sources of walls and fittings: ``combust/data/duct_losses.toml``.

    Examples
    --------
    >>> DuctShape(1.0, 24.0, bends_90=2, wall="corrugated").end
    'exit'
    """

    length_m: X
    bore_mm: X
    bends_90: X | float | None = None
    wall: str | None = None
    end: str = "exit"
    fittings: tuple[str, ...] = ()
    crushed_length_m: X | float = 0.0
    crushed_bore_mm: X | float | None = None


@tells()
class DuctLoss(NamedTuple, Generic[X]):
    """Loss of a duct at a duty, with 95 % limits.

    Attributes
    ----------
    loss_pa, low_pa, high_pa, u_share : float or array
        Loss of total pressure, end and fittings included [Pa], and its relative standard uncertainty [-].
    per_metre_pa, per_metre_u_share, bend_pa : float or array
        One metre of straight duct [Pa] with its relative standard uncertainty [-], one bend of 90° [Pa].
    port_static_pa : float or array
        Gauge pressure at the heater's port: negative at the intake, positive at the exhaust [Pa].
    velocity_m_per_s, reynolds, resistance_per_m4 : float or array
        In the full bore; C in loss = C m²/density [1/m⁴].
    """

    loss_pa: X
    low_pa: X
    high_pa: X
    u_share: X
    per_metre_pa: X
    per_metre_u_share: X
    bend_pa: X
    port_static_pa: X
    velocity_m_per_s: X
    reynolds: X
    resistance_per_m4: X


@tells()
class Multiplier(NamedTuple, Generic[X]):
    """A resistance over another at the same mass flow, its relative standard uncertainty, and 95 % limits."""

    value: X
    u_share: X
    low: X
    high: X
