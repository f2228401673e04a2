"""Each table's columns, in the order of its key; attempts and positions: ``assembled``."""

from __future__ import annotations

from yieldkit.records.others import kept, service_event
from yieldkit.records.parsed import PARSED
from yieldkit.records.stacking import meaning

_FROM = "r.file, coalesce(r.sheet, '') AS sheet, r.source_row, r.fingerprint"
_PLACE = """n.job || '|' || n.panel || '|' || n.port AS position_id, r.link, s.raw AS place_text"""
_WHERE = "LEFT JOIN place_names n ON n.pos = r.pos LEFT JOIN spots s ON s.spot = r.spot"

ALL_ROWS = "CREATE TABLE all_rows AS " + " UNION ALL ".join(
    f"SELECT '{name}' AS tbl, src, rn, file, coalesce(sheet, '') AS sheet, source_row, fingerprint"
    f" FROM in_{name}"
    + (
        " WHERE rn IN (SELECT unnest([rn, against_rn]) FROM row_classes WHERE tbl = 'attempts'"
        " AND class = 'held')"
        if name == "attempts"
        else ""
    )
    for name in PARSED
)

_REWORK = f"""
SELECT r.fingerprint AS rework_id, r.logged, r.technician, r.job, n.panel, n.port, {_PLACE},
    x.attempt, r.connector_type, r.step, r.cause,
    coalesce(r.cause_text, r.step_text) AS cause_text, r.disposition, r.disposition_text, r.tries,
    r.bodies, r.sleeves, r.rings, r.cord_m, r.rework_min, nullif(trim(r.die_text), '') AS die,
    nullif(r.remark, '') AS remark, {_FROM}
FROM rework_placed r LEFT JOIN entry_arcs x USING (rn) {_WHERE} ORDER BY r.logged, r.rn
"""
_MEASUREMENTS = f"""
SELECT i.fingerprint || '|' || r.quantity || coalesce('|' || r.wavelength_nm::VARCHAR, '')
    || coalesce('|' || nullif(r.direction, ''), '') AS measurement_id, r.job, n.panel, n.port,
    {_PLACE}, r.when_utc AS "when",
    r.when_shown, r.date, r.technician, r.quantity, r.wavelength_nm,
    coalesce(r.direction, '') AS direction, i.value_text, r.value_low, r.value_high, r.result,
    CASE WHEN r.pos IS NOT NULL THEN row_number() OVER (PARTITION BY r.pos,
        r.quantity, r.wavelength_nm, r.direction ORDER BY r.when_utc NULLS LAST, r.rn)
    ELSE 1 END AS repeat, coalesce(r.after_cleaning, false) AS after_cleaning,
    nullif(trim(i.die_text), '') AS die, nullif(i.remark, '') AS remark,
    i.file, coalesce(i.sheet, '') AS sheet, i.source_row, i.fingerprint
FROM readings r JOIN in_measurements i USING (rn) {_WHERE} ORDER BY r.when_utc NULLS LAST, r.rn
"""
_SERVICE = f"""
SELECT when_utc AS "when", when_shown, when_shown::DATE AS date,
    coalesce({meaning("unit_text")}, 'unknown') AS unit,
    {service_event("event_text")} AS event, event_text, remark, {_FROM}
FROM in_service r LEFT JOIN utc_of USING (when_shown) WHERE {kept("service")}
ORDER BY when_shown, rn
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
FROM in_stock r WHERE {kept("stock")} ORDER BY when_shown, rn
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
FROM in_checks r LEFT JOIN utc_of USING (when_shown) WHERE {kept("checks")} ORDER BY when_shown, rn
"""
_DECISIONS = f"""
SELECT fingerprint AS decision_id, when_shown::DATE AS date, decision,
    coalesce({meaning("unit_text")}, unit_text) AS unit,
    coalesce({meaning("by_text")}, 'unknown') AS by, reason, {_FROM}
FROM in_decisions r WHERE {kept("decisions")} ORDER BY when_shown, rn
"""
_JOBS = f"""
SELECT r.job, r.site, f.planned, f.opened, f.closed, r.conditions, {_FROM}
FROM job_rows r JOIN job_first f USING (job) WHERE {kept("jobs")} ORDER BY r.job
"""
_PLANNED = f"""
SELECT n.job || '|' || n.panel || '|' || n.port AS position_id, p.job, p.panel, p.port,
    p.connector_type, p.fibre_lot, p.connector_lot, r.site, r.conditions, {_FROM}
FROM planned_kept p JOIN in_planned r USING (rn) JOIN place_names n USING (pos) ORDER BY p.pos
"""
_KIT = """
SELECT technician, date, part_of_day, splicer, cleaver, heater, source, file, sheet, source_row,
    fingerprint FROM kit_days ORDER BY date, technician, part_of_day, splicer
"""
_HELD = """
SELECT b.file, b.sheet, b.source_row, c.tbl AS "table", c.key, a.file AS against_file,
    a.source_row AS against_row, c.differs, b.fingerprint
FROM row_classes c JOIN all_rows b USING (tbl, rn)
LEFT JOIN all_rows a ON a.tbl = c.tbl AND a.rn = c.against_rn
WHERE c.class = 'held' ORDER BY b.file, b.sheet, b.source_row, c.key
"""

SELECTS = {
    "rework": _REWORK,
    "measurements": _MEASUREMENTS,
    "kit_use": _KIT,
    "planned": _PLANNED,
    "jobs": _JOBS,
    "service": _SERVICE,
    "stock": _STOCK,
    "checks": _CHECKS,
    "decisions": _DECISIONS,
    "held": _HELD,
}
"""SQL of each table that is not assembled from arrays."""
