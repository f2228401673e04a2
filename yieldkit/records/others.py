"""Kit sheet, panel schedule, jobs, tests, rework log and the other hand-kept lists, each once.

Each function makes a table of the rows that count and adds every row's class to ``row_classes``
(tbl, src, rn, class, key, against_src, against_rn, differs).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from yieldkit.records.stacking import meaning
from yieldkit.records.tables import SERVICE_EVENTS

if TYPE_CHECKING:
    import duckdb

_CLASSES = """
CREATE TABLE row_classes (tbl VARCHAR, src INTEGER, rn BIGINT, class VARCHAR, key VARCHAR,
    against_src INTEGER, against_rn BIGINT, differs VARCHAR);
"""

_KIT = f"""
CREATE TABLE kit_rows AS
SELECT src, rn, file, sheet, source_row, fingerprint, when_shown::DATE AS date,
    coalesce(part_of_day, 'all') AS part_of_day,
    coalesce({meaning("technician_text")}, 'unknown')::word AS technician,
    coalesce({meaning("splicer_text")}, 'unknown')::word AS splicer,
    coalesce({meaning("cleaver_text")}, 'unknown')::word AS cleaver,
    coalesce({meaning("heater_text")}, 'unknown')::word AS heater
FROM in_kit_use;
CREATE TABLE kit_claims AS
SELECT *, CASE WHEN technician = 'unknown' THEN fingerprint
        ELSE concat_ws('|', technician, date, part_of_day, splicer) END AS key,
    cleaver || ', ' || heater AS said FROM kit_rows; -- who is not known contradicts nobody
"""

_KIT_DAYS = """
CREATE TABLE kit_written AS
SELECT k.*, 'kit sheet' AS source FROM kit_rows k JOIN row_classes c
    ON c.tbl = 'kit_use' AND c.rn = k.rn AND c.class = 'accepted';
CREATE TABLE kit_gaps AS
WITH days AS (SELECT DISTINCT date FROM kit_written), ranked AS (
    SELECT date, row_number() OVER (ORDER BY date) AS no FROM days
), held AS (
    SELECT technician, r.no, r.date, any_value(splicer) AS splicer, any_value(cleaver) AS cleaver,
        any_value(heater) AS heater
    FROM kit_written JOIN ranked r USING (date) WHERE part_of_day = 'all'
    GROUP BY ALL HAVING count(*) = 1
)
SELECT a.technician, r.date, a.splicer, a.cleaver, a.heater FROM held a
JOIN held b ON b.technician = a.technician AND b.no = a.no + 2 AND b.splicer = a.splicer
    AND b.cleaver = a.cleaver AND b.heater = a.heater
JOIN ranked r ON r.no = a.no + 1
WHERE NOT EXISTS (SELECT 1 FROM kit_written k
    WHERE k.technician = a.technician AND k.date = r.date)
  AND a.technician <> 'unknown' AND EXISTS (
    SELECT 1 FROM seen_days t WHERE t.technician::word = a.technician AND t.date = r.date);
CREATE TABLE kit_days AS
SELECT technician, date, part_of_day, splicer, cleaver, heater, source, file, sheet, source_row,
    fingerprint FROM kit_written
UNION ALL
SELECT technician, date, 'all', splicer, cleaver, heater, 'inferred', NULL, NULL, NULL, NULL
FROM kit_gaps;
"""

_FIRST_COUNTS = """
INSERT INTO row_classes
WITH ordered AS (
    SELECT src, rn, key, said, row_number() OVER w AS nth,
        first_value(src) OVER w AS first_src, first_value(rn) OVER w AS first_rn,
        first_value(said) OVER w AS first_said FROM {claims}
    WINDOW w AS (PARTITION BY key ORDER BY rn ROWS BETWEEN UNBOUNDED PRECEDING AND CURRENT ROW)
)
SELECT '{table}', src, rn, CASE WHEN nth = 1 THEN 'accepted'
    WHEN said = first_said THEN 'duplicate' ELSE 'held' END, key, first_src, first_rn,
    CASE WHEN nth > 1 AND said <> first_said
        THEN said || ' here, ' || first_said || ' there' END
FROM ordered;
"""

_JOBS = f"""
CREATE TABLE job_rows AS
SELECT src, rn, file, sheet, source_row, fingerprint,
    coalesce({meaning("job_text")}, 'unknown') AS job, site, planned, opened, closed,
    conditions FROM in_jobs;
CREATE TABLE job_first AS
SELECT job, arg_min(planned, rn) FILTER (planned IS NOT NULL) AS planned,
    arg_min(opened, rn) FILTER (opened IS NOT NULL) AS opened,
    arg_min(closed, rn) FILTER (closed IS NOT NULL) AS closed
FROM job_rows GROUP BY job;
CREATE TABLE job_claims AS
SELECT r.*, r.job AS key, concat_ws(', ', 'planned ' || coalesce(r.planned, f.planned),
    'opened ' || coalesce(r.opened, f.opened), 'closed ' || coalesce(r.closed, f.closed)) AS said
FROM job_rows r JOIN job_first f USING (job);
"""

_PLANNED = """
CREATE TABLE planned_claims AS
SELECT src, rn, job || '|' || pkey AS key,
    concat_ws(', ', connector_type, fibre_lot, connector_lot) AS said FROM planned_ports;
