"""Arcs without a usable place: linked where time, kit and person leave one position; else doubtful.

A good arc without a place is put, marked probable, to a position of its job that was tested soon
after and has no arc at all, where arc and test are nearest to one another; or, without tests, to
the one port without an arc between the two that its maker did before and after. An arc that stays
unlinked may be the first arc of the position that its maker worked on next.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from yieldkit.crew import Crew
from yieldkit.records import arcs
from yieldkit.records.placed import Placed, planned_words
from yieldkit.records.places import LINKS
from yieldkit.records.stacking import UNKNOWN

if TYPE_CHECKING:
    import duckdb

_BY_TEST = """
CREATE TABLE bare AS
SELECT pos, job, min(when_utc) AS tested, bool_or(result = 'fail') AS failed
FROM tested WHERE pos IS NOT NULL AND pos NOT IN (
    SELECT pos FROM arcs_seen WHERE reached AND pos IN (SELECT pos FROM tested))
GROUP BY ALL;
CREATE TABLE usual_lag AS
SELECT coalesce(median(lag), 900) AS seconds FROM (
    SELECT epoch(min(t.when_utc) - max(a.when_utc)) AS lag FROM arcs_seen a
    JOIN tested t USING (pos) WHERE a.good GROUP BY a.pos
) WHERE lag BETWEEN 0 AND 14400;
CREATE TABLE lonely AS
SELECT pos FROM arcs_seen WHERE reached AND pos IS NOT NULL AND job IN (SELECT job FROM bare)
    AND pos NOT IN (SELECT pos FROM rework_placed WHERE pos IS NOT NULL)
    AND pos NOT IN (SELECT pos FROM tested WHERE pos IS NOT NULL AND result = 'fail')
GROUP BY pos HAVING count(*) > 1 AND bool_and(good);
CREATE TABLE near_pairs AS
SELECT a.rn, a.pos AS written, q.pos, abs(epoch(q.tested - a.when_utc) - g.seconds) AS off
FROM arcs_seen a JOIN bare q ON q.job = a.job CROSS JOIN usual_lag g
WHERE a.good AND a.when_utc IS NOT NULL AND q.tested BETWEEN a.when_utc - INTERVAL 2 MINUTE
    AND a.when_utc + INTERVAL 4 HOUR
    AND (a.pos IS NULL OR a.pos IN (SELECT pos FROM lonely));
CREATE TABLE matched AS
SELECT rn, written, pos FROM near_pairs
QUALIFY row_number() OVER (PARTITION BY rn ORDER BY off, pos) = 1
    AND row_number() OVER (PARTITION BY pos ORDER BY off, rn) = 1
    AND coalesce(lead(off) OVER (PARTITION BY pos ORDER BY off, rn) - off >= 120, true)
    AND off <= 2700;
"""

_BY_PORT = """
CREATE TABLE in_turn AS
SELECT * REPLACE (job::word AS job, job_before::word AS job_before, job_after::word AS job_after)
FROM in_turn_arrow;
CREATE TABLE between_ports AS
SELECT u.rn, any_value(n.pos) AS pos
FROM in_turn u JOIN planned b ON b.pos = u.pos_before JOIN planned e ON e.pos = u.pos_after
JOIN planned_kept n ON n.job = u.job AND n.panel = b.panel
    AND try_cast(n.port AS INTEGER) > try_cast(b.port AS INTEGER)
    AND try_cast(n.port AS INTEGER) < try_cast(e.port AS INTEGER)
WHERE u.good AND b.panel = e.panel
    AND u.job_before = u.job AND u.job_after = u.job
    AND u.when_after - u.when_before < INTERVAL 3 HOUR
    AND u.rn NOT IN (SELECT rn FROM matched)
    AND n.pos NOT IN (SELECT pos FROM arcs_seen WHERE reached
        AND pos IN (SELECT pos FROM planned_kept))
    AND n.pos NOT IN (SELECT pos FROM tested WHERE pos IS NOT NULL)
GROUP BY u.rn HAVING count(*) = 1;
CREATE TABLE probable_links AS
SELECT rn, pos, 'tested soon after' AS why FROM matched WHERE written IS NULL
UNION ALL SELECT rn, pos, 'port between' FROM (
    SELECT *, count(*) OVER (PARTITION BY pos) AS claims FROM between_ports
) WHERE claims = 1;
"""

_LINKED = """
CREATE TABLE maybe_first AS
SELECT DISTINCT u.pos_after AS pos FROM in_turn u
WHERE u.pos_after IS NOT NULL AND (u.job IS NULL OR u.job = u.job_after)
    AND u.when_after - u.when_utc <= CASE WHEN u.good THEN $redo ELSE 60 END * INTERVAL 1 MINUTE
    AND u.rn NOT IN (SELECT rn FROM probable_links);
CREATE TABLE mistyped AS
SELECT DISTINCT m.written AS pos, m.pos AS perhaps, m.rn FROM matched m
WHERE m.written IS NOT NULL;
"""


def link_probable(
    con: duckdb.DuckDBPyConnection, placed: Placed, limit_db: np.ndarray, crew: Crew
) -> Placed:
    """Records with positions that are probable, and their planned words.

    Makes ``maybe_first``: positions whose first arc may be an unlinked one; ``mistyped``: positions
    with two good arcs of which one fits the test of a position without any: one place looks wrong.
    ``limit_db`` is the limit of each record's estimate [dB].
    """
    import pyarrow as pa

    good = placed.reached & ~placed.failed & ~(placed.low > limit_db)
    unknown = placed.words.number[UNKNOWN]
    placed.register(con, "arcs_seen", good=pa.array(good))
    con.register("in_turn_arrow", pa.table(arcs.in_turn(placed, good, unknown)))
    con.execute(_BY_TEST)
    con.execute(_BY_PORT)
    first, second, _ = _LINKED.split(";")
    con.execute(first, {"redo": crew.general.redo_minutes})
    con.execute(second)
    links = con.execute("SELECT rn, pos FROM probable_links").fetchnumpy()
    if not len(links["rn"]):
        return placed
    at = np.searchsorted(placed.at, links["rn"])
    pos, link = placed.pos.copy(), placed.link.copy()
    pos[at], link[at] = links["pos"], LINKS.index("probable")
    positions = con.execute("SELECT count(*) FROM place_names").fetchall()[0][0]
    plan = planned_words(con, positions, unknown, "planned_kept")
    words = []
    for own, planned in zip(
        (placed.kind, placed.fibre_lot, placed.connector_lot), plan, strict=True
    ):
        new = own.copy()
        new[at] = np.where(own[at] == unknown, planned[links["pos"]], own[at])
        words.append(new)
    kind, fibre_lot, connector_lot = words
    return replace(
        placed, pos=pos, link=link, kind=kind, fibre_lot=fibre_lot, connector_lot=connector_lot
    )
