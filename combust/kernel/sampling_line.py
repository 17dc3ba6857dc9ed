"""A sample on its way: transport delay in a hose (plug flow) and the first-order answer of a sensor."""

from __future__ import annotations

import math
from collections import deque

import numpy as np

from combust.kernel.elementwise import elementwise
from combust.kernel.types import X

T90_PER_LAG = math.log(10.0)  # a first-order step reaches 90 % after this many lags


@elementwise
def lag_from_t90(t90_s: X | float) -> X:
    """Return the lag of a first-order sensor from its time to 90 % of a step [s]: T90 = ln 10 x lag.

    Parameters
    ----------
    t90_s : float or array
        Time to 90 % of a step [s], 0 or more (unchecked).

    Returns
    -------
    float or array
        Lag [s], in the shape given.

    References
    ----------
    First-order step response.

    Examples
    --------
    >>> round(lag_from_t90(23.0), 1)  # 23/2.303
    10.0
    """
    return t90_s / T90_PER_LAG


@elementwise
def first_order_step(shown: X | float, true: X | float, dt_s: X | float, lag_s: X | float) -> X:
    """Return what a first-order sensor shows after a step of time in which the true value did not change.

    Exact for any step: shown' = true + (shown - true) exp(-dt/lag).

    Parameters
    ----------
    shown, true : float or array
        Before the step, and what is there during it [one unit], any.
    dt_s : float or array
        Length of the step [s], 0 or more (unchecked).
    lag_s : float or array
        Lag of the sensor [s], above 0 (unchecked).

    Returns
    -------
    float or array
        What is shown [the same unit], in the broadcast shape.

    References
    ----------
    First-order step response.

    Examples
    --------
    >>> round(float(first_order_step(0.0, 10.0, 20.0, lag_from_t90(20.0))), 9)
    9.0
    """
    return true + (shown - true) * np.exp(-dt_s / lag_s)


class TransportDelay:
    """Plug flow by volume: what goes in comes out after the volume of the line has followed it, unmixed.

    With the volume in seconds and a steady flow of 1 it is a delay in time; with millilitres it is a fuel line.

    Parameters
    ----------
    volume : float
        Of the line, in the unit of what is pushed, above 0.
    value : float
        What the line is filled with at the beginning.

    Examples
    --------
    >>> hose = TransportDelay(3.0, 20.9)
    >>> [hose.push(1.0, 8.0) for _ in range(4)]
    [20.9, 20.9, 20.9, 8.0]
    """

    def __init__(self, volume: float, value: float) -> None:
        self._volume = volume
        self._line: deque[list[float]] = deque([[volume, value]])  # the oldest first: volume, value

    def push(self, volume: float, value: float) -> float:
        """Return the mean value of what leaves while a volume of one value enters; 0 volume returns the end's value.

        Parameters
        ----------
        volume : float
            What is pushed in [unit of the line's volume], 0 or more; less counts as 0.
        value : float
            Its value [one unit], any.

        Returns
        -------
        float
            Mean value of what leaves [the same unit], one number.

        References
        ----------
        Plug flow, no mixing.

        Examples
        --------
        >>> TransportDelay(2.0, 20.9).push(4.0, 8.0)  # half of what leaves was in the line
        14.45
        """
        line = self._line
        if volume <= 0.0:
            return line[0][1]
        if line[-1][1] == value:
            line[-1][0] += volume
        else:
            line.append([volume, value])
        left, gone = volume, 0.0
        while left > 0.0:
            part = line[0]
            if part[0] > left or len(line) == 1:
                part[0] -= left
                gone += left * part[1]
                break
            gone += part[0] * part[1]
            left -= part[0]
            line.popleft()
        return gone / volume

    @property
    def content(self) -> float:
        """Volume times value of all that is inside [product of both units]: what must balance."""
        return math.fsum(volume * value for volume, value in self._line)
