"""The part of a plan's page about hourly series, and the tables that are written of them."""

from __future__ import annotations

from typing import Any

from combust.application.fleet.decisions import KEEP_OFF
from combust.application.fleet.hours import found_words
from combust.application.fleet.nights import as_typed
from combust.application.fleet.overview import SHORT, as_fitted
from combust.application.fleet.weather import MARGINS, STANDS, Weather, hours_and_nights
from combust.domain.result import plain

PRESSURE = {"series": "of each hour", "plan": "of the plan, the series has none", "reduced": "brought from sea level"}


def weather_facts(weather: Weather) -> dict[str, Any]:
    """Return what the page shows of the series."""
    classes = [
        row
        | {
            "off": row["decision"] in KEEP_OFF,
            "cells": [hours_and_nights(row, margin) for margin in MARGINS],
            "decision": SHORT[row["decision"]],
            "heater": as_fitted(row["heater"], row["compensation"]),
        }
        for row in plain(weather.classes)
    ]
    return {
        "season": weather.season,
        "stands": STANDS,
        "margins": list(MARGINS.values()),
        "classes": classes,
        "sites": [_site(row) for row in plain(weather.sites)],
    }


def _site(row: dict[str, Any]) -> dict[str, Any]:
    return row | {
        "coldest": "no hour" if row["coldest_c"] is None else f"{as_typed(row['coldest_c'])} °C",
        "design": f"{as_typed(row['design_temp_c'])} °C",
        "colder": hours_and_nights({"decision": "", **row}, "colder_than_design"),
        "pressure": PRESSURE[row["pressure_from"]],
        "found": " ".join(found_words(row)),
    }
