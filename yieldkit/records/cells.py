"""A column of text as its distinct words: what is asked of a cell is asked once of each word."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

_LOOKED_AT = 500
"""Rows that tell whether nearly every row has a word of its own."""


@dataclass(frozen=True, eq=False)
class Cells:
    """A column of text.

    Parameters
    ----------
    words : pyarrow.StringArray
        Words, none of them null.
    codes : ndarray of int32, shape (rows,)
        Number of each row's word; -1 where nothing stands.
    repeats : bool
        Whether a word may come twice among the words: where nearly every row has another, like
        times and record numbers, nobody looked.
    """

    words: pa.StringArray
    codes: np.ndarray
    repeats: bool = False

    @classmethod
    def of(cls, column: pa.StringArray) -> Cells:
        """Cells of a plain column; nothing stands where it is null."""
        first = column.slice(0, _LOOKED_AT)
        if not column.null_count and len(first.unique()) == _LOOKED_AT:
            return cls(column, np.arange(len(column), dtype=np.int32), repeats=True)
        coded = column.dictionary_encode()
        return cls(coded.dictionary, _codes(coded))

    @classmethod
    def alike(cls, word: str | None, n: int) -> Cells:
        """The same word, or nothing, in each of ``n`` rows."""
        words = [] if word is None else [word]
        return cls(pa.array(words, pa.string()), np.full(n, len(words) - 1, dtype=np.int32))

    def __len__(self) -> int:
        """Rows."""
        return len(self.codes)

    @property
    def filled(self) -> np.ndarray:
        """Rows in which something stands."""
        return self.codes >= 0

    @property
    def each(self) -> pa.StringArray:
        """The words, and null behind them: what is reckoned of these is taken by ``codes``."""
        return pa.concat_arrays([self.words, pa.nulls(1, pa.string())])

    @property
    def sizes(self) -> np.ndarray:
        """Bytes of each word."""
        return pc.binary_length(self.words).to_numpy(zero_copy_only=False)

    def at(self, row: int) -> str | None:
        """Text of one row."""
        code = int(self.codes[row])
        return None if code < 0 else str(self.words[code])

    def are(self, word: str) -> np.ndarray:
        """Rows in which ``word`` stands."""
        same = pc.equal(self.words, word).to_numpy(zero_copy_only=False)
        return np.append(same, False)[self.codes]

    def take(self, rows: np.ndarray) -> Cells:
        """Cells of some rows."""
        return replace(self, codes=self.codes[rows])

    def spread(self, rows: np.ndarray) -> Cells:
        """The cells in those of more rows that are true, and nothing in the others."""
        codes = np.full(len(rows), -1, dtype=np.int32)
        codes[rows] = self.codes
        return replace(self, codes=codes)

    def put(self, rows: np.ndarray, texts: pa.StringArray) -> Cells:
        """Cells with other texts in some rows."""
        codes = self.codes.copy()
        codes[rows] = np.arange(len(texts), dtype=np.int32) + np.int32(len(self.words))
        return _merged([self.words, texts], codes)

    def where(self, keep: np.ndarray) -> Cells:
        """Cells with nothing in rows that are not kept."""
        return replace(self, codes=np.where(keep, self.codes, np.int32(-1)))

    def respelt(self, words: pa.StringArray) -> Cells:
        """Cells with another text, or null for nothing, in place of each word."""
        if words.equals(self.words):
            return self
        coded = words.dictionary_encode()
        return Cells(coded.dictionary, np.append(_codes(coded), np.int32(-1))[self.codes])

    def without(self, words: np.ndarray) -> Cells:
        """Cells with nothing in place of the words for which ``words`` is true."""
        if not words.any():
            return self
        return self.respelt(pc.if_else(pa.array(words), pa.nulls(1, pa.string())[0], self.words))

    def by_word(self, classify: Callable[[str], str | None]) -> Cells:
        """Cells with what each word is classified as."""
        if not len(self.words):
            return self
        found = [classify(word) for word in self.words.to_pylist()]
        return self.respelt(pa.array(found, pa.string()))

    def plain(self) -> pa.StringArray:
        """Text of each row."""
        if self.repeats and np.array_equal(self.codes, np.arange(len(self.words))):
            return self.words
        return self.words.take(_indices(self.codes))

    def used(self) -> Cells:
        """Cells without words that stand in no row."""
        used = np.bincount(self.codes + 1, minlength=len(self.words) + 1)[1:] > 0
        if used.all():
            return self
        codes = np.append(np.cumsum(used, dtype=np.int32) - 1, np.int32(-1))[self.codes]
        return replace(self, words=self.words.filter(pa.array(used)), codes=codes)

    def array(self) -> pa.DictionaryArray:
        """As coded text, with the words used."""
        if not len(self.words):
            return pa.nulls(len(self), pa.dictionary(pa.int32(), pa.string()))
        used = (_merged([self.words], self.codes) if self.repeats else self).used()
        return pa.DictionaryArray.from_arrays(_indices(used.codes), used.words)


def first_of(*several: Cells) -> Cells:
    """In each row what stands in the first of the columns in which anything does."""
    told = [cells for cells in several if len(cells.words)]
    if len(told) < 2:
        return told[0] if told else several[0]
    codes, count = told[0].codes, len(told[0].words)
    for cells in told[1:]:
        codes = np.where((codes < 0) & cells.filled, cells.codes + count, codes)
        count += len(cells.words)
    return _merged([cells.words for cells in told], codes)


def laid(several: Sequence[Cells]) -> Cells:
    """The rows of one column behind those of another."""
    starts = np.cumsum([0, *(len(cells.words) for cells in several)])
    codes = [
        np.where(cells.filled, cells.codes + start, -1)
        for cells, start in zip(several, starts.tolist(), strict=False)
    ]
    return _merged([cells.words for cells in several], np.concatenate(codes))


def _merged(several: Sequence[pa.StringArray], codes: np.ndarray) -> Cells:
    """Cells of several lists of words one behind the other, each word once."""
    coded = pa.concat_arrays(several).dictionary_encode()
    return Cells(coded.dictionary, np.append(_codes(coded), np.int32(-1))[codes])


def _codes(coded: pa.DictionaryArray) -> np.ndarray:
    indices = coded.indices
    found: np.ndarray = (pc.fill_null(indices, -1) if indices.null_count else indices).to_numpy()
    return found


def _indices(codes: np.ndarray) -> pa.Int32Array:
    """Codes as Arrow counts them: 0, and null, where nothing stands."""
    missing = codes < 0
    if not missing.any():
        return pa.array(codes, pa.int32())
    return pa.array(np.maximum(codes, 0), pa.int32(), mask=missing)
