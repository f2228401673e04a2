"""One row a place that must end with an accepted joint: first pass, state, cause, how surely."""

from __future__ import annotations

from datetime import date, datetime
from typing import TYPE_CHECKING

from yieldkit.crew import ALL, Crew, required_test

if TYPE_CHECKING:
    import duckdb

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
SELECT r.position_id, q.test, r.when_utc, r.date, r.after_cleaning, r.verdict, r.quantity,
    r.wavelength_nm, r.direction, r.src, r.rn
FROM readings r JOIN required q ON q.connector_type = r.connector_type
    AND q.quantity = r.quantity
    AND (q.wavelength_nm IS NULL OR q.wavelength_nm = r.wavelength_nm)
WHERE r.position_id IS NOT NULL AND r.verdict <> 'unknown';
CREATE TABLE rounds AS
SELECT position_id, test, when_utc, any_value(date) AS date,
    bool_or(coalesce(after_cleaning, false)) AS after_cleaning, bool_or(verdict = 'fail') AS failed,
    row_number() OVER (PARTITION BY position_id, test ORDER BY when_utc NULLS LAST) AS nth,
    row_number() OVER (PARTITION BY position_id, test ORDER BY when_utc DESC NULLS FIRST) AS back
FROM required_readings GROUP BY position_id, test, when_utc;
CREATE TABLE cleaned AS
SELECT position_id, logged FROM rework_placed
WHERE disposition = 'cleaned' AND position_id IS NOT NULL;
CREATE TABLE failed_tests AS
SELECT f.position_id, bool_or(NOT EXISTS (
        SELECT 1 FROM rounds p WHERE p.position_id = f.position_id AND p.test = f.test
            AND p.nth > f.nth AND NOT p.failed AND (p.after_cleaning OR EXISTS (
                SELECT 1 FROM cleaned c WHERE c.position_id = f.position_id
                AND c.logged >= f.date))
    )) AS unforgiven
FROM rounds f WHERE f.failed GROUP BY f.position_id;
CREATE TABLE tests_of AS
SELECT position_id, count(DISTINCT test) FILTER (back = 1 AND NOT failed) AS passed,
    bool_or(back = 1 AND failed) AS last_failed, bool_or(nth = 1 AND failed) AS first_failed,
    count(DISTINCT test) AS tested, max(when_utc) FILTER (back = 1 AND NOT failed) AS passed_when,
    min(when_utc) FILTER (back = 1 AND NOT failed) AS passed_from
FROM rounds GROUP BY position_id;
"""

_PARTS = """
CREATE TABLE all_positions AS
SELECT position_id, any_value(job) AS job, any_value(panel) AS panel, any_value(port) AS port FROM (
    SELECT position_id, job, panel, port FROM planned_kept
    UNION ALL SELECT position_id, job, panel, port FROM judged WHERE position_id IS NOT NULL
    UNION ALL SELECT position_id, job, panel, port FROM readings WHERE position_id IS NOT NULL
    UNION ALL SELECT position_id, job, panel, port FROM rework_placed WHERE position_id IS NOT NULL
) GROUP BY position_id;
CREATE TABLE first_arc AS SELECT * FROM arcs WHERE attempt_no = 1;
CREATE TABLE arc_counts AS
SELECT position_id, count(*) AS arcs, max(when_utc) AS last_when,
    arg_max(verdict, attempt_no) AS last_verdict, arg_max(day, attempt_no) AS last_day,
    max(list_position(['exact', 'normalised', 'probable'], link)) AS link_no
FROM arcs GROUP BY position_id;
CREATE TABLE losses_before AS
SELECT position_id, count(*) AS preparation_losses,
    max(list_position(['exact', 'normalised', 'probable'], link)) AS link_no,
    arg_min(error, (when_utc, src, rn)) AS error
FROM judged WHERE position_id IS NOT NULL AND NOT coalesce(reached_arc, true) GROUP BY position_id;
CREATE TABLE entries_of AS
SELECT position_id, count(*) AS rework_entries, sum(rework_min) AS rework_min,
    count(*) FILTER (disposition <> 'cleaned' AND step NOT IN ('prepare', 'cleave')
        AND NOT (step = 'unknown' AND cause IN ('strip or nick', 'cleave'))) AS against,
    count(*) FILTER (disposition <> 'cleaned' AND step = 'unknown'
        AND cause IN ('strip or nick', 'cleave')) AS unclear,
    arg_min(step, (logged, src, rn)) FILTER (disposition <> 'cleaned'
        AND step NOT IN ('prepare', 'cleave')) AS step,
    arg_min(cause, (logged, src, rn)) FILTER (disposition <> 'cleaned'
        AND step NOT IN ('prepare', 'cleave')) AS cause,
    arg_max(disposition, (logged, src, rn)) AS last_disposition, max(logged) AS last_logged,
    max(list_position(['exact', 'normalised', 'probable'], link)) AS link_no
