"""Parsed files laid on one another in order of name, spellings replaced by their meaning."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

from yieldkit.crew import Crew
from yieldkit.records import spelling
from yieldkit.records.parsed import PARSED, Parsed
from yieldkit.records.tables import arrow_schema

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
DROPPED = (
    "splicer_text",
    "cleaver_text",
    "heater_text",
    "furniture_text",
    "job_text",
    "connector_type_text",
)


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


def in_order(sources: Iterable[Source]) -> list[Source]:
    """Sources by name (code point), then digest: the order in which rows count."""
    return sorted(sources, key=lambda source: (source.file, source.sha256))


def stack(sources: Sequence[Source]) -> dict[str, pa.Table]:
    """All files' rows of each parsed table, with ``file``, ``src``, ``rn``, ``furniture_text``.

    ``src`` is the file's place in the order, ``rn`` the row's in its file; ``furniture_text`` is
    the machine that the file names for all its rows. Times are in microseconds, as the engine
    reckons.
    """
    import pyarrow as pa

    stacked = {}
    for name, table in PARSED.items():
        schema = arrow_schema(table)
        parts = [
            _numbered(source.parsed.rows.select(schema.names).cast(schema), src, source)
            for src, source in enumerate(sources)
            if source.parsed is not None and source.parsed.table == name
        ]
        empty = _numbered(schema.empty_table(), 0, None)
        stacked[name] = pa.concat_tables([empty, *parts]).unify_dictionaries()
    return stacked


def lay(
    con: duckdb.DuckDBPyConnection,
    sources: Sequence[Source],
    stacked: Mapping[str, pa.Table],
    meanings: Sequence[spelling.Meaning],
) -> None:
    """Make ``sources`` and a table ``in_<name>`` of each parsed table, spellings resolved.

    Beside each column ``x_text`` of a kind of word stands ``x_meant``, missing where unknown.
    """
    import pyarrow as pa

    con.register(
        "sources_arrow",
        pa.table(
            {
                "src": pa.array(range(len(sources)), pa.int32()),
                "file": pa.array([s.file for s in sources], pa.string()),
                "sha256": pa.array([s.sha256 for s in sources], pa.string()),
                "downloaded": pa.array([_downloaded(s) for s in sources], pa.timestamp("us")),
            }
        ),
    )
    con.execute("CREATE TABLE sources AS SELECT * FROM sources_arrow")
    for name, rows in stacked.items():
        rows = _with_meanings(rows, meanings)
        if name == "attempts":  # the one large table: what has its meaning is not carried along
            rows = rows.drop_columns([*DROPPED, "when_text"])
        con.register(f"in_{name}", rows)


def _with_meanings(rows: pa.Table, meanings: Sequence[spelling.Meaning]) -> pa.Table:
    import pyarrow as pa
    import pyarrow.compute as pc

    for kind, columns in KINDS_OF_WORDS.items():
        known = [m for m in meanings if m.kind == kind]
        written = pa.array([m.written for m in known], pa.string())
        meant = pa.array([m.meaning for m in known], pa.string())
        for column in columns:
            if column in rows.schema.names:
                found = meant.take(pc.index_in(rows[column].combine_chunks(), written))
                rows = rows.append_column(meaning(column), found)
    return rows


def _unit(source: Source) -> str | None:
    unit = source.parsed.furniture.get("unit") if source.parsed else None
    return str(unit) if unit else None


def _downloaded(source: Source) -> datetime | None:
    found = source.parsed.furniture.get("downloaded") if source.parsed else None
    return found.replace(tzinfo=None) if isinstance(found, datetime) else None


def _numbered(rows: pa.Table, src: int, source: Source | None) -> pa.Table:
    import numpy as np
    import pyarrow as pa

    count = rows.num_rows
    unit = _unit(source) if source else None
    where = pa.DictionaryArray.from_arrays(
        pa.array(np.zeros(count, np.int32)), pa.array([source.file if source else ""], pa.string())
    )
    for name, column in (
        ("src", pa.array(np.full(count, src, np.int32))),
        ("rn", pa.array(np.arange(count, dtype=np.int64))),
        ("furniture_text", pa.repeat(pa.scalar(unit, pa.string()), count)),
        ("file", where),
    ):
        rows = rows.append_column(name, column)
    if "when_shown" in rows.schema.names:
        place = rows.schema.get_field_index("when_shown")
        micro = rows["when_shown"].cast(pa.timestamp("us"))
        rows = rows.set_column(place, "when_shown", micro)
    return rows


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
                for found in table[column].value_counts().to_pylist():
                    if found["values"] and found["values"].strip():
                        counts[found["values"]] += found["counts"]
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
    """Column that holds the meaning of the spellings in ``column``."""
    return column.removesuffix("_text") + "_meant"
