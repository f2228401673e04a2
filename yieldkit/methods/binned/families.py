"""Families of distributions, each with its distribution function and analytic slopes.

All take working parameters ``w`` (real numbers, shape (m, size)) aligned with ``x`` (shape (m,)),
so that any number of groups is worked at once. Both tails are computed by themselves: a difference
of two distribution functions near 1 cancels, and a fit on it is wrong in the third digit.
"""

from __future__ import annotations

from abc import ABC, abstractmethod

import numpy as np
from numpy.typing import NDArray
from scipy import special

from yieldkit.methods.binned.counts import Counts
from yieldkit.methods.binned.gamma_slope import slope_in_shape

Floats = NDArray[np.float64]
Tails = tuple[Floats, Floats, Floats]
"""Share below, share above, and slopes of the share below by working parameter (m, free)."""


class Family(ABC):
    """One family; ``free`` working parameters are fitted, further ones are fixed by the data."""

    name: str
    free: int
    parameters: tuple[str, ...]
    """Names of the natural parameters, in the order of ``natural``."""
    positive = True
    """Whether it knows values above zero only."""
    regular = True
    """Whether likelihood-ratio intervals may use the chi-square law (no bound, no mixture)."""

    @abstractmethod
    def tails(self, w: Floats, x: Floats) -> Tails:
        """Share below and above ``x`` (finite, above zero if ``positive``), and slopes."""

    @abstractmethod
    def density(self, w: Floats, x: Floats) -> Floats:
        """Density at ``x``."""

    @abstractmethod
    def start(self, mean: Floats, sd: Floats) -> Floats:
        """Rough working parameters from mean and standard deviation, shape (groups, free)."""

    @abstractmethod
    def natural(self, w: Floats) -> Floats:
        """Natural parameters, shape (m, len(parameters))."""

    @abstractmethod
    def mean(self, w: Floats) -> Floats:
        """Mean."""

    def starts(self, counts: Counts, mean: Floats, sd: Floats) -> list[Floats]:
        """Working parameters to try first, each of shape (groups, parameters)."""
        return [self.start(mean, sd)]

    def quantile(self, w: Floats, share: float | Floats) -> Floats:
        """Value that ``share`` of all stay below, by bisection unless the family knows better."""
        below = np.broadcast_to(np.asarray(share, float), (len(w),))
        low = np.full(len(w), np.log(1e-12))
        high = np.log(np.maximum(self.mean(w), 1e-9)) + 12
        for _ in range(80):
            middle = (low + high) / 2
            less, more, _ = self.tails(w, np.exp(middle))
            under = np.where(below > 0.5, more > 1 - below, less < below)
            low, high = np.where(under, middle, low), np.where(under, high, middle)
        return np.exp((low + high) / 2)

    def ends(self, w: Floats, x: Floats) -> Tails:
        """``tails`` at any ``x``, infinite or outside the family's range."""
        inside = np.isfinite(x) & ((x > 0) | (not self.positive))
        below = (x > 0).astype(float)
        slopes = np.zeros((len(x), self.free))
        above = 1 - below
        if inside.all():
            return self.tails(w, x)
        below[inside], above[inside], slopes[inside] = self.tails(w[inside], x[inside])
        return below, above, slopes


class Exponential(Family):
    """Offset loss of a hand without bias: w = log mean."""

    name, free, parameters = "exponential", 1, ("mean",)

    def tails(self, w: Floats, x: Floats) -> Tails:  # noqa: D102
        y = x / np.exp(w[:, 0])
        above = np.exp(-y)
        return -np.expm1(-y), above, (-y * above)[:, None]

    def density(self, w: Floats, x: Floats) -> Floats:  # noqa: D102
        scale = np.exp(w[:, 0])
        return np.exp(-x / scale) / scale

    def start(self, mean: Floats, sd: Floats) -> Floats:  # noqa: D102
        return np.log(mean)[:, None]

    def natural(self, w: Floats) -> Floats:  # noqa: D102
        return np.exp(w)

    def mean(self, w: Floats) -> Floats:  # noqa: D102
        return np.exp(w[:, 0])

    def quantile(self, w: Floats, share: float | Floats) -> Floats:  # noqa: D102
        return -np.log1p(-np.asarray(share)) * np.exp(w[:, 0])


