"""What each cause does to a simulated heater and to what is read from it."""

from __future__ import annotations

import numpy as np

from tests.simulator.heaters import RPM_HIGH, RPM_LOW

CAUSES = [
    "healthy",
    "intake_restricted",
    "exhaust_restricted",
    "exhaust_recirculated",
    "supply_low",
    "blower_weak",
    "fuel_over",
    "fuel_under",
    "burner_fouled",
    "exchanger_fouled",
    "heating_air_restricted",
    "sample_air_leak",
    "sample_wet",
    "o2_cell_drift",
    "analyser_fuel_setting",
    "fuel_other",
    "stage_mistaken",
    "not_steady",
]
HEATER_FAULTS = CAUSES[1:11]
CONDITION = (
    "head",
    "r_in",
    "r_b",
    "r_ex",
    "fuel",
    "fuel_low",
    "need",
    "heat_per_air",
    "dirt",
    "duct",
    "speed",
    "speed_low",
)
READ = ("wet", "leak", "slope", "offset", "setting", "co", "smoke", "shift", "unsteady", "petrol", "recirculated")
# need of air by volume and heat per air of other fuels over diesel: own arithmetic from handbook densities (memory)
OTHER_FUELS = {
    "paraffinic": (0.958, 1.0),
    "fame": (0.905, 1.015),
    "petrol": (0.862, 1.01),
    "kerosene": (0.965, 1.0),
}


class Case:
    """Condition and measurement faults of visits, one number a visit and name; 1 or 0 where all is well."""

    def __init__(self, size, hidden):
        self.hidden = hidden
        self.value = {key: np.ones(size) for key in (*CONDITION, "freq", "delivery", "volts", "returned_heat")}
        self.value |= {key: np.zeros(size) for key in READ}

    def resistance(self, remaining):
        """Total resistance that leaves a share of the flow, by the blower's own curve."""
        return self.hidden.curve(remaining) / remaining**1.93

    def times(self, i, **factors):
        for key, factor in factors.items():
            self.value[key][i] *= factor

    def plus(self, i, **amounts):
        for key, amount in amounts.items():
            self.value[key][i] += amount


def intake(case, i, rng, size):
    case.plus(i, r_in=(case.resistance(1.0 - size) - 1.0) / case.hidden.w_in)


def exhaust(case, i, rng, size):
    case.plus(i, r_ex=(case.resistance(1.0 - size) - 1.0) / case.hidden.w_ex)


def recirculated(case, i, rng, size):
    case.plus(i, recirculated=size)
    case.times(i, returned_heat=rng.uniform(0.4, 1.0))


def supply(case, i, rng, size):
    hidden = case.hidden
    volts = hidden.saturation * (1.0 - size) if hidden.regulated else 1.0 - size / rng.uniform(1.02, 1.3)
    low = min(1.0, volts / (hidden.saturation * RPM_LOW / RPM_HIGH)) if hidden.regulated else 1.0 - size
    case.times(i, volts=volts, speed=1.0 - size, speed_low=low, fuel=1.0 - rng.uniform(0.0, 0.3) * (1.0 - volts))


def blower(case, i, rng, size):
    if rng.random() < 0.5:
        case.times(i, speed=1.0 - size, speed_low=1.0 - size)
    else:
        case.times(i, head=1.0 / case.resistance(1.0 - size))


def fuel_over(case, i, rng, size):
    case.times(i, fuel=1.0 + size, **{"freq" if rng.random() < 0.1 else "delivery": 1.0 + size})


def fuel_under(case, i, rng, size):
    way = rng.random()
    if way < 0.3:  # starving: mostly at the full stage, and only in part on the bench
        low = (1.0 - size * rng.uniform(0.0, 0.4)) / (1.0 - size)
        case.times(i, fuel=1.0 - size, fuel_low=low, delivery=1.0 - size * rng.uniform(0.2, 1.0))
    else:
        case.times(i, fuel=1.0 - size, **{"freq" if way < 0.4 else "delivery": 1.0 - size})


def burner(case, i, rng, size):
    case.plus(i, co=rng.uniform(1.2, 2.6), smoke=rng.uniform(1.5, 4.0))
    case.plus(i, r_b=(case.resistance(1.0 - rng.uniform(0.02, 0.10)) - 1.0) / case.hidden.w_b)
    case.times(i, dirt=rng.uniform(0.88, 0.99))


