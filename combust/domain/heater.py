"""The heater: what its plate, its own document and its healthy readings say; frozen, missing stays None."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from pathlib import Path
from types import MappingProxyType
from typing import Any

from combust.data.arguments import names_keywords
from combust.data.errors import CombustError, Fault
from combust.data.near import did_you_mean, near_matches
from combust.data.tables import read_text, toml_of_text
from combust.data.told import Told
from combust.domain.catalogue import Catalogue
from combust.domain.fuel import Fuel
from combust.domain.profile_values import checked_profile
from combust.domain.reading import Reading

ORIGINS = ("unit", "provisional", "type")  # of a healthy reading, the best first


@dataclass(frozen=True, slots=True)
class Stage(Told):
    """A heat stage as the heater's document states it.

    Attributes
    ----------
    fuel_l_per_h, useful_heat_kw, pump_hz, blower_rpm : float or None
        Fuel flow [l/h], useful heat [kW], pump frequency [Hz], blower speed [1/min].
    air_ratio_band : tuple of two floats or None
        Healthy lambda from low to high [-].
    """

    name: str
    fuel_l_per_h: float | None = None
    useful_heat_kw: float | None = None
    pump_hz: float | None = None
    blower_rpm: float | None = None
    air_ratio_band: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class Baseline(Told):
    """A healthy reading of this heater (``unit``), of this one as it was once found, or of another of its type.

    ``provisional`` (found well, not known to be) and ``type`` add spread.

    ``reading`` has the profile's fuel filled in where it named none; ``fuel`` is what was burnt then.
    """

    origin: str
    stage: str
    reading: Reading
    fuel: Fuel


@dataclass(frozen=True, slots=True)
class HeaterLimits(Told):
    """Limits of the heater's own document: height [m], height with a compensation kit [m] and lowest lambda [-]."""

    altitude_m: float | None = None
    compensation_altitude_m: float | None = None
    air_ratio_min: float | None = None
    source: str | None = None


@dataclass(frozen=True, slots=True)
class StartTimes(Told):
    """Start programme of the heater's own document: times [s], one preheat for each attempt, pump frequency [Hz]."""

    check_s: float | None = None
    preheat_s: tuple[float, ...] = ()
    attempt_s: tuple[float, ...] = ()
    attempt_pump_hz: float | None = None
    cool_down_s: float | None = None


@dataclass(frozen=True, slots=True)
class ControlRules(Told):
    """What the controller goes by, from the heater's own document: temperatures [°C], counts, times [s]; None = untold.

    Used where the heater is simulated; a convention stands in for what is None.
    """

    flame_seen_c: float | None = None
    flame_lost_c: float | None = None
    hot_start_c: float | None = None
    outlet_trip_c: float | None = None
    relights: float | None = None
    failed_starts_allowed: float | None = None
    settle_s: float | None = None
    under_voltage_s: float | None = None


@dataclass(frozen=True, slots=True)
class Duct(Told):
    """A combustion-air or exhaust duct: length [m], bore [mm], bends of 90°, wall ``smooth`` or ``corrugated``.

    Bends and wall that were not given are None: a calculation then widens its answer. ``fittings`` are any of
    ``terminal``, ``screen``, ``silencer``.
    """

    length_m: float
    bore_mm: float
    bends_90: float | None = None
    wall: str | None = None
    fittings: tuple[str, ...] = ()


