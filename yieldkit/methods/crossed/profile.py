"""Profile intervals of the plain fits: where the likelihood falls by what a normal one would.

A standard deviation's likelihood is far from normal with six units, so its error says little; the
profile also tells where the data allow zero.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import brentq, minimize
from scipy.special import ndtri
from threadpoolctl import threadpool_limits

from yieldkit.methods.crossed.design import Array, Factors
from yieldkit.methods.crossed.gaussian import Criterion, Products, cross_products, fit_gaussian
from yieldkit.methods.crossed.laplace import Outer, fit_laplace
from yieldkit.methods.crossed.problem import Problem
from yieldkit.methods.crossed.quadrature import Marginal, fit_quadrature
from yieldkit.methods.crossed.responses import Counts, Response

Slope = Callable[[Array], tuple[float, Array]]
MOST_DOUBLINGS = 30


def profile_laplace(
    response: Response, x: Array, of: Factors, *, confidence: float = 0.95
) -> tuple[Array, Array]:
    """Ends for the fixed effects, the factors' standard deviations and the scale, if any.

    Parameters
    ----------
    response, x, of
        As for ``fit_laplace``.
    confidence : float
        Coverage wanted [fraction].

    Returns
    -------
    low, high : ndarray, shape (p + K, or one more)
        In that order; ``low`` is 0 where the data allow a standard deviation of zero.

    References
    ----------
    D. Bates, M. Maechler, B. Bolker and S. Walker, J. Stat. Softw. 67(1), 2015, section 5.1; D. J.
    Venzon and S. H. Moolgavkar, Appl. Stat. 37, 87-94, 1988.
    """
    fit = fit_laplace(response, x, of)
    outer = Outer(Problem(response, x, of, False))
    best = np.concatenate([fit.fixed, fit.sd])
    best = best if fit.scale is None else np.append(best, np.log(fit.scale))
    error = np.full(len(best), 0.3)
    error[: len(fit.fixed)] = np.sqrt(np.diag(fit.fixed_covariance))
    places = range(len(fit.fixed), len(fit.fixed) + len(fit.sd))
    low, high = _ends(outer.value_and_slope, best, error, places, confidence, half=True)
    if fit.scale is not None:
        low[-1], high[-1] = np.exp(low[-1]), np.exp(high[-1])
    return low, high


def profile_quadrature(
    counts: Counts, x: Array, of: Factors, *, confidence: float = 0.95, nodes: int = 25
) -> tuple[Array, Array]:
    """Ends for the fixed effects and the one factor's standard deviation; see above.

    The estimate of the deviation is above zero, and so is its lower end.
    """
    fit = fit_quadrature(counts, x, of, nodes=nodes)
    best = np.append(fit.fixed, np.log(fit.sd))
    error = np.sqrt(np.diag(fit.covariance))
    low, high = _ends(Marginal(counts, x, of, nodes), best, error, (), confidence, half=True)
    low[-1], high[-1] = np.exp(low[-1]), np.exp(high[-1])
    return low, high


def profile_gaussian(
    y: ArrayLike, x: Array, of: Factors, *, confidence: float = 0.95
) -> tuple[Array, Array]:
    """Ends for the fixed effects, the factors' standard deviations and the residual's.

    Of the plain likelihood: the restricted one is no likelihood of the fixed effects. See
    ``profile_laplace`` for shapes.
    """
    fit = fit_gaussian(y, x, of, restricted=False)
    made = cross_products(y, x, of)
    p = len(fit.fixed)
    best = np.append(fit.sd, np.log(fit.residual_sd))
    error = np.append(np.full(len(fit.sd), 0.3 * fit.residual_sd), 0.5 / np.sqrt(made.n))
    spreads = _Spreads(Criterion(made, of, False))
    low, high = _ends(spreads, best, error, range(len(fit.sd)), confidence)
    low[-1], high[-1] = np.exp(low[-1]), np.exp(high[-1])
    ends = []
    for at in range(p):
        held = _Held(made, of, at, best)
        middle, width = fit.fixed[at], np.sqrt(fit.fixed_covariance[at, at])
        ends.append(_both(held, middle, held(middle), width, -np.inf, confidence))
    fixed = np.array(ends).reshape(p, 2)
    return np.concatenate([fixed[:, 0], low]), np.concatenate([fixed[:, 1], high])


class _Spreads:
    """Minus twice the log-likelihood of standard deviations and the residual's logarithm."""

    def __init__(self, criterion: Criterion) -> None:
        self.criterion = criterion

    def __call__(self, vector: Array) -> tuple[float, Array]:
        noise, n = np.exp(vector[-1]), self.criterion.free
        ratio = vector[:-1] / noise
        at = self.criterion.solve(ratio)
        whole = at.left / noise**2
        value = at.value + n * (np.log(noise**2) - np.log(at.left / n)) + whole - n
        # The criterion's slope has the noise at its best; here it is given.
        own = self.criterion.by_factor(at.effects**2)
        by_ratio = 2 * (self.criterion.log_slope(at) + own * (n / at.left - 1 / noise**2))
        safe = np.where(vector[:-1] > 0, vector[:-1], np.inf)
        return value, np.append(by_ratio / safe, 2 * n - 2 * whole - by_ratio.sum())


