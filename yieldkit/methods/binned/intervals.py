"""Intervals from the likelihood itself: all values that the data do not speak against."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import special

from yieldkit.methods.binned.counts import Floats, Whole
from yieldkit.methods.binned.fitting import Fit, curvature, score

Figure = Callable[[Floats], Floats]
"""A figure of interest of working parameters (groups, parameters), shape (groups,)."""

_OfRows = Callable[[Floats, Whole], Floats]
"""The same where each group asks for a figure of its own; also takes the groups' places."""

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

    def parts(self, many: int) -> list[Estimate]:
        """Estimates of ``many`` figures of the same groups, which lie here one after another."""
        ends = (self.value, self.low, self.high, self.by_likelihood)
        return [
            Estimate(*part) for part in zip(*(np.split(end, many) for end in ends), strict=True)
        ]


def mean_interval(fit: Fit, confidence: float | Floats = 0.95) -> Estimate:
    """Mean and its likelihood-ratio interval."""
    return figure_intervals(fit, [None], confidence)[0]


def quantile_interval(fit: Fit, share: float, confidence: float | Floats = 0.95) -> Estimate:
    """Value that ``share`` of all stay below, and its likelihood-ratio interval."""
    return figure_intervals(fit, [share], confidence)[0]


def figure_intervals(
    fit: Fit, shares: Sequence[float | None], confidence: float | Floats = 0.95
) -> list[Estimate]:
    """Several figures of each group, each with its likelihood-ratio interval, in one search.

    Parameters
    ----------
    fit : Fit
        The fit.
    shares : sequence of float or None
        A share asks for the value that so many stay below, None for the mean.
    confidence : float or array, shape (groups,)
        Coverage wanted [fraction].

    Returns
    -------
    list of Estimate
        One for each of ``shares``.
    """
    groups, many = len(fit.w), len(shares)
    tiled = _part(fit, np.tile(np.arange(groups), many))
    is_mean = np.repeat([share is None for share in shares], groups)
    share_of = np.repeat([0.5 if share is None else share for share in shares], groups)
    family, positive = fit.family, fit.family.positive

    def figure(w: Floats, rows: Whole) -> Floats:
        asked = is_mean[rows]
        if asked.all():
            found = family.mean(w)
        else:
            found = family.quantile(w, share_of[rows])
            if asked.any():
                found = np.where(asked, family.mean(w), found)
        return np.log(found) if positive else found

    wanted = np.tile(np.broadcast_to(confidence, (groups,)), many)
    found = _profile(tiled, figure, wanted)
    if positive:
        with np.errstate(over="ignore"):  # a Wald end may lie beyond all numbers
            value, low, high = np.exp([found.value, found.low, found.high])
        found = Estimate(value, low, high, found.by_likelihood)
    return found.parts(many)


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
    return _profile(fit, lambda w, _: figure(w), confidence)


def _profile(fit: Fit, figure: _OfRows, confidence: float | Floats) -> Estimate:
    if not fit.family.regular:
        raise ValueError(f"the chi-square law does not hold for {fit.family.name}; use redraw")
    groups = len(fit.w)
    value, low, high = (np.full(groups, np.nan) for _ in range(3))
    sound = np.zeros(groups, bool)
    inside = np.flatnonzero(fit.known)
    if len(inside):
        both = np.tile(inside, 2)
        wanted = np.broadcast_to(confidence, (groups,))[both]
        side = np.repeat([-1.0, 1.0], len(inside))
        ends, good = _ends(_part(fit, both), figure, both, wanted, side)
        value[inside] = figure(fit.w[inside], inside)
        low[inside], high[inside] = np.split(ends, 2)
        sound[inside] = np.logical_and(*np.split(good, 2))
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


def _part(fit: Fit, inside: Whole) -> Fit:
    return Fit(
        fit.family,
        fit.counts.only(inside),
        fit.w[inside],
        fit.loglik[inside],
        fit.covariance[inside],
        fit.known[inside],
    )


