"""Parsed files and settings in, all tables out: one pure function, whatever the order of arrival.

The heavy steps run as SQL over Arrow tables in an embedded engine; nothing here reads a disk, a
clock or a random number. Only what does not fit the engine's memory goes to a spare folder that is
removed at the end.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np

from yieldkit.crew import Crew
from yieldkit.records import (
    arcs,
    assembled,
    attempts,
    clocks,
    counters,
    duplicates,
    linking,
    met_limits,
    others,
    places,
    positions,
    stacking,
)
from yieldkit.records.columns import dictionary, whole
from yieldkit.records.placed import Placed, place_attempts
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
_EPOCH = datetime(1970, 1, 1)
_BEGINNING = _EPOCH.replace(tzinfo=UTC)


@dataclass(frozen=True, eq=False)
class Derived:
    """All tables of ``tables.TABLES``, and what stands behind the doubts list.

    The two large ones come by ``months``. In ``tables`` text may be coded; ``plain`` gives any
    table as a whole and as its schema says.
    """

    tables: dict[str, pa.Table]
    months: assembled.Months
    as_of: datetime
    meanings: list[Meaning] = field(default_factory=list)
    clock_notes: list[dict[str, Any]] = field(default_factory=list)
    unsettled: dict[str, pa.Table] = field(default_factory=dict)

    def plain(self, name: str) -> pa.Table:
        """A table with its text written out."""
        if name not in self.tables:
            return self.months.table(name)
        return self.tables[name].cast(arrow_schema(TABLES[name]))


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
        rows = sum(source.count for source in ordered)
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
    words = stacking.words_of(stacked, meanings, crew)
    spots, place_words = places.spots_of(stacked, crew, decided.words)
    stacking.lay(con, sources, stacked, words, spots.of)
    _lay_decisions(con, sources, decided)
    where = places.find_places(con, stacked, words, spots, place_words)
    job = stacking.coded(stacked["attempts"], "job_text").meant(words.meaning("job"))
    shown = attempts.shown(stacked["attempts"], words, crew, where, spots, job)
    attempts.seen_days(con, shown)
    others.sort_kit(con)
    others.sort_lists(con)
    epoch = counters.find_epochs(shown)
    classes = duplicates.sort_out(con, shown, epoch)
    counted = np.flatnonzero(classes == duplicates.ACCEPTED)
    times = clocks.set_times(con, shown, epoch, counted, sources, decided.as_shown, crew)
    con.execute(f"CREATE TABLE planned_kept AS SELECT * FROM planned r WHERE {_kept_planned()}")
    known = place_attempts(con, shown, epoch, times)
    known.register(con, "placed_attempts")
    _tests(con, crew)
    linking.link_rework(con, crew, decided.words)
    limit_db = met_limits.estimate_limits(known, crew)
    linked = link_probable(con, known, limit_db, crew)
    if linked is not known:
        limit_db = met_limits.estimate_limits(linked, crew)
    verdict = arcs.verdicts(linked, limit_db)
    error = stacking.coded(shown.rows, "error")
    records = positions.Records(linked, verdict, arcs.at_positions(linked), error)
    positions.register(con, records)
    linking.link_entries(con)
    newest = _newest(con, sources, shown, times, crew)
    as_of = max((time for time in newest if time is not None), default=_BEGINNING)
    found = positions.find_positions(con, records, crew, as_of, len(where.names))
    units = {found.written: found.meaning for found in meanings if found.kind == "unit"}
    con.register("refused_numbers", counters.refused_numbers(sources, units))
    con.register("counter_spans", _spans(linked, times.in_turn))
    doubts = unsettled(con, times)
    tables = _small_tables(con, crew, sources)
    tables["files"] = _files(con, sources, shown, classes, newest)
    con.close()  # the large tables are put together without the engine
    again = arcs.chained(linked, crew.general.redo_minutes)
    months = assembled.Months(found, again, shown, times, sources)
    tables["rework"] = _with_attempts(tables["rework"], months)
    notes = clocks.notes(shown, times, [source.file for source in sources])
    made = {name: _cast(table, name) for name, table in tables.items()}
    return Derived(made, months, as_of, meanings, notes, doubts)


def _with_attempts(rework: pa.Table, months: assembled.Months) -> pa.Table:
    """Rework entries with the id of the attempt that each tells of."""
    import pyarrow.compute as pc

    told = pc.fill_null(whole(rework["attempt"]), -1).to_numpy()
    rows = np.searchsorted(months.times.at, told)
    return rework.append_column("attempt_id", months.attempt_ids(np.where(told < 0, -1, rows)))


def _lay_decisions(con: duckdb.DuckDBPyConnection, sources: list[Source], decided: Decided) -> None:
    """Make the tables that carry decisions into the steps."""
    for table, columns, rows in (
        ("preferred", "fingerprint VARCHAR, prio INTEGER", [(f, 0) for f in decided.preferred]),
        ("aside", "fingerprint VARCHAR", [(f,) for f in decided.aside]),
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

    coded = pa.types.is_dictionary(rows[column].type)
    kind = pa.string() if coded else rows[column].type
    found = pc.index_in(whole(rows[by]).cast(pa.string()), pa.array(list(said), pa.string()))
    values = pa.array(list(said.values()), kind).take(found)
    new = pc.if_else(pc.is_valid(found), values, whole(rows[column]).cast(kind))
    if coded:
        new = new.dictionary_encode()
        new = dictionary(new.indices.fill_null(-1).to_numpy(), new.dictionary)
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


def _tests(con: duckdb.DuckDBPyConnection, crew: Crew) -> None:
    """UTC times of the tests that count, linked to their positions: the table ``tested``."""
    clocks.add_utc(con, ("in_measurements", "in_service", "in_checks"), crew)
    con.execute(
        f"""
        CREATE TABLE tested AS
        SELECT m.*, u.when_utc, m.when_shown::DATE AS date,
            coalesce(m.type_meant,
                n.connector_type, a.connector_type, 'unknown'::word) AS connector_type
        FROM (
            SELECT r.*, p.pos, coalesce(p.link::link, 'unlinked'::link) AS link
            FROM measured r LEFT JOIN places p ON p.job::word = r.job AND p.spot = r.spot
            WHERE {others.kept("measurements")}
        ) m LEFT JOIN utc_of u USING (when_shown) LEFT JOIN planned n USING (pos)
        LEFT JOIN (SELECT pos, any_value(connector_type ORDER BY rn) AS connector_type
            FROM placed_attempts WHERE connector_type <> 'unknown'
                AND job IN (SELECT job FROM measured) GROUP BY 1) a USING (pos)
        """
    )


def _newest(
    con: duckdb.DuckDBPyConnection,
    sources: list[Source],
    shown: attempts.Shown,
    times: clocks.Times,
    crew: Crew,
) -> list[datetime | None]:
    """When each file was downloaded, else its newest time."""
    import pandas as pd

    tables = ("rework", "measurements", "kit_use", "service", "stock", "checks", "decisions")
    query = " UNION ALL ".join(
        f"SELECT src, max(when_shown) FROM in_{name} GROUP BY src" for name in tables
    )
    found = dict(con.execute(query).fetchall())
    src = whole(shown.rows["src"]).to_numpy()[times.at]
    starts = np.flatnonzero(np.diff(src, prepend=-1))
    if len(starts):
        local = np.maximum.reduceat(times.local.astype(np.int64), starts).tolist()
        for one, newest in zip(src[starts].tolist(), local, strict=True):
            found[one] = None if newest < 0 else _EPOCH + timedelta(milliseconds=newest)
    newest_local = [stacking.downloaded_of(s) or found.get(n) for n, s in enumerate(sources)]
    utc = clocks.to_utc(pd.Series(newest_local, dtype="datetime64[us]"), crew)
    return [None if pd.isna(time) else time.to_pydatetime().replace(tzinfo=UTC) for time in utc]


def _spans(placed: Placed, in_turn: np.ndarray) -> pa.Table:
    """First, last and number of the records of each epoch of a machine's counter."""
    import pyarrow as pa

    found = counters.spans(placed.splicer, placed.serial, placed.epoch, placed.counter, in_turn)
    coded = {name: placed.words.column(found.pop(name)) for name in ("splicer", "serial")}
    return pa.table(coded | {name: pa.array(values) for name, values in found.items()})