"""

_PLANNED_NOWHERE = """
INSERT INTO row_classes
SELECT 'planned', src, rn, 'held', fingerprint, NULL, NULL,
    'the line names no job or no port that can be told'
FROM in_planned WHERE rn NOT IN (SELECT rn FROM planned_claims);
"""

_BY_FINGERPRINT = """
INSERT INTO row_classes
SELECT '{table}', src, rn, CASE WHEN row_number() OVER (PARTITION BY fingerprint ORDER BY rn)
    = 1 AND fingerprint NOT IN (SELECT fingerprint FROM aside) THEN 'accepted' ELSE 'duplicate' END,
    fingerprint, NULL, NULL, NULL FROM in_{table};
"""

_MEASURED = f"""
CREATE TABLE measured AS
SELECT src, rn, spot, when_shown, {meaning("job_text")}::word AS job,
    coalesce({meaning("technician_text")}, 'unknown')::word AS technician,
    {meaning("connector_type_text")}::word AS type_meant, quantity, wavelength_nm, direction,
    coalesce(result, 'unknown') AS result, after_cleaning,
    CASE WHEN value IS NULL THEN NULL WHEN value_mark = '<' THEN '-inf'::DOUBLE
        WHEN value_mark = '>' THEN value
        ELSE round(value - coalesce(value_step, 0) / 2, 6) END AS value_low,
    CASE WHEN value IS NULL THEN NULL WHEN value_mark = '<' THEN value
        WHEN value_mark = '>' THEN 'inf'::DOUBLE
        ELSE round(value + coalesce(value_step, 0) / 2, 6) END AS value_high
FROM in_measurements;
CREATE TABLE measured_claims AS
SELECT m.src, rn, CASE WHEN m.spot IS NULL OR m.when_shown IS NULL
        OR m.when_shown = m.when_shown::DATE
        THEN i.fingerprint || m.quantity || coalesce(m.wavelength_nm::VARCHAR, '')
        ELSE concat_ws('|', job, s.pkey, m.when_shown, m.quantity, m.wavelength_nm, m.direction) END
    AS key, concat_ws(' ', value_mark, coalesce(value::VARCHAR, value_text), m.result) AS said
FROM measured m JOIN in_measurements i USING (rn) LEFT JOIN spots s ON s.spot = m.spot;
INSERT INTO row_classes
WITH each AS (
    SELECT *, row_number() OVER (PARTITION BY key, said ORDER BY rn) AS copy,
        first_value(src) OVER w AS first_src, first_value(rn) OVER w AS first_rn,
        first_value(said) OVER w AS first_said
    FROM measured_claims WINDOW w AS (PARTITION BY key ORDER BY rn)
)
SELECT 'measurements', src, rn, CASE WHEN copy > 1 THEN 'duplicate'
    WHEN src = first_src THEN 'accepted' ELSE 'held' END, key, first_src, first_rn,
    said || ' here, ' || first_said || ' there'
FROM each;
"""


def sort_kit(con: duckdb.DuckDBPyConnection) -> None:
    """Make ``kit_days``: who held what on a day, gaps between two equal days inferred."""
    con.execute(_CLASSES)
    con.execute(_KIT)
    con.execute(_FIRST_COUNTS.format(table="kit_use", claims="kit_claims"))
    con.execute(_KIT_DAYS)


def sort_lists(con: duckdb.DuckDBPyConnection) -> None:
    """Classes of planned positions, jobs, rework, tests, service, stock, checks, decisions."""
    con.execute(_PLANNED)
    con.execute(_FIRST_COUNTS.format(table="planned", claims="planned_claims"))
    con.execute(_PLANNED_NOWHERE)
    con.execute(_JOBS)
    con.execute(_FIRST_COUNTS.format(table="jobs", claims="job_claims"))
    for table in ("rework", "service", "stock", "checks", "decisions"):
        con.execute(_BY_FINGERPRINT.format(table=table))
    con.execute(_MEASURED)


def kept(table: str) -> str:
    """SQL condition: the row ``r`` of a table counts."""
    return (
        f"r.rn IN (SELECT c.rn FROM row_classes c WHERE c.tbl = '{table}' AND c.class = 'accepted')"
    )


SERVICE_WORDS = {
    "blade rotation": r"rotat|\brot\b|dreh|kään|kierr|vrid",
    "blade height": r"height|höhe|korkeu|höjd",
    "blade replacement": r"(new|replac|chang|vaih|ersatz|neue|byte).*(blade|terä|klinge|blad)"
    r"|(blade|terä|klinge|blad).*(new|replac|chang|vaih|ersatz|byte)",
    "electrode replacement": r"electrod|elektrod",
    "arc calibration": r"\barc\b|kaari|lichtbogen|ljusbåg",
    "calibration": r"calib|kalib",
    "cleaning": r"clean|puhdist|reinig|rengör",
    "repair": r"repair|korjau|repar|mend",
}
"""Words in a service event, tried in this order; anything else is ``other``."""


def service_event(column: str) -> str:
    """SQL for the kind of a service event from its words."""
    arms = " ".join(
        f"WHEN lower({column}) = '{event}' THEN '{event}'" for event in SERVICE_EVENTS
    ) + " ".join(
        f" WHEN regexp_matches(lower({column}), '{words}') THEN '{event}'"
        for event, words in SERVICE_WORDS.items()
    )
    return f"CASE {arms} ELSE 'other' END"
