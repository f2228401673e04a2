"""Exact run lengths of charts whose scores are whole numbers: counts, failures, rounded losses."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]
_GONE = 1e-18


@dataclass(frozen=True, eq=False)
class Steps:
    """Chance of each whole-numbered step of a sum.

    Parameters
    ----------
    size : ndarray of int, shape (sizes,)
        Steps, each once.
    chance : ndarray, shape (sizes,)
        Their chances.
    """

    size: NDArray[np.int64]
    chance: Array

    @classmethod
    def of(cls, size: ArrayLike, chance: ArrayLike) -> Steps:
        """Steps with equal sizes put together; chances must sum to 1."""
        sizes, where = np.unique(np.asarray(size, np.int64), return_inverse=True)
        total = np.bincount(where.ravel(), np.asarray(chance, float).ravel()).astype(float)
        if abs(total.sum() - 1) > 1e-9:
            raise ValueError(f"chances sum to {total.sum()}, wanted 1")
        return cls(sizes, total)


def counts(chances: ArrayLike, *, up: int, down: int) -> Steps:
    """Steps ``up`` times a count less ``down``; ``chances`` of 0, 1, 2, ... events."""
    chance = np.asarray(chances, float)
    return Steps.of(up * np.arange(len(chance)) - down, chance / chance.sum())


def moves(steps: Steps, limit: int) -> Array:
    """Chances between the sums 0, 1, ..., ``limit`` - 1 of a one-sided CUSUM."""
    chain = np.zeros((limit, limit))
    start = np.arange(limit)
    for size, chance in zip(steps.size, steps.chance, strict=True):
        end = np.maximum(start + size, 0)
        inside = end < limit
        chain[start[inside], end[inside]] += chance
    return chain


@dataclass(frozen=True)
class RunLength:
    """Mean and standard deviation of the run length [points]."""

    mean: float
    sd: float


def run_length(steps: Steps, limit: int, *, start: int = 0) -> RunLength:
    """Run length of W = max(0, W + step), signal at W >= ``limit``.

    References
    ----------
    D. Brook and D. A. Evans, Biometrika 59, 539-549, 1972.
    """
    rest = np.eye(limit) - moves(steps, limit)
    mean = np.linalg.solve(rest, np.ones(limit))
    twice = np.linalg.solve(rest, mean)
    spread = 2 * twice[start] - mean[start] - mean[start] ** 2
    return RunLength(float(mean[start]), float(np.sqrt(max(spread, 0.0))))


def mean_run_length(steps: Steps, limit: int, *, start: int = 0) -> float:
    """Mean run length alone; see ``run_length``."""
    rest = np.eye(limit) - moves(steps, limit)
    return float(np.linalg.solve(rest, np.ones(limit))[start])


def signal_within(steps: Steps, limit: int, points: int, *, start: int = 0) -> Array:
    """Chance of a signal within 1, 2, ..., ``points`` points."""
    chain = moves(steps, limit)
    mass = np.zeros(limit)
    mass[start] = 1.0
    gone = np.maximum(1 - chain.sum(axis=1), 0.0)
    out = np.empty(points)
    for point in range(points):
        out[point] = mass @ gone
        mass = mass @ chain
    return np.cumsum(out)


def quantile(steps: Steps, limit: int, level: float, *, start: int = 0) -> int:
    """Smallest number of points within which a signal comes with chance ``level`` or more.

    The chain is squared until the level is passed, then walked back bit by bit.
    """
    powers = [moves(steps, limit)]
    mass = np.zeros(limit)
    mass[start] = 1.0
    while (mass @ powers[-1]).sum() > 1 - level:
        powers.append(powers[-1] @ powers[-1])
    done = 0
    for power in range(len(powers) - 1, -1, -1):
        ahead = mass @ powers[power]
        if ahead.sum() > 1 - level:
            mass, done = ahead, done + 2**power
    return done + 1


def least_limit(
    steps: Steps, wanted: float, *, start_fraction: float = 0.0, largest: int = 4000
) -> int:
    """Least limit whose mean run length is at or above the one ``wanted`` [points].

    Rounded scores make the mean run length rise in steps, so it is seldom met exactly.

    Raises
    ------
    ValueError
        If even ``largest`` is too little: the scores rise by themselves.
    """

    def enough(limit: int) -> bool:
        start = int(start_fraction * limit)
        return mean_run_length(steps, limit, start=start) >= wanted

    high = 8
    while not enough(high):
        high *= 2
        if high > largest:
            raise ValueError(f"no limit up to {largest} gives {wanted:g} points; the sum drifts up")
    low = high // 2 if high > 8 else 0
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high


def two_step_mean(
    up: float, down: float, chance_up: float, limit: float, *, start: float = 0.0
) -> float:
    """Mean run length of S = max(0, S + up or + down), signal at S >= ``limit``, for any weights.

    Parameters
    ----------
    up, down : float
        Weight of a failure (positive) and of a pass (negative).
    chance_up : float
        Chance of a failure.
    limit, start : float
        Where it signals and where it starts.

    Notes
    -----
    Every excursion from 0 is followed until it ends at 0 or at a signal; the mean run length from 0
    is an excursion's mean length over its chance to end at a signal.
    """
    length, signal = _excursion(up, down, chance_up, limit, 0.0)
    from_zero = length / signal
    if start == 0.0:
        return from_zero
    length, signal = _excursion(up, down, chance_up, limit, start)
    return length + (1 - signal) * from_zero


def _excursion(
    up: float, down: float, chance_up: float, limit: float, start: float
) -> tuple[float, float]:
    """Mean length of a stretch up to its return to 0 or its signal, and the chance of a signal.

    Sums are held by (failures, points), so equal sums are never taken for different ones.
    """
    fails, mass = np.array([0]), np.array([1.0])
    length = signal = 0.0
    point = 0
    while mass.sum() > _GONE:
        length += mass.sum()
        point += 1
        ends = np.concatenate([fails, fails + 1])
        chances = np.concatenate([mass * (1 - chance_up), mass * chance_up])
        sums = start + ends * up + (point - ends) * down
        over = sums >= limit
        signal += chances[over].sum()
        stay = ~over & (sums > 0)
        fails, where = np.unique(ends[stay], return_inverse=True)
        mass = np.bincount(where, chances[stay], minlength=len(fails))
    return float(length), float(signal)


def ewma_of_counts(
    chances: ArrayLike, *, weight: float, centre: float, width: float, states: int = 1001
) -> float:
    """Mean run length of a two-sided EWMA of counts, signal beyond ``centre`` +- ``width``.

    Parameters
    ----------
    chances : array_like, shape (events,)
        Chance of 0, 1, 2, ... events.
    weight : float
        Weight of the newest count.
    states : int
        Cells into which the band is cut; a count in a cell's middle moves in proportion to the two
        cells beside it. Approximate: the EWMA of a count has no lattice of its own.
    """
    chance = np.asarray(chances, float)
    cells = np.linspace(centre - width, centre + width, states)
    gap = cells[1] - cells[0]
    chain = np.zeros((states, states))
    rows = np.arange(states)
    for events, part in enumerate(chance):
        end = (1 - weight) * cells + weight * events
        inside = np.abs(end - centre) <= width
        place = np.clip((end[inside] - cells[0]) / gap, 0, states - 1)
        below = np.minimum(place.astype(int), states - 2)
        share = place - below
        chain[rows[inside], below] += part * (1 - share)
        chain[rows[inside], below + 1] += part * share
    lengths = np.linalg.solve(np.eye(states) - chain, np.ones(states))
    return float(np.interp(centre, cells, lengths))
