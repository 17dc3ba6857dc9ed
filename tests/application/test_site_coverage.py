"""The 95 % interval of the full lambda at a site, against heaters that are built differently from the model."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from combust.application.heater.baseline import healthy_stage
from combust.domain.heater import Heater
from tests.simulator.heaters import hidden_heater, profile
from tests.simulator.physics import Condition
from tests.simulator.physics import Heater as Simulated

HEATERS, SITES = 8, 12


def distances(blower, hot, radiation):
    """How far the full lambda lies off the true one, in standard uncertainties, from 500 to 4200 m."""
    found = []
    for index in range(HEATERS):
        rng = np.random.default_rng([5, index])
        drawn = hidden_heater(rng, blower)
        heater = Simulated(replace(drawn.hidden, hot=hot, radiation=radiation), drawn.stages)
        heater.co_base, heater.smoke_base, heater.volts = drawn.co_base, drawn.smoke_base, drawn.volts
        told = Heater.from_dict(profile(heater, rng))
        height, temp = rng.uniform(500.0, 4200.0, SITES), rng.uniform(-25.0, 25.0, SITES)
        pressure = 1013.25 * (1.0 - 2.25577e-5 * height) ** 5.25588
        for name in ("high", "low"):
            place = Condition(pressure_hpa=pressure, intake_c=temp, air_in_c=temp, fuel_c=temp)
            true = np.asarray(heater.run(heater.stages[name], place)["air_ratio"])
            stage = healthy_stage(told, stage=name)
            full = stage.lambda_at(stage.air_at(pressure, temp))
            found.append(((full.air_ratio_full - true) / full.air_ratio_full_u)[true > 1.0])
    return np.concatenate(found)


@pytest.mark.independent
@pytest.mark.parametrize(
    ("blower", "hot", "radiation"),
    [("centrifugal", 0.0, 0.0), ("centrifugal", 0.9, 0.0), ("side_channel", 0.0, 0.0), ("centrifugal", 0.0, 0.3)],
)
def test_the_interval_covers_foreign_heaters(blower, hot, radiation):
    """Burners without a hot share and with nine tenths, both blowers, 30 % radiation: nine in ten, at least.

    The heaters share what is drawn for a row, so a row of eight heaters scatters; 95 % is owed over all of them.
    """
    off = distances(blower, hot, radiation)
    assert len(off) > 100
    assert np.mean(np.abs(off) < 1.96) >= 0.88


@pytest.mark.hand
def test_humidity_that_was_not_told_counts():
    """Saturated air of 30 °C holds 42.4 hPa of vapour (textbook): 0 to 100 % is 4.2 % of 1013 hPa, / √12 = 1.2 %."""
    stage = healthy_stage("diesel_b7", air_ratio=1.6)
    dry = stage.lambda_at(stage.air_at(1013.25, 30.0))
    told = stage.lambda_at(stage.air_at(1013.25, 30.0, humidity_pct=1.0))
    gained = (dry.air_ratio_full_u / dry.air_ratio_full) ** 2 - (told.air_ratio_full_u / told.air_ratio_full) ** 2
    assert float(np.sqrt(gained[0])) == pytest.approx(42.4 / 1013.25 / np.sqrt(12.0), abs=0.0007)
