"""Intervals from the likelihood itself: all values that the data do not speak against."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from yieldkit.methods.binned.counts import Counts, Floats
from yieldkit.methods.binned.families import Family
from yieldkit.methods.binned.fitting import Fit, curvature, score

Figure = Callable[[Floats], Floats]
"""A figure of interest of working parameters (groups, parameters), shape (groups,)."""

_STEP = 1e-4


@dataclass(frozen=True, eq=False)
class Estimate:
    """A figure of each group with its interval.

    Parameters
    ----------
    value, low, high : array, shape (groups,)
        Estimate and ends of the interval; NaN where the data do not settle it.
    by_likelihood : array of bool, shape (groups,)
        True where the ends are of the likelihood-ratio interval; false where the search for them
        failed and the ends are of the Wald interval on the figure's working scale.
    """

    value: Floats
    low: Floats
    high: Floats
    by_likelihood: NDArray[np.bool_]


def mean_interval(fit: Fit, confidence: float | Floats = 0.95) -> Estimate:
    """Mean and its likelihood-ratio interval."""
    return _on_scale(fit, fit.family.mean, confidence, log=fit.family.positive)


def quantile_interval(fit: Fit, share: float, confidence: float | Floats = 0.95) -> Estimate:
    """Value that ``share`` of all stay below, and its likelihood-ratio interval."""

    def figure(w: Floats) -> Floats:
        return fit.family.quantile(w, share)

    return _on_scale(fit, figure, confidence, log=fit.family.positive)


def share_over_interval(fit: Fit, limit: float, confidence: float | Floats = 0.95) -> Estimate:
    """Share above ``limit`` and its likelihood-ratio interval."""

    def figure(w: Floats) -> Floats:
        below, above, _ = fit.family.ends(w, np.full(len(w), float(limit)))
        return np.log(np.maximum(above, 1e-300)) - np.log(np.maximum(below, 1e-300))

    found = profile(fit, figure, confidence)
    return Estimate(
        special.expit(found.value),
        special.expit(found.low),
        special.expit(found.high),
        found.by_likelihood,
    )


def _on_scale(fit: Fit, figure: Figure, confidence: float | Floats, *, log: bool) -> Estimate:
    if not log:
        return profile(fit, figure, confidence)
    found = profile(fit, lambda w: np.log(figure(w)), confidence)
    return Estimate(np.exp(found.value), np.exp(found.low), np.exp(found.high), found.by_likelihood)


def profile(fit: Fit, figure: Figure, confidence: float | Floats = 0.95) -> Estimate:
    """Likelihood-ratio interval of any smooth figure of the parameters.

    At an end of the interval the figure's slope is along the log-likelihood's, and that lies half
    a chi-square quantile under its maximum (D. J. Venzon and S. H. Moolgavkar, Appl. Stat. 37,
    87-94, 1988). Both conditions are solved by Newton's method from the Wald ends, for all groups
    at once.

    Parameters
    ----------
    fit : Fit
        The fit.
    figure : callable
        Takes working parameters (groups, parameters), gives (groups,), best near linear.
    confidence : float or array, shape (groups,)
        Coverage wanted [fraction].

    Returns
    -------
    Estimate
        On the scale of ``figure``.

    Raises
    ------
    ValueError
        If the family has bounds or parts for which the chi-square law does not hold.
    """
    if not fit.family.regular:
        raise ValueError(
            f"the chi-square law does not hold for {fit.family.name}; use bootstrap_interval"
        )
    groups = len(fit.w)
    value, low, high = (np.full(groups, np.nan) for _ in range(3))
    sound = np.zeros(groups, bool)
    inside = np.flatnonzero(fit.known)
    if len(inside):
        part = _part(fit, inside)
        wanted = np.broadcast_to(confidence, (groups,))[inside]
        value[inside] = figure(part.w)
        low[inside], good_low = _end(part, figure, wanted, -1.0)
        high[inside], good_high = _end(part, figure, wanted, 1.0)
        sound[inside] = good_low & good_high
    return Estimate(value, low, high, sound)


def cautious(confidence: float, n: Floats, free: int) -> Floats:
    """Confidence to ask of the likelihood so that few values keep the wanted one, shape (groups,).

    The chi-square law is an asymptotic one. For a normal mean the exact cut of twice the
    log-likelihood is n log(1 + t^2 / (n - k)) with t of Student's law; it is used for all families.

    Parameters
    ----------
    confidence : float
        Coverage wanted [fraction].
    n : array, shape (groups,)
        Values of each group.
    free : int
        Parameters fitted, k.
    """
    left = np.maximum(n - free, 1.0)
    t = special.stdtrit(left, (1 + confidence) / 2)
    return 2 * special.ndtr(np.sqrt(np.maximum(n, 1) * np.log1p(t**2 / left))) - 1


def _part(fit: Fit, inside: NDArray[np.int64]) -> Fit:
    if len(inside) == len(fit.w):
        return fit
    return Fit(
        fit.family,
        fit.counts.only(inside),
        fit.w[inside],
        fit.loglik[inside],
        fit.covariance[inside],
        fit.known[inside],
    )


def _slope_of(figure: Figure, w: Floats, free: int) -> Floats:
    slope = np.empty((len(w), free))
    for i in range(free):
        up, down = w.copy(), w.copy()
        up[:, i] += _STEP
        down[:, i] -= _STEP
        slope[:, i] = (figure(up) - figure(down)) / (2 * _STEP)
    return slope


def wald_sd(fit: Fit, figure: Figure) -> Floats:
    """Standard deviation of a figure by the delta method, shape (groups,)."""
    slope = _slope_of(figure, fit.w, fit.family.free)
    along = np.einsum("gij,gj->gi", fit.covariance, slope)
    return np.sqrt(np.maximum(np.einsum("gi,gi->g", slope, along), 0.0))


def _end(
    fit: Fit, figure: Figure, confidence: float | Floats, side: float
) -> tuple[Floats, NDArray[np.bool_]]:
    """One end of the interval; where the search fails, the Wald end and false."""
    free, drop = fit.family.free, special.chdtri(1, 1 - confidence) / 2
    slope = _slope_of(figure, fit.w, free)
    along = np.einsum("gij,gj->gi", fit.covariance, slope)
    sd = np.sqrt(np.maximum(np.einsum("gi,gi->g", slope, along), 1e-30))
    reach = np.sqrt(2 * drop) / sd
    wald = figure(fit.w) + side * np.sqrt(2 * drop) * sd
    w = fit.w.copy()
    w[:, :free] += side * reach[:, None] * along
    pull = side * reach  # log-likelihood + pull * figure is at rest at the end
    with np.errstate(all="ignore"):
        w, done = _solve_end(fit, figure, w, pull, fit.loglik - drop)
    beyond = (figure(w) - figure(fit.w)) * side > 0
    done &= beyond
    return np.where(done, figure(w), wald), done


def _solve_end(
    fit: Fit, figure: Figure, w: Floats, pull: Floats, target: Floats
) -> tuple[Floats, NDArray[np.bool_]]:
    """Newton's method on both conditions; groups that are done leave the work."""
    counts, open_ = fit.counts, np.arange(len(w))
    scale = np.sqrt(np.maximum(np.einsum("gii->gi", fit.covariance), 1e-30))
    found, pull, done = w.copy(), pull.copy(), np.zeros(len(w), bool)
    for _ in range(40):
        here = found[open_]
        step, settled = _step_to_end(
            fit.family, counts, figure, here, pull[open_], target[open_], scale[open_]
        )
        done[open_[settled]] = True
        found[open_, : fit.family.free] += step[:, :-1]
        pull[open_] += step[:, -1]
        left = ~settled
        if not left.any():
            break
        if left.sum() < 0.7 * len(left):
            open_ = open_[left]
            counts = fit.counts.only(open_)
    return found, done


