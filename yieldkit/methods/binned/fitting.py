"""Greatest likelihood on counts per interval, all groups at once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from yieldkit.methods.binned.counts import Counts, Floats
from yieldkit.methods.binned.families import Family

_TINY = 1e-300
ROUGH = 2e-4
"""Twice the gain of log-likelihood still expected at which a rough fit stops."""


@dataclass(frozen=True, eq=False)
class Fit:
    """One family fitted to each group.

    Parameters
    ----------
    family : Family
        The family.
    counts : Counts
        What it was fitted to.
    w : array, shape (groups, parameters)
        Working parameters; NaN where ``known`` is false.
    loglik : array, shape (groups,)
        Log-likelihood: sum of count times log probability of the interval.
    covariance : array, shape (groups, free, free)
        Of the working parameters, from the observed information.
    known : array of bool, shape (groups,)
        Whether the data settle the parameters: more distinct intervals than parameters, and the
        search came to rest at a maximum.
    """

    family: Family
    counts: Counts
    w: Floats
    loglik: Floats
    covariance: Floats
    known: NDArray[np.bool_]

    @property
    def parameters(self) -> dict[str, Floats]:
        """Natural parameters by name, each of shape (groups,)."""
        return dict(zip(self.family.parameters, self.family.natural(self.w).T, strict=True))

    @property
    def aic(self) -> Floats:
        """Akaike's criterion, -2 log-likelihood + 2 parameters, shape (groups,)."""
        return -2 * self.loglik + 2 * self.family.free

    def mean(self) -> Floats:
        """Mean of each group."""
        return self.family.mean(self.w)

    def quantile(self, share: float) -> Floats:
        """Value that ``share`` of all stay below, for each group."""
        return self.family.quantile(self.w, share)

    def share_over(self, limit: float) -> Floats:
        """Share of all values above ``limit``, for each group."""
        return self.family.ends(self.w, np.full(len(self.w), float(limit)))[1]

    def probabilities(self) -> Floats:
        """Probability of each row's interval, given that it is in the data, shape (rows,)."""
        return _row_probabilities(self.family, self.w, self.counts)[0]


def fit(counts: Counts, family: Family, *, start: Floats | None = None, rough: bool = False) -> Fit:
    """Fit a family to each group by maximum likelihood.

    Scoring steps with the empirical information (Berndt, Hall, Hall and Hausman, Ann. Econ. Soc.
    Meas. 3, 653-665, 1974), then Newton steps whose second derivatives are differences of the
    analytic slopes.

    Parameters
    ----------
    counts : Counts
        Counts per interval.
    family : Family
        What to fit.
    start : array, shape (groups, parameters), optional
        Working parameters to try first beside the family's own; NaN where there are none.
    rough : bool
        Whether a log-likelihood within 1e-4 of the greatest is near enough, and no covariance
        wanted: for refits by the hundred.

    Returns
    -------
    Fit
        With NaN for groups whose data do not settle the parameters.
    """
    able = counts.distinct > family.free
    if family.positive:
        able &= _all_reach_above_zero(counts)
    if able.all():
        return _fit(counts, family, start, rough)
    inside = np.flatnonzero(able)
    part = _fit(counts.only(inside), family, None if start is None else start[inside], rough)
    free, groups = family.free, counts.groups
    w = np.full((groups, part.w.shape[1]), np.nan)
    loglik, covariance = np.full(groups, np.nan), np.full((groups, free, free), np.nan)
    known = np.zeros(groups, bool)
    w[inside], loglik[inside] = part.w, part.loglik
    covariance[inside], known[inside] = part.covariance, part.known
    return Fit(family, counts, w, loglik, covariance, known)


def _all_reach_above_zero(counts: Counts) -> NDArray[np.bool_]:
    return counts.sum(((counts.high <= 0) & (counts.count > 0)).astype(float)) == 0


def _fit(counts: Counts, family: Family, start: Floats | None, rough: bool) -> Fit:
    if counts.groups == 0:
        empty = np.zeros((0, family.free))
        return Fit(
            family,
            counts,
            empty,
            np.zeros(0),
            np.zeros((0, family.free, family.free)),
            empty[:, 0] > 0,
        )
    w = _best_start(counts, family, start)
    w, value, covariance, settled = climb(counts, family, w, rough=rough)
    return Fit(family, counts, w, value, covariance, settled)


