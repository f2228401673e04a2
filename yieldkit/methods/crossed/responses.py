"""Log-likelihoods of a cell given its linear predictor, with the derivatives that Laplace needs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import gammaln, log_ndtr

from yieldkit.methods.crossed.design import Array, known


@dataclass(frozen=True, eq=False)
class Slopes:
    """Log-likelihood of all cells, ``height``, and the derivatives of each cell's.

    In the predictor: ``first``, minus the second (``weight``), and the slope of that weight
    (``weight_slope``). In the logarithm of the scale, where there is one: ``scale_first``, and the
    slopes of ``first`` and ``weight`` in it.
    """

    height: float
    first: Array
    weight: Array
    weight_slope: Array
    scale_first: Array | None = None
    first_in_scale: Array | None = None
    weight_in_scale: Array | None = None


class Response(Protocol):
    """A response: whether it has a scale, its log-likelihood and slopes."""

    has_scale: bool
    constant: float

    def start(self) -> float:
        """A first guess of the intercept."""

    def start_scale(self) -> float:
        """A first guess of the scale; 1 where there is none."""

    def slopes(self, eta: Array, log_scale: float) -> Slopes:
        """Log-likelihood, without ``constant``, and its derivatives at predictors, shape (n,)."""


class Counts:
    """Passes and failures of each cell, logit link.

    Parameters
    ----------
    passed, failed : array_like, shape (n,)
        Counts. ``constant`` is the sum of the logarithms of the binomial coefficients.
    """

    has_scale = False

    def __init__(self, passed: ArrayLike, failed: ArrayLike) -> None:
        self.passed = known("the number passed", passed)
        self.tried = self.passed + known("the number failed", failed)
        self.constant = float(
            (
                gammaln(self.tried + 1)
                - gammaln(self.passed + 1)
                - gammaln(self.tried - self.passed + 1)
            ).sum()
        )

    def start(self) -> float:
        """See ``Response.start``."""
        share = (self.passed.sum() + 0.5) / (self.tried.sum() + 1.0)
        return float(np.log(share / (1 - share)))

    def start_scale(self) -> float:
        """See ``Response.start_scale``."""
        return 1.0

    def slopes(self, eta: Array, log_scale: float) -> Slopes:
        """See ``Response.slopes``."""
        small = np.exp(-np.abs(eta))
        less = 1 / (1 + small)
        chance = np.where(eta > 0, less, small * less)
        height = self.passed @ eta - self.tried @ (np.maximum(eta, 0.0) + np.log1p(small))
        weight = self.tried * (small * less * less)
        first = self.passed - self.tried * chance
        return Slopes(float(height), first, weight, weight * (1 - 2 * chance))


class Intervals:
    """A Gaussian value known to lie between two ends, ``count`` times; ends may be infinite.

    Parameters
    ----------
    low, high : array_like, shape (n,)
        Ends of each cell's interval; the log-likelihood is the logarithm of its chance.
    count : array_like, shape (n,), optional
        How many values share the interval; 1 if missing.
    """

    has_scale = True
    constant = 0.0

    def __init__(self, low: ArrayLike, high: ArrayLike, count: ArrayLike | None = None) -> None:
        self.low, self.high = known("a lower end", low), known("an upper end", high)
        self.count = np.ones(len(self.low)) if count is None else np.asarray(count, float)

    def start(self) -> float:
        """See ``Response.start``."""
        return float(np.average(self._near(), weights=self.count))

    def start_scale(self) -> float:
        """See ``Response.start_scale``: spread of the middles, at least half an interval."""
        gap = self._near() - self.start()
        wide = self.high - self.low
        wide = wide[np.isfinite(wide)]
        least = float(np.median(wide)) / 2 if len(wide) else 0.0
        spread = float(np.sqrt(np.average(gap**2, weights=self.count)))
        return max(spread, least) or 1.0

    def _near(self) -> Array:
        """Middle of each interval, or its finite end."""
        both = np.isfinite(self.low) & np.isfinite(self.high)
        one = np.where(np.isfinite(self.low), self.low, self.high)
        with np.errstate(invalid="ignore"):
            return np.where(both, (self.low + self.high) / 2, one)

    def slopes(self, eta: Array, log_scale: float) -> Slopes:
        """See ``Response.slopes``."""
        down, up = self._standard(eta, log_scale)
        scale = np.exp(log_scale)
        chance = _log_chance(down, up)
        low0, high0 = _density(down, chance), _density(up, chance)
        low1, high1 = _times(down, low0), _times(up, high0)
        low2, high2 = _times(down, low1), _times(up, high1)
        low3, high3 = _times(down, low2), _times(up, high2)
        # Slopes of the chance under a common shift of both ends, over the chance itself.
        one = high0 - low0
        two = -(high1 - low1)
        three = (high2 - low2) - one
        g1, g2 = one, two - one**2
        g3 = three - 3 * one * two + 2 * one**3
        # In the log scale an end z moves by -z: slopes of the chance, of ``one`` and of ``two``.
        one_scale = (high2 - low2) - one * two
        two_scale = (high1 - low1) - (high3 - low3) - two * two
        n = self.count
        return Slopes(
            height=float(n @ chance),
            first=-n * g1 / scale,
            weight=-n * g2 / scale**2,
            weight_slope=n * g3 / scale**3,
            scale_first=n * two,
            first_in_scale=-n * (one_scale - g1) / scale,
            weight_in_scale=-n * (two_scale - 2 * one * one_scale - 2 * g2) / scale**2,
        )

    def _standard(self, eta: Array, log_scale: float) -> tuple[Array, Array]:
        scale = np.exp(log_scale)
        return (self.low - eta) / scale, (self.high - eta) / scale


def _log_chance(down: Array, up: Array) -> Array:
    """Log of the normal chance between two ends, from the nearer tail so that nothing cancels."""
    flip = down > 0
    a, b = np.where(flip, -up, down), np.where(flip, -down, up)
    high, low = log_ndtr(b), log_ndtr(a)
    with np.errstate(divide="ignore"):
        return high + np.log1p(-np.exp(np.minimum(low - high, 0.0)))


def _density(z: Array, log_chance: Array) -> Array:
    """Normal density at an end over the chance between the ends; 0 at an infinite end."""
    inside = np.isfinite(z)
    safe = np.where(inside, z, 0.0)
    return np.where(
        inside, np.exp(np.minimum(-(safe**2) / 2 - log_chance, 200.0)) / np.sqrt(2 * np.pi), 0.0
    )


def _times(z: Array, value: Array) -> Array:
    return np.where(np.isfinite(z), z, 0.0) * value
