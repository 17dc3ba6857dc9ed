"""What a check, or two of them, would tell of the causes: results imagined under every hypothesis, and their bits."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Any

import numpy as np

from combust.kernel.types import Floats

SAMPLES = 480  # imagined results of all hypotheses together, about
FEWEST = 8  # of them for each hypothesis at least
ROUGH = 4  # every fourth of them is enough to see which pairs of checks are worth a close look
CLOSELY = 8  # pairs looked at closely, at most
NEARLY = 0.8  # of the better rate of the two: a pair that is roughly worth less is left
LEAST_CHANCE = 1e-6  # an answer is never quite impossible


class Imagined:
    """Imagined results of every open check, each sample a whole visit: what belongs together stays together.

    Parameters
    ----------
    share : array (hypothesis)
        Probabilities, sum 1.
    label : array (hypothesis)
        Number of the answer that a hypothesis belongs to, from 0: news is what tells answers apart.
    center : array (hypothesis, draw, channel)
        What each draw of a hypothesis expects.
    noise : array (hypothesis, channel, channel)
        Covariance of a result around it.
    """

    def __init__(
        self, share: Floats, label: Any, center: Floats, noise: Floats, generator: np.random.Generator
    ) -> None:
        self.share, self.generator = share, generator
        count, draws, size = center.shape
        self.member = (np.asarray(label)[:, None] == np.arange(np.max(label) + 1)).astype(np.float32)
        before = share @ self.member
        self.entropy = -float(np.sum(before * np.log2(np.maximum(before, 1e-300))))
        root = np.sqrt(share)
        times = FEWEST + ROUGH * np.round(SAMPLES / ROUGH * root / root.sum()).astype(int)
        self.of = np.repeat(np.arange(count), times)
        self.weight = (share / times)[self.of]
        self.mean = center.mean(axis=1)
        away = center - self.mean[:, None]
        self.cover = away.transpose(0, 2, 1) @ away / draws + noise
        picked = center[self.of, generator.integers(0, draws, len(self.of))]
        lower: Any = np.linalg.cholesky(noise)
        normal = generator.standard_normal((len(self.of), size, 1))
        self.results = picked + (lower[self.of] @ normal)[:, :, 0]
        self.log_share = np.log(share).astype(np.float32)

    def read(self, channels: Sequence[int], every: int = 1) -> Floats:
        """Return ln density (sample, hypothesis) of some channels read together, of every n-th sample."""
        place = list(channels)
        inverse: Any = np.linalg.inv(np.linalg.cholesky(self.cover[:, place][:, :, place]))
        white = self.results[::every, place] @ inverse.transpose(0, 2, 1)
        white -= self.mean[:, None, place] @ inverse.transpose(0, 2, 1)
        constant = np.log(np.diagonal(inverse, axis1=1, axis2=2)).sum(axis=1)
        density: Floats = constant[:, None] - 0.5 * np.einsum("knd,knd->kn", white, white)
        return density.T.astype(np.float32)

    def seen(self, chance: Floats) -> Floats:
        """Return ln probability (sample, hypothesis) of imagined answers; ``chance`` is (hypothesis, answer)."""
        drawn = self.generator.random((len(self.of), 1))
        answer = np.minimum((drawn > np.cumsum(chance, axis=1)[self.of]).sum(axis=1), chance.shape[1] - 1)
        log_chance: Floats = np.log(np.maximum(chance, LEAST_CHANCE)).astype(np.float32)
        told: Floats = log_chance.T[answer]
        return told

    def bits(self, log_density: Floats, every: int = 1) -> float:
        """Return the expected information about the answers [bit], of ln densities of every n-th sample."""
        joint = log_density + self.log_share
        joint = np.exp(joint - joint.max(axis=1, keepdims=True))
        after = joint @ self.member
        after /= after.sum(axis=1, keepdims=True)
        left = -np.sum(after * np.log2(np.maximum(after, 1e-30)), axis=1)
        return max(0.0, self.entropy - every * float(self.weight[::every] @ left))


@dataclass(frozen=True, slots=True)
class Shows:
    """What an open check would show: channels (numbers in ``Imagined``), and ln probability of what is seen."""

    channels: tuple[int, ...]
    seen: Floats | None = None


@dataclass(frozen=True, slots=True)
class Worth:
    """What a check is worth: bits alone, minutes, and the check beside which it tells more per minute, if there is one.

    ``adds``: bits that it brings alone, or beside another check on top of that one, whichever is more.
    """

    bits: float
    minutes: float
    rate: float
    adds: float
    beside: str = ""
    bits_of_both: float = 0.0
    minutes_of_both: float = 0.0

    @property
    def order(self) -> tuple[float, float, float]:
        """What checks are sorted by: bits per minute alone or in a pair; of a pair what tells more, or is shorter."""
        return -self.rate, -self.bits / self.minutes, self.minutes

    @classmethod
    def nothing(cls, minutes: float) -> Worth:
        """Return the worth of a check that tells nothing of the causes."""
        return cls(0.0, minutes, 0.0, 0.0)


def bits_of(imagined: Imagined, shows: Sequence[Shows], every: int = 1) -> float:
    """Return the expected information of checks made together [bit]; their channels are judged as one."""
    channels = sorted({channel for one in shows for channel in one.channels})
    parts = [one.seen[::every] for one in shows if one.seen is not None]
    if channels:
        parts.append(imagined.read(channels, every))
    return imagined.bits(sum(parts[1:], parts[0]), every) if parts else 0.0


def worths(
    imagined: Imagined,
    shows: Mapping[str, Shows],
    minutes: Mapping[str, float],
    saved: float,
    cold: Collection[str],
    alone: Collection[str] = (),
) -> dict[str, Worth]:
    """Return what each check is worth, looking two steps ahead.

    A check's rate is its own bits per minute, or those of a pair it belongs to where the pair tells more per minute
    than either of the two. Pairs that could not, even if they settled everything, are not worked out.

    Parameters
    ----------
    minutes : mapping
        Check -> minutes when made alone.
    saved : float
        Minutes saved by the second of two ``cold`` checks: the heater is off already.
    alone : collection
        Checks that are in no pair.
    """
    bits = {name: bits_of(imagined, [one]) for name, one in shows.items()}
    found = {name: Worth(bits[name], minutes[name], bits[name] / minutes[name], bits[name]) for name in shows}
    rate = {name: one.rate for name, one in found.items()}
    promising = []
    for pair in combinations([name for name in shows if name not in alone], 2):
        both_minutes = sum(minutes[name] for name in pair) - (saved if set(pair) <= set(cold) else 0.0)
        best = max(rate[name] for name in pair)
        if imagined.entropy / both_minutes > best:
            rough = bits_of(imagined, [shows[name] for name in pair], ROUGH) / both_minutes
            if rough > NEARLY * best:
                promising.append((best - rough, pair, both_minutes))
    for _, pair, both_minutes in sorted(promising)[:CLOSELY]:
        both = bits_of(imagined, [shows[name] for name in pair])
        for name, other in (pair, pair[::-1]):
            found[name] = replace(found[name], adds=max(found[name].adds, both - bits[other]))
            if both / both_minutes > max(found[name].rate, rate[other]):
                found[name] = replace(
                    found[name],
                    rate=both / both_minutes,
                    beside=other,
                    bits_of_both=both,
                    minutes_of_both=both_minutes,
                )
    return found
