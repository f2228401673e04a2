"""Parsed files laid on one another in order of name, spellings replaced by their meaning."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any

from yieldkit.crew import Crew
from yieldkit.records import spelling
from yieldkit.records.parsed import PARSED, Parsed
from yieldkit.records.tables import arrow_schema

if TYPE_CHECKING:
    import duckdb
    import pyarrow as pa

KINDS_OF_WORDS = {
    "technician": ("technician_text", "by_text"),
    "unit": ("splicer_text", "cleaver_text", "heater_text", "unit_text"),
    "job": ("job_text",),
    "connector type": ("connector_type_text",),
}
"""Columns that hold each kind of word."""


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


def stack(con: duckdb.DuckDBPyConnection, sources: Sequence[Source]) -> None:
    """Make a table ``in_<name>`` of each parsed table: all files' rows with ``src`` and ``rn``.

    ``src`` is the file's place in the order, ``rn`` the row's in its file; ``furniture_unit`` is
    the machine that the file names for all its rows.
    """
    import pyarrow as pa

    con.register(
        "sources_arrow",
        pa.table(
            {
                "src": pa.array(range(len(sources)), pa.int32()),
                "file": pa.array([s.file for s in sources], pa.string()),
                "sha256": pa.array([s.sha256 for s in sources], pa.string()),
                "furniture_unit": pa.array([_unit(s) for s in sources], pa.string()),
                "downloaded": pa.array([_downloaded(s) for s in sources], pa.timestamp("ms")),
            }
        ),
    )
    con.execute(
        "CREATE TABLE sources AS"
        " SELECT * REPLACE (downloaded::TIMESTAMP AS downloaded) FROM sources_arrow"
    )
    for name, table in PARSED.items():
        schema = arrow_schema(table)
        parts = [
            _numbered(source.parsed.rows.select(schema.names).cast(schema), src)
            for src, source in enumerate(sources)
            if source.parsed is not None and source.parsed.table == name
        ]
        empty = _numbered(schema.empty_table(), 0)
        con.register(f"arrow_{name}", pa.concat_tables([empty, *parts]))
        micro = " REPLACE (when_shown::TIMESTAMP AS when_shown)" * ("when_shown" in table.names)
        con.execute(
            f"CREATE TABLE in_{name} AS SELECT r.*{micro}, s.file, s.furniture_unit"
            f" FROM arrow_{name} r JOIN sources s USING (src)"
        )
        con.unregister(f"arrow_{name}")


def _unit(source: Source) -> str | None:
    unit = source.parsed.furniture.get("unit") if source.parsed else None
    return str(unit) if unit else None


def _downloaded(source: Source) -> datetime | None:
    found = source.parsed.furniture.get("downloaded") if source.parsed else None
    return found.replace(tzinfo=None) if isinstance(found, datetime) else None


def _numbered(rows: pa.Table, src: int) -> pa.Table:
    import numpy as np
    import pyarrow as pa

    count = rows.num_rows
    return rows.append_column("src", pa.array(np.full(count, src, np.int32))).append_column(
        "rn", pa.array(np.arange(count, dtype=np.int64))
    )


def spell(
    con: duckdb.DuckDBPyConnection, crew: Crew, decided: Mapping[str, Mapping[str, str]]
) -> list[spelling.Meaning]:
    """Resolve every distinct spelling; make the table ``spelled`` (kind, written, meaning).

    ``decided`` maps a kind of word to the lead's decisions (spelling to meaning).
    """
    import pyarrow as pa

    meanings: list[spelling.Meaning] = []
    for kind in KINDS_OF_WORDS:
        written = _written(con, kind)
        known, closed = _known(con, crew, kind)
        aliases = {row.written: row.meaning for row in crew.aliases if row.kind == kind}
        if kind == "technician":
            aliases |= {p.name: p.code for p in crew.people if p.name and p.name not in aliases}
        meanings += spelling.resolve(
            kind,
            written,
            known=known,
            aliases=aliases,
            decided=decided.get(kind, {}),
            guess=closed and kind in ("technician", "unit"),
            closed=closed and kind == "technician",
        ).values()
    con.register(
        "spelled_arrow",
        pa.table(
            {
                "kind": pa.array([m.kind for m in meanings], pa.string()),
                "written": pa.array([m.written for m in meanings], pa.string()),
                "meaning": pa.array([m.meaning for m in meanings], pa.string()),
            }
        ),
    )
    con.execute("CREATE TABLE spelled AS SELECT * FROM spelled_arrow")
    return meanings


def _written(con: duckdb.DuckDBPyConnection, kind: str) -> dict[str, int]:
    parts = [
        f"SELECT {column} AS t FROM in_{name}"
        for name, table in PARSED.items()
        for column in KINDS_OF_WORDS[kind]
        if column in table.names
    ]
    if kind == "unit":
        parts.append("SELECT furniture_unit AS t FROM in_attempts")
    rows = con.execute(
        "SELECT t, count(*) FROM (" + " UNION ALL ".join(parts) + ") WHERE trim(t) <> ''"
        " GROUP BY t ORDER BY t"
    ).fetchall()
    return {str(text): int(count) for text, count in rows}


def _known(con: duckdb.DuckDBPyConnection, crew: Crew, kind: str) -> tuple[list[str], bool]:
    """Codes the crew has listed, and whether they come from a list at all.

    Without settings the kit sheet (people, kit), the job list and the panel schedule are the lists.
    """
    if kind == "technician":
        codes = [row.code for row in crew.people]
        return (codes, True) if codes else _sheet(con, "kit_use", ["technician_text"])
    if kind == "unit":
        codes = [row.unit for row in crew.equipment]
        columns = ["splicer_text", "cleaver_text", "heater_text"]
        listed, _ = _sheet(con, "kit_use", columns)
        have = {spelling.tokens(code) for code in codes}
        extra = [code for code in listed if spelling.tokens(code) not in have]
        return codes + extra, bool(codes or extra)
    if kind == "job":
        jobs, _ = _sheet(con, "jobs", ["job_text"])
        planned, _ = _sheet(con, "planned", ["job_text"])
        return list(dict.fromkeys(jobs + planned)), bool(jobs or planned)
    codes = [row.connector_type for row in crew.connector_types]
    planned, _ = _sheet(con, "planned", ["connector_type_text"])
    have = {spelling.tokens(code) for code in codes}
    return codes + [code for code in planned if spelling.tokens(code) not in have], False


def _sheet(
    con: duckdb.DuckDBPyConnection, table: str, columns: Sequence[str]
) -> tuple[list[str], bool]:
    """The usual form of each code that a hand-kept list names."""
    parts = " UNION ALL ".join(f"SELECT {column} AS t FROM in_{table}" for column in columns)
    rows: list[Any] = con.execute(
        f"SELECT t, count(*) FROM ({parts}) WHERE trim(t) <> '' GROUP BY t ORDER BY t"
    ).fetchall()
    usual = {
        found.meaning
        for found in spelling.resolve("", {str(t): int(n) for t, n in rows}).values()
        if found.meaning
    }
    return sorted(usual), bool(usual)


def meaning(column: str, kind: str) -> str:
    """SQL for the meaning of a column's spelling; joins ``spelled``, missing where it has none."""
    return (
        f"(SELECT any_value(w.meaning) FROM spelled w WHERE w.kind = '{kind}'"
        f" AND w.written = {column})"
    )
