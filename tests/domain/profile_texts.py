"""What the tests of heater profiles share: the least profile, one with a healthy reading, loading and refusal."""

from pathlib import Path

import pytest

from combust.data.errors import CombustError
from combust.domain.heater import Heater

DATA = Path(__file__).parents[2] / "data" / "heaters"

# The least that a profile must hold.
LEAST = 'fuel = "diesel_b7"\n[stages.high]\nair_ratio_band = [1.35, 1.8]\n'
# The same with a healthy reading, for tests of one more line.
WITH_BASELINE = 'fuel = "diesel_b7"\n[stages.high]\n[[baseline]]\nstage = "high"\no2_dry_pct = 8.2\nco_dry_ppm = 40\n'


def load(tmp_path, text):
    path = tmp_path / "heater.toml"
    path.write_text(text, encoding="utf-8")
    return Heater.load(path)


def faults_of(tmp_path, text):
    with pytest.raises(CombustError) as caught:
        load(tmp_path, text)
    return caught.value.faults
