"""Crossed random effects of a Gaussian response: cross-products, one dense Cholesky factor."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.linalg import cho_solve, solve_triangular
from scipy.optimize import minimize
from threadpoolctl import threadpool_limits

from yieldkit.methods.crossed.design import Array, Factors


@dataclass(frozen=True, eq=False)
class Products:
    """All that the fit needs of the rows: sums and cross-products, of a size free of n."""

    n: float
    yy: float
    xy: Array
    zy: Array
    xx: Array
    zx: Array
    zz: Array


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
    response = np.asarray(y, float)
    ones = np.ones(len(response))
    return Products(
        n=float(len(response)),
        yy=float(response @ response),
        xy=x.T @ response,
        zy=of.sums(response),
        xx=x.T @ x,
        zx=of.cross(x, ones),
        zz=of.pair_sums(ones),
    )


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
        If the fixed effects are not of full rank.

    References
    ----------
    D. Bates, M. Maechler, B. Bolker and S. Walker, J. Stat. Softw. 67(1), 2015, equations 21 to 41
    (profiled criterion); C. R. Henderson, Biometrics 31, 423-447, 1975 (prediction errors).
    """
    if np.linalg.matrix_rank(x) < x.shape[1]:
        raise ValueError("the fixed effects are not of full rank; drop a column")
    made = cross_products(y, x, of)
    with threadpool_limits(1, "blas"):
        factor_count = len(of.names)
        ratio = np.full(factor_count, start)
        if factor_count:
            found = minimize(
                _criterion,
                ratio,
                args=(made, of, restricted),
                jac=True,
                method="L-BFGS-B",
                bounds=[(0, None)] * factor_count,
                options={"ftol": 1e-15, "gtol": 1e-9, "maxiter": 500, "maxls": 50},
            )
            ratio = leave_zero(
                found.x, lambda at: _criterion(at, made, of, restricted), range(factor_count)
            )
            ratio = _polish(ratio, made, of, restricted)
        return _finish(ratio, made, of, restricted)


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


def _polish(ratio: Array, made: Products, of: Factors, restricted: bool) -> Array:
    """Newton steps on the analytic gradient; a ratio that would turn negative stays at zero."""
    free = ratio > 1e-5
    for _ in range(8):
        if not free.any():
            break
        _, slope = _criterion(ratio, made, of, restricted)
        curve = np.zeros((free.sum(), free.sum()))
        for column, place in enumerate(np.flatnonzero(free)):
            width = 1e-5 * max(ratio[place], 1e-2)
            up, down = ratio.copy(), ratio.copy()
            up[place] += width
            down[place] -= width
            change = (
                _criterion(up, made, of, restricted)[1] - _criterion(down, made, of, restricted)[1]
            )
            curve[:, column] = change[free] / (2 * width)
        step = np.linalg.lstsq((curve + curve.T) / 2, slope[free], rcond=None)[0]
        moved = ratio.copy()
        moved[free] -= step
        if (moved < 0).any() or not _criterion(moved, made, of, restricted)[0] <= (
            _criterion(ratio, made, of, restricted)[0] + 1e-8
        ):
            break
        ratio = moved
        if np.abs(step).max() < 1e-10:
            break
    return np.where(ratio < 1e-6, 0.0, ratio)


@dataclass(frozen=True, eq=False)
class _Solved:
    scale: Array
    lower: Array
    half_zx: Array
    half_zy: Array
    root_xx: Array
    fixed: Array
    left: float


def _solve(ratio: Array, made: Products, of: Factors) -> _Solved:
    scale = ratio[of.owner] if of.q else np.zeros(0)
    inner = made.zz * scale[:, None] * scale[None, :] + np.eye(of.q)
    lower = np.linalg.cholesky(inner) if of.q else inner
    half = (
        solve_triangular(lower, scale[:, None] * np.column_stack([made.zx, made.zy]), lower=True)
        if of.q
        else np.zeros((0, len(made.xy) + 1))
    )
    half_zx, half_zy = half[:, :-1], half[:, -1]
    root_xx = np.linalg.cholesky(made.xx - half_zx.T @ half_zx)
    right = made.xy - half_zx.T @ half_zy
    fixed = cho_solve((root_xx, True), right)
    left = made.yy - half_zy @ half_zy - fixed @ right
    return _Solved(scale, np.asarray(lower, float), half_zx, half_zy, root_xx, fixed, float(left))


def _criterion(ratio: Array, made: Products, of: Factors, restricted: bool) -> tuple[float, Array]:
    """Minus twice the profiled log-likelihood and its gradient in the ratios."""
    at = _solve(ratio, made, of)
    free = made.n - (len(made.xy) if restricted else 0)
    value = 2 * np.log(np.diag(at.lower)).sum() + free * (1 + np.log(2 * np.pi * at.left / free))
    if restricted:
        value += 2 * np.log(np.diag(at.root_xx)).sum()
    # Z'V^-1 Z, its part explained by x, and Z'V^-1 (y - xb), all at residual variance 1.
    half = solve_triangular(at.lower, at.scale[:, None] * made.zz, lower=True)
    inner = np.diag(made.zz) - np.einsum("ij,ij->j", half, half)
    zvx = made.zx - half.T @ at.half_zx
    residual = made.zy - half.T @ at.half_zy - zvx @ at.fixed
    if restricted:
        part = solve_triangular(at.root_xx, zvx.T, lower=True)
        inner = inner - np.einsum("ij,ij->j", part, part)
    per_level = inner - free * residual**2 / at.left
    slope = 2 * ratio * np.bincount(of.owner, per_level, minlength=len(ratio))
    return float(value), slope


def _finish(ratio: Array, made: Products, of: Factors, restricted: bool) -> GaussianFit:
    at = _solve(ratio, made, of)
    free = made.n - (len(made.xy) if restricted else 0)
    variance = at.left / free
    value = 2 * np.log(np.diag(at.lower)).sum() + free * (1 + np.log(2 * np.pi * variance))
    if restricted:
        value += 2 * np.log(np.diag(at.root_xx)).sum()
    unit = np.linalg.inv(at.root_xx)
    back = solve_triangular(at.lower, np.diag(at.scale), lower=True)
    effects = back.T @ (at.half_zy - at.half_zx @ at.fixed)
    known = np.einsum("ij,ij->j", back, back)
    fixed_part = unit @ (at.half_zx.T @ back)
    more = np.einsum("ij,ij->j", fixed_part, fixed_part)
    names = tuple(name for name, size in zip(of.names, ratio, strict=True) if size == 0)
    return GaussianFit(
        factors=of,
        fixed=at.fixed,
        fixed_covariance=variance * unit.T @ unit,
        sd=ratio * np.sqrt(variance),
        residual_sd=float(np.sqrt(variance)),
        criterion=float(value),
        restricted=restricted,
        effects=effects,
        conditional_sd=np.sqrt(variance * known),
        prediction_sd=np.sqrt(variance * (known + more)),
        at_zero=names,
    )
