"""Intervals and sample sizes for proportions, also where trials come in clusters."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import betaincinv, ndtri

METHODS = ("wilson", "clopper-pearson", "agresti-coull", "jeffreys", "wald")
"""Written out here: the library that has them takes longer to load than a review may take."""


@dataclass(frozen=True, eq=False)
class Interval:
    """An interval for each of several quantities; arrays of one shape."""

    estimate: NDArray[np.float64]
    low: NDArray[np.float64]
    high: NDArray[np.float64]
    confidence: float


def check_confidence(confidence: float) -> None:
    """Raise ``ValueError`` unless ``confidence`` is a fraction between 0 and 1."""
    if not 0 < confidence < 1:
        raise ValueError(f"confidence is {confidence}, wanted between 0 and 1; write 95 % as 0.95")


def proportion(
    passed: ArrayLike,
    tried: ArrayLike,
    *,
    confidence: float = 0.95,
    method: str = "wilson",
    design_effect: ArrayLike = 1.0,
) -> Interval:
    """Proportion with its two-sided interval; no trials give NaN and the interval 0 to 1.

    Parameters
    ----------
    passed, tried : array_like
        Successes and trials, of one shape.
    confidence : float
        Coverage wanted [fraction].
    method : str
        One of ``METHODS``; the Wilson score interval [1]_ by default, the others as in [3]_.
    design_effect : array_like
        How many times the variance is that of independent trials; trials count as
        ``tried / design_effect`` [2]_.

    References
    ----------
    .. [1] E. B. Wilson, J. Amer. Stat. Assoc. 22, 209-212, 1927.
    .. [2] L. Kish, Survey Sampling, 1965, section 8.2.
    .. [3] L. D. Brown, T. T. Cai and A. DasGupta, Stat. Sci. 16, 101-133, 2001.

    Examples
    --------
    >>> found = proportion([57], [60])
    >>> print(found.low.round(4), found.high.round(4))
    [0.863] [0.9829]
    """
    check_confidence(confidence)
    hits, total, effect = np.broadcast_arrays(
        np.asarray(passed, float), np.asarray(tried, float), np.asarray(design_effect, float)
    )
    known = total > 0
    share = np.divide(hits, total, out=np.full(total.shape, np.nan), where=known)
    low, high = np.zeros(total.shape), np.ones(total.shape)
    if known.any():
        size = total[known] / np.maximum(effect[known], 1.0)
        low[known], high[known] = _ends(share[known], size, confidence, method)
    return Interval(share, np.clip(low, 0, 1), np.clip(high, 0, 1), confidence)


def _ends(
    share: NDArray[np.float64], size: NDArray[np.float64], confidence: float, method: str
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Both ends of a method's interval."""
    z = ndtri((1 + confidence) / 2)
    tail = (1 - confidence) / 2
    hits, missed = share * size, (1 - share) * size
    if method in ("wilson", "agresti-coull"):
        middle = (hits + z**2 / 2) / (size + z**2)
        if method == "wilson":
            half = z / (size + z**2) * np.sqrt(hits * missed / size + z**2 / 4)
        else:
            half = z * np.sqrt(middle * (1 - middle) / (size + z**2))
        return middle - half, middle + half
    if method == "wald":
        half = z * np.sqrt(share * (1 - share) / size)
        return share - half, share + half
    if method not in METHODS:
        raise ValueError(f"method is {method!r}, wanted one of {', '.join(METHODS)}")
    if method == "jeffreys":
        return (
            betaincinv(hits + 0.5, missed + 0.5, tail),
            betaincinv(hits + 0.5, missed + 0.5, 1 - tail),
        )
    low = betaincinv(np.maximum(hits, 1e-9), missed + 1, tail)
    high = betaincinv(hits + 1, np.maximum(missed, 1e-9), 1 - tail)
    return np.where(hits > 0, low, 0.0), np.where(missed > 0, high, 1.0)


def difference(
    passed: tuple[float, float], tried: tuple[float, float], *, confidence: float = 0.95
) -> Interval:
    """First minus second proportion, Newcombe's hybrid score interval [1]_.

    References
    ----------
    .. [1] R. G. Newcombe, Stat. Med. 17, 873-890, 1998, method 10.
    """
    each = proportion(passed, tried, confidence=confidence)
    first, second = each.estimate
    down = np.hypot(first - each.low[0], each.high[1] - second)
    up = np.hypot(each.high[0] - first, second - each.low[1])
    gap = np.array(first - second)
    return Interval(gap, gap - down, gap + up, confidence)


def trials_to_tell(
    first: float, second: float, *, confidence: float = 0.95, power: float = 0.8
) -> float:
    """Trials in each of two groups until proportions ``first`` and ``second`` can be told apart.

    Two-sided normal test with pooled variance under equality (Fleiss, Levin and Paik,
    Statistical Methods for Rates and Proportions, 2003, equation 4.14).

    Examples
    --------
    >>> round(trials_to_tell(0.98, 0.95))
    588
    """
    check_confidence(confidence)
    if first == second:
        return np.inf
    middle = (first + second) / 2
    spread = ndtri((1 + confidence) / 2) * np.sqrt(2 * middle * (1 - middle))
    spread += ndtri(power) * np.sqrt(first * (1 - first) + second * (1 - second))
    return float((spread / (first - second)) ** 2)


def trials_without_failure(proportion_wanted: float, *, confidence: float = 0.95) -> int:
    """Trials without any failure that show at least ``proportion_wanted`` [trials]."""
    check_confidence(confidence)
    return int(np.ceil(np.log1p(-confidence) / np.log(proportion_wanted) - 1e-12))


def cluster_correlation(passed: ArrayLike, tried: ArrayLike) -> float:
    """Correlation of two trials of one cluster, analysis-of-variance estimate, never below 0.

    Parameters
    ----------
    passed, tried : array_like, shape (clusters,)
        Successes and trials of each cluster.

    Returns
    -------
    float
        0 where clusters or trials are too few to tell.

    References
    ----------
    M. S. Ridout, C. G. B. Demetrio and D. Firth, Biometrics 55, 137-148, 1999, section 2.
    """
    hits, total = np.asarray(passed, float), np.asarray(tried, float)
    hits, total = hits[total > 0], total[total > 0]
    clusters, trials = len(total), total.sum()
    if clusters < 2 or trials <= clusters:
        return 0.0
    share = hits / total
    between = (total * (share - hits.sum() / trials) ** 2).sum() / (clusters - 1)
    within = (total * share * (1 - share)).sum() / (trials - clusters)
    size = (trials - (total**2).sum() / trials) / (clusters - 1)
    spread = between + (size - 1) * within
    return float(np.clip((between - within) / spread, 0, 1)) if spread > 0 else 0.0


def design_effect(tried: ArrayLike, correlation: float) -> float:
    """Factor by which clusters of sizes ``tried`` inflate a proportion's variance.

    ``1 + (sum of squares / sum - 1) * correlation`` (Kish, Survey Sampling, 1965, equation 8.2.1
    for clusters of unequal size).
    """
    total = np.asarray(tried, float)
    if total.sum() == 0:
        return 1.0
    return float(1 + ((total**2).sum() / total.sum() - 1) * correlation)
