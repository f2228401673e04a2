"""Families that physics suggests: a floor, two independent errors, a steady offset; and mixtures.

Their likelihood-ratio intervals do not follow the chi-square law (a parameter at its bound, or two
parts that may be exchanged), so ``regular`` is false: use the bootstrap.
"""

from __future__ import annotations

import numpy as np
from scipy import special

from yieldkit.methods.binned.counts import Counts, Floats
from yieldkit.methods.binned.families import Exponential, Family, Tails


class ShiftedExponential(Family):
    """A floor that all losses have, as unlike mode fields give, and an exponential above it.

    w = (log mean above the floor, logit of the floor's place in its window | window's low, high).
    The floor can only lie in the least interval that holds a reading, or below it no likelihood is
    gained: that is its window.
    """

    name, free, parameters, regular = "shifted exponential", 2, ("floor", "mean_above"), False

    def _floor(self, w: Floats) -> Floats:
        return w[:, 2] + (w[:, 3] - w[:, 2]) * special.expit(w[:, 1])

    def tails(self, w: Floats, x: Floats) -> Tails:  # noqa: D102
        scale, floor = np.exp(w[:, 0]), self._floor(w)
        y = np.maximum(x - floor, 0) / scale
        above = np.exp(-y)
        place = special.expit(w[:, 1])
        move = (w[:, 3] - w[:, 2]) * place * (1 - place) / scale
        beyond = (x > floor).astype(float)
        slopes = np.stack([-y * above, -above * move * beyond], axis=1)
        return -np.expm1(-y), above, slopes

    def density(self, w: Floats, x: Floats) -> Floats:  # noqa: D102
        scale, floor = np.exp(w[:, 0]), self._floor(w)
        return np.where(x > floor, np.exp(-np.maximum(x - floor, 0) / scale) / scale, 0.0)

    def start(self, mean: Floats, sd: Floats) -> Floats:  # noqa: D102
        size = len(mean)
        least = np.maximum(mean - sd, 0) / 2
        parts = [np.log(sd), np.zeros(size), least, least + 0.1 * sd]
        return np.stack(parts, axis=1)

    def starts(self, counts: Counts, mean: Floats, sd: Floats) -> list[Floats]:  # noqa: D102
        low, high = np.full(counts.groups, np.inf), np.full(counts.groups, np.inf)
        held = counts.count > 0
        np.minimum.at(low, counts.group[held], np.maximum(counts.low[held], 0))
        np.minimum.at(high, counts.group[held], counts.high[held])
        above = np.log(np.maximum(mean - low, sd / 4))
        return [
            np.stack([above, np.full(counts.groups, place), low, high], axis=1)
            for place in (-4.0, 0.0, 2.0)
        ]

    def natural(self, w: Floats) -> Floats:  # noqa: D102
        return np.stack([self._floor(w), np.exp(w[:, 0])], axis=1)

    def mean(self, w: Floats) -> Floats:  # noqa: D102
        return self._floor(w) + np.exp(w[:, 0])

    def quantile(self, w: Floats, share: float | Floats) -> Floats:  # noqa: D102
        return self._floor(w) - np.exp(w[:, 0]) * np.log1p(-np.asarray(share))


class Hypoexponential(Family):
    """Sum of two independent exponential losses, offset and tilt: w = (log mean, logit of share).

    The smaller part has half the logit's share of the mean, so equal parts (a gamma of shape 2) are
    the bound on one side and a plain exponential on the other.
    """

    name, free, parameters, regular = "hypoexponential", 2, ("mean_large", "mean_small"), False

    def natural(self, w: Floats) -> Floats:  # noqa: D102
        mean, small = np.exp(w[:, 0]), special.expit(w[:, 1]) / 2
        return np.stack([mean * (1 - small), mean * small], axis=1)

    def tails(self, w: Floats, x: Floats) -> Tails:  # noqa: D102
        small = special.expit(w[:, 1]) / 2
        y = x / np.exp(w[:, 0])
        a, b = y / (1 - small), y / np.maximum(small, 1e-12)
        fall, gap = np.exp(-a), b - a
        ratio, bend = special.exprel(-gap), _exprel_slope(gap)
        above = fall * (1 + a * ratio)
        by_a = -fall * (1 + a * ratio) + fall * (ratio - a * bend)
        by_b = fall * a * bend
        step = small * (1 - special.expit(w[:, 1]))  # slope of small in w
        by_share = by_a * a / (1 - small) * step - by_b * b / np.maximum(small, 1e-12) * step
        by_mean = -(by_a * a + by_b * b)
        return 1 - above, above, -np.stack([by_mean, by_share], axis=1)

    def density(self, w: Floats, x: Floats) -> Floats:  # noqa: D102
        large, small = self.natural(w).T
        gap = x * (1 / small - 1 / large)
        return np.exp(-x / large) * x / (large * small) * special.exprel(-gap)

    def start(self, mean: Floats, sd: Floats) -> Floats:  # noqa: D102
        # variance of the sum is (1 - s)^2 + s^2 of the squared mean
        spread = np.clip((sd / mean) ** 2, 0.52, 0.98)
        small = (1 - np.sqrt(2 * spread - 1)) / 2
        return np.stack([np.log(mean), special.logit(2 * small)], axis=1)

    def mean(self, w: Floats) -> Floats:  # noqa: D102
        return np.exp(w[:, 0])


def _exprel_slope(y: Floats) -> Floats:
    """Slope of (1 - exp(-y)) / y, by its series near nought where the closed form cancels."""
    series = -0.5 + y / 3 - y**2 / 8 + y**3 / 30 - y**4 / 144 + y**5 / 840
    far = np.where(np.abs(y) > 0.05, y, 1.0)
    return np.where(np.abs(y) > 0.05, (np.exp(-far) * (1 + far) - 1) / far**2, series)


