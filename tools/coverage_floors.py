"""Branch coverage of the two lowest floors of physics: print both percentages, fail below the limit of pyproject.toml.

python tools/coverage_floors.py          after a run of pytest --cov --cov-branch that left .coverage
"""

from __future__ import annotations

import io
import sys
import tomllib
from pathlib import Path

import coverage

ROOT = Path(__file__).parents[1]
FLOORS = ("kernel", "domain")


def main() -> int:
    """Print the percentage of each floor, and what is missing; return 1 when one is below the limit."""
    limit = float(tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["coverage"]["report"]["fail_under"])
    measured = coverage.Coverage(config_file=str(ROOT / "pyproject.toml"))
    measured.load()
    low = False
    for floor in FLOORS:
        told = io.StringIO()
        share = measured.report(include=[f"*/combust/{floor}/*"], file=told, show_missing=True, skip_covered=True)
        print(told.getvalue())
        print(f"branch coverage of combust/{floor}: {share:.1f} % (limit {limit:g} %)\n")
        low = low or share < limit
    return int(low)


if __name__ == "__main__":
    sys.exit(main())
