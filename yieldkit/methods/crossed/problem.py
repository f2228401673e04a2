"""The inner problem of Laplace's approximation: mode of the effects, curvature, slopes."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from yieldkit.methods.crossed.blocks import Pairs, PairSums, Root, with_fixed, without_fixed
from yieldkit.methods.crossed.design import Array, Factors
from yieldkit.methods.crossed.responses import Response, Slopes

_STEPS = 200


@dataclass(frozen=True, eq=False)
class Inner:
    """The mode of the inner problem at given standard deviations.

    ``inner`` holds the fixed effects first where they are integrated out too, then the effects in
    units of their standard deviation; ``root`` is the Cholesky factor of the curvature there.
    ``fixed`` and ``scale`` are what it was solved for (the scale of a fixed effect is 1),
    ``slopes``, ``pairs``, ``levels_x`` and ``sums`` the cells' slopes and their sums.
    """

    inner: Array
    fixed: Array
    scale: Array
    slopes: Slopes
    pairs: Pairs
    levels_x: Array
    sums: Array
    root: Root
    log_likelihood: float


@dataclass(frozen=True, eq=False)
class Problem:
    """A response with its fixed effects and factors; ``restricted`` integrates the fixed too."""

    response: Response
    x: Array
    of: Factors
    restricted: bool

    @cached_property
    def pair_sums(self) -> PairSums:
        """Sums over pairs of levels."""
        return PairSums(self.of)

    @property
    def inside(self) -> int:
        """Number of fixed effects inside the inner problem."""
        return self.x.shape[1] if self.restricted else 0

    def scale(self, sd: Array) -> Array:
        """Unit of each inner unknown: 1, or the standard deviation of its factor."""
        return np.concatenate([np.ones(self.inside), sd[self.of.owner]])

    def predictor(self, natural: Array, fixed: Array) -> Array:
        """Linear predictor of each cell; ``natural`` are the inner unknowns times their scale."""
        p = self.inside
        return self.x @ (natural[:p] if p else fixed) + self.of.spread(natural[p:])

    def gather(self, cell: Array) -> Array:
        """Cells' values summed over what each inner unknown belongs to."""
        own = np.asarray(self.of.levels_by_cells @ cell)
        return np.concatenate([self.x.T @ cell, own]) if self.restricted else own

    def cross(self, weight: Array) -> Array:
        """Sums of ``weight * x`` over the cells of each level, shape (levels, p)."""
        return np.asarray(self.of.levels_by_cells @ (weight[:, None] * self.x))

    def solve(
        self,
        fixed: Array,
        sd: Array,
        log_scale: float,
        start: Inner | None,
        *,
        near: float = 1e-19,
    ) -> Inner:
        """Mode of the inner problem by Newton steps, halved where they do not climb.

        It begins at the mode of the quadratic that ``start`` left, which costs no pass over the
        cells, and ends at a decrement of ``near``.
        """
        of, p = self.of, self.inside
        scale, prior = self.scale(sd), np.concatenate([np.zeros(p), np.ones(of.q)])
        at = self._nil() if start is None else self._guess(start, fixed, scale, prior)
        slopes, height = self._height(at, fixed, scale, log_scale)
        if start is not None and not np.isfinite(height):
            at = self._nil()
            slopes, height = self._height(at, fixed, scale, log_scale)
        for _ in range(_STEPS):
            weight = np.maximum(slopes.weight, 1e-12)
            pairs, levels_x = self.pair_sums(weight), np.zeros((of.q, 0))
            if p:
                levels_x = self.cross(weight)
                pairs = with_fixed(pairs, levels_x, self.x, weight)
            root = pairs.root_plus(scale, prior)
            sums = self.gather(slopes.first)
            slope = scale * sums - prior * at
            step = root.solve(slope)
            if slope @ step < near:
                break
            size = 1.0
            for _ in range(40):
                tried, higher = self._height(at + size * step, fixed, scale, log_scale)
                if higher >= height - 1e-12 * abs(height):
                    break
                size /= 2
            at, slopes, height = at + size * step, tried, higher
        marginal = height - root.log_det() / 2 + p / 2 * np.log(2 * np.pi)
        return Inner(
            at, fixed, scale, slopes, pairs, levels_x, sums, root, float(marginal)
        )  # fmt: skip

    def _nil(self) -> Array:
        at = np.zeros(self.inside + self.of.q)
        if self.inside:
            at[0] = self.response.start()
        return at

    def _guess(self, start: Inner, fixed: Array, scale: Array, prior: Array) -> Array:
        pull = start.sums + start.pairs.dot(start.scale * start.inner)
        moved = fixed - start.fixed
        if not self.restricted and moved.any():
            pull = pull - self.cross(start.slopes.weight) @ moved
        return start.pairs.root_plus(scale, prior).solve(scale * pull)

    def _height(
        self, at: Array, fixed: Array, scale: Array, log_scale: float
    ) -> tuple[Slopes, float]:
        slopes = self.response.slopes(self.predictor(scale * at, fixed), log_scale)
        own = at[self.inside :]
        return slopes, slopes.height - float(own @ own) / 2

    def leverages(self, inverse: Pairs, scale: Array) -> Array:
        """Variance of each cell's predictor, ``inverse`` being that of the inner curvature."""
        p, natural = self.inside, inverse.scaled(scale)
        leverage = self.pair_sums.leverages(without_fixed(natural, p))
        if p:
            fixed = natural.rest[:p, :p]
            leverage += np.einsum("ij,jk,ik->i", self.x, fixed, self.x)
            for column in range(p):
                levels = np.empty(natural.size)
                levels[natural.large] = natural.cross[:, column]
                levels[natural.small] = natural.rest[:, column]
                leverage += 2 * self.x[:, column] * self.of.spread(levels[p:])
        return leverage

    def gradient(self, at: Inner, sd: Array) -> tuple[Array, Array, float]:
        """Slopes of the Laplace log-likelihood in fixed effects, standard deviations, log scale."""
        of, p, slopes = self.of, self.inside, at.slopes
        inverse = at.root.inverse()
        leverage = self.leverages(inverse, at.scale)
        pull = 0.5 * slopes.weight_slope * leverage
        back = at.root.solve(at.scale * self.gather(pull))
        nothing = np.zeros_like(at.fixed)
        total = slopes.first - pull + slopes.weight * self.predictor(at.scale * back, nothing)
        fixed = self.x.T @ total if not self.restricted else np.zeros(0)
        own = inverse.row_dots(at.pairs, at.scale)
        per_level = at.inner[p:] * (of.levels_by_cells @ total) - (own + back * at.sums)[p:]
        deviations = np.bincount(of.owner, per_level, minlength=len(sd)).astype(float, copy=False)
        in_scale = 0.0
        if self.response.has_scale:
            assert slopes.scale_first is not None and slopes.first_in_scale is not None
            assert slopes.weight_in_scale is not None
            in_scale = float(
                slopes.scale_first.sum()
                - 0.5 * (leverage @ slopes.weight_in_scale)
                - (at.scale * self.gather(slopes.first_in_scale)) @ back
            )
        return fixed, deviations, in_scale
