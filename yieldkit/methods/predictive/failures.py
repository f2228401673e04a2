"""Failed tries until N positions are accepted or given up: distributions at every node.

``spectrum`` says how. Where first tries and retries are alike and nothing caps them, the sum is
negative binomial in closed form.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache

import numpy as np
from scipy.special import gammaln, nbdtr

from yieldkit.methods.predictive.chances import Array, Chances
from yieldkit.methods.predictive.spectrum import (
    BLOCK,
    FORGET,
    MOST,
    Ending,
    Work,
    last_fails,
    moments,
    spectra,
    windows,
)

HAIR = 1e-13
"""Slack of a quantile's level, so that a level met exactly is met."""
NEIGHBOURS = 4
"""Nodes of like chance that are worked out over one range."""


def mean_and_variance(chances: Chances, work: Work, kind: int = 0) -> tuple[float, float]:
    """Mean and variance of the failures counted, exact over the nodes."""
    p, r = chances.first[:, kind], chances.retry[:, kind]
    mean, variance = moments(p, r, work)
    own = chances.own_weights
    middle = mean @ own
    spread = variance @ own + (mean - middle[:, None]) ** 2 @ own
    total = float(chances.weights @ middle)
    return total, float(chances.weights @ (spread + (middle - total) ** 2))


def given_up(chances: Chances, work: Work, kind: int = 0) -> Array:
    """Chance of 0, 1, 2, ... positions given up, shape (positions + 1,)."""
    if work.tries is None:
        return np.concatenate([np.ones(1), np.zeros(work.positions)])
    lost = last_fails(chances.first[:, kind], chances.retry[:, kind], work.tries)
    counts = np.arange(work.positions + 1)
    with np.errstate(divide="ignore"):
        logs = _choose(work.positions, counts) + _times(counts, np.log(lost)[..., None])
        logs = logs + _times(work.positions - counts, np.log1p(-lost)[..., None])
    return np.einsum("i,j,ijk->k", chances.weights, chances.own_weights, np.exp(logs))


def mixed_pmf(chances: Chances, work: Work, kind: int = 0, ending: Ending = "failed") -> Array:
    """Distribution of the failures counted, mixed over all nodes, shape (most + 1,)."""
    if _closed(chances, work, kind):
        return _closed_mixture(chances, work, kind)
    work = _counted(work, ending)
    return _mixture(chances, [(kind, work)], ending)


def total_pmf(chances: Chances, works: Sequence[Work]) -> Array:
    """Distribution of the failures counted of all types together, the job effect kept."""
    return _mixture(chances, list(enumerate(works)), "failed")


def node_pmf(
    chances: Chances,
    work: Work,
    kind: int,
    upto: int | None = None,
    ending: Ending = "failed",
    *,
    tail: float = 1e-15,
) -> Array:
    """Distribution of the failures counted at each node, shape (nodes, most + 1).

    ``upto`` is the most that is looked at; if missing, as far as the mixture's chance of more is
    ``tail``.
    """
    if upto is None:
        mixed = mixed_pmf(chances, work, kind, ending)
        beyond = np.cumsum(mixed[::-1])[::-1]
        upto = max(int(np.searchsorted(-beyond, -tail)), 1)
    if _closed(chances, work, kind):
        return _closed_rows(chances, work, kind, upto + 1)
    return _rows(chances, [(kind, _counted(work, ending))], upto, ending)


def node_total_pmf(chances: Chances, works: Sequence[Work], upto: int) -> Array:
    """Distribution of the pieces of all types together at each node, shape (nodes, upto + 1)."""
    return _rows(chances, list(enumerate(works)), upto, "failed")


def node_enough(chances: Chances, work: Work, kind: int, spares: int) -> Array:
    """Chance at each node that no more than ``spares`` failures are counted, shape (nodes,)."""
    if spares >= 0 and _closed(chances, work, kind):
        p = chances.first[:, kind]
        reached = nbdtr(spares, work.positions, p / (p + (1 - p) * work.used[1]))
        return np.asarray(reached @ chances.own_weights, np.float64)
    return _rows(chances, [(kind, work)], spares, "failed").sum(axis=1)


def pieces_after(used: Array, failures: int, upto: int) -> Array:
    """Distribution of the pieces used after 0, 1, 2, ... failures, shape (failures + 1, upto + 1).

    ``used`` is the chance that one failure uses 0, 1, 2, ... pieces. The product of each node's
    distribution of failures with this is that node's distribution of pieces.
    """
    made = np.zeros((failures + 1, upto + 1))
    made[0, 0] = 1.0
    for k in range(failures):
        for pieces, chance in enumerate(used):
            if chance and pieces <= upto:
                made[k + 1, pieces:] += chance * made[k, : upto + 1 - pieces]
    return made


def quantiles(pmf: Array, levels: Sequence[float]) -> list[int]:
    """Smallest count whose cumulative chance reaches each level."""
    reached = np.cumsum(pmf)
    found = np.searchsorted(reached, np.asarray(levels) - HAIR)
    return [int(at) for at in np.minimum(found, len(pmf) - 1)]


