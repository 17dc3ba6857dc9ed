"""Write data/larkfell_fleet/weather/: invented hours of one winter at one site of the demo fleet, with honest warts.

python tools/make_larkfell_weather.py [FOLDER]

Seeded, so that it comes out alike. A yearly and a daily wave, slow weather of some days, cold spells; station pressure
by the standard atmosphere of the site with the weather's own swing. Nothing was measured.
"""

from __future__ import annotations

import math
import random
import sys
from datetime import datetime, timedelta
from pathlib import Path

SEED = 4300
FIRST, LAST = datetime(2024, 11, 30, 12), datetime(2025, 3, 1, 12)
LOST = range(1288, 1295)  # a night's hours that the logger did not write
TWICE = 1810  # an hour that was written twice
SITE = ("snow_base_varrowmantle", 779.0, -6.5, 4.0)  # site, usual pressure [hPa], usual temperature and its swing [°C]


def hours() -> list[str]:
    """Return the lines of the series."""
    chance = random.Random(SEED)
    _, usual, middle, swing = SITE
    slow = push = 0.0
    lines = []
    for number in range(int((LAST - FIRST).total_seconds() // 3600) + 1):
        at = FIRST + timedelta(hours=number)
        slow += -slow / 60.0 + chance.gauss(0.0, 0.62)
        push += -push / 80.0 + chance.gauss(0.0, 0.9)
        year = math.cos(2.0 * math.pi * (at.timetuple().tm_yday - 20) / 365.0)
        temp = middle - swing * year + 2.0 * math.cos(2.0 * math.pi * (at.hour - 14) / 24.0) + slow
        humidity = min(max(72.0 - 2.0 * slow + chance.gauss(0.0, 5.0), 15.0), 100.0)
        line = f"{at:%Y-%m-%dT%H:%M},{temp:.1f},{humidity:.0f},{usual + push:.1f}"
        lines += [] if number in LOST else [line, line] if number == TWICE else [line]
    return ["taken_at,temp_c,humidity_pct,pressure_hpa", *lines]


def main() -> None:
    """Write the series."""
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parents[1] / "data/larkfell_fleet/weather"
    folder.mkdir(parents=True, exist_ok=True)
    (folder / f"{SITE[0]}.csv").write_text("\n".join(hours()) + "\n", encoding="utf-8")
    print(f"{SITE[0]}: an invented winter in {folder}")


if __name__ == "__main__":
    main()
