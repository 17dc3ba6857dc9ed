"""What a lesson computes after the prediction: one small table for the notebook and for the page."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from combust.application.chemistry.sweeps import WHAT_A_REACTOR_DOES_NOT_SAY, soot_indications
from combust.application.lessons import gas as demo
from combust.application.lessons.machine import STAGE_CAUSES, air_ratio_at_site, crushed_exhaust, stage_pattern
from combust.application.reading.result import ReadingResult, interpret
from combust.application.visit.start import StartTimeline, start_timeline
from combust.application.visit.supply import supply_check
from combust.application.visit.supply_result import SupplyResult
from combust.data.fields import Field
from combust.data.told import Told, html_table
from combust.domain.catalogue import get_fuel
from combust.domain.heater import Heater
from combust.domain.pump import same_pulses
from combust.domain.reading import Reading
from combust.domain.site import Site
from combust.kernel.air_ratio import air_ratio_from_o2

Given = Mapping[str, Any]
Row = tuple[str, ...]
AWAY_FROM_HOME = ((0, 20), (2000, 20), (2000, 0), (2000, -20), (3300, -25), (3300, 15))  # [m], [°C]
OTHER_FUELS = ("kerosene", "paraffinic", "biodiesel_b100")
CUTOUT_V, DISCONNECT_V, RUN_A = 10.5, 11.5, 2.5  # invented demo values of the heater and of the vehicle


@dataclass(frozen=True, slots=True)
class Demonstration(Told):
    """A table of a lesson, and what is said below it.

    Attributes
    ----------
    columns : tuple of str
        Headings with their units.
    rows : tuple of tuple of str
    notes : tuple of str
    """

    columns: Row
    rows: tuple[Row, ...]
    notes: tuple[str, ...] = ()

    def _repr_html_(self) -> str:
        from html import escape

        table = html_table(self.rows, self.columns) if self.rows else ""
        return table + "".join(f"<p>{escape(note)}</p>" for note in self.notes)

    def __str__(self) -> str:
        return "\n".join([*("  ".join(row) for row in ((self.columns, *self.rows) if self.rows else ())), *self.notes])


def demonstration(name: str, given: Given) -> Demonstration:
    """Return a table of a lesson for the inputs that the lesson lists.

    Parameters
    ----------
    name : str
        A key of ``DEMONSTRATIONS``.
    given : mapping
        Symbol -> value.

    Raises
    ------
    CombustError
        Unknown name.

    Examples
    --------
    >>> print(demonstration("dilution", {"fuel": "diesel_b7", "air_ratio": 1.6, "co_dry_ppm": 150, "air_share": 0.1}))
    sample  O2 (%)  CO2 (%)  CO (ppm)  CO air-free (ppm)  lambda by O2  fuel factor
    in the heater  8.20  9.37  150  247  1.60  1.359
    on the display  9.48  8.44  135  247  1.77  1.358
    """
    return DEMONSTRATIONS[Field("demonstration", "choice", choices=tuple(DEMONSTRATIONS)).checked(name)](given)


def _reactor(given: Given) -> Demonstration:
    zone, lost = demo.behind_burn_out(), demo.stirred("blown_out")
    shown = (1.0, 1.2, 1.6, 1.8, 2.2, 2.4)
    flue = given["flue_temp_c"]
    told = (zone["air_ratio"], zone.dry_ppm("co"), *demo.flame_and_loss(given["fuel"], zone["air_ratio"], flue))
    rows = tuple(
        (f"{ratio:.1f}", f"{ppm:.0f}", f"{flame:.0f}", f"{loss:.1f}")
        for ratio, ppm, flame, loss in zip(*told, strict=True)
        if ratio in shown
    )
    notes = (f"From lambda {lost['air_ratio'].min():.1f} on: {lost['reason'][0]}.", WHAT_A_REACTOR_DOES_NOT_SAY)
    columns = ("lambda (air ratio)", "CO in the model (ppm, dry)", "flame, no heat lost (°C)")
    return Demonstration((*columns, f"stack loss at {flue:g} °C (%)"), rows, notes)


def _soot(given: Given) -> Demonstration:
    rows = tuple(
        (f"{row['label']} ({row['status']})", row["says"], row["says_not"]) for row in soot_indications().values()
    )
    return Demonstration(("indication", "says", "does not say"), rows)


def diluted(given: Given) -> tuple[demo.SampledGas, demo.SampledGas]:
    """Return the lesson's gas in the heater, and on the display behind a leak of the hose."""
    true = demo.heater_gas(given["fuel"], given["air_ratio"], co_dry_ppm=given["co_dry_ppm"])
    return true, demo.with_false_air(true, given["air_share"])


