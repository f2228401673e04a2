"""Crossed factors as integer codes: sums over pairs of levels, without a row of zeros and ones."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Factors:
    """Crossed factors of n cells.

    Parameters
    ----------
    names : tuple of str, length K
        Names of the factors.
    levels : tuple of tuple, length K
        Levels of each factor.
    codes : ndarray of int, shape (K, n)
        Level of each cell, counted over all factors: 0 to q - 1.
    """

    names: tuple[str, ...]
    levels: tuple[tuple[str, ...], ...]
    codes: NDArray[np.int64]

    @cached_property
    def start(self) -> NDArray[np.int64]:
        """First column of each factor, and q at the end."""
        return np.concatenate([[0], np.cumsum([len(level) for level in self.levels])]).astype(int)

    @property
    def q(self) -> int:
        """Number of levels of all factors."""
        return int(self.start[-1])

    @cached_property
    def owner(self) -> NDArray[np.int64]:
        """Factor that each level belongs to."""
        return np.repeat(np.arange(len(self.names)), np.diff(self.start))

    def sums(self, weight: Array) -> Array:
        """Sum of ``weight`` over the cells of each level, shape (q,)."""
        total = np.zeros(self.q)
        for code in self.codes:
            total += np.bincount(code, weight, minlength=self.q)
        return total

    @cached_property
    def _pairs(self) -> list[tuple[slice, slice, NDArray[np.int64]]]:
        """Columns of each two factors, and the pair of levels of each cell as one number."""
        found = []
        for one in range(len(self.names)):
            rows = slice(int(self.start[one]), int(self.start[one + 1]))
            for two in range(one + 1, len(self.names)):
                columns = slice(int(self.start[two]), int(self.start[two + 1]))
                wide = columns.stop - columns.start
                both = (self.codes[one] - rows.start) * wide + (self.codes[two] - columns.start)
                found.append((rows, columns, both))
        return found

    def pair_sums(self, weight: Array) -> Array:
        """Sum of ``weight`` over the cells that share two levels, shape (q, q)."""
        found = np.zeros((self.q, self.q))
        found[np.diag_indices(self.q)] = self.sums(weight)
        for rows, columns, both in self._pairs:
            size, wide = rows.stop - rows.start, columns.stop - columns.start
            block = np.bincount(both, weight, minlength=size * wide).reshape(size, wide)
            found[rows, columns] = block
            found[columns, rows] = block.T
        return found

    def cross(self, x: Array, weight: Array) -> Array:
        """Sum of ``weight * x`` over the cells of each level, shape (q, p) for x of (n, p)."""
        return np.column_stack([self.sums(weight * column) for column in x.T])

    def spread(self, value: Array) -> Array:
        """Sum of the levels' values for each cell, shape (n,)."""
        return value[self.codes].sum(axis=0) if len(self.names) else np.zeros(self.codes.shape[1])

    def leverages(self, inverse: Array) -> Array:
        """Sum of ``inverse`` over all pairs of a cell's levels, shape (n,)."""
        total = np.zeros(self.codes.shape[1])
        for one, code in enumerate(self.codes):
            total += inverse[code, code]
            for other in self.codes[one + 1 :]:
                total += 2 * inverse[code, other]
        return total


def factors(columns: Mapping[str, ArrayLike]) -> Factors:
    """Factors from label arrays; levels in sorted order, a missing label is its own level."""
    names, levels, codes, start = [], [], [], 0
    size = 0
    for name, labels in columns.items():
        given = np.asarray(labels)
        if not np.issubdtype(given.dtype, np.integer):
            text = pd.Series(given.astype(object)).where(lambda s: s.notna(), "missing")
            given = text.astype(str).to_numpy()
        code, level = pd.factorize(given, sort=True)
        names.append(name)
        levels.append(tuple(str(one) for one in level))
        codes.append(code + start)
        start += len(level)
        size = len(code)
    table = np.array(codes, dtype=np.int64).reshape(len(names), size)
    return Factors(tuple(names), tuple(levels), table)


def treatment(labels: ArrayLike, levels: tuple[str, ...] | None = None) -> tuple[Array, list[str]]:
    """Intercept and one column a further level, the first level being the reference.

    Returns
    -------
    ndarray, shape (n, levels)
        Design of the fixed effect.
    list of str
        Names of its columns: ``(Intercept)`` and the levels.
    """
    text = pd.Series(np.asarray(labels, dtype=object)).astype(str)
    order = list(levels) if levels is not None else sorted(text.unique())
    code = pd.Categorical(text, order).codes
    if (code < 0).any():
        raise ValueError(f"levels {sorted(set(text) - set(order))} are not among {order}")
    x = np.zeros((len(text), len(order)))
    x[:, 0] = 1.0
    for place in range(1, len(order)):
        x[code == place, place] = 1.0
    return x, ["(Intercept)", *order[1:]]
