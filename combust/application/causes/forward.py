"""From parameters to what a row would read: the channels, each nearly Gaussian around its expectation."""

from __future__ import annotations

from collections.abc import Mapping, Sequence, Set
from dataclasses import dataclass
from typing import Any

import numpy as np

from combust.application.causes.catalogue import Priors
from combust.application.causes.clean_gas import CO2_AIR, O2_AIR, CleanGas, kept_in_sample
from combust.application.causes.stage_reading import StageReading
from combust.application.heater.healthy import HealthyStage
from combust.application.heater.structure import Parameters
from combust.domain.heater import Heater
from combust.kernel.heater_law import regulated_speed
from combust.kernel.hot_gas import FuelHeat, fuel_heat
from combust.kernel.types import Floats
from combust.kernel.working_point import HealthyState, HeaterParameters, SiteAir, WorkingPoint, working_point

MOST_CO = 9.0  # ln of the CO over the baseline's
BAND = "band"  # lambda of a baseline over the middle of the healthy band in the unit's document, ln
VISIT_CHANNELS = ("delivery", "ambient_o2", "span", "intake_co2", "intake_o2", "span_over_3min", "drift")
CHECKS_WITHOUT_STATE = frozenset(("delivery", "ambient_o2", "span", "span_over_3min", "drift", BAND))
OF_LAMBDA = frozenset(("lambda_o2", "lambda_co2", "co", "smoke", "intake_co2", "intake_o2"))
OF_STATE = OF_LAMBDA | {"flue", "rise", "intake_static", "exhaust_static"}
ALL_CHANNELS = OF_STATE | CHECKS_WITHOUT_STATE | {"setting", "voltage", "speed", "frequency"}
STATE_PARAMETERS = (
    "steepness", "intake_share", "exhaust_share", "hot_share", "exponent", "air_side", "shaft", "radiated",
    "duct_off_left", "blower_speed", "slow_unregulated", "regulated", "voltage", "saturation", "stroke",
    "frequency", "lost_stroke", "starving", "starving_low", "r_in", "r_ex", "recirculated", "head", "r_burner",
    "unseen_warming", "recirculated_heat", "air_need", "heat_per_air", "released", "clean", "heating_air",
)  # fmt: skip


@dataclass(frozen=True)
class SharedStates:
    """Draws without repeats in what the heater's state depends on, and which of them each draw is."""

    parameters: Parameters
    index: Any


