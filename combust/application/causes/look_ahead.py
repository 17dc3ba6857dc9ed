"""What a check, or two of them, would tell of the causes: results imagined under every hypothesis, and their bits."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Any, NamedTuple

import numpy as np

from combust.application.causes.separate import answers_of, gaussian_log_density, log_chances, spread_of
from combust.kernel.types import Floats

SAMPLES = 480  # imagined results of all hypotheses together, about
FEWEST = 8  # of them for each hypothesis at least
ROUGH = 4  # every fourth of them is enough to see which pairs of checks are worth a close look
CLOSELY = 8  # pairs looked at closely, at most
NEARLY = 0.8  # of the better rate of the two: a pair that is roughly worth less is left
NEVER = 2.0  # no probability reaches it


class News(NamedTuple):
    """What results are expected to tell: information about the answers [bit], and the chance that one is found."""

    bits: float = 0.0
    found: float = 0.0

    def worth(self, bits_of_an_answer: float) -> float:
        """Return the bits that count: an answer found is worth more than what is known of the others."""
        return self.bits + bits_of_an_answer * self.found


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
    certain : float
        Probability from which on an answer counts as found; by default none does, nor one that had it before.
    """

    def __init__(
        self,
        share: Floats,
        label: Any,
        center: Floats,
        noise: Floats,
        generator: np.random.Generator,
        certain: float = NEVER,
    ) -> None:
        self.share, self.generator = share, generator
        count, draws, size = center.shape
        self.member = (np.asarray(label)[:, None] == np.arange(np.max(label) + 1)).astype(np.float32)
        before = share @ self.member
        self.certain = certain if float(before.max()) < certain else NEVER
        self.entropy = -float(np.sum(before * np.log2(np.maximum(before, 1e-300))))
        root = np.sqrt(share)
        times = FEWEST + ROUGH * np.round(SAMPLES / ROUGH * root / root.sum()).astype(int)
        self.of = np.repeat(np.arange(count), times)
        self.weight = (share / times)[self.of]
        self.mean, self.cover = spread_of(center, noise)
        picked = center[self.of, generator.integers(0, draws, len(self.of))]
        lower: Any = np.linalg.cholesky(noise)
        normal = generator.standard_normal((len(self.of), size, 1))
        self.results = picked + (lower[self.of] @ normal)[:, :, 0]
        self.log_share = np.log(share).astype(np.float32)

    def read(self, channels: Sequence[Sequence[int]], every: int = 1) -> Floats:
        """Return ln density (set, sample, hypothesis) of sets of as many channels read together, of every n-th one."""
        place = np.array(channels)
        results, mean = (np.moveaxis(part[:, place], 0, 1) for part in (self.results[::every], self.mean))
        cover = np.moveaxis(self.cover[:, place[:, :, None], place[:, None, :]], 0, 1)
        return gaussian_log_density(results, mean, cover).astype(np.float32)

    def seen(self, chance: Floats) -> Floats:
        """Return ln probability (sample, hypothesis) of imagined answers; ``chance`` is (hypothesis, answer)."""
        answer = answers_of(self.generator.random((len(self.of), 1)), chance[self.of])
        told: Floats = log_chances(chance).astype(np.float32).T[answer]
        return told

    def news(self, log_density: Floats, every: int = 1) -> list[News]:
        """Return what is to be expected of results, by ln densities (set, sample, hypothesis) of every n-th sample."""
        joint = log_density + self.log_share
        joint = np.exp(joint - joint.max(axis=-1, keepdims=True))
        after = joint @ self.member
        after /= after.sum(axis=-1, keepdims=True)
        left = -np.sum(after * np.log2(np.maximum(after, 1e-30)), axis=-1)
        weight = every * self.weight[::every]
        bits = np.maximum(0.0, self.entropy - left @ weight)
        found = (after.max(axis=-1) >= self.certain) @ weight
        return [News(*one) for one in zip(bits.tolist(), found.tolist(), strict=True)]


@dataclass(frozen=True, slots=True)
class Shows:
    """What an open check would show: channels (numbers in ``Imagined``), and ln probability of what is seen."""

    channels: tuple[int, ...]
    seen: Floats | None = None


