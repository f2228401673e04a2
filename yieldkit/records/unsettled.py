"""What deriving could not settle: the raw material of the doubts list."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from yieldkit.records.counters import GAPS

if TYPE_CHECKING:
    import duckdb

_PLACES = """
SELECT w.job, w.raw, w.n AS rows,
    (SELECT string_agg(x, '; ' ORDER BY x) FROM (SELECT p.panel || '/' || p.port AS x FROM planned p
        WHERE p.job = w.job AND (p.skey = sorted_key(w.pkey) OR p.port = last_part(w.pkey))
        LIMIT 6)) AS candidates
FROM meant w WHERE NOT EXISTS (SELECT 1 FROM places p
    WHERE p.job IS NOT DISTINCT FROM w.job AND p.raw = w.raw) ORDER BY w.job, w.raw
"""
_ARCS = """
SELECT a.fingerprint, a.file, a.source_row, a.splicer, a.technician, a.job, a.raw,
    strftime(a.when_local, '%Y-%m-%d %H:%M') AS "when", a.loss_text,
    (SELECT string_agg(x, '; ' ORDER BY off, x) FROM (
        SELECT panel || '/' || port AS x, off FROM near_pairs q
        WHERE q.src = a.src AND q.rn = a.rn AND q.off < 5400 ORDER BY off LIMIT 3)) AS candidates
FROM judged a WHERE a.position_id IS NULL ORDER BY a.when_local, a.src, a.rn
"""
_PROBABLE = """
SELECT a.fingerprint, a.file, a.source_row, a.splicer, a.technician, a.job, a.raw, p.why,
    strftime(a.when_local, '%Y-%m-%d %H:%M') AS "when", a.loss_text,
    a.panel || '/' || a.port AS candidates
FROM judged a JOIN probable_links p USING (src, rn) ORDER BY a.when_local, a.src, a.rn
"""
_MISTYPED = """
SELECT a.fingerprint, a.file, a.source_row, a.splicer, a.technician, a.job, a.raw,
    strftime(a.when_local, '%Y-%m-%d %H:%M') AS "when", a.loss_text,
    n.panel || '/' || n.port AS candidates
FROM mistyped m JOIN judged a USING (src, rn) LEFT JOIN planned n
    ON n.position_id = m.perhaps ORDER BY a.when_local, a.src, a.rn
"""
_ENTRIES = """
SELECT r.fingerprint, r.file, r.sheet, r.source_row, r.technician, r.job, r.raw, r.cause_text,
    r.logged, (SELECT string_agg(x, '; ' ORDER BY x) FROM (SELECT DISTINCT a.panel || '/' || a.port
        AS x FROM judged a WHERE a.verdict = 'fail' AND a.position_id IS NOT NULL
        AND a.job IS NOT DISTINCT FROM coalesce(r.job, a.job) AND a.day BETWEEN r.logged - 3
        AND r.logged AND (a.technician = r.technician OR r.technician = 'unknown')
        ORDER BY x LIMIT 4)) AS candidates
FROM rework_placed r WHERE r.position_id IS NULL ORDER BY r.logged, r.src, r.rn
"""
_TWICE = """
SELECT r.fingerprint, r.file, r.sheet, r.source_row, r.job, r.raw, r.cause_text, r.logged
FROM rework_placed r WHERE regexp_matches(r.fingerprint, '-([2-9]|[1-9][0-9]+)$')
ORDER BY r.logged, r.src, r.rn
"""
_WORDS = """
SELECT 'step' AS kind, coalesce(step_text, cause_text) AS word, count(*) AS rows,
    any_value(cause ORDER BY src, rn) AS meant
FROM rework_placed WHERE step = 'unknown' AND trim(coalesce(step_text, cause_text, '')) <> ''
GROUP BY 2
UNION ALL
SELECT 'cause', cause_text, count(*), any_value(step ORDER BY src, rn)
FROM rework_placed WHERE cause = 'unknown' AND trim(coalesce(cause_text, '')) <> '' GROUP BY 2
UNION ALL
SELECT 'outcome', outcome_text, count(*), 'other' FROM judged
WHERE error = 'other' AND trim(coalesce(outcome_text, '')) <> '' GROUP BY 2
ORDER BY 1, 2
"""
_TYPES = """
SELECT r.file, r.sheet, r.source_row, r.fingerprint, r.job, r.raw, r.connector_type AS written,
    n.connector_type AS planned
FROM rework_placed r JOIN planned_kept n USING (position_id)
WHERE r.connector_type IS NOT NULL AND r.connector_type <> n.connector_type
ORDER BY r.logged, r.src, r.rn
"""
_MISSING = """
SELECT r.fingerprint, r.file, r.sheet, r.source_row, r.job, r.raw, r.cause_text, r.logged
FROM rework_placed r JOIN older o USING (src)
WHERE NOT EXISTS (SELECT 1 FROM in_rework n JOIN sources s USING (src) WHERE s.file = r.file
    AND s.src = o.newest AND n.fingerprint = r.fingerprint) ORDER BY r.logged, r.src, r.rn
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
    "missing": _MISSING,
    "gap": GAPS,
}


def unsettled(con: duckdb.DuckDBPyConnection) -> dict[str, list[dict[str, Any]]]:
    """Rows of each kind of doubt that the tables alone do not tell."""
    found = {}
    for kind, query in _QUERIES.items():
        result = con.execute(query)
        names = [column[0] for column in result.description]
        found[kind] = [dict(zip(names, row, strict=True)) for row in result.fetchall()]
    return found