@names_keywords
@dataclass(frozen=True, slots=True)
class Heater(Told):
    """A heater profile. Only fuel, one stage and a baseline or an ``air_ratio_band`` are always there.

    Attributes
    ----------
    blower : str
        ``centrifugal``, ``side_channel`` or ``unknown``.
    speed_regulated : bool or None
        None = unknown.
    blower_rpm_max, power_run_w, glow_a, cutout_v, nominal_v, stroke_ul : float or None
        [1/min], [W], [A], [V], [V], [µl per stroke].
    stages, ducts : mapping
        Name -> Stage; ``intake`` and ``exhaust`` -> Duct.
    fuel_of_document : Fuel or None
        What its document is written for, where another ``fuel`` is in the tank; see :attr:`made_for`.
    """

    fuel: Fuel
    stages: Mapping[str, Stage]
    baselines: tuple[Baseline, ...] = ()
    heater_id: str | None = None
    nominal_v: float | None = None
    blower: str = "unknown"
    speed_regulated: bool | None = None
    blower_rpm_max: float | None = None
    power_run_w: float | None = None
    glow_a: float | None = None
    cutout_v: float | None = None
    heating_air_on_same_shaft: bool | None = None
    stroke_ul: float | None = None
    limits: HeaterLimits = field(default_factory=HeaterLimits)
    start: StartTimes | None = None
    control: ControlRules = field(default_factory=ControlRules)
    ducts: Mapping[str, Duct] = field(default_factory=lambda: MappingProxyType({}))
    fuel_of_document: Fuel | None = None

    @classmethod
    def load(cls, path: str | Path, *, catalogue: Catalogue | None = None) -> Heater:
        """Return the heater of a profile file (TOML).

        Parameters
        ----------
        path : str or Path
            The file.
        catalogue : mapping, optional
            Fuels beside the shipped ones.

        Returns
        -------
        Heater
            The profile, units in the names of its fields.

        Raises
        ------
        CombustError
            When the file cannot be read, or with every fault of the profile at once, each with its line.
        """
        text = read_text(path, quantity="profile")
        table = toml_of_text(text, quantity="profile", where=path)
        return cls._frozen(checked_profile(table, text, catalogue=catalogue))

    @classmethod
    def from_dict(
        cls,
        table: Mapping[str, Any],
        *,
        origin: str = "profile",
        catalogue: Catalogue | None = None,
        of_plate: bool = False,
    ) -> Heater:
        """Return the heater of a profile that is already a dictionary in the layout of the file.

        Parameters
        ----------
        table : mapping
            The layout of the file; ``baseline`` is a list of readings.
        origin : str
            What the errors call the whole of it.
        catalogue : mapping, optional
            Fuels beside the shipped ones.
        of_plate : bool
            Known only by its plate: neither a healthy reading nor an ``air_ratio_band`` need be there.

        Returns
        -------
        Heater
            The profile, units in the names of its fields.

        Raises
        ------
        CombustError
            Every fault at once.

        Examples
        --------
        >>> heater = Heater.from_dict({"fuel": "diesel_b7", "stages": {"high": {"air_ratio_band": [1.35, 1.8]}}})
        >>> heater.stage_of("high").air_ratio_band
        (1.35, 1.8)
        >>> heater.stroke_ul is None
        True
        """
        if not isinstance(table, Mapping):
            hint = "Give the keys of a profile; combust profile new writes a template."
            raise CombustError(Fault(origin, table, "format", why="holds no profile", hint=hint))
        return cls._frozen(checked_profile(table, catalogue=catalogue, of_plate=of_plate))

    @classmethod
    def _frozen(cls, checked: Mapping[str, Any]) -> Heater:
        parts = {
            "stages": MappingProxyType({name: Stage(name, **row) for name, row in checked["stages"].items()}),
            "baselines": tuple(Baseline(*row) for row in checked["baselines"]),
            "limits": HeaterLimits(**checked["limits"]),
            "start": StartTimes(**checked["start"]) if checked["start"] else None,
            "control": ControlRules(**checked["control"]),
            "ducts": MappingProxyType({name: Duct(**row) for name, row in checked["ducts"].items()}),
        }
        return cls(**{**checked, **parts})

    def __reduce__(self) -> tuple[Any, ...]:
        values = {record.name: getattr(self, record.name) for record in fields(self)}
        return (_remake, ({**values, "stages": dict(self.stages), "ducts": dict(self.ducts)},))

    def stage_of(self, name: str) -> Stage:
        """Return a stage by name.

        Parameters
        ----------
        name : str
            Name of the stage, like ``high``.

        Returns
        -------
        Stage
            What the heater's document says of it.

        Raises
        ------
        CombustError
            Unknown stage; the known names are told.
        """
        if name not in self.stages:
            hint = did_you_mean(near_matches(name, self.stages), f"It has {', '.join(self.stages)}.")
            raise CombustError(Fault("stage", name, "unknown_name", why="is no stage of this heater", hint=hint))
        return self.stages[name]

    def baseline_of(self, stage: str) -> Baseline | None:
        """Return the healthy reading of a stage: its own, a provisional one, its type's.

        Parameters
        ----------
        stage : str
            Name of the stage, like ``high``.

        Returns
        -------
        Baseline or None
            The best one there is; None when there is none.
        """
        found = [baseline for baseline in self.baselines if baseline.stage == stage]
        return min(found, key=lambda baseline: ORIGINS.index(baseline.origin), default=None)

    @property
    def made_for(self) -> Fuel:
        """The fuel that its document is written for, whatever is in the tank [mol/mol, MJ/kg]."""
        return self.fuel_of_document or self.fuel

    @property
    def is_provisional(self) -> bool:
        """Whether a healthy reading of it is one that nobody knew to be healthy yet: under suspicion."""
        return any(baseline.origin == "provisional" for baseline in self.baselines)


def _remake(values: dict[str, Any]) -> Heater:
    frozen = {"stages": MappingProxyType(values["stages"]), "ducts": MappingProxyType(values["ducts"])}
    return Heater(**{**values, **frozen})
