"""Site and analyser class: worked air densities, class limits by range, refusals."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from combust.data.errors import CombustError
from combust.domain.instrument import InstrumentClass, instrument_class, instrument_classes
from combust.domain.limits import cautions, finding_kinds, limits
from combust.domain.result import plain
from combust.domain.site import Site, pressure_mismatch
from tests.refusals import refusal
from tests.source_rows import SourceRow, source_rows

WORKED = "standard atmosphere and ideal gas, worked apart"


def from_warm(height: float, temp_c: float) -> float:
    """Return the dry-air density ratio to sea-level air of 20 °C, the base of the worked tables."""
    here, base = Site(altitude_m=height, intake_temp_c=temp_c), Site(intake_temp_c=20.0)
    return here.dry_air_density_ratio / base.dry_air_density_ratio


def saturation_points() -> float:
    """Return moist less dry density, saturated air of 30 °C, in per cent of dry air of 30 °C."""
    wet, dry = Site(intake_temp_c=30.0, humidity_pct=100.0), Site(intake_temp_c=30.0)
    return 100.0 * (wet.density_ratio - wet.dry_air_density_ratio) / dry.density_ratio


def worked(quantity: str, printed: str, compute: Callable[[], float], tolerance: float | None = None) -> SourceRow:
    return SourceRow("independent", WORKED, quantity, printed, compute, tolerance=tolerance)


@source_rows(
    worked("base 1.60 at 20 °C: lambda at 2000 m, 0 °C", "1.347", lambda: 1.6 * from_warm(2000, 0)),
    worked("density ratio 3300 m, -25 °C to 20 °C", "0.787", lambda: from_warm(3300, -25), 0.003),
    worked("lambda 1.60 brought to 3300 m, -25 °C", "1.26", lambda: 1.6 * from_warm(3300, -25)),
    worked("2600 m at -18 °C to 20 °C at sea level", "0.84", lambda: from_warm(2600, -18)),
    worked("2600 m at 15 °C to 20 °C at sea level", "0.74", lambda: from_warm(2600, 15)),
    SourceRow(
        "published", "ISO 2533 standard atmosphere", "density at sea level", "1.225", lambda: Site().air_density_kg_m3
    ),
    SourceRow(
        "independent",
        "psychrolib 2.5, GetMoistAirDensity(30 °C, 60 %, 101 325 Pa)",
        "moist density [kg/m³]",
        "1.1533621",
        lambda: Site(intake_temp_c=30, humidity_pct=60).air_density_kg_m3,
        tolerance=1.2e-4,
    ),
    SourceRow(
        "independent",
        "worked apart: moist and dry differ by 2.6 points at 30 °C saturated",
        "moist less dry density ratio, saturated 30 °C [%]",
        "2.6",
        saturation_points,
    ),
)
def test_site_rows(row: SourceRow) -> None:
    row.check()


def test_pressure_wins_over_altitude_and_all_faults_are_told() -> None:
    assert Site(altitude_m=2000, pressure_hpa=790).pressure == 790.0
    assert Site(altitude_m=2000, pressure_hpa=float("nan")).pressure == Site(altitude_m=2000).pressure
    with pytest.raises(CombustError) as caught:
        Site(altitude_m=9001, intake_temp_c=-61, humidity_pct=-1, pressure_hpa=299)
    assert {fault.quantity for fault in caught.value.faults} == {
        "altitude_m",
        "intake_temp_c",
        "humidity_pct",
        "pressure_hpa",
    }


# ISO 2533:1975 (read): 1013.25 hPa at 0 m, 701.21 hPa at 3000 m geometric. Weather moves
# a station pressure by less than 60 hPa (convention of this project).
@pytest.mark.published
@pytest.mark.parametrize(("height", "printed_hpa"), [(0.0, 1013.25), (3000.0, 701.21)])
def test_a_pressure_further_from_the_standard_than_any_weather_does_not_belong(
    height: float, printed_hpa: float
) -> None:
    off = np.array([-61.0, -59.0, 0.0, 59.0, 61.0, np.nan])
    assert pressure_mismatch(height, printed_hpa + off).tolist() == [True, False, False, False, True, False]


@given(st.floats(-430, 9000), st.floats(-60, 120), st.floats(0, 100))
def test_dry_air_is_never_more_than_the_air(height: float, temp: float, humidity: float) -> None:
    place = Site(altitude_m=height, intake_temp_c=temp, humidity_pct=humidity)
    assert place.dry_air_density_kg_m3 <= place.air_density_kg_m3 * (1.0 + 1e-12)
    assert place.to_dict()["density_reference"] == {"pressure_hpa": 1013.25, "temp_c": 15.0, "humidity_pct": 0.0}


def test_missing_air_never_becomes_a_number() -> None:
    """A site whose intake temperature is NaN is not told as air of 15 °C."""
    told, place = refusal(lambda: Site(intake_temp_c=float("nan")))
    assert told is not None or np.isnan(place.air_density_kg_m3)


# ---- analyser classes --------------------------------------------------------------------------------------------


@pytest.mark.memory
@pytest.mark.parametrize(
    ("co", "limit"),
    [(0, 10), (200, 10), (200.1, 20), (400, 20), (401, 20.05), (2000, 100), (2001, 200.1), (10_000, 1000)],
)
def test_co_limits_of_the_portable_class(co: float, limit: float) -> None:
    """EN 50379-2 (from memory, medium to low): ±10 ppm to 200; 20 ppm or 5 % to 2000; 10 % above. Both ends of each."""
    portable = instrument_class("portable")
    assert portable.co_limit_ppm(co) == pytest.approx(limit)
    assert portable.co_limit_ppm(np.array([co, np.nan]))[0] == pytest.approx(limit)
    assert np.isnan(portable.co_limit_ppm(np.nan))


def test_shipped_classes_tell_their_source() -> None:
    for name, found in instrument_classes().items():
        assert "from memory" in found.source or "read" in found.source, name
        assert plain(found)["name"] == name
    assert instrument_class().name == "portable"
    assert instrument_class(instrument_class()) is instrument_class()


OWN = """o2_limit_pct = 0.2
co2_limit_pct = 0.3
co_ranges_ppm = [[1000, 5, 0.02], [inf, 0, 0.05]]
hc_limit_ppm = 10
temp_limit_c = 1
temp_limit_share = 0.01
o2_resolution_pct = 0.01
co2_resolution_pct = 0.01
co_resolution_ppm = 1
"""


def test_a_certificate_of_ones_own(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(OWN, encoding="utf-8")
    found = instrument_class(str(path))
    assert (found.name, found.o2_limit_pct, found.co_limit_ppm(1000.0)) == ("mine", 0.2, 20.0)


@pytest.mark.parametrize("key", [line.split(" = ")[0] for line in OWN.splitlines()])
@pytest.mark.parametrize("value", [None, '"x"', "-1", "nan", "true", "[]", "[[1]]", '[["a", 1, 1]]', "[[1, -1, 0]]"])
def test_certificates_that_are_refused(tmp_path: Path, key: str, value: str | None) -> None:
    lines = [f"{key} = {value}" if line.startswith(key + " ") else line for line in OWN.splitlines()]
    path = tmp_path / "mine.toml"
    path.write_text("\n".join(line for line in lines if not line.endswith("None")), encoding="utf-8")
    with pytest.raises(CombustError) as caught:
        instrument_class(str(path))
    assert key in str(caught.value)
    assert all(fault.hint for fault in caught.value.faults)


def test_unknown_class_tells_near_names() -> None:
    with pytest.raises(CombustError, match="portable"):
        instrument_class("portabel")
    with pytest.raises(CombustError, match=r"\.toml"):
        instrument_class("zzzz")
    assert isinstance(instrument_class("garage_0"), InstrumentClass)


# ---- limits and findings -----------------------------------------------------------------------------------------

LEGAL = {
    # READ in Directive 2001/56/EC Annexes IV and VI, and the NIOSH pocket guide
    "exhaust_co_stop": (1000, "ppm", "2001/56/EC"),
    "exhaust_hc_warn": (100, "ppm", "2001/56/EC"),
    "exhaust_no_note": (200, "ppm", "2001/56/EC"),
    "smoke_warn": (4, "", "2001/56/EC"),
    "cab_co_rise_stop": (20, "ppm", "2001/56/EC"),
    "cab_co_level_stop": (35, "ppm", "NIOSH"),
    "cab_co_everyone_out": (200, "ppm", "NIOSH"),
    "smoke_note": (2, "", "1. BImSchV"),
}


@source_rows(
    *(
        SourceRow(
            "published",
            f"{origin}, read",
            f"limit {key} [{unit}]",
            str(value),
            lambda key=key: limits()[key].value,
            tolerance=1e-9,
            status="READ",
        )
        for key, (value, unit, origin) in LEGAL.items()
    )
)
def test_limits_are_those_of_the_documents(row: SourceRow) -> None:
    row.check()


def test_limits_carry_unit_basis_and_origin() -> None:
    """1000 ppm is labelled with its basis, never "OK"."""
    for key, (_, unit, origin) in LEGAL.items():
        assert limits()[key].unit == unit
        assert origin in limits()[key].origin
    stop = limits()["exhaust_co_stop"]
    for word in ("dry", "undiluted", "full output", "20 ± 10 °C"):
        assert word in stop.basis
    for found in limits().values():
        assert found.basis
        assert found.origin
        assert "ok" not in found.origin.lower().split()


def test_findings_are_ordered_and_fit_the_mask() -> None:
    kinds = list(finding_kinds("reading").values())
    order = [("stop", "warn", "note").index(kind.severity) for kind in kinds]
    assert order == sorted(order)
    assert [kind.bit for kind in kinds] == list(range(len(kinds)))
    assert len(kinds) <= 64
    assert "Carbon monoxide" in " ".join(cautions())
    assert len(cautions(in_full=False)) == 1
