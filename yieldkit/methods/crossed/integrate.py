"""Effects with the standard deviations of their factors integrated out, under stated priors.

One estimate of the standard deviations, plugged in, claims far too much on a crew of six. Here the
Laplace approximation is taken at many sets of standard deviations, weighted by their posterior.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize
from scipy.special import ndtr, ndtri, stdtrit
from threadpoolctl import threadpool_limits

from yieldkit.methods.crossed.blocks import Root
from yieldkit.methods.crossed.design import Array, Factors
from yieldkit.methods.crossed.mixture import Mixture
from yieldkit.methods.crossed.problem import Inner, Problem
from yieldkit.methods.crossed.responses import Response

TAIL = 6.0
"""Degrees of freedom of the t distribution from which sets of standard deviations come."""
NEAR = 1e-5
"""Newton decrement at which the search for a mode ends."""
LEAST_WEIGHT = 1e-4
"""Nodes lighter than this part of the heaviest are dropped."""


@dataclass(frozen=True, eq=False)
class Node:
    """The approximation at one set of standard deviations.

    ``effects`` are posterior means (the mode moved by the first-order skewness term), ``variance``
    that of each cell's predictor, ``root`` the Cholesky factor of the curvature in units of
    ``scale``; ``log_scale`` is the logarithm of the response's own scale.
    """

    sd: Array
    effects: Array
    variance: Array
    scale: Array
    root: Root
    log_scale: float = 0.0

    def spread_of(self, functionals: Array) -> Array:
        """Standard deviation of linear functionals of the effects, shape (q, m) to (m,)."""
        half = self.root.forward(self.scale[:, None] * functionals)
        return np.sqrt(np.einsum("ij,ij->j", half, half))


@dataclass(frozen=True, eq=False)
class Integrated:
    """Posterior of crossed effects.

    Parameters
    ----------
    factors : Factors
        Factors and levels; effects are in the order of all levels.
    nodes : tuple of Node
        Sets of standard deviations with the approximation at each.
    weight : ndarray, shape (nodes,)
        Their weights.
    centre : float
        Constant of the predictor.
    efficiency : float
        Effective share of the nodes (1: all count alike); under 0.1 the integral is rough.
    """

    factors: Factors
    nodes: tuple[Node, ...]
    weight: Array
    centre: float
    efficiency: float

    def block(self, name: str) -> slice:
        """Columns of a factor."""
        at = self.factors.names.index(name)
        return slice(int(self.factors.start[at]), int(self.factors.start[at + 1]))

    def sds(self) -> Array:
        """Standard deviation of each factor at each node, shape (nodes, K)."""
        return np.array([node.sd for node in self.nodes])

    def linear(self, functionals: Array) -> Mixture:
        """Distribution of linear functionals of the effects, shape (q, m)."""
        return self.smooth(lambda node: (node.effects @ functionals, functionals))

    def smooth(self, quantity: Callable[[Node], tuple[Array, Array]]) -> Mixture:
        """Distribution of smooth functions of the effects, linearised at each node.

        ``quantity`` takes a node and gives values, shape (m,), and their slopes in the effects,
        shape (q, m).
        """
        with threadpool_limits(1, "blas"):
            made = [quantity(node) for node in self.nodes]
            spread = [node.spread_of(s) for node, (_, s) in zip(self.nodes, made, strict=True)]
        return Mixture(self.weight, np.array([value for value, _ in made]), np.array(spread))

    def contrasts(self, name: str, share: Array | None = None) -> Mixture:
        """Each level's effect less the factor's mean; ``share`` weights that mean."""
        rows = self.block(name)
        size = rows.stop - rows.start
        weights = np.full(size, 1 / size) if share is None else share / share.sum()
        functionals = np.zeros((self.factors.q, size))
        functionals[rows] = np.eye(size) - weights[:, None]
        return self.linear(functionals)

    def draws(self, rng: np.random.Generator, size: int) -> tuple[Array, Array]:
        """Joint draws of all effects, shape (size, q), and of standard deviations, (size, K + 1).

        The last column is the response's own scale; 1 where it has none.
        """
        counts = rng.multinomial(size, self.weight)
        effects, sds = [], []
        with threadpool_limits(1, "blas"):
            for node, many in zip(self.nodes, counts, strict=True):
                if not many:
                    continue
                luck = rng.standard_normal((len(node.scale), many))
                moved = node.root.backward(luck)
                effects.append(node.effects + (node.scale[:, None] * moved).T)
                sds.append(np.tile(np.append(node.sd, np.exp(node.log_scale)), (many, 1)))
        order = rng.permutation(size)
        return np.concatenate(effects)[order], np.concatenate(sds)[order]


def integrate(
    response: Response,
    of: Factors,
    *,
    prior: Mapping[str, float],
    held: Mapping[str, float],
    centre: float,
    log_scale: float = 0.0,
    log_scale_sd: float = 0.0,
    points: int = 96,
) -> Integrated:
    """Posterior of the effects of crossed factors.

    Parameters
    ----------
    response : Response
        ``Counts``, or ``Intervals`` with ``log_scale``.
    of : Factors
        All factors, also the fixed ones: give an intercept a factor of one level.
    prior : mapping of float
        Scale of the half-normal prior of each factor whose standard deviation is not known [units
        of the predictor; of the response's scale where that is not known either].
    held : mapping of float
        Standard deviation of the other factors, taken as known: a normal prior of their effects.
    centre : float
        Constant added to the predictor: the prior's middle of the intercept.
    log_scale : float
        Logarithm of the response's scale: its prior's mean.
    log_scale_sd : float
        Standard deviation of that prior, a normal one; the scale is taken as known if zero.
    points : int
        Sets of standard deviations to try.

    References
    ----------
    H. Rue, S. Martino and N. Chopin, J. R. Stat. Soc. B 71, 319-392, 2009 (nested Laplace, mean
    correction in section 3.2); A. Gelman, Bayesian Anal. 1, 515-534, 2006 (half-normal family of
    priors); H. Niederreiter, Random Number Generation and Quasi-Monte Carlo Methods, 1992, chapter
    3 (sequence of multiples).
    """
    wanted = set(prior) | set(held)
    if wanted != set(of.names) or set(prior) & set(held):
        raise ValueError(f"factors {of.names}: give each either a prior or a known spread")
    problem = Problem(response, np.ones((of.codes.shape[1], 1)), of, restricted=False)
    search = _Search(problem, prior, held, centre, (log_scale, log_scale_sd))
    with threadpool_limits(1, "blas"):
        if search.size == 0:
            return Integrated(of, (search.node(np.zeros(0)),), np.ones(1), centre, 1.0)
        middle, root = search.mode()
        near = search.warm
        places, log_proposal = _places(middle, root, points)
        found = []
        for place, proposed in zip(places, log_proposal, strict=True):
            search.warm = near
            inner = search.solve(place)
            found.append((search.log_posterior(inner, place) - proposed, inner, place))
        log_weight = np.array([one[0] for one in found])
        log_weight -= log_weight.max()
        weight = np.exp(log_weight)
        kept = np.flatnonzero(log_weight > np.log(LEAST_WEIGHT))
        efficiency = float(weight.sum() ** 2 / (weight @ weight) / points)
        nodes = tuple(search.node(found[at][2], found[at][1]) for at in kept)
        return Integrated(of, nodes, weight[kept] / weight[kept].sum(), centre, efficiency)


class _Search:
    """The posterior of the standard deviations, each as the normal score of its prior chance.

    The response's scale is the last score where it is not known. So the prior is standard normal,
    and the posterior nearly normal both where the data say little and where they say much.
    """

    def __init__(
        self,
        problem: Problem,
        prior: Mapping[str, float],
        held: Mapping[str, float],
        centre: float,
        log_scale: tuple[float, float],
    ) -> None:
        names = problem.of.names
        self.problem = problem
        self.log_scale, self.log_scale_sd = log_scale
        self.free = np.array([at for at, name in enumerate(names) if name in prior], int)
        self.prior = np.array([prior[names[at]] for at in self.free])
        self.known = np.array([held.get(name, np.nan) for name in names])
        self.fixed = np.array([centre])
        self.size = len(self.free) + (self.log_scale_sd > 0)
        self.warm: Inner | None = None

    def sds(self, scores: Array) -> Array:
        """Standard deviations of all factors: half-normal quantiles of the scores' chances."""
        sd = self.known.copy()
        sd[self.free] = -self.unit(scores) * ndtri(ndtr(-scores[: len(self.free)]) / 2)
        return sd

    def unit(self, scores: Array) -> Array:
        """Scale of each half-normal prior."""
        scale = np.exp(self.log_scale_at(scores)) if self.log_scale_sd else 1.0
        return self.prior * scale

    def log_scale_at(self, scores: Array) -> float:
        """Logarithm of the response's scale."""
        moved = float(scores[-1]) if self.log_scale_sd else 0.0
        return self.log_scale + self.log_scale_sd * moved

    def solve(self, scores: Array) -> Inner:
        """Mode of the effects by Newton steps, to the decrement ``NEAR``."""
        log_scale = self.log_scale_at(scores)
        found = self.problem.solve(self.fixed, self.sds(scores), log_scale, self.warm, near=NEAR)
        self.warm = found
        return found

    def log_posterior(self, inner: Inner, scores: Array) -> float:
        """Of the scores, without its constant."""
        return inner.log_likelihood - float(scores @ scores) / 2

    def mode(self) -> tuple[Array, Array]:
        """Mode of the scores and a root of their covariance there."""
        found = minimize(
            self._value_and_slope,
            np.zeros(self.size),
            jac=True,
            method="L-BFGS-B",
            bounds=[(-4.0, 5.0)] * self.size,
            options={"maxiter": 40, "ftol": 1e-6, "gtol": 0.02},
        )
        width, size = 0.05, len(found.x)
        curve = np.zeros((size, size))
        for at in range(size):
            ends = [self._value_and_slope(found.x + width * side * np.eye(size)[at])[1]
                    for side in (-1, 1)]  # fmt: skip
            curve[at] = (ends[1] - ends[0]) / (2 * width)
        value, vector = np.linalg.eigh((curve + curve.T) / 2)
        # Hardly ever wider than the prior.
        value = np.clip(value, 0.8, None)
        self._value_and_slope(found.x)
        return found.x, vector / np.sqrt(value)

    def _value_and_slope(self, scores: Array) -> tuple[float, Array]:
        sd = self.sds(scores)
        inner = self.solve(scores)
        _, by_sd, by_log_scale = self.problem.gradient(inner, sd)
        # The half-normal's density over the normal's: how fast a deviation moves with its score.
        unit, own = self.unit(scores), scores[: len(self.free)]
        over, by_free = sd[self.free] / unit, by_sd[self.free]
        slope = by_free * unit * np.exp((over**2 - own**2) / 2) / 2
        if self.log_scale_sd:
            whole = by_log_scale + by_free @ sd[self.free]
            slope = np.append(slope, whole * self.log_scale_sd)
        return -self.log_posterior(inner, scores), scores - slope

    def node(self, scores: Array, inner: Inner | None = None) -> Node:
        """The node: the mode moved to the mean by the third derivatives, the curvature there.

        Of a log-likelihood whose third and fourth derivatives are those of a Poisson count (few
        failures of many) the curvature at the mean is right to the second order; that at the mode
        claims too much.
        """
        inner = self.solve(scores) if inner is None else inner
        problem, scale, log_scale = self.problem, inner.scale, self.log_scale_at(scores)
        leverage = problem.leverages(inner.root.inverse(), scale)
        pull = problem.gather(0.5 * inner.slopes.weight_slope * leverage)
        mean = scale * (inner.inner - inner.root.solve(scale * pull))
        there = problem.response.slopes(problem.predictor(mean, self.fixed), log_scale)
        root = problem.pair_sums(np.maximum(there.weight, 1e-12)).root_plus(scale)
        return Node(self.sds(scores), mean, leverage, scale, root, log_scale)


def _places(middle: Array, root: Array, points: int) -> tuple[Array, Array]:
    """Evenly spread points of a t distribution, and the logarithm of its density (no constant)."""
    size = len(middle)
    # Multiples of powers of the root of x ** (d + 1) = x + 1 spread evenly in d dimensions.
    grow = 2.0
    for _ in range(60):
        grow = (1 + grow) ** (1 / (size + 1))
    steps = (1 / grow) ** np.arange(1, size + 1)
    even = (0.5 + np.outer(np.arange(1, points + 1), steps)) % 1.0
    spread = stdtrit(TAIL, even)
    log_density = -(TAIL + 1) / 2 * np.log1p(spread**2 / TAIL).sum(axis=1)
    return middle + spread @ root.T, log_density
