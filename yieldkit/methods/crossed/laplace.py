"""Crossed random effects of counts or intervals: Laplace approximation with analytic gradients."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import cho_solve
from scipy.optimize import minimize
from threadpoolctl import threadpool_limits

from yieldkit.methods.crossed.design import Array, Factors
from yieldkit.methods.crossed.gaussian import leave_zero
from yieldkit.methods.crossed.responses import Response

_STEPS = 200


@dataclass(frozen=True, eq=False)
class Inner:
    """The mode of the inner problem at given standard deviations.

    ``inner`` holds the fixed effects first where they are integrated out too, then the effects in
    units of their standard deviation; ``root`` is the Cholesky factor of the curvature there.
    """

    inner: Array
    eta: Array
    root: Array
    log_likelihood: float


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


@dataclass(frozen=True, eq=False)
class Problem:
    """A response with its fixed effects and factors; ``restricted`` integrates the fixed too."""

    response: Response
    x: Array
    of: Factors
    restricted: bool

    @property
    def inside(self) -> int:
        """Number of fixed effects inside the inner problem."""
        return self.x.shape[1] if self.restricted else 0

    def predictor(self, inner: Array, fixed: Array, scale: Array) -> Array:
        """Linear predictor of each cell."""
        p = self.inside
        coefficients = inner[:p] if self.restricted else fixed
        return self.x @ coefficients + self.of.spread(scale * inner[p:])

    def gather(self, cell: Array, scale: Array) -> Array:
        """Cells' values summed into the inner problem's unknowns."""
        own = scale * self.of.sums(cell)
        return np.concatenate([self.x.T @ cell, own]) if self.restricted else own

    def curvature(self, weight: Array, scale: Array) -> Array:
        """Curvature of the inner problem, prior included."""
        q, p = self.of.q, self.inside
        found = np.zeros((p + q, p + q))
        found[p:, p:] = self.of.pair_sums(weight) * scale[:, None] * scale[None, :]
        found[p:, p:] += np.eye(q)
        if p:
            found[:p, :p] = self.x.T @ (weight[:, None] * self.x)
            cross = scale[:, None] * self.of.cross(self.x, weight)
            found[p:, :p] = cross
            found[:p, p:] = cross.T
        return found

    def solve(self, fixed: Array, sd: Array, log_scale: float, start: Array | None) -> Inner:
        """Mode of the inner problem by Newton steps, halved where they do not climb."""
        scale = sd[self.of.owner] if self.of.q else np.zeros(0)
        p = self.inside
        inner = np.zeros(p + self.of.q) if start is None else start.copy()
        if start is None and p:
            inner[0] = self.response.start()

        def value(at: Array) -> tuple[float, Array]:
            eta = self.predictor(at, fixed, scale)
            found = self.response.log_likelihood(eta, log_scale).sum() - at[p:] @ at[p:] / 2
            return float(found), eta

        height, eta = value(inner)
        if not np.isfinite(height):
            inner = np.zeros_like(inner)
            if p:
                inner[0] = self.response.start()
            height, eta = value(inner)
        for _ in range(_STEPS):
            slopes = self.response.slopes(eta, log_scale)
            slope = self.gather(slopes.first, scale)
            slope[p:] -= inner[p:]
            root = np.linalg.cholesky(self.curvature(np.maximum(slopes.weight, 1e-12), scale))
            step = cho_solve((root, True), slope)
            size = 1.0
            for _ in range(40):
                higher, there = value(inner + size * step)
                if higher >= height - 1e-12 * abs(height):
                    break
                size /= 2
            inner, height, eta = inner + size * step, higher, there
            if slope @ step < 1e-18 * max(1.0, abs(height)) or np.abs(step).max() < 1e-11:
                break
        root = np.linalg.cholesky(
            self.curvature(self.response.slopes(eta, log_scale).weight, scale)
        )
        marginal = height - np.log(np.diag(root)).sum() + p / 2 * np.log(2 * np.pi)
        return Inner(inner, eta, np.asarray(root, float), float(marginal))

    def gradient(self, at: Inner, sd: Array, log_scale: float) -> tuple[Array, Array, float]:
        """Slopes of the Laplace log-likelihood in fixed effects, standard deviations, log scale."""
        of, p = self.of, self.inside
        scale = sd[of.owner] if of.q else np.zeros(0)
        slopes = self.response.slopes(at.eta, log_scale)
        inverse = cho_solve((at.root, True), np.eye(len(at.inner)))
        effects = inverse[p:, p:] * scale[:, None] * scale[None, :]
        leverage = of.leverages(effects)
        if p:
            leverage += np.einsum("ij,jk,ik->i", self.x, inverse[:p, :p], self.x)
            for column in range(p):
                leverage += 2 * self.x[:, column] * of.spread(scale * inverse[p:, column])
        pull = 0.5 * slopes.weight_slope * leverage
        back = cho_solve((at.root, True), self.gather(pull, scale))
        through = slopes.weight * self.predictor_of(back, scale)
        total = slopes.first - pull + through
        fixed = self.x.T @ total if not self.restricted else np.zeros(0)
        sums, residual = of.sums(total), of.sums(slopes.first)
        pairs = of.pair_sums(slopes.weight)
        own = np.einsum("ij,ij->i", inverse[p:, p:] * scale[None, :], pairs)
        if p:
            own += np.einsum("ij,ij->i", inverse[p:, :p], of.cross(self.x, slopes.weight))
        per_level = at.inner[p:] * sums - own - back[p:] * residual
        deviations = np.zeros(len(sd))
        if of.q:
            deviations += np.bincount(of.owner, per_level, minlength=len(sd))
        in_scale = 0.0
        if self.response.has_scale:
            assert slopes.scale_first is not None and slopes.first_in_scale is not None
            assert slopes.weight_in_scale is not None
            in_scale = float(
                slopes.scale_first.sum()
                - 0.5 * (leverage * slopes.weight_in_scale).sum()
                - self.gather(slopes.first_in_scale, scale) @ back
            )
        return fixed, deviations, in_scale

    def predictor_of(self, inner: Array, scale: Array) -> Array:
        """Change of each cell's predictor for a change of the inner unknowns."""
        p = self.inside
        found = self.of.spread(scale * inner[p:])
        return found + self.x @ inner[:p] if p else found