def _dilution(given: Given) -> Demonstration:
    rows = []
    for name, gas in zip(("in the heater", "on the display"), diluted(given), strict=True):
        read = {"o2_dry_pct": float(gas.o2_dry_pct), "co_dry_ppm": float(gas.co_dry_ppm)}
        told = interpret(Reading(fuel=given["fuel"], location="outdoors", **read))
        rows.append((name, *_gas(gas), f"{gas.co_dry_ppm:.0f}", f"{told.co_air_free_ppm:.0f}", f"{told.air_ratio:.2f}",
                     f"{demo.fuel_factor(gas):.3f}"))  # fmt: skip
    columns = ("sample", "O2 (%)", "CO2 (%)", "CO (ppm)", "CO air-free (ppm)", "lambda by O2", "fuel factor")
    return Demonstration(columns, tuple(rows))


def _gas(gas: demo.SampledGas) -> Row:
    return f"{gas.o2_dry_pct:.2f}", f"{gas.co2_dry_pct:.2f}"


def wet_pair(given: Given) -> tuple[demo.SampledGas, demo.SampledGas]:
    """Return the lesson's gas as it is dry, and as a cell shows it that is read wet."""
    dry = demo.heater_gas(given["fuel"], given["air_ratio"])
    return dry, demo.read_wet(dry, given["fuel"], given["air_ratio"])


def _wet(given: Given) -> Demonstration:
    pairs = zip(("dry", "wet"), wet_pair(given), strict=True)
    rows = tuple((name, *_gas(gas), f"{demo.fuel_factor(gas):.2f}") for name, gas in pairs)
    return Demonstration(("sample", "O2 (%)", "CO2 (%)", "fuel factor"), rows)


def judged(given: Given, o2: float, co2: float, origin: str = "measured") -> ReadingResult:
    """Return what is made of an O2 and a CO2 [vol %] of the lesson's fuel, read outdoors."""
    pair = {"o2_dry_pct": o2, "co2_dry_pct": co2, "co2_origin": origin}
    return interpret(Reading(fuel=given["fuel"], location="outdoors", **pair))


def _wet_judged(given: Given) -> Demonstration:
    _, wet = wet_pair(given)
    told = judged(given, float(wet.o2_dry_pct), float(wet.co2_dry_pct))
    row = (told.agreement["verdict"], "none" if told.air_ratio is None else f"{told.air_ratio:.2f}")
    return Demonstration(("O2 and CO2", "lambda"), (row,), tuple(one.text for one in told.findings))


def _entered_wet(given: Given) -> Demonstration:
    _, wet = wet_pair(given)
    told = interpret(Reading(fuel=given["fuel"], o2_wet_pct=float(wet.o2_dry_pct), location="outdoors"))
    return Demonstration(("entered as", "lambda"), (("O2, wet", f"{told.air_ratio:.2f}"),))


def shown_by_cell(given: Given, offset: float) -> tuple[float, dict[str, float]]:
    """Return the O2 that a cell shows which is off by so much, and the CO2 beside it, calculated and measured [%]."""
    true = demo.heater_gas(given["fuel"], given["air_ratio"])
    o2 = float(true.o2_dry_pct) + offset
    return o2, {
        "calculated": float(demo.co2_by_calculation(o2, given["fuel"])),
        "measured": float(true.co2_dry_pct),
    }


def _cell_fault(given: Given) -> Demonstration:
    o2, pairs = shown_by_cell(given, given["offset"])
    rows = []
    for origin, co2 in pairs.items():
        told = judged(given, o2, co2, origin)
        factor = demo.fuel_factor(demo.SampledGas(o2, co2, 0.0))
        verdict = str(told.agreement["verdict"]).replace("_", " ")
        rows.append((origin, f"{co2:.2f}", verdict, f"{factor:.3f}", f"{told.air_ratio:.2f}"))
    return Demonstration(("CO2 is", "CO2 (%)", "verdict", "fuel factor", "lambda by O2"), tuple(rows))


