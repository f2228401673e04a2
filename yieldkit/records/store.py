"""The store: bytes as they came, typed rows of each file, and one present generation of all tables.

::

    store/raw/<sha256>                 bytes as they came
    store/parsed/<key>/                typed rows of one file by one layout, never changed
    store/generations/<n>/<table>/     plain Parquet files, by month where a table is large
    store/generations/<n>/state.json   files taken in, decisions, history
    store/current                      number of the present generation
    store/doubts.json                  what of it the doubts list shows

Everything is written beside what is there, flushed to the disk, and takes its place by one rename
of ``current`` under one lock: all tables change together or none. What a killed run leaves behind
is swept by the next.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import shutil
import tempfile
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from yieldkit.errors import CrewError
from yieldkit.records.parsed import ONCE, PARSED, Parsed, Waiting, coded_schema

if TYPE_CHECKING:
    import pyarrow as pa

    from yieldkit.records.assembled import Month
    from yieldkit.records.tables import Table

FOLDER = "store"
BY_MONTH = {"measurements": "date"}
"""Tables that are parted by month here, and the day that puts a row into one."""
LOCK_SECONDS = 30.0


def reached(point: str) -> None:
    """A point at which a run may be killed; the tests put a fault here."""


def digest(data: bytes) -> str:
    """SHA-256 of ``data``, hexadecimal."""
    return hashlib.sha256(data).hexdigest()


def flush(path: Path) -> None:
    """Have the disk keep a file or a folder's entries."""
    flags = os.O_RDONLY | getattr(os, "O_BINARY", 0)
    try:
        handle = os.open(path, flags)
    except PermissionError:  # a folder cannot be opened on Windows; renames are kept there anyway
        return
    try:
        os.fsync(handle)
    except OSError:
        if path.is_file():
            raise
    finally:
        os.close(handle)


def write_whole(path: Path, data: bytes, *, named: bool = True) -> None:
    """Write ``data`` to ``path`` so that it is there as a whole or not at all.

    Without ``named`` the disk need not keep its name yet: the folder is flushed later.
    """
    reached(f"before {path.name}")
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=".part-")
    try:
        with os.fdopen(handle, "wb") as part:
            part.write(data)
            part.flush()
            os.fsync(part.fileno())
        reached(f"written {path.name}")
        os.replace(name, path)
    except BaseException:
        with contextlib.suppress(OSError):
            os.unlink(name)
        raise
    reached(f"renamed {path.name}")
    if named:
        flush(path.parent)


