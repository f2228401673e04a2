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

    Parameters
    ----------
    table : str
        Key of ``PARSED``.
    columns : dict of pyarrow.Array
        Typed columns, ``n`` rows each.
    """
    names = [c.name for c in PARSED[table].columns if c.name not in _NOT_IN and c.name in columns]
    parts = [pa.array(np.full(n, table), pa.string())]
    for name in names:
        column = columns[name]
        if name == "loss_text":  # a number is in loss_db already, a word is not
            number = columns["loss_db"]
            column = pc.if_else(pc.is_valid(number), pa.scalar(None, pa.string()), column)
        if column.null_count == n:
            continue
        if pa.types.is_timestamp(column.type):
            column = column.cast(pa.int64())
        text = column if pa.types.is_string(column.type) else column.cast(pa.string())
        part = pc.binary_join_element_wise(f"\x1f{name}", text, "=")
        parts.append(pc.fill_null(part, ""))  # a column that is empty must leave no trace
    joined = pc.binary_join_element_wise(*parts, "").to_pylist()
    digests = [hashlib.blake2b(row.encode(), digest_size=12).hexdigest() for row in joined]
    if len(set(digests)) < n:
        seen: dict[str, int] = {}
        for at, digest in enumerate(digests):
            seen[digest] = seen.get(digest, 0) + 1
            digests[at] = f"{digest}-{seen[digest]}"
    else:
        digests = [digest + "-1" for digest in digests]
    return pa.array(digests, pa.string())
