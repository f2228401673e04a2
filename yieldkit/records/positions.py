"""One row a place that must end with an accepted joint: first pass, state, cause, how surely."""

from __future__ import annotations

from datetime import date, datetime
from typing import TYPE_CHECKING

from yieldkit.crew import ALL, Crew, required_test

if TYPE_CHECKING:
    import duckdb
    import pyarrow as pa

_TESTS = """
CREATE TABLE readings AS
SELECT m.*, CASE WHEN m.result IN ('pass', 'fail') THEN m.result
    WHEN l.at_least AND m.value_high < l.limit_db THEN 'fail'
    WHEN l.at_least AND m.value_low >= l.limit_db THEN 'pass'
    WHEN NOT l.at_least AND m.value_low > l.limit_db THEN 'fail'
    WHEN NOT l.at_least AND m.value_high <= l.limit_db THEN 'pass'
    ELSE 'unknown' END AS verdict
FROM tested m LEFT JOIN test_limits l ON l.job IS NOT DISTINCT FROM m.job
    AND l.connector_type = m.connector_type AND l.quantity = m.quantity
    AND l.wavelength_nm IS NOT DISTINCT FROM m.wavelength_nm AND l.day IS NOT DISTINCT FROM m.date;
CREATE TABLE required_readings AS
SELECT r.pos, q.test, r.when_utc, r.date, r.after_cleaning, r.verdict, r.quantity,
    r.wavelength_nm, r.direction, r.rn
FROM readings r JOIN required q ON q.connector_type = r.connector_type
    AND q.quantity = r.quantity
    AND (q.wavelength_nm IS NULL OR q.wavelength_nm = r.wavelength_nm)
WHERE r.pos IS NOT NULL AND r.verdict <> 'unknown';
CREATE TABLE rounds AS
SELECT pos, test, when_utc, any_value(date) AS date,
    bool_or(coalesce(after_cleaning, false)) AS after_cleaning, bool_or(verdict = 'fail') AS failed,
    row_number() OVER (PARTITION BY pos, test ORDER BY when_utc NULLS LAST) AS nth,
    row_number() OVER (PARTITION BY pos, test ORDER BY when_utc DESC NULLS FIRST) AS back
FROM required_readings GROUP BY pos, test, when_utc;
CREATE TABLE cleaned AS
SELECT pos, logged FROM rework_placed
WHERE disposition = 'cleaned' AND pos IS NOT NULL;
CREATE TABLE failed_tests AS
SELECT f.pos, bool_or(NOT EXISTS (
        SELECT 1 FROM rounds p WHERE p.pos = f.pos AND p.test = f.test
            AND p.nth > f.nth AND NOT p.failed AND (p.after_cleaning OR EXISTS (
                SELECT 1 FROM cleaned c WHERE c.pos = f.pos
                AND c.logged >= f.date))
    )) AS unforgiven
FROM rounds f WHERE f.failed GROUP BY f.pos;
CREATE TABLE tests_of AS
SELECT pos, count(DISTINCT test) FILTER (back = 1 AND NOT failed) AS passed,
    bool_or(back = 1 AND failed) AS last_failed, bool_or(nth = 1 AND failed) AS first_failed,
    count(DISTINCT test) AS tested, max(when_utc) FILTER (back = 1 AND NOT failed) AS passed_when,
    min(when_utc) FILTER (back = 1 AND NOT failed) AS passed_from
FROM rounds GROUP BY pos;
"""