FROM rework_placed WHERE position_id IS NOT NULL GROUP BY position_id;
CREATE TABLE first_entry AS
SELECT e.position_id, arg_min(e.step, (e.logged, e.src, e.rn)) AS step,
    arg_min(e.cause, (e.logged, e.src, e.rn)) AS cause
FROM entries e JOIN entry_arcs x USING (src, rn) JOIN first_arc f ON f.attempt_id = x.attempt_id
WHERE e.disposition <> 'cleaned' GROUP BY e.position_id;
CREATE TABLE bodies_of AS
SELECT position_id, sum(bodies) AS bodies FROM (
    SELECT a.position_id, coalesce(w.bodies, CASE WHEN a.verdict = 'fail' THEN b.at_splice
        ELSE b.after END) AS bodies
    FROM arcs a JOIN body_use b USING (connector_type)
    LEFT JOIN (SELECT x.attempt_id, sum(e.bodies) AS bodies FROM entries e
        JOIN entry_arcs x USING (src, rn) GROUP BY 1) w USING (attempt_id)
    WHERE a.next_id IS NOT NULL OR a.verdict = 'fail'
    UNION ALL
    SELECT position_id, bodies FROM entries WHERE kind = 'before' AND position_id IS NOT NULL
) GROUP BY position_id;
"""

_ANSWERS = """
CREATE TABLE positions_raw AS
WITH joined AS (
    SELECT p.*, n.site, n.position_id IS NOT NULL AS planned,
        coalesce(f.connector_type, n.connector_type, t.connector_type, 'unknown') AS connector_type,
        coalesce(f.fibre_lot, n.fibre_lot, 'unknown') AS fibre_lot,
        coalesce(f.connector_lot, n.connector_lot, 'unknown') AS connector_lot,
        f.attempt_id AS first_attempt_id, f.when_utc AS first_when, f.day AS first_date,
        f.technician, f.splicer, f.cleaver, f.heater, f.program, f.verdict, f.error,
        coalesce(c.arcs, 0) AS arcs, coalesce(b.preparation_losses, 0) AS preparation_losses,
        coalesce(e.rework_entries, 0) AS rework_entries, e.rework_min, e.against, e.unclear,
        e.step AS entry_step, e.cause AS entry_cause, e.last_disposition, e.last_logged,
        g.step AS first_step, g.cause AS first_cause, b.error AS early_error,
        c.last_when, c.last_day, c.last_verdict, s.passed, s.last_failed, s.first_failed,
        s.tested, s.passed_when, s.passed_from, coalesce(x.unforgiven, false) AS unforgiven,
        m.position_id IS NOT NULL AS doubtful_first,
        p.position_id IN (SELECT position_id FROM mistyped) AS misplaced, o.bodies AS spent,
        greatest(coalesce(c.link_no, 0), coalesce(b.link_no, 0), coalesce(e.link_no, 0),
            coalesce(t.link_no, 0)) AS link_no
    FROM all_positions p LEFT JOIN planned_kept n USING (position_id)
    LEFT JOIN first_arc f USING (position_id) LEFT JOIN arc_counts c USING (position_id)
    LEFT JOIN losses_before b USING (position_id) LEFT JOIN entries_of e USING (position_id)
    LEFT JOIN first_entry g USING (position_id) LEFT JOIN tests_of s USING (position_id)
    LEFT JOIN failed_tests x USING (position_id) LEFT JOIN maybe_first m USING (position_id)
    LEFT JOIN bodies_of o USING (position_id)
    LEFT JOIN (SELECT position_id, any_value(connector_type) AS connector_type,
        max(list_position(['exact', 'normalised', 'probable'], link)) AS link_no
        FROM readings WHERE position_id IS NOT NULL GROUP BY 1) t USING (position_id)
), counted AS (
    SELECT j.*, coalesce(q.tests, 0) AS tests_wanted, u.after AS body_each,
        coalesce(j.passed, 0) >= coalesce(q.tests, 0) AND coalesce(q.tests, 0) > 0 AS all_passed,
        j.first_date < $as_of::DATE - $pending::INTEGER AS late
    FROM joined j LEFT JOIN (SELECT connector_type, count(DISTINCT test) AS tests FROM required
        GROUP BY 1) q USING (connector_type)
    LEFT JOIN body_use u USING (connector_type)
), answered AS (
    SELECT *, CASE WHEN arcs = 0 THEN NULL WHEN verdict = 'fail' THEN 'no'
            WHEN doubtful_first THEN 'unknown' WHEN verdict = 'good' THEN 'yes'
            ELSE 'unknown' END AS first_pass_splice,
        CASE WHEN arcs = 0 AND rework_entries = 0 AND tested IS NULL THEN NULL
            WHEN arcs > 0 AND verdict = 'fail' THEN 'no: first arc'
            WHEN arcs > 1 AND NOT misplaced THEN 'no: later arc'
            WHEN coalesce(against, 0) > 0 THEN 'no: rework log'
            WHEN unforgiven THEN 'no: test'
            WHEN arcs = 0 THEN 'unknown: no arc recorded'
            WHEN misplaced THEN 'unknown: place in doubt'
            WHEN doubtful_first THEN 'unknown: unlinked arc'
            WHEN coalesce(unclear, 0) > 0 THEN 'unknown: unclear entry'
            WHEN all_passed THEN 'yes: tests passed'
            WHEN tests_wanted = 0 AND verdict = 'good' THEN 'yes: first arc'
            WHEN tests_wanted = 0 THEN 'unknown: no verdict'
            WHEN late THEN 'unknown: tests missing'
            ELSE 'pending: tests' END AS termination,
        CASE WHEN arcs = 0 AND tested IS NULL THEN NULL WHEN first_failed THEN 'no'
            WHEN all_passed THEN 'yes' WHEN tests_wanted = 0 THEN 'unknown'
            WHEN late THEN 'unknown' ELSE 'pending' END AS first_pass_link
    FROM counted
), stated AS (
    SELECT *, CASE WHEN arcs = 0 AND rework_entries = 0 AND tested IS NULL
            AND preparation_losses = 0 THEN 'not started'
        WHEN last_disposition = 'given up' AND last_logged >= coalesce(last_day, last_logged)
            THEN 'given up'
        WHEN last_disposition = 'accepted as is' AND last_logged >= coalesce(last_day, last_logged)
            THEN 'accepted as is'
        WHEN all_passed AND (last_when IS NULL OR passed_from IS NULL
            OR passed_from >= last_when - INTERVAL 75 MINUTE) THEN 'accepted'
        WHEN tests_wanted = 0 AND last_verdict = 'good' AND NOT coalesce(last_failed, false)
            THEN 'accepted'
        ELSE 'open' END AS state
    FROM answered
)
SELECT *, CASE WHEN state = 'accepted' THEN coalesce(passed_when, last_when) END AS accepted_when,
    coalesce(spent, 0) + CASE WHEN state LIKE 'accepted%' THEN coalesce(body_each, 0) ELSE 0 END
        AS bodies
