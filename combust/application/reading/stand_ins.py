"""What stands in for what a reading does not hold: of one reading, or of each row of a table."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from combust.application.reading.columns import Columns
from combust.domain.result import assume

DEFAULT_FUEL = "diesel"
STANDARD_ATMOSPHERE = "standard atmosphere"


class StandIn(NamedTuple):
    """What stands in for a quantity, whence, and where; of the pressure the value follows from the height."""

    key: str
    value: Any
    origin: str
    where: Any

    @property
    def text(self) -> str:
        """What is assumed, as it stands in a table."""
        words = isinstance(self.value, str)
        return f"{self.key} = {self.value if words else assume(self.key, self.value, self.origin).shown}"


def stand_ins(columns: Columns) -> tuple[StandIn, ...]:
    """Return what stands in where a quantity was not entered, each with one truth value or one for each row."""
    number, empty = columns.number, columns.empty
    no_pressure, no_height = np.isnan(number("pressure_hpa")), np.isnan(number("altitude_m"))
    has_co2 = ~np.isnan(number("co2_dry_pct")) | ~np.isnan(number("co2_wet_pct"))
    atmosphere = ("pressure_hpa", STANDARD_ATMOSPHERE)
    sea_level = f"{STANDARD_ATMOSPHERE} at sea level: no altitude, no pressure"
    no_co = "not entered: lambda is taken without CO, CO results are empty"
    at_height = f"{STANDARD_ATMOSPHERE} at the altitude entered"
    no_temp = "standard air for the density; no stack loss without the real one"
    return (
        StandIn("fuel", columns.fuels[-1].name, f"no fuel entered: {DEFAULT_FUEL}", columns.fuel_assumed),
        StandIn(*atmosphere, sea_level, no_pressure & no_height),
        StandIn(*atmosphere, at_height, no_pressure & ~no_height),
        StandIn("intake_temp_c", 15.0, no_temp, np.isnan(number("intake_temp_c"))),
        StandIn("humidity_pct", 0.0, "dry air", np.isnan(number("humidity_pct"))),
        StandIn("location", "indoors", "not entered: counts as indoors", empty("location")),
        StandIn("probe_leak_test", "not passed", "not entered: counts as not passed", empty("probe_leak_test")),
        StandIn("co_dry_ppm", 0.0, no_co, np.isnan(number("co_dry_ppm")) & np.isnan(number("co_wet_ppm"))),
        StandIn("co2_origin", "calculated", "not entered: counts as calculated", has_co2 & empty("co2_origin")),
    )