@dataclass(frozen=True)
class Store:
    """The store of one crew's folder."""

    crew_folder: Path

    @property
    def root(self) -> Path:
        """The store's own folder."""
        return self.crew_folder / FOLDER

    @contextlib.contextmanager
    def locked(self) -> Iterator[None]:
        """Hold the one lock; leftovers of a killed run are swept first.

        Raises
        ------
        CrewError
            If another run holds it for long, or the folder cannot be written to.
        """
        from filelock import FileLock, Timeout

        try:
            for part in ("raw", "parsed", "generations"):
                (self.root / part).mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise _cannot_write(self.root, error) from error
        lock = FileLock(self.root / "lock")
        try:
            lock.acquire(timeout=LOCK_SECONDS)
        except Timeout as error:
            raise CrewError(
                "another run is at work on this crew",
                file=str(self.crew_folder),
                remedy="Wait until it has finished, then run again.",
            ) from error
        except OSError as error:
            raise _cannot_write(self.root, error) from error
        try:
            self._sweep()
            yield
        except OSError as error:
            raise _cannot_write(self.root, error) from error
        finally:
            lock.release()

    def _sweep(self) -> None:
        present = str(self.number())
        for folder in (self.root, self.root / "raw"):
            for left in folder.glob(".part-*"):
                left.unlink()
        for left in (self.root / "parsed").glob(".part-*"):
            shutil.rmtree(left)
        for left in (self.root / "generations").iterdir():
            if left.name != present:
                shutil.rmtree(left)
        self.prune()

    def number(self) -> int:
        """Number of the present generation; 0 before the first."""
        try:
            return int((self.root / "current").read_text("ascii"))
        except FileNotFoundError:
            return 0
        except ValueError:  # damaged from outside: at rest one generation alone lies there
            whole = [path.name for path in (self.root / "generations").iterdir()]
            return max((int(name) for name in whole if name.isdigit()), default=0)

    def generation(self) -> Path:
        """Folder of the present generation."""
        return self.root / "generations" / str(self.number())

    def state(self) -> dict[str, Any]:
        """Files taken in, decisions and history of the present generation."""
        path = self.generation() / "state.json"
        if not path.exists():
            return {"files": [], "repairs": [], "history": []}
        try:
            found: dict[str, Any] = json.loads(path.read_text("utf-8"))
        except ValueError:
            raise CrewError(
                "the list of files and decisions cannot be read; it was changed from outside",
                file=f"store/generations/{path.parent.name}/{path.name}",
                remedy="Put it back from a copy of the folder, or move store/ away and take the"
                " files in again.",
            ) from None
        return found

    # -- bytes as they came ---------------------------------------------------------------------

    def keep_raw(self, sha256: str, data: bytes) -> None:
        """Keep a file's bytes under their digest."""
        path = self.root / "raw" / sha256
        if not path.exists():
            write_whole(path, data, named=False)

    def raw(self, sha256: str) -> bytes:
        """Bytes of a file taken in.

        Raises
        ------
        CrewError
            If they are gone, or are no longer those that came.
        """
        path = self.root / "raw" / sha256
        if not path.exists():
            raise CrewError(
                "the bytes kept of this file are gone",
                file=f"store/raw/{sha256}",
                remedy="Put the file as it came into inbox/ again, or withdraw it.",
            )
        data = path.read_bytes()
        if digest(data) != sha256:
            raise CrewError(
                "the bytes kept of this file were changed after it came",
                file=f"store/raw/{sha256}",
                remedy="Delete them and put the file as it came into inbox/ again, or withdraw it.",
            )
        return data

    # -- typed rows of one file -----------------------------------------------------------------

    def keep_parsed(self, key: str, parsed: Parsed) -> None:
        """Keep a file's typed rows under ``key``, as a whole or not at all."""
        place = self.root / "parsed" / key
        if place.exists():
            return
        part = Path(tempfile.mkdtemp(dir=place.parent, prefix=".part-"))
        reached("parsed begun")
        for name, rows in (("rows", _filled(parsed.rows)), ("refused", parsed.refused)):
            _write_coded(rows, part / f"{name}.arrow")
            reached(f"parsed {name}")
        about = {
            "layout": parsed.layout,
            "table": parsed.table,
            "data_rows": parsed.data_rows,
            "rows": parsed.rows.num_rows,
            "furniture": {k: _plain(v) for k, v in parsed.furniture.items()},
        }
        write_whole(part / "about.json", json.dumps(about, ensure_ascii=False).encode())
        os.replace(part, place)
        reached("parsed kept")

    def has_parsed(self, key: str) -> bool:
        """Whether typed rows are kept under ``key``."""
        return (self.root / "parsed" / key / "about.json").exists()

    def data_rows(self, key: str) -> int | None:
        """Data rows of the file kept under ``key``; None if none is."""
        about = self.root / "parsed" / key / "about.json"
        return int(json.loads(about.read_text("utf-8"))["data_rows"]) if about.exists() else None

    def parsed(self, key: str) -> Parsed | None:
        """Typed rows kept under ``key``; None if there are none."""
        kept = self.waiting(key)
        if kept is None:
            return None
        parsed, _ = kept
        rows = _read_coded(self.root / "parsed" / key / "rows.arrow")
        return replace(parsed, rows=_plain_text(_completed(rows, PARSED[parsed.table])))

    def waiting(self, key: str) -> tuple[Parsed, Waiting] | None:
        """What is kept under ``key``, its rows still to be read; None if there is nothing."""
        place = self.root / "parsed" / key
        if not (place / "about.json").exists():
            return None
        about = json.loads((place / "about.json").read_text("utf-8"))
        rows = place / "rows.arrow"
        count = about["rows"] if "rows" in about else _read_coded(rows).num_rows
        parsed = Parsed(
            layout=about["layout"],
            table=about["table"],
            rows=coded_schema(PARSED[about["table"]]).empty_table(),
            refused=_plain_text(_read_coded(place / "refused.arrow")),
            data_rows=about["data_rows"],
            furniture={k: _revived(v) for k, v in about["furniture"].items()},
        )
        return parsed, Waiting(count, partial(_read_coded, rows, "when_text"))

    def drop_parsed(self, key: str) -> None:
        """Forget a file's typed rows, so that its bytes are read again."""
        place = self.root / "parsed" / key
        if place.exists():
            shutil.rmtree(place)

    def prune(self) -> None:
        """Remove bytes and typed rows that no entry of the present state needs any more."""
        files = self.state()["files"]
        raw = {entry["sha256"] for entry in files if not entry.get("frozen")}
        keys = {entry["key"] for entry in files if entry["key"]}
        for folder, wanted in (("raw", raw), ("parsed", keys)):
            for path in (self.root / folder).iterdir():
                if path.name not in wanted:
                    reached(f"prune {path.name}")
                    shutil.rmtree(path) if path.is_dir() else path.unlink()

    # -- generations ----------------------------------------------------------------------------

    def swap(
        self,
        tables: dict[str, pa.Table],
        months: Iterable[Month],
        state: dict[str, Any],
        stamp: str,
        *,
        anew: bool = False,
    ) -> int:
        """Write all tables and the state as a new generation and make it the present one.

        Of ``months`` those are not made again that have the mark they had before, unless all are
        wanted ``anew``; ``stamp`` says by which rules marks and rows are made.
        """
        before, number = self.generation(), self.number() + 1
        building = self.root / "generations" / f".building-{number}"
        building.mkdir()
        reached("generation begun")
        for name, table in tables.items():
            _write_table(building / name, name, table, before / name)
        had = {} if anew else _marks(before, stamp)
        state = state | {"marks": _write_months(building, months, before, had) | {"stamp": stamp}}
        write_whole(
            building / "state.json", json.dumps(state, ensure_ascii=False, default=str).encode()
        )
        flush(building)
        place = building.with_name(str(number))
        os.replace(building, place)
        flush(place.parent)
        reached("generation placed")
        for kept in ("raw", "parsed"):  # what the state names, for all files at once
            flush(self.root / kept)
        write_whole(self.root / "current", str(number).encode("ascii"))
        reached("swapped")
        if before.exists():
            shutil.rmtree(before)
        reached("swept")
        return number