def _small_tables(
    con: duckdb.DuckDBPyConnection, crew: Crew, sources: list[Source]
) -> dict[str, pa.Table]:
    """All tables but attempts, positions and files; rework names its attempts by number."""
    import pyarrow as pa

    con.execute(ALL_ROWS)
    made = {name: con.sql(select).to_arrow_table() for name, select in SELECTS.items()}
    made["equipment"] = pa.Table.from_pylist(
        [
            {column: getattr(row, column) or None for column in TABLES["equipment"].names}
            for row in crew.equipment
        ],
        schema=arrow_schema(TABLES["equipment"]),
    )
    made["refused"] = _refused(sources)
    return made


def _cast(table: pa.Table, name: str) -> pa.Table:
    """A table in its own columns and kinds; coded text stays coded."""
    import pyarrow as pa

    schema = arrow_schema(TABLES[name])
    return pa.table({one.name: assembled.in_kind(table[one.name], one.type) for one in schema})


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


def _counts(
    con: duckdb.DuckDBPyConnection, shown: attempts.Shown, classes: np.ndarray
) -> dict[int, tuple[int, int, int]]:
    """Source rows of each file that are accepted, duplicates, held; the best reading counts."""
    rows = con.execute(
        """
        WITH rows AS (
            SELECT src, sheet, source_row, max(CASE class WHEN 'accepted' THEN 3
                WHEN 'held' THEN 2 ELSE 1 END) AS best
            FROM row_classes JOIN all_rows USING (tbl, src, rn) WHERE tbl <> 'attempts'
            GROUP BY src, sheet, source_row
        )
        SELECT src, count(*) FILTER (best = 3), count(*) FILTER (best = 1),
            count(*) FILTER (best = 2) FROM rows GROUP BY src
        """
    ).fetchall()
    counts = {row[0]: row[1:] for row in rows}
    if not len(classes):
        return counts
    src = shown.rows["src"].to_numpy()
    sheet = stacking.coded(shown.rows, "sheet").codes
    source_row = shown.rows["source_row"].to_numpy()
    new = np.ones(len(src), dtype=bool)
    new[1:] = (np.diff(src) != 0) | (np.diff(sheet) != 0) | (np.diff(source_row) != 0)
    starts = np.flatnonzero(new)
    best = np.maximum.reduceat(classes, starts)
    table = np.bincount(src[starts] * 4 + best, minlength=4 * (int(src.max()) + 1)).reshape(-1, 4)
    for number, (_, duplicate, held, accepted) in enumerate(table.tolist()):
        if duplicate or held or accepted:
            counts[number] = (accepted, duplicate, held)
    return counts


def _files(
    con: duckdb.DuckDBPyConnection,
    sources: list[Source],
    shown: attempts.Shown,
    classes: np.ndarray,
    newest: list[datetime | None],
) -> pa.Table:
    """Accounting: source rows of each file by class; raises if one is lost or counted twice."""
    import pyarrow as pa

    counts = _counts(con, shown, classes)
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
                "newest": newest[src],
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