class SteadyOffset(Family):
    """Random errors about a steady offset: a scaled noncentral chi-square of 2 degrees of freedom.

    w = (log mean of the random part, log of half the noncentrality); the mean is the random part
    times one plus that half. The coefficient of variation falls as the offset grows.
    """

    name, free, parameters, regular = "steady offset", 2, ("mean_random", "mean_steady"), False
    _MOST = 200.0

    def _half(self, w: Floats) -> Floats:
        return np.minimum(np.exp(np.minimum(w[:, 1], 10.0)), self._MOST)

    def tails(self, w: Floats, x: Floats) -> Tails:  # noqa: D102
        half, y = self._half(w), x / np.exp(w[:, 0])
        terms = int(half.max() + 10 * np.sqrt(half.max() + 1) + 25) if len(half) else 0
        weight, power = np.exp(-half), np.exp(-y)  # Poisson weight j; y^j exp(-y) / j!
        upper = power.copy()  # share of a gamma of shape j + 1 above y
        above, density, by_half = np.zeros_like(y), np.zeros_like(y), np.zeros_like(y)
        for j in range(terms):
            above += weight * upper
            density += weight * power
            power = power * y / (j + 1)
            by_half += weight * power
            upper = upper + power
            weight = weight * half / (j + 1)
        slopes = -np.stack([y * density, half * by_half], axis=1)
        return 1 - np.minimum(above, 1), np.minimum(above, 1), slopes

    def density(self, w: Floats, x: Floats) -> Floats:  # noqa: D102
        half, scale = self._half(w), np.exp(w[:, 0])
        y = x / scale
        root = 2 * np.sqrt(half * y)
        return np.exp(-((np.sqrt(y) - np.sqrt(half)) ** 2)) * special.i0e(root) / scale

    def start(self, mean: Floats, sd: Floats) -> Floats:  # noqa: D102
        # CV^2 = (1 + 2 h) / (1 + h)^2 with h half the noncentrality
        spread = np.clip((sd / mean) ** 2, 0.05, 0.97)
        half = (1 - spread + np.sqrt(1 - spread)) / spread
        return np.stack([np.log(mean / (1 + half)), np.log(half)], axis=1)

    def starts(self, counts: Counts, mean: Floats, sd: Floats) -> list[Floats]:  # noqa: D102
        first = self.start(mean, sd)
        plain = np.stack([np.log(mean / 1.1), np.full(len(mean), np.log(0.1))], axis=1)
        return [first, plain]

    def natural(self, w: Floats) -> Floats:  # noqa: D102
        random, half = np.exp(w[:, 0]), self._half(w)
        return np.stack([random, random * half], axis=1)

    def mean(self, w: Floats) -> Floats:  # noqa: D102
        return np.exp(w[:, 0]) * (1 + self._half(w))


class Mixture(Family):
    """Two parts of one family: most joints, and a share of worse ones.

    w = (parameters of the first part, of the second, logit of the second's share).

    Parameters
    ----------
    part : Family, optional
        Family of both parts; exponential if missing.
    """

    regular = False

    def __init__(self, part: Family | None = None) -> None:
        self.part = part or Exponential()
        self.name = f"two {self.part.name} parts"
        self.free = 2 * self.part.free + 1
        self.positive = self.part.positive
        names = self.part.parameters
        self.parameters = (
            *(f"{name}_most" for name in names),
            *(f"{name}_worse" for name in names),
            "share_worse",
        )

    def _split(self, w: Floats) -> tuple[Floats, Floats, Floats]:
        free = self.part.free
        return w[:, :free], w[:, free : 2 * free], special.expit(w[:, -1])

    def tails(self, w: Floats, x: Floats) -> Tails:  # noqa: D102
        first, second, share = self._split(w)
        below1, above1, slope1 = self.part.tails(first, x)
        below2, above2, slope2 = self.part.tails(second, x)
        below = (1 - share) * below1 + share * below2
        above = (1 - share) * above1 + share * above2
        by_share = share * (1 - share) * np.where(above < 0.5, above1 - above2, below2 - below1)
        parts = [(1 - share)[:, None] * slope1, share[:, None] * slope2, by_share[:, None]]
        return below, above, np.concatenate(parts, axis=1)

    def density(self, w: Floats, x: Floats) -> Floats:  # noqa: D102
        first, second, share = self._split(w)
        return (1 - share) * self.part.density(first, x) + share * self.part.density(second, x)

    def start(self, mean: Floats, sd: Floats) -> Floats:  # noqa: D102
        return self._start(mean, sd, 0.15, 3.0)

    def _start(self, mean: Floats, sd: Floats, share: float, times: float) -> Floats:
        low = mean / (1 - share + share * times)
        spread = sd / mean
        parts = [
            self.part.start(low, low * np.minimum(spread, 1.0)),
            self.part.start(low * times, low * times * np.minimum(spread, 1.0)),
            np.full((len(mean), 1), special.logit(share)),
        ]
        return np.concatenate(parts, axis=1)

    def starts(self, counts: Counts, mean: Floats, sd: Floats) -> list[Floats]:  # noqa: D102
        tried = ((0.15, 3.0), (0.05, 8.0), (0.4, 2.5))
        return [self._start(mean, sd, share, times) for share, times in tried]

    def natural(self, w: Floats) -> Floats:  # noqa: D102
        first, second, share = self._split(w)
        parts = [self.part.natural(first), self.part.natural(second), share[:, None]]
        return np.concatenate(parts, axis=1)

    def mean(self, w: Floats) -> Floats:  # noqa: D102
        first, second, share = self._split(w)
        return (1 - share) * self.part.mean(first) + share * self.part.mean(second)