class _Held:
    """Minus twice the log-likelihood with one fixed effect held, all else at its best."""

    def __init__(self, made: Products, of: Factors, at: int, start: Array) -> None:
        self.made, self.of, self.at = made, of, at
        self.start = _lifted(start, range(len(of.names)))
        self.rest = np.delete(np.arange(len(made.xy)), at)

    def __call__(self, value: float) -> float:
        made, at, rest = self.made, self.at, self.rest
        left = replace(
            made,
            yy=made.yy - 2 * value * made.xy[at] + value**2 * made.xx[at, at],
            xy=(made.xy - value * made.xx[:, at])[rest],
            zy=made.zy - value * made.zx[:, at],
            xx=made.xx[np.ix_(rest, rest)],
            zx=made.zx[:, rest],
        )
        spreads = _Spreads(Criterion(left, self.of, False))
        return _least(spreads, self.start, range(len(self.of.names)))


def _ends(
    slope: Slope,
    best: Array,
    error: Array,
    places: Sequence[int],
    confidence: float,
    *,
    half: bool = False,
) -> tuple[Array, Array]:
    """Both ends for each unknown of minus twice the log-likelihood (``half``: minus once)."""
    ends = np.empty((len(best), 2))
    start = _lifted(best, places)
    with threadpool_limits(1, "blas"):
        for at in range(len(best)):

            def held(value: float, at: int = at) -> float:
                begin = start.copy()
                begin[at] = value
                return _least(slope, begin, places, at) * (2 if half else 1)

            floor = 0.0 if at in places else -np.inf
            ends[at] = _both(held, best[at], held(best[at]), error[at], floor, confidence)
    return ends[:, 0], ends[:, 1]


def _least(slope: Slope, start: Array, places: Sequence[int], held: int | None = None) -> float:
    """Least value with one unknown held; ``places`` are at least zero."""
    limits: list[tuple[float | None, float | None]] = [(None, None)] * len(start)
    for place in places:
        limits[place] = (0.0, None)
    if held is not None:
        limits[held] = (start[held], start[held])
    found = minimize(
        slope,
        start,
        jac=True,
        method="L-BFGS-B",
        bounds=limits,
        options={"ftol": 1e-13, "gtol": 1e-6, "maxiter": 300, "maxls": 40},
    )
    return float(found.fun)


def _lifted(vector: Array, places: Sequence[int]) -> Array:
    """A start away from zero deviations, where every likelihood is flat and a search would rest."""
    start = vector.copy()
    for at in places:
        start[at] = max(start[at], 0.2 * max(vector[place] for place in places), 0.01)
    return start


def _both(
    held: Callable[[float], float],
    best: float,
    least: float,
    error: float,
    floor: float,
    confidence: float,
) -> tuple[float, float]:
    """Values on both sides of the best at which the deviance has risen by the normal square."""
    rise = ndtri((1 + confidence) / 2) ** 2

    def over(value: float) -> float:
        return held(value) - least - rise

    found = []
    for side in (-1, 1):
        step = 2 * max(error, 1e-6)
        for _ in range(MOST_DOUBLINGS):
            out = max(best + side * step, floor)
            if over(out) > 0 or out == floor:
                break
            step *= 2
        else:
            found.append(side * np.inf)
            continue
        if out == floor and over(out) <= 0:
            found.append(floor)
        else:
            found.append(float(brentq(over, best, out, xtol=1e-7 * max(abs(out), 1e-3))))
    return found[0], found[1]
