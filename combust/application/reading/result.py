"""One reading interpreted: the frozen result that explains itself."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any

import numpy as np

from combust.application.reading.columns import columns_of_reading
from combust.application.reading.interpret import ROUTES, VERDICTS, Interpretation, interpret_columns
from combust.application.reading.judge import OF_A_UNIT, codes_of, doubts_in_words
from combust.application.reading.stand_ins import DEFAULT_FUEL, stand_ins
from combust.application.safety import cab_co_rise, told_first
from combust.data.errors import CombustError, Fault
from combust.data.fields import as_number
from combust.data.tables import load_table
from combust.data.told import Rows
from combust.data.units import in_our_unit
from combust.data.vocabulary import inputs
from combust.domain.catalogue import LABORATORY, Catalogue, get_fuel, shipped_fuels
from combust.domain.fuel import Fuel
from combust.domain.heater import Baseline
from combust.domain.instrument import InstrumentClass, instrument_class
from combust.domain.limits import Finding, cautions, finding, finding_kinds, limit, limits
from combust.domain.reading import WORTH_TELLING, check_values, nothing_entered
from combust.domain.reading import Reading as Reading
from combust.domain.result import UNTOLD, Assumed, Result, assume, plain, shown
from combust.domain.safety import Safety, of_all
from combust.domain.site import DENSITY_REFERENCE

DRY_GASES = {"o2": "o2_dry_pct", "co2": "co2_dry_pct", "co": "co_dry_ppm", "hc": "hc_dry_ppm", "no": "no_dry_ppm"}
SOURCES = (
    "lambda: carbon and oxygen balance of the dry gas, solved exactly (no fitted constants), water-gas constant 3.5",
    "brettschneider: Technische Berichte 6 (1979) 177-186 (form from memory); spindt: SAE 650507 (1965)",
    "shortcut: 20.95/(20.95 - O2), shown to see how far off it is",
    "stack loss: NASA polynomials (TM-4513); stack_loss_siegert: 1. BImSchV 2010, heating oil",
    "CO at 3 % O2: 1. BImSchV 2010, with 21 %; air-free and per kWh: from the balance; normal state 0 °C, 1013.25 hPa",
    "pressure from altitude: ISO 2533; dew point: 40 CFR 1065.645",
)


@dataclass(frozen=True)
class ReadingResult(Result):
    """What one reading says, and what it cannot say.

    Every number that cannot be told is None, never 0. ``dry_gas`` holds the gases as used: a wet
    reading made dry. ``findings`` come stops first. ``to_dict()`` is the JSON of
    ``combust reading --json``, ``str()`` the page for people.
    """

    air_ratio: float | None
    air_ratio_u: float | None
    air_ratio_low: float | None
    air_ratio_high: float | None
    air_ratio_by: Mapping[str, float | None]
    excess_air_pct: float | None
    co_air_free_ppm: float | None
    co_at_3pct_o2_ppm: float | None
    co_mg_per_m3: float | None
    co_mg_per_kwh: float | None
    stack_loss_pct: float | None
    stack_loss_siegert_pct: float | None
    loss_unburnt_pct: float | None
    efficiency_net_pct: float | None
    efficiency_gross_pct: float | None
    water_dew_point_c: float | None
    air_ratio_at_reference: float | None
    agreement: Mapping[str, Any]
    fuels_that_fit: tuple[str, ...] | None
    site: Mapping[str, Any]
    findings: tuple[Finding, ...]
    cautions: tuple[str, ...]
    fuel: Fuel
    inputs: Mapping[str, Any]
    dry_gas: Mapping[str, float | None]
    assumed: tuple[Assumed, ...]
    instrument: InstrumentClass
    sources: tuple[str, ...]

    @property
    def air_ratio_text(self) -> str:
        """Lambda in words with its 95 % interval: "1.60 ± 0.04", its two ends where they differ, or "at most"."""
        ratio, low, high = self.air_ratio, self.air_ratio_low, self.air_ratio_high
        if ratio is None:
            return UNTOLD if high is None else f"at most {high:.2f} (95 %)"
        if low is None or high is None:
            return f"{ratio:.2f}" if low is None else f"{ratio:.2f}, at least {low:.2f} (95 %)"
        below, above = f"{ratio - low:.2f}", f"{high - ratio:.2f}"
        return f"{ratio:.2f} ± {above} (95 %)" if below == above else f"{ratio:.2f} (95 %: {low:.2f} to {high:.2f})"

    def to_dict(self) -> dict[str, Any]:
        """Return plain values for JSON, with the limits that gases and smoke are judged by."""
        return super().to_dict() | {
            "limits": {key: plain(row) for key, row in limits().items() if key.startswith(("exhaust", "cab", "smoke"))}
        }

    def lines(self) -> Rows:
        """Return the result as (label, text) lines for a table; what cannot be told stands in one line."""
        by = self.air_ratio_by
        air = "{pressure_hpa:.0f} hPa, {air_density_kg_m3:.3f} kg/m³, dry-air ratio {dry_air_density_ratio:.3f} to "
        air += "1013.25 hPa, 15 °C, dry"
        routes = [f"{route} {by[route]:.3f}" for route in ROUTES if by[route] is not None]
        factor = self.agreement["fuel_factor"]
        agreed = {"agree": "agree", "disagree": "DISAGREE", "cannot_check": "cannot be checked"}
        pair = agreed[self.agreement["verdict"]]
        if factor is not None:
            pair += f" (fuel factor {factor:.3f}, the fuel's own {self.agreement['fuel_factor_of_fuel']:.3f})"
        rows = [
            ("lambda (air ratio)", self.air_ratio_text),
            ("excess air", shown(self.excess_air_pct, ".0f", "%")),
            ("lambda by route", ", ".join(routes) or UNTOLD),
            ("lambda at reference air", shown(self.air_ratio_at_reference, ".2f")),
            ("O2 against CO2", pair),
            ("CO air-free", shown(self.co_air_free_ppm, ".0f", "ppm")),
            ("CO at 3 % O2", shown(self.co_at_3pct_o2_ppm, ".0f", "ppm")),
            ("CO per net heat", shown(self.co_mg_per_kwh, ".0f", "mg/kWh")),
            ("stack loss (net)", shown(self.stack_loss_pct, ".1f", "%")),
            ("stack loss, Siegert form", shown(self.stack_loss_siegert_pct, ".1f", "%")),
            ("unburnt loss", shown(self.loss_unburnt_pct, ".2f", "%")),
            ("efficiency (net)", shown(self.efficiency_net_pct, ".1f", "%")),
            ("efficiency (gross)", shown(self.efficiency_gross_pct, ".1f", "%")),
            ("water dew point", shown(self.water_dew_point_c, ".0f", "°C")),
            ("air", air.format(**self.site)),
            ("fuel", f"{self.fuel}, CO2 maximum {self.fuel.co2_maximum_pct:.1f} %"),
            ("analyser class", f"{self.instrument.name}: O2 ± {self.instrument.o2_limit_pct:g} % (95 %)"),
        ]
        if self.fuels_that_fit is not None:
            rows.insert(5, ("fuels this pair fits", ", ".join(self.fuels_that_fit) or "none of the catalogue"))
        untold = [label for label, text in rows[1:] if text == UNTOLD]  # ten lines of nothing hide the one that counts
        known = [row for row in rows if row[0] not in untold]
        return [*known, ("cannot be told", ", ".join(untold))] if untold else known


def interpret(
    reading: Reading | Mapping[str, Any],
    *,
    instrument: InstrumentClass | str | None = None,
    catalogue: Catalogue | None = None,
) -> ReadingResult:
    """Return what one reading says: lambda with its uncertainty, agreement, CO, losses, findings.

    Parameters
    ----------
    reading : Reading or mapping
        Vocabulary keys and values; a mapping is checked as a Reading first.
    instrument : InstrumentClass or str, optional
        Accuracy class of the analyser; default the portable class.
    catalogue : mapping, optional
        A user's fuels, from :func:`combust.load_fuels`.

    Returns
    -------
    ReadingResult
        lambda [-], CO [ppm], losses [%]; units in the names of its fields.

    Raises
    ------
    CombustError
        Impossible values, unknown names, or a reading with nothing to interpret; all faults at once. Its ``safety``
        is that of the values that can be: look at its stops first.

    References
    ----------
    40 CFR 1065.655 (balances), JCGM 100:2008 (uncertainty); the others stand at the functions of the kernel.

    Examples
    --------
    >>> result = interpret(Reading(fuel="diesel_b7", o2_dry_pct=8.2, co_dry_ppm=150, location="outdoors"))
    >>> round(result.air_ratio, 2), round(result.co_air_free_ppm)
    (1.6, 247)
    """
    with told_first(lambda: safety_of_refused(reading)):
        checked = _checked(reading, catalogue)
        burnt = get_fuel(checked.fuel or DEFAULT_FUEL, catalogue=catalogue)
        analyser = instrument_class(instrument)
    done = interpret_columns(columns_of_reading(checked, burnt), analyser)
    return _result_of(checked, burnt, analyser, done, catalogue)


def _checked(given: Mapping[str, Any], catalogue: Catalogue | None) -> Reading:
    """Return a reading that can be interpreted; what is wrong with its values and with its fuel is told together."""
    of_fuel = fuel_faults(given.get("fuel"), catalogue)
    try:
        checked = given if isinstance(given, Reading) else Reading(**given)
    except CombustError as error:
        raise type(error)([*error.faults, *of_fuel]) from error
    nothing = [] if any(key in checked for key in WORTH_TELLING) else [nothing_entered()]
    if nothing or of_fuel:
        raise CombustError([*nothing, *of_fuel])
    return checked


def fuel_faults(name: Any, catalogue: Catalogue | None = None) -> list[Fault]:
    """Return what is wrong with the name of a fuel; nothing where none was given."""
    try:
        get_fuel(name if isinstance(name, str) and name.strip() else DEFAULT_FUEL, catalogue=catalogue)
    except CombustError as error:
        return [*error.faults]
    return []


def safety_of(values: Mapping[str, Any]) -> Safety:
    """Return the safety state in whatever acceptable values there are, also of a reading that is refused."""
    name = values.get("fuel")
    burnt = shipped_fuels().get(str(name), get_fuel(DEFAULT_FUEL))
    done = interpret_columns(columns_of_reading(values, burnt), instrument_class())
    numbers, kinds = _numbers(done, values), finding_kinds()
    return Safety(tuple(finding(code, numbers) for code in codes_of(int(done.mask[0])) if kinds[code].state))


def safety_of_refused(given: Mapping[str, Any]) -> Safety:
    """Return what the acceptable values of a refused reading say: a stop, or not judged.

    A place that was not entered is left out, one that is none counts as not stated. ``given`` holds what was entered
    under any key; of several values (a tuple) the highest counts, of places indoors, CO over the range as the most.
    """
    entered: dict[str, Any] = {}
    strange = False
    for key, some in given.items():
        ours, convert = in_our_unit(key, inputs())
        for one in (some if isinstance(some, tuple) else (some,)) if ours in inputs() else ():
            checked, faults = check_values({key: one})
            value, strange = checked.get(ours), strange or (ours == "location" and bool(faults))
            if value is None:
                bare = str(one).strip().lstrip(">≥= ")
                number = as_number(bare)
                number = math.nan if number is None else convert(number) if convert else number
                value = inputs()[ours].for_stops(number, text=str(one))
            if value == value:
                worse = min if ours == "location" else max
                entered[ours] = worse(value, entered.get(ours, value))
    found = safety_of(entered)
    found = found if "location" in entered and not strange else found.without_place()
    return of_all([found, Safety((finding("location_unknown" if strange else "reading_refused"),))])


Reading._judge_refused = staticmethod(safety_of_refused)


def _numbers(done: Interpretation, values: Mapping[str, Any]) -> _Fields:
    """Return the numbers of a reading and its result for the sentences.

    Where a wet CO could not be converted it stands for the dry one, which is no lower.
    """
    numbers = _Fields({key: column[0] for key, column in done.values.items()})
    numbers["air_ratio"] = np.ravel(done.details["air_ratio"])[0]  # where it is known from above only: its upper end
    numbers |= {name: done.details[key][0] for key, name in DRY_GASES.items()}
    numbers["co_dry_ppm"] = np.fmax(numbers["co_dry_ppm"], values.get("co_wet_ppm") or math.nan)
    numbers["co_air_free_ppm"] = done.details["co_air_free"][0]
    numbers |= {key: value for key, value in values.items() if isinstance(value, float)}
    numbers["cab_co_rise_ppm"] = cab_co_rise(numbers["cab_co_in_ppm"], numbers["cab_co_out_ppm"])
    return numbers


class _Fields(dict[str, Any]):
    """Numbers for the sentences; one that is not known reads as not a number instead of failing."""

    def __missing__(self, key: str) -> float:
        return math.nan


def _result_of(
    reading: Reading, burnt: Fuel, analyser: InstrumentClass, done: Interpretation, catalogue: Catalogue | None
) -> ReadingResult:
    value = {key: plain(column[0]) for key, column in done.values.items()}
    numbers = {field.name for field in fields(ReadingResult)} & value.keys()
    return ReadingResult(
        **{key: value[key] for key in numbers},
        air_ratio_by={route: value[f"air_ratio_by_{route}"] for route in ROUTES},
        agreement={
            "verdict": VERDICTS[int(done.verdict[0])],
            "z": value["agreement_z"],
            **{key: value[key] for key in ("fuel_factor", "fuel_factor_of_fuel")},
        },
        fuels_that_fit=fuels_that_fit(reading, analyser, catalogue) if value["agreement_z"] is not None else None,
        site={
            "pressure_hpa": value["pressure_hpa_used"],
            **{key: value[key] for key in ("air_density_kg_m3", "density_ratio", "dry_air_density_ratio")},
            "density_reference": dict(DENSITY_REFERENCE),
        },
        findings=_sentences(reading, burnt, done, value),
        cautions=tuple(cautions()),
        fuel=burnt,
        inputs=dict(reading),
        dry_gas={name: plain(done.details[key][0]) for key, name in DRY_GASES.items()},
        assumed=_assumed(reading, burnt, value),
        instrument=analyser,
        sources=SOURCES,
    )


def _sentences(reading: Reading, burnt: Fuel, done: Interpretation, value: dict[str, Any]) -> tuple[Finding, ...]:
    factor, of_fuel = value["fuel_factor"], value["fuel_factor_of_fuel"]
    hint = ""
    if factor is not None and of_fuel is not None:
        high = "High: wet sample, O2 reads low, or CO2 reads low."
        hint = high if factor > of_fuel else "Low: O2 reads high, or CO2 reads high."
        hint += " Another fuel moves it either way; an air leak never shows here."
    analyser = float(np.ravel(done.details["analyser_co2_maximum"])[0])
    numbers = _numbers(done, reading)
    numbers |= {
        "doubts": doubts_in_words(columns_of_reading(reading, burnt), 0),
        "pair_hint": hint,
        "co2_maximum_pct": burnt.co2_maximum_pct,
        "analyser_co2_maximum_pct": analyser,
        "analyser_setting": _setting_like(analyser),
    }
    return tuple(finding(code, numbers) for code in codes_of(done.mask[0]))


def unit_doubts(healthy: Baseline) -> list[Finding]:
    """Return what is said of the numbers of a healthy reading that are probably in another unit."""
    reading, burnt, name = healthy.reading, healthy.fuel, f"healthy reading of stage {healthy.stage}"
    done = interpret_columns(columns_of_reading(reading, burnt), instrument_class())
    value = {key: plain(column[0]) for key, column in done.values.items()}
    return [one.named(name) for one in _sentences(reading, burnt, done, value) if one.code in OF_A_UNIT]


def _setting_like(co2_maximum: float) -> str:
    """Return ", that of natural gas" when a CO2 maximum is that of a common instrument setting."""
    for name, known in load_table("instruments")["setting"].items():
        if abs(co2_maximum / known - 1.0) < limit("analyser_factor_share"):
            return f", that of {name}"
    return ""


def _assumed(reading: Reading, burnt: Fuel, value: dict[str, Any]) -> tuple[Assumed, ...]:
    found = {one.key: one for one in stand_ins(columns_of_reading(reading, burnt)) if np.all(one.where)}
    told = {
        key: assume(key, value["pressure_hpa_used"] if key == "pressure_hpa" else one.value, one.origin)
        for key, one in found.items()
    }
    if reading.fuel and burnt.asked_as and burnt.asked_as != burnt.name:
        told = {"fuel": assume("fuel", burnt.name, f"target of the alias {burnt.asked_as}"), **told}
    return tuple(told.values())


def fuels_that_fit(
    reading: Reading, instrument: InstrumentClass, catalogue: Catalogue | None = None
) -> tuple[str, ...]:
    """Return the fuels of the catalogue whose O2-CO2 line the measured pair fits within two standard uncertainties."""
    known = {**shipped_fuels(), **(catalogue or {})}
    in_tanks = {name: fuel for name, fuel in known.items() if fuel.family not in LABORATORY}
    done = {name: interpret_columns(columns_of_reading(reading, fuel), instrument) for name, fuel in in_tanks.items()}
    return tuple(name for name, one in done.items() if one.values["agreement_z"][0] <= limit("pair_disagree_z"))
