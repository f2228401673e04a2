"""When did it begin: steps of a mean, steps of a failure rate, the start of a steady rise."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import minimize_scalar
from scipy.special import fdtri, xlogy

Array = NDArray[np.float64]
CHI_SQUARE_95 = 3.841458820694124
"""95 % point of chi-square with one degree of freedom."""


@dataclass(frozen=True, eq=False)
class Breaks:
    """Steps of the mean of a series.

    Parameters
    ----------
    breaks : tuple of int
        Last point (counted from 1) of each segment but the last, for the least criterion.
    by_number : tuple of tuple of int
        The same for 1, 2, ... breaks.
    rss, bic : ndarray, shape (most + 1,)
        Residual sum of squares and criterion for 0, 1, 2, ... breaks.
    """

    breaks: tuple[int, ...]
    by_number: tuple[tuple[int, ...], ...]
    rss: Array
    bic: Array


def mean_breaks(values: ArrayLike, *, least_segment: int, most: int = 5) -> Breaks:
    """Best steps of the mean for each number of breaks, and how many there are.

    Parameters
    ----------
    values : array_like, shape (points,)
        In time order.
    least_segment : int
        Fewest points of a segment.
    most : int
        Most breaks looked for.

    References
    ----------
    J. Bai and P. Perron, J. Appl. Econometrics 18, 1-22, 2003 (dynamic programme); number of breaks
    by Y.-C. Yao, Stat. Probab. Lett. 6, 181-189, 1988 (criterion).
    """
    data = np.asarray(values, float)
    n = len(data)
    if n < 2 * least_segment:
        raise ValueError(f"{n} points hold no two segments of {least_segment}")
    total = np.concatenate([[0.0], np.cumsum(data)])
    square = np.concatenate([[0.0], np.cumsum(data**2)])

    def cost(first: NDArray[np.int64], end: int) -> Array:
        length = end - first
        return np.asarray(square[end] - square[first] - (total[end] - total[first]) ** 2 / length)

    best = np.full((most + 1, n + 1), np.inf)
    where = np.zeros((most + 1, n + 1), int)
    for end in range(least_segment, n + 1):
        best[0, end] = cost(np.array([0]), end)[0]
    for number in range(1, most + 1):
        for end in range((number + 1) * least_segment, n + 1):
            first = np.arange(number * least_segment, end - least_segment + 1)
            tried = best[number - 1, first] + cost(first, end)
            place = int(np.argmin(tried))
            best[number, end], where[number, end] = tried[place], first[place]
    rss = best[:, n]
    numbers = np.arange(most + 1)
    bic = n * (np.log(rss) + 1 - np.log(n) + np.log(2 * np.pi)) + np.log(n) * 2 * (numbers + 1)
    found = tuple(_walk_back(where, number, n) for number in range(1, most + 1))
    chosen = int(np.argmin(bic))
    return Breaks(found[chosen - 1] if chosen else (), found, rss, bic)


def _walk_back(where: NDArray[np.int64], number: int, end: int) -> tuple[int, ...]:
    breaks = []
    for left in range(number, 0, -1):
        end = int(where[left, end])
        breaks.append(end)
    return tuple(reversed(breaks))


@dataclass(frozen=True, eq=False)
class RateBreak:
    """A step of a failure rate.

    Parameters
    ----------
    last_before : int
        Likeliest last attempt (counted from 1) at the old rate.
    low, high : int
        Ends of the attempts whose likelihood is near the best.
    statistic : float
        Twice the log-likelihood gained over one rate.
    chance : float
        Exact chance of such a gain if the same failures fell in random order.
    before, after : float
        Rates.
    statistics : ndarray
        For each last attempt from ``least_segment`` to ``attempts - least_segment``.
    """

    last_before: int
    low: int
    high: int
    statistic: float
    chance: float
    before: float
    after: float
    statistics: Array


def rate_break(failed: ArrayLike, *, least_segment: int = 5) -> RateBreak:
    """Likeliest step of the failure rate of a row of attempts.

    References
    ----------
    D. V. Hinkley and E. A. Hinkley, Biometrika 57, 477-488, 1970; the chance is counted path by
    path, given the number of failures, as in K. J. Worsley, Biometrika 70, 455-464, 1983.
    """
    data = np.asarray(failed, float)
    n, all_failed = len(data), int(data.sum())
    if n < 2 * least_segment:
        raise ValueError(f"{n} attempts hold no two segments of {least_segment}")
    last = np.arange(least_segment, n - least_segment + 1)
    early = np.cumsum(data)[last - 1]
    statistics = _gain(last, early, n, all_failed)
    place = int(np.argmax(statistics))
    near = np.flatnonzero(statistics >= statistics[place] - CHI_SQUARE_95)
    return RateBreak(
        last_before=int(last[place]),
        low=int(last[near[0]]),
        high=int(last[near[-1]]),
        statistic=float(statistics[place]),
        chance=_path_chance(float(statistics[place]), n, all_failed, least_segment),
        before=float(early[place] / last[place]),
        after=float((all_failed - early[place]) / (n - last[place])),
        statistics=statistics,
    )


def _gain(last: ArrayLike, early: ArrayLike, n: int, all_failed: int) -> Array:
    first, seen = np.asarray(last, float), np.asarray(early, float)

    def log_likelihood(events: Array, size: Array) -> Array:
        return np.asarray(xlogy(events, events / size) + xlogy(size - events, 1 - events / size))

    one = log_likelihood(np.array(float(all_failed)), np.array(float(n)))
    two = log_likelihood(seen, first) + log_likelihood(all_failed - seen, n - first)
    return np.asarray(2 * (two - one))


def _path_chance(seen: float, n: int, all_failed: int, least_segment: int) -> float:
    """Chance that the gain reaches ``seen`` anywhere, all orders of the failures alike."""
    alive = np.zeros(all_failed + 1)
    alive[0] = 1.0
    count = np.arange(all_failed + 1)
    for made in range(1, n + 1):
        next_fails = (all_failed - count) / (n - made + 1)
        moved = alive * (1 - next_fails)
        moved[1:] += (alive * next_fails)[:-1]
        alive = moved
        if least_segment <= made <= n - least_segment:
            able = (count <= made) & (all_failed - count <= n - made)
            over = np.zeros(len(count), bool)
            over[able] = _gain(made, count[able], n, all_failed) >= seen - 1e-9
            alive[over] = 0.0
    return float(1 - alive.sum())


@dataclass(frozen=True, eq=False)
class RiseStart:
    """Where a steady rise began: place with interval, the line's coefficients, and the fit."""

    start: float
    low: float
    high: float
    coefficients: Array
    rss: float


