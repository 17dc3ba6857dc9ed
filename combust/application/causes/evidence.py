"""What a visit holds for the model: the observed channels and their joint uncertainty."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from combust.application.causes.catalogue import Priors
from combust.application.causes.clean_gas import O2_AIR
from combust.application.causes.forward import BAND, VISIT_CHANNELS, Model
from combust.application.causes.stage_reading import StageReading, Values
from combust.application.heater.baseline import MACHINE, PORTS, co_u, static_u
from combust.application.heater.healthy import HealthyStage
from combust.application.heater.structure import Parameters
from combust.data.vocabulary import quantity
from combust.domain.instrument import InstrumentClass
from combust.domain.limits import limit
from combust.kernel.types import Floats

# Healthy tolerances whose effect on every channel is taken from the model itself (index into the probe draws).
PROBES = ("air", "fuel", "clean", "heating_air")
PROBE_STEP = 0.02
BASELINE = "baseline"  # the error of a constant of a healthy stage: the same in every visit of the heater
OF_ANALYSER = ("ambient_o2", "span")  # channels that say something of the analyser, whatever the heater does


@dataclass(frozen=True, slots=True)
class Observation:
    """One observed channel: row index, name, value, scatter of this reading alone and what the visit shares."""

    row: int
    channel: str
    value: float
    scatter: float
    shared: float = 0.0


def probe_parameters(structure: Parameters) -> Parameters:
    """Return five draws of a healthy heater with usual structure: as it is, and with each tolerance moved by 2 %."""
    size = 1 + len(PROBES)
    p: Parameters = {key: np.full(size, float(np.median(value))) for key, value in structure.items()}
    p["shaft"] = np.zeros(size)
    for index, key in enumerate(("blower_speed", "stroke", "clean", "heating_air")):
        column = np.ones(size)
        column[1 + index] += PROBE_STEP
        p[key] = column
    return p


def observations_of(
    index: int, reading: Values, row: StageReading, model: Model, instrument: InstrumentClass
) -> list[Observation]:
    """Return the channels that a reading of a row gives."""
    numbers = model.priors.table["reading"]
    base = row.healthy.value
    found: list[Observation] = []

    def add(channel: str, value: float, scatter: float, shared: float = 0.0) -> None:
        found.append(Observation(index, channel, float(value), float(scatter), float(shared)))

    def add_lambda(channel: str, ratio: float, slope: float, scatter: float, limit: float) -> None:
        u, share = limit / 2.0, numbers["systematic_share"]
        alone = np.hypot(scatter, u * np.sqrt(1.0 - share**2))
        add(channel, np.log(ratio), alone * slope, u * share * slope)

    o2, co2 = reading.get("o2_dry_pct"), reading.get("co2_dry_pct")
    measured = reading.get("co2_origin") == "measured"
    if o2 is not None and o2 < 20.6:
        ratio = lambda_of(o2, model)
        slope = (lambda_of(o2 + 0.2, model) - lambda_of(o2 - 0.2, model)) / (0.4 if o2 > 0.2 else 0.2 + o2) / ratio
        scatter = float(np.hypot(numbers["o2_scatter_pct"], instrument.o2_resolution_pct * 0.29))
        add_lambda("lambda_o2", ratio, slope, scatter, instrument.o2_limit_pct)
    if co2 is not None and measured and co2 > 0.5:
        ratio, scatter = float(model.gas.air_ratio_of_co2(co2)), numbers["co2_scatter_pct"]
        if burns_rich(reading):
            scatter = float(np.hypot(scatter, numbers["rich_co2_share"] * reading["co_dry_ppm"] * 1e-4))
        add_lambda("lambda_co2", ratio, 1.0 / co2, scatter, instrument.co2_limit_pct)
    if co2 is not None and not measured and o2 is not None and o2 < 18.0 and co2 > 0.5:
        maximum = co2 * O2_AIR / (O2_AIR - o2) / model.heater.fuel.co2_maximum_pct
        steps = np.array([instrument.co2_resolution_pct / co2, instrument.o2_resolution_pct / (O2_AIR - o2)])
        add("setting", np.log(maximum), np.hypot(np.hypot(*(0.29 * steps)), numbers["setting_u"]))
    if (co := reading.get("co_dry_ppm")) is not None and not quantity("co_dry_ppm").doubts(co):
        size = max(float(co), 5.0)
        add("co", np.log(size), co_u(size, numbers))
    if (smoke := reading.get("smoke_number")) is not None:
        add("smoke", smoke, numbers["smoke_u"])
    if (flue := reading.get("flue_temp_c")) is not None:
        u = max(instrument.temp_limit_c, instrument.temp_limit_share * abs(flue)) / 2.0
        add("flue", flue, np.hypot(numbers["flue_scatter_k"], 0.6 * u), 0.8 * u)
    _add_heating_air(reading, row, numbers, add)
    for channel, column in MACHINE.items():
        value = reading.get(column)
        if value and channel in base:
            add(channel, np.log(value), numbers[f"{channel}_u"])
    for channel, column in PORTS.items():
        value = reading.get(column)
        taken_off = row.arrangement == f"{channel.split('_')[0]}_duct_off"
        if value is not None and channel in base and not taken_off and not quantity(column).doubts(value):
            size = max(abs(float(value)), 2.0)
            add(channel, np.log(size), static_u(size, numbers))
    _add_checks(reading, numbers, add)
    return found


def of_heater(found: list[Observation], told: Iterable[tuple[str, str]], priors: Priors) -> list[Observation]:
    """Return what was read, nothing where a start or a cab was told of and only the analyser was looked at beside it.

    Zero and span of an analyser that nobody has held into the gas are no evidence about the heater.
    """
    asked = any(priors.causes[name].asked_by for name in priors.weighed(told, gas=False))
    return [] if asked and all(one.channel in OF_ANALYSER for one in found) else found


def burns_rich(reading: Values) -> bool:
    """Return whether there is more CO than the O2 beside it could burn: soot and HC then leave the balance open."""
    return bool(reading.get("o2_dry_pct", np.inf) < 0.5e-4 * reading.get("co_dry_ppm", 0.0))


def band_observations(stages: Iterable[HealthyStage]) -> list[Observation]:
    """Return how lambda of each baseline lies in the healthy band of the unit's document: what speaks for health."""
    found = []
    for stage in stages:
        band = stage.stage.air_ratio_band if stage.stage else None
        if band is None or stage.baseline is None or stage.baseline.origin == "type":
            continue
        middle, half = (band[0] + band[1]) / 2.0, (band[1] - band[0]) / 2.0
        u = float(np.hypot(half / middle / np.sqrt(3.0), stage.u["air_ratio"]))
        found.append(Observation(0, BAND, stage.value["air_ratio"] - float(np.log(middle)), u))
    return found


