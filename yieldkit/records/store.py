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
import json
import os
import shutil
import tempfile
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from yieldkit.errors import CrewError
from yieldkit.records import disk
from yieldkit.records.generation import write_months, write_table
from yieldkit.records.parsed import ONCE, PARSED, Parsed, Waiting, coded_schema

if TYPE_CHECKING:
    import pyarrow as pa

    from yieldkit.records.assembled import Month
    from yieldkit.records.tables import Table

FOLDER = "store"
LOCK_SECONDS = 30.0


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
        self.state()  # where it is gone nothing may be swept: all would be
        for folder in (self.crew_folder, self.root, self.root / "raw"):
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
        except (FileNotFoundError, ValueError):
            # none yet, or damaged from outside: at rest one generation alone lies there
            placed = [path.name for path in (self.root / "generations").glob("*")]
            return max((int(name) for name in placed if name.isdigit()), default=0)

    def generation(self) -> Path:
        """Folder of the present generation."""
        return self.root / "generations" / str(self.number())

    def state(self) -> dict[str, Any]:
        """Files taken in, decisions and history of the present generation."""
        number = self.number()
        if not number:
            return {"files": [], "repairs": [], "history": []}
        path = self.root / "generations" / str(number) / "state.json"
        try:
            found: dict[str, Any] = json.loads(path.read_text("utf-8"))
        except (FileNotFoundError, NotADirectoryError, ValueError) as error:
            damaged = isinstance(error, ValueError)
            how = "cannot be read; it was changed" if damaged else "was removed"
            raise CrewError(
                f"the list of files and decisions {how} from outside",
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
            disk.write_whole(path, data, named=False)

    def has_raw(self, sha256: str) -> bool:
        """Whether the bytes of a file are kept."""
        return (self.root / "raw" / sha256).exists()

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
        if disk.digest(data) != sha256:
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
        disk.reached("parsed begun")
        for name, rows in (("rows", _filled(parsed.rows)), ("refused", parsed.refused)):
            _write_coded(rows, part / f"{name}.arrow")
            disk.reached(f"parsed {name}")
        about = {
            "layout": parsed.layout,
            "table": parsed.table,
            "data_rows": parsed.data_rows,
            "rows": parsed.rows.num_rows,
            "furniture": {k: _plain(v) for k, v in parsed.furniture.items()},
        }
        disk.write_whole(part / "about.json", json.dumps(about, ensure_ascii=False).encode())
        os.replace(part, place)
        disk.reached("parsed kept")

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
                    disk.reached(f"prune {path.name}")
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
        disk.reached("generation begun")
        for name, table in tables.items():
            write_table(building / name, name, table, before / name)
        had = self.state().get("marks", {})
        had = {} if anew or had.get("stamp") != stamp else had
        state = state | {"marks": write_months(building, months, before, had) | {"stamp": stamp}}
        disk.write_whole(
            building / "state.json", json.dumps(state, ensure_ascii=False, default=str).encode()
        )
        disk.flush(building)
        place = building.with_name(str(number))
        os.replace(building, place)
        disk.flush(place.parent)
        disk.reached("generation placed")
        for kept in ("raw", "parsed"):  # what the state names, for all files at once
            disk.flush(self.root / kept)
        disk.write_whole(self.root / "current", str(number).encode("ascii"))
        disk.reached("swapped")
        if before.exists():
            shutil.rmtree(before)
        disk.reached("swept")
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
