"""The cab and its night: a worked fleet, worked independently, number by number."""

from __future__ import annotations

import pytest

from combust.kernel import cab, wiring
from tests.source_rows import SourceRow, source_rows

NOTES = "worked fleet: UA 50 W/K, cab 20 °C (worked independently)"
# Group: outdoors [°C], demand [kW], output at the kept lambda [kW], temperature reached [°C].
NIGHTS = {
    "V1": (-12.0, "1.60", 1.79, "20"), "V2": (-18.0, "1.90", 1.67, "15.5"), "V3": (-25.0, "2.25", 1.57, "6.5"),
    "V4": (-15.0, "1.75", 1.36, "12.3"), "V5": (-5.0, "1.25", 2.00, "20"),
}  # fmt: skip


def rows() -> list[SourceRow]:
    found = []
    for group, (outdoors, demand, output, reached) in NIGHTS.items():
        found += [
            SourceRow("independent", NOTES, f"{group}: heat demand [kW]", demand,
                      lambda t=outdoors: cab.heat_demand(50.0, 20.0, t), status="COMP"),
            # The output is printed to 0.01 kW: half of that over 50 W/K is 0.1 K.
            SourceRow("independent", NOTES, f"{group}: cab reached [°C]", reached,
                      lambda t=outdoors, kw=output: cab.cab_temperature_reached(50.0, t, kw, 20.0),
                      tolerance=0.15, status="COMP"),
        ]  # fmt: skip
    return found


@source_rows(
    *rows(),
    SourceRow("independent", "worked apart: 20 m³/h is about 7 W/K", "loss by ventilation [W/K]", "7",
              lambda: cab.heat_loss_coefficient(0.0, 20.0, 1.2), tolerance=0.5, status="COMP"),
    # Litres a night = demand x hours / (efficiency x 9.93); efficiency 0.80 gives the printed values.
    *(
        SourceRow("independent", "worked apart: litres a night at 9.93 kWh/l, efficiency 0.80",
                  f"{demand} kW over 10 h [l]", printed,
                  lambda kw=demand: cab.fuel_volume(kw, 10.0, 0.80, 9.93), status="COMP")
        for demand, printed in ((1.25, "1.57"), (1.6, "2.0"), (1.9, "2.4"), (2.25, "2.8"))
    ),
    SourceRow("independent", "worked apart: 15 W over 10 h, two starts of 110 W x 125 s and 25 W x 200 s: 160 Wh",
              "energy of a night [Wh]", "160",
              lambda: wiring.night_energy(15, 10, starts=2, glow_w=110, glow_s=125, run_on_w=25, run_on_s=200),
              tolerance=0.6, status="COMP"),
    SourceRow("memory", "usable battery at -20 °C about 60 % (from memory, medium)",
              "usable share at -20 °C", "0.60", lambda: cab.battery_usable_share(-20.0, 0.60), status="MEM-M"),
    SourceRow("memory", "a cold lead-acid battery at -30 °C: about half of its charge (from memory, low)",
              "usable share at -30 °C", "0.50", lambda: cab.battery_usable_share(-30.0, 0.60), tolerance=0.1,
              status="MEM-L"),
    SourceRow("hand", "half way between -20 and 20 °C: (0.60 + 1)/2", "usable share at 0 °C", "0.80",
              lambda: cab.battery_usable_share(0.0, 0.60)),
)  # fmt: skip
def test_night(row: SourceRow) -> None:
    row.check()


def test_a_warm_night_needs_no_heat_and_the_thermostat_holds() -> None:
    assert cab.heat_demand(50.0, 20.0, 25.0) == 0.0
    assert cab.cab_temperature_reached(50.0, 25.0, 0.0, 20.0) == 25.0
    assert cab.battery_usable_share(-40.0, 0.6) == pytest.approx(0.4)  # as far below 0.6 as 0 °C is above it
    assert cab.battery_usable_share(-80.0, 0.5) == 0.0
    assert cab.battery_usable_share(35.0, 0.6) == pytest.approx(1.0)
