"""Columns as numbers: words by their place in a list, any column as Arrow or as a digest."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import pyarrow as pa

_ODD = np.uint64(0x9E3779B97F4A7C15)
_SHIFT = np.uint64(29)


@dataclass(frozen=True, eq=False)
class Listed:
    """Words that columns name by number; -1 stands for none."""

    words: Sequence[str]

    @cached_property
    def arrow(self) -> pa.Array:
        """The words as Arrow."""
        import pyarrow as pa

        return pa.array(self.words, pa.string())

    @cached_property
    def digests(self) -> np.ndarray:
        """A 64-bit digest of each word and, last, of none: the same in whatever list it stands."""
        made = b"".join(
            hashlib.blake2b(word.encode("utf-8", "surrogatepass"), digest_size=8).digest()
            for word in self.words
        )
        return np.frombuffer(made + bytes(8), dtype="<u8")

    def column(self, codes: np.ndarray) -> pa.DictionaryArray:
        """Codes as a column of text."""
        return dictionary(codes.astype(np.int32, copy=False), self.arrow)


@dataclass(frozen=True, eq=False)
class Values:
    """One column: numbers, days, times or numbers of ``words``; nothing where ``none`` says so."""

    values: np.ndarray
    words: Listed | None = None
    none: np.ndarray | None = None

    def arrow(self) -> pa.Array:
        """The column as Arrow."""
        import pyarrow as pa

        if self.words is not None:
            return self.words.column(self.values)
        return pa.array(self.values, mask=self.none)

    def bits(self) -> np.ndarray:
        """64 bits that stand for each value; words by their digest, whatever their number."""
        if self.words is not None:
            return self.words.digests[self.values]
        values = self.values
        if values.dtype.kind == "f":
            bits = values.astype(np.float64, copy=False).view(np.uint64)
        elif values.dtype.kind == "M":
            bits = values.view(np.uint64)
        else:
            bits = values.astype(np.uint64)
        return bits if self.none is None else np.where(self.none, _ODD, bits)


def mixed(parts: Iterable[np.ndarray], rows: int) -> np.ndarray:
    """A 64-bit digest of the numbers that each row has in some columns."""
    total = np.zeros(rows, dtype=np.uint64)
    for part in parts:
        total ^= part.astype(np.uint64, copy=False)
        total *= _ODD
        total ^= total >> _SHIFT
    return total


_DENSE = 4
"""Numbers a value, up to which a table of all numbers is cheaper than hashing the values."""


def grouped(values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Group of each value, and the distinct values in some order that depends on them alone."""
    if len(values) and values.dtype.kind == "i":
        least, most = int(values.min()), int(values.max())
        if most - least < _DENSE * len(values):
            at = np.subtract(values, least, dtype=np.intp)  # small kinds would run over
            there = np.zeros(most - least + 1, dtype=bool)
            there[at] = True
            distinct = np.flatnonzero(there)
            number = np.empty(len(there), dtype=np.int32)
            number[distinct] = np.arange(len(distinct))
            return number[at], distinct + least
    import pandas as pd

    return pd.factorize(values)


def in_order_of(values: np.ndarray) -> np.ndarray:
    """Places of the values in their order, equal ones as they stand; small numbers go quicker."""
    if len(values) and values.min() > -(1 << 15) and values.max() < 1 << 15:
        values = values.astype(np.int16, copy=False)  # sorted by its two bytes
    return np.argsort(values, kind="stable")


def dictionary(codes: np.ndarray, words: pa.Array) -> pa.DictionaryArray:
    """Numbers of words as coded text, missing where they are -1 (which stays there)."""
    import pyarrow as pa

    none = codes < 0
    return pa.DictionaryArray.from_arrays(pa.array(codes, mask=none if none.any() else None), words)


def whole(column: pa.ChunkedArray | pa.Array) -> pa.Array:
    """A column in one piece; one that is in one piece already is not copied."""
    import pyarrow as pa

    if isinstance(column, pa.ChunkedArray):
        return column.chunk(0) if column.num_chunks == 1 else column.combine_chunks()
    return column


def months_of(days: np.ndarray) -> np.ndarray:
    """Month of each day, counted from January 1970; ``UNDATED`` where it is missing."""
    month = days.astype("datetime64[M]").astype(np.int64)
    return np.where(np.isnat(days), UNDATED, month)


UNDATED = 65_709
"""The month of rows without a day, beyond all others: in the year 7445."""


def month_name(month: int) -> str:
    """``2025-03``; ``undated`` for none."""
    return "undated" if month == UNDATED else str(np.datetime64(month, "M"))