class Gamma(Family):
    """w = (log mean, log shape)."""

    name, free, parameters = "gamma", 2, ("shape", "rate")

    def tails(self, w: Floats, x: Floats) -> Tails:  # noqa: D102
        shape = np.exp(w[:, 1])
        y = shape * x / np.exp(w[:, 0])
        below, above = special.gammainc(shape, y), special.gammaincc(shape, y)
        height = np.exp(special.xlogy(shape, y) - y - special.gammaln(shape))
        by_shape = shape * slope_in_shape(shape, y) + height
        return below, above, np.stack([-height, by_shape], axis=1)

    def density(self, w: Floats, x: Floats) -> Floats:  # noqa: D102
        shape = np.exp(w[:, 1])
        y = shape * x / np.exp(w[:, 0])
        return np.exp(special.xlogy(shape, y) - y - special.gammaln(shape)) / x

    def start(self, mean: Floats, sd: Floats) -> Floats:  # noqa: D102
        return np.stack([np.log(mean), 2 * np.log(mean / sd)], axis=1)

    def natural(self, w: Floats) -> Floats:  # noqa: D102
        return np.exp(np.stack([w[:, 1], w[:, 1] - w[:, 0]], axis=1))

    def mean(self, w: Floats) -> Floats:  # noqa: D102
        return np.exp(w[:, 0])

    def quantile(self, w: Floats, share: float | Floats) -> Floats:  # noqa: D102
        shape = np.exp(w[:, 1])
        return special.gammainccinv(shape, 1 - np.asarray(share)) * np.exp(w[:, 0]) / shape


class Weibull(Family):
    """w = (log scale, log shape)."""

    name, free, parameters = "weibull", 2, ("shape", "scale")

    def tails(self, w: Floats, x: Floats) -> Tails:  # noqa: D102
        u = np.exp(w[:, 1]) * (np.log(x) - w[:, 0])
        y = np.exp(np.minimum(u, 700))
        above = np.exp(-y)
        height = y * above
        return -np.expm1(-y), above, np.stack([-np.exp(w[:, 1]) * height, u * height], axis=1)

    def density(self, w: Floats, x: Floats) -> Floats:  # noqa: D102
        u = np.exp(w[:, 1]) * (np.log(x) - w[:, 0])
        return np.exp(w[:, 1] + u - np.exp(np.minimum(u, 700))) / x

    def start(self, mean: Floats, sd: Floats) -> Floats:  # noqa: D102
        shape = np.clip((sd / mean) ** -1.086, 0.2, 20)  # common approximation of shape from CV
        return np.stack([np.log(mean) - special.gammaln(1 + 1 / shape), np.log(shape)], axis=1)

    def natural(self, w: Floats) -> Floats:  # noqa: D102
        return np.exp(w[:, ::-1])

    def mean(self, w: Floats) -> Floats:  # noqa: D102
        return np.exp(w[:, 0] + special.gammaln(1 + np.exp(-w[:, 1])))

    def quantile(self, w: Floats, share: float | Floats) -> Floats:  # noqa: D102
        return np.exp(w[:, 0] + np.log(-np.log1p(-np.asarray(share))) * np.exp(-w[:, 1]))


