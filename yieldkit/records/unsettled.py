"""What deriving could not settle: the raw material of the doubts list."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from yieldkit.records.counters import GAPS

if TYPE_CHECKING:
    import duckdb

    from yieldkit.records.clocks import Times

_PLACES = """
SELECT w.job, w.raw, w.n AS rows,
    (SELECT string_agg(x, '; ' ORDER BY x) FROM (SELECT p.panel || '/' || p.port AS x FROM planned p
        WHERE p.job = w.job AND (p.skey = w.skey OR p.port = w.port)
        ORDER BY p.pos LIMIT 6)) AS candidates
FROM (SELECT u.job::word AS job, r.raw, u.n, sorted_key(s.pkey) AS skey, last_part(s.pkey) AS port
    FROM unplaced u JOIN spots r ON r.spot = u.spot JOIN spots s ON s.spot = u.said) w
ORDER BY w.job, w.raw
"""
_ROW = """SELECT i.fingerprint, i.file, i.source_row, a.splicer, a.technician, a.job, s.raw,
    i.loss_text, a.rn"""
_SHOWN = "JOIN in_attempts i USING (rn) LEFT JOIN spots s ON s.spot = a.spot"
_ARCS = f"""
{_ROW}, (SELECT string_agg(x, '; ' ORDER BY off, x) FROM (
        SELECT n.panel || '/' || n.port AS x, off FROM near_pairs q JOIN place_names n USING (pos)
        WHERE q.rn = a.rn AND q.off < 5400 ORDER BY off LIMIT 3)) AS candidates
FROM (SELECT * FROM judged WHERE pos IS NULL) a {_SHOWN}
"""
_PROBABLE = f"""
{_ROW}, p.why, n.panel || '/' || n.port AS candidates
FROM probable_links p JOIN judged a USING (rn) {_SHOWN} JOIN place_names n ON n.pos = a.pos
"""
_MISTYPED = f"""
{_ROW}, n.panel || '/' || n.port AS candidates
FROM mistyped m JOIN judged a USING (rn) {_SHOWN}
LEFT JOIN (SELECT DISTINCT pos FROM planned) p ON p.pos = m.perhaps
LEFT JOIN place_names n ON n.pos = p.pos
"""
_ENTRIES = """
SELECT r.fingerprint, r.file, r.sheet, r.source_row, r.technician, r.job, s.raw, r.cause_text,
    r.logged, (SELECT string_agg(x, '; ' ORDER BY x) FROM (SELECT DISTINCT n.panel || '/' || n.port
        AS x FROM judged a JOIN place_names n USING (pos) WHERE a.verdict = 'fail'
        AND a.job IS NOT DISTINCT FROM coalesce(r.job, a.job) AND a.day BETWEEN r.logged - 3
        AND r.logged AND (a.technician = r.technician OR r.technician = 'unknown')
        ORDER BY x LIMIT 4)) AS candidates
FROM rework_placed r LEFT JOIN spots s USING (spot) WHERE r.pos IS NULL ORDER BY r.logged, r.rn
"""
_TWICE = """
SELECT r.fingerprint, r.file, r.sheet, r.source_row, r.job, s.raw, r.cause_text, r.logged
FROM rework_placed r LEFT JOIN spots s USING (spot)
WHERE regexp_matches(r.fingerprint, '-([2-9]|[1-9][0-9]+)$') ORDER BY r.logged, r.rn
"""
_WORDS = """
SELECT 'step' AS kind, coalesce(step_text, cause_text) AS word, count(*) AS rows,
    any_value(cause ORDER BY rn) AS meant