def _best_start(counts: Counts, family: Family, given: Floats | None) -> Floats:
    mean, sd = rough_moments(counts, family.positive)
    starts = family.starts(counts, mean, sd)
    best, value = starts[0], log_likelihood(family, starts[0], counts)
    if given is not None:  # what is not free is the data's own
        whole = starts[0].copy()
        known = np.isfinite(given).all(axis=1)
        whole[known, : family.free] = given[known, : family.free]
        starts = [*starts, whole]
    for other in starts[1:]:
        with_other = log_likelihood(family, other, counts)
        better = with_other > value
        best = np.where(better[:, None], other, best)
        value = np.where(better, with_other, value)
    return best


def rough_moments(counts: Counts, positive: bool) -> tuple[Floats, Floats]:
    """Mean and standard deviation with each value at its interval's middle, kept off zero."""
    low, high = counts.low, counts.high
    if positive:
        low = np.maximum(low, 0)
    finite = np.isfinite(low) & np.isfinite(high)
    middle = np.where(
        finite,
        (low + np.where(finite, high, low)) / 2,
        np.where(np.isfinite(low), 1.2 * low, np.where(np.isfinite(high), high, 0.0)),
    )
    mean = counts.sum(counts.count * middle) / counts.n
    spread = counts.sum(counts.count * (middle - mean[counts.group]) ** 2) / counts.n
    width = np.where(finite, high - np.where(finite, low, 0), 0.0)
    least = counts.sum(counts.count * np.where(finite, width, 0.0)) / counts.n / 4
    sd = np.sqrt(spread) + np.maximum(least, 1e-9) * (spread <= 0)
    return (np.maximum(mean, 1e-6) if positive else mean), np.maximum(sd, 1e-6)


def climb(
    counts: Counts, family: Family, w: Floats, *, steps: int = 60, rough: bool = False
) -> tuple[Floats, Floats, Floats, NDArray[np.bool_]]:
    """Climb from ``w`` to the maximum; returns w, log-likelihood, covariance, whether settled.

    A group leaves the work when it has settled, or when three steps in a row gain nothing, as on
    the way to a bound.
    """
    w, value = w.copy(), log_likelihood(family, w, counts)
    covariance = np.full((counts.groups, family.free, family.free), np.nan)
    settled, idle = np.zeros(counts.groups, bool), np.zeros(counts.groups, int)
    open_, part = np.arange(counts.groups), counts
    for step in range(steps):
        _, slope, information = score(family, w[open_], part)
        gain = _gain(information, slope)
        near = (gain < 1e-2) & (not rough) | (step > 12)
        use, sure = information, np.zeros(len(open_), bool)
        if near.any():
            newton = -curvature(family, w[open_], part)
            sure = near & _positive_definite(newton)
            use = np.where(sure[:, None, None], newton, information)
        move = _solve(use, slope)
        done = sure & (np.einsum("gi,gi->g", slope, move) < 1e-10)
        if rough:
            done |= gain < ROUGH
        before = value[open_]
        w[open_], value[open_] = _advance(part, family, w[open_], before, move)
        if not rough:
            covariance[open_[done]] = np.linalg.inv(use[done])
        settled[open_[done]] = True
        still = value[open_] - before <= 1e-10 * np.abs(before)
        idle[open_] = np.where(still, idle[open_] + 1, 0)
        left = ~done & (idle[open_] < 3)
        if not left.any():
            break
        if left.sum() < 0.7 * len(left):
            open_ = open_[left]
            part = counts.only(open_)
    return w, value, covariance, settled


def _gain(information: Floats, slope: Floats) -> Floats:
    return np.einsum("gi,gi->g", slope, _solve(information, slope))


def _solve(matrix: Floats, vector: Floats) -> Floats:
    scale = np.sqrt(np.maximum(np.einsum("gii->gi", matrix), _TINY))
    scaled = matrix / scale[:, :, None] / scale[:, None, :]
    scaled = scaled + 1e-12 * np.eye(matrix.shape[1])
    return np.linalg.solve(scaled, (vector / scale)[..., None])[..., 0] / scale


