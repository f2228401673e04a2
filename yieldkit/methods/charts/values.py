"""Charts of single values and of small groups, robust baselines, limits of skewed data."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import gammaln, ndtr

from yieldkit.methods.runlength.rules import RunRule

Array = NDArray[np.float64]
_NORMAL_MAD = 1.4826022185056018
"""Standard deviation over median absolute deviation of a normal value."""


_MEAN_RANGE = 2 / np.sqrt(np.pi)
_MEDIAN_RANGE = 0.9538725524
"""Range of two normal values [standard deviations]; the median is sqrt(2) upper quartiles."""


@dataclass(frozen=True)
class Limits:
    """Centre, limits and the standard deviation that they rest on."""

    centre: float
    low: float
    high: float
    sd: float


@dataclass(frozen=True)
class Constants:
    """Factors of charts of groups of ``n``; the names are the usual ones of textbooks."""

    n: int
    d2: float
    d3: float
    c4: float
    a2: float
    a3: float
    b3: float
    b4: float
    d3_low: float
    d4_high: float


@cache
def chart_constants(n: int) -> Constants:
    """Factors for groups of ``n`` normal values, by numerical integration.

    References
    ----------
    ASTM, Manual on Presentation of Data and Control Chart Analysis (MNL 7), 2010, table 49; range:
    L. H. C. Tippett, Biometrika 17, 364-387, 1925.
    """
    if n < 2:
        raise ValueError(f"groups of {n}: wanted 2 or more")
    fine, coarse = _range_moments(n, 601), _range_moments(n, 301)
    # Halving the step takes the leading error, which goes with its square, out (Richardson).
    d2, square = (float((4 * f - c) / 3) for f, c in zip(fine, coarse, strict=True))
    d3 = float(np.sqrt(square - d2**2))
    c4 = float(np.sqrt(2 / (n - 1)) * np.exp(gammaln(n / 2) - gammaln((n - 1) / 2)))
    wide = 3 * np.sqrt(1 - c4**2) / c4
    return Constants(
        n=n,
        d2=d2,
        d3=d3,
        c4=c4,
        a2=3 / (d2 * np.sqrt(n)),
        a3=3 / (c4 * np.sqrt(n)),
        b3=max(1 - wide, 0.0),
        b4=1 + wide,
        d3_low=max(1 - 3 * d3 / d2, 0.0),
        d4_high=1 + 3 * d3 / d2,
    )


def _range_moments(n: int, points: int) -> tuple[float, float]:
    """Mean and mean square of the range of ``n`` normal values, on a grid."""
    x, step = np.linspace(-9, 9, points, retstep=True)
    below = ndtr(x)
    mean = np.sum(1 - below**n - (1 - below) ** n) * step
    # E(R^2) = 2 * integral over y > x of 1 - F(y)^n - (1-F(x))^n + (F(y)-F(x))^n.
    gap = below[:, None] - below[None, :]
    inner = 1 - below[:, None] ** n - (1 - below[None, :]) ** n + np.maximum(gap, 0.0) ** n
    square = 2 * (np.sum(np.tril(inner, -1)) + np.sum(np.diag(inner)) / 2) * step**2
    return float(mean), float(square)


def individuals(
    values: ArrayLike, *, width: float = 3.0, median: bool = False, divisor: float | None = None
) -> Limits:
    """Limits of single values from their moving ranges.

    Parameters
    ----------
    values : array_like, shape (points,)
        In time order.
    width : float
        Limits [standard deviations].
    median : bool
        Whether the median moving range is taken instead of the mean; it minds odd points less.
    divisor : float, optional
        Moving range over standard deviation, if not the exact one (tables print 1.128).

    References
    ----------
    NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2, 2012.
    """
    data = np.asarray(values, float)
    if len(data) < 2:
        raise ValueError("one value has no moving range; wanted 2 or more")
    ranges = np.abs(np.diff(data))
    typical = np.median(ranges) if median else ranges.mean()
    sd = float(typical / (divisor or (_MEDIAN_RANGE if median else _MEAN_RANGE)))
    centre = float(data.mean())
    return Limits(centre, centre - width * sd, centre + width * sd, sd)


def mean_and_spread(groups: ArrayLike) -> tuple[Limits, Limits]:
    """Limits of group means and of group standard deviations, groups of equal size.

    ``groups`` has shape (groups, n). D. C. Montgomery, Introduction to Statistical Quality Control,
    2009, section 6.3.
    """
    data = np.asarray(groups, float)
    known = chart_constants(data.shape[1])
    spread = float(data.std(axis=1, ddof=1).mean())
    centre = float(data.mean())
    means = Limits(
        centre, centre - known.a3 * spread, centre + known.a3 * spread, spread / known.c4
    )
    spreads = Limits(spread, known.b3 * spread, known.b4 * spread, spread / known.c4)
    return means, spreads


@dataclass(frozen=True, eq=False)
class Baseline:
    """What is usual (phase 1), and the points that were left out of it.

    Parameters
    ----------
    centre, sd : float
        Of the points kept.
    left_out : ndarray of int
        Places of the points left out, to be looked at one by one.
    n : int
        Points kept.
    """

    centre: float
    sd: float
    left_out: NDArray[np.int64]
    n: int


def phase_one(values: ArrayLike, *, width: float = 3.5) -> Baseline:
    """Usual level and spread of past values, odd points left out and listed.

    Points more than ``width`` robust standard deviations (median, median absolute deviation) off
    are left out; the spread of the rest is corrected for the tails cut off.

    References
    ----------
    F. R. Hampel, J. Amer. Stat. Assoc. 69, 383-393, 1974.
    """
    data = np.asarray(values, float)
    if len(data) < 3:
        raise ValueError(f"{len(data)} values make no baseline; wanted 3 or more")
    middle = np.median(data)
    spread = _NORMAL_MAD * np.median(np.abs(data - middle))
    if spread == 0:  # more than half the values are equal, as rounded ones may be
        spread = data.std()
    kept = np.abs(data - middle) <= width * spread if spread else np.ones(len(data), bool)
    density = np.exp(-(width**2) / 2) / np.sqrt(2 * np.pi)
    cut = 1 - 2 * width * density / (2 * ndtr(width) - 1)
    sd = float(data[kept].std(ddof=1) / np.sqrt(cut))
    return Baseline(float(data[kept].mean()), sd, np.flatnonzero(~kept), int(kept.sum()))


def skewed_limits(values: ArrayLike, *, beyond: float = 0.00135) -> tuple[float, float]:
    """Limits of single skewed values, each with chance ``beyond`` outside, from a fitted gamma law.

    Losses are skewed, so limits at three standard deviations alarm far too often on the upper side.
    Fit by the closed form of Z.-S. Ye and N. Chen, Amer. Stat. 71, 177-181, 2017; zeros count as
    half of the least value above 0.
    """
    from scipy.special import gammaincinv

    data = np.asarray(values, float)
    if (data < 0).any() or not (data > 0).any():
        raise ValueError("wanted losses of 0 or more, and some above 0")
    data = np.where(data == 0, data[data > 0].min() / 2, data)
    logs = np.log(data)
    scale = float((data * logs).mean() - data.mean() * logs.mean())
    if scale <= 0:
        return float(data.min()), float(data.max())
    shape = float(data.mean()) / scale
    ends = gammaincinv(shape, np.array([beyond, 1 - beyond])) * scale
    return float(ends[0]), float(ends[1])


def run_rule_signals(values: ArrayLike, rule: RunRule) -> NDArray[np.bool_]:
    """Points at which a run rule signals, of standardised values in time order."""
    data = np.asarray(values, float)
    out = np.zeros(len(data), bool)
    for side in (data, -data):
        beyond = side >= rule.beyond if rule.beyond else side > 0
        hits = np.convolve(beyond, np.ones(rule.points, int))[: len(data)]
        out |= hits >= rule.hits
    return out
