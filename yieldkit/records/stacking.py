"""Parsed files laid on one another in order of name, spellings replaced by their meaning."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from yieldkit.crew import Crew
from yieldkit.records import spelling
from yieldkit.records.columns import Listed, dictionary, whole
from yieldkit.records.laid import Numbers, Pieces, Texts, column_of
from yieldkit.records.parsed import PARSED, Parsed, Waiting, coded_schema
from yieldkit.records.tables import Table

if TYPE_CHECKING:
    import duckdb
    import pyarrow as pa

KINDS_OF_WORDS = {
    "technician": ("technician_text", "by_text"),
    "unit": ("splicer_text", "cleaver_text", "heater_text", "unit_text", "furniture_text"),
    "job": ("job_text",),
    "connector type": ("connector_type_text",),
}
"""Columns that hold each kind of word."""
UNKNOWN = "unknown"
_LOTS = ("fibre_lot_text", "connector_lot_text")


@dataclass(frozen=True, eq=False)
class Source:
    """One file of the inbox: its name and bytes' digest, and what reading it gave."""

    file: str
    sha256: str
    size: int
    taken_in: datetime
    status: str
    reason: str = ""
    parsed: Parsed | None = None
    key: str = ""
    """Under which its typed rows are kept."""
    waiting: Waiting | None = None
    """Its typed rows, if they are still to be read; ``parsed`` has none then."""

    @property
    def count(self) -> int:
        """Typed rows."""
        if self.waiting is not None:
            return self.waiting.count
        return self.parsed.rows.num_rows if self.parsed else 0

    def rows(self) -> pa.Table:
        """Typed rows, read if they are not here yet; columns in which nothing stands may lack."""
        if self.waiting is not None:
            return self.waiting.read()
        assert self.parsed is not None
        return self.parsed.rows


@dataclass(frozen=True, eq=False)
class Coded:
    """A column of text as numbers: ``words[codes]``; -1 where nothing stands."""

    codes: np.ndarray
    words: list[str]

    def meant(self, table: Mapping[str, int]) -> np.ndarray:
        """The number that ``table`` has for each word; -1 for none."""
        if not self.words:
            return self.codes
        numbers = np.array([table.get(word, -1) for word in self.words] + [-1], dtype=np.int32)
        return numbers[self.codes]


@dataclass(frozen=True, eq=False)
class Words:
    """Every code of the records in order of code point; the engine reckons with their numbers.

    ``meant`` maps a kind of word to the meaning of each spelling.
    """

    texts: list[str]
    meant: dict[str, dict[str, str]]

    @cached_property
    def number(self) -> dict[str, int]:
        """Number of each code."""
        return {text: number for number, text in enumerate(self.texts)}

    def meaning(self, kind: str) -> dict[str, int]:
        """Number of the meaning of each spelling of a kind."""
        return {written: self.number[meant] for written, meant in self.meant[kind].items()}

    @cached_property
    def listed(self) -> Listed:
        """The codes as a list that columns name by number."""
        return Listed(self.texts)

    def column(self, codes: np.ndarray) -> pa.DictionaryArray:
        """Codes as a column of text; the engine casts it to its type ``word`` at no cost."""
        return self.listed.column(codes)


def in_order(sources: Iterable[Source]) -> list[Source]:
    """Sources by name (code point), then digest: the order in which rows count."""
    return sorted(sources, key=lambda source: (source.file, source.sha256))


