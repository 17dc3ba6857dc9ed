"""Heaters by the thousand over the winters, and a drift test that knows the law of their scatter. Nothing of combust.

The test is the generalised-least-squares z of the slope at every look with the bounds of S. J. Pocock (one for all
looks) or of P. C. O'Brien and T. R. Fleming (OBF, falling with the root of the information), as in C. Jennison and
B. W. Turnbull, Group Sequential Methods, 2000, ch. 2 (from memory). Its false alarms are set by simulation.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

GAPS = {1: (0.0,), 2: (0.0, 0.4), 3: (0.0, 0.1, 0.25), 4: (0.0, 0.1, 0.2, 0.3)}  # years after the first of a winter
LAWS = ("independent", "alike in a winter", "like the one before")
FIRST_LOOK = 3


class Visits(NamedTuple):
    """Times [years] and number of the winter of each visit."""

    years: np.ndarray
    winter: np.ndarray


def visits(per_winter, winters):
    """So many visits in each of so many winters."""
    years = np.add.outer(np.arange(float(winters)), GAPS[per_winter]).ravel()
    return Visits(years, np.repeat(np.arange(winters), per_winter))


def covariance(when, law, scatter):
    """Covariance of visits: independent; of one winter with correlation 0.5; 0.5 between one visit and the next."""
    number = np.arange(len(when.years))
    alike = {
        "independent": np.eye(len(number)),
        "alike in a winter": 0.5 * np.eye(len(number)) + 0.5 * (when.winter[:, None] == when.winter),
        "like the one before": 0.5 ** np.abs(number[:, None] - number),
    }[law]
    return scatter**2 * alike


def drawn(rng, heaters, when, law, scatter):
    """Logarithms of lambda of heaters without any change, heaters x visits."""
    factor = np.linalg.cholesky(covariance(when, law, scatter))
    return rng.standard_normal((heaters, len(when.years))) @ factor.T


class KnownLaw:
    """The drift test of somebody who knows the covariance of the visits."""

    def __init__(self, when, law, scatter):
        cover = covariance(when, law, scatter)
        self.weights, self.information = [], []
        for seen in range(FIRST_LOOK, len(when.years) + 1):
            design = np.column_stack([np.ones(seen), when.years[:seen]])
            precision = np.linalg.inv(cover[:seen, :seen])
            spread = np.linalg.inv(design.T @ precision @ design)
            weight = np.zeros(len(when.years))
            weight[:seen] = (spread @ design.T @ precision)[1] / np.sqrt(spread[1, 1])
            self.weights.append(weight)
            self.information.append(1.0 / spread[1, 1])

    def largest(self, values, shape, looks=None):
        """The largest z over its bound's shape of each heater, in the first looks."""
        information = np.array(self.information)
        bound = np.ones(len(information)) if shape == "Pocock" else np.sqrt(information[-1] / information)
        z = np.abs(values @ np.array(self.weights).T)
        return np.max((z / bound)[:, :looks], axis=1)

    def power(self, quiet, drifting, shape, false_alarms, looks=None):
        """Share of drifting heaters found in the first looks, where so many quiet ones are ever accused."""
        constant = np.quantile(self.largest(quiet, shape), 1.0 - false_alarms)
        return float(np.mean(self.largest(drifting, shape, looks) > constant))
