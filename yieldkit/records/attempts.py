"""Splicers' records become attempts: one row an arc, each record once."""

from __future__ import annotations

from typing import TYPE_CHECKING

from yieldkit.crew import Crew
from yieldkit.records import clocks, counters
from yieldkit.records.duplicates import sort_out
from yieldkit.records.places import RAW
from yieldkit.records.stacking import meaning

if TYPE_CHECKING:
    import duckdb

_SPELLED = f"""
CREATE VIEW spelled_attempts AS
SELECT a.*, keyed(raw) AS pkey FROM (SELECT a.* EXCLUDE (place_text, panel_text, port_text,
    serial_text, technician_text, technician_meant, splicer_meant, furniture_meant, cleaver_meant,
    heater_meant, job_meant, connector_type_meant),
    trim(coalesce(technician_text, '')) = '' AS unnamed,
    coalesce({meaning("splicer_text")},
        {meaning("furniture_text")}, e.unit, 'unknown') AS splicer,
    nullif(trim(serial_text), '') AS own_serial,
    {meaning("technician_text")} AS technician,
    {meaning("cleaver_text")} AS cleaver_shown,
    {meaning("heater_text")} AS heater_shown,
    {meaning("job_text")} AS job, {RAW} AS raw,
    {meaning("connector_type_text")} AS type_shown,
    coalesce(fibre, 0) AS fibre_no, coalesce(when_shown::DATE, DATE '1970-01-01') AS shown_day
FROM in_attempts a LEFT JOIN serials e ON e.serial = nullif(trim(a.serial_text), '')) a;
"""

_INTERVALS = """
CREATE TABLE typed_attempts AS
WITH stepped AS (
    SELECT a.*, u.* EXCLUDE (unit, day, serial), coalesce(a.own_serial, u.serial) AS serial,
        CASE WHEN digits BETWEEN 1 AND 4 THEN least(u.step, pow(10, -digits)) ELSE u.step END AS st
    FROM (SELECT *, length(regexp_extract(loss_text, '[0-9][.,]([0-9]+)', 1)) AS digits
          FROM spelled_attempts) a
    JOIN unit_days u ON u.unit = a.splicer AND u.day = a.shown_day
)
SELECT *, CASE WHEN loss_db IS NULL THEN NULL WHEN loss_mark = '<' THEN 0
        WHEN loss_mark = '>' THEN loss_db
        WHEN loss_db <= floor_db THEN 0
        WHEN truncates THEN loss_db
        ELSE greatest(0, round(loss_db - st / 2, 6)) END AS loss_low_db,
    CASE WHEN loss_db IS NULL THEN NULL WHEN loss_mark = '<' THEN loss_db
        WHEN loss_mark = '>' THEN 'inf'::DOUBLE
        WHEN loss_db >= ceiling_db THEN 'inf'::DOUBLE
        WHEN truncates THEN round(loss_db + st, 6)
        ELSE round(loss_db + st / 2, 6) END AS loss_high_db,
    when_shown = date_trunc('minute', when_shown) AS whole_minute
FROM stepped;
"""

_CLAIMS = """
CREATE TABLE claims AS
SELECT src, rn, prio, gkey, counter, whole_minute, when_shown, technician, place_key, loss_text,
    loss_low_db, loss_high_db, angle_crew_deg, angle_other_deg, error, connector_type,
    hash(when_shown, technician, place_key, loss_low_db, loss_high_db, angle_crew_deg,
        angle_other_deg, error, connector_type, arcs, job) AS content
FROM (
    SELECT a.*, a.type_shown AS connector_type, coalesce(r.prio, 1) AS prio,
        coalesce(a.job, '') || '|' || a.pkey AS place_key,
        CASE WHEN a.counter IS NOT NULL
            THEN concat_ws('|', a.serial, e.epoch, a.counter, a.fibre_no)
            WHEN a.when_shown IS NULL THEN a.fingerprint
            WHEN a.whole_minute
            THEN concat_ws('|', a.serial, '@', a.when_shown, a.fibre_no, a.job, a.pkey)
            ELSE concat_ws('|', a.serial, '@', a.when_shown, a.fibre_no) END AS gkey
    FROM typed_attempts a LEFT JOIN epochs e USING (src, rn)
    LEFT JOIN preferred r USING (fingerprint)
);
"""

_KEPT = """
CREATE VIEW kept_attempts AS
SELECT a.*, coalesce(e.epoch, 0) AS epoch,
    CASE WHEN a.counter IS NOT NULL
        THEN concat_ws('|', a.serial, coalesce(e.epoch, 0), a.counter, nullif(a.fibre_no, 0))
        ELSE concat_ws('|', a.serial, strftime(a.when_shown, '%Y-%m-%dT%H:%M:%S'), a.fingerprint)
        END AS attempt_id
FROM typed_attempts a JOIN classes c USING (src, rn) LEFT JOIN epochs e USING (src, rn)
WHERE c.class = 'accepted';
"""

