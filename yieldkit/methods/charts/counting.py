"""Charts of failures: shares, rates, and joints between failures, with over-dispersion."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import chdtrc

Array = NDArray[np.float64]
_D2_OF_TWO = 1.128
"""Mean range of two normal values [standard deviations], as printed in tables."""


@dataclass(frozen=True, eq=False)
class CountLimits:
    """Centre and limits of each point of a chart of shares or rates.

    Parameters
    ----------
    centre : float
        Events over all sizes.
    low, high : ndarray, shape (points,)
        Limits at each size; ``low`` at least 0, ``high`` of a share at most 1.
    spread : float
        Standard deviation between points over that of pure chance; 1 where none was looked for.
    outside : ndarray of bool, shape (points,)
        Points outside their limits.
    """

    centre: float
    low: Array
    high: Array
    spread: float
    outside: NDArray[np.bool_]


def share_limits(
    events: ArrayLike,
    sizes: ArrayLike,
    *,
    kind: Literal["share", "rate"] = "share",
    width: float = 3.0,
    spread: bool = False,
) -> CountLimits:
    """Limits of failed shares (p chart) or of events per unit of size (u chart).

    Parameters
    ----------
    events, sizes : array_like, shape (points,)
        Failures and joints (share), or events and size (rate), for example of each week.
    kind : {"share", "rate"}
        Binomial shares, or Poisson rates.
    width : float
        Limits [standard deviations].
    spread : bool
        Whether to let days differ by more than chance (Laney): the limits then widen by the
        average moving range of the standardised points.

    References
    ----------
    D. B. Laney, Quality Engineering 14, 531-537, 2002.
    """
    count, size = np.asarray(events, float), np.asarray(sizes, float)
    if (size <= 0).any():
        raise ValueError("a size is 0 or less; leave such points out")
    centre = count.sum() / size.sum()
    variance = centre * (1 - centre) if kind == "share" else centre
    chance = np.sqrt(variance / size)
    value = count / size
    factor = 1.0
    if spread and len(count) > 1 and variance > 0:
        z = (value - centre) / chance
        factor = float(np.abs(np.diff(z)).mean() / _D2_OF_TWO)
    low = np.maximum(centre - width * factor * chance, 0.0)
    high = centre + width * factor * chance
    if kind == "share":
        high = np.minimum(high, 1.0)
    return CountLimits(float(centre), low, high, factor, (value < low) | (value > high))


@dataclass(frozen=True)
class Dispersion:
    """Whether counts differ by more than chance: ``ratio`` of variances, chi-square, chance."""

    ratio: float
    statistic: float
    chance: float


def dispersion(events: ArrayLike, size: int | None = None) -> Dispersion:
    """Spread of counts against that of pure chance: binomial of ``size``, or Poisson if None.

    References
    ----------
    G. B. Wetherill and D. W. Brown, Statistical Process Control, 1991, pages 212-218.
    """
    count = np.asarray(events, float)
    mean = count.mean()
    usual = mean if size is None else mean * (1 - mean / size)
    ratio = float(count.var(ddof=1) / usual)
    statistic = ratio * (len(count) - 1)
    return Dispersion(ratio, statistic, float(chdtrc(len(count) - 1, statistic)))


@dataclass(frozen=True)
class BetweenLimits:
    """Good joints between two failures: centre (median) and limits."""

    centre: float
    low: float
    high: float


def between_failures_limits(
    mean_between: float, *, width: float | None = 3.0, chance: float = 0.00135
) -> BetweenLimits:
    """Limits of the number of good joints between two failures (g chart).

    Parameters
    ----------
    mean_between : float
        Mean number of good joints between two failures.
    width : float, optional
        Limits [standard deviations]; None for limits each with ``chance`` beyond it.
    chance : float
        Chance beyond each limit where ``width`` is None.

    References
    ----------
    J. C. Benneyan, Health Care Manag. Sci. 4, 305-318, 2001; F. C. Kaminsky et al., J. Qual.
    Technol. 24, 63-69, 1992.
    """
    if mean_between <= 0:
        raise ValueError(f"the mean between failures is {mean_between}, wanted more than 0")
    log_good = np.log(mean_between / (mean_between + 1))

    def at(level: float) -> float:
        # Smallest k with P(K <= k) at or above the level, K geometric from 0.
        return float(np.ceil(np.log1p(-level) / log_good - 1 - 1e-12))

    median = at(0.5)
    if width is None:
        return BetweenLimits(median, max(at(chance), 0.0), at(1 - chance))
    spread = width * np.sqrt(mean_between * (mean_between + 1))
    return BetweenLimits(median, float(max(mean_between - spread, 0)), float(mean_between + spread))