FROM rework_placed WHERE step = 'unknown' AND trim(coalesce(step_text, cause_text, '')) <> ''
GROUP BY 2
UNION ALL
SELECT 'cause', cause_text, count(*), any_value(step ORDER BY rn)
FROM rework_placed WHERE cause = 'unknown' AND trim(coalesce(cause_text, '')) <> '' GROUP BY 2
UNION ALL
SELECT 'outcome', outcome_text, count(*), 'other'
FROM (SELECT rn FROM judged WHERE failed) JOIN in_attempts USING (rn)
WHERE error = 'other' AND trim(coalesce(outcome_text, '')) <> '' GROUP BY 2
ORDER BY 1, 2
"""
_TYPES = """
SELECT * EXCLUDE (day, rn) FROM (
SELECT r.logged AS day, r.rn, r.file, r.sheet, r.source_row, r.fingerprint, r.job, s.raw,
    r.connector_type AS written, n.connector_type AS planned
FROM rework_placed r JOIN planned_kept n USING (pos) LEFT JOIN spots s USING (spot)
WHERE r.connector_type <> n.connector_type
UNION ALL
SELECT a.day, a.rn, i.file, i.sheet, i.source_row, i.fingerprint, a.job, s.raw, a.connector_type,
    a.planned_type
FROM (SELECT a.*, n.connector_type AS planned_type FROM judged a JOIN planned_kept n USING (pos)
    WHERE a.connector_type <> n.connector_type AND n.connector_type <> 'unknown'
    AND a.connector_type <> 'unknown') a JOIN in_attempts i ON i.rn = a.rn
LEFT JOIN spots s ON s.spot = a.spot
UNION ALL
SELECT m.date, m.rn, i.file, i.sheet, i.source_row, i.fingerprint, m.job, s.raw, m.connector_type,
    n.connector_type
FROM readings m JOIN planned_kept n USING (pos) JOIN in_measurements i ON i.rn = m.rn
LEFT JOIN spots s ON s.spot = m.spot
WHERE m.connector_type <> n.connector_type AND n.connector_type <> 'unknown'
    AND m.connector_type <> 'unknown'
QUALIFY row_number() OVER (PARTITION BY i.file, i.sheet, i.source_row ORDER BY m.rn) = 1
) ORDER BY day, rn
"""
_DIES = """
SELECT * EXCLUDE (day, rn) FROM (
SELECT r.logged AS day, r.rn, r.file, r.sheet, r.source_row, r.fingerprint, r.job, s.raw,
    r.die_text::VARCHAR AS die,
    coalesce(r.connector_type, n.connector_type)::VARCHAR AS connector_type
FROM rework_placed r LEFT JOIN planned_kept n USING (pos) LEFT JOIN spots s USING (spot)
WHERE r.die_text IS NOT NULL
UNION ALL
SELECT a.day, a.rn, i.file, i.sheet, i.source_row, i.fingerprint, a.job, s.raw, i.die_text,
    a.connector_type
FROM in_attempts i JOIN judged a USING (rn) LEFT JOIN spots s ON s.spot = a.spot
WHERE i.die_text IS NOT NULL
UNION ALL
SELECT m.date, m.rn, i.file, i.sheet, i.source_row, i.fingerprint, m.job, s.raw, i.die_text,
    m.connector_type
FROM in_measurements i JOIN readings m USING (rn) LEFT JOIN spots s ON s.spot = m.spot
WHERE i.die_text IS NOT NULL
QUALIFY row_number() OVER (PARTITION BY i.file, i.sheet, i.source_row ORDER BY m.rn) = 1
) ORDER BY day, rn
"""
_MISSING = """
SELECT r.fingerprint, r.file, r.sheet, r.source_row, r.job, p.raw, r.cause_text, r.logged
FROM rework_placed r JOIN older o USING (src) LEFT JOIN spots p USING (spot)
WHERE NOT EXISTS (SELECT 1 FROM in_rework n JOIN sources s USING (src) WHERE s.file = r.file
    AND s.src = o.newest AND n.fingerprint = r.fingerprint) ORDER BY r.logged, r.rn
"""

_QUERIES = {
    "place": _PLACES,
    "arc": _ARCS,
    "probable": _PROBABLE,
    "mistyped": _MISTYPED,
    "entry": _ENTRIES,
    "twice": _TWICE,
    "word": _WORDS,
    "type": _TYPES,
    "die": _DIES,
    "missing": _MISSING,
    "gap": GAPS,
}


def unsettled(con: duckdb.DuckDBPyConnection, times: Times) -> dict[str, pa.Table]:
    """Rows of each kind of doubt that the tables alone do not tell, text written out."""
    found = {kind: _plain(con.sql(query).to_arrow_table()) for kind, query in _QUERIES.items()}
    for kind in ("arc", "probable", "mistyped"):
        found[kind] = _in_time(found[kind], times)
    return found


def _plain(rows: pa.Table) -> pa.Table:
    coded = pa.types.is_dictionary
    schema = [one.with_type(pa.string()) if coded(one.type) else one for one in rows.schema]
    return rows.cast(pa.schema(schema))


def _in_time(rows: pa.Table, times: Times) -> pa.Table:
    """Rows of attempts in the order of their local time, ``when``."""
    rn = rows["rn"].to_numpy()
    local = times.local[np.searchsorted(times.at, rn)]
    last = np.where(np.isnat(local), np.iinfo(np.int64).max, local.astype(np.int64))
    order = np.lexsort((rn, last))
    when = pa.array(local[order].astype("datetime64[s]")).cast(pa.string())
    minute = pc.utf8_slice_codeunits(when, 0, len("2026-11-16 08:00"))
    return rows.take(pa.array(order)).append_column("when", minute)
