"""Whether a visit looks like any visit that the causes in the list would give, and which channels speak against it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np

from combust.application.causes.catalogue import HEALTHY
from combust.application.causes.draws import Variant
from combust.application.causes.evidence import UNSTEADY
from combust.application.causes.posterior import Whitening, loose_of, student_of_factors, sums_as_factors
from combust.kernel.types import Floats

if TYPE_CHECKING:
    from combust.application.causes.engine import Engine
    from combust.application.causes.posterior import Posterior, Visit

IMAGINED = 200  # good visits that a visit is held against
DRAWS = 56  # of each cause, around which they lie
LEAST_CHANNELS = 2  # one number alone disagrees with nothing
NAMED = 3  # channels that are named at most
DISAGREES = 2.0  # standard deviations from what the others tell
CHANNEL_NAMES = {
    "lambda_o2": "O2",
    "lambda_co2": "CO2",
    "setting": "the analyser's CO2",
    "co": "CO",
    "smoke": "smoke number",
    "flue": "flue temperature",
    "rise": "rise of the heating air",
    "voltage": "voltage at the plug",
    "speed": "blower speed",
    "frequency": "pump frequency",
    "intake_static": "pressure at the intake port",
    "exhaust_static": "pressure at the exhaust port",
    "delivery": "delivery of the pump",
    "ambient_o2": "O2 in clean air",
    "span": "span gas",
    "intake_co2": "CO2 at the intake",
    "intake_o2": "O2 at the intake",
    "span_over_3min": "O2 over three minutes",
    "band": "lambda of the baseline against the unit's document",
    "drift": "drift of the flue temperature",
}


def misfit(
    engine: Engine, visit: Visit, residuals: Mapping[Variant, Floats], result: Posterior
) -> tuple[str, ...] | None:
    """Return the names of the channels that disagree most when a visit fits no cause in the list, else None."""
    if visit.dimensions < LEAST_CHANNELS:
        return None
    found, good = evidence_among_good_visits(engine, visit, residuals)
    if found >= float(np.quantile(good, engine.priors.decide("misfit_share"))):
        return None
    shares = result.probabilities()
    steady = [key for key in result.blocks if UNSTEADY not in loose_of(key)]
    best = max(steady, key=lambda key: shares[key])
    block, around = result.blocks[best], visit.whitening[loose_of(best)]
    # How far each channel lies off what the others tell, under the best explanation.
    pull = around.matrix @ (block.weights @ block.residual)
    off = np.abs(pull) / np.sqrt(np.sum(around.matrix**2, axis=1))
    worst = [int(index) for index in np.argsort(-off)[:NAMED]]
    told = [index for number, index in enumerate(worst) if number == 0 or off[index] > DISAGREES]
    return tuple(dict.fromkeys(CHANNEL_NAMES[visit.found[index].channel] for index in told))


def evidence_among_good_visits(
    engine: Engine, visit: Visit, residuals: Mapping[Variant, Floats]
) -> tuple[float, Floats]:
    """Return ln evidence of a visit, and of good visits with the same columns, in ascending order.

    A good visit is a prior draw of any hypothesis but an unsteady reading, read with the visit's joint uncertainty.
    Its evidence is the density of the prior draws around it, each as wide as that uncertainty and what the structure
    of a healthy heater adds: the same rough estimate for both, so their order is fair.
    """
    shares = {
        key[0]: np.exp(value)
        for key, value in engine.log_prior(False, visit.weighed).items()
        if key[0].cause != UNSTEADY
    }
    share = np.array(list(shares.values())) / sum(shares.values())
    kinds = [loose_of((variant,)) for variant in shares]
    expected = np.stack([-visit.in_usual_units(residuals[one], kind) for one, kind in zip(shares, kinds, strict=True)])
    healthy = next(index for index, variant in enumerate(shares) if variant.cause == HEALTHY)
    structure = np.cov(expected[healthy].T).reshape(visit.dimensions, visit.dimensions)
    generator = np.random.default_rng([engine.seed, 4, visit.dimensions])
    of = np.repeat(np.arange(len(share)), generator.multinomial(IMAGINED, share))
    noise = {kind: visit.noise(kind) for kind in set(kinds)}
    lower = {kind: np.linalg.cholesky(matrix) for kind, matrix in noise.items()}
    scatter = generator.standard_normal((IMAGINED, visit.dimensions, 1))
    scatter /= np.sqrt(generator.chisquare(engine.freedom, (IMAGINED, 1, 1)) / engine.freedom)
    good = expected[of, generator.integers(0, expected.shape[1], IMAGINED)]
    good += (np.stack([lower[kind] for kind in kinds])[of] @ scatter)[:, :, 0]
    read = np.concatenate([np.zeros((1, visit.dimensions)), good])
    density = np.zeros(len(read))
    for kind, matrix in noise.items():
        some = [index for index, one in enumerate(kinds) if one == kind]
        around = Whitening.of(matrix + structure, np.zeros(visit.dimensions))
        draws = expected[some, :DRAWS].reshape(-1, visit.dimensions)
        factors = sums_as_factors(read @ around.matrix, -draws @ around.matrix, engine.freedom)
        near = student_of_factors(*factors, engine.freedom, visit.dimensions)
        nearness = np.exp(near, out=near).reshape(len(read), len(some), -1).mean(axis=2)
        density += np.exp(around.log_density) * nearness @ share[some]
    log_density = np.log(np.maximum(density, np.finfo(float).tiny))
    return float(log_density[0]), np.sort(log_density[1:])
