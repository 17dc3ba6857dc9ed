"""What was seen and told at a visit rather than read: the answers, and what each says about a cause."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import combinations

import numpy as np

from combust.application.causes.catalogue import HEALTHY, Priors
from combust.application.causes.stage_reading import Values
from combust.application.safety import cab_stops
from combust.domain.catalogue import setting_co2_maximum
from combust.domain.heater import Heater

SETTING = "analyser_fuel_setting"


def seen_likelihood(answers: Iterable[tuple[str, str]], readings: Sequence[Values], priors: Priors) -> dict[str, float]:
    """Return ln probability of what was seen for each cause, over that without a cause (which is in ``healthy``)."""
    total = dict.fromkeys(priors.causes, 0.0)
    counted: set[tuple[str, str]] = set()
    for column, answer in answers:
        table = seen_table(column, priors)
        if answer not in table[HEALTHY] or ((column, answer) in counted and column != "warm"):
            continue
        counted.add((column, answer))
        for cause in total:
            total[cause] += float(np.log(table.get(cause, table[HEALTHY])[answer] / table[HEALTHY][answer]))
    origins = {reading.get("co2_origin") for reading in readings if "co2_dry_pct" in reading}
    if origins == {"measured"}:  # the fuel that the analyser is set to reaches nothing that was entered
        total[SETTING] += float(np.log(priors.table["reading"]["setting_reaches_measured_co2"]))
    return total


def seen_twice(answers: Iterable[tuple[str, str]], priors: Priors) -> dict[frozenset[str], float]:
    """Return how much ln probability two causes together would count too much, for the columns that were answered.

    Two causes that both speak about a column multiply what they say; over all answers that must still add up to 1.
    """
    excess: dict[frozenset[str], float] = {}
    for column in dict.fromkeys(column for column, _ in answers):
        table = seen_table(column, priors)
        usual = table.pop(HEALTHY)
        for first, second in combinations(table, 2):
            whole = sum(table[first][answer] * table[second][answer] / usual[answer] for answer in usual)
            pair = frozenset((first, second))
            excess[pair] = excess.get(pair, 0.0) + float(np.log(whole))
    return excess


def seen_table(column: str, priors: Priors) -> dict[str, dict[str, float]]:
    """Return cause -> answer -> probability of a column that is seen; ``healthy`` stands for every cause not named."""
    row = priors.table["seen"][column]
    if column != "strip_down":
        return {HEALTHY if key == "usual" else key: dict(value) for key, value in row.items()}
    usual, shows, found = row["usual"], list(row["shows"]), float(row["found"])
    answers = {"nothing_found": usual["nothing_found"], **{name: usual["other"] / len(shows) for name in shows}}
    table = {HEALTHY: answers}
    for name in shows:
        rest = {key: value * (1.0 - found) for key, value in answers.items()}
        table[name] = {**rest, name: rest[name] + found}
    return table


# What is seen and told in words.
WORDS = (
    *("terminals", "probe_leak_test", "sample_line", "fuel_sample", "strip_down", "start_event", "start_smoke"),
    *("fuel_line", "glow_element_test", "flame_sensor_test", "heating_air_smell", "joints"),
    "plate_number",
)


def seen_answers(reading: Values, heater: Heater, priors: Priors) -> list[tuple[str, str]]:
    """Return (column, answer) of what was seen and told at a reading."""
    found = {column: str(reading[column]) for column in WORDS if reading.get(column)}
    gasoline = heater.fuel.family == "gasoline"
    if found.get("fuel_sample") == ("gasoline" if gasoline else "diesel"):
        found["fuel_sample"] = "as_stated"
    if reading.get("analyser_fuel"):
        setting = str(reading["analyser_fuel"])
        found["analyser_fuel"] = _same_setting(setting, heater.fuel.name, heater.fuel.co2_maximum_pct)
    if reading.get("minutes_since_ignition") is not None:
        found["warm"] = "warm" if float(reading["minutes_since_ignition"]) >= 10.0 else "early"
    return [*found.items(), *_told_of_start(reading, heater, priors), *_told_of_cab(reading, priors)]


def _told_of_start(reading: Values, heater: Heater, priors: Priors) -> list[tuple[str, str]]:
    """Return (column, answer) of the numbers that were told of a start."""
    edges, found = priors.table["sorted"], []
    if (seconds := reading.get("died_after_s")) is not None:
        words = [word for word in ("within_30_s", "within_5_min") if seconds <= edges[word]]
        found.append(("died_after", words[0] if words else "later"))
    if reading.get("failed_starts"):
        found.append(("again", "once" if reading["failed_starts"] < 2.0 else "again"))
    if (volts := reading.get("supply_glow_v")) is not None:
        of_plate = volts / (heater.nominal_v or (12.0 if volts < 18.0 else 24.0))
        word = "good" if of_plate >= edges["glow_good_from"] else "weak"
        found.append(("glow_voltage", word if of_plate >= edges["glow_weak_from"] else "low"))
    grade, cold = reading.get("fuel_grade"), reading.get("cold_soak_c")
    if cold is not None and heater.fuel.family != "gasoline":
        rows = priors.table["cold_flow"]
        above = cold - rows[f"{grade or 'summer'}_c"]
        if above > rows["near_above_k"]:
            found.append(("cold_fuel", "warmer"))  # also where nobody knows the grade: no grade waxes there
        elif grade is not None:
            found.append(("cold_fuel", "near" if above >= -rows["near_below_k"] else "colder"))
    return found


def _told_of_cab(reading: Values, priors: Priors) -> list[tuple[str, str]]:
    """Return (column, answer) of the CO of the cab: high is what stops."""
    inside, outside = reading.get("cab_co_in_ppm"), reading.get("cab_co_out_ppm", 0.0)
    if inside is None:
        return []
    if any(bool(where) for where in cab_stops(inside, outside).values()):
        return [("cab_co", "high")]
    raised = inside - outside >= priors.table["sorted"]["cab_co_raised_ppm"]
    return [("cab_co", "raised" if raised else "low")]


def _same_setting(setting: str, fuel_name: str, co2_maximum: float) -> str:
    """Return ``same`` when the analyser's fuel has the CO2 maximum of the fuel burnt within 3 %, else ``other``."""
    if setting.strip().lower() == fuel_name:
        return "same"
    maximum = setting_co2_maximum(setting)
    if maximum is None:
        return "other"
    return "same" if abs(maximum / co2_maximum - 1.0) < 0.03 else "other"
