"""The site: air pressure, intake temperature and humidity, and the densities that follow."""

from __future__ import annotations

from dataclasses import dataclass

from combust.data.arguments import names_keywords
from combust.data.errors import CombustError, Fault
from combust.data.told import Told
from combust.domain.reading import check_values
from combust.kernel import air
from combust.kernel.elementwise import elementwise
from combust.kernel.types import Floats, Truth

# More than any weather makes of the standard atmosphere (common practice, no source) [hPa].
MISMATCH_HPA = 60.0


@names_keywords
@dataclass(frozen=True, slots=True)
class Site(Told):
    """Combustion air at one place; many places are rows of a table (``interpret_table``, ``plan_fleet``).

    Parameters
    ----------
    altitude_m : float, optional
        Geometric height; the standard atmosphere gives the pressure.
    pressure_hpa : float, optional
        Station pressure; wins over altitude.
    intake_temp_c : float, default 15
        Combustion air entering the heater.
    humidity_pct : float, default 0
        Relative humidity.

    Raises
    ------
    CombustError
        Every value outside its band at once.

    Examples
    --------
    >>> round(Site().air_density_kg_m3, 3)
    1.225
    >>> round(Site(altitude_m=2000, intake_temp_c=0).density_ratio, 3)
    0.828
    """

    altitude_m: float | None = None
    pressure_hpa: float | None = None
    intake_temp_c: float = air.STANDARD_TEMP_C
    humidity_pct: float = 0.0
    derived = ("air_density_kg_m3", "density_ratio", "dry_air_density_ratio")

    def origins(self) -> dict[str, str]:
        """Return what follows from what.

        Returns
        -------
        dict
            Label of the row -> words.
        """
        usual = self.pressure == float(air.pressure_from_altitude(self.altitude_m or 0.0))
        where = "at sea level" if self.altitude_m is None else "at this altitude"
        told = {"pressure": f"that of the standard atmosphere {where}"} if usual else {}
        density = "from pressure, temperature and humidity"
        reference = "over that of 1013.25 hPa, 15 °C, dry"
        return {**told, "air density": density, "density ratio": reference, "dry air density ratio": reference}

    def __post_init__(self) -> None:
        values, faults = check_values({key: getattr(self, key) for key in self.__slots__})
        checked = {key: value for key, value in values.items() if isinstance(value, float)}
        height, pressure = checked.get("altitude_m"), checked.get("pressure_hpa")
        if height is not None and pressure is not None and pressure_mismatch(height, pressure):
            why, hint = mismatch_words(height)
            faults.append(Fault("pressure_hpa", pressure, "conflict", unit="hPa", why=why, hint=hint))
        if faults:
            raise CombustError(faults)
        if "pressure_hpa" not in checked:
            height = 0.0 if self.altitude_m is None else self.altitude_m
            checked["pressure_hpa"] = float(air.pressure_from_altitude(checked.get("altitude_m", height)))
        for key, value in checked.items():
            object.__setattr__(self, key, value)

    @property
    def pressure(self) -> float:
        """Station pressure [hPa]."""
        return float(self.pressure_hpa or 0.0)

    @property
    def air_density_kg_m3(self) -> float:
        """Density of the moist air [kg/m³]."""
        return float(air.air_density(self.pressure, self.intake_temp_c, self.humidity_pct))

    @property
    def dry_air_density_kg_m3(self) -> float:
        """Dry air in a cubic metre of the moist air [kg/m³]."""
        return float(air.dry_air_density(self.pressure, self.intake_temp_c, self.humidity_pct))

    @property
    def density_ratio(self) -> float:
        """Moist density over that of the reference air (1013.25 hPa, 15 °C, dry): for pressures [-]."""
        return self.air_density_kg_m3 / REFERENCE_DENSITY

    @property
    def dry_air_density_ratio(self) -> float:
        """Dry-air density over that of the reference air: for lambda and trims [-]."""
        return self.dry_air_density_kg_m3 / REFERENCE_DENSITY

    @property
    def humidity_ratio(self) -> float:
        """Water in the combustion air [mol per mol dry air]."""
        return float(air.humidity_ratio_moles(self.pressure, self.intake_temp_c, self.humidity_pct))

    def to_dict(self) -> dict[str, object]:
        """Return the site block of the JSON output.

        Returns
        -------
        dict
            Key -> value, units in the keys.
        """
        keys = (*self.__slots__, "air_density_kg_m3", "density_ratio", "dry_air_density_ratio")
        return {key: getattr(self, key) for key in keys} | {"density_reference": dict(DENSITY_REFERENCE)}


@elementwise
def pressure_mismatch(altitude_m: float | Floats, pressure_hpa: float | Floats) -> Truth:
    """Return where a station pressure cannot belong to a height: further off than any weather.

    Parameters
    ----------
    altitude_m : float or array
        Height [m], -5000 to 11 019; NaN is no mismatch, nor is what lies outside (NaN outside).
    pressure_hpa : float or array
        Station pressure [hPa], any; NaN is no mismatch.

    Returns
    -------
    bool or array of bool
        Whether it is more than 60 hPa off [-], in the broadcast shape.

    References
    ----------
    ISO 2533:1975; 60 hPa: common practice, no source.

    Examples
    --------
    >>> bool(pressure_mismatch(2000.0, 1013.25)), bool(pressure_mismatch(2000.0, 800.0))  # 795 hPa is usual
    (True, False)
    """
    return abs(pressure_hpa - air.pressure_from_altitude(altitude_m)) > MISMATCH_HPA


def mismatch_words(altitude_m: float) -> tuple[str, str]:
    """Return what is wrong with a station pressure that cannot belong to a height.

    Parameters
    ----------
    altitude_m : float
        Height [m], -5000 to 11 019 (NaN outside).

    Returns
    -------
    tuple of (str, str)
        What is wrong, and what to do.
    """
    usual = air.pressure_from_altitude(altitude_m)
    why = f"does not belong to {altitude_m:g} m (about {usual:.0f} hPa)"
    return why, "Give the station pressure, not reduced to sea level."


DENSITY_REFERENCE = {"pressure_hpa": air.STANDARD_PRESSURE_HPA, "temp_c": air.STANDARD_TEMP_C, "humidity_pct": 0.0}
REFERENCE_DENSITY = float(air.air_density(air.STANDARD_PRESSURE_HPA, air.STANDARD_TEMP_C, 0.0))