@dataclass(frozen=True)
class Model:
    """The forward model of one heater: what its fuel needs, and the numbers of the table."""

    heater: Heater
    priors: Priors
    heat: FuelHeat
    gas: CleanGas

    @classmethod
    def of(cls, heater: Heater, priors: Priors) -> Model:
        """Return the model of a heater."""
        fuel = heater.fuel
        return cls(heater, priors, fuel_heat(fuel, fuel.net_heating_value_mj_per_kg), CleanGas.of(fuel))

    def expected(self, row: StageReading, p: Parameters, needed: Set[str] = ALL_CHANNELS) -> dict[str, Any]:
        """Return the needed channels of a row for every draw, arrays of one length.

        lambda_o2, lambda_co2: ln of the lambda that the reading gives; setting: ln of the analyser's CO2 maximum over
        the fuel's; co, rise, voltage, speed, statics, frequency, delivery: ln; flue [°C]; smoke [-]; gases [%].
        """
        return self.expected_rows([row], p, [needed])[0]

    def expected_rows(
        self,
        rows: Sequence[StageReading],
        p: Parameters,
        needed: Sequence[Set[str]],
        shared: SharedStates | None = None,
    ) -> list[dict[str, Any]]:
        """Return the needed channels of several rows, the heater's state worked for all of them as one array.

        ``shared`` names the draws of ``p`` whose heaters are in the same state, where that is known beforehand.
        """
        size = len(p["steepness"])
        found: list[dict[str, Any]] = [{} for _ in rows]
        healthy, moved = zip(*(self._healthy_of(row, p) for row in rows), strict=True)
        stateful = [index for index, names in enumerate(needed) if names & OF_STATE]
        if stateful:
            some = [rows[index] for index in stateful]
            state = self.states(
                some, [healthy[index] for index in stateful], p if shared is None else shared.parameters
            )
            sort: dict[Set[str], list[int]] = {}
            for place, index in enumerate(stateful):
                sort.setdefault(needed[index] & OF_LAMBDA, []).append(place)
            for names, places in sort.items():
                base = [some[place].healthy.value for place in places]
                ratio = state.air_ratio if state.air_ratio.ndim < 2 else state.air_ratio[places]
                gases = self._gases(ratio, base, p, names, shared)
                for number, place in enumerate(places):
                    found[stateful[place]] |= {key: _row(value, number) for key, value in gases.items()}
            for place, index in enumerate(stateful):
                of_row = self._of_state(state, place, rows[index], healthy[index], needed[index], moved[index], shared)
                found[index] |= of_row
        for index, row in enumerate(rows):
            base_of_row = row.healthy.value
            plain = {"voltage": p.get("voltage", 1.0), "speed": None, "frequency": p.get("frequency", 1.0)}
            for key, ratio in plain.items():
                if key in needed[index] and key in base_of_row:
                    ratio = self.speed(row.healthy.load, p) if ratio is None else ratio
                    found[index][key] = base_of_row[key] + np.log(ratio) + moved[index].get(key, 0.0)
            if "setting" in needed[index]:
                found[index]["setting"] = p.get("setting", 0.0)
            if needed[index] & CHECKS_WITHOUT_STATE:
                found[index] |= self._checks(p)
        return [{key: value if np.ndim(value) else np.full(size, value) for key, value in out.items()} for out in found]

    def _of_state(
        self,
        state: WorkingPoint[Floats],
        place: int,
        row: StageReading,
        healthy: HealthyState[Floats],
        needed: Set[str],
        moved: Mapping[str, Any],
        shared: SharedStates | None,
    ) -> dict[str, Any]:
        """Return flue, rise and port pressures of a row, whose place in the state is told."""
        base = row.healthy.value

        def of_draws(value: Any) -> Any:
            return _every_draw(_row(value, place), shared)

        out: dict[str, Any] = {}
        if "flue" in needed:
            out["flue"] = of_draws(state.flue_c)
        if "rise" in needed and "rise" in base:
            out["rise"] = of_draws(np.log(np.maximum(_row(state.rise, place) * healthy.rise_k, 0.5)))
        for key, relative in (("intake_static", state.intake_static), ("exhaust_static", state.exhaust_static)):
            if key in needed and key in base:
                shown = np.log(np.maximum(_row(relative, place), 1e-4))
                out[key] = base[key] + of_draws(shown) + moved.get(key, 0.0)
        return out

    def _gases(
        self,
        ratio: Any,
        bases: Sequence[Mapping[str, float]],
        p: Parameters,
        needed: Set[str],
        shared: SharedStates | None,
    ) -> dict[str, Any]:
        """Return the channels that follow from lambda (row, draw) and from what sample and analyser make of it."""
        get = p.get
        out: dict[str, Any] = {}

        def spread(value: Any) -> Any:
            return _every_draw(value, shared)

        whole = spread(ratio)
        o2: Any = spread(self.gas.o2_pct(ratio)) if needed & {"lambda_o2", "intake_o2"} else None
        dilution = get("sample_air", 0.0)
        water = get("water_left")
        kept = kept_in_sample(dilution, 0.0 if water is None else spread(self.gas.water_share(ratio)) * water)
        if "lambda_o2" in needed:
            shown = o2 * kept + O2_AIR * dilution
            shown = O2_AIR - (O2_AIR - shown) * (1.0 + get("o2_slope", 0.0)) + get("o2_offset", 0.0)
            out["lambda_o2"] = np.log(self.gas.air_ratio_of_o2(np.minimum(shown, 20.6)))
        if "lambda_co2" in needed:
            co2 = self.gas.co2_pct(whole, get("co2_maximum", 1.0)) * kept + CO2_AIR * dilution
            out["lambda_co2"] = np.log(self.gas.air_ratio_of_co2(co2))
        if needed & {"co", "smoke"}:
            usual = np.exp(_column([base["air_ratio"] for base in bases]))
            flame = self.priors.table["flame"]
            rich, rich_0 = rich_ramp(flame, ratio), rich_ramp(flame, usual)
            if "co" in needed:
                bath = spread(co_bath(flame, ratio, rich) - co_bath(flame, usual, rich_0))
                gained = np.minimum(get("co_gain", 1.0) * bath, MOST_CO) + get("co_extra", 0.0)
                out["co"] = _column([base["co"] for base in bases]) + gained + np.log(np.maximum(kept, 0.05))
            if "smoke" in needed:
                grown = flame["smoke_slope"] * flame["rich_width"] * spread(rich - rich_0)
                smoke = _column([base["smoke"] for base in bases]) + grown + get("smoke_extra", 0.0)
                out["smoke"] = np.minimum(smoke, 9.0)
        share = get("recirculated", 0.0)
        if "intake_co2" in needed:
            out["intake_co2"] = CO2_AIR + share * self.gas.co2_pct(np.maximum(1.0, whole))
        if "intake_o2" in needed:
            out["intake_o2"] = O2_AIR - share * (O2_AIR - o2)
        return out

    def _checks(self, p: Parameters) -> dict[str, Any]:
        """Return the channels of checks that do not need the heater's state."""
        get, numbers = p.get, self.priors.table["reading"]
        unsteady = get("unsteady", 0.0)
        wide = np.log(numbers["unsteady_span_median_pct"] / numbers["span_over_3min_median_pct"])
        fast = np.log(numbers["unsteady_drift_median_k_per_min"] / numbers["drift_median_k_per_min"])
        return {
            BAND: get("baseline_air_ratio", 0.0),
            "delivery": np.log(get("delivery", 1.0)),
            "ambient_o2": 20.9 + get("o2_offset", 0.0),
            "span": get("o2_offset", 0.0) - get("o2_slope", 0.0) * 15.0,
            "span_over_3min": np.log(numbers["span_over_3min_median_pct"]) + wide * unsteady,
            "drift": np.log(numbers["drift_median_k_per_min"]) + fast * unsteady,
        }

    def speed(self, load: Any, p: Parameters) -> Any:
        """Return the blower speed ratio at a stage's load: low voltage bites where the regulator runs out."""
        speed = p.get("blower_speed", 1.0) * (1.0 - p.get("slow_unregulated", 0.0))
        if "regulated" in p:
            kept = regulated_speed(p["voltage"], saturation=p["saturation"], load=load)
            speed = speed * np.where(p["regulated"] > 0.5, kept, 1.0)
        return speed if np.ndim(speed) else np.full(len(p["steepness"]), speed)

    def _fuel(self, rows: Sequence[StageReading], p: Parameters) -> Any:
        """Return the fuel flow ratio at the rows' stages."""
        density = _column([row.fuel_density for row in rows])
        fuel = p.get("stroke", 1.0) * p.get("frequency", 1.0) * (1.0 - p.get("lost_stroke", 0.0)) * density
        if "starving" in p:
            low = _column([float(row.healthy.load < 0.8) for row in rows])
            fuel = fuel * (1.0 - p["starving"] * (1.0 + low * (p["starving_low"] - 1.0)))
        return fuel

    def states(
        self, rows: Sequence[StageReading], healthy: Sequence[HealthyState[Any]], p: Parameters
    ) -> WorkingPoint[Floats]:
        """Return the state of each row and draw; what no row changes keeps the draws' shape."""
        get = p.get
        r_in, r_ex, recirculated = get("r_in", 1.0), get("r_ex", 1.0), get("recirculated", 0.0)
        off = [row.arrangement for row in rows]
        if "intake_duct_off" in off or "exhaust_duct_off" in off:
            left = p["duct_off_left"]
            r_in = _stack([left if name == "intake_duct_off" else r_in for name in off])
            r_ex = _stack([left if name == "exhaust_duct_off" else r_ex for name in off])
            less = recirculated * left
            ducts = ("intake_duct_off", "exhaust_duct_off")
            recirculated = _stack([less if name in ducts else recirculated for name in off])
        drawn = HeaterParameters(**{name: p[name] for name in HeaterParameters._fields if name in p})
        parameters = drawn._replace(
            speed=self.speed(_column([row.healthy.load for row in rows]), p),
            r_in=r_in,
            r_ex=r_ex,
            recirculated=recirculated,
            fuel=self._fuel(rows, p) * get("air_need", 1.0),
            fuel_heat=get("heat_per_air", 1.0),
        )
        usual = HealthyState(*(_stack(values) for values in zip(*healthy, strict=True)))
        site = SiteAir(*(_column(values) for values in zip(*(row.site for row in rows), strict=True)))
        return working_point(usual, site, parameters, self.heat)

    def _healthy_of(self, row: StageReading, p: Parameters) -> tuple[HealthyState[Any], dict[str, Any]]:
        """Return the healthy state behind each draw: another stage's where the stage is mistaken."""
        state = row.healthy.state
        full, low = p.get("stage_shift_fullest", 0.0), p.get("stage_shift_lower", 0.0)
        shift = {"either": full + low, "fullest": full, "lower": low}[row.mistaken]
        if not np.any(shift):
            return state, {}
        target = mistaken_stage(row.healthy, row.other, p["stage_unknown"])
        mixed = HealthyState(
            np.exp(np.log(state.air_ratio) + shift * target["air_ratio"]),
            state.flue_c + shift * target["flue"],
            state.intake_c,
            state.air_in_c,
            state.rise_k * np.exp(shift * target["rise"]),
        )
        return mixed, {key: shift * target[key] for key in ("speed", "frequency", "intake_static", "exhaust_static")}


