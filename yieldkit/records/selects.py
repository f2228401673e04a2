"""The last step of deriving: each table's columns, in the order of its key."""

from __future__ import annotations

from yieldkit.records.others import kept, service_event
from yieldkit.records.parsed import PARSED
from yieldkit.records.positions import POSITIONS
from yieldkit.records.stacking import meaning

_FROM = "r.file, coalesce(r.sheet, '') AS sheet, r.source_row, r.fingerprint"

ALL_ROWS = "CREATE TABLE all_rows AS " + " UNION ALL ".join(
    f"SELECT '{name}' AS tbl, src, rn, file, coalesce(sheet, '') AS sheet, source_row, fingerprint"
    f" FROM in_{name}"
    for name in PARSED
)

_ATTEMPTS = f"""
SELECT r.attempt_id, r.splicer, r.serial, r.epoch, r.counter, r.when_utc AS
    "when", r.when_shown, r.when_source, r.day AS date, r.technician, r.technician_source,
    r.cleaver, r.heater, r.kit_source, r.job, r.panel, r.port, r.position_id, r.link,
    r.raw AS place_text, r.fibre, nullif(trim(r.ribbon_text), '') AS ribbon, r.connector_type,
    r.fibre_lot, r.connector_lot, nullif(trim(r.program), '') AS program, r.loss_text,
    r.loss_low_db, r.loss_high_db, r.angle_crew_deg, r.angle_other_deg, r.arcs,
    coalesce(r.reached_arc, true) AS reached_arc, coalesce(r.error, 'none') AS error,
    nullif(r.outcome_text, '') AS error_text, x.attempt_no,
    CASE WHEN x.attempt_no > 1 THEN 'yes' WHEN r.position_id IS NULL AND
        c.when_utc - c.before_utc <= $redo * INTERVAL 1 SECOND
        AND c.technician = c.before_technician THEN 'probable' ELSE 'no' END AS redo,
    nullif(r.remark, '') AS remark, {_FROM}
FROM judged r LEFT JOIN (SELECT src, rn, attempt_no FROM arcs) x USING (src, rn)
LEFT JOIN chained c USING (src, rn)
ORDER BY r.when_utc NULLS LAST, r.attempt_id
"""
_REWORK = f"""
SELECT r.fingerprint AS rework_id, r.logged, r.technician, r.job, r.panel, r.port, r.position_id,
    r.link, r.raw AS place_text, x.attempt_id, r.connector_type, r.step, r.cause,
    coalesce(r.cause_text, r.step_text) AS cause_text, r.disposition, r.disposition_text, r.tries,
    r.bodies, r.sleeves, r.rings, r.cord_m, r.rework_min, nullif(r.remark, '') AS remark, {_FROM}
FROM rework_placed r LEFT JOIN entry_arcs x USING (src, rn) ORDER BY r.logged, r.src, r.rn
"""
_MEASUREMENTS = f"""
SELECT r.fingerprint || '|' || r.quantity || coalesce('|' || r.wavelength_nm::VARCHAR, '')
    || coalesce('|' || nullif(r.direction, ''), '') AS measurement_id, r.job, r.panel, r.port,
    r.position_id, r.link, r.raw AS place_text, r.when_utc AS "when",
    r.when_shown, r.date, r.technician, r.quantity, r.wavelength_nm,
    coalesce(r.direction, '') AS direction, r.value_text, r.value_low, r.value_high, r.result,
    CASE WHEN r.position_id IS NOT NULL THEN row_number() OVER (PARTITION BY r.position_id,
        r.quantity, r.wavelength_nm, r.direction ORDER BY r.when_utc NULLS LAST, r.src, r.rn)
    ELSE 1 END AS repeat, coalesce(r.after_cleaning, false) AS after_cleaning,
    nullif(r.remark, '') AS remark, {_FROM}
FROM readings r ORDER BY r.when_utc NULLS LAST, r.src, r.rn
"""
_SERVICE = f"""
SELECT when_utc AS "when", when_shown, when_shown::DATE AS date,
    coalesce({meaning("unit_text")}, 'unknown') AS unit,
    {service_event("event_text")} AS event, event_text, remark, {_FROM}
FROM service_timed r WHERE {kept("service")} ORDER BY when_shown, src, rn
"""
_STOCK_MOVES = """CASE WHEN regexp_matches(lower(move_text), 'receiv|deliver|in$|saap|eingang')
    THEN 'received' WHEN regexp_matches(lower(move_text), 'return|palaut|rück|retur')
    THEN 'returned' WHEN regexp_matches(lower(move_text), 'count|invent|lasket|zähl|räkn')
    THEN 'counted' WHEN regexp_matches(lower(move_text), 'scrap|hävi|hylä|ausschuss|kass')
    THEN 'scrapped' WHEN trim(coalesce(move_text, '')) = '' AND quantity > 0 THEN 'received'
    ELSE 'issued' END"""