def rise_start(place: ArrayLike, values: ArrayLike, *, grid: int = 800) -> RiseStart:
    """Least squares of a + b x + c max(x - start, 0), with its interval by the profile.

    Parameters
    ----------
    place, values : array_like, shape (points,)
        x (time, or splices since the service) and the value there.
    grid : int
        Starts tried between the 5 % and the 95 % point of x.

    References
    ----------
    D. V. Hinkley, J. Amer. Stat. Assoc. 66, 736-743, 1971.
    """
    x, y = np.asarray(place, float), np.asarray(values, float)
    starts = np.linspace(float(np.quantile(x, 0.05)), float(np.quantile(x, 0.95)), grid)
    rss = np.array([_broken_line(x, y, start)[1] for start in starts])
    best = int(np.argmin(rss))
    fine_low, fine_high = starts[max(best - 1, 0)], starts[min(best + 1, grid - 1)]
    found = minimize_scalar(
        lambda start: _broken_line(x, y, start)[1],
        bounds=(fine_low, fine_high),
        method="bounded",
        options={"xatol": 1e-6},
    )
    start = float(found.x)
    coefficients, least = _broken_line(x, y, start)
    free = len(x) - 4
    near = starts[rss <= least * (1 + fdtri(1, free, 0.95) / free)]
    return RiseStart(start, float(near[0]), float(near[-1]), coefficients, least)


def _broken_line(x: Array, y: Array, start: float) -> tuple[Array, float]:
    design = np.column_stack([np.ones(len(x)), x, np.maximum(x - start, 0.0)])
    found = np.linalg.lstsq(design, y, rcond=None)[0]
    return found, float(((y - design @ found) ** 2).sum())


@dataclass(frozen=True)
class Shape:
    """Whether a series stepped, rose steadily, or stayed: the least criterion, and all three."""

    shape: str
    criterion: dict[str, float]


def step_or_rise(values: ArrayLike, variance: ArrayLike | None = None) -> Shape:
    """Compare no change, a step, and a rise that begins somewhere, by a penalised fit.

    A change and its place cost 3 log(points), as in N. R. Zhang and D. O. Siegmund, Biometrics 63,
    22-32, 2007: a place that was searched for costs more than a level.

    Parameters
    ----------
    values : array_like, shape (points,)
        In time order.
    variance : array_like, shape (points,), optional
        Known variances; else all alike and estimated.
    """
    y = np.asarray(values, float)
    n = len(y)
    if n < 8:
        raise ValueError(f"{n} points cannot tell a step from a rise; wanted 8 or more")
    weight = np.ones(n) if variance is None else 1 / np.asarray(variance, float)
    root, x = np.sqrt(weight), np.arange(n)

    def rss(*columns: Array) -> float:
        design = np.column_stack([np.ones(n), *columns]) * root[:, None]
        fitted = design @ np.linalg.lstsq(design, y * root, rcond=None)[0]
        return float(((y * root - fitted) ** 2).sum())

    places = range(2, n - 2)
    least = {
        "none": (rss(), 1),
        "step": (min(rss((x >= place).astype(float)) for place in places), 4),
        "rise": (min(rss(np.maximum(x - place, 0.0)) for place in places), 4),
    }
    known = variance is not None
    criterion = {
        name: (value if known else n * np.log(value / n)) + np.log(n) * free
        for name, (value, free) in least.items()
    }
    return Shape(min(criterion, key=criterion.__getitem__), criterion)
