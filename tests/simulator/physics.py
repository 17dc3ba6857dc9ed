"""A heater for tests, built differently from the inference model on purpose.

Full blower curve solved by bisection, duct exponents below 2, own heat capacities (handbook table, from memory), an
exchanger in ten counterflow sections with resistances on both sides, heat radiated past it, heating air on the shaft.
Everything is vectorised over visits: every field may be a number or an array of one length.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

# Molar heat capacities at constant pressure [J/(mol K)] over kelvin: handbook values, from memory.
KELVIN = np.array([200.0, 300.0, 500.0, 700.0, 1000.0, 1300.0, 1600.0, 2000.0, 2500.0, 6000.0])
CP = {
    "n2": np.array([29.1, 29.1, 29.6, 30.8, 32.7, 34.1, 35.1, 36.0, 36.6, 37.5]),
    "o2": np.array([29.2, 29.4, 31.1, 33.0, 34.9, 36.0, 36.8, 37.8, 38.9, 41.0]),
    "co2": np.array([34.9, 37.2, 44.6, 49.6, 54.3, 56.9, 58.6, 60.4, 61.5, 63.0]),
    "h2o": np.array([33.4, 33.6, 35.2, 37.5, 41.3, 45.0, 48.1, 51.1, 53.9, 58.0]),
}
ENTHALPY = {
    name: np.concatenate([[0.0], np.cumsum(np.diff(KELVIN) * 0.5 * (cp[1:] + cp[:-1]))]) for name, cp in CP.items()
}
O2_AIR = 0.2095
HOTTEST_K = 4000.0  # keeps a march from a wrong guess finite
BEND = 0.85  # flow over design flow at which a bent blower curve stops rising
# Diesel with 7 % FAME: CH1.86 O0.007, 42.65 MJ/kg (same fuel as the profile, own arithmetic).
HYDROGEN, OXYGEN, NET_J_PER_KG = 1.86, 0.007, 42.65e6
CARBON_KG = 12.011 + 1.008 * HYDROGEN + 15.999 * OXYGEN
NET_J_PER_MOL = NET_J_PER_KG * CARBON_KG * 1e-3
NEED = 1.0 + HYDROGEN / 4.0 - OXYGEN / 2.0


def enthalpy(name, kelvin):
    """J/mol above 200 K."""
    return np.interp(kelvin, KELVIN, ENTHALPY[name])


def gas_moles(ratio, need=NEED, hydrogen=HYDROGEN):
    """Flue gas per mol of carbon; below lambda 1 the missing oxygen is taken from CO2 (as CO, like N2)."""
    air = np.asarray(ratio) * need / O2_AIR
    o2 = np.maximum(0.0, (ratio - 1.0) * need)
    missing = np.maximum(0.0, (1.0 - ratio) * need)
    co2 = np.maximum(0.0, 1.0 - 1.7 * missing)
    return {"co2": co2, "h2o": hydrogen / 2.0 + 0.0 * air, "o2": o2, "n2": air * (1.0 - O2_AIR) + (1.0 - co2)}


def gas_heat(moles, kelvin):
    return sum(amount * enthalpy(name, kelvin) for name, amount in moles.items())


def solve(function, low, high, rounds=40):
    """Bisection of a falling function, array-wise."""
    low, high = np.array(low, dtype=float), np.array(high, dtype=float)
    for _ in range(rounds):
        middle = 0.5 * (low + high)
        above = function(middle) > 0.0
        low, high = np.where(above, middle, low), np.where(above, high, middle)
    return 0.5 * (low + high)


@dataclass
class Hidden:
    """What nobody knows about one heater."""

    blower: str
    a1: float
    a2: float
    w_in: float
    w_b: float
    w_ex: float
    exponent_in: float
    exponent_b: float
    exponent_ex: float
    hot: float
    gas_exponent: float
    air_exponent: float
    air_resistance: float
    radiated: float
    co_knee: float
    co_slope: float
    saturation: float
    regulated: bool
    shaft: bool
    fuel_density_15: float = 832.0
    stroke_true: float = 1.0
    left_in: float = 0.08
    left_ex: float = 0.08
    # Share of the heat in the exchanger that passes by radiation, and of the useful heat that the casing loses.
    radiation: float = 0.0
    casing: float = 0.0
    # Share of the heat that a flame as hot as at design radiates past the exchanger, beyond ``radiated``.
    flame_radiates: float = 0.0
    ratio: dict = field(default_factory=dict)

    def curve(self, x):
        """Blower head over design head at x = Q/(n Q0)."""
        if self.blower == "bent":
            return 1.0 + np.where(x > BEND, self.a1 * (1.0 - x), self.a1 * (1.0 - BEND) - self.a2 * (BEND - x))
        if self.blower == "side_channel":
            return 1.0 + self.a1 * (1.0 - x) + self.a2 * (1.0 - x) ** 2
        return 1.0 - self.a1 + self.a2 + self.a1 * x - self.a2 * x * x


@dataclass
class Stage:
    """Design of a stage: lambda, fuel against full stage, blower speed, transfer size, heating air against full."""

    air_ratio: float
    fuel: float
    speed: float
    flue_c: float
    rise_k: float
    radiating: float = 0.0
    casing: float = 0.0


@dataclass
class Condition:
    """Site, fault and arrangement of each visit (numbers or arrays); ratios are 1 when healthy."""

    pressure_hpa: object = 1013.25
    intake_c: object = 15.0
    air_in_c: object = 15.0
    fuel_c: object = 15.0
    speed: object = 1.0
    head: object = 1.0
    r_in: object = 1.0
    r_b: object = 1.0
    r_ex: object = 1.0
    recirculated: object = 0.0
    returned_heat: object = 1.0
    fuel: object = 1.0
    need: object = 1.0
    heat_per_air: object = 1.0
    released: object = 1.0
    dirt: object = 1.0
    duct: object = 1.0
    wind: object = 1.0


DESIGN_PRESSURE, DESIGN_C = 1013.25, 15.0


def radiated_heat(stage, gas_k, air_k, dirt):
    """Heat of one section by radiation: fourth powers, whatever the flow."""
    hot, cold = np.minimum(gas_k, HOTTEST_K), np.minimum(air_k, HOTTEST_K)
    return stage.radiating * dirt / 10.0 * np.maximum(hot**4 - cold**4, 0.0)


def exchange(hidden, stage, flame_k, gas, ratio, sink_in_k, heating, dirt, fuel, area):
    """March ten counterflow sections; returns flue temperature [K] and heat to the heating air (design fuel = 1)."""
    moles = gas_moles(ratio)
    shape = np.broadcast_shapes(*(np.shape(np.asarray(v)) for v in (flame_k, gas, ratio, sink_in_k, heating, dirt)))
    conductance = area / (
        (1.0 - hidden.air_resistance) / gas**hidden.gas_exponent / dirt
        + hidden.air_resistance / heating**hidden.air_exponent
    )
    capacity_air = stage.capacity_air * heating

    def given(flue_k):
        """Mismatch at the hot end when the cold end of the gas is at flue_k: march from the air inlet."""
        gas_k = np.broadcast_to(flue_k, shape).astype(float)
        air_k = np.broadcast_to(sink_in_k, shape).astype(float)
        for _ in range(10):
            step = conductance / 10.0 * np.maximum(gas_k - air_k, 0.0)
            if stage.radiating:
                step = step + radiated_heat(stage, gas_k, air_k, dirt)
            cp = sum(amount * np.interp(gas_k, KELVIN, CP[name]) for name, amount in moles.items())
            gas_k = gas_k + step / (cp * fuel)
            air_k = air_k + step / capacity_air
        return flame_k - gas_k

    flue = solve(given, np.broadcast_to(sink_in_k + 1.0, shape), np.broadcast_to(flame_k, shape), 18)
    heat = fuel * (gas_heat(moles, flame_k) - gas_heat(moles, flue))
    return flue, heat


class Heater:
    """One heater with two stages, calibrated so that its healthy flue and rise are those of its stages at design."""

    def __init__(self, hidden, stages):
        self.hidden, self.stages = hidden, stages
        for stage in stages.values():
            self._calibrate(stage)

    def _calibrate_casing(self, stage, useful):
        """The casing is as warm as the heating air on the way: one conductance, over the fuel of the stage."""
        if self.hidden.casing:
            full = self.stages["high"]
            if stage is full:
                full.casing = self.hidden.casing * useful / (0.5 * full.rise_k)
            else:
                stage.casing = full.casing / stage.fuel

    def _calibrate(self, stage):
        hidden = self.hidden
        flame = self._flame(stage.air_ratio, DESIGN_C, 0.0, 1.0, 1.0)
        moles = gas_moles(stage.air_ratio)
        useful = gas_heat(moles, flame) - gas_heat(moles, stage.flue_c + 273.15)
        radiated = (hidden.radiated + hidden.flame_radiates) * NET_J_PER_MOL
        self._calibrate_casing(stage, useful + radiated)
        stage.capacity_air = (useful + radiated) / stage.rise_k - 0.5 * stage.casing

        def flue_of(area):
            return exchange(hidden, stage, flame, 1.0, stage.air_ratio, DESIGN_C + 273.15, 1.0, 1.0, 1.0, area)[0]

        def fitting_area():
            return float(solve(lambda area: flue_of(area) - (stage.flue_c + 273.15), 1e-3, 4000.0, 22))

        if not hidden.radiation:
            stage.area = float(solve(lambda area: flue_of(area) - (stage.flue_c + 273.15), 1.0, 4000.0, 22))
            return
        stage.radiating = hidden.radiation * useful / ((0.5 * (flame + stage.flue_c + 273.15)) ** 4)
        for _ in range(4):
            stage.area = fitting_area()
            stage.radiating *= hidden.radiation / self._radiated_share(stage, flame, moles)

    def _radiated_share(self, stage, flame, moles):
        """Share of the heat in the exchanger of the design that passes by radiation."""
        gas_k, air_k = stage.flue_c + 273.15, DESIGN_C + 273.15
        by_radiation = whole = 0.0
        for _ in range(10):
            part = float(radiated_heat(stage, gas_k, air_k, 1.0))
            step = stage.area / 10.0 * max(gas_k - air_k, 0.0) + part
            gas_k += step / sum(amount * float(np.interp(gas_k, KELVIN, CP[name])) for name, amount in moles.items())
            air_k += step / stage.capacity_air
            by_radiation, whole = by_radiation + part, whole + step
        return by_radiation / whole

    def _flame(self, ratio, intake_c, recirculated, released, heat_per_air, radiated=None):
        moles = gas_moles(ratio)
        if radiated is None:
            radiated = self.hidden.radiated + self.hidden.flame_radiates
        net = NET_J_PER_MOL * (1.0 - radiated) * released * heat_per_air * np.minimum(1.0, ratio)
        air = ratio * NEED / O2_AIR
        carried = air * 29.1 * (intake_c - 15.0)
        target = gas_heat(moles, 288.15) + net * (1.0 - recirculated) + carried
        return solve(
            lambda k: target - gas_heat(moles, k),
            np.full(np.shape(target), 260.0),
            np.full(np.shape(target), 3000.0),
            26,
        )

    def run(self, stage, c):
        """Working point of a stage under conditions: dictionary of arrays."""
        hidden = self.hidden
        flue = stage.flue_c + 273.15
        intake_k0 = DESIGN_C + 273.15
        flame0 = self._flame(stage.air_ratio, DESIGN_C, 0.0, 1.0, 1.0)
        flame = flame0
        past = hidden.radiated + hidden.flame_radiates
        port_c = c.intake_c
        for _ in range(6):
            port_c = c.intake_c + c.recirculated * c.returned_heat * (flue - 273.15 - c.intake_c)
            port_k = port_c + 273.15
            thin = c.pressure_hpa / DESIGN_PRESSURE * intake_k0 / port_k
            gas_mean = 0.6 * flame + 0.4 * flue
            tau_b = (
                1.0
                - hidden.hot
                + hidden.hot * (gas_mean / port_k) / ((0.6 * flame0 + 0.4 * (stage.flue_c + 273.15)) / intake_k0)
            )
            tau_ex = (flue / port_k) / ((stage.flue_c + 273.15) / intake_k0)

            def surplus(q, tau_b=tau_b, tau_ex=tau_ex):
                load = (
                    hidden.w_in * c.r_in * q**hidden.exponent_in
                    + hidden.w_b * c.r_b * tau_b * q**hidden.exponent_b
                    + hidden.w_ex * c.r_ex * tau_ex * q**hidden.exponent_ex
                )
                return c.head * c.speed**2 * hidden.curve(q / c.speed) - load

            ones = np.ones(
                np.broadcast_shapes(
                    *(np.shape(np.asarray(v)) for v in (tau_b, tau_ex, c.speed, c.r_in, c.r_ex, c.r_b, c.head))
                )
            )
            volume = solve(surplus, 0.02 * ones, 1.6 * ones, 26)
            fresh = 1.0 - c.recirculated
            fuel = c.fuel * (1.0 - 0.00083 * (c.fuel_c - 15.0))
            ratio = stage.air_ratio * thin * volume * fresh / (fuel * c.need)
            if hidden.flame_radiates:
                hotter = np.minimum((flame / flame0) ** 4, 4.0)
                past = 0.5 * (past + hidden.radiated + hidden.flame_radiates * hotter)
            flame = self._flame(ratio, port_c, c.recirculated, c.released, c.heat_per_air, past)
            heating = (
                c.pressure_hpa
                / DESIGN_PRESSURE
                * intake_k0
                / (c.air_in_c + 273.15)
                * c.duct
                * (c.speed if hidden.shaft else 1.0)
            )
            through = fuel * c.need / fresh
            gas = through * (0.066 + 0.934 * ratio / stage.air_ratio)
            flue, heat = exchange(
                hidden, stage, flame, gas, ratio, c.air_in_c + 273.15, heating, c.dirt, through, stage.area
            )
        radiated = past * NET_J_PER_MOL * fuel * c.need * c.released * c.heat_per_air * np.minimum(1.0, ratio)
        density = thin
        return {
            "air_ratio": ratio,
            "flue_c": flue - 273.15,
            "rise_k": self._rise(stage, c, heat + radiated, heating),
            "port_c": port_c,
            "suction": c.r_in * hidden.w_in * volume**hidden.exponent_in * density,
            "back": c.r_ex * hidden.w_ex * volume**hidden.exponent_ex * density * tau_ex,
            "volume": volume,
        }

    @staticmethod
    def _rise(stage, c, heat, heating):
        """Rise of the heating air, less what the casing gives to the air around it."""
        if not stage.casing:
            return heat / (stage.capacity_air * heating)
        lost = stage.casing * c.wind
        return (heat - lost * (c.air_in_c - c.intake_c)) / (stage.capacity_air * heating + 0.5 * lost)


def dry_gas(ratio, co2_maximum=1.0):
    """O2 and CO2 [%] of the dry gas; CO2 of the air is left out."""
    moles = gas_moles(ratio)
    dry = moles["co2"] + moles["o2"] + moles["n2"]
    return 100.0 * moles["o2"] / dry, 100.0 * moles["co2"] * co2_maximum / dry, moles["h2o"] / (dry + moles["h2o"])