def _cell_faults(given: Given) -> Demonstration:
    rows = []
    for offset in (-0.5, -1.0, -1.5):
        o2, pairs = shown_by_cell(given, offset)
        told = judged(given, o2, pairs["measured"])
        rows.append((f"{offset:+.1f}", str(told.agreement["verdict"]), f"{told.agreement['z']:.1f}"))
    return Demonstration(("O2 cell off by (%)", "verdict, CO2 measured", "z (standard uncertainties)"), tuple(rows))


def _fuel_set(given: Given) -> Demonstration:
    told = judged(given, 8.2, 7.18, "calculated")
    return Demonstration(("O2 (%)", "CO2 calculated (%)"), (("8.2", "7.18"),), tuple(one.text for one in told.findings))


def _sites(given: Given) -> Demonstration:
    sea, rows = Site(0.0, intake_temp_c=20.0), []
    for altitude, temp in AWAY_FROM_HOME:
        site = Site(altitude, intake_temp_c=temp)
        there = air_ratio_at_site(given["base_air_ratio"], sea, site, fuel=given["fuel"])
        ratio, u = there.air_ratio_full[0], there.air_ratio_full_u[0]
        o2 = demo.heater_gas(given["fuel"], ratio).o2_dry_pct
        rows.append((f"{altitude} m, {temp:+d} °C", f"{site.pressure:.1f}", f"{there.air_ratio[0]:.2f}",
                     f"{ratio:.2f} ± {2 * u:.2f}", f"{o2:.1f}"))  # fmt: skip
    columns = ("site", "pressure (hPa)", "lambda, density alone", "lambda in full (95 %)", "O2 to expect, in full (%)")
    return Demonstration(columns, tuple(rows))


def _crushed(given: Given) -> Demonstration:
    found = crushed_exhaust(given["bore_mm"], crushed_bore_mm=given["crushed_bore_mm"], share=given["share"])
    rows = tuple(
        (name, f"{100 * air:.0f}", f"{given['air_ratio'] * air:.2f}")
        for name, air in (("flat", found.air_flat), ("steep", found.air_steep))
    )
    band = f"{found.multiplier_low:.2f} to {found.multiplier_high:.2f}"
    note = f"Resistance of the exhaust × {found.multiplier:.2f} (95 %: {band})."
    return Demonstration(("blower curve", "air left (%)", "lambda then"), rows, (note,))


def _stages(given: Given) -> Demonstration:
    rows = []
    for name, rule in STAGE_CAUSES.items():
        found = stage_pattern(name, given["size_pct"], fuel=given["fuel"], low=given["low"], high=given["high"])
        ends = ((found.healthy_low, found.low), (found.healthy_high, found.high))
        rows.append((rule.label, *(f"{a.o2_dry_pct:.2f} → {b.o2_dry_pct:.2f}" for a, b in ends), rule.sign))
    return Demonstration(("cause", "O2, low stage (%)", "O2, high stage (%)", "pattern"), tuple(rows))


def _fuels(given: Given) -> Demonstration:
    rows = []
    for name in (given["plate"], *OTHER_FUELS):
        swap = same_pulses(get_fuel(given["plate"]), get_fuel(name), fuel_temp_c=given["fuel_temp_c"])
        ratio = given["air_ratio"] * float(swap.air_ratio)
        rows.append((name, f"{ratio:.2f}", f"{100 * float(swap.heat):.0f}", *_gas(demo.heater_gas(name, ratio))))
    return Demonstration(("fuel in the tank", "lambda", "heat (%)", "O2 (%)", "CO2 (%)"), tuple(rows))


def _same_o2(given: Given) -> Demonstration:
    fuels = (get_fuel(name) for name in ("gasoline_e5", given["plate"], "biodiesel_b100"))
    rows = tuple((one.name, f"{air_ratio_from_o2(8.2, one):.3f}", f"{one.co2_maximum_pct:.1f}") for one in fuels)
    return Demonstration(("O2 8.2 % entered as", "lambda", "CO2 maximum (%)"), rows)


