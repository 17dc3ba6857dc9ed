"""Voltage from battery to heater: against printed cable tables, copper by another route, and hand-worked circuits."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq

from combust.data.tables import load_table
from combust.data.units import FOREIGN_UNITS
from combust.kernel import wiring
from tests.source_rows import SourceRow, source_rows

SIZING = "cable sizing table of the trade"
WIRE_TABLE = "resistance of solid annealed copper by wire number at 20 °C, handbooks (from memory, high)"
# Rest density of the acid and the rule of the trade, cell voltage = density + 0.845 (from memory, medium), six cells.
ACID = {1.0: 1.265, 0.75: 1.225, 0.5: 1.190, 0.25: 1.155, 0.0: 1.120}
IEC = "IEC 60228, class 5, highest resistance at 20 °C [ohm/km]"


@source_rows(
    SourceRow("published", f"{SIZING} (read)", "1.5 mm² [ohm/m]", "0.0127", lambda: wiring.conductor_resistance(1.5)),
    SourceRow("memory", SIZING, "2.5 mm² [mohm/m]", "7.6", lambda: 1e3 * wiring.conductor_resistance(2.5)),
    SourceRow("memory", SIZING, "4 mm² [mohm/m]", "4.71", lambda: 1e3 * wiring.conductor_resistance(4.0)),
    SourceRow("memory", SIZING, "6 mm² [mohm/m]", "3.14", lambda: 1e3 * wiring.conductor_resistance(6.0)),
    *(
        SourceRow("memory", IEC, f"{area} mm², flexible", printed, lambda a=area: _flexible(a))
        for area, printed in ((0.75, "26.0"), (1.0, "19.5"), (1.5, "13.3"), (2.5, "7.98"), (4.0, "4.95"),
                              (6.0, "3.30"), (10.0, "1.91"), (16.0, "1.21"))
    ),
    *(
        SourceRow("memory", WIRE_TABLE, f"number {number} [ohm/km]", printed, lambda n=number: _of_gauge(n), digits=2)
        for number, printed in ((16, "13.17"), (14, "8.286"), (12, "5.211"), (10, "3.277"))
    ),
    *(
        SourceRow("memory", "voltage at rest by the density of the acid + 0.845 V a cell (from memory, medium)",
                  f"{6 * (density + 0.845):.2f} V: charge [-]", str(charge),
                  lambda d=density: wiring.charge_at_rest(6 * (d + 0.845), 12.0), tolerance=0.1)
        for charge, density in ACID.items()
    ),
    SourceRow("memory", "copper, -16 % at -20 °C", "factor [-]", "0.84", lambda: wiring.temperature_factor(-20.0)),
    SourceRow("memory", "copper, +16 % at 60 °C", "factor [-]", "1.16", lambda: wiring.temperature_factor(60.0)),
    # Zero-resistance temperature of annealed copper, -234.5 °C: R(60)/R(20) = (234.5 + 60)/(234.5 + 20) = 1.1572.
    SourceRow("memory", "234.5 °C rule", "R(60)/R(20) [-]", "1.157", lambda: wiring.temperature_factor(60.0)),
)  # fmt: skip
def test_conductor(row):
    row.check()


def _of_gauge(number):
    area = FOREIGN_UNITS["_awg"][1](number)
    return 1e3 * wiring.conductor_resistance(area, table="pure_copper")


def _flexible(area):
    return 1e3 * wiring.conductor_resistance(area, table="flexible_maximum")


@pytest.mark.independent
def test_copper_by_wiedemann_and_franz():
    """Thermal conductivity of copper, 401 W/(m K) at 300 K (from memory), and the Lorenz number give 1.78e-8 ohm m."""
    lorenz = np.pi**2 / 3.0 * (1.380649e-23 / 1.602176634e-19) ** 2
    by_heat = lorenz * 293.15 / 401.0 * 1e6
    assert wiring.copper_resistivity(20.0) == pytest.approx(by_heat, rel=0.05)


@pytest.mark.independent
@pytest.mark.parametrize("table", ["usual", "flexible_maximum"])
def test_no_cable_beats_its_metal_and_none_is_far_from_it(table):
    """A stranded conductor has 3 to 18 % more than 1/58 ohm mm²/m over its nominal area."""
    for row in load_table("cables")[table]:
        ratio = row["milliohm_per_m"] * 1e-3 * row["area"] * 58.0
        assert 1.03 < ratio < 1.18, row


@pytest.mark.published
def test_sizing_formula_of_the_trade_gives_a_little_less():
    """A = 2 L I/(56 dU) (read): 10 A, 5 m, 0.5 V gives 3.57 mm²; ours takes the pessimistic 0.0127 ohm/m."""
    by_formula = 2 * 5 * 10 / (56 * 0.5)
    assert by_formula < wiring.cross_section_for(0.5, 5.0, 10.0) < by_formula * 1.07


# Worked by hand, diagram: battery 15 mohm, 2 x 5 m, contacts 20 mohm, 10 A.
#   12.2 - 10 (0.015 + 10 x 0.0127 + 0.020) = 12.2 - 1.62 = 10.58 V; 2.5 mm²: 12.2 - 1.11 = 11.09; 4 mm²: 12.2 - 0.821.
@pytest.mark.hand
@pytest.mark.parametrize(
    ("source", "area", "volts"),
    [(12.2, 1.5, 10.58), (12.2, 2.5, 11.09), (12.2, 4.0, 11.379), (11.8, 1.5, 10.18), (11.8, 4.0, 10.979)],
)
def test_voltage_at_glow(source, area, volts):
    loop = wiring.loop_resistance(5.0, area, contacts_mohm=20.0)
    assert wiring.voltage_under_load(source, 10.0, 0.015 + loop) == pytest.approx(volts, abs=1e-9)


@pytest.mark.hand
def test_a_drop_gives_its_resistance():
    """12.4 - 11.1 = 1.3 V at 10 A are 130 mohm; 24 V batteries hold by half of their voltage."""
    assert wiring.resistance_of_drop(12.4, 11.1, 10.0) == pytest.approx(0.130)
    assert wiring.charge_at_rest(24.48, 24.0) == pytest.approx(0.5)
    assert wiring.charge_at_rest(np.array([10.0, 14.0]), 12.0) == pytest.approx([0.0, 1.0])


@pytest.mark.hand
def test_24_volts_over_8_metres():
    """6 A (2 x 8 x 0.0127 + 0.020) = 6 x 0.2232 = 1.339 V; 2.5 mm²: 6 x 0.1416 = 0.850 V."""
    assert 6.0 * wiring.loop_resistance(8.0, 1.5, contacts_mohm=20.0) == pytest.approx(1.3392, abs=1e-9)
    assert 6.0 * wiring.loop_resistance(8.0, 2.5, contacts_mohm=20.0) == pytest.approx(0.8496, abs=1e-9)


@pytest.mark.hand
def test_cutout_referred_to_the_battery():
    """10.5 + 2.5 x 0.096 = 10.74 V running, + 10 x 0.096 = 11.46 V at glow; with 147 mohm 10.8675 V."""
    assert wiring.source_voltage_for(10.5, 2.5, 0.096) == pytest.approx(10.74, abs=1e-9)
    assert wiring.source_voltage_for(10.5, 10.0, 0.096) == pytest.approx(11.46, abs=1e-9)
    assert wiring.source_voltage_for(10.5, 2.5, 0.147) == pytest.approx(10.8675, abs=1e-9)


@pytest.mark.independent
@pytest.mark.parametrize(("power", "source", "ohm"), [(40.0, 12.2, 0.162), (15.0, 11.0, 0.3), (300.0, 12.0, 0.1)])
def test_constant_power_against_a_root_finder(power, source, ohm):
    by_search = brentq(
        lambda current: (source - current * ohm) * current - power, 0.0, source / (2.0 * ohm), xtol=1e-12
    )
    assert wiring.current_of_power(power, source, ohm) == pytest.approx(by_search, rel=1e-9)


@pytest.mark.hand
def test_more_power_than_can_be_carried_is_no_number():
    """The most is E²/(4 R) = 144/(4 x 0.5) = 72 W."""
    assert wiring.current_of_power(72.0, 12.0, 0.5) == pytest.approx(12.0)
    assert np.isnan(wiring.current_of_power(72.1, 12.0, 0.5))


@pytest.mark.hand
def test_night_energy():
    """15 W x 10 h = 150; each start 110 x 125/3600 + 25 x 200/3600 = 3.819 + 1.389 Wh: 160.4 Wh = 13.4 Ah at 12 V."""
    start = {"starts": 2, "glow_w": 110.0, "glow_s": 125.0, "run_on_w": 25.0, "run_on_s": 200.0}
    assert wiring.night_energy(15.0, 10.0, **start) == pytest.approx(160.417, abs=1e-3)
    assert wiring.night_energy(35.0, 10.0, **start) == pytest.approx(360.417, abs=1e-3)


def test_arrays_and_scalars_share_one_path():
    areas = np.array([1.5, 2.0, 2.5])
    each = [wiring.loop_resistance(5.0, area, contacts_mohm=20.0) for area in areas]
    assert wiring.loop_resistance(5.0, areas, contacts_mohm=20.0) == pytest.approx(each, rel=1e-12)
    assert np.all(np.diff(wiring.loop_resistance(5.0, areas)) < 0.0)
