"""Arcs, tests and rework entries brought together at their positions, with how surely."""

from __future__ import annotations

from typing import TYPE_CHECKING

from yieldkit.crew import Crew
from yieldkit.records.others import kept
from yieldkit.records.stacking import meaning

if TYPE_CHECKING:
    import duckdb

PREPARATION = ("prepare", "cleave")
"""Steps before the arc: failures there are preparation losses, not failed terminations."""

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

_ARCS = """
CREATE TABLE judged AS
SELECT a.*, CASE WHEN NOT a.reached OR a.failed OR a.loss_low_db > l.limit_db THEN 'fail'
        WHEN a.loss_high_db <= l.limit_db OR a.told THEN 'good' ELSE 'unsure' END::verdict
        AS verdict
FROM linked_attempts a LEFT JOIN estimate_limits l ON l.job IS NOT DISTINCT FROM a.job
    AND l.connector_type = a.connector_type AND l.day IS NOT DISTINCT FROM a.day;
CREATE TABLE arcs AS
SELECT rn, pos, verdict, connector_type, day,
    row_number() OVER o AS attempt_no, lead(rn) OVER o AS next_rn,
    count(*) OVER w AS arcs, last_value(verdict) OVER w AS last_verdict,
    last_value(day) OVER w AS last_day, max(when_utc) OVER w AS last_when, max(link) OVER w AS link
FROM judged WHERE pos IS NOT NULL AND reached
WINDOW o AS (PARTITION BY pos ORDER BY when_utc NULLS LAST, epoch, counter, rn),
    w AS (PARTITION BY pos ORDER BY when_utc NULLS LAST, epoch, counter, rn
        ROWS BETWEEN UNBOUNDED PRECEDING AND UNBOUNDED FOLLOWING);
CREATE TABLE chained AS
SELECT rn FROM (
    SELECT rn, pos, when_utc, technician, lag(when_utc) OVER o AS before_utc,
        lag(technician) OVER o AS before_technician
    FROM judged WHERE reached AND serial IN (SELECT serial FROM judged WHERE pos IS NULL)
    WINDOW o AS (PARTITION BY serial ORDER BY when_utc, epoch, counter, rn)
) WHERE pos IS NULL AND technician = before_technician
    AND when_utc - before_utc <= $redo * INTERVAL 1 SECOND;
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


def link_arcs(con: duckdb.DuckDBPyConnection, crew: Crew) -> None:
    """Put arcs in order at their positions and rework entries to arcs.

    Makes ``judged``, ``arcs``, ``chained`` (unlinked arcs that may redo the one before),
    ``entries``, ``entry_arcs``.
    """
    first, second, third = _ARCS.split(";\n")[:3]
    con.execute("CREATE TYPE verdict AS ENUM ('fail', 'good', 'unsure')")
    con.execute(first)
    con.execute(second)
    con.execute(third, {"redo": round(crew.general.redo_minutes * 60)})
    con.execute(_REWORK_TO_ARCS)
