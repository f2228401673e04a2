"""Tolerance bounds: at least a share of all below a value, with a stated confidence."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, log

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from yieldkit.methods.binned.counts import Counts, Floats


@dataclass(frozen=True)
class Bound:
    """A tolerance bound of one group.

    Parameters
    ----------
    value : float
        The bound; NaN where the sample is too small.
    rank : int
        Which of the sorted values it is; 0 where the sample is too small.
    needed : int
        Least sample size for a distribution-free bound.
    """

    value: float
    rank: int
    needed: int


def least_sample(share: float, confidence: float = 0.95) -> int:
    """Least sample whose greatest value bounds ``share`` of all with ``confidence``.

    99 for 97 % and 299 for 99 % at 95 % confidence (S. S. Wilks, Ann. Math. Stat. 12, 91-96, 1941).
    """
    return ceil(log(1 - confidence) / log(share) - 1e-12)


def upper_rank(n: ArrayLike, share: float, confidence: float = 0.95) -> np.ndarray:
    """Rank of the sorted value that bounds ``share`` of all from above; 0 if n is too small."""
    many = np.asarray(n, int)
    rank = _binomial_quantile(confidence, np.maximum(many, 1), share) + 1
    return np.where((rank <= many) & (many > 0), rank, 0)


def lower_rank(n: ArrayLike, share: float, confidence: float = 0.95) -> np.ndarray:
    """Rank of the sorted value that lies below the ``share`` quantile; 0 if n is too small."""
    many = np.asarray(n, int)
    rank = _binomial_quantile(1 - confidence, np.maximum(many, 1), share)
    below = special.bdtr(np.maximum(rank - 1, 0), np.maximum(many, 1), share) * (rank > 0)
    rank = np.where(below > 1 - confidence, rank - 1, rank)
    return np.where((rank >= 1) & (many > 0), rank, 0)


def distribution_free_upper(counts: Counts, share: float, confidence: float = 0.95) -> list[Bound]:
    """Distribution-free upper tolerance bound of each group, from values known as intervals.

    The bound is the upper end of the interval that holds the sorted value of ``upper_rank``: it
    holds whatever the distribution, the rounding included.
    """
    ranks, needed = upper_rank(counts.n, share, confidence), least_sample(share, confidence)
    value = sorted_end(counts, ranks, upper=True)
    return [Bound(float(end), int(rank), needed) for end, rank in zip(value, ranks, strict=True)]


def sorted_end(counts: Counts, ranks: ArrayLike, *, upper: bool) -> Floats:
    """End of the interval of each group's sorted value with a rank (1 is the least); NaN for 0."""
    wanted = np.asarray(ranks)
    ends = counts.high if upper else counts.low
    found = np.full(counts.groups, np.nan)
    for group in np.flatnonzero(wanted > 0):
        rows = slice(*np.searchsorted(counts.group, [group, group + 1]))
        order = np.argsort(ends[rows], kind="stable")
        reached = np.cumsum(counts.count[rows][order])
        found[group] = ends[rows][order][np.searchsorted(reached, wanted[group] - 1e-9)]
    return found


def sample_mean(counts: Counts, confidence: float = 0.95) -> tuple[Floats, Floats]:
    """Interval of each group's mean without a family, from the middles of the intervals.

    Student's t about a mean shifted for skewness (N. J. Johnson, J. Amer. Stat. Assoc. 73, 536-544,
    1978, doi:10.1080/01621459.1978.10480051).

    Returns
    -------
    low, high : arrays, shape (groups,)
        NaN where a value has no finite interval or fewer than three values are there.
    """
    middle = (counts.low + counts.high) / 2
    usable = counts.sum((~np.isfinite(middle) & (counts.count > 0)).astype(float)) == 0
    middle = np.where(np.isfinite(middle), middle, 0.0)
    n = np.where(counts.n > 2, counts.n, np.nan)
    mean = counts.sum(counts.count * middle) / n
    off = middle - mean[counts.group]
    variance = counts.sum(counts.count * off**2) / (n - 1)
    third = counts.sum(counts.count * off**3) / n
    with np.errstate(invalid="ignore", divide="ignore"):
        shifted = mean + np.where(variance > 0, third / (6 * variance * n), 0.0)
        half = special.stdtrit(n - 1, (1 + confidence) / 2) * np.sqrt(variance / n)
    sound = usable & np.isfinite(half)
    return np.where(sound, shifted - half, np.nan), np.where(sound, shifted + half, np.nan)


def normal_factor(n: ArrayLike, share: float, confidence: float = 0.95) -> np.ndarray:
    """One-sided tolerance factor k of a normal sample: mean + k sd bounds ``share`` of all.

    From the noncentral t distribution (D. B. Owen, Technometrics 10, 445-478, 1968).
    """
    from scipy.stats import nct  # slow to load, and a page needs it never

    many = np.asarray(n, float)
    shift = special.ndtri(share) * np.sqrt(many)
    return nct.ppf(confidence, many - 1, shift) / np.sqrt(many)


def _binomial_quantile(chance: float, tried: np.ndarray, share: float) -> np.ndarray:
    """Smallest count whose binomial chance of as many or fewer reaches ``chance``."""
    count = np.ceil(special.bdtrik(chance, tried, share))
    before = np.maximum(count - 1, 0)
    return np.where(special.bdtr(before, tried, share) >= chance, before, count).astype(int)
