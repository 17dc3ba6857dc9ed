"""No request of the page loads a library for figures or frames: the first one that did would wait for it."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from tests.edge.runs import ROOT

pytestmark = pytest.mark.regression
NOTHING_THERE = {"POST /pair": 403}  # a page that is not shared


def driven(*arguments: Path) -> dict[str, object]:
    """Ask for every way in a fresh process."""
    line = [sys.executable, "-m", "tests.edge.web.drive", *map(str, arguments)]
    done = subprocess.run(line, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr[-2000:]
    found: dict[str, object] = json.loads(done.stdout)
    return found


def test_every_way_is_answered_without_figures_and_frames(tmp_path: Path, planned: Path) -> None:
    found = driven(tmp_path, planned)
    assert found["lacking"] == [], "a way that is not driven may load anything"
    assert found["heavy"] == []
    asked = found["asked"]
    assert isinstance(asked, dict)
    assert {name: status for name, status in asked.items() if status not in (200, 303)} == NOTHING_THERE
