"""Where a row belongs: a written place against the planned positions of its job."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from yieldkit.crew import Crew
from yieldkit.records.stacking import meaning

if TYPE_CHECKING:
    import duckdb

RAW = """coalesce(nullif(trim(place_text), ''), nullif(concat_ws('/', nullif(trim(panel_text), ''),
    nullif(trim(port_text), '')), ''))"""
"""SQL: a place as written, in one piece."""

_MACROS = r"""
CREATE MACRO keyed(t) AS trim(regexp_replace(regexp_replace(regexp_replace(regexp_replace(
    upper(t), '[^\p{L}\p{N}]+', '.', 'g'), '(\p{L})(\p{N})', '\1.\2', 'g'),
    '(\p{N})(\p{L})', '\1.\2', 'g'), '(^|\.)0+(\p{N})', '\1\2', 'g'), '.');
CREATE MACRO sorted_key(k) AS array_to_string(list_sort(string_split(k, '.')), '.');
CREATE MACRO packed(t) AS regexp_replace(upper(t), '[^\p{L}\p{N}]+', '', 'g');
CREATE MACRO spaced(t) AS upper(regexp_replace(trim(t), '[^\p{L}\p{N}]+', '/', 'g'));
CREATE MACRO last_part(t) AS regexp_extract(t, '(\p{N}+|\p{L}+)[^\p{L}\p{N}]*$', 1);
CREATE MACRO before_last(t) AS regexp_replace(
    t, '[^\p{L}\p{N}]*(\p{N}+|\p{L}+)[^\p{L}\p{N}]*$', '');
CREATE MACRO plain_port(t) AS regexp_replace(upper(trim(t)), '^0+(.)', '\1');
"""

_PLANNED = f"""
CREATE TABLE planned_lines AS
SELECT src, rn, file, sheet, source_row, fingerprint, {meaning("job_text")} AS job,
    nullif(trim(panel_text), '') AS panel_text, nullif(trim(port_text), '') AS port_text,
    nullif(trim(place_text), '') AS place_text, ports,
    coalesce({meaning("connector_type_text")}, 'unknown') AS connector_type,
    nullif(trim(fibre_lot_text), '') AS fibre_lot,
    nullif(trim(connector_lot_text), '') AS connector_lot, site, conditions
FROM in_planned;
CREATE TABLE planned_ports AS
SELECT *, panel || '/' || port AS raw, keyed(panel || '/' || port) AS pkey FROM (
    SELECT * EXCLUDE (panel_text, port_text, place_text, ports),
        coalesce(panel_text, before_last(place_text), '') AS panel,
        unnest(CASE WHEN ports IS NOT NULL AND port_text IS NULL
            THEN range(1, least(ports, 20000) + 1)::VARCHAR[]
            ELSE [coalesce(plain_port(port_text), plain_port(last_part(place_text)))] END) AS port
    FROM planned_lines
) WHERE port IS NOT NULL AND job IS NOT NULL;
CREATE TABLE planned AS
SELECT *, job || '|' || panel || '|' || port AS position_id, sorted_key(pkey) AS skey,
    packed(panel) || lpad(port, greatest(2, length(port))::INTEGER, '0') AS ckey
FROM planned_ports
QUALIFY row_number() OVER (PARTITION BY job, pkey ORDER BY src, rn) = 1;
"""

_PLACES = f"""
CREATE TABLE written_places AS
SELECT job, raw, keyed(raw) AS pkey, sum(n) AS n FROM (
    SELECT {meaning("job_text")} AS job, {RAW} AS raw, count(*) AS n FROM in_attempts
    GROUP BY ALL
    UNION ALL
    SELECT {meaning("job_text")}, {RAW}, count(*) FROM in_measurements GROUP BY ALL
    UNION ALL
    SELECT {meaning("job_text")}, {RAW}, count(*) FROM in_rework GROUP BY ALL
) WHERE raw IS NOT NULL GROUP BY ALL;
CREATE TABLE meant AS
SELECT w.job, w.raw, w.n, coalesce(m.meaning, w.raw) AS said,
    CASE WHEN m.meaning IS NULL THEN w.pkey ELSE keyed(m.meaning) END AS pkey, m.meaning AS alias
