"""Crossed random effects of a Gaussian response: cross-products, one dense Cholesky factor."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.linalg import cho_solve, solve_triangular
from scipy.optimize import minimize
from threadpoolctl import threadpool_limits

from yieldkit.methods.crossed.blocks import Pairs, Root, count_pairs
from yieldkit.methods.crossed.design import Array, Factors, known

NIL = 1e-10
"""Smallest eigenvalue of the fixed effects' scaled products from which their rank is full."""
CLOSE = 1e-10
"""Decrement of the criterion at which the steps end."""
MOST_STEPS = 40
SMALL = 1e-3
"""A ratio under this may be zero: the bounded search decides."""


@dataclass(frozen=True, eq=False)
class Products:
    """All that the fit needs of the rows: sums and cross-products, of a size free of n."""

    n: float
    yy: float
    xy: Array
    zy: Array
    xx: Array
    zx: Array
    zz: Pairs


@dataclass(frozen=True, eq=False)
class GaussianFit:
    """Maximum-likelihood or restricted fit; see ``fit_gaussian``.

    ``sd`` [units of y] follows the order of the factors; ``effects``, ``conditional_sd`` (all
    parameters taken as known) and ``prediction_sd`` (fixed effects estimated, variances known) have
    one entry a level, in the order of ``Factors``.
    """

    factors: Factors
    fixed: Array
    fixed_covariance: Array
    sd: Array
    residual_sd: float
    criterion: float
    restricted: bool
    effects: Array
    conditional_sd: Array
    prediction_sd: Array
    at_zero: tuple[str, ...]

    @property
    def log_likelihood(self) -> float:
        """Logarithm of the (restricted) likelihood."""
        return -self.criterion / 2


def cross_products(y: ArrayLike, x: Array, of: Factors) -> Products:
    """Sums and cross-products of response, fixed effects and factors: one pass over the rows."""
    response, x = known("the response", y), known("a fixed effect", x)
    return Products(
        n=float(len(response)),
        yy=float(response @ response),
        xy=x.T @ response,
        zy=of.sums(response),
        xx=x.T @ x,
        zx=np.column_stack([_sums(of, column) for column in x.T]),
        zz=count_pairs(of),
    )


def _sums(of: Factors, column: Array) -> Array:
    """Sums over each level's cells; of a column of one value by counting."""
    if (column == column[0]).all():
        return column[0] * of.sums(None)
    return of.sums(column)


def fit_gaussian(
    y: ArrayLike, x: Array, of: Factors, *, restricted: bool = True, start: float = 0.5
) -> GaussianFit:
    """Fit ``y = x b + sum of random effects + noise`` with independent Gaussian effects.

    Parameters
    ----------
    y : array_like, shape (n,)
        Response.
    x : ndarray, shape (n, p)
        Fixed effects, of full column rank.
    of : Factors
        Crossed factors of the random effects.
    restricted : bool
        Restricted (REML) or plain maximum likelihood.
    start : float
        First guess of each effect's standard deviation over the residual's.

    Raises
    ------
    ValueError
        If the fixed effects are not of full rank, or a number is missing.

    References
    ----------
    D. Bates, M. Maechler, B. Bolker and S. Walker, J. Stat. Softw. 67(1), 2015, equations 21 to 41
    (profiled criterion); C. R. Henderson, Biometrics 31, 423-447, 1975 (prediction errors).
    """
    made = cross_products(y, x, of)
    unit = np.sqrt(np.diag(made.xx))
    if not unit.all() or np.linalg.eigvalsh(made.xx / unit / unit[:, None])[0] < NIL:
        raise ValueError("the fixed effects are not of full rank; drop a column")
    with threadpool_limits(1, "blas"):
        criterion = Criterion(made, of, restricted)
        ratio, done = _moments(made, of, start), not of.names
        if not done:
            ratio, done = _climb(ratio, criterion)
        if not done:
            ratio = _search(ratio, criterion)
        return _finish(ratio, criterion)