def stack(sources: Sequence[Source]) -> dict[str, pa.Table]:
    """All files' rows of each parsed table, with ``file``, ``src``, ``rn``, ``furniture_text``.

    ``src`` is the file's place in the order, ``rn`` the row's place among all rows of its table;
    ``furniture_text`` is the machine that the file names for all its rows. Text is coded, each
    distinct word once; the time as written is left out. Times are in microseconds, as the engine
    reckons. Files are read one at a time and let go, so that their rows are never there twice.
    """
    import pyarrow as pa

    stacked = {}
    for name, table in PARSED.items():
        mine = [n for n, one in enumerate(sources) if one.parsed and one.parsed.table == name]
        counts = [sources[src].count for src in mine]
        total = sum(counts)
        schema = _stacked_schema(table)
        made: dict[str, Texts | Numbers | Pieces] = {}
        at = 0
        for src, count in zip(mine, counts, strict=True):
            rows = sources[src].rows()
            for column in rows.column_names:
                if column in schema.names and rows[column].null_count < count:
                    if column not in made:
                        made[column] = column_of(schema.field(column).type, total)
                    made[column].lay(at, rows[column])
            at += count
        lacking = {one.type for one in schema if one.name not in made}
        nothing = {kind: pa.nulls(total, kind) for kind in lacking}
        columns = {
            one.name: made[one.name].array() if one.name in made else nothing[one.type]
            for one in schema
        }
        src_of = np.repeat(np.array(mine, dtype=np.int32), counts)
        columns["file"] = _of_source([source.file for source in sources], src_of)
        columns["furniture_text"] = _of_source([_unit(source) for source in sources], src_of)
        columns["src"] = pa.array(src_of)
        columns["rn"] = pa.array(np.arange(total, dtype=np.int32))
        stacked[name] = pa.table(columns)
    return stacked


def _stacked_schema(table: Table) -> pa.Schema:
    """Columns as they are stacked: without the time as written, times as the engine reckons."""
    import pyarrow as pa

    micro = pa.timestamp("us")
    kept = [one for one in coded_schema(table) if one.name != "when_text"]
    return pa.schema([one.with_type(micro) if one.name == "when_shown" else one for one in kept])


def _of_source(words: Sequence[str | None], src_of: np.ndarray) -> pa.DictionaryArray:
    """A column that has one text for all rows of a file."""
    import pyarrow as pa

    known = sorted({word for word in words if word is not None})
    number: dict[str | None, int] = {word: at for at, word in enumerate(known)}
    codes = np.array([number.get(word, -1) for word in words] + [-1], dtype=np.int32)[src_of]
    return dictionary(codes, pa.array(known, pa.string()))


def coded(rows: pa.Table, column: str) -> Coded:
    """A column of text of a stacked table as numbers; -1 stands there under what is missing."""
    found = whole(rows[column])
    if found.null_count == len(found):
        return Coded(np.broadcast_to(np.int32(-1), len(found)), [])
    codes = np.frombuffer(found.indices.buffers()[1], np.int32)[found.offset :][: len(found)]
    return Coded(codes, found.dictionary.to_pylist())


def words_of(
    stacked: Mapping[str, pa.Table], meanings: Sequence[spelling.Meaning], crew: Crew
) -> Words:
    """Every code that a table can name."""
    meant: dict[str, dict[str, str]] = {kind: {} for kind in KINDS_OF_WORDS}
    for one in meanings:
        if one.meaning is not None:
            meant[one.kind][one.written] = one.meaning
    found = {UNKNOWN, *(word for table in meant.values() for word in table.values())}
    for row in crew.equipment:
        found |= {row.unit, row.serial or row.unit}
    for name, column in (
        ("attempts", "serial_text"),
        *((name, lot) for name in ("attempts", "planned") for lot in _LOTS),
    ):
        found |= {word.strip(" ") for word in coded(stacked[name], column).words}
    return Words(sorted(found - {""}), meant)


def lay(
    con: duckdb.DuckDBPyConnection,
    sources: Sequence[Source],
    stacked: Mapping[str, pa.Table],
    words: Words,
    spots: Mapping[str, np.ndarray],
) -> None:
    """Make the type ``word``, ``sources`` and ``in_<name>`` of each parsed table.

    Beside each column ``x_text`` of a kind of word stands ``x_meant``, missing where unknown;
    ``spot`` is the number of the place as written.
    """
    import pyarrow as pa

    con.register("words_arrow", pa.table({"text": pa.array(words.texts, pa.string())}))
    con.execute("CREATE TYPE word AS ENUM (SELECT text FROM words_arrow)")
    con.register(
        "sources",
        pa.table(
            {
                "src": pa.array(range(len(sources)), pa.int32()),
                "file": pa.array([s.file for s in sources], pa.string()),
                "downloaded": pa.array([downloaded_of(s) for s in sources], pa.timestamp("us")),
            }
        ),
    )
    for name, rows in stacked.items():
        if name != "attempts":  # the one large table: its words are reckoned with as numbers
            for kind, columns in KINDS_OF_WORDS.items():
                table = words.meaning(kind)
                for column in columns:
                    if column in rows.schema.names:
                        codes = coded(rows, column).meant(table)
                        rows = rows.append_column(meaning(column), words.column(codes))
        if name in spots:
            codes = spots[name]
            rows = rows.append_column("spot", pa.array(codes, mask=codes < 0))
        con.register(f"in_{name}", rows)