def _filled(rows: pa.Table) -> pa.Table:
    """Rows without columns in which nothing stands."""
    return rows.select(
        [name for name in rows.column_names if rows[name].null_count < rows.num_rows]
    )


def _completed(rows: pa.Table, table: Table) -> pa.Table:
    """Rows with the columns that ``_filled`` left out."""
    import pyarrow as pa

    have = set(rows.column_names)
    return pa.table(
        {
            field.name: rows[field.name]
            if field.name in have
            else pa.nulls(rows.num_rows, field.type)
            for field in coded_schema(table)
        }
    )


def _write_coded(rows: pa.Table, path: Path) -> None:
    """Write typed rows in Arrow's file format, text in which words come again as a dictionary."""
    import pyarrow as pa

    coded = pa.table(
        {
            field.name: rows[field.name].combine_chunks().dictionary_encode()
            if pa.types.is_string(field.type) and field.name not in ONCE
            else rows[field.name]
            for field in rows.schema
        }
    )
    options = pa.ipc.IpcWriteOptions(compression="lz4", use_threads=False)
    sink = pa.BufferOutputStream()
    with pa.ipc.new_file(sink, coded.schema, options=options) as file:
        file.write_table(coded)
    with path.open("wb") as part:
        part.write(sink.getvalue())
        part.flush()
        os.fsync(part.fileno())


def _read_coded(path: Path, but: str = "") -> pa.Table:
    """Read what ``_write_coded`` wrote, without the column ``but``."""
    import pyarrow as pa

    with pa.OSFile(str(path)) as source:
        schema = pa.ipc.open_file(source).schema
        wanted = [at for at, name in enumerate(schema.names) if name != but]
        options = pa.ipc.IpcReadOptions(included_fields=wanted, use_threads=False)
        return pa.ipc.open_file(source, options=options).read_all()


def _plain_text(rows: pa.Table) -> pa.Table:
    """Rows with their coded text written out."""
    import pyarrow as pa

    return rows.cast(
        pa.schema(
            [
                pa.field(one.name, pa.string() if pa.types.is_dictionary(one.type) else one.type)
                for one in rows.schema
            ]
        )
    )


def _write_table(folder: Path, name: str, table: pa.Table, before: Path) -> None:
    """Write a table's files; a file that is as before is linked to the one before."""
    folder.mkdir()
    table, months = _months(name, table)
    for month, start, stop in months:
        _write_file(table.slice(start, stop - start), folder / f"{month}.parquet", before)
    flush(folder)


def _write_months(
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
                reached(f"table {name} {month.name}")
                _link(old, path)
            else:
                _write_file(month.table(name), path, before / name)
            marks.setdefault(name, {})[month.name] = [mark, path.stat().st_size]
    for name in marks:
        flush(building / name)
    return marks


def _marks(generation: Path, stamp: str) -> dict[str, Any]:
    """Marks of the months of a generation; none if it was made by other rules."""
    path = generation / "state.json"
    if not path.exists():
        return {}
    found: dict[str, Any] = json.loads(path.read_text("utf-8")).get("marks", {})
    return found if found.get("stamp") == stamp else {}


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
        use_dictionary=_words(rows),
        write_statistics=[name for name in _SOUGHT_BY if name in rows.schema.names],
        store_schema=False,
    )
    reached(f"table {path.parent.name} {path.stem}")
    old = before / path.name
    if old.exists() and _same_bytes(old, path):
        path.unlink()
        _link(old, path)
    else:
        flush(path)


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
        flush(path)


def _plain(value: object) -> object:
    from datetime import datetime

    return {"time": value.isoformat()} if isinstance(value, datetime) else value


def _revived(value: object) -> object:
    from datetime import datetime

    if isinstance(value, dict) and "time" in value:
        return datetime.fromisoformat(value["time"])
    return value


def _cannot_write(folder: Path, error: OSError) -> CrewError:
    return CrewError(
        f"cannot be written to or read: {error.strerror or error}",
        file=str(error.filename or folder),
        remedy="Make room on the disk or allow writing there, then run again; nothing was lost.",
    )
