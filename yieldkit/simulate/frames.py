"""Columns of the tables: codes to text, sources of rows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from yieldkit.records.tables import Table


def pick(names: Sequence[str | None], index: NDArray[np.int64]) -> pd.Series:
    """Text column from codes; -1 gives a missing value."""
    words = pd.array(np.array([*names], dtype=object), dtype="str")
    return pd.Series(words.take(np.asarray(index), allow_fill=True))


def texts(values: Sequence[str | None] | NDArray[np.object_]) -> pd.Series:
    """Text column from words; ``None`` gives a missing value."""
    return pd.Series(np.asarray(values, dtype=object), dtype="str")


def constant(value: str | None, size: int) -> pd.Series:
    """Text column of one word."""
    return pick([value], np.zeros(size, dtype=np.int64))


def whole(values: NDArray[np.int64], known: NDArray[np.bool_] | None = None) -> pd.Series:
    """Whole-number column, missing where not ``known``."""
    column = pd.Series(values, dtype="Int64")
    return column if known is None else column.where(known)


def instants(local: NDArray[np.datetime64], zone: str) -> pd.Series:
    """Local times of one zone as UTC; a time that clocks skip or repeat takes the later reading."""
    times = pd.DatetimeIndex(local.astype("datetime64[ms]"))
    known = times.tz_localize(zone, ambiguous=False, nonexistent="shift_forward")
    return pd.Series(known.tz_convert("UTC").as_unit("ms"))


def at_minute(
    days: NDArray[np.datetime64], minutes: NDArray[np.float64] | float
) -> NDArray[np.datetime64]:
    """Local times of days and minutes since midnight."""
    seconds = np.asarray(np.asarray(minutes) * 60).astype("timedelta64[s]")
    return np.asarray(days.astype("datetime64[s]") + seconds, dtype="datetime64[s]")


def dates(days: NDArray[np.datetime64]) -> pd.Series:
    """Date column."""
    return pd.Series(days.astype("datetime64[ms]"))


def finish(table: Table, columns: Mapping[str, object], prefix: str = "") -> pd.DataFrame:
    """The columns of ``table`` in order; provenance is filled in, a missing text column is empty.

    Parameters
    ----------
    table : Table
        Schema.
    columns : mapping
        Column name to values; all of one length.
    prefix : str
        Begins each row's fingerprint; the table's name if empty.
    """
    frame = pd.DataFrame(dict(columns))
    size = len(frame)
    given = {
        "file": constant("simulated", size),
        "sheet": constant("", size),
        "source_row": pd.Series(np.arange(1, size + 1)),
        "fingerprint": texts([f"{prefix or table.name}-{i}" for i in range(size)]),
    }
    for column in table.columns:
        if column.name not in frame:
            if column.name in given:
                frame[column.name] = given[column.name]
            elif column.kind == "text":
                frame[column.name] = constant(None, size)
            elif column.kind == "whole":
                frame[column.name] = pd.Series([pd.NA] * size, dtype="Int64")
            else:
                raise KeyError(f"{table.name}: column {column.name} was not made")
    return frame[table.names]