_PARTS = """
CREATE VIEW first_arc AS SELECT * FROM arcs WHERE attempt_no = 1;
CREATE TABLE losses_before AS
SELECT pos, count(*) AS preparation_losses, max(link) AS link
FROM judged WHERE pos IS NOT NULL AND NOT reached GROUP BY pos;
CREATE TABLE entries_of AS
SELECT pos, count(*) AS rework_entries, sum(rework_min) AS rework_min,
    count(*) FILTER (disposition <> 'cleaned' AND step NOT IN ('prepare', 'cleave')
        AND NOT (step = 'unknown' AND cause IN ('strip or nick', 'cleave'))) AS against,
    count(*) FILTER (disposition <> 'cleaned' AND step = 'unknown'
        AND cause IN ('strip or nick', 'cleave')) AS unclear,
    arg_min(step, (logged, rn)) FILTER (disposition <> 'cleaned'
        AND step NOT IN ('prepare', 'cleave')) AS step,
    arg_min(cause, (logged, rn)) FILTER (disposition <> 'cleaned'
        AND step NOT IN ('prepare', 'cleave')) AS cause,
    arg_max(disposition, (logged, rn)) AS last_disposition, max(logged) AS last_logged,
    max(link) AS link
FROM rework_placed WHERE pos IS NOT NULL GROUP BY pos;
CREATE TABLE first_entry AS
SELECT e.pos, arg_min(e.step, (e.logged, e.rn)) AS step, arg_min(e.cause, (e.logged, e.rn)) AS cause
FROM entries e JOIN entry_arcs x USING (rn) JOIN first_arc f ON f.rn = x.attempt
WHERE e.disposition <> 'cleaned' GROUP BY e.pos;
CREATE TABLE bodies_of AS
SELECT pos, sum(bodies) AS bodies FROM (
    SELECT a.pos, coalesce(w.bodies, CASE WHEN a.verdict = 'fail' THEN b.at_splice
        ELSE b.after END) AS bodies
    FROM arcs a JOIN body_use b USING (connector_type)
    LEFT JOIN (SELECT x.attempt, sum(e.bodies) AS bodies FROM entries e
        JOIN entry_arcs x USING (rn) GROUP BY 1) w ON w.attempt = a.rn
    WHERE a.next_rn IS NOT NULL OR a.verdict = 'fail'
    UNION ALL
    SELECT pos, bodies FROM entries WHERE kind = 'before' AND pos IS NOT NULL
) GROUP BY pos;
CREATE TABLE all_positions AS
SELECT pos FROM planned_kept UNION SELECT pos FROM first_arc UNION SELECT pos FROM losses_before
UNION SELECT pos FROM readings WHERE pos IS NOT NULL UNION SELECT pos FROM entries_of;
"""

TOLD = (
    *("no: first arc", "no: later arc", "no: rework log", "no: test"),
    *("unknown: no arc recorded", "unknown: place in doubt", "unknown: unlinked arc"),
    *("unknown: unclear entry", "unknown: no verdict", "unknown: tests missing"),
    *("yes: tests passed", "yes: first arc", "pending: tests"),
)
"""Answers to first pass of the termination, each with what decided it."""
_TYPES = f"""
CREATE TYPE told AS ENUM {TOLD};
CREATE TYPE answer AS ENUM ('yes', 'no', 'pending', 'unknown');
CREATE TYPE state AS ENUM ('not started', 'open', 'accepted', 'accepted as is', 'given up');
"""

_CAUSES = """
CASE error WHEN 'cleave angle' THEN 'cleave' WHEN 'end face' THEN 'cleave'
    WHEN 'dust' THEN 'contamination' WHEN 'gap or offset' THEN 'arc or splicer'
    WHEN 'arc' THEN 'arc or splicer' WHEN 'bubble or neck' THEN 'arc or splicer'
    WHEN 'proof test' THEN 'strip or nick' ELSE 'unknown' END
"""