def rich_ramp(flame: Mapping[str, float], ratio: Any) -> Any:
    """Return the soft ramp of a flame that is too rich: 0 above the knee, then one for each width below it."""
    return np.logaddexp(0.0, (flame["rich_knee"] - ratio) / flame["rich_width"])


def co_bath(flame: Mapping[str, float], ratio: Any, rich: Any) -> Any:
    """Return ln of the CO factor of a lambda: up when rich, up again when very lean (weak, from memory)."""
    lean = np.logaddexp(0.0, (ratio - flame["lean_knee"]) / flame["lean_width"])
    return flame["rich_slope"] * flame["rich_width"] * rich + flame["lean_slope"] * flame["lean_width"] * lean


def shared_states(p: Parameters) -> SharedStates:
    """Return which draws put the heater in the same state: those that agree in every parameter of the state."""
    keys = [key for key in STATE_PARAMETERS if key in p]
    table = np.stack([np.broadcast_to(p[key], len(p["steepness"])) for key in keys], axis=1)
    _, first, index = np.unique(table, axis=0, return_index=True, return_inverse=True)
    return SharedStates({key: np.broadcast_to(p[key], len(table))[first] for key in keys}, np.ravel(index))


def _column(values: Sequence[float]) -> Any:
    """Return one number where all rows agree, else a column with a row for each."""
    first = values[0]
    return first if values.count(first) == len(values) else np.array(values)[:, None]