_STOCK = f"""
SELECT when_shown::DATE AS date, part, coalesce({meaning("connector_type_text")},
    '') AS connector_type, lot, {_STOCK_MOVES} AS move, quantity, expires,
    coalesce({meaning("technician_text")}, 'unknown') AS technician,
    {meaning("job_text")} AS job, remark, {_FROM}
FROM in_stock r WHERE {kept("stock")} ORDER BY when_shown, src, rn
"""
_CHECKS = f"""
SELECT when_utc AS "when", when_shown::DATE AS date,
    CASE WHEN regexp_matches(lower(check_text), 'ref') THEN 'reference check'
        WHEN regexp_matches(lower(check_text), 'arc|kaari|lichtbogen') THEN 'arc check'
        ELSE 'check splice' END AS check,
    coalesce({meaning("unit_text")}, 'unknown') AS unit,
    coalesce({meaning("technician_text")}, 'unknown') AS technician,
    CASE WHEN value_mark = '<' THEN NULL WHEN value_mark = '>' THEN value
        ELSE round(value - coalesce(value_step, 0) / 2, 6) END AS value_low,
    CASE WHEN value_mark = '>' THEN 'inf'::DOUBLE WHEN value_mark = '<' THEN value
        ELSE round(value + coalesce(value_step, 0) / 2, 6) END AS value_high,
    coalesce(result, 'unknown') AS result, remark, {_FROM}
FROM checks_timed r WHERE {kept("checks")} ORDER BY when_shown, src, rn
"""
_DECISIONS = f"""
SELECT fingerprint AS decision_id, when_shown::DATE AS date, decision,
    coalesce({meaning("unit_text")}, unit_text) AS unit,
    coalesce({meaning("by_text")}, 'unknown') AS by, reason, {_FROM}
FROM in_decisions r WHERE {kept("decisions")} ORDER BY when_shown, src, rn
"""
_JOBS = f"""
SELECT r.job, r.site, f.planned, f.opened, f.closed, r.conditions, {_FROM}
FROM job_rows r JOIN job_first f USING (job) WHERE {kept("jobs")} ORDER BY r.job
"""
_PLANNED = f"""
SELECT position_id, job, panel, port, connector_type, fibre_lot, connector_lot, site, conditions,
    {_FROM}
FROM planned_kept r ORDER BY job, panel, try_cast(port AS INTEGER) NULLS LAST, port
"""
_KIT = """
SELECT technician, date, part_of_day, splicer, cleaver, heater, source, file, sheet, source_row,
    fingerprint FROM kit_days ORDER BY date, technician, part_of_day, splicer
"""
_HELD = """
SELECT b.file, b.sheet, b.source_row, c.tbl AS "table", c.key, a.file AS against_file,
    a.source_row AS against_row, c.differs, b.fingerprint
FROM row_classes c JOIN all_rows b USING (tbl, src, rn)
LEFT JOIN all_rows a ON a.tbl = c.tbl AND a.src = c.against_src AND a.rn = c.against_rn
WHERE c.class = 'held' ORDER BY b.file, b.sheet, b.source_row, c.key
"""

SELECTS = {
    "attempts": _ATTEMPTS,
    "rework": _REWORK,
    "measurements": _MEASUREMENTS,
    "kit_use": _KIT,
    "planned": _PLANNED,
    "jobs": _JOBS,
    "service": _SERVICE,
    "stock": _STOCK,
    "checks": _CHECKS,
    "decisions": _DECISIONS,
    "positions": POSITIONS + " ORDER BY job, panel, try_cast(port AS INTEGER) NULLS LAST, port",
    "held": _HELD,
}
"""SQL of each table but equipment, files and refused; ``$redo`` is a number of seconds."""