class Lognormal(Family):
    """w = (mean of log, log standard deviation of log)."""

    name, free, parameters = "lognormal", 2, ("meanlog", "sdlog")

    def tails(self, w: Floats, x: Floats) -> Tails:  # noqa: D102
        sd = np.exp(w[:, 1])
        z = (np.log(x) - w[:, 0]) / sd
        height = _bell(z)
        return special.ndtr(z), special.ndtr(-z), np.stack([-height / sd, -z * height], axis=1)

    def density(self, w: Floats, x: Floats) -> Floats:  # noqa: D102
        sd = np.exp(w[:, 1])
        return _bell((np.log(x) - w[:, 0]) / sd) / (sd * x)

    def start(self, mean: Floats, sd: Floats) -> Floats:  # noqa: D102
        spread = np.log1p((sd / mean) ** 2)
        return np.stack([np.log(mean) - spread / 2, 0.5 * np.log(spread)], axis=1)

    def natural(self, w: Floats) -> Floats:  # noqa: D102
        return np.stack([w[:, 0], np.exp(w[:, 1])], axis=1)

    def mean(self, w: Floats) -> Floats:  # noqa: D102
        return np.exp(np.minimum(w[:, 0] + np.exp(2 * w[:, 1]) / 2, 700))

    def quantile(self, w: Floats, share: float | Floats) -> Floats:  # noqa: D102
        return np.exp(w[:, 0] + np.exp(w[:, 1]) * special.ndtri(share))


class Normal(Family):
    """For readings that may be negative, as one-way losses are: w = (mean, log sd)."""

    name, free, parameters, positive = "normal", 2, ("mean", "sd"), False

    def tails(self, w: Floats, x: Floats) -> Tails:  # noqa: D102
        sd = np.exp(w[:, 1])
        z = (x - w[:, 0]) / sd
        height = _bell(z)
        return special.ndtr(z), special.ndtr(-z), np.stack([-height / sd, -z * height], axis=1)

    def density(self, w: Floats, x: Floats) -> Floats:  # noqa: D102
        sd = np.exp(w[:, 1])
        return _bell((x - w[:, 0]) / sd) / sd

    def start(self, mean: Floats, sd: Floats) -> Floats:  # noqa: D102
        return np.stack([mean, np.log(sd)], axis=1)

    def natural(self, w: Floats) -> Floats:  # noqa: D102
        return np.stack([w[:, 0], np.exp(w[:, 1])], axis=1)

    def mean(self, w: Floats) -> Floats:  # noqa: D102
        return w[:, 0]

    def quantile(self, w: Floats, share: float | Floats) -> Floats:  # noqa: D102
        return w[:, 0] + np.exp(w[:, 1]) * special.ndtri(share)


class Gumbel(Family):
    """Skewed to the right and known below zero too: w = (mode, log scale)."""

    name, free, parameters, positive = "gumbel", 2, ("mode", "scale"), False

    def tails(self, w: Floats, x: Floats) -> Tails:  # noqa: D102
        scale = np.exp(w[:, 1])
        z = (x - w[:, 0]) / scale
        y = np.exp(-np.maximum(z, -700))
        below = np.exp(-y)
        height = y * below
        return below, -np.expm1(-y), np.stack([-height / scale, -z * height], axis=1)

    def density(self, w: Floats, x: Floats) -> Floats:  # noqa: D102
        scale = np.exp(w[:, 1])
        z = np.maximum((x - w[:, 0]) / scale, -700)
        return np.exp(-z - np.exp(-z)) / scale

    def start(self, mean: Floats, sd: Floats) -> Floats:  # noqa: D102
        scale = sd * np.sqrt(6) / np.pi
        return np.stack([mean - np.euler_gamma * scale, np.log(scale)], axis=1)

    def natural(self, w: Floats) -> Floats:  # noqa: D102
        return np.stack([w[:, 0], np.exp(w[:, 1])], axis=1)

    def mean(self, w: Floats) -> Floats:  # noqa: D102
        return w[:, 0] + np.euler_gamma * np.exp(w[:, 1])

    def quantile(self, w: Floats, share: float | Floats) -> Floats:  # noqa: D102
        return w[:, 0] - np.exp(w[:, 1]) * np.log(-np.log(np.asarray(share)))


def _bell(z: Floats) -> Floats:
    return np.exp(-0.5 * z * z) / np.sqrt(2 * np.pi)
