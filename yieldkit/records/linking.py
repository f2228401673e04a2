"""Arcs, tests and rework entries brought together at their positions, with how surely."""

from __future__ import annotations

from typing import TYPE_CHECKING

from yieldkit.crew import Crew
from yieldkit.records.others import kept
from yieldkit.records.stacking import meaning

if TYPE_CHECKING:
    import duckdb


_REWORK = f"""
CREATE TABLE rework_rows AS
SELECT r.* EXCLUDE (step, cause, disposition), r.when_shown::DATE AS logged,
    {meaning("job_text")}::word AS job,
    coalesce({meaning("technician_text")}, 'unknown')::word AS technician,
    {meaning("connector_type_text")}::word AS connector_type,
    coalesce(s.meaning, r.step, 'unknown') AS step,
    coalesce(c.meaning, r.cause, 'unknown') AS cause,
    coalesce(d.meaning, r.disposition, 'unknown') AS disposition
FROM in_rework r
LEFT JOIN log_words s ON s.kind = 'step' AND s.written = coalesce(r.step_text, r.cause_text)
LEFT JOIN log_words c ON c.kind = 'cause' AND c.written = r.cause_text
LEFT JOIN log_words d ON d.kind = 'disposition' AND d.written = r.disposition_text
WHERE {kept("rework")};
CREATE TABLE jobless AS
WITH entries AS (
    SELECT r.rn, r.technician, r.logged, s.pkey FROM rework_rows r JOIN spots s USING (spot)
    WHERE r.job IS NULL
), near AS (
    SELECT e.rn, e.technician, e.logged, a.pos, a.technician AS maker
    FROM entries e JOIN spots s USING (pkey) JOIN placed_attempts a ON a.spot = s.spot
    WHERE a.pos IS NOT NULL
)
SELECT rn, any_value(pos) AS pos FROM near n
WHERE (maker = technician OR technician = 'unknown') AND EXISTS (SELECT 1 FROM placed_attempts a
    WHERE a.pos = n.pos AND a.day BETWEEN n.logged - 7 AND n.logged)
GROUP BY rn HAVING count(DISTINCT pos) = 1;
CREATE TABLE rework_placed AS
SELECT r.* EXCLUDE (job), coalesce(r.job, n.job::word) AS job, coalesce(p.pos, j.pos) AS pos,
    CASE WHEN p.pos IS NOT NULL THEN p.link::link WHEN j.pos IS NOT NULL THEN 'probable'::link
        ELSE 'unlinked'::link END AS link
FROM rework_rows r LEFT JOIN places p ON p.job = r.job AND p.spot = r.spot
LEFT JOIN jobless j ON j.rn = r.rn LEFT JOIN place_names n ON n.pos = j.pos;
"""

_REWORK_TO_ARCS = """
CREATE TABLE failures AS
SELECT pos, rn, kind, row_number() OVER
    (PARTITION BY pos, kind ORDER BY when_utc NULLS LAST, epoch, counter, rn) AS nth
FROM (
    SELECT pos, rn, when_utc, epoch, counter, unnest(CASE WHEN NOT reached THEN ['before']
        WHEN verdict = 'fail' THEN ['arc', 'some'] ELSE ['after', 'some'] END) AS kind
    FROM judged WHERE pos IN (SELECT pos FROM rework_placed)
);
CREATE TABLE entries AS
SELECT *, row_number() OVER (PARTITION BY pos, kind ORDER BY logged, rn) AS nth FROM (
    SELECT *, CASE WHEN step IN ('prepare', 'cleave') THEN 'before' WHEN step = 'splice' THEN 'arc'
        WHEN step = 'unknown' THEN 'some' ELSE 'after' END AS kind FROM rework_placed
);
CREATE TABLE entry_arcs AS
SELECT e.rn, f.rn AS attempt FROM entries e JOIN failures f USING (pos, kind, nth);
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


def link_entries(con: duckdb.DuckDBPyConnection) -> None:
    """Put rework entries to the arcs of ``judged`` that they tell of: ``entry_arcs``."""
    con.execute(_REWORK_TO_ARCS)
