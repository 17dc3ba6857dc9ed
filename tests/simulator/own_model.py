"""Visits drawn from the inference model itself: for calibration, rank uniformity and information properties."""

from __future__ import annotations

import numpy as np

from combust.application.causes import evidence as ev
from combust.application.causes.draws import SINGLE_SIZE
from combust.application.causes.seen_answers import seen_table
from tests.simulator.columns import CONTEXT

SITE = {"stage": "high", "pressure_hpa": 985.0, "intake_temp_c": 12.0, "air_in_temp_c": 12.0, "location": "outdoors"}


def own_visits(engine, channels, seen, count, generator, *, structure=None, scattered=None):
    """Yield (variant, normals, reading) drawn from prior, forward model and likelihood of an engine.

    ``structure`` is that of the heater where it is the same in all visits: so are the errors of its baseline then.
    ``scattered`` are the priors with the scatters that its readings have, where they are not the engine's.
    """
    base = {}
    scattered = scattered or engine.priors
    shares = engine.prior_shares(pairs=False)
    keys = list(shares)
    weight = np.array([shares[key] for key in keys])
    row = engine.row(SITE)
    for index in generator.choice(len(keys), count, p=weight / weight.sum()):
        variant = keys[index][0]
        u = generator.standard_normal((1, SINGLE_SIZE))
        if structure is not None:
            u[0, : len(structure)] = structure
        parameters = engine.drawer.parameters(u, variant)
        expected = engine.model.expected(row, parameters, frozenset(channels))
        clean = {channel: float(expected[channel][0]) for channel in channels}
        reading = {**SITE, **_columns(clean, engine)}
        found = ev.observations_of(0, reading, row, engine.model, engine.instrument)
        found.sort(key=lambda one: channels.index(one.channel))
        scatter, shared = ev.errors_of(found, [row], [engine.probe_cache(row)], scattered)
        shift = 0.0
        if structure is not None:
            for key in [key for key in shared if key[0] == ev.BASELINE]:
                shift = shift + base.setdefault(key, generator.standard_normal()) * np.array(shared.pop(key))
        matrix = ev.joined(scatter, shared)
        if variant.cause in ev.LOOSE:
            moved, added = ev.loosened(variant.cause, found, [row], scattered)
            shift, matrix = shift + moved, matrix + added
        stretch = np.sqrt(generator.chisquare(engine.freedom) / engine.freedom)
        noise = np.linalg.cholesky(matrix) @ generator.standard_normal(len(found)) / stretch + shift
        noisy = {one.channel: clean[one.channel] + error for one, error in zip(found, noise, strict=True)}
        answers = {}
        for column in seen:
            table = seen_table(column, engine.priors)
            chance = table.get(variant.cause, table["healthy"])
            answers[column] = str(generator.choice(list(chance), p=list(chance.values())))
        yield variant, u[0], {**SITE, **_columns(noisy, engine), **answers}


def _columns(channels, engine):
    """Reading columns from channel values, unrounded."""
    out = {"co2_origin": "calculated"}
    if "lambda_o2" in channels:
        ratio = np.exp(channels["lambda_o2"])
        out["o2_dry_pct"] = float(np.clip(engine.model.gas.o2_pct(ratio), 0.0, 20.5))
    if "setting" in channels:
        maximum = engine.heater.fuel.co2_maximum_pct * np.exp(channels["setting"])
        out["co2_dry_pct"] = float(maximum * (20.946 - out["o2_dry_pct"]) / 20.946)
    plain = {"co": "co_dry_ppm", "voltage": "supply_v", "speed": "blower_rpm", "frequency": "pump_hz"}
    out |= {plain[key]: float(np.exp(value)) for key, value in channels.items() if key in plain}
    if "flue" in channels:
        out["flue_temp_c"] = channels["flue"]
    if "rise" in channels:
        out["air_out_temp_c"] = min(249.0, SITE["air_in_temp_c"] + float(np.exp(channels["rise"])))
    if "intake_static" in channels:
        out["intake_static_pa"] = -float(np.exp(channels["intake_static"]))
    if "exhaust_static" in channels:
        out["exhaust_static_pa"] = float(np.exp(channels["exhaust_static"]))
    if "ambient_o2" in channels:
        out["ambient_o2_pct"] = channels["ambient_o2"]
    return out


def without(reading, *columns):
    """A reading without some columns; the context always stays."""
    return {key: value for key, value in reading.items() if key not in columns or key in CONTEXT}
