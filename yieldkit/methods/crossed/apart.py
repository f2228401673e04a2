"""What a layout cannot tell apart, and what more work on swapped kit would add."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from threadpoolctl import threadpool_limits

from yieldkit.methods.crossed.blocks import PairSums
from yieldkit.methods.crossed.design import Array, Factors
from yieldkit.methods.crossed.integrate import Integrated

ZERO = 1e-9
"""Eigenvalues of the scaled cross-products below this are nil."""

MOST_NODES = 16
"""Sets of standard deviations over which a plan's precision is averaged."""


@dataclass(frozen=True, eq=False)
class Apart:
    """How well each level's contrast with its factor's mean can be told from all others.

    Parameters
    ----------
    factors : Factors
        Factors and levels.
    estimable : ndarray of bool, shape (q,)
        False: some other levels explain the same joints exactly.
    kept : ndarray, shape (q,)
        Information left when the other factors are estimated too, as a share of what the level
        alone would have: 1 in a balanced layout, 0 where the contrast is not estimable.
    """

    factors: Factors
    estimable: np.ndarray
    kept: Array


def tell_apart(of: Factors, weight: Array) -> Apart:
    """Exact and near confounding of a layout, all factors taken as fixed.

    Parameters
    ----------
    of : Factors
        Factors of the cells.
    weight : ndarray, shape (n,)
        Trials of each cell.

    References
    ----------
    S. R. Searle, Linear Models, 1971, section 5.4 (estimable: in the row space of the layout).
    """
    gram, count = PairSums(of)(weight).dense(), of.sums(weight)
    used = count > 0
    root = np.where(used, 1 / np.sqrt(np.maximum(count, 1e-300)), 0.0)
    value, vector = np.linalg.eigh(gram * root[:, None] * root)
    solid = value > ZERO * max(value.max(), 1.0)
    estimable, kept = np.zeros(of.q, bool), np.zeros(of.q)
    for at in range(len(of.names)):
        rows = slice(int(of.start[at]), int(of.start[at + 1]))
        share = count[rows] / count[rows].sum()
        for level in np.flatnonzero(used[rows]):
            contrast = np.zeros(of.q)
            contrast[rows] = -share
            contrast[rows.start + level] += 1
            if share[level] == 1:
                continue
            turned = vector.T @ (root * contrast)
            within = float(turned[solid] @ (turned[solid] / value[solid]))
            alone = float((contrast[rows][used[rows]] ** 2 / count[rows][used[rows]]).sum())
            estimable[rows.start + level] = np.abs(turned[~solid]).max(initial=0) < 1e-6
            if estimable[rows.start + level]:
                kept[rows.start + level] = min(alone / within, 1.0)
    return Apart(of, estimable, kept)


def overlaps(of: Factors, weight: Array) -> Array:
    """Share of a level's trials that another level also had, shape (q, q); rows the level."""
    gram, count = PairSums(of)(weight).dense(), of.sums(weight)
    return gram / np.maximum(count, 1e-300)[:, None]


def precision_after(
    posterior: Integrated, contrast: Array, codes: Array, weight: Array
) -> tuple[float, float]:
    """Standard deviation of a contrast now, and after more trials.

    Variances are averaged over the likeliest sets of standard deviations, held at their weights.

    Parameters
    ----------
    posterior : Integrated
        What is known.
    contrast : ndarray, shape (q,)
        Linear functional of the effects.
    codes : ndarray of int, shape (K, m)
        Levels of m further cells, counted over all factors.
    weight : ndarray, shape (m,)
        Information of each: trials times chance times (1 - chance).
    """
    columns = np.zeros((len(contrast), len(weight)))
    for row in codes:
        columns[row, np.arange(len(weight))] += 1.0
    heaviest = np.argsort(posterior.weight)[::-1][:MOST_NODES]
    share = posterior.weight[heaviest] / posterior.weight[heaviest].sum()
    now, then = np.zeros(len(heaviest)), np.zeros(len(heaviest))
    with threadpool_limits(1, "blas"):
        for at, place in enumerate(heaviest):
            node = posterior.nodes[place]
            half = node.scale[:, None] * columns
            through = node.root.solve(half)
            inner = half.T @ through
            inner[np.diag_indices_from(inner)] += 1 / np.maximum(weight, 1e-12)
            gain = (node.scale * contrast) @ through
            now[at] = node.spread_of(contrast[:, None])[0] ** 2
            then[at] = now[at] - gain @ np.linalg.solve(inner, gain)
    return float(np.sqrt(share @ now)), float(np.sqrt(max(share @ then, 0.0)))
