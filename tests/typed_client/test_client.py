"""The typed client runs too, and no public name of ``combust`` says Any where a type checker looks."""

from __future__ import annotations

import inspect
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

import combust
from tests.typed_client import client

pytestmark = pytest.mark.regression


def returned() -> Iterator[tuple[str, object]]:
    """Yield each public function, method and property of ``combust`` with what it says it returns."""
    for name in combust.__all__:
        value = inspect.unwrap(getattr(combust, name)) if callable(getattr(combust, name)) else None
        members = vars(value).items() if inspect.isclass(value) else [("", value)]
        for key, member in members:
            plain = member.fget if isinstance(member, property) else getattr(member, "__func__", member)
            if not key.startswith("_") and inspect.isfunction(plain):
                yield f"{name}.{key}".rstrip("."), inspect.signature(plain).return_annotation


def test_no_public_name_returns_any() -> None:
    """Nor a container of Any."""
    found = {name: str(told) for name, told in returned()}
    assert len(found) > 60
    assert not {name for name, told in found.items() if re.search(r"\bAny\b|_empty", told)}


def test_the_client_passes_the_type_checker() -> None:
    root, path = Path(combust.__file__).parents[1], Path(client.__file__)
    done = subprocess.run(
        [sys.executable, "-m", "mypy", "--strict", str(path)], cwd=root, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout


def test_the_client_runs() -> None:
    assert client.lambda_of(8.2) == "1.60"
    assert client.lambdas_of(np.array([8.2, 0.0])) == pytest.approx(1.6, abs=0.01)
    state, ratio = client.judged(8.2)
    assert state == "nothing_found"
    assert ratio == pytest.approx(1.6, abs=0.01)
    assert client.at_height(2000.0) < 1.6
    assert client.refused(82.0) == ["o2_dry_pct"]
    visit = combust.Visit.open("V1", heater="h1", profile={"fuel": "diesel_b7", "stages": {"high": {}, "low": {}}})
    visit = visit.add("adjustment", {"text": "hose replaced"}).add("reading", {"o2_dry_pct": 8.2})
    assert client.done_at(visit) == ["hose replaced", "high", "low", "reading", "adjustment"]
    assert client.checked({"o2_dry_pct": "8.2", "location": "outdoors", "co_dry_ppm": -1}) == ({"o2_dry_pct": 8.2}, 1)
    assert client.air_need("diesel_b7") == pytest.approx(14.44, abs=0.01)
    # ISO 2533: 1.225 dry at 15 °C; vapour of 8.5 hPa takes 0.4 x 8.5/1013 of it: 1.221
    assert client.density(1013.25, np.array([15.0, 0.0])) == pytest.approx(1.22, abs=0.01)
