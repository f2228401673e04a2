"""Sums over pairs of levels with the largest factor set apart, and their Cholesky factor.

A cell has one level of each factor, so that two levels of one factor never meet and each factor's
own block is diagonal. The largest is eliminated by division; what is left to factorise is as large
as all the others together, so that one factor (jobs, ribbons) may have many thousands of levels.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg.lapack import dpotrf, dpotri, dtrtrs
from scipy.sparse import csr_array

from yieldkit.methods.crossed.design import Array, Factors


@dataclass(frozen=True, eq=False)
class Pairs:
    """A symmetric matrix over all levels whose block of the largest factor is diagonal.

    ``big`` is that diagonal, shape (m,), ``cross`` the block beside it, (m, r), ``rest`` the block
    of all others, (r, r); ``large`` and ``small`` say which unknowns these are. Of an inverse,
    where the large block is full, only its diagonal is held.
    """

    large: slice
    small: NDArray[np.int64]
    big: Array
    cross: Array
    rest: Array

    @property
    def size(self) -> int:
        """Number of unknowns."""
        return len(self.big) + len(self.small)

    def diagonal(self) -> Array:
        """The diagonal, shape (size,)."""
        return self._joined(self.big, np.diagonal(self.rest))

    def dense(self) -> Array:
        """The whole matrix, nil off the diagonal of the large block."""
        found = np.zeros((self.size, self.size))
        own = np.arange(self.large.start, self.large.stop)
        found[own, own] = self.big
        found[self.large, self.small] = self.cross
        found[self.small, self.large] = self.cross.T
        found[np.ix_(self.small, self.small)] = self.rest
        return found

    def dot(self, vector: Array) -> Array:
        """Product with a vector."""
        large, small = vector[self.large], vector[self.small]
        return self._joined(
            self.big * large + self.cross @ small, large @ self.cross + self.rest @ small
        )

    def row_dots(self, other: Pairs, scale: Array) -> Array:
        """Along each row the sum of products of the entries and the column's ``scale``."""
        large, small = scale[self.large], scale[self.small]
        both = self.cross * other.cross
        return self._joined(
            self.big * other.big * large + both @ small,
            large @ both + (self.rest * other.rest) @ small,
        )

    def scaled(self, scale: Array) -> Pairs:
        """Rows and columns multiplied by ``scale``."""
        large, small = scale[self.large], scale[self.small]
        return Pairs(
            self.large,
            self.small,
            self.big * large**2,
            self.cross * large[:, None] * small,
            self.rest * small[:, None] * small,
        )

    def root_plus(self, scale: Array, more: Array | float = 1.0) -> Root:
        """Cholesky factor of the scaled matrix with ``more`` added to its diagonal."""
        made = self.scaled(scale)
        extra = more if isinstance(more, np.ndarray) else np.full(self.size, more)
        big = np.sqrt(made.big + extra[self.large])
        half = made.cross / big[:, None]
        rest = made.rest - half.T @ half
        rest.ravel()[:: len(rest) + 1] += extra[self.small]
        lower, wrong = dpotrf(rest.T, lower=1, overwrite_a=1)
        if wrong:
            raise np.linalg.LinAlgError("the curvature is not positive definite")
        return Root(self.large, self.small, big, half, lower)

    def _joined(self, large: Array, small: Array) -> Array:
        found = np.empty(self.size)
        found[self.large], found[self.small] = large, small
        return found


@dataclass(frozen=True, eq=False)
class Root:
    """Cholesky factor, the large block first: ``big`` its diagonal, ``half`` below, ``lower``."""

    large: slice
    small: NDArray[np.int64]
    big: Array
    half: Array
    lower: Array

    def log_det(self) -> float:
        """Logarithm of the determinant of the factorised matrix."""
        return float(2 * (np.log(self.big).sum() + np.log(np.diagonal(self.lower)).sum()))

    def forward(self, right: Array) -> Array:
        """The factor's inverse times ``right``, shape (size,) or (size, k)."""
        large = (right[self.large].T / self.big).T
        rest = right[self.small] - self.half.T @ large
        return self._joined(large, self._triangular(rest, 0))

    def backward(self, right: Array) -> Array:
        """The transposed factor's inverse times ``right``."""
        small = self._triangular(right[self.small], 1)
        large = ((right[self.large] - self.half @ small).T / self.big).T
        return self._joined(large, small)

    def solve(self, right: Array) -> Array:
        """The factorised matrix' inverse times ``right``."""
        return self.backward(self.forward(right))

    def inverse(self) -> Pairs:
        """The inverse; of its large block the diagonal only."""
        rest = np.zeros((0, 0))
        if len(self.small):
            rest = dpotri(self.lower, lower=1)[0]
            rest = np.tril(rest) + np.tril(rest, -1).T
        steep = self.half / self.big[:, None]
        cross = -steep @ rest
        big = 1 / self.big**2 - np.einsum("ij,ij->i", cross, steep)
        return Pairs(self.large, self.small, big, cross, rest)

    def _triangular(self, right: Array, trans: int) -> Array:
        return dtrtrs(self.lower, right, lower=1, trans=trans)[0] if len(self.small) else right

    def _joined(self, large: Array, small: Array) -> Array:
        found = np.empty((len(self.big) + len(self.small), *large.shape[1:]))
        found[self.large], found[self.small] = large, small
        return found


