"""Failed tries until N positions are accepted or given up: distributions at every node.

With tries independent given the node, a position's failures have the generating function

    g(z) = p + q z (r (1 - x^(T-1)) / (1 - x) + x^(T-1)),   x = (1 - r) z,

p passing at the first try, r at a retry, T tries at most; without a cap x^(T-1) is 0. N positions
give g^N; where a failure uses j pieces with chance s_j, z is replaced by the sum of s_j z^j; types
multiply.
Distributions come back by the discrete Fourier transform over a range long enough that what folds
over is below 1e-14. Where p = r and there is no cap, the sum is negative binomial in closed form.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
from scipy.special import gammaln, nbdtr

from yieldkit.methods.predictive.chances import Array, Chances

HAIR = 1e-13
"""Slack of a quantile's level, so that a level met exactly is met."""
FORGET = 1e-12
"""Weight of the nodes, in all, that distributions leave out."""
BLOCK = 1 << 19
"""Numbers worked on at a time; bounds memory."""
NEIGHBOURS = 4
"""Nodes of like chance that are worked out over one range."""
MOST = 1 << 21
"""Longest range of failures [pieces]."""

Ending = Literal["failed", "extra", "dropped"]
"""What a position given up after T tries counts: T failures; T - 1, the bodies beyond its own; or
nothing at all, its probability being left out."""


@dataclass(frozen=True)
class Work:
    """What is to be done of one type.

    Parameters
    ----------
    positions : int
        Positions to be accepted.
    tries : int, optional
        Most tries a position may take; no limit if missing.
    share : float
        Chance that a failure is counted (uses one piece of the part in question); 1 counts failures
        themselves.
    pieces : tuple of float, optional
        In place of ``share``: chance that a failure uses 0, 1, 2, ... pieces.
    """

    positions: int
    tries: int | None = None
    share: float = 1.0
    pieces: tuple[float, ...] | None = None

    @property
    def used(self) -> Array:
        """Chance that a failure uses 0, 1, 2, ... pieces."""
        return np.array(self.pieces or (1 - self.share, self.share))


def mean_and_variance(chances: Chances, work: Work, kind: int = 0) -> tuple[float, float]:
    """Mean and variance of the failures counted, exact over the nodes."""
    p, r = chances.first[:, kind], chances.retry[:, kind]
    mean, variance = _moments(p, r, work)
    own = chances.own_weights
    middle = mean @ own
    spread = variance @ own + (mean - middle[:, None]) ** 2 @ own
    total = float(chances.weights @ middle)
    return total, float(chances.weights @ (spread + (middle - total) ** 2))


def given_up(chances: Chances, work: Work, kind: int = 0) -> Array:
    """Chance of 0, 1, 2, ... positions given up, shape (positions + 1,)."""
    if work.tries is None:
        return np.concatenate([np.ones(1), np.zeros(work.positions)])
    lost = _last(chances.first[:, kind], chances.retry[:, kind], work.tries)
    counts = np.arange(work.positions + 1)
    with np.errstate(divide="ignore"):
        logs = _choose(work.positions, counts) + _times(counts, np.log(lost)[..., None])
        logs = logs + _times(work.positions - counts, np.log1p(-lost)[..., None])
    return np.einsum("i,j,ijk->k", chances.weights, chances.own_weights, np.exp(logs))