def _positive_definite(matrix: Floats) -> NDArray[np.bool_]:
    sound = np.isfinite(matrix).all(axis=(1, 2))
    least = np.full(len(matrix), -1.0)
    diagonal = np.sqrt(np.maximum(np.einsum("gii->gi", matrix), _TINY))
    scaled = matrix / diagonal[:, :, None] / diagonal[:, None, :]
    sound &= np.isfinite(scaled).all(axis=(1, 2))
    if sound.any():
        least[sound] = np.linalg.eigvalsh(scaled[sound])[:, 0]
    return least > 1e-9


def _advance(
    counts: Counts, family: Family, w: Floats, value: Floats, move: Floats
) -> tuple[Floats, Floats]:
    """Move each group uphill, halving its step until its log-likelihood does not fall."""
    free = family.free
    longest = np.abs(move).max(axis=1)
    move = move * np.minimum(1.0, 2.0 / np.maximum(longest, _TINY))[:, None]
    share = np.ones(len(w))
    for _ in range(30):
        tried = w.copy()
        tried[:, :free] += share[:, None] * move
        found = log_likelihood(family, tried, counts)
        bad = ~(found >= value - 1e-12 * np.abs(value))
        if not bad.any():
            return tried, found
        share = np.where(bad, share / 2, share)
    tried[bad], found[bad] = w[bad], value[bad]
    return tried, found


def log_likelihood(family: Family, w: Floats, counts: Counts) -> Floats:
    """Log-likelihood of each group at working parameters ``w``."""
    chance, _ = _row_probabilities(family, w, counts, slopes=False)
    return counts.sum(counts.count * np.log(np.maximum(chance, _TINY)))


def score(family: Family, w: Floats, counts: Counts) -> tuple[Floats, Floats, Floats]:
    """Log-likelihood, its slopes, and the empirical information of each group."""
    chance, slopes = _row_probabilities(family, w, counts)
    chance = np.maximum(chance, _TINY)
    by_row = slopes / chance[:, None]
    value = counts.sum(counts.count * np.log(chance))
    free = family.free
    slope = np.stack([counts.sum(counts.count * by_row[:, i]) for i in range(free)], axis=1)
    information = np.empty((counts.groups, free, free))
    for i in range(free):
        for j in range(i + 1):
            information[:, i, j] = counts.sum(counts.count * by_row[:, i] * by_row[:, j])
            information[:, j, i] = information[:, i, j]
    return value, slope, information


def curvature(
    family: Family, w: Floats, counts: Counts, step: float = 1e-5, slope: Floats | None = None
) -> Floats:
    """Second derivatives of the log-likelihood, by differences of its slopes.

    With ``slope``, the slopes at ``w``, differences are one-sided: good enough for the steps of a
    search, at half the work.
    """
    free = family.free
    second = np.empty((len(w), free, free))
    for i in range(free):
        near = w.copy()
        near[:, i] += step
        over = score(family, near, counts)[1]
        if slope is not None:
            second[:, i] = (over - slope) / step
            continue
        near[:, i] -= 2 * step
        second[:, i] = (over - score(family, near, counts)[1]) / (2 * step)
    return (second + second.transpose(0, 2, 1)) / 2


def _row_probabilities(
    family: Family, w: Floats, counts: Counts, *, slopes: bool = True
) -> tuple[Floats, Floats]:
    """Probability of each row's interval and its slopes, given that it lies below the cut."""
    group, x, low, high = counts.edges
    below, above, slope = family.ends(w[group], x)
    upper = above[low] < 0.5
    chance = np.where(upper, above[low] - above[high], below[high] - below[low])
    change = slope[high] - slope[low] if slopes else slope[:0]
    if np.isfinite(counts.cut).any():
        inside, _, inside_slope = family.ends(w, counts.cut)
        inside = np.maximum(inside, _TINY)
        of = counts.group
        if slopes:
            change = (change - (chance / inside[of])[:, None] * inside_slope[of]) / inside[of, None]
        chance = chance / inside[of]
    return chance, change