def _step_to_end(
    family: Family,
    counts: Counts,
    figure: Figure,
    w: Floats,
    pull: Floats,
    target: Floats,
    scale: Floats,
) -> tuple[Floats, NDArray[np.bool_]]:
    """Step of the parameters and of ``pull``, and which groups need none."""
    free = family.free
    value, slope, _ = score(family, w, counts)
    direction = _slope_of(figure, w, free)
    rest = slope + pull[:, None] * direction
    miss = value - target
    settled = (np.abs(miss) < 1e-8) & (np.abs(rest * scale) < 1e-6).all(axis=1)
    step = np.zeros((len(w), free + 1))
    if settled.all():
        return step, settled
    matrix = np.zeros((len(w), free + 1, free + 1))
    bend = _bend_of(figure, w, free)
    matrix[:, :free, :free] = curvature(family, w, counts) + pull[:, None, None] * bend
    matrix[:, :free, free], matrix[:, free, :free] = direction, slope
    step = _solved(matrix, -np.concatenate([rest, miss[:, None]], axis=1))
    step[settled] = 0
    longest = np.abs(step[:, :free] / (3 * scale)).max(axis=1)
    return step / np.maximum(1.0, longest)[:, None], settled


def _solved(matrix: Floats, right: Floats) -> Floats:
    sound = np.asarray(np.isfinite(matrix).all(axis=(1, 2)) & np.isfinite(right).all(axis=1))
    safe = np.where(sound[:, None, None], matrix, np.eye(matrix.shape[1]))
    with_ridge = safe + 1e-14 * np.eye(matrix.shape[1])
    move = np.linalg.solve(with_ridge, np.where(sound[:, None], right, 0.0)[..., None])[..., 0]
    return np.where(np.isfinite(move), move, 0.0)


def _bend_of(figure: Figure, w: Floats, free: int) -> Floats:
    bend = np.empty((len(w), free, free))
    for i in range(free):
        up, down = w.copy(), w.copy()
        up[:, i] += 10 * _STEP
        down[:, i] -= 10 * _STEP
        change = _slope_of(figure, up, free) - _slope_of(figure, down, free)
        bend[:, i] = change / (20 * _STEP)
    return (bend + bend.transpose(0, 2, 1)) / 2