@dataclass(frozen=True, slots=True)
class Worth:
    """What a check is worth: bits alone, minutes, and the check beside which it tells more per minute, if there is one.

    ``rate``: bits per minute that count, alone or in a pair, an answer found among them. ``adds``: bits that it brings
    alone, or beside another check on top of that one, whichever is more.
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
        """What checks are sorted by: their rate; of a pair what tells more per minute, or is shorter."""
        return -self.rate, -self.bits / self.minutes, self.minutes

    @classmethod
    def nothing(cls, minutes: float) -> Worth:
        """Return the worth of a check that tells nothing of the causes."""
        return cls(0.0, minutes, 0.0, 0.0)


def news_of(imagined: Imagined, sets: Sequence[Sequence[Shows]], every: int = 1) -> list[News]:
    """Return what each set of checks made together is expected to tell; the channels of a set are judged as one.

    Sets of as many channels are worked as one array.
    """
    found = [News()] * len(sets)
    alike: dict[int, list[tuple[int, list[int], Any]]] = {}
    for place, shows in enumerate(sets):
        channels = sorted({channel for one in shows for channel in one.channels})
        seen = [one.seen[::every] for one in shows if one.seen is not None]
        if channels or seen:
            alike.setdefault(len(channels), []).append((place, channels, sum(seen[1:], seen[0]) if seen else None))
    for count, some in alike.items():
        density: Any = np.zeros((len(some), len(imagined.of[::every]), len(imagined.share)), dtype=np.float32)
        for row, (_, _, seen_of_set) in zip(density, some, strict=True):
            row += 0.0 if seen_of_set is None else seen_of_set
        if count:
            density += imagined.read([channels for _, channels, _ in some], every)
        for (place, _, _), news in zip(some, imagined.news(density, every), strict=True):
            found[place] = news
    return found


def worths(
    imagined: Imagined,
    shows: Mapping[str, Shows],
    minutes: Mapping[str, float],
    saved: float,
    cold: Collection[str],
    alone: Collection[str] = (),
    answer_bits: float = 0.0,
) -> dict[str, Worth]:
    """Return what each check is worth, looking two steps ahead.

    A check's rate is what it tells per minute, or what a pair tells that it belongs to where that is more per minute
    than either of the two alone. Pairs that could not, even if they settled everything, are not worked out.

    Parameters
    ----------
    minutes : mapping
        Check -> minutes when made alone.
    saved : float
        Minutes saved by the second of two ``cold`` checks: the heater is off already.
    alone : collection
        Checks that are in no pair.
    answer_bits : float
        Bits that an answer found counts beside what is told of the others: near it, minutes to the answer count.
    """
    news = dict(zip(shows, news_of(imagined, [[one] for one in shows.values()]), strict=True))
    rate = {name: one.worth(answer_bits) / minutes[name] for name, one in news.items()}
    found = {name: Worth(one.bits, minutes[name], rate[name], one.bits) for name, one in news.items()}
    most = News(imagined.entropy, float(imagined.certain < NEVER)).worth(answer_bits)
    pairs: dict[tuple[str, str], tuple[float, float]] = {}
    for pair in combinations([name for name in shows if name not in alone], 2):
        both_minutes = sum(minutes[name] for name in pair) - (saved if set(pair) <= set(cold) else 0.0)
        best = max(rate[name] for name in pair)
        if most / both_minutes > best:
            pairs[pair] = both_minutes, best
    promising = []
    for pair, one in zip(
        pairs, news_of(imagined, [[shows[name] for name in pair] for pair in pairs], ROUGH), strict=True
    ):
        both_minutes, best = pairs[pair]
        if (rough := one.worth(answer_bits) / both_minutes) > NEARLY * best:
            promising.append((best - rough, pair, both_minutes))
    closely = sorted(promising)[:CLOSELY]
    together = news_of(imagined, [[shows[name] for name in pair] for _, pair, _ in closely])
    for (_, pair, both_minutes), both in zip(closely, together, strict=True):
        both_rate = both.worth(answer_bits) / both_minutes
        for name, other in (pair, pair[::-1]):
            found[name] = replace(found[name], adds=max(found[name].adds, both.bits - news[other].bits))
            if both_rate > max(found[name].rate, rate[other]):
                found[name] = replace(found[name], rate=both_rate)
                if both.bits / both_minutes > max(news[one].bits / minutes[one] for one in pair):
                    found[name] = replace(
                        found[name], beside=other, bits_of_both=both.bits, minutes_of_both=both_minutes
                    )
    return found
