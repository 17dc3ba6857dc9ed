"""Units of a person, in and out: factors against published tables and another library, round trips, differences."""

from __future__ import annotations

import re
from decimal import Decimal

import pytest
import scipy.constants
from hypothesis import example, given
from hypothesis import strategies as st

from combust.data.units import FOREIGN_UNITS, SYSTEMS, in_words, key_of_person, mark_of, stem_of
from tests.source_rows import SourceRow, source_rows

NIST = "NIST SP 811 (2008), appendix B.8 (from memory, high)"
# A number as a person reads it off an instrument or a plate in each unit: lowest, highest, decimals.
TYPED = {
    "_f": (-60, 2000, 1),
    "_f_per_min": (0, 90, 1),
    "_ft": (-1400, 29000, 0),
    "_inhg": (10, 32, 2),
    "_mbar": (-20, 20, 2),
    "_inh2o": (-20, 20, 3),
    "_mmh2o": (-500, 500, 1),
    "_gal_us_per_h": (0, 3, 3),
    "_gal_uk_per_h": (0, 3, 3),
    "_btu_per_h": (1000, 60000, 0),
    "_awg": (0, 22, 0),
}


def ours(suffix: str, value: float) -> float:
    return float(FOREIGN_UNITS[suffix].convert(value))


@source_rows(
    SourceRow("memory", NIST, "1 foot [m]", "0.3048", lambda: ours("_ft", 1.0), tolerance=1e-12),
    SourceRow("memory", NIST, "1 inHg, conventional [Pa]", "3386.389", lambda: 100.0 * ours("_inhg", 1.0)),
    SourceRow("memory", NIST, "1 inH2O, conventional [Pa]", "249.0889", lambda: ours("_inh2o", 1.0)),
    SourceRow("memory", NIST, "1 mmH2O, conventional [Pa]", "9.80665", lambda: ours("_mmh2o", 1.0)),
    SourceRow("memory", NIST, "1 gallon (US) [l]", "3.785412", lambda: ours("_gal_us_per_h", 1.0)),
    SourceRow("memory", NIST, "1 gallon (imperial) [l]", "4.54609", lambda: ours("_gal_uk_per_h", 1.0)),
    SourceRow("memory", NIST, "1 Btu_IT per hour [W]", "0.2930711", lambda: 1000.0 * ours("_btu_per_h", 1.0)),
    SourceRow("memory", NIST, "a difference of 1 °F [K]", "0.5555556", lambda: ours("_f_per_min", 1.0)),
    SourceRow("hand", "water freezes at 32 °F and boils at 212 °F", "212 °F [°C]", "100", lambda: ours("_f", 212.0)),
    *(
        SourceRow("independent", "scipy.constants", what, repr(value), lambda s=suffix, by=by: by * ours(s, 1.0),
                  tolerance=1e-9 * value)
        for suffix, by, what, value in (
            ("_ft", 1.0, "foot [m]", scipy.constants.foot),
            ("_mmh2o", 1.0, "kgf on a square metre [Pa]", scipy.constants.kilogram_force),
            ("_gal_us_per_h", 1e-3, "US gallon [m³]", scipy.constants.gallon_US),
            ("_gal_uk_per_h", 1e-3, "imperial gallon [m³]", scipy.constants.gallon_imp),
            ("_btu_per_h", 3.6e6, "Btu, International Table [J]", scipy.constants.Btu_IT),
            ("_f_per_min", 1.0, "degree Fahrenheit, a difference [K]", scipy.constants.degree_Fahrenheit),
        )
    ),
    *(
        SourceRow("independent", "scipy.constants.convert_temperature", f"{value} °F [°C]",
                  repr(float(scipy.constants.convert_temperature(value, "F", "C"))), lambda v=value: ours("_f", v),
                  tolerance=1e-9)
        for value in (-40.0, 59.0, 689.0)
    ),
    *(
        SourceRow("memory", "American Wire Gauge, ASTM B258, diameters as in wire tables (from memory, high)",
                  f"number {number} [mm]", printed, lambda n=number: (4.0 * ours("_awg", n) / 3.141592653589793) ** 0.5)
        for number, printed in ((0, "8.251"), (10, "2.588"), (14, "1.628"), (18, "1.024"), (36, "0.1270"))
    ),
)  # fmt: skip
def test_factors(row: SourceRow) -> None:
    row.check()


