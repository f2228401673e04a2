"""Arcs, tests and rework entries brought together at their positions, with how surely."""

from __future__ import annotations

from typing import TYPE_CHECKING

from yieldkit.crew import Crew
from yieldkit.records.others import kept
from yieldkit.records.places import RAW
from yieldkit.records.stacking import meaning

if TYPE_CHECKING:
    import duckdb

PREPARATION = ("prepare", "cleave")
"""Steps before the arc: failures there are preparation losses, not failed terminations."""

_REWORK = f"""
CREATE TABLE rework_rows AS
SELECT r.* EXCLUDE (step, cause, disposition), r.when_shown::DATE AS logged,
    {meaning("job_text")} AS job, {RAW} AS raw,
    coalesce({meaning("technician_text")}, 'unknown') AS technician,
    {meaning("connector_type_text")} AS connector_type,
    coalesce(s.meaning, r.step, 'unknown') AS step,
    coalesce(c.meaning, r.cause, 'unknown') AS cause,
    coalesce(d.meaning, r.disposition, 'unknown') AS disposition
FROM in_rework r
LEFT JOIN log_words s ON s.kind = 'step' AND s.written = coalesce(r.step_text, r.cause_text)
LEFT JOIN log_words c ON c.kind = 'cause' AND c.written = r.cause_text
LEFT JOIN log_words d ON d.kind = 'disposition' AND d.written = r.disposition_text
WHERE {kept("rework")};
CREATE TABLE jobless AS
SELECT r.src, r.rn, any_value(p.job) AS job, any_value(p.position_id) AS position_id,
    any_value(p.panel) AS panel, any_value(p.port) AS port
FROM rework_rows r JOIN (
    SELECT DISTINCT job, position_id, panel, port, keyed(raw) AS pkey, technician
    FROM placed_attempts WHERE position_id IS NOT NULL
) p ON p.pkey = keyed(r.raw) AND (p.technician = r.technician OR r.technician = 'unknown')
WHERE r.job IS NULL AND r.raw IS NOT NULL
    AND EXISTS (SELECT 1 FROM placed_attempts a WHERE a.position_id = p.position_id
        AND a.day BETWEEN r.logged - 7 AND r.logged)
GROUP BY ALL HAVING count(DISTINCT p.position_id) = 1;
CREATE TABLE rework_placed AS
SELECT r.* EXCLUDE (job), coalesce(r.job, j.job) AS job,
    coalesce(p.position_id, j.position_id) AS position_id, coalesce(p.panel, j.panel) AS panel,
    coalesce(p.port, j.port) AS port,
    CASE WHEN p.position_id IS NOT NULL THEN p.link WHEN j.position_id IS NOT NULL THEN 'probable'
        ELSE 'unlinked' END AS link
FROM rework_rows r LEFT JOIN places p ON p.job = r.job AND p.raw = r.raw
LEFT JOIN jobless j ON j.src = r.src AND j.rn = r.rn;
"""

_ARCS = """
CREATE TABLE judged AS
SELECT a.*, CASE WHEN NOT coalesce(a.reached_arc, true) THEN 'fail'
        WHEN coalesce(a.error, 'none') <> 'none' THEN 'fail'
        WHEN a.loss_low_db > l.limit_db THEN 'fail'
        WHEN a.loss_high_db <= l.limit_db THEN 'good'
        WHEN trim(coalesce(a.outcome_text, '')) <> '' THEN 'good'
        ELSE 'unsure' END AS verdict
FROM linked_attempts a LEFT JOIN estimate_limits l
    ON l.job IS NOT DISTINCT FROM a.job AND l.connector_type = a.connector_type
    AND l.day IS NOT DISTINCT FROM a.day;
CREATE TABLE arcs AS
SELECT attempt_id, position_id, when_utc, day, technician, splicer, cleaver, heater, program,
    verdict, error, connector_type, fibre_lot, connector_lot, link, epoch, counter, src, rn,
    row_number() OVER o AS attempt_no, lead(attempt_id) OVER o AS next_id
FROM judged WHERE position_id IS NOT NULL AND coalesce(reached_arc, true)
WINDOW o AS (PARTITION BY position_id ORDER BY when_utc NULLS LAST, epoch, counter, src, rn);
CREATE TABLE chained AS
SELECT src, rn, attempt_id, splicer, technician, when_utc, position_id,
    lag(when_utc) OVER o AS before_utc, lag(technician) OVER o AS before_technician
FROM judged WHERE coalesce(reached_arc, true)
WINDOW o AS (PARTITION BY serial ORDER BY when_utc, epoch, counter, src, rn);
"""

_REWORK_TO_ARCS = """
CREATE TABLE failures AS
SELECT position_id, attempt_id, kind, row_number() OVER
    (PARTITION BY position_id, kind ORDER BY when_utc NULLS LAST, epoch, counter, src, rn) AS nth
FROM (
    SELECT position_id, attempt_id, 'before' AS kind, when_utc, epoch, counter, src, rn FROM judged
    WHERE position_id IS NOT NULL AND NOT coalesce(reached_arc, true)
    UNION ALL
    SELECT position_id, attempt_id, 'arc', when_utc, epoch, counter, src, rn FROM arcs
    WHERE verdict = 'fail'
    UNION ALL
    SELECT position_id, attempt_id, 'after', when_utc, epoch, counter, src, rn FROM arcs
    WHERE verdict <> 'fail'
    UNION ALL
    SELECT position_id, attempt_id, 'some', when_utc, epoch, counter, src, rn FROM arcs
);
CREATE TABLE entries AS
SELECT *, row_number() OVER (PARTITION BY position_id, kind ORDER BY logged, src, rn) AS nth FROM (
    SELECT *, CASE WHEN step IN ('prepare', 'cleave') THEN 'before' WHEN step = 'splice' THEN 'arc'
        WHEN step = 'unknown' THEN 'some' ELSE 'after' END AS kind FROM rework_placed
);
CREATE TABLE entry_arcs AS
SELECT e.src, e.rn, f.attempt_id FROM entries e
JOIN failures f USING (position_id, kind, nth);
"""


def link_rework(con: duckdb.DuckDBPyConnection, crew: Crew, words: dict) -> None:
    """Make ``rework_placed``; ``words`` are the lead's and the settings' words of the log."""
    rows = [(kind, written, meant) for kind in words for written, meant in words[kind].items()]
    rows += [
        (alias.kind, alias.written, alias.meaning)
        for alias in crew.aliases
        if alias.kind in ("cause", "step", "disposition")
    ]
    merged = {(kind, written): meant for kind, written, meant in rows}
    con.execute("CREATE TABLE log_words (kind VARCHAR, written VARCHAR, meaning VARCHAR)")
    if merged:
        con.executemany(
            "INSERT INTO log_words VALUES (?, ?, ?)", [(*key, v) for key, v in merged.items()]
        )
    con.execute(_REWORK)


def link_arcs(con: duckdb.DuckDBPyConnection) -> None:
    """Put arcs in order at their positions and rework entries to arcs.

    Makes ``judged``, ``arcs``, ``chained``, ``entries``, ``entry_arcs``.
    """
    con.execute(_ARCS)
    con.execute(_REWORK_TO_ARCS)
