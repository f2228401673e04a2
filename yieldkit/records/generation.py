"""Tables of a generation as plain Parquet: large ones a file a month, months as before linked."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from yieldkit.records import disk

if TYPE_CHECKING:
    import pyarrow as pa

    from yieldkit.records.assembled import Month

BY_MONTH = {"measurements": "date"}
"""Tables that are parted by month here, and the day that puts a row into one."""


def write_table(folder: Path, name: str, table: pa.Table, before: Path) -> None:
    """Write a table's files; a file that is as before is linked to the one before."""
    folder.mkdir()
    table, months = _months(name, table)
    for month, start, stop in months:
        _write_file(table.slice(start, stop - start), folder / f"{month}.parquet", before)
    disk.flush(folder)


def write_months(
    building: Path, months: Iterable[Month], before: Path, had: dict[str, Any]
) -> dict[str, Any]:
    """Write tables that come by month; the mark and the bytes of each table's months.

    A month with the mark and the length that it ``had`` is linked to the file before, not made.
    """
    marks: dict[str, Any] = {}
    for month in months:
        for name in month.tables:
            path = building / name / f"{month.name}.parquet"
            path.parent.mkdir(exist_ok=True)
            mark, old = month.mark(name), before / name / path.name
            known = had.get(name, {}).get(month.name)
            if known and old.exists() and known == [mark, old.stat().st_size]:
                disk.reached(f"table {name} {month.name}")
                _link(old, path)
            else:
                _write_file(month.table(name), path, before / name)
            marks.setdefault(name, {})[month.name] = [mark, path.stat().st_size]
    for name in marks:
        disk.flush(building / name)
    return marks


def _write_file(rows: pa.Table, path: Path, before: Path) -> None:
    """Write one file of a table; one that is as in the folder ``before`` is linked to that.

    Coded text is written as it is and read back as plain text.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    rows = pa.table([_used(column) for column in rows.columns], names=rows.column_names)
    pq.write_table(
        rows,
        path,
        compression="zstd",
        write_batch_size=1 << 16,
        use_dictionary=_words(rows),
        write_statistics=[name for name in _SOUGHT_BY if name in rows.schema.names],
        store_schema=False,
    )
    disk.reached(f"table {path.parent.name} {path.stem}")
    old = before / path.name
    if old.exists() and _same_bytes(old, path):
        path.unlink()
        _link(old, path)
    else:
        disk.flush(path)


def _months(name: str, table: pa.Table) -> tuple[pa.Table, list[tuple[str, int, int]]]:
    """The table by months, and each month's name, first row and the row after its last.

    Rows keep their order; a table that is not parted comes whole.
    """
    import numpy as np
    import pyarrow as pa

    from yieldkit.records.columns import month_name, months_of

    if name not in BY_MONTH or not table.num_rows:
        return table, [("undated" if name in BY_MONTH else "all", 0, table.num_rows)]
    months = months_of(table[BY_MONTH[name]].to_numpy().astype("datetime64[D]"))
    if (np.diff(months) < 0).any():
        order = np.argsort(months, kind="stable")
        table, months = table.take(pa.array(order)), months[order]
    starts = np.flatnonzero(np.diff(months, prepend=months[0] - 1)).tolist()
    named = [month_name(month) for month in months[starts].tolist()]
    return table, list(zip(named, starts, [*starts[1:], len(months)], strict=True))


_SOUGHT_BY = ("date", "first_date", "when", "job", "technician", "splicer")
"""Columns of which a file tells the least and the greatest value, so that readers can leave it."""
_ONCE = ("fingerprint", "_id", "when_text")
"""Ends of the names of columns in which hardly a text comes twice."""


def _words(rows: pa.Table) -> list[str]:
    """Columns of text in which words come again."""
    import pyarrow as pa

    text = (pa.types.is_string, pa.types.is_dictionary)
    return [
        f.name
        for f in rows.schema
        if any(is_(f.type) for is_ in text) and not f.name.endswith(_ONCE)
    ]


_MOST_WORDS = 5_000
"""Words of a coded column above which it is written as plain text."""


def _used(column: pa.ChunkedArray) -> pa.Array:
    """A column in one piece; coded text names the words that occur, in order of code point.

    So a file's bytes depend on its own rows alone.
    """
    import numpy as np
    import pyarrow as pa
    import pyarrow.compute as pc

    from yieldkit.records.columns import dictionary, whole

    found = whole(column)
    if not pa.types.is_dictionary(found.type):
        return found
    codes = pc.fill_null(found.indices.cast(pa.int32()), -1).to_numpy()
    used = np.flatnonzero(np.bincount(codes + 1, minlength=len(found.dictionary) + 1)[1:])
    if len(used) > _MOST_WORDS:
        return found.cast(pa.string())
    words = found.dictionary.take(pa.array(used))
    order = np.asarray(pc.sort_indices(words))
    if len(used) == len(found.dictionary) and (np.diff(order) > 0).all():
        return found
    number = np.full(len(found.dictionary) + 1, -1, dtype=np.int32)
    number[used[order]] = np.arange(len(used))
    return dictionary(number[codes], words.take(pa.array(order)))


def _same_bytes(one: Path, other: Path) -> bool:
    return one.stat().st_size == other.stat().st_size and one.read_bytes() == other.read_bytes()


def _link(old: Path, path: Path, link: Callable[[Path, Path], None] = os.link) -> None:
    """Have ``path`` be a hard link to ``old``; where links are not known, a copy."""
    try:
        link(old, path)
    except OSError:
        shutil.copyfile(old, path)
        disk.flush(path)