_KIT = """
CREATE VIEW timed_attempts AS
SELECT a.*, t.when_utc, t.when_local, t.when_source, t.when_local::DATE AS day,
    CASE WHEN date_part('hour', t.when_local) < 12 THEN 'am' ELSE 'pm' END AS half
FROM kept_attempts a JOIN attempt_times t USING (src, rn);
CREATE TABLE sole_holder AS
SELECT splicer, date, half, any_value(technician) AS technician FROM (
    SELECT splicer, date, technician, unnest(CASE part_of_day WHEN 'all' THEN ['am', 'pm']
        ELSE [part_of_day] END) AS half FROM kit_days WHERE splicer <> 'unknown'
) GROUP BY ALL HAVING count(DISTINCT technician) = 1 AND any_value(technician) <> 'unknown';
CREATE VIEW manned_attempts AS
SELECT a.* EXCLUDE (technician), coalesce(a.technician, h.technician, 'unknown') AS technician,
    CASE WHEN a.technician IS NOT NULL THEN 'export' WHEN h.technician IS NOT NULL
        THEN 'kit sheet' ELSE 'unknown' END AS technician_source
FROM timed_attempts a LEFT JOIN sole_holder h
    ON a.technician IS NULL AND a.unnamed
    AND h.splicer = a.splicer AND h.date = a.day AND h.half = a.half;
CREATE TABLE kit_halves AS
SELECT technician, date, half, splicer, any_value(cleaver) AS cleaver, any_value(heater) AS heater,
    any_value(source) AS source FROM (
    SELECT *, unnest(CASE part_of_day WHEN 'all' THEN ['am', 'pm'] ELSE [part_of_day] END) AS half
    FROM kit_days)
GROUP BY ALL HAVING count(DISTINCT cleaver || '|' || heater) = 1;
CREATE TABLE only_kit AS
SELECT technician, date, half, any_value(cleaver) AS cleaver, any_value(heater) AS heater
FROM kit_halves GROUP BY ALL HAVING count(*) = 1;
CREATE VIEW kitted_attempts AS
SELECT a.*, coalesce(cleaver_shown, k.cleaver, o.cleaver, 'unknown') AS cleaver,
    coalesce(heater_shown, k.heater, o.heater, 'unknown') AS heater,
    CASE WHEN cleaver_shown IS NOT NULL THEN 'export'
        WHEN k.cleaver IS NOT NULL AND k.source = 'kit sheet' THEN 'kit sheet'
        WHEN k.cleaver IS NOT NULL OR o.cleaver IS NOT NULL THEN 'inferred'
        ELSE 'unknown' END AS kit_source
FROM manned_attempts a
LEFT JOIN kit_halves k ON k.technician = a.technician AND k.date = a.day AND k.half = a.half
    AND k.splicer = a.splicer
LEFT JOIN only_kit o ON k.technician IS NULL AND o.technician = a.technician AND o.date = a.day
    AND o.half = a.half;
"""

_PLACED = """
CREATE TABLE placed_attempts AS
SELECT a.* EXCLUDE (loss_db, loss_mark, pkey, own_serial, shown_day, unnamed, cleaver_shown,
        heater_shown, type_shown, digits, st, step, truncates, floor_db, ceiling_db, clock_zone,
        half, whole_minute, fibre_no, fibre_lot_text, connector_lot_text),
    p.position_id, p.panel, p.port, coalesce(p.link, 'unlinked') AS link,
    coalesce(a.type_shown, n.connector_type, 'unknown') AS connector_type,
    coalesce(nullif(trim(a.fibre_lot_text), ''), n.fibre_lot, 'unknown') AS fibre_lot,
    coalesce(nullif(trim(a.connector_lot_text), ''), n.connector_lot, 'unknown') AS connector_lot
FROM kitted_attempts a LEFT JOIN places p USING (job, raw) LEFT JOIN planned n USING (position_id);
DROP VIEW kitted_attempts; DROP VIEW manned_attempts; DROP VIEW timed_attempts;
DROP VIEW kept_attempts; DROP TABLE typed_attempts;
"""


def make_attempts(con: duckdb.DuckDBPyConnection, crew: Crew) -> None:
    """Make ``classes`` of all rows and ``placed_attempts`` of those that count."""
    _serials(con, crew)
    con.execute(_SPELLED)
    _unit_days(con, crew)
    con.execute(_INTERVALS)
    counters.find_epochs(con)
    con.execute(_CLAIMS)
    sort_out(con)
    con.execute(_KEPT)
    clocks.set_times(con, crew)
    con.execute(_KIT)
    con.execute(_PLACED)


def _serials(con: duckdb.DuckDBPyConnection, crew: Crew) -> None:
    con.execute("CREATE TABLE serials (serial VARCHAR, unit VARCHAR)")
    rows = sorted({(r.serial, r.unit) for r in crew.equipment if r.serial and r.kind == "splicer"})
    once = [r for r in rows if sum(other[0] == r[0] for other in rows) == 1]
    if once:
        con.executemany("INSERT INTO serials VALUES (?, ?)", once)


def _unit_days(con: duckdb.DuckDBPyConnection, crew: Crew) -> None:
    """Serial and display of each splicer on each day that the records show."""
    import pyarrow as pa

    pairs = con.execute(
        "SELECT DISTINCT splicer, shown_day FROM spelled_attempts ORDER BY ALL"
    ).fetchall()
    rows = [(unit, day, crew.unit_on(unit, day)) for unit, day in pairs]
    con.register(
        "unit_days_arrow",
        pa.table(
            {
                "unit": pa.array([unit for unit, _, _ in rows], pa.string()),
                "day": pa.array([day for _, day, _ in rows], pa.date32()),
                "serial": pa.array([(e and e.serial) or unit for unit, _, e in rows], pa.string()),
                "step": pa.array([e.display_step_db if e else 0.01 for *_, e in rows]),
                "truncates": pa.array(
                    [bool(e and e.display == "truncates") for *_, e in rows], pa.bool_()
                ),
                "floor_db": pa.array([e and e.display_floor_db for *_, e in rows], pa.float64()),
                "ceiling_db": pa.array(
                    [e and e.display_ceiling_db for *_, e in rows], pa.float64()
                ),
                "clock_zone": pa.array(
                    [(e and e.clock_zone) or None for *_, e in rows], pa.string()
                ),
            }
        ),
    )
    con.execute("CREATE TABLE unit_days AS SELECT * FROM unit_days_arrow")
