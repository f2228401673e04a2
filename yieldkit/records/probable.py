"""Arcs without a usable place: linked where time, kit and person leave one position; else doubtful.

A good arc without a place is put, marked probable, to a position of its job that was tested soon
after and has no arc at all, where arc and test are nearest to one another; or, without tests, to
the one port without an arc between the two that its maker did before and after. An arc that stays
unlinked may be the first arc of the position that its maker worked on next.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from yieldkit.crew import Crew

if TYPE_CHECKING:
    import duckdb

_GOOD = """coalesce(a.reached_arc, true) AND coalesce(a.error, 'none') = 'none'
    AND NOT coalesce(a.loss_low_db > l.limit_db, false)"""

_BY_TEST = f"""
CREATE TABLE arcs_seen AS
SELECT a.src, a.rn, a.serial, a.splicer, a.technician, a.job, a.position_id, a.panel, a.port,
    a.when_utc, a.epoch, a.counter, coalesce(a.reached_arc, true) AS reached, {_GOOD} AS good
FROM placed_attempts a LEFT JOIN estimate_limits l ON l.job IS NOT DISTINCT FROM a.job
    AND l.connector_type = a.connector_type AND l.day IS NOT DISTINCT FROM a.day;
CREATE TABLE bare AS
SELECT t.position_id, t.job, t.panel, t.port, min(t.when_utc) AS tested, bool_or(t.result = 'fail')
    AS failed FROM tested t WHERE t.position_id IS NOT NULL
    AND NOT EXISTS (SELECT 1 FROM arcs_seen a WHERE a.position_id = t.position_id AND a.reached)
GROUP BY ALL;
CREATE TABLE usual_lag AS
SELECT coalesce(median(lag), 900) AS seconds FROM (
    SELECT epoch(min(t.when_utc) - max(a.when_utc)) AS lag FROM arcs_seen a
    JOIN tested t USING (position_id) WHERE a.good GROUP BY a.position_id
) WHERE lag BETWEEN 0 AND 14400;
CREATE TABLE lonely AS
SELECT position_id FROM arcs_seen a WHERE reached AND position_id IS NOT NULL
GROUP BY position_id HAVING count(*) > 1 AND bool_and(good)
    AND NOT EXISTS (SELECT 1 FROM rework_placed r WHERE r.position_id = a.position_id)
    AND NOT EXISTS (SELECT 1 FROM tested t WHERE t.position_id = a.position_id
        AND t.result = 'fail');
CREATE TABLE near_pairs AS
SELECT a.src, a.rn, a.position_id AS written, q.position_id, q.panel, q.port,
    abs(epoch(q.tested - a.when_utc) - g.seconds) AS off
FROM arcs_seen a JOIN bare q ON q.job = a.job CROSS JOIN usual_lag g
WHERE a.good AND a.when_utc IS NOT NULL AND q.tested BETWEEN a.when_utc - INTERVAL 2 MINUTE
    AND a.when_utc + INTERVAL 4 HOUR
    AND (a.position_id IS NULL OR a.position_id IN (SELECT position_id FROM lonely));
CREATE TABLE matched AS
SELECT src, rn, written, position_id, panel, port FROM near_pairs
QUALIFY row_number() OVER (PARTITION BY src, rn ORDER BY off, position_id) = 1
    AND row_number() OVER (PARTITION BY position_id ORDER BY off, src, rn) = 1
    AND coalesce(lead(off) OVER (PARTITION BY position_id ORDER BY off, src, rn) - off >= 120, true)
    AND off <= 2700;
"""

_BY_PORT = """
CREATE TABLE in_turn AS
SELECT *, lag(port) OVER o AS port_before, lead(port) OVER o AS port_after,
    lag(panel) OVER o AS panel_before, lead(panel) OVER o AS panel_after,
    lag(job) OVER o AS job_before, lead(job) OVER o AS job_after,
    lead(position_id) OVER o AS position_after, lead(when_utc) OVER o AS when_after,
    lag(when_utc) OVER o AS when_before