def _wrong_fuel(given: Given) -> Demonstration:
    seen = {"fuel_sample": "gasoline", "o2_dry_pct": 10.1, "co_dry_ppm": 80.0}
    told = interpret(Reading(fuel=given["plate"], location="outdoors", **seen))
    return Demonstration((), (), tuple(one.text for one in told.stops))


def start_of(given: Given, *, cycles: int = 1, cut_at_s: float | None = None) -> StartTimeline:
    """Return the start of the lesson's heater whose attempts all fail.

    Parameters
    ----------
    given : mapping
        Times of the start [s], its pump [Hz], its stroke [µl].
    cycles : int
        How often it is switched on.
    cut_at_s : float, optional
        When the power is cut [s].
    """
    stages = {"high": {"air_ratio_band": [1.35, 1.8], "fuel_l_per_h": 0.26}}
    start = {key: given[key] for key in ("check_s", "preheat_s", "attempt_s", "attempt_pump_hz", "cool_down_s")}
    heater = Heater.from_dict({"fuel": "diesel_b7", "stroke_ul": given["stroke_ul"], "stages": stages, "start": start})
    return start_timeline(heater, cycles=cycles, cut_at_s=cut_at_s)


def _start(given: Given) -> Demonstration:
    found = [(cycles, start_of(given, cycles=cycles)) for cycles in (1, 3)]
    rows = tuple((str(n), f"{one.fuel_ml:.1f}", f"{one.fuel_heat_kj:.0f}") for n, one in found)
    note = f"Earliest restart: {found[0][1].earliest_restart_s:.0f} s after switching on."
    return Demonstration(("failed starts", "fuel (ml)", "heat that waits for a spark (kJ)"), rows, (note,))


def _cut(given: Given) -> Demonstration:
    cut = start_of(given, cut_at_s=300.0)
    return Demonstration((), (), tuple(f"{one.severity}: {one.text}" for one in cut.findings))


def glow_check(given: Given, open_circuit_v: float | None = None) -> SupplyResult:
    """Return what arrives at the lesson's heater while it glows; another battery can be asked for [V]."""
    keys = ("open_circuit_v", "battery_mohm", "length_m", "area_mm2", "contacts_mohm", "glow_a")
    values = {key: given[key] for key in keys}
    volt = values["open_circuit_v"] if open_circuit_v is None else open_circuit_v
    return supply_check(**{**values, "open_circuit_v": volt}, cutout_v=CUTOUT_V)


def _glow(given: Given) -> Demonstration:
    volts = (given["open_circuit_v"], 11.8)
    rows = tuple((f"{volt:.1f}", f"{glow_check(given, volt).heater_v_glow:.2f}") for volt in volts)
    return Demonstration(("battery at rest (V)", "at the heater while it glows (V)"), rows)


def cut_out_order(given: Given, area_mm2: float) -> SupplyResult:
    """Return who acts first on a falling battery, with a cable of some cross-section [mm²]."""
    values = {key: given[key] for key in ("open_circuit_v", "length_m", "contacts_mohm")}
    limits: dict[str, Any] = {"run_a": RUN_A, "cutout_v": CUTOUT_V, "disconnect_v": DISCONNECT_V, "cool_down_s": 200.0}
    return supply_check(**values, area_mm2=area_mm2, **limits)


def _order(given: Given) -> Demonstration:
    told = cut_out_order(given, 2.5)
    rows = tuple((name, f"{volt:.2f}") for name, volt in told.cutouts_at_battery_v.items())
    notes = (f"Acts first: {told.first_to_act}; verdict: {told.verdict}.", *told.remedies)
    return Demonstration(("on a cable of 2.5 mm²", "acts at the battery's (V)"), rows, notes)


DEMONSTRATIONS: dict[str, Callable[[Given], Demonstration]] = {
    "reactor": _reactor,
    "soot": _soot,
    "dilution": _dilution,
    "wet": _wet,
    "wet_judged": _wet_judged,
    "entered_wet": _entered_wet,
    "cell_fault": _cell_fault,
    "cell_faults": _cell_faults,
    "fuel_set": _fuel_set,
    "sites": _sites,
    "crushed": _crushed,
    "stages": _stages,
    "fuels": _fuels,
    "same_o2": _same_o2,
    "wrong_fuel": _wrong_fuel,
    "start": _start,
    "cut": _cut,
    "glow": _glow,
    "order": _order,
}
