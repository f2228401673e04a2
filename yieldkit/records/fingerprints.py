"""Digest of each row's typed values, so that the same row is known again in another file."""

from __future__ import annotations

import hashlib

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
        Typed columns, ``n`` rows each.
    n : int
        Rows.

    References
    ----------
    .. [1] G. L. Steele, D. Lea, C. H. Flood, OOPSLA 2014, 453-472, doi:10.1145/2660193.2660195.
    """
    total = np.zeros((n, 2), dtype=np.uint64)
    total += np.frombuffer(_digest(table, b""), dtype="<u8")
    for name in (c.name for c in PARSED[table].columns if c.name not in _NOT_IN):
        if name not in columns or columns[name].null_count == n:
            continue
        column = columns[name]
        if name == "loss_text":  # a number is in loss_db already, a word is not
            number = pc.is_valid(columns["loss_db"])
            column = pc.if_else(number, pa.scalar(None, pa.string()), column)
        hashed = _texts(column, name) if pa.types.is_string(column.type) else _bits(column, name)
        none = pc.is_null(column).to_numpy(zero_copy_only=False)
        hashed[none] = 0
        total += hashed
    whole = total.astype("<u8").tobytes().hex()
    digests = [whole[at : at + 24] for at in range(0, 32 * n, 32)]
    if len(np.unique(total[:, 0])) == n:
        return pa.array([digest + "-1" for digest in digests], pa.string())
    seen: dict[str, int] = {}
    for at, digest in enumerate(digests):
        seen[digest] = seen.get(digest, 0) + 1
        digests[at] = f"{digest}-{seen[digest]}"
    return pa.array(digests, pa.string())


def _digest(value: str, key: bytes) -> bytes:
    return hashlib.blake2b(value.encode("utf-8", "surrogatepass"), digest_size=16, key=key).digest()


def _texts(column: pa.Array, name: str) -> np.ndarray:
    """Hash of each text: every distinct one once."""
    coded = column.dictionary_encode()
    key = name.encode()
    made = b"".join(_digest(word, key) for word in coded.dictionary.to_pylist())
    table = np.frombuffer(made or bytes(16), dtype="<u8").reshape(-1, 2)
    return table[coded.indices.fill_null(0).to_numpy(zero_copy_only=False)].astype(np.uint64)


def _bits(column: pa.Array, name: str) -> np.ndarray:
    """Hash of each number, time or yes/no by its bits."""
    if pa.types.is_floating(column.type):
        value = pc.fill_null(column, 0.0).to_numpy(zero_copy_only=False) + 0.0  # -0.0 is 0.0
        bits = np.ascontiguousarray(value).view(np.uint64)
    else:
        if pa.types.is_date(column.type):
            column = column.cast(pa.int32())
        whole = pc.fill_null(column.cast(pa.int64()), 0)
        bits = whole.to_numpy(zero_copy_only=False).astype(np.uint64)
    keys = np.frombuffer(_digest(name, b"number"), dtype="<u8").astype(np.uint64)
    mixed = bits[:, None] * np.uint64(0x9E3779B97F4A7C15) + keys
    mixed = (mixed ^ (mixed >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    mixed = (mixed ^ (mixed >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return mixed ^ (mixed >> np.uint64(31))