def _moments(made: Products, of: Factors, least: float) -> Array:
    """First guess of the ratios, from the spread of each factor's level means."""
    count, whole = made.zz.diagonal(), made.zy[: of.start[1]].sum() / made.n
    noise = max(made.yy / made.n - whole**2, 1e-300)
    found = np.empty(len(of.names))
    for at in range(len(found)):
        rows = slice(int(of.start[at]), int(of.start[at + 1]))
        n = np.maximum(count[rows], 1.0)
        gap = made.zy[rows] / n - whole
        excess = float(n @ gap**2 - noise * (len(n) - 1)) / made.n
        found[at] = np.sqrt(max(excess / noise, 0.01 * least**2))
    return found


def _climb(ratio: Array, criterion: Criterion) -> tuple[Array, bool]:
    """Steps by the average information, in logarithms; False where a ratio runs off to zero.

    References
    ----------
    A. R. Gilmour, R. Thompson and B. R. Cullis, Biometrics 51, 1440-1450, 1995.
    """
    at = criterion.solve(ratio)
    for _ in range(MOST_STEPS):
        # The ridge stands for a factor that explains nothing: its row is nil.
        information = criterion.average_information(at)
        information[np.diag_indices_from(information)] += 1e-12 * criterion.free
        slope = criterion.log_slope(at)
        step = np.linalg.solve(information, slope)
        if slope @ step < CLOSE:  # the last step gains digits and is too small to be judged
            return ratio * np.exp(-step / 2), True
        step *= min(1.0, 2.0 / np.abs(step).max())
        for _ in range(8):
            moved = ratio * np.exp(-step / 2)
            there = criterion.solve(moved)
            if there.value <= at.value:
                break
            step /= 2
        else:
            return ratio, False
        ratio, at = moved, there
        if ratio.min() < SMALL:
            break
    return ratio, False


def _search(ratio: Array, criterion: Criterion) -> Array:
    """The optimum where some ratio may be zero: bounded search, then Newton steps."""
    found = minimize(
        criterion,
        np.maximum(ratio, 0.05),
        jac=True,
        method="L-BFGS-B",
        bounds=[(0, None)] * len(ratio),
        options={"ftol": 1e-15, "gtol": 1e-9, "maxiter": 500, "maxls": 50},
    )
    return _polish(leave_zero(found.x, criterion, range(len(ratio))), criterion)


def leave_zero(
    found: Array, criterion: Callable[[Array], tuple[float, Array]], places: Sequence[int]
) -> Array:
    """The optimum again from a little above zero where a zero is no optimum but a saddle.

    In the standard deviation every criterion is flat at zero, so an optimiser may rest there.
    """
    for _ in range(len(places)):
        best = criterion(found)[0]
        trials = []
        for place in places:
            for size in (0.02, 0.1, 0.3) if found[place] < 1e-3 else ():
                moved = found.copy()
                moved[place] = size
                trials.append((criterion(moved)[0], moved))
        lower = [trial for trial in trials if trial[0] < best - 1e-7]
        if not lower:
            break
        limits: list[tuple[float | None, float | None]] = [(None, None)] * len(found)
        for place in places:
            limits[place] = (0.0, None)
        again = minimize(
            criterion,
            min(lower, key=lambda trial: trial[0])[1],
            jac=True,
            method="L-BFGS-B",
            bounds=limits,
            options={"ftol": 1e-15, "gtol": 1e-9, "maxiter": 500, "maxls": 50},
        )
        found = again.x
    return found


def _polish(ratio: Array, criterion: Criterion) -> Array:
    """Newton steps on the analytic gradient; a ratio that would turn negative stays at zero."""
    free = ratio > 1e-5
    for _ in range(8):
        if not free.any():
            break
        _, slope = criterion(ratio)
        curve = np.zeros((free.sum(), free.sum()))
        for column, place in enumerate(np.flatnonzero(free)):
            width = 1e-5 * max(ratio[place], 1e-2)
            up, down = ratio.copy(), ratio.copy()
            up[place] += width
            down[place] -= width
            change = criterion(up)[1] - criterion(down)[1]
            curve[:, column] = change[free] / (2 * width)
        step = np.linalg.lstsq((curve + curve.T) / 2, slope[free], rcond=None)[0]
        moved = ratio.copy()
        moved[free] -= step
        if (moved < 0).any() or not criterion(moved)[0] <= (criterion(ratio)[0] + 1e-8):
            break
        ratio = moved
        if np.abs(step).max() < 1e-10:
            break
    return np.where(ratio < 1e-6, 0.0, ratio)


