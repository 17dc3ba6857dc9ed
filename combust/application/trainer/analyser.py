"""The simulated analyser: hose, cells, thermocouple and display in front of a simulated heater."""

from __future__ import annotations

from typing import NamedTuple

from combust.application.causes.clean_gas import O2_AIR, CleanGas, kept_in_sample
from combust.data.arguments import names_keywords
from combust.data.tables import load_numbers
from combust.data.told import Rows, Told, rows_of, tells
from combust.domain.fuel import Fuel
from combust.domain.instrument import InstrumentClass, instrument_class
from combust.kernel.sampling_line import TransportDelay, first_order_step, lag_from_t90

WATER_G_PER_L = 0.75  # of vapour at 20 °C, 18 g in 24 l: what condenses from a litre of water vapour


class Sampled(NamedTuple):
    """The gas at the probe: dry O2 [%], dry CO [ppm], lambda of the wet gas [-], whether it burns, flue [°C]."""

    o2_pct: float
    co_ppm: float
    air_ratio: float
    burns: bool
    flue_c: float


@tells()
class Shown(NamedTuple):
    """The display: O2 [%], CO [ppm], flue temperature [°C]; CO above the range is ``over_range``."""

    o2_dry_pct: float
    co_dry_ppm: float
    flue_temp_c: float
    over_range: bool


@names_keywords
class SimulatedAnalyser(Told):
    """An analyser that shows what arrives in its cells: plug flow in the hose, then first-order cells.

    Simulated: hose, cells and trap are conventions of ``heater_dynamics.toml``, no instrument's. A leak, water and a
    drifting O2 cell act as they do in the ranking of causes.

    Parameters
    ----------
    fuel : Fuel
    instrument : str or InstrumentClass, optional
        Its resolution and its CO range.

    Examples
    --------
    >>> from combust.domain.catalogue import get_fuel
    >>> analyser = SimulatedAnalyser(get_fuel("diesel_b7"))
    >>> analyser.shown.o2_dry_pct
    20.9
    """

    def __init__(self, fuel: Fuel, *, instrument: str | InstrumentClass | None = None) -> None:
        self.instrument = instrument_class(instrument)
        self._numbers = load_numbers("heater_dynamics", "analyser")
        self.gas = CleanGas.of(fuel)
        hose = self._numbers["transport_s"]
        self._o2_hose, self._co_hose = TransportDelay(hose, O2_AIR), TransportDelay(hose, 0.0)
        self._o2, self._co, self._flue = O2_AIR, 0.0, 15.0
        self._o2_lag = float(lag_from_t90(self._numbers["o2_t90_s"]))
        self._co_lag = float(lag_from_t90(self._numbers["co_t90_s"]))
        self._since_refresh = 0.0
        self.trap_ml = 0.0
        self.shown = self._display()

    def lines(self) -> Rows:
        """Return what the display shows."""
        return rows_of(self.shown)

    def empty_trap(self) -> None:
        """Empty the water trap."""
        self.trap_ml = 0.0

    @property
    def trap_full(self) -> bool:
        """Whether the trap is full: water then reaches the cells."""
        return self.trap_ml >= self._numbers["trap_ml"]

    def step(self, sample: Sampled, dt_s: float, *, leak: float, wet: float, drift_pct: float) -> None:
        """Draw gas for a time and go on to what the display shows then.

        Parameters
        ----------
        sample : Sampled
        dt_s : float
            [s]
        leak, wet : float
            Share of air that leaks in; share of the gas's water that reaches the cell [-].
        drift_pct : float
            What the O2 cell shows too much [%].
        """
        water = float(self.gas.water_share(sample.air_ratio)) if sample.burns else 0.0
        drawn_l = self._numbers["sample_l_per_min"] * dt_s / 60.0 * (1.0 - leak)
        self.trap_ml = min(self.trap_ml + drawn_l * water * WATER_G_PER_L, self._numbers["trap_ml"])
        o2, co = in_the_cells(sample, leak=leak, water=water * (1.0 if self.trap_full else wet), drift_pct=drift_pct)
        self._o2 = float(first_order_step(self._o2, self._o2_hose.push(dt_s, o2), dt_s, self._o2_lag))
        self._co = float(first_order_step(self._co, self._co_hose.push(dt_s, co), dt_s, self._co_lag))
        self._flue = float(first_order_step(self._flue, sample.flue_c, dt_s, self._numbers["thermocouple_s"]))
        self._since_refresh += dt_s
        if self._since_refresh >= self._numbers["refresh_s"] - 1e-9:
            self._since_refresh = 0.0
            self.shown = self._display()

    def _display(self) -> Shown:
        one, range_end = self.instrument, self._numbers["co_most_ppm"]
        o2 = _rounded(min(max(self._o2, 0.0), 21.5), one.o2_resolution_pct)
        co = _rounded(min(self._co, range_end), one.co_resolution_ppm)
        flue = _rounded(self._flue, self._numbers["temp_resolution_c"])
        return Shown(o2, co, flue, self._co > range_end)


def in_the_cells(sample: Sampled, *, leak: float, water: float, drift_pct: float) -> tuple[float, float]:
    """Return O2 [%] and CO [ppm] of what reaches the cells: leaked air and the water left in it included."""
    kept = kept_in_sample(leak, water)
    return sample.o2_pct * kept + O2_AIR * leak + drift_pct, sample.co_ppm * kept


def _rounded(value: float, step: float) -> float:
    return round(round(value / step) * step, 6)