FROM stated;
"""

_CAUSES = """
CASE error WHEN 'cleave angle' THEN 'cleave' WHEN 'end face' THEN 'cleave'
    WHEN 'dust' THEN 'contamination' WHEN 'gap or offset' THEN 'arc or splicer'
    WHEN 'arc' THEN 'arc or splicer' WHEN 'bubble or neck' THEN 'arc or splicer'
    WHEN 'proof test' THEN 'strip or nick' ELSE 'unknown' END
"""

POSITIONS = f"""
SELECT position_id, job, panel, port, site, planned, connector_type, fibre_lot, connector_lot,
    first_attempt_id, first_when, first_date, technician, splicer, cleaver, heater, program, arcs,
    preparation_losses, rework_entries, bodies, rework_min, first_pass_splice,
    split_part(termination, ': ', 1) AS first_pass_termination, first_pass_link,
    split_part(termination, ': ', 2) AS why,
    CASE WHEN termination NOT LIKE 'no%' THEN NULL
        WHEN verdict = 'fail' THEN 'splice'
        WHEN first_step NOT IN ('unknown', 'prepare', 'cleave') THEN first_step
        WHEN termination = 'no: test' OR first_failed THEN 'test'
        WHEN entry_step IS NOT NULL AND arcs <= 1 THEN entry_step
        ELSE 'unknown' END AS failed_step,
    CASE WHEN termination NOT LIKE 'no%' THEN NULL
        WHEN first_cause IS NOT NULL AND first_cause <> 'unknown' THEN first_cause
        WHEN verdict = 'fail' THEN {_CAUSES}
        WHEN entry_cause IS NOT NULL AND arcs <= 1 THEN entry_cause ELSE 'unknown' END
        AS failed_cause,
    state, accepted_when,
    CASE WHEN link_no = 0 THEN NULL
        ELSE list_extract(['exact', 'normalised', 'probable'], link_no) END AS link
FROM positions_raw
"""


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
        "CREATE OR REPLACE TABLE estimate_limits (job VARCHAR, connector_type VARCHAR, day DATE,"
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
        "CREATE TABLE test_limits (job VARCHAR, connector_type VARCHAR, day DATE,"
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
        "CREATE TABLE required (connector_type VARCHAR, test VARCHAR, quantity VARCHAR,"
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
    con.execute("CREATE TABLE body_use (connector_type VARCHAR, at_splice DOUBLE, after DOUBLE)")
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


def make_positions(con: duckdb.DuckDBPyConnection, crew: Crew, as_of: datetime) -> None:
    """Make ``positions_raw``; select ``POSITIONS`` from it."""
    _test_limits(con, crew)
    _types(con, crew)
    con.execute(_TESTS)
    con.execute(_PARTS)
    con.execute(_ANSWERS, {"as_of": as_of.date().isoformat(), "pending": crew.general.pending_days})
