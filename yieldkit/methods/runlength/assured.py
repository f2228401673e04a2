"""Limits that keep the false-alarm rate although the baseline is estimated from few data.

With an estimated baseline the run length is itself uncertain: of many crews with the same number of
baseline values, some have charts that alarm far more often than asked. An assured limit gives a
mean run length at or above the asked one in, say, 90 % of crews; its price is a longer delay.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq
from scipy.special import gammaincinv, ndtri

from yieldkit.methods.runlength.lattice import Steps, least_limit, mean_run_length
from yieldkit.methods.runlength.normal import cusum_limit, cusum_mean_run_length

Array = NDArray[np.float64]


def assured_cusum_limit(
    mean_run_length: float, baseline: int, *, reference: float = 0.5, assurance: float = 0.9
) -> float:
    """Limit of an upper normal CUSUM whose mean is estimated from ``baseline`` values.

    The standard deviation is known. The limit is the one that is right when the true mean lies
    above the estimate by as much as it does in one crew in ten (``assurance`` 0.9).

    References
    ----------
    A. Gandy and J. T. Kvaloy, Scand. J. Statist. 40, 647-668, 2013 (guaranteed conditional
    performance); with one unknown parameter and a run length that falls with it, its quantile gives
    the answer exactly.
    """
    worst = float(ndtri(assurance)) / np.sqrt(baseline)

    def off(limit: float) -> float:
        found = cusum_mean_run_length(limit, reference=reference, shift=worst)
        return float(np.log(found / mean_run_length))

    return _root(off, cusum_limit(mean_run_length, reference=reference) - 1e-9)


def _root(off: Callable[[float], float], least: float) -> float:
    """Root of a rising function above ``least``, reached from below.

    Far beyond the root the chances lie below what a computer can hold.
    """
    most = least + 1.0
    while off(most) < 0:
        least, most = most, most * 1.2
    return float(brentq(off, least, most, xtol=1e-6))


@dataclass(frozen=True)
class ExponentialChart:
    """Upper CUSUM of losses over their baseline mean, less ``reference``; see ``mean``."""

    reference: float
    limit: float

    def mean(self, ratio: float = 1.0, *, cells: int = 200) -> float:
        """Mean run length when the true mean is ``ratio`` times the one estimated [points].

        Exponential losses; the sum is carried on a lattice of ``cells`` cells (0.5 % at worst).
        """
        width = self.limit / cells
        # A step of k cells covers sums from k - 1/2 to k + 1/2 cells.
        size = np.arange(-cells - 1, cells + 1)
        edge = np.append(size - 0.5, size[-1] + 0.5) * width + self.reference
        below = -np.expm1(-np.maximum(edge, 0.0) / ratio)
        chance = np.diff(below)
        chance[0] += below[0]
        steps = Steps.of(np.append(size, 2 * cells), np.append(chance, 1 - below[-1]))
        return mean_run_length(steps, cells)


def exponential_reference(rise: float) -> float:
    """Reference value of the likelihood-ratio CUSUM for a mean that grows ``rise`` times.

    G. Lorden, Ann. Math. Stat. 42, 1897-1908, 1971: the best score for a known rise is the log
    likelihood ratio; for exponential losses x / mean less rise ln(rise) / (rise - 1).
    """
    return float(rise * np.log(rise) / (rise - 1))


def exponential_limit(
    mean_run_length: float,
    *,
    rise: float = 1.5,
    baseline: int | None = None,
    assurance: float = 0.9,
) -> ExponentialChart:
    """CUSUM of exponential losses; with ``baseline`` values, limit assured (else mean known).

    The mean of ``baseline`` losses is gamma distributed, so the worst of one crew in ten is exact.
    """
    reference = exponential_reference(rise)
    worst = 1.0
    if baseline is not None:
        worst = 1 / (float(gammaincinv(baseline, 1 - assurance)) / baseline)

    def off(limit: float) -> float:
        return float(np.log(ExponentialChart(reference, limit).mean(worst) / mean_run_length))

    return ExponentialChart(reference, _root(off, 0.5))


@dataclass(frozen=True, eq=False)
class BinnedChart:
    """Upper CUSUM of whole-numbered scores of rounded losses.

    Parameters
    ----------
    scores : ndarray of int, shape (bins,)
        Score of each bin [1 / ``per_unit`` of a natural-log unit].
    limit : int
        Signal at or above this sum.
    per_unit : int
        Score units per natural-log unit.
    """

    scores: NDArray[np.int64]
    limit: int
    per_unit: int

    def mean(self, chance: ArrayLike) -> float:
        """Mean run length where the bins truly have these chances [points]."""
        return mean_run_length(Steps.of(self.scores, chance), self.limit)


def rise_scores(mean: float, bins: int, rise: float, *, per_unit: int = 12) -> NDArray[np.int64]:
    """Whole-numbered log likelihood ratios of ``rise`` times the loss, for losses shown in steps.

    Parameters
    ----------
    mean : float
        Mean loss of the baseline [display steps].
    bins : int
        Bins; bin b holds losses that round to b steps, the last one what lies beyond.
    rise : float
        Factor by which every loss grows.
    per_unit : int
        Score units per natural-log unit.

    Notes
    -----
    Exponential losses before and after, as rounded: each score is the logarithm of a bin's chance
    after over its chance before. Other losses make the score less sharp, not wrong: run lengths are
    computed from the losses as they are.
    """
    edges = np.maximum(np.arange(bins) - 0.5, 0.0)
    width = np.append(np.diff(edges), np.inf)

    def log_chance(scale: float) -> Array:
        return -edges / scale + np.log(-np.expm1(-width / scale))

    return np.rint((log_chance(rise * mean) - log_chance(mean)) * per_unit).astype(np.int64)


def stretch(chance: ArrayLike, rise: float) -> Array:
    """Chances of the bins when every loss is ``rise`` times what it was."""
    base = np.asarray(chance, float)
    bins = len(base)
    edges = np.maximum(np.arange(bins + 1) - 0.5, 0.0)
    below = np.concatenate([[0.0], np.cumsum(base)])
    moved = np.interp(edges / rise, edges, below)
    moved[-1] = below[-1]
    return np.diff(moved)


def binned_chart(
    counts: ArrayLike, mean_run_length: float, *, rise: float = 1.5, per_unit: int = 12
) -> BinnedChart:
    """Chart on rounded losses whose baseline ``counts`` are taken as the truth."""
    chance = _smooth(np.asarray(counts, float))
    scores = _own_scores(chance, rise, per_unit)
    return BinnedChart(scores, least_limit(Steps.of(scores, chance), mean_run_length), per_unit)


def assured_binned_chart(
    counts: ArrayLike,
    mean_run_length: float,
    *,
    rng: np.random.Generator,
    rise: float = 1.5,
    assurance: float = 0.9,
    draws: int = 200,
    per_unit: int = 12,
) -> BinnedChart:
    """Chart on rounded losses whose mean run length is at least the one asked, with assurance.

    Parameters
    ----------
    counts : array_like, shape (bins,)
        Baseline losses that rounded to 0, 1, 2, ... steps.
    rng : Generator
        Source of the bootstrap draws.
    draws : int
        Bootstrap draws.

    References
    ----------
    A. Gandy and J. T. Kvaloy, Scand. J. Statist. 40, 647-668, 2013: the limit is raised by the
    wanted quantile of how far a limit set on a resampled baseline falls short on the baseline.
    """
    seen = np.asarray(counts, float)
    chance = _smooth(seen)
    own = binned_chart(seen, mean_run_length, rise=rise, per_unit=per_unit)
    short = np.empty(draws)
    for draw, again in enumerate(rng.multinomial(int(seen.sum()), chance, size=draws)):
        chart = binned_chart(again, mean_run_length, rise=rise, per_unit=per_unit)
        needed = least_limit(Steps.of(chart.scores, chance), mean_run_length, largest=20_000)
        short[draw] = np.log(needed / chart.limit)
    raised = own.limit * np.exp(np.quantile(short, assurance, method="higher"))
    return BinnedChart(own.scores, int(np.ceil(raised - 1e-9)), per_unit)


def _own_scores(chance: Array, rise: float, per_unit: int) -> NDArray[np.int64]:
    # A rounded loss of 0 is a quarter step on average, not 0.
    mean = float(chance @ np.append(0.25, np.arange(1, len(chance))))
    return rise_scores(mean, len(chance), rise, per_unit=per_unit)


def _smooth(counts: Array) -> Array:
    """Chances of the bins, with half a loss spread beyond the highest one seen."""
    total = counts.sum()
    last = int(np.flatnonzero(counts)[-1]) if total else 0
    tail = np.zeros(len(counts))
    beyond = len(counts) - last - 1
    if beyond:
        fade = 0.5 ** np.arange(1, beyond + 1)
        tail[last + 1 :] = 0.5 * fade / fade.sum()
    else:
        tail[last] = 0.5
    return (counts + tail) / (total + 0.5)
