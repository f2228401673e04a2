"""Scores of single joints for sums: how much more likely under a rise than as usual."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]


def worse_chance(chance: ArrayLike, odds_ratio: float) -> Array:
    """Chance of failure when the odds are ``odds_ratio`` times those of ``chance``."""
    usual = np.asarray(chance, float)
    return odds_ratio * usual / (1 - usual + odds_ratio * usual)


def failure_scores(failed: ArrayLike, chance: ArrayLike, odds_ratio: float) -> Array:
    """Score of each attempt for a rise of the odds of failure, its usual chance known.

    Parameters
    ----------
    failed : array_like of bool, shape (attempts,)
        Whether it failed.
    chance : array_like, shape (attempts,)
        Its usual chance of failure, from type and other units.
    odds_ratio : float
        Rise of the odds to watch for (above 1), or fall (below 1).

    References
    ----------
    S. H. Steiner, R. J. Cook, V. T. Farewell and T. Treasure, Biostatistics 1, 441-452, 2000,
    equation 2 (risk-adjusted CUSUM).
    """
    usual = np.asarray(chance, float)
    common = 1 - usual + odds_ratio * usual
    return np.where(np.asarray(failed, bool), np.log(odds_ratio), 0.0) - np.log(common)