def lambda_of(o2: float, model: Model) -> float:
    """Return lambda of a dry O2 [-]."""
    return float(model.gas.air_ratio_of_o2(min(o2, 20.6)))


def _add_heating_air(reading: Values, row: StageReading, numbers: Mapping[str, float], add: Any) -> None:
    warm, cold = reading.get("air_out_temp_c"), reading.get("air_in_temp_c")
    if warm is not None and "rise" in row.healthy.value:
        rise = max(3.0, float(warm) - float(row.site.air_in_c if cold is None else cold))
        unknown = float(row.healthy.priors["unknown"]["temperature_k"])
        add("rise", np.log(rise), (unknown if cold is None else 1.4 * numbers["air_temp_u_k"]) / rise)


def _add_checks(reading: Values, numbers: Mapping[str, float], add: Any) -> None:
    strokes, caught, stroke = (reading.get(key) for key in ("strokes", "delivered_ml", "stroke_ul"))
    if strokes and caught and stroke:
        add("delivery", np.log(caught / (strokes * stroke * 1e-3)), np.hypot(numbers["delivery_u"], 0.06 / caught))
    if (ambient := reading.get("ambient_o2_pct")) is not None:
        add("ambient_o2", ambient, numbers["ambient_o2_u_pct"])
    span, shown = reading.get("span_o2_pct"), reading.get("span_o2_read_pct")
    if span is not None and shown is not None:
        add("span", (shown - span), numbers["span_u_pct"])
    for column in ("intake_co2", "intake_o2"):
        if (value := reading.get(f"{column}_pct")) is not None:
            # the far end of the scale is known no better than 4 % of what was found
            found = value if column == "intake_co2" else max(0.0, O2_AIR - value)
            add(column, value, np.hypot(numbers[f"{column}_u_pct"], 0.04 * found))
    for channel, column, factor in (
        ("span_over_3min", "o2_span_over_3min_pct", "span_over_3min_factor"),
        ("drift", "flue_drift_k_per_min", "drift_factor"),
    ):
        if (value := reading.get(column)) is not None:
            add(channel, np.log(max(float(value), 0.03)), np.log(numbers[factor]))


