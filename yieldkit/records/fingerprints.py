"""Digest of each row's typed values, so that the same row is known again in another file."""

from __future__ import annotations

import hashlib
from functools import lru_cache

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from yieldkit.records.parsed import PARSED

_NOT_IN = {
    "sheet",
    "source_row",
    "fingerprint",
    "when_text",
    "value_text",
    "value_step",
    "loss_step",
    "error",
    "reached_arc",
    "step",
    "cause",
    "disposition",
}
"""Where a row lies, how a cell was dressed, classes that better lists of words would change."""


def fingerprints(table: str, columns: dict[str, pa.Array], n: int) -> pa.StringArray:
    """Digest of the values as shown and, for equal rows of one file, their number.

    Each value is hashed together with its column's name to 128 bits (text by BLAKE2b, numbers by
    the finaliser of [1]_), and a row's digest is the sum; an empty cell adds nothing, so a column
    that only one of two files has empty leaves no trace.

    Parameters
    ----------
    table : str
        Key of ``PARSED``.
    columns : dict of pyarrow.Array
        Typed columns, ``n`` rows each, text coded or not.
    n : int
        Rows.

    References
    ----------
    .. [1] G. L. Steele, D. Lea, C. H. Flood, OOPSLA 2014, 453-472, doi:10.1145/2660193.2660195.
    """
    total = np.zeros((2, n), dtype=np.uint64)
    total += np.frombuffer(_digest(table, b""), dtype="<u8")[:, None]
    for name in (c.name for c in PARSED[table].columns if c.name not in _NOT_IN):
        if name not in columns or columns[name].null_count == n:
            continue
        column = columns[name]
        if pa.types.is_string(column.type):
            column = column.dictionary_encode()
        if not pa.types.is_dictionary(column.type):
            total += _bits(column, name)
            continue
        codes = pc.fill_null(column.indices, -1).to_numpy().astype(np.intp)
        if name == "loss_text":  # a number is in loss_db already, a word is not
            number = pc.is_valid(columns["loss_db"]).to_numpy(zero_copy_only=False)
            codes = np.where(number, -1, codes)
        for half, hashed in zip(total, _texts(column.dictionary, name), strict=True):
            half += hashed.take(codes, mode="wrap")
    signs = np.empty((n, 26), dtype=np.uint8)
    whole = np.ascontiguousarray(total.T.astype("<u8")).view(np.uint8)
    text = whole[:, :12].tobytes().hex().encode()
    signs[:, :24] = np.frombuffer(text, dtype=np.uint8).reshape(n, 24)
    signs[:, 24:] = _FIRST
    in_order = np.sort(total[0])
    if (in_order[1:] != in_order[:-1]).all():
        return _fixed(signs)
    _, first, group = np.unique(total[0], return_index=True, return_inverse=True)
    number = _occurrence(signs, group, len(first))
    if number.max(initial=1) == 1:
        return _fixed(signs)
    texts = _fixed(signs[:, :24])
    return pc.binary_join_element_wise(texts, pa.array(number).cast(pa.string()), "-")


_FIRST = np.frombuffer(b"-1", dtype=np.uint8)


def _occurrence(signs: np.ndarray, group: np.ndarray, groups: int) -> np.ndarray:
    """Number of each row among the equal rows before it; few rows have any."""
    number = np.ones(len(signs), dtype=np.int64)
    seen: dict[bytes, int] = {}
    for at in np.flatnonzero(np.bincount(group, minlength=groups)[group] > 1).tolist():
        digest = signs[at].tobytes()
        number[at] = seen[digest] = seen.get(digest, 0) + 1
    return number


def _fixed(signs: np.ndarray) -> pa.StringArray:
    """Texts of one length from their ASCII signs."""
    n, width = signs.shape
    offsets = np.arange(n + 1, dtype=np.int32) * np.int32(width)
    data = np.ascontiguousarray(signs).tobytes()
    return pa.StringArray.from_buffers(n, pa.py_buffer(offsets), pa.py_buffer(data))


@lru_cache(maxsize=2**16)
def _digest(value: str, key: bytes) -> bytes:
    return hashlib.blake2b(value.encode("utf-8", "surrogatepass"), digest_size=16, key=key).digest()


def _texts(words: pa.StringArray, name: str) -> np.ndarray:
    """Hash of each word, two numbers, and zeros behind them for nothing."""
    key = name.encode()
    made = b"".join([*(_digest(word, key) for word in words.to_pylist()), bytes(16)])
    return np.ascontiguousarray(np.frombuffer(made, dtype="<u8").reshape(-1, 2).T)


def _bits(column: pa.Array, name: str) -> np.ndarray:
    """Hash of each number, time or yes/no by its bits; zeros for nothing."""
    if pa.types.is_floating(column.type):
        value = pc.fill_null(column, 0.0).to_numpy(zero_copy_only=False) + 0.0  # -0.0 is 0.0
        bits = np.ascontiguousarray(value).view(np.uint64)
    else:
        if pa.types.is_date(column.type):
            column = column.cast(pa.int32())
        whole = pc.fill_null(column.cast(pa.int64()), 0)
        bits = whole.to_numpy(zero_copy_only=False).astype(np.uint64)
    keys = np.frombuffer(_digest(name, b"number"), dtype="<u8").astype(np.uint64)
    mixed = bits * np.uint64(0x9E3779B97F4A7C15) + keys[:, None]
    mixed ^= mixed >> np.uint64(30)
    mixed *= np.uint64(0xBF58476D1CE4E5B9)
    mixed ^= mixed >> np.uint64(27)
    mixed *= np.uint64(0x94D049BB133111EB)
    mixed ^= mixed >> np.uint64(31)
    if column.null_count:
        mixed[:, pc.is_null(column).to_numpy(zero_copy_only=False)] = 0
    return mixed
