"""One factor on pass and fail by adaptive quadrature: exact where levels have few trials."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize
from scipy.special import expit, logsumexp
from threadpoolctl import threadpool_limits

from yieldkit.methods.crossed.design import Array, Factors
from yieldkit.methods.crossed.laplace import fit_laplace
from yieldkit.methods.crossed.problem import Inner, Problem
from yieldkit.methods.crossed.responses import Counts


@dataclass(frozen=True, eq=False)
class QuadratureFit:
    """Maximum-likelihood fit; see ``fit_quadrature``.

    ``effects`` and ``effect_sd`` are mean and standard deviation of each level's effect given the
    estimates, ``modes`` its mode; ``covariance`` is of the fixed effects and the log of ``sd``.
    """

    factors: Factors
    fixed: Array
    sd: float
    log_likelihood: float
    effects: Array
    effect_sd: Array
    modes: Array
    covariance: Array


def fit_quadrature(counts: Counts, x: Array, of: Factors, *, nodes: int = 25) -> QuadratureFit:
    """Fit pass and fail with one factor of Gaussian effects, integrated by adaptive quadrature.

    Parameters
    ----------
    counts : Counts
        Passes and failures of the cells.
    x : ndarray, shape (n, p)
        Fixed effects of the cells.
    of : Factors
        One factor; with several the integral does not fall apart into single ones.
    nodes : int
        Gauss-Hermite nodes about each level's mode.

    Raises
    ------
    ValueError
        If there is not exactly one factor, or its estimated spread is nil.

    References
    ----------
    J. C. Pinheiro and D. M. Bates, J. Comput. Graph. Stat. 4, 12-35, 1995 (section 2.4).
    """
    if len(of.names) != 1:
        raise ValueError(f"quadrature takes one factor, not {len(of.names)}; use fit_laplace")
    near = fit_laplace(counts, x, of, with_covariance=False)
    if near.at_zero:
        raise ValueError("the spread of the factor is nil: a plain fit says all")
    marginal = Marginal(counts, x, of, nodes)
    with threadpool_limits(1, "blas"):
        start = np.append(near.fixed, np.log(near.sd))
        found = minimize(
            marginal, start, jac=True, method="BFGS", options={"gtol": 1e-7, "maxiter": 200}
        )
        vector = np.asarray(found.x, float)
        covariance = np.asarray(np.linalg.inv(marginal.curvature(vector)), float)
        for _ in range(3):
            vector = vector - covariance @ marginal(vector)[1]
        at, u, share = marginal.parts(vector)
    sd = float(np.exp(vector[-1]))
    mean = (share * u).sum(axis=1)
    square = (share * (u - mean[:, None]) ** 2).sum(axis=1)
    value = -marginal(vector)[0] + counts.constant
    return QuadratureFit(
        factors=of,
        fixed=vector[:-1],
        sd=sd,
        log_likelihood=float(value),
        effects=sd * mean,
        effect_sd=sd * np.sqrt(square),
        modes=sd * at.inner,
        covariance=covariance,
    )


class Marginal:
    """Minus the log-likelihood of fixed effects and log standard deviation, with its slope."""

    def __init__(self, counts: Counts, x: Array, of: Factors, nodes: int) -> None:
        self.counts, self.problem = counts, Problem(counts, x, of, False)
        self.z, weight = np.polynomial.hermite_e.hermegauss(nodes)
        self.log_weight = np.log(weight) + self.z**2 / 2 - np.log(2 * np.pi) / 2
        self.warm: Inner | None = None
        self.value = 0.0

    def parts(self, vector: Array) -> tuple[Inner, Array, Array]:
        """Mode, nodes and their posterior shares for each level, in units of the deviation."""
        of, sd = self.problem.of, np.exp(vector[-1])
        at = self.warm = self.problem.solve(vector[:-1], np.array([sd]), 0.0, self.warm)
        width = 1 / at.root.big
        u = at.inner[:, None] + width[:, None] * self.z
        eta = (self.problem.x @ vector[:-1])[:, None] + sd * u[of.codes[0]]
        each = self.counts.passed[:, None] * eta - self.counts.tried[:, None] * np.logaddexp(0, eta)
        log_height = np.asarray(of.levels_by_cells @ each) - u**2 / 2 + self.log_weight
        log_height += np.log(width)[:, None]
        total = logsumexp(log_height, axis=1)
        self.value = -float(total.sum())
        return at, u, np.exp(log_height - total[:, None])

    def __call__(self, vector: Array) -> tuple[float, Array]:
        """Value and slope."""
        _, u, share = self.parts(vector)
        x, code, sd = self.problem.x, self.problem.of.codes[0], np.exp(vector[-1])
        eta = (x @ vector[:-1])[:, None] + sd * u[code]
        first = self.counts.passed[:, None] - self.counts.tried[:, None] * expit(eta)
        first = first * share[code]
        slope = np.append(x.T @ first.sum(axis=1), sd * (first * u[code]).sum())
        return self.value, -slope

    def curvature(self, vector: Array) -> Array:
        """Second derivatives by differences of the slope."""
        found = np.empty((len(vector), len(vector)))
        for place in range(len(vector)):
            step = np.zeros(len(vector))
            step[place] = 1e-4 * max(abs(vector[place]), 0.1)
            ends = [self(vector + side * step)[1] for side in (-1, 1)]
            found[place] = (ends[1] - ends[0]) / (2 * step[place])
        return (found + found.T) / 2
