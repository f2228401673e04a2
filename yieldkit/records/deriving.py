"""Parsed files and settings in, all tables out: one pure function, whatever the order of arrival.

The heavy steps run as SQL over Arrow tables in an embedded engine; nothing here reads a disk, a
clock or a random number. Only what does not fit the engine's memory goes to a spare folder that is
removed at the end.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from yieldkit.crew import Crew
from yieldkit.records import attempts, clocks, linking, others, places, positions, stacking
from yieldkit.records.probable import link_probable
from yieldkit.records.selects import ALL_ROWS, SELECTS
from yieldkit.records.spelling import Meaning
from yieldkit.records.stacking import Source
from yieldkit.records.tables import TABLES, arrow_schema
from yieldkit.records.unsettled import unsettled

if TYPE_CHECKING:
    import duckdb
    import pyarrow as pa

BEFORE_ARC = ("cleave angle", "end face")
"""Errors that a machine reports before the arc."""
FEW_ROWS = 100_000
"""Rows below which a second thread costs more than it saves."""
_BEGINNING = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, eq=False)
class Derived:
    """All tables of ``tables.TABLES``, and what stands behind the doubts list."""

    tables: dict[str, pa.Table]
    as_of: datetime
    meanings: list[Meaning] = field(default_factory=list)
    clock_notes: list[dict[str, Any]] = field(default_factory=list)
    unsettled: dict[str, list[dict[str, Any]]] = field(default_factory=dict)


@dataclass(frozen=True)
class Decided:
    """The lead's decisions, as deriving takes them.

    Parameters
    ----------
    words : dict
        By kind of word (``technician``, ``place``, ``cause``, ...): spelling to meaning.
    preferred : tuple of str
        Fingerprints of held rows that shall count.
    places : dict
        Fingerprint of a row to the place it belongs to.
    aside : tuple of str
        Fingerprints of rows entered twice or taken out of a newer save: they no longer count.
    as_shown : tuple of str
        Repairs of clocks (``splicer|file|why``) that are not wanted.
    """

    words: dict[str, dict[str, str]] = field(default_factory=dict)
    preferred: tuple[str, ...] = ()
    places: dict[str, str] = field(default_factory=dict)
    aside: tuple[str, ...] = ()
    as_shown: tuple[str, ...] = ()


def derive(sources: Iterable[Source], crew: Crew, decided: Decided | None = None) -> Derived:
    """Derive all tables from the files' parsed rows, the settings and the lead's decisions.

    Parameters
    ----------
    sources : iterable of Source
        Files in any order.
    crew : Crew
        Settings.
    decided : Decided, optional
        Decisions taken on the doubts list.

    Returns
    -------
    Derived
        Tables of ``tables.TABLES``, the same for every order of ``sources``.
    """
    ordered = stacking.in_order(sources)
    decided = decided or Decided()
    with tempfile.TemporaryDirectory(prefix="yieldkit-") as spare:
        rows = sum(source.parsed.rows.num_rows for source in ordered if source.parsed)
        con = _engine(spare, threads=1 if rows < FEW_ROWS else 2)
        try:
            return _derive(con, ordered, crew, decided)
        finally:
            con.close()


def _engine(spare: str, threads: int) -> duckdb.DuckDBPyConnection:
    """The engine; what does not fit its memory goes to the folder ``spare``."""
    import duckdb

    con = duckdb.connect(
        ":memory:",
        config={"threads": str(threads), "memory_limit": "800MB", "temp_directory": spare},
    )
    con.execute("SET enable_external_access = false")
    con.execute("SET enable_progress_bar = false")
    return con


def _derive(
    con: duckdb.DuckDBPyConnection, sources: list[Source], crew: Crew, decided: Decided
) -> Derived:
    stacked = _decide(stacking.stack(sources), crew, decided)
    meanings = stacking.spell(stacked, crew, decided.words)
    stacking.lay(con, sources, stacked, meanings)
    _lay_decisions(con, sources, decided)
    places.find_places(con, crew, decided.words)
    others.sort_kit(con)
    others.sort_lists(con)
    attempts.make_attempts(con, crew)
    _attempt_classes(con)
    _times(con, crew)
    con.execute(f"CREATE TABLE planned_kept AS SELECT * FROM planned r WHERE {_kept_planned()}")
    linking.link_rework(con, crew, decided.words)
    positions.estimate_limits(con, crew, "placed_attempts")
    link_probable(con, crew)
    positions.estimate_limits(con, crew, "linked_attempts")
    linking.link_arcs(con)
    con.execute("DROP VIEW linked_attempts; DROP TABLE placed_attempts")
    as_of = _newest(con, sources, crew)
    positions.make_positions(con, crew, as_of)
    tables = _tables(con, crew, sources)
    return Derived(tables, as_of, meanings, clocks.notes(con), unsettled(con))


def _lay_decisions(con: duckdb.DuckDBPyConnection, sources: list[Source], decided: Decided) -> None:
    """Make the tables that carry decisions into the steps."""
    for table, columns, rows in (
        ("preferred", "fingerprint VARCHAR, prio INTEGER", [(f, 0) for f in decided.preferred]),
        ("aside", "fingerprint VARCHAR", [(f,) for f in decided.aside]),
        ("as_shown", "key VARCHAR", [(key,) for key in decided.as_shown]),
        ("older", "src INTEGER, newest INTEGER", _older(sources)),
    ):
        con.execute(f"CREATE TABLE {table} ({columns})")
        if rows:
            marks = ", ".join("?" * (columns.count(",") + 1))
            con.executemany(f"INSERT INTO {table} VALUES ({marks})", sorted(set(rows)))


def _decide(stacked: dict[str, pa.Table], crew: Crew, decided: Decided) -> dict[str, pa.Table]:
    """Rows with the places and the meanings of outcomes that the lead or the settings gave."""
    outcomes = dict(decided.words.get("outcome", {})) | {
        row.written: row.meaning for row in crew.aliases if row.kind == "outcome"
    }
    made = dict(stacked)
    if decided.places:
        for name in ("attempts", "rework", "measurements"):
            rows = _said(made[name], "place_text", "fingerprint", decided.places)
            for column in ("panel_text", "port_text"):
                rows = _said(rows, column, "fingerprint", dict.fromkeys(decided.places, ""))
            made[name] = rows
    if outcomes:
        made["attempts"] = _said(made["attempts"], "error", "outcome_text", outcomes)
        reached = {text: error not in BEFORE_ARC for text, error in outcomes.items()}
        made["attempts"] = _said(made["attempts"], "reached_arc", "outcome_text", reached)
    return made


def _said(rows: pa.Table, column: str, by: str, said: Mapping[str, str | bool]) -> pa.Table:
    """``column`` replaced where the value of ``by`` has a saying."""
    import pyarrow as pa
    import pyarrow.compute as pc

    kind = rows[column].type
    found = pc.index_in(rows[by].combine_chunks(), pa.array(list(said), pa.string()))
    values = pa.array(list(said.values()), kind).take(found)
    new = pc.if_else(pc.is_valid(found), values, rows[column].combine_chunks())
    return rows.set_column(rows.schema.get_field_index(column), column, new)


def _older(sources: list[Source]) -> list[tuple[int, int]]:
    """Earlier saves of a file name: their place in the order, and that of the newest save."""
    by_name: dict[str, list[int]] = {}
    for src, source in enumerate(sources):
        if source.parsed is not None and source.parsed.table == "rework":
            by_name.setdefault(source.file, []).append(src)
    found = []
    for saves in by_name.values():
        newest = max(saves, key=lambda src: (sources[src].taken_in, sources[src].sha256))
        found += [(src, newest) for src in saves if src != newest]
    return found


def _kept_planned() -> str:
    return others.kept("planned")


def _attempt_classes(con: duckdb.DuckDBPyConnection) -> None:
    con.execute(
        """
        INSERT INTO row_classes
        SELECT 'attempts', c.src, c.rn, c.class, k.gkey, f.src, f.rn, c.differs
        FROM classes c JOIN claims k USING (src, rn)
        LEFT JOIN (SELECT gkey, src, rn FROM contested WHERE nth = 1) f ON f.gkey = k.gkey
        """
    )
    con.execute("DROP TABLE claims; DROP TABLE one_each; DROP TABLE contested")


def _times(con: duckdb.DuckDBPyConnection, crew: Crew) -> None:
    """UTC times of the tests that count, linked to their positions: the table ``tested``."""
    con.execute(
        f"""
        CREATE TABLE measured_kept AS
        SELECT r.*, p.position_id, p.panel, p.port, coalesce(p.link, 'unlinked') AS link
        FROM measured r LEFT JOIN places p USING (job, raw) WHERE {others.kept("measurements")}
        """
    )
    clocks.add_utc(con, "measured_kept", "measured_timed", crew)
    con.execute(
        f"""
        CREATE TABLE tested AS
        SELECT m.*, m.when_shown::DATE AS date,
            coalesce({stacking.meaning("m.connector_type_text")},
                n.connector_type, a.connector_type, 'unknown') AS connector_type
        FROM measured_timed m LEFT JOIN planned n USING (position_id)
        LEFT JOIN (SELECT position_id, any_value(connector_type ORDER BY src, rn) AS connector_type
            FROM placed_attempts WHERE connector_type <> 'unknown' GROUP BY 1) a
            USING (position_id)
        """
    )


def _newest(con: duckdb.DuckDBPyConnection, sources: list[Source], crew: Crew) -> datetime:
    """Make ``newest`` (src, newest): each file's download or newest time; the newest of all."""
    shown = " UNION ALL ".join(
        f"SELECT src, when_shown AS t FROM in_{name}"
        for name in ("rework", "measurements", "kit_use", "service", "stock", "checks", "decisions")
    )
    con.execute(
        f"""
        CREATE TABLE newest_local AS
        SELECT s.src, coalesce(s.downloaded, n.t) AS when_shown FROM sources s LEFT JOIN (
            SELECT src, max(t) AS t FROM (
                {shown} UNION ALL
                SELECT a.src, t.when_local FROM in_attempts a JOIN attempt_times t USING (src, rn)
            ) GROUP BY src
        ) n USING (src)
        """
    )
    clocks.add_utc(con, "newest_local", "newest", crew)
    found = con.execute("SELECT max(when_utc) FROM newest").fetchone()
    newest = found[0] if found else None
    return newest.replace(tzinfo=UTC) if newest else _BEGINNING


