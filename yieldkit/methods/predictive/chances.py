"""Chances that an attempt passes, at the nodes of a mixture over a job's conditions."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import expit, ndtri

Array = NDArray[np.float64]
REACH = 9.0
"""Standard deviations on each side that a normal effect is integrated over."""


@dataclass(frozen=True, eq=False)
class Chances:
    """Chances to pass at the first try and at a retry.

    Parameters
    ----------
    weights : ndarray, shape (nodes,)
        Weights of the nodes; they sum to one.
    first, retry : ndarray, shape (nodes, types, own)
        Chance that a first try, a retry, passes. The last axis is a type's own effect, independent
        of the other types' given the node.
    own_weights : ndarray, shape (own,)
        Weights along the last axis.
    """

    weights: Array
    first: Array
    retry: Array
    own_weights: Array

    @classmethod
    def known(cls, first: ArrayLike, retry: ArrayLike | None = None) -> Chances:
        """Chances known exactly, one a type."""
        at = np.atleast_1d(np.asarray(first, float))[None, :, None]
        again = at if retry is None else np.atleast_1d(np.asarray(retry, float))[None, :, None]
        return cls(np.ones(1), at, again, np.ones(1))

    @classmethod
    def normal(
        cls,
        mu: ArrayLike,
        *,
        job_sd: float,
        loading: ArrayLike = 1.0,
        own_sd: ArrayLike = 0.0,
        retry_shift: ArrayLike = 0.0,
        step: float = 1 / 16,
        own_step: float = 1 / 4,
    ) -> Chances:
        """Logit-normal chances: logit p = mu + job_sd loading u + own_sd e, u and e normal.

        Parameters
        ----------
        mu, loading, own_sd, retry_shift : array_like, shape (types,) or scalar
            Logit at the usual job; the type's share of the job effect; standard deviation of its
            own effect; what a retry adds to the logit.
        job_sd : float
            Standard deviation of the job effect, common to all types.
        step, own_step : float
            Steps of the trapezoid rule [standard deviations]; see ``node_step``.
        """
        mu = np.atleast_1d(np.asarray(mu, float))
        nodes, weights = normal_nodes(step) if job_sd > 0 else (np.zeros(1), np.ones(1))
        spread = np.broadcast_to(np.asarray(own_sd, float), mu.shape)
        own, own_weights = normal_nodes(own_step) if spread.any() else (np.zeros(1), np.ones(1))
        load = job_sd * np.broadcast_to(np.asarray(loading, float), mu.shape)
        shift = np.broadcast_to(np.asarray(retry_shift, float), mu.shape)
        eta = (
            mu[None, :, None]
            + nodes[:, None, None] * load[None, :, None]
            + own[None, None, :] * spread[None, :, None]
        )
        first = expit(eta)
        retry = expit(eta + shift[None, :, None]) if shift.any() else first
        return cls(weights, first, retry, own_weights)

    @classmethod
    def from_draws(
        cls,
        mu: Array,
        job_sd: Array,
        *,
        retry_shift: ArrayLike = 0.0,
        effects: int = 8,
        rng: np.random.Generator,
    ) -> Chances:
        """A mixture over draws of the parameters, each with a few draws of a new job's effect.

        Parameters
        ----------
        mu : ndarray, shape (draws, types)
            Logits at the usual job.
        job_sd : ndarray, shape (draws,)
            Spread between jobs.
        retry_shift : array_like, shape (draws, types), (draws, 1) or scalar
            What a retry adds to the logit.
        effects : int
            Job effects a draw, one in each of as many equal slices of the normal distribution.
        rng : Generator
            Places the effects within their slices.
        """
        draws, types = mu.shape
        slices = (np.arange(effects) + rng.random((draws, effects))) / effects
        u = ndtri(np.clip(slices, 1e-12, 1 - 1e-12))
        eta = (mu[:, None, :] + (job_sd[:, None] * u)[:, :, None]).reshape(-1, types)
        shift = np.broadcast_to(np.asarray(retry_shift, float), mu.shape)
        again = eta + np.repeat(shift, effects, axis=0)
        weights = np.full(len(eta), 1 / len(eta))
        return cls(weights, expit(eta)[:, :, None], expit(again)[:, :, None], np.ones(1))

    def part(self, nodes: NDArray[np.intp]) -> Chances:
        """Some of the nodes, their weights made to sum to one."""
        weights = self.weights[nodes]
        return Chances(
            weights / weights.sum(), self.first[nodes], self.retry[nodes], self.own_weights
        )


def normal_nodes(step: float, reach: float = REACH) -> tuple[Array, Array]:
    """Nodes and weights of the trapezoid rule for a standard normal effect.

    The rule's error for a smooth integrand falls as exp(-2 pi^2 w^2 / step^2), w being the width of
    the integrand's finest feature [1]_; weights are normalised.

    References
    ----------
    .. [1] L. N. Trefethen, J. A. C. Weideman, SIAM Review 56, 385-458, 2014, theorem 5.1,
       https://doi.org/10.1137/130932132
    """
    half = math.ceil(reach / step)
    nodes: Array = np.asarray(np.arange(-half, half + 1) * step, np.float64)
    weights: Array = np.asarray(np.exp(-(nodes**2) / 2), np.float64)
    return nodes, weights / weights.sum()


def node_step(positions: float, chance: float, sd: float) -> float:
    """Step of the trapezoid rule that keeps its error near 1e-12 up to the 99.9 % quantile.

    Given the effect u, failures K have a relative spread of about 1 / sqrt(K); as a function of u
    a probability P(K <= k | u) therefore changes over a width of about 1 / (sd sqrt(K)).
    """
    if sd <= 0:
        return 1.0
    worst = expit(np.log(chance / (1 - chance)) - 3.1 * sd)
    failures = max(positions * (1 - worst) / worst, 1.0)
    width = 1 / (sd * math.sqrt(failures / worst))
    return float(np.clip(0.8 * width, 1 / 256, 0.25))