FROM written_places w LEFT JOIN (
    SELECT job, written, any_value(meaning) AS meaning FROM place_words GROUP BY ALL
) m ON m.written = w.raw AND (m.job = '' OR m.job = w.job);
CREATE TABLE found AS
WITH by_key AS (
    SELECT m.job, m.raw, p.position_id, p.panel, p.port, CASE WHEN m.alias IS NULL AND
        spaced(m.raw) IN (upper(p.raw), upper(p.panel) || '/' || lpad(p.port, 2, '0'),
        upper(p.panel) || '/' || lpad(p.port, 3, '0')) AND m.raw = upper(m.raw)
        THEN 'exact' ELSE 'normalised' END AS link
    FROM meant m JOIN planned p USING (job, pkey)
), left_over AS (
    SELECT * FROM meant m WHERE NOT EXISTS
        (SELECT 1 FROM by_key b WHERE b.job = m.job AND b.raw = m.raw)
), turned AS (
    SELECT m.job, m.raw, any_value(p.position_id) AS position_id, any_value(p.panel) AS panel,
        any_value(p.port) AS port, 'normalised' AS link
    FROM left_over m JOIN planned p ON p.job = m.job AND p.skey = sorted_key(m.pkey)
    GROUP BY m.job, m.raw HAVING count(*) = 1
), close_up AS (
    SELECT m.job, m.raw, any_value(p.position_id) AS position_id, any_value(p.panel) AS panel,
        any_value(p.port) AS port, 'normalised' AS link
    FROM left_over m JOIN planned p ON p.job = m.job AND p.ckey = packed(m.said)
    GROUP BY m.job, m.raw HAVING count(*) = 1
)
SELECT * FROM by_key UNION ALL SELECT * FROM turned UNION ALL
SELECT * FROM close_up c WHERE NOT EXISTS
    (SELECT 1 FROM turned t WHERE t.job = c.job AND t.raw = c.raw);
CREATE TABLE own_places AS
WITH rest AS (
    SELECT job, raw, n, said, pkey, before_last(said) AS panel_said,
        coalesce(nullif(array_to_string(list_slice(string_split(pkey, '.'), 1, -2), '.'), ''), '')
            AS panel_key, list_extract(string_split(pkey, '.'), -1) AS port
    FROM meant m WHERE job IS NOT NULL AND pkey <> '' AND NOT EXISTS
        (SELECT 1 FROM found f WHERE f.job = m.job AND f.raw = m.raw)
), usual AS (
    SELECT job, panel_key, arg_max(form, (n, form)) AS panel, sum(n) AS rows,
        sum(ports) AS ports FROM (
        SELECT job, panel_key, upper(panel_said) AS form, sum(n) AS n,
            count(DISTINCT port) AS ports FROM rest GROUP BY ALL
    ) GROUP BY ALL
), planned_panels AS (
    SELECT job, keyed(panel) AS panel_key FROM planned GROUP BY ALL
), planned_jobs AS (SELECT DISTINCT job FROM planned)
SELECT r.job, r.raw, r.job || '|' || u.panel || '|' || r.port AS position_id, u.panel, r.port,
    CASE WHEN upper(r.panel_said) = u.panel AND r.raw = upper(r.raw) THEN 'exact'
        ELSE 'normalised' END AS link
FROM rest r JOIN usual u USING (job, panel_key)
LEFT JOIN planned_jobs j ON j.job = r.job
LEFT JOIN planned_panels p ON p.job = r.job AND p.panel_key = r.panel_key
WHERE j.job IS NULL OR (p.job IS NULL AND u.ports >= 3 AND u.rows >= 3);
CREATE TABLE places AS SELECT * FROM found UNION ALL SELECT * FROM own_places;
"""


def find_places(
    con: duckdb.DuckDBPyConnection, crew: Crew, decided: Mapping[str, Mapping[str, str]]
) -> None:
    """Make ``planned`` and ``places`` (job, place as written -> position and how sure).

    A place is matched to the job's planned positions by letters and numbers in order (leading
    zeros, case and punctuation dropped), then turned round (``12A``) or written close up
    (``P0317``) where that leaves one. In a job without planned positions, or on a panel that the
    plan lacks but the records use at three ports or more, the place stands for itself. Any other
    place that the plan does not hold is left unlinked: it may be mistyped. A decision on a place
    is keyed ``job|place as written`` and holds for that job; an alias of the settings for all.
    """
    import pyarrow as pa

    aliases = {row.written: row.meaning for row in crew.aliases if row.kind == "place"}
    rows = [("", written, meant) for written, meant in aliases.items()]
    for key, meant in decided.get("place", {}).items():
        job, _, written = key.partition("|")
        if written not in aliases:
            rows.append((job, written, meant))
    con.register(
        "place_words_arrow",
        pa.table(
            {
                name: pa.array([row[number] for row in rows], pa.string())
                for number, name in enumerate(("job", "written", "meaning"))
            }
        ),
    )
    con.execute("CREATE TABLE place_words AS SELECT * FROM place_words_arrow")
    con.execute(_MACROS)
    con.execute(_PLANNED)
    con.execute(_PLACES)