def _stack(values: Sequence[Any]) -> Any:
    """Return numbers or arrays of draws, one for each row, as a number, a column, or rows of draws."""
    first = values[0]
    if all(value is first for value in values):
        return first
    draws = next((value for value in values if isinstance(value, np.ndarray)), None)
    if draws is None:
        return _column(values)
    rows = np.empty((len(values), len(draws)))
    for row, value in zip(rows, values, strict=True):
        row[:] = value
    return rows


def _every_draw(value: Any, shared: SharedStates | None) -> Any:
    """Return the values of all draws: those in the same state share one."""
    return value if shared is None else np.take(value, shared.index, axis=-1)


def _row(value: Any, index: int) -> Any:
    """Return the draws of one row."""
    if not isinstance(value, np.ndarray) or value.ndim < 2:
        return value
    return value[index if len(value) > 1 else 0]


def mistaken_stage(healthy: HealthyStage, other: HealthyStage | None, unknown: Floats) -> dict[str, Any]:
    """Return how another stage differs from the noted one, channel by channel; drawn where the profile has none."""
    first, second = unknown[:, 0], unknown[:, 1]
    sign = 1.0 if other is None or other.load < healthy.load else -1.0
    shift: dict[str, Any] = {
        "air_ratio": sign * (0.22 + 0.08 * first),
        "flue": -sign * (110.0 + 35.0 * second),
        "rise": -sign * (0.25 + 0.12 * second),
        "speed": -sign * (0.75 + 0.15 * first),
        "frequency": -sign * (1.0 + 0.2 * first),
        "intake_static": -sign * (1.5 + 0.3 * first),
        "exhaust_static": -sign * (1.6 + 0.3 * first),
    }
    if other is not None:
        both = shift.keys() & other.value.keys() & healthy.value.keys()
        shift |= {key: other.value[key] - healthy.value[key] for key in both}
    return shift