def mixed_pmf(chances: Chances, work: Work, kind: int = 0, ending: Ending = "failed") -> Array:
    """Distribution of the failures counted, mixed over all nodes, shape (most + 1,)."""
    if _closed(chances, work, kind, slice(None)):
        return _closed_mixture(chances, work, kind)
    made = np.zeros(1)
    for some, length in _groups(chances, [(kind, work)]):
        spectrum = np.zeros(length // 2 + 1, complex)
        for few in _blocks(some, length * chances.first.shape[2]):
            spectrum += chances.weights[few] @ _wave(chances, work, kind, few, length, ending)
        made = _add(made, np.maximum(np.fft.irfft(spectrum, length), 0))
    return made


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
    parts = []
    for some, length in _groups(chances, [(kind, work)]):
        keep = length if upto is None else min(upto + 1, length)
        if _closed(chances, work, kind, some):
            parts.append((some, _closed_rows(chances, work, kind, some, keep)))
            continue
        for few in _blocks(some, length * chances.first.shape[2]):
            rows = np.fft.irfft(_wave(chances, work, kind, few, length, ending), length)
            parts.append((few, np.maximum(rows[:, :keep], 0)))
    size = 1 + max(rows.shape[1] - 1 for _, rows in parts) if upto is None else upto + 1
    if upto is None:
        mixed = np.zeros(size)
        for some, rows in parts:
            mixed[: rows.shape[1]] += chances.weights[some] @ rows
        beyond = np.cumsum(mixed[::-1])[::-1]
        size = max(int(np.searchsorted(-beyond, -tail)), 1) + 1
    made = np.zeros((len(chances.weights), size))
    for some, rows in parts:
        keep = min(size, rows.shape[1])
        made[some, :keep] = rows[:, :keep]
    return made


def node_enough(chances: Chances, work: Work, kind: int, spares: int) -> Array:
    """Chance at each node that no more than ``spares`` failures are counted, shape (nodes,)."""
    if spares >= 0 and _closed(chances, work, kind, slice(None)):
        p = chances.first[:, kind]
        reached = nbdtr(spares, work.positions, p / (p + (1 - p) * work.used[1]))
        return np.asarray(reached @ chances.own_weights, np.float64)
    return node_pmf(chances, work, kind, spares).sum(axis=1)


def total_pmf(chances: Chances, works: Sequence[Work]) -> Array:
    """Distribution of the failures counted of all types together, the job effect kept."""
    made = np.zeros(1)
    for some, length in _groups(chances, list(enumerate(works))):
        spectrum = np.zeros(length // 2 + 1, complex)
        for few in _blocks(some, length * chances.first.shape[2]):
            wave = np.ones((len(few), length // 2 + 1), complex)
            for kind, work in enumerate(works):
                wave *= _wave(chances, work, kind, few, length, "failed")
            spectrum += chances.weights[few] @ wave
        made = _add(made, np.maximum(np.fft.irfft(spectrum, length), 0))
    return made


def node_total_pmf(chances: Chances, works: Sequence[Work], upto: int) -> Array:
    """Distribution of the pieces of all types together at each node, shape (nodes, upto + 1)."""
    made = np.zeros((len(chances.weights), upto + 1))
    for some, length in _groups(chances, list(enumerate(works))):
        for few in _blocks(some, length * chances.first.shape[2]):
            wave = np.ones((len(few), length // 2 + 1), complex)
            for kind, work in enumerate(works):
                wave *= _wave(chances, work, kind, few, length, "failed")
            rows = np.fft.irfft(wave, length)
            keep = min(upto + 1, length)
            made[few, :keep] = np.maximum(rows[:, :keep], 0)
    return made


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


def _moments(p: Array, r: Array, work: Work) -> tuple[Array, Array]:
    """Mean and variance of the failures counted, given the node."""
    q, t, n = 1 - p, 1 - r, work.positions
    pieces = np.arange(len(work.used))
    s, s2 = float(work.used @ pieces), float(work.used @ pieces**2)
    if work.tries is None:
        mean, square = q / r, q * (1 + t) / r**2
    else:
        at = np.arange(1, work.tries + 1)[:, None, None]  # P(at least `at` failures) = q t^(at-1)
        least = q[None] * t[None] ** (at - 1)
        mean, square = least.sum(axis=0), ((2 * at - 1) * least).sum(axis=0)
    variance = square - mean**2
    return n * s * mean, n * (s**2 * variance + (s2 - s**2) * mean)


def _last(p: Array, r: Array, tries: int) -> Array:
    """Chance that a position is given up."""
    return (1 - p) * (1 - r) ** (tries - 1)


def _groups(
    chances: Chances, works: Sequence[tuple[int, Work]]
) -> Iterator[tuple[np.ndarray, int]]:
    """Nodes by the length of range that they need (powers of two); the lightest are left out."""
    order = np.argsort(chances.weights, kind="stable")
    light = np.cumsum(chances.weights[order]) < FORGET
    kept = np.sort(order[~light])
    need = np.zeros(len(kept))
    for kind, work in works:
        p, r = chances.first[kept, kind], chances.retry[kept, kind]
        mean, variance = _moments(p, r, work)
        tail = 40.0 / np.maximum(-np.log1p(-np.minimum(r, 1 - 1e-15)), 1e-9)
        most = len(work.used) - 1
        far = mean + 10 * np.sqrt(variance) + most * tail + 16
        if work.tries is not None:
            far = np.minimum(far, most * work.positions * work.tries + 1)
        need += far.max(axis=1)
    if need.size and need.max() > MOST:
        raise OverflowError("so many failures are possible that they cannot be counted")
    size = 2 ** np.ceil(np.log2(np.maximum(need, 16))).astype(int)
    for length in np.unique(size):
        yield kept[size == length], int(length)


def _blocks(some: np.ndarray, width: int) -> Iterator[np.ndarray]:
    many = max(1, BLOCK // max(width, 1))
    for start in range(0, len(some), many):
        yield some[start : start + many]


def _wave(
    chances: Chances, work: Work, kind: int, some: np.ndarray, length: int, ending: Ending
) -> np.ndarray:
    """Generating function on the unit circle at some nodes, shape (nodes, length // 2 + 1)."""
    circle = np.exp(-2j * np.pi * np.arange(length // 2 + 1) / length)
    z = np.polynomial.polynomial.polyval(circle, work.used)
    p, r = chances.first[some, kind][..., None], chances.retry[some, kind][..., None]
    x = (1 - r) * z
    if work.tries is None:
        one = p + (1 - p) * r * z / (1 - x)
    else:
        power = _power(x, work.tries - 1)
        last = 0.0 * power if ending == "dropped" else z * power
        if ending == "extra":
            last = power if work.tries == 1 else last / z
        stuck = chances.retry[some, kind].min() == 0  # then x may be 1, and the series T - 1
        under = np.where(1 - x == 0, 1.0, 1 - x) if stuck else 1 - x
        series = (1 - power) / under
        if stuck:
            series = np.where(1 - x == 0, work.tries - 1, series)
        one = p + (1 - p) * (z * r * series + last)
    with np.errstate(divide="ignore"):  # a position that cannot end is log 0, and its power 0
        made = np.exp(work.positions * np.log(one))
    if len(chances.own_weights) == 1:
        return made[:, 0]
    return np.einsum("j,ijk->ik", chances.own_weights, made)


def _power(x: np.ndarray, exponent: int) -> np.ndarray:
    """Whole power by squaring: much faster than the general power of complex numbers."""
    made = np.ones_like(x)
    while exponent:
        if exponent & 1:
            made = made * x
        exponent >>= 1
        if exponent:
            x = x * x
    return made


def _closed(chances: Chances, work: Work, kind: int, some: np.ndarray | slice) -> bool:
    return (
        work.tries is None
        and len(work.used) == 2
        and bool(np.array_equal(chances.first[some, kind], chances.retry[some, kind]))
    )


def _closed_rows(chances: Chances, work: Work, kind: int, some: np.ndarray, length: int) -> Array:
    """Negative binomial rows; a thinned one is negative binomial too."""
    p = chances.first[some, kind]
    p = p / (p + (1 - p) * work.used[1])
    counts = np.arange(length)
    constant = _negative_choose(work.positions, counts)
    made = np.empty((len(some), length))
    for few in _blocks(np.arange(len(some)), length * p.shape[1]):
        with np.errstate(divide="ignore"):
            logs = constant + work.positions * np.log(p[few])[..., None]
            logs = logs + _times(counts, np.log1p(-p[few])[..., None])
        made[few] = np.einsum("j,ijk->ik", chances.own_weights, np.exp(logs))
    return made


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


def _add(a: Array, b: Array) -> Array:
    if len(a) < len(b):
        a, b = b, a
    made = a.copy()
    made[: len(b)] += b
    return made