def count_pairs(of: Factors) -> Pairs:
    """Number of cells that share two levels: one pass, nothing as long as the cells is kept."""
    made = _Layout.of(of)
    found = np.zeros(made.length)
    for one, two, both in of.pair_codes():
        block = made.places(one, two)
        found[block.ravel()] = np.bincount(both, minlength=block.size)
    found[made.diagonal] = of.sums(None)
    return made.pairs(found)


class PairSums:
    """Sums of cells' weights over pairs of levels, as one sparse product; and back to the cells.

    Parameters
    ----------
    of : Factors
        Factors of the cells.
    """

    def __init__(self, of: Factors) -> None:
        self.layout = _Layout.of(of)
        places = [self.layout.diagonal[code] for code in of.codes]
        twice = [1.0] * len(places)
        for one, two, both in of.pair_codes():
            places.append(self.layout.places(one, two).ravel()[both])
            twice.append(2.0)
        n = of.codes.shape[1]
        row = np.concatenate([np.zeros(0, int), *places])
        column = np.tile(np.arange(n), len(places))
        self.matrix = csr_array((np.ones(len(row)), (row, column)), shape=(self.layout.length, n))
        self.back = csr_array((np.repeat(twice, n), (column, row)), shape=(n, self.layout.length))

    def __call__(self, weight: Array) -> Pairs:
        """Sum of ``weight`` over the cells that share two levels."""
        return self.layout.pairs(np.asarray(self.matrix @ weight))

    def leverages(self, inverse: Pairs) -> Array:
        """Sum of ``inverse`` over all pairs of a cell's levels, shape (cells,)."""
        flat = np.concatenate([inverse.big, inverse.cross.ravel(), inverse.rest.ravel()])
        return np.asarray(self.back @ flat)


@dataclass(frozen=True, eq=False)
class _Layout:
    """Where each pair of levels stands when ``Pairs`` are written in one row; the earlier factor's
    level first where both are in ``rest``, whose other half is its mirror image."""

    factors: Factors
    length: int
    diagonal: NDArray[np.int64]

    @classmethod
    def of(cls, of: Factors) -> _Layout:
        large, small = of.apart
        m, r = of.q - len(small), len(small)
        diagonal = np.empty(of.q, int)
        diagonal[large] = np.arange(m)
        diagonal[small] = m + m * r + np.arange(r) * (r + 1)
        return cls(of, m + m * r + r * r, diagonal)

    def places(self, one: int, two: int) -> NDArray[np.int64]:
        """Place of each pair of levels of two factors, shape (levels of one, levels of two)."""
        of = self.factors
        m, r = of.q - len(of.apart[1]), len(of.apart[1])
        first, second = (np.arange(of.small_start[at], of.small_start[at + 1]) for at in (one, two))
        if one == of.largest:
            return m + np.arange(m)[:, None] * r + second
        if two == of.largest:
            return m + np.arange(m) * r + first[:, None]
        return m + m * r + first[:, None] * r + second

    def pairs(self, flat: Array) -> Pairs:
        """The row as ``Pairs``, mirrored."""
        large, small = self.factors.apart
        m, r = self.factors.q - len(small), len(small)
        rest = flat[m + m * r :].reshape(r, r)
        rest = rest + rest.T
        rest.ravel()[:: r + 1] /= 2
        return Pairs(large, small, flat[:m], flat[m : m + m * r].reshape(m, r), rest)


def with_fixed(pairs: Pairs, levels: Array, x: Array, weight: Array) -> Pairs:
    """The pairs with fixed effects put before the levels: they belong to the rest.

    ``levels`` holds the sums of ``weight * x`` over the cells of each level.
    """
    p = x.shape[1]
    small = np.concatenate([np.arange(p), pairs.small + p])
    rest = np.empty((len(small), len(small)))
    rest[:p, :p] = x.T @ (weight[:, None] * x)
    rest[p:, :p] = levels[pairs.small]
    rest[:p, p:] = levels[pairs.small].T
    rest[p:, p:] = pairs.rest
    large = slice(pairs.large.start + p, pairs.large.stop + p)
    cross = np.column_stack([levels[pairs.large], pairs.cross])
    return Pairs(large, small, pairs.big, cross, rest)


def without_fixed(pairs: Pairs, p: int) -> Pairs:
    """The pairs of the levels alone, the first ``p`` unknowns being fixed effects."""
    large = slice(pairs.large.start - p, pairs.large.stop - p)
    return Pairs(large, pairs.small[p:] - p, pairs.big, pairs.cross[:, p:], pairs.rest[p:, p:])
