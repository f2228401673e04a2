"""Watching a series of day means for a step upwards, against its own past.

Each new value is compared with the weighted mean of the values before it, so no separate baseline
is needed and none is taken as known: with known variances these differences are independent and
standard normal until something changes, and the CUSUM of them has the run length of the textbook.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import log_ndtr, softmax


@dataclass(frozen=True, eq=False)
class Watch:
    """What self-starting CUSUMs saw in one series.

    Parameters
    ----------
    sums : ndarray, shape (points,)
        The CUSUM after each point as a share of its limit; of several, the greatest share.
    signal : int or None
        First point at which a sum passed its limit since the last restart.
    """

    sums: NDArray[np.float64]
    signal: int | None


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
    limits: Mapping[float, float],
    restart: ArrayLike | None = None,
) -> Watch:
    """Upper CUSUMs of recursive residuals side by side; see the module's opening words.

    Parameters
    ----------
    value, variance : array_like, shape (points,)
        Means and their known variances, in time order.
    limits : mapping of float to float
        Decision limit h for each reference value k [standard deviations]: a small k finds small
        rises, a large one great rises at once (G. Lorden and I. Eisenberger, Technometrics 15,
        167-175, 1973, for such pairs; cited from memory).
    restart : array_like of bool, shape (points,), optional
        Points before which the sums start again at 0 (a unit was serviced); the past stays known,
        without the points since a step that had signalled.
    """
    mean, var = np.asarray(value, float), np.asarray(variance, float)
    again = np.zeros(len(mean), bool) if restart is None else np.asarray(restart, bool)
    starts = [0, *np.flatnonzero(again[1:]) + 1, len(mean)]
    usual, sums, signal = np.ones(len(mean), bool), np.zeros(len(mean)), None
    for start, end in pairwise(starts):
        residual = recursive_residuals(mean[:end], var[:end], usual[:end])[start:]
        for reference, limit in limits.items():
            share = upper_cusum(residual - reference) / limit
            sums[start:end] = np.maximum(sums[start:end], share)
        over = start + np.flatnonzero(sums[start:end] > 1)
        signal = int(over[0]) if len(over) else None
        step = likeliest_step(mean[:end], var[:end]) if len(over) and end < len(mean) else None
        if step is not None and step.size > 0:
            # What came before a service and was bad is not the past to be compared with.
            usual[step.first : end] = False
    return Watch(sums, signal)


def upper_cusum(step: NDArray[np.float64]) -> NDArray[np.float64]:
    """Sums that never fall below 0: the running total less its least value so far."""
    total = np.cumsum(step)
    return np.asarray(total - np.minimum(np.minimum.accumulate(total), 0.0))


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


SOON = 5
"""A rise within so many points is called a step: no series of usual noise tells it from one."""


@dataclass(frozen=True)
class Onset:
    """When a rise began: first point with its interval, and how long it took.

    Parameters
    ----------
    first, first_low, first_high : int
        Likeliest first point of the rise, and the ends of its interval.
    rise : int
        Points over which the likeliest rise is spread; 1 for a step.
    shape : str
        "step" (within ``SOON`` points), "ramp", or "either" where the series cannot tell.
    """

    first: int
    first_low: int
    first_high: int
    rise: int
    shape: str


def rise_onset(
    value: ArrayLike,
    variance: ArrayLike,
    *,
    rises: Sequence[int] = (1, 5, 10, 20, 40),
    level: float = 0.97,
    sure: float = 0.9,
) -> Onset | None:
    """When a normal series with known variances began to rise, at once or little by little.

    Each candidate is a level, then a straight rise over so many points, then a level again. All
    starts and lengths are alike likely beforehand; their chances given the series are added up over
    the lengths, so a step that may have been a ramp is not given the step's narrow interval.

    Parameters
    ----------
    value, variance : array_like, shape (points,)
        Means and their known variances, in time order.
    rises : sequence of int
        Lengths tried [points].
    level : float
        Chance that the interval holds together; its least and last start are its ends. 0.97 rather
        than 0.95 for slow rises, whose beginning hardly shows.
    sure : float
        Chance of a step, or of a ramp, from which the shape is named.

    Returns
    -------
    Onset or None
        None for fewer than three points.

    References
    ----------
    A. F. M. Smith, Biometrika 62, 407-416, 1975 (chances of each place of a change); the size
    reached by the last point has a flat prior above 0 and is integrated out.
    """
    mean, var = np.asarray(value, float), np.asarray(variance, float)
    if len(mean) < 3:
        return None
    weight = 1 / var
    centred = mean - (weight @ mean) / weight.sum()
    start, point = np.arange(1, len(mean)), np.arange(len(mean))
    logs = []
    for rise in rises:
        shape = np.clip((point - start[:, None] + 1) / rise, 0.0, 1.0)
        shape /= shape[:, -1:]  # sizes are those reached by now, alike likely for all shapes
        slope = shape @ (weight * centred)
        square = np.maximum((shape**2) @ weight - (shape @ weight) ** 2 / weight.sum(), 1e-9)
        size = slope / np.sqrt(square)
        logs.append(size**2 / 2 - np.log(square) / 2 + log_ndtr(size))
    chance = softmax(np.array(logs))
    by_start = chance.sum(axis=0)
    order = np.argsort(-by_start, kind="stable")
    near = order[: int(np.searchsorted(np.cumsum(by_start[order]), level)) + 1]
    longest, place = divmod(int(np.argmax(chance)), len(start))
    step = float(chance[np.asarray(rises) <= SOON].sum())
    return Onset(
        int(start[place]),
        int(start[near.min()]),
        int(start[near.max()]),
        int(rises[longest]),
        "step" if step > sure else "ramp" if step < 1 - sure else "either",
    )