def without_repeats(found: Sequence[Observation]) -> list[Observation]:
    """Return the observations with checks of the whole visit counted once when several rows carry the same value."""
    once = set(VISIT_CHANNELS) - {"span_over_3min", "drift"}
    kept: dict[Any, Observation] = {}
    for place, one in enumerate(found):
        kept.setdefault((one.channel, one.value) if one.channel in once else place, one)
    return list(kept.values())


def covariance(
    found: Sequence[Observation],
    rows: Sequence[StageReading],
    probes: Sequence[Mapping[str, Floats]],
    priors: Priors,
) -> Floats:
    """Return the joint covariance of the observed channels: scatter, instrument, baseline, tolerance, site.

    ``probes`` holds, row by row, the channels of the probe draws (:func:`probe_parameters`).
    """
    return joined(*errors_of(found, rows, probes, priors))


def joined(scatter: Floats, shared: Mapping[Any, Sequence[float]]) -> Floats:
    """Return the covariance of channels with a scatter of their own and errors that some of them share."""
    matrix = np.diag(scatter**2)
    if shared:
        stack = np.array(list(shared.values()))
        matrix += stack.T @ stack
    return matrix


def errors_of(
    found: Sequence[Observation],
    rows: Sequence[StageReading],
    probes: Sequence[Mapping[str, Floats]],
    priors: Priors,
) -> tuple[Floats, dict[Any, list[float]]]:
    """Return the scatter of each channel alone, and what one standard deviation of each shared error moves in each."""
    size = len(found)
    tolerance = priors.table["tolerance"]
    loadings: dict[Any, list[float]] = defaultdict(lambda: [0.0] * size)
    spread = own_spreads(tolerance)
    wobble = [float(tolerance[name]) for name in PROBES]
    # Effect of each tolerance on every channel of a row, worked once for all of them.
    responses: list[dict[str, list[float]]] = []
    for probe in probes:
        names = [key for key, value in probe.items() if len(value) > len(PROBES)]
        values = np.reshape([probe[key] for key in names], (len(names), 1 + len(PROBES)))  # no name gives no row
        slopes = (values[:, 1:] - values[:, :1]) / PROBE_STEP
        responses.append(dict(zip(names, slopes.tolist(), strict=True)))
    far = [abs(float(np.log(row.site.dry_density))) * float(tolerance["site_density"]) for row in rows]
    scatter = np.array([one.scatter for one in found])
    for position, one in enumerate(found):
        row, response = rows[one.row], responses[one.row].get(one.channel)
        stage = row.healthy.name
        if one.channel in spread:
            # Repeats of a row see the same heater: their model is off by the same amount.
            loadings[("spread", stage, row.arrangement, one.channel)][position] += spread[one.channel]
        if one.shared:
            loadings[("instrument", one.channel)][position] += one.shared
        key = _base_key(one.channel)
        if key in row.healthy.u:
            loadings[(BASELINE, stage, key)][position] += row.healthy.u[key]
        if one.channel in SAME_OVER_VISIT:
            loadings[("tolerance", one.channel)][position] += float(tolerance[SAME_OVER_VISIT[one.channel]])
        if response is not None:
            for name, value, share in zip(PROBES, response, wobble, strict=True):
                loadings[("tolerance", name)][position] += value * share
            loadings[("site model",)][position] += response[0] * far[one.row]
            loadings[("site", stage)][position] += response[0] * row.density_u
            loadings[("fuel temperature",)][position] += response[1] * row.fuel_density_u
    return scatter, dict(loadings)


SAME_OVER_VISIT = {
    "intake_static": "static",
    "exhaust_static": "static",
    "voltage": "voltage",
    "speed": "speed",
    "frequency": "frequency",
    "delivery": "pump_delivery",
}


def own_spreads(tolerance: Mapping[str, float]) -> dict[str, float]:
    """Return how far each healthy channel lies off its expectation beyond the shared tolerances; 0 where not named."""
    return {
        "flue": tolerance["flue_k"],
        "rise": tolerance["rise"],
        "co": tolerance["co"],
        "smoke": tolerance["smoke"],
        "lambda_o2": 0.008,
        "intake_static": 0.4 * tolerance["static"],
        "exhaust_static": 0.4 * tolerance["static"],
    }