_ANSWERS = f"""
WITH joined AS (
    SELECT p.pos, n.pos IS NOT NULL AS planned,
        coalesce(f.connector_type, n.connector_type, t.connector_type, 'unknown'::word)
            AS connector_type,
        f.rn AS first_rn, f.day AS first_date, n.rn AS planned_rn,
        coalesce(n.fibre_lot, 'unknown'::word) AS fibre_lot,
        coalesce(n.connector_lot, 'unknown'::word) AS connector_lot, f.verdict,
        coalesce(f.arcs, 0) AS arcs, coalesce(b.preparation_losses, 0) AS preparation_losses,
        coalesce(e.rework_entries, 0) AS rework_entries, e.rework_min, e.against, e.unclear,
        e.step AS entry_step, e.cause AS entry_cause, e.last_disposition, e.last_logged,
        g.step AS first_step, g.cause AS first_cause,
        f.last_when, f.last_day, f.last_verdict, s.passed, s.last_failed, s.first_failed,
        s.tested, s.passed_when, s.passed_from, coalesce(x.unforgiven, false) AS unforgiven,
        m.pos IS NOT NULL AS doubtful_first,
        p.pos IN (SELECT pos FROM mistyped) AS misplaced, o.bodies AS spent,
        greatest(f.link, b.link, e.link, t.link) AS link
    FROM all_positions p LEFT JOIN planned_kept n USING (pos)
    LEFT JOIN first_arc f USING (pos)
    LEFT JOIN losses_before b USING (pos) LEFT JOIN entries_of e USING (pos)
    LEFT JOIN first_entry g USING (pos) LEFT JOIN tests_of s USING (pos)
    LEFT JOIN failed_tests x USING (pos) LEFT JOIN maybe_first m USING (pos)
    LEFT JOIN bodies_of o USING (pos)
    LEFT JOIN (SELECT pos, any_value(connector_type) AS connector_type, max(link) AS link
        FROM readings WHERE pos IS NOT NULL GROUP BY 1) t USING (pos)
), counted AS (
    SELECT j.*, coalesce(q.tests, 0) AS tests_wanted, u.after AS body_each,
        coalesce(j.passed, 0) >= coalesce(q.tests, 0) AND coalesce(q.tests, 0) > 0 AS all_passed,
        j.first_date < $as_of::DATE - $pending::INTEGER AS late
    FROM joined j LEFT JOIN (SELECT connector_type, count(DISTINCT test) AS tests FROM required
        GROUP BY 1) q USING (connector_type)
    LEFT JOIN body_use u USING (connector_type)
), answered AS (
    SELECT *, CASE WHEN arcs = 0 THEN NULL WHEN verdict = 'fail' THEN 'no'::answer
            WHEN doubtful_first THEN 'unknown'::answer WHEN verdict = 'good' THEN 'yes'::answer
            ELSE 'unknown'::answer END AS first_pass_splice,
        CASE WHEN arcs = 0 AND rework_entries = 0 AND tested IS NULL THEN NULL
            WHEN arcs > 0 AND verdict = 'fail' THEN 'no: first arc'::told
            WHEN arcs > 1 AND NOT misplaced THEN 'no: later arc'::told
            WHEN coalesce(against, 0) > 0 THEN 'no: rework log'::told
            WHEN unforgiven THEN 'no: test'::told
            WHEN arcs = 0 THEN 'unknown: no arc recorded'::told
            WHEN misplaced THEN 'unknown: place in doubt'::told
            WHEN doubtful_first THEN 'unknown: unlinked arc'::told
            WHEN coalesce(unclear, 0) > 0 THEN 'unknown: unclear entry'::told
            WHEN all_passed THEN 'yes: tests passed'::told
            WHEN tests_wanted = 0 AND verdict = 'good' THEN 'yes: first arc'::told
            WHEN tests_wanted = 0 THEN 'unknown: no verdict'::told
            WHEN late THEN 'unknown: tests missing'::told
            ELSE 'pending: tests'::told END AS termination,
        CASE WHEN arcs = 0 AND tested IS NULL THEN NULL WHEN first_failed THEN 'no'::answer
            WHEN all_passed THEN 'yes'::answer WHEN tests_wanted = 0 THEN 'unknown'::answer
            WHEN late THEN 'unknown'::answer ELSE 'pending'::answer END AS first_pass_link
    FROM counted
), stated AS (
    SELECT *, CASE WHEN arcs = 0 AND rework_entries = 0 AND tested IS NULL
            AND preparation_losses = 0 THEN 'not started'::state
        WHEN last_disposition = 'given up' AND last_logged >= coalesce(last_day, last_logged)
            THEN 'given up'::state
        WHEN last_disposition = 'accepted as is' AND last_logged >= coalesce(last_day, last_logged)
            THEN 'accepted as is'::state
        WHEN all_passed AND (last_when IS NULL OR passed_from IS NULL
            OR passed_from >= last_when - INTERVAL 75 MINUTE) THEN 'accepted'::state
        WHEN tests_wanted = 0 AND last_verdict = 'good' AND NOT coalesce(last_failed, false)
            THEN 'accepted'::state
        ELSE 'open'::state END AS state
    FROM answered
), decided AS (
    SELECT *, starts_with(termination::VARCHAR, 'no') AS failed,
        CASE WHEN state = 'accepted' THEN coalesce(passed_when, last_when) END AS accepted_when,
        coalesce(spent, 0) + CASE WHEN state IN ('accepted', 'accepted as is')
            THEN coalesce(body_each, 0) ELSE 0 END AS bodies
    FROM stated
)
SELECT p.pos, i.site, planned, connector_type, fibre_lot, connector_lot, first_rn, first_date, arcs,
    preparation_losses, rework_entries, bodies, rework_min, first_pass_splice,
    termination, first_pass_link,
    CASE WHEN NOT coalesce(failed, false) THEN NULL
        WHEN verdict = 'fail' THEN 'splice'
        WHEN first_step NOT IN ('unknown', 'prepare', 'cleave') THEN first_step
        WHEN termination = 'no: test' OR first_failed THEN 'test'
        WHEN entry_step IS NOT NULL AND arcs <= 1 THEN entry_step
        ELSE 'unknown' END AS failed_step,
    CASE WHEN NOT coalesce(failed, false) THEN NULL
        WHEN first_cause IS NOT NULL AND first_cause <> 'unknown' THEN first_cause
        WHEN verdict = 'fail' THEN {_CAUSES}
        WHEN entry_cause IS NOT NULL AND arcs <= 1 THEN entry_cause ELSE 'unknown' END
        AS failed_cause,
    state, accepted_when, link
FROM decided p
LEFT JOIN (SELECT rn, site FROM in_planned) i ON i.rn = p.planned_rn
LEFT JOIN (SELECT rn, error FROM in_attempts WHERE error <> 'none') e ON e.rn = p.first_rn
ORDER BY p.pos
"""
"""SQL of the positions, but for what their names and their first arc tell."""


