"""EWMA and CUSUM of many streams at once, without a Python loop over points."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]
_BLOCK_GROWTH = 1e4
"""Greatest weight within a block of an EWMA; the rounding error grows by this much at most."""


def ewma(values: ArrayLike, weight: float, *, start: ArrayLike = 0.0) -> Array:
    """Exponentially weighted moving average of each stream.

    Parameters
    ----------
    values : array_like, shape (streams, points) or (points,)
        Values in time order.
    weight : float
        Weight of the newest value, above 0 and below 1.
    start : array_like, shape (streams,) or scalar
        The average before the first value.

    Returns
    -------
    ndarray, shape of ``values``

    References
    ----------
    S. W. Roberts, Technometrics 1, 239-250, 1959. Computed in blocks: within a block the sum of
    values over (1 - weight)^t is a plain running sum.
    """
    if not 0 < weight < 1:
        raise ValueError(f"weight is {weight}, wanted above 0 and below 1")
    data = np.atleast_2d(np.asarray(values, float))
    keep = 1 - weight
    block = max(int(np.log(_BLOCK_GROWTH) / -np.log(keep)), 1)
    streams, points = data.shape
    blocks = -(-points // block)
    out = np.empty((streams, points))
    fade = keep ** np.arange(1, block + 1)
    up, down = weight / fade, fade
    first = np.broadcast_to(np.asarray(start, float), (streams,))
    padded = np.zeros(blocks * block)
    for row in range(streams):
        padded[:points] = data[row]
        inner = padded.reshape(blocks, block) * up
        np.cumsum(inner, axis=1, out=inner)
        inner *= down
        carried = _carry(inner[:, -1], fade[-1], first[row])
        inner += carried[:, None] * fade
        out[row] = inner.ravel()[:points]
    return out.reshape(np.shape(values))


def _carry(ends: Array, fade: float, start: float) -> Array:
    """The average with which each block begins."""
    carried = np.empty(len(ends))
    level = start
    for block, end in enumerate(ends.tolist()):
        carried[block] = level
        level = end + fade * level
    return carried


@dataclass(frozen=True, eq=False)
class Sums:
    """Upper and lower CUSUM after each point, and where they signalled.

    Parameters
    ----------
    up, down : ndarray, shape (streams, points) or (points,)
        Both at least 0 [standard deviations].
    signal : ndarray of bool, same shape
        Points at which a sum was over the limit.
    """

    up: Array
    down: Array
    signal: NDArray[np.bool_]


def cusum(
    values: ArrayLike,
    *,
    reference: float = 0.5,
    limit: float = np.inf,
    head_start: float = 0.0,
    restart: bool = False,
) -> Sums:
    """Two-sided CUSUM of standardised values.

    Parameters
    ----------
    values : array_like, shape (streams, points) or (points,)
        Standardised values in time order.
    reference, limit : float
        k and h [standard deviations]; a signal is a sum strictly above ``limit``.
    head_start : float
        Where both sums start, and start again after a signal [standard deviations].
    restart : bool
        Whether a sum starts anew after it signalled.

    References
    ----------
    E. S. Page, Biometrika 41, 100-115, 1954; head start: J. M. Lucas and R. B. Crosier,
    Technometrics 24, 199-205, 1982. A CUSUM is the running total less its running minimum, so no
    loop over points is needed; after a restart only the excursion that signalled is done again.
    """
    data = np.atleast_2d(np.asarray(values, float))
    up, down = np.empty(data.shape), np.empty(data.shape)
    signal = np.zeros(data.shape, bool)
    for row, value in enumerate(data):
        for out, step in ((up, value - reference), (down, -reference - value)):
            _plain(step, head_start, out[row])
    if np.isfinite(limit):
        for out, sign in ((up, 1.0), (down, -1.0)):
            if restart:
                signal |= _restarted(out, data, sign, reference, limit, head_start)
            else:
                signal |= out > limit
    shape = np.shape(values)
    return Sums(up.reshape(shape), down.reshape(shape), signal.reshape(shape))


def _plain(step: Array, start: float, out: Array) -> None:
    """One sum without restarts, written into ``out``."""
    np.cumsum(step, out=out)
    least = np.minimum.accumulate(out)
    np.minimum(least, -start, out=least)
    out -= least


def _restarted(
    sums: Array, values: Array, sign: float, reference: float, limit: float, head_start: float
) -> NDArray[np.bool_]:
    """Redo, in place, what follows each signal; returns the signals.

    A sum that started anew is never above the old one, and both are equal once the old one is back
    at 0 (or, with a head start, once they meet). All excursions step forward side by side.
    """
    signal = sums > limit
    points = sums.shape[1]
    row, point = _first_of_each_excursion(signal, sums)
    level = np.full(len(row), head_start)
    done = np.zeros(sums.shape, bool)
    done[row, point] = True
    point = point + 1
    while len(row):
        inside = point < points
        row, point, level = row[inside], point[inside], level[inside]
        level = np.maximum(level + sign * values[row, point] - reference, 0.0)
        old = sums[row, point]
        # Another signal of the same old excursion is overwritten: it belongs to the old sum.
        joined = (level == old) | ((old == 0.0) & (level == 0.0))
        row, point, level = row[~joined], point[~joined], level[~joined]
        sums[row, point] = level
        over = level > limit
        signal[row, point] = over
        level = np.where(over, head_start, level)
        point = point + 1
    return signal


def _first_of_each_excursion(
    signal: NDArray[np.bool_], sums: Array
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Place of the first signal of each stretch above 0."""
    row, point = np.nonzero(signal)
    if not len(row):
        return row, point
    # Number of returns to 0 before each point tells the excursion.
    stretch = np.array([0])
    zero = sums == 0.0
    returns = np.cumsum(zero, axis=1, dtype=np.int32)
    key = row * (sums.shape[1] + 1) + returns[row, point]
    _, stretch = np.unique(key, return_index=True)
    return row[stretch], point[stretch]