def exchanger(case, i, rng, size):
    case.times(i, dirt=1.0 - max(size, 0.15))
    case.plus(i, r_b=(case.resistance(1.0 - rng.uniform(0.0, 0.06)) - 1.0) / case.hidden.w_b)


def heating_air(case, i, rng, size):
    case.times(i, duct=1.0 - size)


def sample_air(case, i, rng, size):
    case.plus(i, leak=rng.uniform(0.12, 0.35))


def wet(case, i, rng, size):
    case.plus(i, wet=rng.uniform(0.6, 1.0))


def drift(case, i, rng, size):
    sign = rng.choice([-1.0, 1.0])
    if rng.random() < 0.6:
        case.plus(i, offset=sign * rng.uniform(0.8, 2.0))
    else:
        case.plus(i, slope=sign * rng.uniform(0.065, 0.16))


def setting(case, i, rng, size):
    case.plus(i, setting=rng.choice([11.8, 13.8]))


def fuel_other(case, i, rng, size):
    kind = rng.choice(list(OTHER_FUELS))
    need, heat = OTHER_FUELS[kind]
    case.times(i, need=need, heat_per_air=heat)
    case.plus(i, petrol=float(kind == "petrol"))


def gasoline_in_diesel(case, i, rng, size):
    need, heat = OTHER_FUELS["petrol"]
    case.times(i, need=need, heat_per_air=heat)
    case.plus(i, petrol=1.0)


def diesel_in_gasoline(case, i, rng, size):
    need, heat = OTHER_FUELS["petrol"]
    case.times(i, need=1.0 / need, heat_per_air=1.0 / heat)
    case.plus(i, co=rng.uniform(0.6, 2.0), smoke=rng.uniform(1.0, 4.0))  # it evaporates badly


def water_in_fuel(case, i, rng, size):
    water = rng.uniform(0.05, 0.20)  # by volume; it takes the place of fuel and 6 % of a fuel's heat to evaporate
    case.times(i, fuel=1.0 - water, heat_per_air=1.0 - 0.06 * water / (1.0 - water))
    case.plus(i, co=rng.uniform(0.3, 1.8))


def stage(case, i, rng, size):
    case.plus(i, shift=rng.uniform(0.55, 1.0))


def unsteady(case, i, rng, size):
    case.plus(i, unsteady=1.0)


EFFECTS = dict(
    zip(
        CAUSES[1:],
        (
            intake,
            exhaust,
            recirculated,
            supply,
            blower,
            fuel_over,
            fuel_under,
            burner,
            exchanger,
            heating_air,
            sample_air,
            wet,
            drift,
            setting,
            fuel_other,
            stage,
            unsteady,
        ),
        strict=True,
    )
)
# Faults of the foreign conditions only, with the causes that name them rightly.
OTHER_FAULTS = {
    "gasoline_in_diesel": (gasoline_in_diesel, ("fuel_other", "fuel_contaminated")),
    "diesel_in_gasoline": (diesel_in_gasoline, ("fuel_other", "fuel_contaminated")),
    "water_in_fuel": (water_in_fuel, ("fuel_contaminated", "fuel_other", "fuel_under")),
}
EFFECTS |= {name: effect for name, (effect, _) in OTHER_FAULTS.items()}


def faults_of(names, rng, heater, low=0.15, high=0.40):
    """Return the numbers of every visit for a list of (sets of) causes, as arrays over visits.

    Flow faults remove ``low`` to ``high`` of the air (or change the fuel by as much) at full stage, at design.
    """
    case = Case(len(names), heater.hidden)
    for i, causes in enumerate(names):
        for cause in causes:
            if cause != "healthy":
                EFFECTS[cause](case, i, rng, rng.uniform(low, high))
    return case.value


def drawn_causes(rng, size):
    """Single causes and healthy heaters in the proportions of the stated prior (0.20 to 0.70)."""
    faults = rng.choice(CAUSES[1:], size)
    return [(str(cause),) if rng.random() < 0.70 / 0.90 else ("healthy",) for cause in faults]
