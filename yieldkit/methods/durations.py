"""Minutes of rework from hand-written entries: heaped, skewed, and not all written."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import minimize
from scipy.special import log_ndtr, ndtri

Array = NDArray[np.float64]
HEAPS = ((30.0, 7.5), (5.0, 2.5))
"""A multiple of the first is read as anything within the second of it [min]; others within 0.5."""
LEAST_SD = 0.15
"""Least spread of log minutes: a column of equal entries is a habit, not a fact."""


@dataclass(frozen=True)
class Minutes:
    """Log-normal minutes of one rework.

    Parameters
    ----------
    median : float
        Median [min].
    log_sd : float
        Standard deviation of log minutes.
    median_low, median_high : float
        95 % interval of the median [min].
    written, unwritten : int
        Entries with minutes, and reworks without.
    """

    median: float
    log_sd: float
    median_low: float
    median_high: float
    written: int
    unwritten: int

    @property
    def mean(self) -> float:
        """Mean [min]."""
        return float(self.median * np.exp(self.log_sd**2 / 2))

    @property
    def variance(self) -> float:
        """Variance [min^2]."""
        return float(self.mean**2 * np.expm1(self.log_sd**2))

    def quantile(self, level: float) -> float:
        """Quantile of one rework [min]."""
        return float(self.median * np.exp(self.log_sd * ndtri(level)))


def heaped(minutes: ArrayLike) -> tuple[Array, Array]:
    """Ends of what each entry can mean [min]: 15 may be 12.5 to 17.5, 7 is 6.5 to 7.5."""
    value = np.asarray(minutes, float)
    reach = np.full(value.shape, 0.5)
    for multiple, half in reversed(HEAPS):
        reach = np.where(np.isclose(value % multiple, 0) & (value > 0), half, reach)
    return np.maximum(value - reach, 0.0), value + reach


def rework_minutes(
    minutes: ArrayLike,
    *,
    unwritten: int = 0,
    quick: float = 10.0,
    usual: float = 10.0,
    usual_log_sd: float = 0.6,
    strength: float = 2.0,
) -> Minutes:
    """Log-normal minutes of a rework, from entries as intervals and from those not written.

    Parameters
    ----------
    minutes : array_like
        Minutes written, one a rework.
    unwritten : int
        Reworks known from the splicer's records without minutes; taken as quick ones, somewhere
        under ``quick`` [min].
    usual, usual_log_sd, strength : float
        Prior: median and log spread of a rework before any entry, worth ``strength`` entries.

    References
    ----------
    J. F. Lawless, Statistical Models and Methods for Lifetime Data, 2nd ed., 2003, section 5.2
    (log-normal likelihood of intervals); D. F. Heitjan, D. B. Rubin, Ann. Appl. Stat. 85, 304-314,
    1990 (heaped entries as intervals).
    """
    value = np.asarray(minutes, float)
    value = value[np.isfinite(value) & (value > 0)]
    low, high = heaped(value)
    low = np.concatenate([low, np.zeros(1)])
    high = np.concatenate([high, np.full(1, quick)])
    many = np.concatenate([np.ones(value.size), np.full(1, float(unwritten))])
    with np.errstate(divide="ignore"):
        a, b = np.log(low), np.log(high)

    def deviance(at: Array) -> float:
        mu, sd = at[0], np.exp(at[1])
        up, down = log_ndtr((b - mu) / sd), log_ndtr((a - mu) / sd)
        right = (a - mu) > 0  # right of the median the upper tails keep the digits
        up = np.where(right, log_ndtr((mu - a) / sd), up)
        down = np.where(right, log_ndtr((mu - b) / sd), down)
        share = up + np.log(-np.expm1(np.minimum(down - up, -1e-15)))
        prior = strength * ((mu - np.log(usual)) ** 2 / usual_log_sd**2) / 2
        prior += strength * (at[1] - np.log(usual_log_sd)) ** 2
        return float(prior - many @ share)

    start = np.array([np.log(usual), np.log(usual_log_sd)])
    if value.size:
        start = np.array([np.log(np.median(value)), np.log(usual_log_sd)])
    found = minimize(deviance, start, method="Nelder-Mead", options={"xatol": 1e-7, "fatol": 1e-9})
    mu, sd = float(found.x[0]), max(float(np.exp(found.x[1])), LEAST_SD)
    error = sd / np.sqrt(value.size + unwritten + strength)
    low_end, high_end = np.exp(mu + np.array([-1.96, 1.96]) * error)
    return Minutes(float(np.exp(mu)), sd, float(low_end), float(high_end), value.size, unwritten)
