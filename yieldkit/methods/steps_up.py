"""Watching a series of day means for a step upwards, against its own past.

Each new value is compared with the weighted mean of the values before it, so no separate baseline
is needed and none is taken as known: with known variances these differences are independent and
standard normal until something changes, and the CUSUM of them has the run length of the textbook.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray


@dataclass(frozen=True, eq=False)
class Watch:
    """What a self-starting CUSUM saw in one series.

    Parameters
    ----------
    sums : ndarray, shape (points,)
        The CUSUM after each point [standard deviations].
    signal : int or None
        First point at which the sum passed the limit since the last restart.
    limit : float
        Decision limit [standard deviations].
    """

    sums: NDArray[np.float64]
    signal: int | None
    limit: float


def recursive_residuals(
    value: ArrayLike, variance: ArrayLike, usual: ArrayLike | None = None
) -> NDArray[np.float64]:
    """Standardised difference of each value from the weighted mean of those before it.

    Parameters
    ----------
    value, variance : array_like, shape (points,)
        Means and their known variances, in time order.
    usual : array_like of bool, shape (points,), optional
        Points that later ones may be compared with; all if missing.

    Returns
    -------
    ndarray, shape (points,)
        The first is 0; the others are independent N(0, 1) while the level stays.

    References
    ----------
    R. L. Brown, J. Durbin and J. M. Evans, J. R. Stat. Soc. B 37, 149-192, 1975, equation 2;
    D. M. Hawkins, The Statistician 36, 299-315, 1987 (self-starting CUSUM).
    """
    mean, var = np.asarray(value, float), np.asarray(variance, float)
    weight = 1 / var if usual is None else np.where(np.asarray(usual, bool), 1 / var, 0.0)
    before = np.concatenate([[0.0], np.cumsum(weight)[:-1]])
    summed = np.concatenate([[0.0], np.cumsum(weight * mean)[:-1]])
    found = np.zeros(len(mean))
    known = before > 0
    found[known] = (mean[known] - summed[known] / before[known]) / np.sqrt(
        var[known] + 1 / before[known]
    )
    return found


def self_starting_cusum(
    value: ArrayLike,
    variance: ArrayLike,
    *,
    limit: float,
    reference: float = 0.5,
    restart: ArrayLike | None = None,
) -> Watch:
    """Upper CUSUM of recursive residuals; see the module's opening words.

    Parameters
    ----------
    value, variance : array_like, shape (points,)
        Means and their known variances, in time order.
    limit, reference : float
        Decision limit h and reference value k [standard deviations].
    restart : array_like of bool, shape (points,), optional
        Points before which the sum starts again at 0 (a unit was serviced); the past stays known,
        without the points since a step that had signalled.
    """
    mean, var = np.asarray(value, float), np.asarray(variance, float)
    again = np.zeros(len(mean), bool) if restart is None else np.asarray(restart, bool)
    starts = [0, *np.flatnonzero(again[1:]) + 1, len(mean)]
    usual, sums, signal = np.ones(len(mean), bool), np.zeros(len(mean)), None
    for start, end in pairwise(starts):
        residual = recursive_residuals(mean[:end], var[:end], usual[:end])
        level = 0.0
        for point in range(start, end):
            level = max(0.0, level + residual[point] - reference)
            sums[point] = level
        over = start + np.flatnonzero(sums[start:end] > limit)
        signal = int(over[0]) if len(over) else None
        step = likeliest_step(mean[:end], var[:end]) if len(over) and end < len(mean) else None
        if step is not None and step.size > 0:
            # What came before a service and was bad is not the past to be compared with.
            usual[step.first : end] = False
    return Watch(sums, signal, limit)


@dataclass(frozen=True)
class StepFound:
    """A step in the level of a series, with the points between which it may have begun."""

    first: int
    first_low: int
    first_high: int
    size: float
    size_se: float
    gain: float


def likeliest_step(value: ArrayLike, variance: ArrayLike, *, drop: float = 3.5) -> StepFound | None:
    """Likeliest point at which a normal series with known variances stepped to another level.

    Parameters
    ----------
    value, variance : array_like, shape (points,)
        Means and their known variances, in time order.
    drop : float
        Points whose log-likelihood is less than this below the best form the interval. A step's
        likelihood is not chi-square; 3.5 rather than 1.92 allows for that.

    Returns
    -------
    StepFound or None
        ``first`` is the first point of the new level; ``size`` new minus old level; ``gain`` the
        log-likelihood over no step. None for fewer than three points.

    References
    ----------
    D. V. Hinkley, Biometrika 57, 1-17, 1970.
    """
    mean, var = np.asarray(value, float), np.asarray(variance, float)
    if len(mean) < 3:
        return None
    weight = 1 / var
    left, total = np.cumsum(weight)[:-1], weight.sum()
    left_sum, whole = np.cumsum(weight * mean)[:-1], (weight * mean).sum()
    before, after = left_sum / left, (whole - left_sum) / (total - left)
    se = np.sqrt(1 / left + 1 / (total - left))
    gain = ((after - before) / se) ** 2 / 2
    best = int(np.argmax(gain))
    near = np.flatnonzero(gain > gain[best] - drop)
    return StepFound(
        best + 1,
        int(near[0]) + 1,
        int(near[-1]) + 1,
        float(after[best] - before[best]),
        float(se[best]),
        float(gain[best]),
    )
