"""Readings known as intervals, counted: the only data that the fits of this package see."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Whole = NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Counts:
    """Counts per interval for one or more groups, sorted by group, then by interval.

    Make one with ``count_intervals``. Each value of a group is known to lie in [low, high).

    Parameters
    ----------
    group : array of int, shape (rows,)
        Group of the row, 0 to ``groups`` - 1.
    low, high : array of float, shape (rows,)
        Interval; ``low`` may be -inf (known only to be below) and ``high`` inf (only above).
    count : array of float, shape (rows,)
        Values in the interval.
    groups : int
        Number of groups, those without values included.
    cut : array of float, shape (groups,)
        A value is in the data only if below it (right truncation); inf for no truncation.
    """

    group: Whole
    low: Floats
    high: Floats
    count: Floats
    groups: int
    cut: Floats

    @cached_property
    def n(self) -> Floats:
        """Values of each group, shape (groups,)."""
        return self.sum(self.count)

    @cached_property
    def distinct(self) -> Whole:
        """Intervals that hold a value, shape (groups,)."""
        return np.bincount(self.group[self.count > 0], minlength=self.groups)

    @cached_property
    def edges(self) -> tuple[Whole, Floats, Whole, Whole]:
        """Each group's distinct interval ends, and where each row's two ends are among them.

        Returns
        -------
        group, x : arrays of shape (ends,)
            The group of an end and its value.
        low, high : arrays of int, shape (rows,)
            Places of the rows' ends.
        """
        both = np.concatenate([self.low, self.high])
        value, rank = np.unique(both, return_inverse=True)
        key = np.concatenate([self.group, self.group]) * len(value) + rank
        pair, place = np.unique(key, return_inverse=True)
        rows = len(self.low)
        return pair // len(value), value[pair % len(value)], place[:rows], place[rows:]

    def sum(self, weights: Floats) -> Floats:
        """Sum of one number a row over each group, shape (groups,)."""
        return np.bincount(self.group, weights, minlength=self.groups).astype(float)

    def with_counts(self, count: Floats) -> Counts:
        """The same intervals with other counts."""
        made = Counts(self.group, self.low, self.high, count, self.groups, self.cut)
        if "edges" in self.__dict__:
            made.__dict__["edges"] = self.edges
        return made

    def only(self, keep: ArrayLike) -> Counts:
        """Chosen groups (indices), numbered anew in that order; one may come more than once."""
        keep = np.asarray(keep, int)
        start = np.searchsorted(self.group, keep, "left")
        many = np.searchsorted(self.group, keep, "right") - start
        rows = np.repeat(start - np.concatenate([[0], np.cumsum(many)[:-1]]), many) + np.arange(
            many.sum()
        )
        return Counts(
            np.repeat(np.arange(len(keep)), many),
            self.low[rows],
            self.high[rows],
            self.count[rows],
            len(keep),
            self.cut[keep],
        )


def count_intervals(
    low: ArrayLike,
    high: ArrayLike,
    *,
    group: ArrayLike | None = None,
    count: ArrayLike | None = None,
    groups: int | None = None,
    cut: ArrayLike | None = None,
) -> Counts:
    """Count equal intervals within each group.

    Parameters
    ----------
    low, high : array_like of float, shape (values,)
        Each value lies in [low, high). A reading without rounding is an interval as narrow as its
        last digit.
    group : array_like of int, shape (values,), optional
        Group of the value; one group if missing.
    count : array_like of float, shape (values,), optional
        How many values each row stands for; 1 if missing.
    groups : int, optional
        Number of groups; as many as seen if missing.
    cut : array_like of float, shape (groups,), optional
        Right truncation of each group: values at or above it are not in the data.

    Raises
    ------
    ValueError
        If an interval is empty, an end or a count is missing, or lies wholly above ``cut``.
    """
    lows, highs = np.asarray(low, float), np.asarray(high, float)
    if np.isnan(lows).any() or np.isnan(highs).any():
        raise ValueError("an interval has no end; drop the values that were not read first")
    if (highs <= lows).any():
        worst = int(np.argmax(highs <= lows))
        raise ValueError(f"the interval [{lows[worst]}, {highs[worst]}) is empty")
    of = np.zeros(len(lows), np.int64) if group is None else np.asarray(group, np.int64)
    weight = np.ones(len(lows)) if count is None else np.asarray(count, float)
    if not (np.isfinite(weight).all() and (weight >= 0).all()):
        raise ValueError("a count is missing or negative")
    many = groups if groups is not None else (int(of.max()) + 1 if len(of) else 0)
    cuts = np.full(many, np.inf) if cut is None else np.broadcast_to(cut, (many,)).astype(float)
    if (lows >= cuts[of]).any():
        raise ValueError("a value lies above the point beyond which none should be in the data")
    highs = np.minimum(highs, cuts[of])
    order = np.lexsort((highs, lows, of))
    of, lows, highs, weight = of[order], lows[order], highs[order], weight[order]
    new = np.ones(len(of), bool)
    new[1:] = (of[1:] != of[:-1]) | (lows[1:] != lows[:-1]) | (highs[1:] != highs[:-1])
    total = np.bincount(np.cumsum(new) - 1, weight).astype(float) if len(of) else weight
    return Counts(of[new], lows[new], highs[new], total, many, cuts)
