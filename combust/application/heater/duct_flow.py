"""What flows in the ducts of a heater: at a stage of a profile, or as given."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from combust.application.heater.baseline import healthy_stages
from combust.application.heater.structure import priors_table
from combust.data.errors import CombustError, Fault
from combust.data.fields import Field
from combust.data.told import Told
from combust.data.vocabulary import quantity
from combust.domain.catalogue import Catalogue, get_fuel
from combust.domain.fuel import Fuel
from combust.domain.heater import Heater
from combust.domain.profile_keys import profile_keys
from combust.domain.pump import density_at_pump
from combust.domain.result import Assumed, assume
from combust.domain.site import Site
from combust.kernel.gas_flow import Duty, exhaust_duty, intake_duty

AIR_RATIO = Field("air_ratio", low=0.8, high=10.0)
PLACE_KEYS = ("flue_temp_c", "intake_temp_c", "fuel_temp_c", "pressure_hpa")


@dataclass(frozen=True)
class DuctDuty(Told):
    """What flows: fuel, its flow at the pump [l/h], lambda, temperatures [°C], pressure [hPa]; ``assumed`` says why."""

    fuel: Fuel
    fuel_l_per_h: float
    air_ratio: float
    flue_temp_c: float | None = None
    intake_temp_c: float = 15.0
    fuel_temp_c: float | None = None
    pressure_hpa: float = 1013.25
    assumed: tuple[Assumed, ...] = ()
    aside = ("assumed",)

    def __post_init__(self) -> None:
        flow = profile_keys("stages")["fuel_l_per_h"]
        faults = [*flow.faults_of(self.fuel_l_per_h), *AIR_RATIO.faults_of(self.air_ratio)]
        faults += [fault for key in PLACE_KEYS if (fault := quantity(key).fault_of(getattr(self, key)))]
        if faults:
            raise CombustError(faults)

    @property
    def at_pump_c(self) -> float:
        """Temperature of the fuel at the pump: as given, else that of the intake air [°C]."""
        return self.intake_temp_c if self.fuel_temp_c is None else self.fuel_temp_c

    def in_duct(self, which: str) -> Duty[float]:
        """Return mass flow, density and viscosity in the intake or exhaust duct.

        Raises
        ------
        CombustError
            The flue temperature of an exhaust is missing.
        """
        mass = self.fuel_l_per_h * density_at_pump(self.fuel, self.at_pump_c) * 1e-3
        if which == "intake":
            temp, pressure = self.intake_temp_c, self.pressure_hpa
            return intake_duty(self.fuel, mass, self.air_ratio, intake_temp_c=temp, pressure_hpa=pressure)
        if self.flue_temp_c is None:
            hint = "Give the temperature at the exhaust port, for example --flue-temp 350."
            why = "is needed for an exhaust duct"
            raise CombustError(Fault("flue_temp_c", None, "missing", unit="°C", why=why, hint=hint))
        pressure = self.pressure_hpa
        return exhaust_duty(self.fuel, mass, self.air_ratio, flue_temp_c=self.flue_temp_c, pressure_hpa=pressure)


def duct_duty(
    heater: Heater | None = None,
    stage: str = "",
    *,
    fuel: str | None = None,
    fuel_l_per_h: float | None = None,
    air_ratio: float | None = None,
    flue_temp_c: float | None = None,
    intake_temp_c: float | None = None,
    fuel_temp_c: float | None = None,
    altitude_m: float | None = None,
    pressure_hpa: float | None = None,
    catalogue: Catalogue | None = None,
) -> DuctDuty:
    """Return what flows at a stage of a heater, from its healthy reading and its profile; or what is given alone.

    Another site without its own ``air_ratio`` gets that of the healthy heater there, on the fuel in use.

    Parameters
    ----------
    heater : Heater, optional
        Without it ``fuel``, ``fuel_l_per_h`` and ``air_ratio`` are needed.
    stage : str
        Name of a stage of the heater.
    fuel : str, optional
        Name of the fuel where there is no heater.
    fuel_l_per_h, air_ratio : float, optional
        Fuel flow [l/h], lambda [-], 0.8 to 10; they win, others are refused.
    flue_temp_c, intake_temp_c, fuel_temp_c : float, optional
        At the exhaust port, the intake and the pump [°C]; they win, what cannot be is refused.
    altitude_m, pressure_hpa : float, optional
        Height [m] or station pressure [hPa]; they win, what cannot be is refused.
    catalogue : mapping, optional
        Fuels beside the shipped ones.

    Returns
    -------
    DuctDuty
        Fuel flow [l/h], lambda [-], temperatures [°C], pressure [hPa]; ``assumed`` says what stood in.

    Raises
    ------
    CombustError
        Unknown stage or fuel, or neither given nor known: fuel, its flow, lambda; all at once.

    See Also
    --------
    duct_check : the loss of a duct at this duty.

    References
    ----------
    ISO 2533:1975 for the air; the healthy reading as for :func:`combust.site_effect`.

    Examples
    --------
    >>> duct_duty(fuel="diesel_b7", fuel_l_per_h=0.5, air_ratio=1.6, flue_temp_c=380.0).pressure_hpa
    1013.25
    """
    given: dict[str, Any] = {"fuel_l_per_h": fuel_l_per_h, "air_ratio": air_ratio, "flue_temp_c": flue_temp_c}
    given |= {"intake_temp_c": intake_temp_c, "fuel_temp_c": fuel_temp_c}
    given |= {"altitude_m": altitude_m, "pressure_hpa": pressure_hpa}
    assumed: list[Assumed] = []
    faults: list[Fault] = []
    given = {key: value for key, value in given.items() if value is not None}
    healthy = healthy_stages(heater, priors_table())[heater.stage_of(stage).name] if heater else None
    reading: Mapping[str, Any] = healthy.baseline.reading if healthy and healthy.baseline else {}
    burnt = heater.fuel if heater else None
    try:
        burnt = get_fuel(fuel, catalogue=catalogue) if fuel and not heater else burnt
    except CombustError as error:
        faults += error.faults

    def fill(key: str, value: float | None, origin: str) -> None:
        if key not in given and value is not None:
            given[key] = value
            assumed.append(assume(key, value, origin))

    if "altitude_m" not in given and "pressure_hpa" not in given:
        given |= {key: reading[key] for key in ("altitude_m", "pressure_hpa") if key in reading}
    fill("intake_temp_c", reading.get("intake_temp_c"), "healthy reading")
    fill("intake_temp_c", 15.0, "standard air")
    site = Site(**{key: given[key] for key in ("altitude_m", "pressure_hpa", "intake_temp_c") if key in given})
    if "altitude_m" not in given:
        fill("pressure_hpa", site.pressure, "standard air")
    stand_ins = {one.quantity for one in healthy.assumed} if healthy else set()
    if healthy and "air_ratio" not in stand_ins:
        here = healthy.lambda_at(healthy.air_of(site), given.get("fuel_temp_c"))
        source = "middle of the stage's band" if "air_ratio at the baseline" in stand_ins else "healthy reading"
        fill("air_ratio", float(here.air_ratio_full[0]), f"{source}, brought to this air as by combust site")
    fill("flue_temp_c", reading.get("flue_temp_c"), "healthy reading")
    flow, ratio = given.get("fuel_l_per_h", healthy.fuel_l_per_h if healthy else None), given.get("air_ratio")
    in_profile = {"fuel_l_per_h": f"add it to [stages.{stage}]", "air_ratio": f"add a healthy reading of stage {stage}"}
    why = "is neither given nor in the profile" if heater else "is needed"
    for key, value in {"fuel": fuel or burnt, "fuel_l_per_h": flow, "air_ratio": ratio}.items():
        if value is None:
            hint = f"Give --{key.replace('_', '-')}, or {in_profile[key] if heater else '--heater and --stage'}."
            faults.append(Fault(key, None, "missing", why=why, hint=hint))
    if faults or burnt is None or flow is None or ratio is None:
        raise CombustError(faults)
    temps = {key: given[key] for key in ("flue_temp_c", "intake_temp_c", "fuel_temp_c") if key in given}
    return DuctDuty(burnt, flow, ratio, pressure_hpa=site.pressure, assumed=tuple(assumed), **temps)
