"""Predictions in closed form, for checks and for contrast."""

from __future__ import annotations

import numpy as np
from scipy.special import betaln, gammaln
from scipy.stats import poisson
from scipy.stats import t as student

from yieldkit.methods.predictive.chances import Array


def beta_negative_binomial(positions: int, a: float, b: float, most: int) -> Array:
    """Failures until ``positions`` pass, the chance to pass being Beta(a, b), up to ``most``."""
    k = np.arange(most + 1)
    logs = gammaln(positions + k) - gammaln(positions) - gammaln(k + 1)
    return np.exp(logs + betaln(a + positions, b + k) - betaln(a, b))


def beta_binomial(attempts: int, a: float, b: float) -> Array:
    """Failures among ``attempts``, the chance to fail being Beta(a, b)."""
    k = np.arange(attempts + 1)
    logs = gammaln(attempts + 1) - gammaln(k + 1) - gammaln(attempts - k + 1)
    return np.exp(logs + betaln(a + k, b + attempts - k) - betaln(a, b))


def backorders(mean: float, stock: int) -> tuple[float, float, float]:
    """Poisson demand against stock: expected shortage, share met at once, chance of no shortage.

    References
    ----------
    C. C. Sherbrooke, Optimal Inventory Modeling of Systems, 2nd ed., 2004, chapter 2.
    """
    at = np.arange(stock + 1)
    here = poisson.pmf(at, mean)
    short = mean - stock + float((stock - at) @ here)
    return short, float(poisson.cdf(stock - 1, mean)), float(poisson.cdf(stock, mean))


def poisson_prediction_limit(seen: int, units: int, future: int, confidence: float) -> float:
    """Upper limit that each of ``future`` single counts keeps, all at once.

    Student-t approximation conditional on the count seen, Bonferroni over the future counts.

    References
    ----------
    R. D. Gibbons, D. K. Bhaumik, S. Aryal, Statistical Methods for Groundwater Monitoring, 2nd ed.,
    2009, section 3.5, https://doi.org/10.1002/9780470549933
    """
    mean = seen / units
    t = float(student.ppf(1 - (1 - confidence) / future, units - 1))
    return mean + t**2 / (2 * units) + t / units * float(np.sqrt(seen * (1 + units) + t**2 / 4))