FROM arcs_seen WHERE reached AND technician <> 'unknown'
WINDOW o AS (PARTITION BY serial, technician ORDER BY when_utc, epoch, counter, src, rn);
CREATE TABLE between_ports AS
SELECT u.src, u.rn, any_value(n.position_id) AS position_id, any_value(n.panel) AS panel,
    any_value(n.port) AS port
FROM in_turn u JOIN planned_kept n ON n.job = u.job AND n.panel = u.panel_before
    AND try_cast(n.port AS INTEGER) > try_cast(u.port_before AS INTEGER)
    AND try_cast(n.port AS INTEGER) < try_cast(u.port_after AS INTEGER)
WHERE u.position_id IS NULL AND u.good AND u.panel_before = u.panel_after
    AND u.job_before = u.job AND u.job_after = u.job
    AND u.when_after - u.when_before < INTERVAL 3 HOUR
    AND NOT EXISTS (SELECT 1 FROM matched m WHERE m.src = u.src AND m.rn = u.rn)
    AND NOT EXISTS (SELECT 1 FROM arcs_seen a WHERE a.position_id = n.position_id AND a.reached)
    AND NOT EXISTS (SELECT 1 FROM tested t WHERE t.position_id = n.position_id)
GROUP BY u.src, u.rn HAVING count(*) = 1;
CREATE TABLE probable_links AS
SELECT src, rn, position_id, panel, port, 'tested soon after' AS why FROM matched
WHERE written IS NULL
UNION ALL SELECT src, rn, position_id, panel, port, 'port between' FROM (
    SELECT *, count(*) OVER (PARTITION BY position_id) AS claims FROM between_ports
) WHERE claims = 1;
"""

_LINKED = """
CREATE VIEW linked_attempts AS
SELECT a.* EXCLUDE (position_id, panel, port, link, connector_type, fibre_lot, connector_lot),
    coalesce(a.position_id, p.position_id) AS position_id, coalesce(a.panel, p.panel) AS panel,
    coalesce(a.port, p.port) AS port,
    CASE WHEN p.position_id IS NOT NULL THEN 'probable' ELSE a.link END AS link,
    CASE WHEN a.connector_type = 'unknown' THEN coalesce(n.connector_type, 'unknown')
        ELSE a.connector_type END AS connector_type,
    CASE WHEN a.fibre_lot = 'unknown' THEN coalesce(n.fibre_lot, 'unknown')
        ELSE a.fibre_lot END AS fibre_lot,
    CASE WHEN a.connector_lot = 'unknown' THEN coalesce(n.connector_lot, 'unknown')
        ELSE a.connector_lot END AS connector_lot
FROM placed_attempts a LEFT JOIN probable_links p USING (src, rn)
LEFT JOIN planned_kept n ON n.position_id = p.position_id;
CREATE TABLE maybe_first AS
SELECT DISTINCT u.position_after AS position_id FROM in_turn u
WHERE u.position_id IS NULL AND u.position_after IS NOT NULL
    AND (u.job IS NULL OR u.job = u.job_after)
    AND u.when_after - u.when_utc <= CASE WHEN u.good THEN $redo ELSE 60 END * INTERVAL 1 MINUTE
    AND NOT EXISTS (SELECT 1 FROM probable_links p WHERE p.src = u.src AND p.rn = u.rn);
CREATE TABLE mistyped AS
SELECT DISTINCT m.written AS position_id, m.position_id AS perhaps, m.src, m.rn FROM matched m
WHERE m.written IS NOT NULL;
"""


def link_probable(con: duckdb.DuckDBPyConnection, crew: Crew) -> None:
    """Make ``linked_attempts``, ``maybe_first`` and ``mistyped``.

    ``maybe_first``: positions whose first arc may be an unlinked one. ``mistyped``: positions with
    two good arcs of which one fits the test of a position without any: one place looks wrong.
    """
    con.execute(_BY_TEST)
    con.execute(_BY_PORT)
    first, second, third, _ = _LINKED.split(";")
    con.execute(first)
    con.execute(second, {"redo": crew.general.redo_minutes})
    con.execute(third)
