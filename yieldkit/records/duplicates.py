"""Which rows are the same record seen twice, which claim one record and differ.

Of the rows that claim one key, the first by file name (code point), then row, counts; a row with
the same values is a duplicate, a row with other values is held. Values missing on one side, and
displays that can mean the same value, do not differ. Rows without a counter claim a record by
machine and shown time; two different rows of one file then are two records.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import duckdb

COMPARED = {
    "when_shown": "time",
    "technician": "technician",
    "place_key": "place",
    "loss": "loss",
    "angle_crew_deg": "angle of the crew's fibre",
    "angle_other_deg": "angle of the other end",
    "error": "outcome",
    "connector_type": "connector type",
}
"""Columns of an attempt that must agree, and their names for a person."""


def _differs(column: str) -> str:
    """SQL: whether ``column`` of ``a`` and ``b`` cannot mean the same."""
    if column == "loss":
        return (
            "coalesce(a.loss_low_db > b.loss_low_db AND a.loss_low_db >= b.loss_high_db"
            " OR b.loss_low_db > a.loss_low_db AND b.loss_low_db >= a.loss_high_db, false)"
        )
    if column == "when_shown":
        return (
            "coalesce(a.when_shown <> b.when_shown AND NOT ((a.whole_minute OR b.whole_minute) AND"
            " date_trunc('minute', a.when_shown) = date_trunc('minute', b.when_shown)), false)"
        )
    if column.endswith("_deg"):
        return (
            f"coalesce(abs(a.{column} - b.{column}) > CASE WHEN a.{column} = round(a.{column}, 1)"
            f" OR b.{column} = round(b.{column}, 1) THEN 0.0501 ELSE 0.0051 END, false)"
        )
    return f"coalesce(a.{column} <> b.{column}, false)"


def _shown(alias: str, column: str) -> str:
    if column == "loss":
        return f"coalesce({alias}.loss_text, '')"
    return f"coalesce({alias}.{column}::VARCHAR, '')"


def _difference() -> str:
    return (
        "concat_ws('; ', "
        + ", ".join(
            f"CASE WHEN {_differs(column)} THEN '{label.replace(chr(39), chr(39) * 2)}: '"
            f" || {_shown('b', column)} || ' here, ' || {_shown('a', column)} || ' there' END"
            for column, label in COMPARED.items()
        )
        + ")"
    )


_SAME = "NOT (" + " OR ".join(_differs(column) for column in COMPARED) + ")"

_SORT_OUT = f"""
CREATE TABLE one_each AS
SELECT * FROM claims
QUALIFY row_number() OVER (PARTITION BY gkey, content ORDER BY prio, src, rn) = 1;
CREATE TABLE contested AS
SELECT *, row_number() OVER (PARTITION BY gkey ORDER BY prio, src, rn) AS nth FROM one_each
QUALIFY count(*) OVER (PARTITION BY gkey) > 1;
CREATE TABLE not_first AS
SELECT b.src, b.rn, b.gkey, a.src AS first_src, b.counter, CASE WHEN {_SAME} THEN 'duplicate'
    WHEN b.counter IS NULL AND a.src = b.src THEN 'accepted' ELSE 'held' END AS class,
    {_difference()} AS differs
FROM contested b JOIN contested a ON a.gkey = b.gkey AND a.nth = 1 WHERE b.nth > 1;
CREATE TABLE again AS
SELECT DISTINCT b.src, b.rn FROM contested b
JOIN not_first n ON n.src = b.src AND n.rn = b.rn AND n.class <> 'duplicate'
JOIN contested a ON a.gkey = b.gkey AND a.nth > 1 AND a.nth < b.nth
JOIN not_first m ON m.src = a.src AND m.rn = a.rn AND m.class = 'accepted'
WHERE {_SAME};
CREATE TABLE classes AS
SELECT c.src, c.rn, CASE WHEN o.src IS NULL OR g.src IS NOT NULL THEN 'duplicate'
    ELSE coalesce(n.class, 'accepted') END AS class, n.differs
FROM claims c
LEFT JOIN one_each o ON o.src = c.src AND o.rn = c.rn
LEFT JOIN not_first n ON n.src = c.src AND n.rn = c.rn
LEFT JOIN again g ON g.src = c.src AND g.rn = c.rn;
"""


def sort_out(con: duckdb.DuckDBPyConnection) -> None:
    """Make ``classes`` (src, rn, class, differs) from the table ``claims``.

    ``claims`` holds src, rn, prio, gkey, content, counter, whole_minute and the compared columns.
    """
    con.execute(_SORT_OUT)