def _tables(
    con: duckdb.DuckDBPyConnection, crew: Crew, sources: list[Source]
) -> dict[str, pa.Table]:
    import pyarrow as pa

    con.execute(ALL_ROWS)
    clocks.add_utc(con, "in_service", "service_timed", crew)
    clocks.add_utc(con, "in_checks", "checks_timed", crew)
    redo = {"redo": round(crew.general.redo_minutes * 60)}
    made: dict[str, pa.Table] = {}
    for name, select in SELECTS.items():
        found = con.sql(select, params=redo) if "$redo" in select else con.sql(select)
        made[name] = _cast(found.to_arrow_table(), name)
    made["equipment"] = pa.Table.from_pylist(
        [
            {column: getattr(row, column) or None for column in TABLES["equipment"].names}
            for row in crew.equipment
        ],
        schema=arrow_schema(TABLES["equipment"]),
    )
    made["refused"] = _refused(sources)
    made["files"] = _files(con, sources)
    return made


def _cast(table: pa.Table, name: str) -> pa.Table:
    schema = arrow_schema(TABLES[name])
    return table.select(schema.names).cast(schema)


def _refused(sources: list[Source]) -> pa.Table:
    import pyarrow as pa

    schema = arrow_schema(TABLES["refused"])
    parts = [schema.empty_table()]
    for source in sources:
        if source.parsed is None or not source.parsed.refused.num_rows:
            continue
        rows = source.parsed.refused
        count = rows.num_rows
        rows = rows.append_column("file", pa.array([source.file] * count, pa.string()))
        rows = rows.append_column("sha256", pa.array([source.sha256] * count, pa.string()))
        parts.append(rows.select(schema.names).cast(schema))
    return pa.concat_tables(parts).combine_chunks()


