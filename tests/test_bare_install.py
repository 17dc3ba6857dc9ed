"""Without any extra everything that needs none works, and the rest names its install line.

This is the quick form, in a process where the extras cannot be imported; ``make wheel-check`` builds the wheel and
tries it in an environment that holds nothing else.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tomllib
from pathlib import Path

from tests.bare import EXTRAS

ROOT = Path(__file__).parents[1]
NAMES = {
    "myst-nb": "myst_nb",
    "pillow": "",  # matplotlib brings it
    "axe-core-python": "axe_core_python",
    "coolprop": "CoolProp",
    "pytest-cov": "pytest",
    "pytest-xdist": "pytest",
    "python-multipart": "python_multipart",
    "ruff": "",
    "mypy": "",
    "combust": "",
}


def test_nothing_but_the_extras_is_missing(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, str(ROOT / "tests" / "bare.py"), str(tmp_path), "--blocked"],
        env={**os.environ, "PYTHONPATH": str(ROOT)}, capture_output=True, text=True, check=False, timeout=900,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    assert "Bare installation" in done.stdout


def test_every_package_of_the_extras_is_blocked() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    for extra in project["optional-dependencies"].values():
        for line in extra:
            name = line.split(">")[0].split("[")[0].lower()
            module = NAMES.get(name, name)
            assert not module or module in EXTRAS, name


def test_the_wheel_takes_data_and_templates() -> None:
    wheel = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["tool"]["hatch"]["build"]["targets"]["wheel"]
    assert wheel["packages"] == ["combust"]
    assert wheel["force-include"] == {"data": "combust/demo_data", "notebooks/sources": "combust/lesson_sources"}
