"""A column of many files, each file's part laid where it belongs.

Memory for the whole is taken once; a part is let go when it has been laid.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from yieldkit.records.columns import dictionary

if TYPE_CHECKING:
    import pyarrow as pa


def column_of(kind: pa.DataType, rows: int) -> Texts | Numbers | Pieces:
    """A column to lay files on one another in."""
    import pyarrow as pa

    if pa.types.is_dictionary(kind):
        return Texts(rows)
    plain = pa.types.is_primitive(kind) and not pa.types.is_boolean(kind)
    return Numbers(kind, rows) if plain else Pieces(kind, rows)


class Texts:
    """Text as numbers of its distinct words."""

    def __init__(self, rows: int) -> None:
        self._codes = np.full(rows, -1, dtype=np.int32)
        self._number: dict[str, int] = {}

    def lay(self, at: int, column: pa.ChunkedArray) -> None:
        """Lay a file's column from row ``at`` on."""
        import pyarrow as pa

        for part in column.chunks:
            here = slice(at, at + len(part))
            at += len(part)
            if not pa.types.is_dictionary(part.type):
                part = part.dictionary_encode()
            words = part.dictionary.to_pylist()
            number = [self._number.setdefault(word, len(self._number)) for word in words]
            table = np.array([*number, -1], dtype=np.int32)
            self._codes[here] = table[part.indices.fill_null(-1).to_numpy()]

    def array(self) -> pa.DictionaryArray:
        """The column as Arrow."""
        import pyarrow as pa

        return dictionary(self._codes, pa.array(list(self._number), pa.string()))


class Numbers:
    """Numbers, days or times."""

    def __init__(self, kind: pa.DataType, rows: int) -> None:
        self._kind = kind
        self._values = np.zeros(rows, dtype=f"i{kind.bit_width // 8}")
        self._none = np.ones(rows, dtype=bool)

    def lay(self, at: int, column: pa.ChunkedArray) -> None:
        """Lay a file's column from row ``at`` on."""
        for part in column.cast(self._kind).chunks:
            here = slice(at, at + len(part))
            at += len(part)
            values = np.frombuffer(part.buffers()[1], self._values.dtype)
            self._values[here] = values[part.offset :][: len(part)]
            self._none[here] = part.is_null().to_numpy(zero_copy_only=False)

    def array(self) -> pa.Array:
        """The column as Arrow."""
        import pyarrow as pa

        valid = np.packbits(~self._none, bitorder="little") if self._none.any() else None
        buffers = [valid if valid is None else pa.py_buffer(valid), pa.py_buffer(self._values)]
        return pa.Array.from_buffers(self._kind, len(self._values), buffers)


class Pieces:
    """Text of which hardly any comes twice, and yes or no."""

    def __init__(self, kind: pa.DataType, rows: int) -> None:
        self._kind, self._rows, self._at = kind, rows, 0
        self._parts: list[pa.Array] = []

    def lay(self, at: int, column: pa.ChunkedArray) -> None:
        """Lay a file's column from row ``at`` on."""
        self._fill(at)
        self._parts += column.cast(self._kind).chunks
        self._at = at + len(column)

    def array(self) -> pa.Array:
        """The column as Arrow."""
        import pyarrow as pa

        self._fill(self._rows)
        return pa.concat_arrays(self._parts) if self._parts else pa.nulls(0, self._kind)

    def _fill(self, at: int) -> None:
        import pyarrow as pa

        if at > self._at:
            self._parts.append(pa.nulls(at - self._at, self._kind))
