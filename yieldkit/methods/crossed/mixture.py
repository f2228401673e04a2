"""A quantity whose distribution is a weighted mixture of normal ones."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr, ndtri

from yieldkit.methods.crossed.design import Array

MOST_STEPS = 80


@dataclass(frozen=True, eq=False)
class Mixture:
    """Several quantities, each a mixture of normals over the same nodes.

    Parameters
    ----------
    weight : ndarray, shape (nodes,)
        Weights, adding to 1.
    middle, spread : ndarray, shape (nodes, quantities)
        Mean and standard deviation at each node.
    """

    weight: Array
    middle: Array
    spread: Array

    def mean(self) -> Array:
        """Mean of each quantity."""
        return self.weight @ self.middle

    def sd(self) -> Array:
        """Standard deviation of each quantity."""
        within = self.weight @ self.spread**2
        return np.sqrt(within + self.weight @ (self.middle - self.mean()) ** 2)

    def below(self, limit: Array | float) -> Array:
        """Chance that each quantity is below ``limit``."""
        gap = np.broadcast_to(limit, self.middle.shape[1:]) - self.middle
        safe = np.maximum(self.spread, 1e-300)
        return self.weight @ np.where(self.spread > 0, ndtr(gap / safe), gap > 0)

    def quantile(self, chance: float) -> Array:
        """Value that each quantity stays under with ``chance``: Newton steps within a bracket."""
        if not 0 < chance < 1:
            raise ValueError(f"chance is {chance}, wanted between 0 and 1")
        low = (self.middle - 12 * self.spread).min(axis=0)
        high = (self.middle + 12 * self.spread).max(axis=0)
        at = self.mean() + ndtri(chance) * self.sd()
        wide = np.maximum(self.spread, 1e-300)
        for _ in range(MOST_STEPS):
            z = np.clip((at - self.middle) / wide, -40.0, 40.0)  # beyond, nothing is left
            over = self.weight @ np.where(self.spread > 0, ndtr(z), z > 0) - chance
            low, high = np.where(over < 0, at, low), np.where(over < 0, high, at)
            slope = self.weight @ (np.exp(-(z**2) / 2) / wide) / np.sqrt(2 * np.pi)
            moved = at - over / np.maximum(slope, 1e-300)
            inside = (moved > low) & (moved < high)
            moved = np.where(inside, moved, (low + high) / 2)
            near = np.abs(moved - at).max(initial=0) <= 1e-12 * (1 + np.abs(at).max(initial=0))
            at = moved
            if near:
                break
        return at

    def interval(self, confidence: float = 0.95) -> tuple[Array, Array]:
        """Equal-tailed interval of each quantity."""
        tail = (1 - confidence) / 2
        return self.quantile(tail), self.quantile(1 - tail)
