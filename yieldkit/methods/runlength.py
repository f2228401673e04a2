"""Run lengths of charts: how many points until a false alarm, and until a true one."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import ndtr

_NODES = 64


def cusum_mean_run_length(
    limit: float, *, reference: float = 0.5, shift: float = 0.0, head_start: float = 0.0
) -> float:
    """Mean run length of a one-sided upper CUSUM of independent N(shift, 1) values.

    Parameters
    ----------
    limit : float
        Decision limit h [standard deviations].
    reference : float
        Reference value k [standard deviations].
    shift : float
        True mean [standard deviations].
    head_start : float
        Where the sum starts [standard deviations].

    Returns
    -------
    float
        Mean number of points until the sum exceeds ``limit`` [points].

    References
    ----------
    E. S. Page, Biometrika 41, 100-115, 1954 (integral equation); solved at Gauss-Legendre nodes,
    as in A. L. Goel and S. M. Wu, Technometrics 13, 221-230, 1971.
    """
    nodes, weights = np.polynomial.legendre.leggauss(_NODES)
    place, weight = limit * (nodes + 1) / 2, limit * weights / 2

    def step(start: NDArray[np.float64]) -> NDArray[np.float64]:
        # Chance of moving from each start to 0 and to each node.
        away = start[:, None]
        jump = place[None, :] + reference - shift - away
        to_zero = ndtr(reference - shift - away)
        density = np.exp(-(jump**2) / 2) / np.sqrt(2 * np.pi) * weight
        return np.hstack([to_zero, density])

    starts = np.concatenate([[0.0], place])
    lengths = np.linalg.solve(np.eye(len(starts)) - step(starts), np.ones(len(starts)))
    return float(1 + step(np.array([head_start]))[0] @ lengths)


def cusum_limit(mean_run_length: float, *, reference: float = 0.5) -> float:
    """Decision limit h whose one-sided CUSUM has the wanted in-control mean run length [points]."""
    if mean_run_length <= 1:
        raise ValueError(f"mean run length is {mean_run_length}, wanted more than 1 point")
    return float(
        brentq(
            lambda limit: np.log(
                cusum_mean_run_length(limit, reference=reference) / mean_run_length
            ),
            1e-6,
            30.0,
        )
    )
