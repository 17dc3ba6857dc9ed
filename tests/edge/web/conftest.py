"""A phone without a browser: a client that asks the app of one server and sends its forms as a browser does."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from combust.edge.web.settings import Settings
from tests.edge.runs import call
from tests.edge.web.phone import Phone

ROOT = Path(__file__).parents[3]


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    """A server on this machine with a logbook that is not there yet and the profiles of the demo data."""
    return Settings(bytes(range(32)), tmp_path / "winter.book", ROOT / "data" / "heaters")


@pytest.fixture
def phone(settings: Settings) -> Phone:
    """A phone at that server."""
    return Phone(settings)


@pytest.fixture
def phones(settings: Settings) -> Callable[[], Phone]:
    """What makes one more phone at the same server."""
    return lambda: Phone(settings)


@pytest.fixture(scope="session")
def planned(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a plan of the demo fleet."""
    out, demo = tmp_path_factory.mktemp("plan"), ROOT / "data" / "larkfell_fleet"
    tables = ["--vehicles", demo / "vehicles.csv", "--sites", demo / "sites.csv", "--policy", demo / "policy.toml"]
    assert call("fleet", *map(str, tables), "--out", str(out)).code == 0
    return out
