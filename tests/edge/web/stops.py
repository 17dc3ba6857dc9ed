"""Every way in which what is typed stops, in one table: the command line and the page are both held against it.

The figures are those of 2001/56/EC (0.1 vol % CO in the exhaust, 20 ppm above outside in the cab) and NIOSH (35 and 200
ppm); the rest is common practice, no source: gasoline, a blocked terminal, indoors, a smell of exhaust, a leak.
"""

from __future__ import annotations

from typing import NamedTuple

OUT, OFF = "everyone_out", "heater_off"


class Case(NamedTuple):
    """What is typed beside "outdoors" (or another place), which state it brings, and whether the rest is accepted."""

    typed: dict[str, str]
    state: str
    accepted: bool = True


READ = {"location": "outdoors", "o2_dry_pct": "8.2"}
PLACE = {"location": "outdoors"}
STOPS: dict[str, Case] = {
    "CO as measured": Case({**READ, "co_dry_ppm": "2400"}, OFF),
    "CO alone": Case({**PLACE, "co_dry_ppm": "1001"}, OFF),
    "CO alone, wet": Case({**PLACE, "co_wet_ppm": "1001"}, OFF),
    "CO in vol %": Case({**PLACE, "co_dry_pct": "0.15"}, OFF),
    "CO over the range": Case({**PLACE, "co_dry_ppm": ">2000"}, OFF),
    "CO that may be 1450": Case({**READ, "co_dry_ppm": "1.450"}, OFF, accepted=False),
    "cab CO that may be 1450": Case({**PLACE, "cab_co_in_ppm": "1.450"}, OUT, accepted=False),
    "CO over the range of the vocabulary": Case({**PLACE, "co_dry_ppm": "250000"}, OFF, accepted=False),
    "CO air-free, leak test not passed": Case({**PLACE, "o2_dry_pct": "12", "co_dry_ppm": "500"}, OFF),
    "CO high and the O2 refused": Case({**PLACE, "o2_dry_pct": "82", "co_dry_ppm": "2400"}, OFF, accepted=False),
    "CO high and the smoke no number": Case(
        {**READ, "co_dry_ppm": "2400", "smoke_number": "black"}, OFF, accepted=False
    ),
    "cab CO 200": Case({**PLACE, "cab_co_in_ppm": "200"}, OUT),
    "cab CO 35": Case({**PLACE, "cab_co_in_ppm": "35", "cab_co_out_ppm": "30"}, OUT),
    "cab CO 20 above outside": Case({**PLACE, "cab_co_in_ppm": "23", "cab_co_out_ppm": "3"}, OUT),
    "cab CO, outside not measured": Case({**PLACE, "cab_co_in_ppm": "20"}, OUT),
    "cab CO over the range of the vocabulary": Case({**PLACE, "cab_co_in_ppm": "99999"}, OUT, accepted=False),
    "smell of exhaust": Case({**READ, "heating_air_smell": "exhaust"}, OUT),
    "a joint leaks": Case({**READ, "joints": "leaking"}, OFF),
    "gasoline in a diesel heater": Case({**READ, "fuel": "diesel", "fuel_sample": "gasoline"}, OFF),
    "a blocked terminal": Case({**READ, "terminals": "exhaust_blocked"}, OFF),
    "both terminals blocked": Case({**READ, "terminals": "both"}, OFF),
    "indoors": Case({"location": "indoors", "o2_dry_pct": "8.2"}, "outdoors_only"),
    "the place was not said": Case({"o2_dry_pct": "8.2", "co_dry_ppm": "50"}, "outdoors_only"),
}
# With a profile the limits of the heater itself stop too: typed into a visit of heater-0107 (12 V, cut-out 10.7 V).
OF_HEATER: dict[str, Case] = {
    "above the heater's own limit": Case({**READ, "altitude_m": "5500"}, OFF),
    "above it, in feet": Case({**READ, "altitude_ft": "18000"}, OFF),
    "voltage under the cut-out": Case({**READ, "supply_v": "9.8"}, OFF),
    "another system voltage": Case({**READ, "supply_v": "26"}, OFF),
    "failed starts used up": Case({**READ, "failed_starts": "9"}, OFF),
}
EMERGENCIES = ("fire", "exhaust_smell", "co_alarm", "unwell")
