"""Generating functions of failures at every node, and the windows in which they are inverted.

With tries independent given the node, a position's failures have the generating function

    g(z) = p + q z (r (1 + x + ... + x^(T-2)) + x^(T-1)),   x = (1 - r) z,

p passing at the first try, r at a retry, T tries at most; without a cap r / (1 - x). N positions
give g^N; where a failure uses j pieces with chance s_j, z is replaced by the sum of s_j z^j; types
multiply.

The distribution comes back by the discrete Fourier transform over a window around the node's mean,
long enough that what folds over is below 1e-14; only the low frequencies are worked out, beyond
which the function is surely under 1e-18.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from yieldkit.methods.predictive.chances import Array, Chances

FORGET = 1e-12
"""Weight of the nodes, in all, that distributions leave out."""
BLOCK = 1 << 19
"""Numbers worked on at a time; bounds memory."""
MOST = 1 << 21
"""Longest range of failures [pieces]."""
FOLDS = 36.8
"""Minus the log of the chance below, or above, a window (1e-16)."""
PARTS = 8
"""A window starts at a multiple of this part of its length, so that many nodes share one."""
VANISHES = 41.4
"""Minus the log of a frequency's size from which on it is left out (1e-18)."""

Ending = Literal["failed", "extra", "dropped"]
"""What a position given up after T tries counts: T failures; T - 1, the bodies beyond its own, as
if it had one try less; or nothing at all, its probability being left out."""


@dataclass(frozen=True)
class Work:
    """What is to be done of one type.

    Parameters
    ----------
    positions : int
        Positions to be accepted.
    tries : int, optional
        Most tries a position may take; no limit if missing, no failure counted if 0.
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


def moments(p: Array, r: Array, work: Work) -> tuple[Array, Array]:
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


def last_fails(p: Array, r: Array, tries: int) -> Array:
    """Chance that a position is given up."""
    return (1 - p) * (1 - r) ** (tries - 1)


@dataclass(frozen=True, eq=False)
class Windows:
    """Nodes whose failures lie within ranges of one length, surely enough.

    Parameters
    ----------
    nodes : ndarray of int
        The nodes, sorted by ``start``.
    start : ndarray of int, shape (nodes,)
        First count of each node's range, a multiple of the length's part.
    length : int
        Counts in a range.
    frequencies : int
        Frequencies that have to be worked out.
    """

    nodes: np.ndarray
    start: np.ndarray
    length: int
    frequencies: int

    def mixture(self, weights: Array, spectra: np.ndarray, begin: int) -> list[tuple[int, Array]]:
        """First count and distribution of each range, the nodes from ``begin`` on summed."""
        here = slice(begin, begin + len(spectra))
        begins = np.flatnonzero(np.diff(self.start[here], prepend=-1))
        summed = np.add.reduceat(weights[self.nodes[here], None] * spectra, begins, axis=0)
        starts = self.start[here][begins]
        return list(zip(starts.tolist(), self.unfolded(summed, starts), strict=True))

    def unfolded(self, spectra: np.ndarray, start: np.ndarray) -> Array:
        """Distribution over each range's counts, shape (rows, length)."""
        folded = np.maximum(np.fft.irfft(spectra, self.length), 0)
        places = (np.arange(self.length) + start[:, None]) % self.length
        return np.take_along_axis(folded, places, axis=1)


