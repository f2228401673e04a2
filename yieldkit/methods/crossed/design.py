"""Crossed factors as integer codes: sums over pairs of levels, without a row of zeros and ones."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.sparse import csc_array, csr_array

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

    @cached_property
    def largest(self) -> int:
        """The factor of most levels; -1 if there is none."""
        return int(np.argmax(np.diff(self.start))) if self.names else -1

    @cached_property
    def apart(self) -> tuple[slice, NDArray[np.int64]]:
        """Columns of the largest factor, and all others."""
        if not self.names:
            return slice(0, 0), np.zeros(0, int)
        large = slice(int(self.start[self.largest]), int(self.start[self.largest + 1]))
        return large, np.delete(np.arange(self.q), large)

    @cached_property
    def small_start(self) -> NDArray[np.int64]:
        """First place of each factor once the largest is taken out."""
        wide = np.diff(self.start)
        if self.names:
            wide[self.largest] = 0
        return np.concatenate([[0], np.cumsum(wide)]).astype(int)

    def sums_of(self, factor: int, weight: Array | None) -> Array:
        """Sum of ``weight`` (None: 1) over the cells of each level of one factor."""
        first, stop = int(self.start[factor]), int(self.start[factor + 1])
        found = np.bincount(self.codes[factor], weight, minlength=stop)[first:]
        return found.astype(float, copy=False)

    def sums(self, weight: Array | None) -> Array:
        """Sum of ``weight`` (None: 1) over the cells of each level, shape (q,)."""
        if not self.names:
            return np.zeros(0)
        return np.concatenate([self.sums_of(at, weight) for at in range(len(self.names))])

    def pair_codes(self) -> Iterator[tuple[int, int, NDArray[np.int64]]]:
        """Each two factors, and the pair of levels of each cell as one number."""
        for one in range(len(self.names)):
            for two in range(one + 1, len(self.names)):
                wide = int(self.start[two + 1] - self.start[two])
                both = self.codes[one] * wide
                both += self.codes[two]
                both -= int(self.start[one]) * wide + int(self.start[two])
                yield one, two, both

    @cached_property
    def cells(self) -> csr_array:
        """One row a cell, one column a level, 1 where the cell has it."""
        k, n = self.codes.shape
        places = self.codes.T.astype(np.int32).ravel()
        ends = np.arange(0, k * n + 1, k, dtype=np.int32) if k else np.zeros(n + 1, np.int32)
        return csr_array((np.ones(k * n), places, ends), shape=(n, self.q))

    @cached_property
    def levels_by_cells(self) -> csc_array:
        """``cells`` transposed: times cell values it sums them over the cells of each level."""
        return self.cells.T

    def spread(self, value: Array) -> Array:
        """Sum of the levels' values for each cell, shape (n,)."""
        return np.asarray(self.cells @ value)


def factors(columns: Mapping[str, ArrayLike]) -> Factors:
    """Factors from label arrays; levels in sorted order, a missing label is its own level."""
    names, levels, codes, start = [], [], [], 0
    size = 0
    for name, labels in columns.items():
        given = np.asarray(labels)
        if np.issubdtype(given.dtype, np.integer):
            code, level = _whole(given)
        else:
            text = pd.Series(given.astype(object)).where(lambda s: s.notna(), "missing")
            code, level = pd.factorize(text.astype(str).to_numpy(), sort=True)
        names.append(name)
        levels.append(tuple(str(one) for one in level))
        codes.append(code + start if start else code)
        start += len(level)
        size = len(code)
    table = np.array(codes, dtype=np.int64).reshape(len(names), size)
    return Factors(tuple(names), tuple(levels), table)


def _whole(given: NDArray[np.integer]) -> tuple[NDArray[np.int64], NDArray[np.integer]]:
    """Codes of whole numbers and the numbers met; by counting where they lie close together."""
    low, high = (int(given.min()), int(given.max())) if len(given) else (0, 0)
    if high - low > 10 * len(given) + 1000:
        return pd.factorize(given, sort=True)
    shifted = given.astype(np.int64, copy=False)
    shifted = shifted - low if low else shifted
    met = np.bincount(shifted, minlength=high - low + 1) > 0
    if not len(given) or met.all():
        return shifted, np.flatnonzero(met) + low
    return (np.cumsum(met) - 1)[shifted], np.flatnonzero(met) + low


def known(what: str, values: ArrayLike) -> Array:
    """The values as numbers; a missing one is refused, as a level cannot stand for it.

    Raises
    ------
    ValueError
        With the number of rows that lack one.
    """
    found = np.asarray(values, float)
    if np.isnan(found.sum()):
        rows = np.isnan(found).reshape(len(found), -1).any(axis=1)
        if rows.any():
            raise ValueError(
                f"{what} is missing in {rows.sum()} of {len(found)} rows; leave those rows out"
            )
    return found


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