@dataclass(frozen=True, eq=False)
class _Solved:
    """The profiled criterion at one set of ratios.

    ``effects`` are those over ratio and noise, ``reach`` the fixed effects' part in them: scaled
    Z'V^-1 X.
    """

    ratio: Array
    scale: Array
    root: Root
    root_xx: Array
    fixed: Array
    left: float
    effects: Array
    reach: Array
    value: float


class Criterion:
    """Minus twice the profiled log-likelihood as a function of the ratios."""

    def __init__(self, made: Products, of: Factors, restricted: bool) -> None:
        self.made, self.of, self.restricted = made, of, restricted
        self.p = len(made.xy)
        self.free = made.n - (self.p if restricted else 0)

    def __call__(self, ratio: Array) -> tuple[float, Array]:
        """Value, and slope in the ratios."""
        at = self.solve(ratio)
        slope = 2 * self.log_slope(at) / np.where(ratio > 0, ratio, np.inf)
        return at.value, slope

    def solve(self, ratio: Array) -> _Solved:
        """Value and all that its slopes need."""
        made = self.made
        scale = ratio[self.of.owner]
        root = made.zz.root_plus(scale)
        half = root.forward(scale[:, None] * np.column_stack([made.zx, made.zy]))
        half_zx, half_zy = half[:, :-1], half[:, -1]
        root_xx = np.asarray(np.linalg.cholesky(made.xx - half_zx.T @ half_zx), float)
        right = made.xy - half_zx.T @ half_zy
        fixed = cho_solve((root_xx, True), right)
        left = float(made.yy - half_zy @ half_zy - fixed @ right)
        back = root.backward(half)
        value = root.log_det() + self.free * (1 + np.log(2 * np.pi * left / self.free))
        if self.restricted:
            value += 2 * np.log(np.diag(root_xx)).sum()
        effects = back[:, -1] - back[:, :-1] @ fixed
        return _Solved(
            ratio, scale, root, root_xx, fixed, left, effects, back[:, :-1], float(value)
        )

    def by_factor(self, per_level: Array) -> Array:
        """Sums over each factor's levels."""
        found = np.bincount(self.of.owner, per_level, minlength=len(self.of.names))
        return found.astype(float, copy=False)

    def log_slope(self, at: _Solved) -> Array:
        """Slope in the logarithms of the squared ratios."""
        # Scaled Z'V^-1 Z is 1 - M^-1, with M the factorised matrix.
        inner = 1.0 - at.root.inverse().diagonal()
        if self.restricted:
            part = solve_triangular(at.root_xx, at.reach.T, lower=True)
            inner -= np.einsum("ij,ij->j", part, part)
        return self.by_factor(inner - self.free / at.left * at.effects**2)

    def average_information(self, at: _Solved) -> Array:
        """Mean of observed and expected curvature in the logarithms of the squared ratios."""
        each = np.zeros((self.of.q, len(self.of.names)))
        each[np.arange(self.of.q), self.of.owner] = at.effects
        part = solve_triangular(at.root_xx, at.reach.T @ each, lower=True)
        products = each.T @ (each - at.root.solve(each)) - part.T @ part
        own = self.by_factor(at.effects**2)
        return self.free / at.left * (products - np.outer(own, own) / at.left)


def _finish(ratio: Array, criterion: Criterion) -> GaussianFit:
    of, at = criterion.of, criterion.solve(ratio)
    variance = at.left / criterion.free
    unit = np.linalg.inv(at.root_xx)
    known = at.scale**2 * at.root.inverse().diagonal()
    part = at.scale[:, None] * at.reach @ unit.T
    more = np.einsum("ij,ij->i", part, part)
    names = tuple(name for name, size in zip(of.names, ratio, strict=True) if size == 0)
    return GaussianFit(
        factors=of,
        fixed=at.fixed,
        fixed_covariance=variance * unit.T @ unit,
        sd=ratio * np.sqrt(variance),
        residual_sd=float(np.sqrt(variance)),
        criterion=at.value,
        restricted=criterion.restricted,
        effects=at.scale * at.effects,
        conditional_sd=np.sqrt(variance * known),
        prediction_sd=np.sqrt(variance * (known + more)),
        at_zero=names,
    )