def windows(
    chances: Chances, works: Sequence[tuple[int, Work]], ending: Ending = "failed"
) -> Iterator[Windows]:
    """Nodes by the length of the window of counts that they need; the lightest nodes are left out.

    The chance below a window is bounded by exp(-x^2 / (2 sum of E X^2)), X being what a position
    counts and x the reach under the mean [1]_; above it, where tries are capped, by Bernstein's
    inequality [2]_. A position that counts nothing with chance a or more and one piece with chance
    b or more has a generating function of size at most 1 - ab (1 - cos t) / (a + b) at exp(it),
    which tells where the spectrum ends.

    References
    ----------
    .. [1] A. Maurer, J. Inequal. Pure Appl. Math. 4(1), article 15, 2003, theorem 1.
    .. [2] S. Boucheron, G. Lugosi, P. Massart, Concentration Inequalities, 2013, section 2.8.
    """
    order = np.argsort(chances.weights, kind="stable")
    kept = np.sort(order[~(np.cumsum(chances.weights[order]) < FORGET)])
    shape = len(kept), chances.first.shape[2]
    low, square, high, falls = (np.zeros(shape) for _ in range(4))
    for kind, work in works:
        p, r = chances.first[kept, kind], chances.retry[kept, kind]
        mean, variance = moments(p, r, work)
        most = len(work.used) - 1
        tail = most * 40.0 / np.maximum(-np.log1p(-np.minimum(r, 1 - 1e-15)), 1e-9)
        far = mean + 10 * np.sqrt(variance) + tail + 16
        if work.tries is not None:
            reach = FOLDS * most * work.tries / 3
            far = np.minimum(far, mean + reach + np.sqrt(reach**2 + 2 * FOLDS * variance))
            far = np.minimum(far, most * work.positions * work.tries + 1)
        low, high = low + mean, high + far
        square += variance + mean**2 / max(work.positions, 1)
        falls += work.positions * _fall(p, r, work, ending)
    low -= np.sqrt(2 * FOLDS * square) + 2
    first, last = np.maximum(low.min(axis=1), 0), high.max(axis=1)
    if last.size and last.max() > MOST:
        raise OverflowError("so many failures are possible that they cannot be counted")
    sizes = np.array([many << shift for shift in range(3, 22) for many in (2, 3)])
    length = sizes[np.searchsorted(sizes, (last - first + 2) * PARTS / (PARTS - 1))]
    start = (first // (length // PARTS)).astype(int) * (length // PARTS)
    turn = np.minimum(np.sqrt(VANISHES / (2 * np.maximum(falls.min(axis=1), 1e-9))), 1)
    frequencies = (2 * np.arcsin(turn) * length / (2 * np.pi)).astype(int) + 2
    for long in np.unique(length).tolist():
        here = np.flatnonzero(length == long)
        here = here[np.argsort(start[here], kind="stable")]
        needed = min(int(frequencies[here].max()), long // 2 + 1)
        yield Windows(kept[here], start[here], long, needed)


def _fall(p: Array, r: Array, work: Work, ending: Ending) -> Array:
    """How fast a position's generating function falls off: ab / (a + b), see ``windows``."""
    one = (1 - p) * work.used[1]
    if work.tries is None or work.tries > 1:
        one = one * r
    elif work.tries == 0 or ending == "dropped":
        one = 0.0 * one
    return p * one / np.maximum(p + one, 1e-300)


def spectra(
    chances: Chances,
    works: Sequence[tuple[int, Work]],
    of: Windows,
    ending: Ending = "failed",
    *,
    width: int = 0,
) -> Iterator[tuple[int, np.ndarray]]:
    """Some nodes at a time: the place of the first, and all types' spectra multiplied.

    ``width`` is how many numbers a node the caller needs, if more than there are frequencies.
    """
    many = max(1, BLOCK // max(max(of.frequencies, width) * chances.first.shape[2], 1))
    for begin in range(0, len(of.nodes), many):
        few = of.nodes[begin : begin + many]
        made = np.ones((len(few), of.frequencies), complex)
        for kind, work in works:
            made *= _wave(chances, work, kind, few, of, ending)
        yield begin, made


def _wave(
    chances: Chances, work: Work, kind: int, some: np.ndarray, window: Windows, ending: Ending
) -> np.ndarray:
    """Generating function on the unit circle at some nodes, shape (nodes, frequencies)."""
    circle = np.exp(-2j * np.pi * np.arange(window.frequencies) / window.length)
    z = np.polynomial.polynomial.polyval(circle, work.used)
    p, r = chances.first[some, kind][..., None], chances.retry[some, kind][..., None]
    x = (1 - r) * z
    if work.tries is None:
        one = p + (1 - p) * r * z / (1 - x)
    elif work.tries == 0:
        one = np.ones_like(x)
    else:
        after = np.zeros_like(x) if ending == "dropped" else np.ones_like(x)
        for _ in range(work.tries - 1):
            after *= x
            after += r
        one = p + (1 - p) * z * after
    made = _power(one, work.positions)
    if len(chances.own_weights) == 1:
        return made[:, 0]
    return np.einsum("j,ijk->ik", chances.own_weights, made)


def _power(x: np.ndarray, exponent: int) -> np.ndarray:
    """Whole power by squaring: twice as fast as by the logarithm; ``x`` is used up."""
    made = np.ones_like(x)
    while exponent:
        if exponent & 1:
            made *= x
        exponent >>= 1
        if exponent:
            x *= x
    return made