# Causes that widen what is expected instead of moving it.
UNSTEADY = "not_steady"
OTHER_HEATER = "baseline_of_another_heater"
LOOSE = (UNSTEADY, OTHER_HEATER)
# channel -> its name in the table of what an unsteady reading does, where it has another
UNSTEADY_NAMES = {"lambda_o2": "air_ratio", "lambda_co2": "air_ratio", "flue": "flue_k"}
UNSTEADY_NAMES |= dict.fromkeys(("intake_static", "exhaust_static"), "static")


def unsteady_shift(found: Sequence[Observation], priors: Priors) -> tuple[Floats, Floats]:
    """Return mean shift and added covariance of the observed channels when the reading was not steady.

    O2 and CO2 of one row move together: an unsteady flame is still one gas.
    """
    rows = priors.table["unsteady"]
    numbers = priors.table["reading"]
    shift, variance = np.zeros(len(found)), np.zeros(len(found))
    for position, one in enumerate(found):
        row = rows.get(UNSTEADY_NAMES.get(one.channel, one.channel))
        if row is not None:
            shift[position], variance[position] = row[0], row[1] ** 2
        elif one.channel in ("span_over_3min", "drift"):
            factor = numbers["unsteady_span_factor" if one.channel == "span_over_3min" else "unsteady_drift_factor"]
            variance[position] = np.log(factor) ** 2 - one.scatter**2
    matrix = np.diag(variance)
    dioxide = {one.row: position for position, one in enumerate(found) if one.channel == "lambda_co2"}
    for first, one in enumerate(found):
        if one.channel == "lambda_o2" and one.row in dioxide:
            second = dioxide[one.row]
            matrix[first, second] = matrix[second, first] = 0.98 * variance[first]
    return shift, matrix


def proven_steady(readings: Sequence[Values]) -> bool | None:
    """Return whether a reading was looked at and was steady, True or False; None where nobody looked."""
    columns = {"o2_span_over_3min_pct": "steady_o2_span", "flue_drift_k_per_min": "steady_flue_drift"}
    looked: bool | None = None
    for reading in readings:
        within = [reading[column] <= limit(code) for column, code in columns.items() if column in reading]
        early = float(reading.get("minutes_since_ignition", np.inf)) < limit("steady_minutes")
        if len(within) == len(columns) and all(within) and not early:
            return True
        looked = False if within or early else looked
    return looked


def loosened(
    cause: str, found: Sequence[Observation], rows: Sequence[StageReading], priors: Priors
) -> tuple[Floats, Floats]:
    """Return mean shift and added covariance of the observed channels under one of the loose causes."""
    if cause == UNSTEADY:
        return unsteady_shift(found, priors)
    return np.zeros(len(found)), another_heater(found, rows, priors)


def another_heater(found: Sequence[Observation], rows: Sequence[StageReading], priors: Priors) -> Floats:
    """Return the added covariance when the baseline is of another heater: each constant of a stage drawn anew.

    Its ducts and its supply are the same ones at every stage: what they move, they move together.
    """
    spread = priors.table["another_heater"]
    loadings: dict[Any, list[float]] = defaultdict(lambda: [0.0] * len(found))
    for position, one in enumerate(found):
        row = rows[one.row]
        key = _base_key(one.channel)
        if key in row.healthy.value:
            stage = "" if key in OF_INSTALLATION else row.healthy.name
            loadings[(stage, key)][position] = float(spread[TYPE_NAMES.get(key, key)])
    stack = np.array(list(loadings.values())) if loadings else np.zeros((1, len(found)))
    matrix: Floats = stack.T @ stack
    return matrix


def _base_key(channel: str) -> str:
    """Return the constant of a healthy stage that a channel is held against."""
    return "air_ratio" if channel in ("lambda_o2", "lambda_co2") else channel


OF_INSTALLATION = ("intake_static", "exhaust_static", "voltage")  # constants that all stages of a heater share
# constant of a healthy stage -> its name in the table of another heater, where it has another
TYPE_NAMES = {"flue": "flue_k", "intake_static": "static", "exhaust_static": "static"}


def seen_blocked(readings: Sequence[Values]) -> bool:
    """Return whether a terminal was seen blocked."""
    return any(str(reading.get("terminals", "clear")) != "clear" for reading in readings)
