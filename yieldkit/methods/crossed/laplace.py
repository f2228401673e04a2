"""Crossed random effects of counts or intervals: Laplace approximation with analytic gradients."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize
from scipy.special import ndtr
from threadpoolctl import threadpool_limits

from yieldkit.methods.crossed.design import Array, Factors, known
from yieldkit.methods.crossed.gaussian import leave_zero
from yieldkit.methods.crossed.problem import Inner, Problem
from yieldkit.methods.crossed.responses import Response


@dataclass(frozen=True, eq=False)
class LaplaceFit:
    """Fit of a non-Gaussian response; see ``fit_laplace``.

    ``sd`` follows the order of the factors, ``effects`` and ``conditional_sd`` that of the levels.
    ``covariance`` is of ``(fixed, log sd of factors not at zero, log scale)`` from the Hessian of
    the approximate log-likelihood; of a restricted fit ``fixed_covariance`` alone is given.
    """

    factors: Factors
    fixed: Array
    fixed_covariance: Array
    sd: Array
    scale: float | None
    log_likelihood: float
    restricted: bool
    effects: Array
    conditional_sd: Array
    covariance: Array | None
    at_zero: tuple[str, ...]


def share_over(fit: LaplaceFit, x: Array, limit: float) -> tuple[Array, Array]:
    """Share of values above a limit for new levels of all factors, and its logit's error.

    Parameters
    ----------
    fit : LaplaceFit
        Plain fit of ``Intervals``, with its covariance.
    x : ndarray, shape (m, p)
        Fixed effects asked for.
    limit : float
        On the scale of the predictor.

    Returns
    -------
    share, error : ndarray, shape (m,)
        Effects and noise averaged out; standard error of the logit of the share (delta method).

    Raises
    ------
    ValueError
        If the fit has no scale or no covariance.
    """
    if fit.scale is None or fit.covariance is None:
        raise ValueError("wanted a fit of intervals with its covariance")
    whole = np.sqrt((fit.sd**2).sum() + fit.scale**2)
    gap = (x @ fit.fixed - limit) / whole
    share = ndtr(gap)
    spreads = np.append(fit.sd[fit.sd > 0], fit.scale)
    slope = np.column_stack([x / whole, -np.outer(gap, (spreads / whole) ** 2)])
    steep = np.exp(-(gap**2) / 2) / np.sqrt(2 * np.pi) / (share * (1 - share))
    error = steep * np.sqrt(np.einsum("ij,jk,ik->i", slope, fit.covariance, slope))
    return share, error


def fit_laplace(
    response: Response,
    x: Array,
    of: Factors,
    *,
    restricted: bool = False,
    start_sd: float = 0.4,
    with_covariance: bool = True,
) -> LaplaceFit:
    """Fit a response with crossed Gaussian random effects on its linear predictor.

    Parameters
    ----------
    response : Response
        ``Counts`` or ``Intervals``.
    x : ndarray, shape (n, p)
        Fixed effects of the cells.
    of : Factors
        Crossed factors of the cells.
    restricted : bool
        Integrate the fixed effects out too, with a flat prior.
    start_sd : float
        First guess of each standard deviation, in units of the response's scale.
    with_covariance : bool
        Also work out the Hessian (a few more evaluations a parameter).

    Raises
    ------
    ValueError
        If the fixed effects are not of full rank, or one is missing.

    References
    ----------
    D. Bates, M. Maechler, B. Bolker and S. Walker, J. Stat. Softw. 67(1), 2015; H. J. Skaug and
    D. A. Fournier, Comput. Stat. Data Anal. 51, 699-709, 2006 (gradient of the Laplace
    approximation).
    """
    if np.linalg.matrix_rank(known("a fixed effect", x)) < x.shape[1]:
        raise ValueError("the fixed effects are not of full rank; drop a column")
    problem = Problem(response, x, of, restricted)
    outer = Outer(problem)
    with threadpool_limits(1, "blas"):
        found = minimize(
            outer.value_and_slope,
            outer.first_guess(start_sd),
            jac=True,
            method="L-BFGS-B",
            bounds=outer.bounds(),
            options={"ftol": 1e-14, "gtol": 1e-6, "maxiter": 300, "maxls": 40},
        )
        places = range(outer.p, outer.p + outer.k)
        best = leave_zero(found.x, outer.value_and_slope, places)
        best = outer.polish(best) if with_covariance else best
        return outer.finish(best, with_covariance=with_covariance)


class Outer:
    """The outer problem: fixed effects (unless integrated), standard deviations, log scale."""

    def __init__(self, problem: Problem) -> None:
        self.problem = problem
        self.p = 0 if problem.restricted else problem.x.shape[1]
        self.k = len(problem.of.names)
        self.warm: Inner | None = None

    def split(self, vector: Array) -> tuple[Array, Array, float]:
        """Fixed effects, standard deviations and log scale of an outer vector."""
        rest = vector[self.p :]
        log_scale = float(rest[self.k]) if self.problem.response.has_scale else 0.0
        return vector[: self.p], rest[: self.k], log_scale

    def first_guess(self, sd: float) -> Array:
        """Where a search may begin; ``sd`` in units of the response's scale."""
        scale = self.problem.response.start_scale()
        fixed = np.zeros(self.p)
        if self.p:
            fixed[0] = self.problem.response.start()
        tail = [np.log(scale)] if self.problem.response.has_scale else []
        return np.concatenate([fixed, np.full(self.k, sd * scale), tail])

    def bounds(self) -> list[tuple[float | None, float | None]]:
        """Limits of each outer unknown."""
        limits: list[tuple[float | None, float | None]] = [(None, None)] * self.p
        scale = self.problem.response.start_scale()
        limits += [(0.0, 50.0 * scale)] * self.k
        middle = np.log(scale)
        near = [(middle - 5.0, middle + 3.0)]
        return limits + near if self.problem.response.has_scale else limits

    def value_and_slope(self, vector: Array) -> tuple[float, Array]:
        """Minus the approximate log-likelihood, and its slope."""
        fixed, sd, log_scale = self.split(vector)
        at = self.warm = self.problem.solve(fixed, sd, log_scale, self.warm)
        in_fixed, in_sd, in_scale = self.problem.gradient(at, sd)
        tail = [in_scale] if self.problem.response.has_scale else []
        return -at.log_likelihood, -np.concatenate([in_fixed, in_sd, tail])

    def free(self, vector: Array) -> Array:
        """Which outer unknowns are not at a bound."""
        free = np.ones(len(vector), bool)
        free[self.p : self.p + self.k] = vector[self.p : self.p + self.k] > 1e-4
        return free

    def hessian(self, vector: Array) -> Array:
        """Curvature of minus the log-likelihood, by differences of the analytic slope."""
        size = len(vector)
        found = np.zeros((size, size))
        for place in np.flatnonzero(self.free(vector)):
            width = 1e-4 * max(abs(vector[place]), 0.1)
            ends = []
            for side in (-width, width):
                moved = vector.copy()
                moved[place] += side
                ends.append(self.value_and_slope(moved)[1])
            found[place] = (ends[1] - ends[0]) / (2 * width)
        return (found + found.T) / 2

    def polish(self, vector: Array) -> Array:
        """Newton steps from the optimiser's answer."""
        for _ in range(4):
            value, slope = self.value_and_slope(vector)
            free = self.free(vector)
            curve = self.hessian(vector)[np.ix_(free, free)]
            if len(curve) == 0 or np.linalg.eigvalsh(curve)[0] <= 0:
                break
            step = np.linalg.solve(curve, slope[free])
            moved = vector.copy()
            moved[free] -= step
            if (moved[self.p : self.p + self.k] < 0).any():
                break
            if self.value_and_slope(moved)[0] > value + 1e-9:
                break
            vector = moved
            if np.abs(step).max() < 1e-8:
                break
        return vector

    def finish(self, vector: Array, *, with_covariance: bool) -> LaplaceFit:
        """The fit at the optimum."""
        fixed, sd, log_scale = self.split(vector)
        problem, of, p = self.problem, self.problem.of, self.problem.inside
        sd = np.where(sd < 1e-4, 0.0, sd)
        at = problem.solve(fixed, sd, log_scale, self.warm)
        covariance = None
        if p:
            fixed = at.inner[:p]
            fixed_covariance = at.root.inverse().rest[:p, :p]
        else:
            weight = at.slopes.weight
            half = at.root.forward(at.scale[:, None] * problem.cross(weight))
            inner = problem.x.T @ (weight[:, None] * problem.x) - half.T @ half
            fixed_covariance = np.asarray(np.linalg.inv(inner), float)
            if with_covariance:
                covariance = self._covariance(
                    np.concatenate([fixed, sd, vector[self.p + self.k :]])
                )
        return LaplaceFit(
            factors=of,
            fixed=fixed,
            fixed_covariance=fixed_covariance,
            sd=sd,
            scale=float(np.exp(log_scale)) if problem.response.has_scale else None,
            log_likelihood=at.log_likelihood + problem.response.constant,
            restricted=problem.restricted,
            effects=(at.scale * at.inner)[p:],
            conditional_sd=(at.scale * np.sqrt(at.root.inverse().diagonal()))[p:],
            covariance=covariance,
            at_zero=tuple(n for n, size in zip(of.names, sd, strict=True) if size == 0),
        )

    def _covariance(self, vector: Array) -> Array | None:
        """Covariance of fixed effects, log standard deviations not at zero, and log scale."""
        free = self.free(vector)
        curve = self.hessian(vector)[np.ix_(free, free)]
        if np.linalg.eigvalsh(curve)[0] <= 0:
            return None
        logged = np.ones(len(vector))
        logged[self.p : self.p + self.k] = vector[self.p : self.p + self.k]
        jacobian = logged[free]
        return np.linalg.inv(curve) / jacobian[:, None] / jacobian[None, :]