def _slope_of(figure: _OfRows, w: Floats, rows: Whole, free: int) -> Floats:
    slope = np.empty((len(w), free))
    for i in range(free):
        up, down = w.copy(), w.copy()
        up[:, i] += _STEP
        down[:, i] -= _STEP
        slope[:, i] = (figure(up, rows) - figure(down, rows)) / (2 * _STEP)
    return slope


def wald_sd(fit: Fit, figure: Figure) -> Floats:
    """Standard deviation of a figure by the delta method, shape (groups,)."""
    slope = _slope_of(lambda w, _: figure(w), fit.w, np.arange(len(fit.w)), fit.family.free)
    along = np.einsum("gij,gj->gi", fit.covariance, slope)
    return np.sqrt(np.maximum(np.einsum("gi,gi->g", slope, along), 0.0))


def _ends(
    fit: Fit, figure: _OfRows, rows: Whole, confidence: Floats, side: Floats
) -> tuple[Floats, NDArray[np.bool_]]:
    """End of the interval on each group's side; where the search fails, the Wald end and false."""
    free, drop = fit.family.free, special.chdtri(1, 1 - confidence) / 2
    slope = _slope_of(figure, fit.w, rows, free)
    along = np.einsum("gij,gj->gi", fit.covariance, slope)
    sd = np.sqrt(np.maximum(np.einsum("gi,gi->g", slope, along), 1e-30))
    reach = np.sqrt(2 * drop) / sd
    best = figure(fit.w, rows)
    wald = best + side * np.sqrt(2 * drop) * sd
    w = fit.w.copy()
    w[:, :free] += (side * reach)[:, None] * along
    pull = side * reach  # log-likelihood + pull * figure is at rest at the end
    with np.errstate(all="ignore"):
        w, done = _solve_ends(fit, figure, rows, w, pull, fit.loglik - drop)
        found = figure(w, rows)
        done &= (found - best) * side > 0
    return np.where(done, found, wald), done


def _solve_ends(
    fit: Fit, figure: _OfRows, rows: Whole, w: Floats, pull: Floats, target: Floats
) -> tuple[Floats, NDArray[np.bool_]]:
    """Newton's method on both conditions; groups that are done leave the work."""
    counts, open_ = fit.counts, np.arange(len(w))
    scale = np.sqrt(np.maximum(np.einsum("gii->gi", fit.covariance), 1e-30))
    found, pull, done = w.copy(), pull.copy(), np.zeros(len(w), bool)
    for _ in range(40):
        part = replace(fit, counts=counts, w=found[open_])
        step, settled = _step_to_end(
            part, figure, rows[open_], pull[open_], target[open_], scale[open_]
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
    part: Fit, figure: _OfRows, rows: Whole, pull: Floats, target: Floats, scale: Floats
) -> tuple[Floats, NDArray[np.bool_]]:
    """Step of the parameters and of ``pull``, and which groups need none."""
    family, w, counts = part.family, part.w, part.counts
    free = family.free
    value, slope, _ = score(family, w, counts)
    direction = _slope_of(figure, w, rows, free)
    rest = slope + pull[:, None] * direction
    miss = value - target
    settled = (np.abs(miss) < 1e-8) & (np.abs(rest * scale) < 1e-6).all(axis=1)
    step = np.zeros((len(w), free + 1))
    if settled.all():
        return step, settled
    matrix = np.zeros((len(w), free + 1, free + 1))
    bend = _bend_of(figure, w, rows, free)
    matrix[:, :free, :free] = curvature(family, w, counts, slope=slope) + pull[:, None, None] * bend
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


def _bend_of(figure: _OfRows, w: Floats, rows: Whole, free: int) -> Floats:
    bend = np.empty((len(w), free, free))
    for i in range(free):
        up, down = w.copy(), w.copy()
        up[:, i] += 10 * _STEP
        down[:, i] -= 10 * _STEP
        change = _slope_of(figure, up, rows, free) - _slope_of(figure, down, rows, free)
        bend[:, i] = change / (20 * _STEP)
    return (bend + bend.transpose(0, 2, 1)) / 2