@pytest.mark.parametrize("suffix", FOREIGN_UNITS)
@given(data=st.data())
def test_what_was_typed_comes_back_to_its_last_digit(suffix: str, data: st.DataObject) -> None:
    """Stored in our unit and told again with as many digits it is the number that was typed."""
    low, high, decimals = TYPED[suffix]
    scale = 10**decimals
    text = str(Decimal(data.draw(st.integers(low * scale, high * scale))) / scale)
    told = FOREIGN_UNITS[suffix].back(ours(suffix, float(text)))
    assert Decimal(f"{told:.{decimals}f}") == Decimal(text)


# One of our unit in the other one, from the factors above turned over, and where its zero lies.
OTHERS = {"°C": (1.8, 32.0), "K": (1.8, 0.0), "K/min": (1.8, 0.0), "m": (1 / 0.3048, 0.0), "hPa": (1 / 33.86389, 0.0),
          "Pa": (1 / 249.0889, 0.0), "kW": (3412.142, 0.0), "l/h": (1 / 3.785412, 0.0)}  # fmt: skip


@pytest.mark.memory
@given(st.integers(-500, 12000), st.sampled_from([*OTHERS]))
@example(0, "°C")
def test_no_digit_of_a_metric_number_is_lost(tenths: int, unit: str) -> None:
    """The metric number stands behind; the one told first is nearer to it than half of its last digit."""
    factor, zero = OTHERS[unit]
    text = f"{tenths / 10:.1f} {unit}"
    found = re.fullmatch(r"It is (\S+) (\S+) \((.*)\), no more\.", in_words(f"It is {text}, no more.", "us"))
    assert found
    assert found[3] == text
    assert float(found[1]) == pytest.approx(tenths / 10 * factor + zero, abs=0.05 * factor * 1.00001)


# 1.8 °F to a degree, by definition; only a temperature has 32 °F at its zero.
@pytest.mark.hand
def test_a_difference_is_no_temperature() -> None:
    assert in_words("warmer by 10 K", "us") == "warmer by 18 °F (10 K)"
    assert in_words("at 10 °C", "us") == "at 50 °F (10 °C)"
    assert in_words("20 ± 10 °C", "us") == "68 ± 18 °F (20 ± 10 °C)"
    assert in_words("between 0 and 10 °C", "us") == "between 32 and 50 °F (0 and 10 °C)"
    assert in_words("-50 to 100 °C", "us") == "-58 to 212 °F (-50 to 100 °C)"
    assert in_words("drift 5 K/min", "us") == "drift 9 °F/min (5 K/min)"


def test_what_is_no_metric_number_stays_as_it_is() -> None:
    for text in ("CO 54 ppm in 3 min", "5 m/s, 4 ml, 12.5 V, 20 min", "heater-5 m", "2 m3", "lambda 1.60", ""):
        assert in_words(text, "us") == text
    # The first of two numbers may be of something else: then both stay as they are.
    for text in ("dry-air ratio 0.975 to 1013.25 hPa", "lambda 1.3 and 45 °C", "stage 2 or 5 m"):
        assert in_words(text, "us") == text
    assert in_words("365 °C", "metric") == "365 °C"
    assert in_words("0 mm²", "us") == "0 mm²"


def test_a_bare_number_is_in_the_units_of_the_person() -> None:
    assert key_of_person("intake_static_pa", "us") == "intake_static_inh2o"
    assert key_of_person("intake_static_pa", "metric") == "intake_static_pa"
    assert key_of_person("smoke_number", "us") == "smoke_number"
    assert stem_of("plate_fuel_l_per_h") == "plate_fuel"
    assert {mark_of(f"x{suffix}") for suffix in SYSTEMS["us"].values()} == {
        "°F", "°F/min", "ft", "inHg", "inH2O", "gal/h", "BTU/h", "AWG"}  # fmt: skip
    assert mark_of("supply_v") == ""
