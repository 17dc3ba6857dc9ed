"""The long form of the checks by chance: ``make study`` asks for it, ``make test`` takes a share of each."""

from __future__ import annotations

import os

LONG = os.environ.get("COMBUST_LONG") == "yes"