def fit_laplace(
    response: Response,
    x: Array,
    of: Factors,
    *,
    restricted: bool = False,
    start_sd: float = 0.4,
    start_scale: float = 0.5,
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
    start_sd, start_scale : float
        First guesses.
    with_covariance : bool
        Also work out the Hessian (a few more evaluations a parameter).

    Raises
    ------
    ValueError
        If the fixed effects are not of full rank.

    References
    ----------
    D. Bates, M. Maechler, B. Bolker and S. Walker, J. Stat. Softw. 67(1), 2015; H. J. Skaug and
    D. A. Fournier, Comput. Stat. Data Anal. 51, 699-709, 2006 (gradient of the Laplace
    approximation).
    """
    if np.linalg.matrix_rank(x) < x.shape[1]:
        raise ValueError("the fixed effects are not of full rank; drop a column")
    problem = Problem(response, x, of, restricted)
    outer = _Outer(problem)
    with threadpool_limits(1, "blas"):
        found = minimize(
            outer.value_and_slope,
            outer.first_guess(start_sd, start_scale),
            jac=True,
            method="L-BFGS-B",
            bounds=outer.bounds(),
            options={"ftol": 1e-14, "gtol": 1e-6, "maxiter": 300, "maxls": 40},
        )
        places = range(outer.p, outer.p + outer.k)
        best = leave_zero(found.x, outer.value_and_slope, places)
        best = outer.polish(best) if with_covariance else best
        return outer.finish(best, with_covariance=with_covariance)


class _Outer:
    """The outer problem: fixed effects (unless integrated), standard deviations, log scale."""

    def __init__(self, problem: Problem) -> None:
        self.problem = problem
        self.p = 0 if problem.restricted else problem.x.shape[1]
        self.k = len(problem.of.names)
        self.warm: Array | None = None

    def split(self, vector: Array) -> tuple[Array, Array, float]:
        """Fixed effects, standard deviations and log scale of an outer vector."""
        rest = vector[self.p :]
        log_scale = float(rest[self.k]) if self.problem.response.has_scale else 0.0
        return vector[: self.p], rest[: self.k], log_scale

    def first_guess(self, sd: float, scale: float) -> Array:
        fixed = np.zeros(self.p)
        if self.p:
            fixed[0] = self.problem.response.start()
        tail = [np.log(scale)] if self.problem.response.has_scale else []
        return np.concatenate([fixed, np.full(self.k, sd), tail])

    def bounds(self) -> list[tuple[float | None, float | None]]:
        limits: list[tuple[float | None, float | None]] = [(None, None)] * self.p
        limits += [(0.0, 50.0)] * self.k
        return limits + [(-12.0, 12.0)] if self.problem.response.has_scale else limits

    def value_and_slope(self, vector: Array) -> tuple[float, Array]:
        fixed, sd, log_scale = self.split(vector)
        at = self.problem.solve(fixed, sd, log_scale, self.warm)
        self.warm = at.inner
        in_fixed, in_sd, in_scale = self.problem.gradient(at, sd, log_scale)
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
        fixed, sd, log_scale = self.split(vector)
        problem, of, p = self.problem, self.problem.of, self.problem.inside
        sd = np.where(sd < 1e-4, 0.0, sd)
        at = problem.solve(fixed, sd, log_scale, self.warm)
        inverse = cho_solve((at.root, True), np.eye(len(at.inner)))
        scale = sd[of.owner] if of.q else np.zeros(0)
        covariance = None
        if p:
            fixed, fixed_covariance = at.inner[:p], inverse[:p, :p]
        else:
            weight = problem.response.slopes(at.eta, log_scale).weight
            half = scale[:, None] * of.cross(problem.x, weight)
            inner = problem.x.T @ (weight[:, None] * problem.x) - half.T @ inverse @ half
            fixed_covariance = np.linalg.inv(inner)
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
            effects=scale * at.inner[p:],
            conditional_sd=scale * np.sqrt(np.diag(inverse)[p:]),
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