def limit_rows(
    crew: Crew, combos: list[tuple[str | None, str, date | None]], quantity: str, nm: float | None
) -> list[tuple[str | None, str, date | None, float, bool]]:
    """The limit that one reading of a quantity meets, for each job, type and day that has one.

    The job's own row comes before the type's, the newest row in force before older ones.
    """
    found = []
    for job, kind, day in combos:
        rows = [
            row
            for row in crew.limits_for(quantity, connector_type=kind, job=job or ALL)
            if row.statistic == "each"
            and row.after_tries == 0
            and not row.listed
            and (row.wavelength_nm is None or nm is None or row.wavelength_nm == nm)
            and (row.from_date is None or (day is not None and row.from_date <= day))
        ]
        if rows:
            best = min(
                rows,
                key=lambda row: (
                    row.job == ALL,
                    row.connector_type == ALL,
                    -(row.from_date or date.min).toordinal(),
                ),
            )
            found.append((job, kind, day, best.limit_db, best.at_least))
    return found


def estimate_limits(con: duckdb.DuckDBPyConnection, crew: Crew, attempts: str) -> None:
    """Make ``estimate_limits``: the limit of the splicer's estimate by job, type and day."""
    combos = con.execute(
        f"SELECT DISTINCT job, connector_type, day FROM {attempts} ORDER BY ALL"
    ).fetchall()
    con.execute(
        "CREATE OR REPLACE TABLE estimate_limits (job word, connector_type word, day DATE,"
        " limit_db DOUBLE, at_least BOOLEAN)"
    )
    _fill(con, "estimate_limits", limit_rows(crew, combos, "estimated loss", None))


def _fill(con: duckdb.DuckDBPyConnection, table: str, rows: list[tuple]) -> None:
    if rows:
        import pandas as pd

        names = [found[0] for found in con.execute(f"DESCRIBE {table}").fetchall()]
        con.register("fill_frame", pd.DataFrame(rows, columns=names))
        con.execute(f"INSERT INTO {table} SELECT * FROM fill_frame")
        con.unregister("fill_frame")


def _test_limits(con: duckdb.DuckDBPyConnection, crew: Crew) -> None:
    combos = con.execute(
        "SELECT DISTINCT quantity, wavelength_nm, job, connector_type, date FROM tested"
        " WHERE quantity <> 'end face' AND result = 'unknown' ORDER BY ALL"
    ).fetchall()
    con.execute(
        "CREATE TABLE test_limits (job word, connector_type word, day DATE,"
        " limit_db DOUBLE, at_least BOOLEAN, quantity VARCHAR, wavelength_nm DOUBLE)"
    )
    rows = [
        (*row, quantity, nm)
        for quantity, nm, job, kind, day in combos
        for row in limit_rows(crew, [(job, kind, day)], quantity, nm)
    ]
    _fill(con, "test_limits", rows)


def _types(con: duckdb.DuckDBPyConnection, crew: Crew) -> None:
    """Required tests and bodies of each type that the records name."""
    named = [
        row[0]
        for row in con.execute(
            "SELECT DISTINCT connector_type FROM (SELECT connector_type FROM judged UNION ALL"
            " SELECT connector_type FROM planned_kept UNION ALL SELECT connector_type FROM tested)"
            " WHERE connector_type IS NOT NULL ORDER BY ALL"
        ).fetchall()
    ]
    kinds = sorted({*named, "unknown"})
    con.execute(
        "CREATE TABLE required (connector_type word, test VARCHAR, quantity VARCHAR,"
        " wavelength_nm DOUBLE)"
    )
    _fill(
        con,
        "required",
        [
            (kind, test, *required_test(test))
            for kind in kinds
            for test in crew.connector(kind).required_tests
        ],
    )
    con.execute("CREATE TABLE body_use (connector_type word, at_splice DOUBLE, after DOUBLE)")
    _fill(
        con,
        "body_use",
        [
            (
                kind,
                crew.parts_for_failure(kind, "splice").get("body", 0.0),
                crew.parts_for_failure(kind, "test").get("body", 0.0),
            )
            for kind in kinds
        ],
    )


def find_positions(con: duckdb.DuckDBPyConnection, crew: Crew, as_of: datetime) -> pa.Table:
    """What the records say of each position, in order; ``pos`` and ``first_rn`` are numbers."""
    _test_limits(con, crew)
    _types(con, crew)
    con.execute(_TYPES)
    con.execute(_TESTS)
    con.execute(_PARTS)
    days = {"as_of": as_of.date().isoformat(), "pending": crew.general.pending_days}
    return con.sql(_ANSWERS, params=days).to_arrow_table().combine_chunks()