def _files(con: duckdb.DuckDBPyConnection, sources: list[Source]) -> pa.Table:
    """Accounting: source rows of each file by class; raises if one is lost or counted twice."""
    import pyarrow as pa

    counts = {
        row[0]: row[1:]
        for row in con.execute(
            """
            WITH rows AS (
                SELECT src, sheet, source_row, max(CASE class WHEN 'accepted' THEN 3
                    WHEN 'held' THEN 2 ELSE 1 END) AS best
                FROM row_classes JOIN all_rows USING (tbl, src, rn) GROUP BY src, sheet, source_row
            )
            SELECT src, count(*) FILTER (best = 3), count(*) FILTER (best = 1),
                count(*) FILTER (best = 2) FROM rows GROUP BY src
            """
        ).fetchall()
    }
    newest = dict(con.execute("SELECT src, when_utc FROM newest").fetchall())
    rows = []
    for src, source in enumerate(sources):
        accepted, duplicates, held = counts.get(src, (0, 0, 0))
        parsed = source.parsed
        refused = _distinct_rows(parsed.refused) if parsed else 0
        data_rows = parsed.data_rows if parsed else 0
        if data_rows != accepted + duplicates + held + refused:
            raise AssertionError(
                f"{source.file}: {data_rows} rows but {accepted} + {duplicates} + {held} +"
                f" {refused} accounted for"
            )
        rows.append(
            {
                "file": source.file,
                "sha256": source.sha256,
                "layout": parsed.layout if parsed else "",
                "table": parsed.table if parsed else "",
                "size": source.size,
                "taken_in": source.taken_in,
                "newest": newest.get(src) and newest[src].replace(tzinfo=UTC),
                "status": source.status,
                "reason": source.reason,
                "data_rows": data_rows,
                "accepted": accepted,
                "duplicates": duplicates,
                "held": held,
                "refused": refused,
            }
        )
    return pa.Table.from_pylist(rows, schema=arrow_schema(TABLES["files"]))


def _distinct_rows(refused: pa.Table) -> int:
    return len(
        set(zip(*(refused[name].to_pylist() for name in ("sheet", "source_row")), strict=True))
    )