def _unit(source: Source) -> str | None:
    unit = source.parsed.furniture.get("unit") if source.parsed else None
    return str(unit) if unit else None


def downloaded_of(source: Source) -> datetime | None:
    """When a file says that it was downloaded."""
    found = source.parsed.furniture.get("downloaded") if source.parsed else None
    return found.replace(tzinfo=None) if isinstance(found, datetime) else None


def spell(
    stacked: Mapping[str, pa.Table], crew: Crew, decided: Mapping[str, Mapping[str, str]]
) -> list[spelling.Meaning]:
    """Resolve every distinct spelling of people, units, jobs and connector types.

    ``decided`` maps a kind of word to the lead's decisions (spelling to meaning).
    """
    meanings: list[spelling.Meaning] = []
    for kind, columns in KINDS_OF_WORDS.items():
        known, closed = _known(stacked, crew, kind)
        aliases = {row.written: row.meaning for row in crew.aliases if row.kind == kind}
        if kind == "technician":
            aliases |= {p.name: p.code for p in crew.people if p.name and p.name not in aliases}
        meanings += spelling.resolve(
            kind,
            _written(stacked.values(), columns),
            known=known,
            aliases=aliases,
            decided=decided.get(kind, {}),
            guess=closed and kind in ("technician", "unit"),
            closed=closed and kind == "technician",
        ).values()
    return meanings


def _written(tables: Iterable[pa.Table], columns: Sequence[str]) -> dict[str, int]:
    """Each spelling in some columns and how often it stands there, in order of code point."""
    counts: Counter[str] = Counter()
    for table in tables:
        for column in columns:
            if column in table.schema.names:
                found = coded(table, column)
                times = np.bincount(found.codes + 1, minlength=len(found.words) + 1)[1:]
                for word, number in zip(found.words, times.tolist(), strict=True):
                    if number and word.strip():
                        counts[word] += number
    return dict(sorted(counts.items()))


def _known(stacked: Mapping[str, pa.Table], crew: Crew, kind: str) -> tuple[list[str], bool]:
    """Codes the crew has listed, and whether they come from a list at all.

    Without settings the kit sheet (people, kit), the job list and the panel schedule are the lists.
    """
    if kind == "technician":
        codes = [row.code for row in crew.people]
        sheet = _usual(stacked["kit_use"], ["technician_text"])
        return (codes, True) if codes else (sheet, bool(sheet))
    if kind == "unit":
        codes = [row.unit for row in crew.equipment]
        listed = _usual(stacked["kit_use"], ["splicer_text", "cleaver_text", "heater_text"])
    elif kind == "job":
        codes = _usual(stacked["jobs"], ["job_text"])
        listed = _usual(stacked["planned"], ["job_text"])
    else:
        codes = [row.connector_type for row in crew.connector_types]
        listed = _usual(stacked["planned"], ["connector_type_text"])
    have = {spelling.tokens(code) for code in codes}
    both = codes + [code for code in listed if spelling.tokens(code) not in have]
    return both, bool(both) and kind != "connector type"


def _usual(table: pa.Table, columns: Sequence[str]) -> list[str]:
    """The usual form of each code that a hand-kept list names."""
    found = spelling.resolve("", _written([table], columns)).values()
    codes = sorted({one.meaning for one in found if one.meaning})
    plain = [code for code in codes if spelling.code_like(code)]
    return plain or codes


def meaning(column: str) -> str:
    """Column that holds the meaning of the spellings in ``column``, as the engine's ``word``."""
    return column.removesuffix("_text") + "_meant"
