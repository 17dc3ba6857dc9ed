"""What a check of a danger showed, entered in words that nothing judges: it may not be passed over."""

from __future__ import annotations

from collections.abc import Sequence

from combust.application.causes.catalogue import shipped_priors
from combust.application.visit.entries import Entry
from combust.data.errors import shorten

# Checks that can show a danger: exhaust where people breathe, an opening that is shut, a heater that leaks.
DANGERS = ("cab_co", "heating_air", "joints", "look_at_terminals", "strip_down")


def not_judged(entries: Sequence[Entry]) -> list[str]:
    """Return what is told of each check of a danger whose last result is words, and how to enter it.

    What was measured, or seen in a known word, afterwards takes its place; of the heating air nothing that is measured
    tells what was smelt.
    """
    columns = {check: shipped_priors().checks[check].columns for check in DANGERS}
    found: dict[str, str] = {}
    for entry in entries:
        check = str(entry.body.get("check"))
        if entry.kind == "check" and check in columns:
            found[check] = str(entry.body.get("result"))
        elif entry.kind in ("reading", "part"):
            for name in {*found} - {"heating_air"}:
                if {*columns[name]} & {*entry.body}:
                    del found[name]
    how = {name: " or ".join(keys) for name, keys in columns.items()} | {"heating_air": "joints leaking, if it smelt"}
    return [
        f"The check {name.replace('_', ' ')} was entered in words that nothing judges: {shorten(words, 60)}. "
        f"Enter {how[name]}, or correct the entry."
        for name, words in found.items()
    ]