def failures_in_attempts(chances: Chances, attempts: int, kind: int = 0) -> Array:
    """Distribution of failed first tries among ``attempts``, shape (attempts + 1,)."""
    p = chances.first[:, kind]
    counts = np.arange(attempts + 1)
    with np.errstate(divide="ignore"):
        logs = _choose(attempts, counts) + _times(counts, np.log1p(-p)[..., None])
        logs = logs + _times(attempts - counts, np.log(p)[..., None])
    return np.einsum("i,j,ijk->k", chances.weights, chances.own_weights, np.exp(logs))


def _mixture(chances: Chances, works: Sequence[tuple[int, Work]], ending: Ending) -> Array:
    parts = []
    for window in windows(chances, works, ending):
        for begin, waves in spectra(chances, works, window, ending):
            parts += window.mixture(chances.weights, waves, begin)
    made = np.zeros(max(start + len(part) for start, part in parts))
    for start, part in parts:
        made[start : start + len(part)] += part
    return made


def _rows(chances: Chances, works: Sequence[tuple[int, Work]], upto: int, ending: Ending) -> Array:
    made = np.zeros((len(chances.weights), max(upto + 1, 0)))
    for window in windows(chances, works, ending):
        for begin, waves in spectra(chances, works, window, ending, width=window.length):
            here = slice(begin, begin + len(waves))
            rows = window.unfolded(waves, window.start[here])
            for start in np.unique(window.start[here]).tolist():
                some = window.start[here] == start
                keep = min(max(upto + 1 - start, 0), window.length)
                made[window.nodes[here][some], start : start + keep] = rows[some, :keep]
    return made


def _counted(work: Work, ending: Ending) -> Work:
    """The work as its failures are counted: bodies beyond a position's own need one try less."""
    if ending == "extra" and work.tries is not None:
        return replace(work, tries=work.tries - 1)
    return work


def _closed(chances: Chances, work: Work, kind: int) -> bool:
    return (
        work.tries is None
        and len(work.used) == 2
        and bool(np.array_equal(chances.first[:, kind], chances.retry[:, kind]))
    )


def _closed_rows(chances: Chances, work: Work, kind: int, length: int) -> Array:
    """Negative binomial rows; a thinned one is negative binomial too."""
    p = chances.first[:, kind]
    p = p / (p + (1 - p) * work.used[1])
    counts = np.arange(length)
    constant = _negative_choose(work.positions, counts)
    made = np.empty((len(p), length))
    for few in _blocks(len(p), length * p.shape[1]):
        with np.errstate(divide="ignore"):
            logs = constant + work.positions * np.log(p[few])[..., None]
            logs = logs + _times(counts, np.log1p(-p[few])[..., None])
        made[few] = np.einsum("j,ijk->ik", chances.own_weights, np.exp(logs))
    return made


def _blocks(nodes: int, width: int) -> list[slice]:
    many = max(1, BLOCK // max(width, 1))
    return [slice(start, start + many) for start in range(0, nodes, many)]


def _closed_mixture(chances: Chances, work: Work, kind: int) -> Array:
    """Mixture of negative binomials; each node is worked out where it has any chance at all."""
    weights = (chances.weights[:, None] * chances.own_weights).ravel()
    p = chances.first[:, kind].ravel()
    p = p / (p + (1 - p) * work.used[1])
    order = np.argsort(-p, kind="stable")
    light = np.cumsum(np.sort(weights)) < FORGET
    least = np.sort(weights)[light][-1] if light.any() else -1.0
    order = order[weights[order] > least]
    weights, p = weights[order], p[order]
    n = work.positions
    mean, sd = n * (1 - p) / p, np.sqrt(n * (1 - p)) / p
    low = np.maximum(mean - 8 * sd - 10, 0).astype(int)
    high = (mean + 8.5 * sd + 32 / np.maximum(-np.log1p(-np.minimum(p, 1 - 1e-15)), 1e-9)).astype(
        int
    )
    if high.max() + 16 > MOST:
        raise OverflowError("so many failures are possible that they cannot be counted")
    counts = np.arange(max(high.max() + 17, 128))
    constant = _negative_choose(n, counts)
    made = np.zeros(len(counts))
    with np.errstate(divide="ignore"):
        passes, fails = n * np.log(p), np.log1p(-p)
    for start in range(0, len(p), NEIGHBOURS):
        some = slice(start, start + NEIGHBOURS)
        window = slice(int(low[some].min()), int(high[some].max()) + 16)
        logs = _times(counts[window], fails[some, None])
        logs += constant[window]
        logs += passes[some, None]
        made[window] += weights[some] @ np.exp(logs, out=logs)
    return made


def _times(counts: np.ndarray, logs: Array) -> Array:
    """``counts * logs`` with 0 times minus infinity as 0."""
    if np.isfinite(logs).all():
        return counts * logs
    return np.where(counts == 0, 0.0, counts * np.where(counts == 0, 0.0, logs))


def _choose(n: int, k: np.ndarray) -> Array:
    return gammaln(n + 1) - gammaln(k + 1) - gammaln(n - k + 1)


def _negative_choose(n: int, k: np.ndarray) -> Array:
    """Log of choose(n + k - 1, k), by sums of logs: 1e-13 where log-gamma differences lose it."""
    size = 1 << int(len(k) - 1).bit_length()
    return _log_choose(n, size)[: len(k)]


@lru_cache(maxsize=16)
def _log_choose(n: int, size: int) -> Array:
    steps = np.log1p((n - 1) / np.arange(1, size))
    return np.concatenate([np.zeros(1), np.cumsum(steps)])
