"""Which rows are the same record seen twice, which claim one record and differ.

Of the rows that claim one key, the first by file name (code point), then row, counts; a row with
the same values is a duplicate, a row with other values is held. Values missing on one side, and
displays that can mean the same value, do not differ. Rows without a counter claim a record by
machine and shown time; two different rows of one file then are two records.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from yieldkit.records.columns import mixed
from yieldkit.records.stacking import coded

if TYPE_CHECKING:
    import duckdb

    from yieldkit.records.attempts import Shown

ACCEPTED, HELD, DUPLICATE = 3, 2, 1
"""Classes of a row, the best first."""

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

_CLAIMS = """
CREATE TABLE claims AS
SELECT src, rn, prio, claim, part, counter, whole_minute, when_shown, technician, place_key,
    loss_text, loss_low_db, loss_high_db, angle_crew_deg, angle_other_deg, error, connector_type,
    hash(when_shown, technician, place_key, loss_low_db, loss_high_db, angle_crew_deg,
        angle_other_deg, error, connector_type, arcs, job) AS content
FROM (
    SELECT a.*, coalesce(r.prio, 1) AS prio, coalesce(a.job, '') || '|' || s.pkey AS place_key,
        CASE WHEN a.counter IS NOT NULL THEN '' WHEN a.when_shown IS NULL THEN a.fingerprint
            WHEN a.whole_minute THEN concat_ws('|', a.job, s.pkey) ELSE '' END AS part
    FROM claims_arrow a LEFT JOIN spots s USING (spot) LEFT JOIN preferred r USING (fingerprint)
);
"""
_SORT_OUT = f"""
CREATE TABLE one_each AS
SELECT * FROM claims
QUALIFY row_number() OVER (PARTITION BY claim, part, content ORDER BY prio, rn) = 1;
CREATE TABLE contested AS
SELECT *, row_number() OVER (PARTITION BY claim, part ORDER BY prio, rn) AS nth FROM one_each
QUALIFY count(*) OVER (PARTITION BY claim, part) > 1;
CREATE TABLE not_first AS
SELECT b.src, b.rn, a.src AS first_src, a.rn AS first_rn, b.counter,
    CASE WHEN {_SAME} THEN 'duplicate' WHEN b.counter IS NULL AND a.src = b.src THEN 'accepted'
        ELSE 'held' END AS class,
    {_difference()} AS differs
FROM contested b JOIN contested a ON a.claim = b.claim AND a.part = b.part AND a.nth = 1
WHERE b.nth > 1;
CREATE TABLE again AS
SELECT DISTINCT b.src, b.rn FROM contested b
JOIN not_first n ON n.rn = b.rn AND n.class <> 'duplicate'
JOIN contested a ON a.claim = b.claim AND a.part = b.part AND a.nth > 1 AND a.nth < b.nth
JOIN not_first m ON m.rn = a.rn AND m.class = 'accepted'
WHERE {_SAME};
CREATE TABLE classes AS
SELECT c.src, c.rn, CASE WHEN o.src IS NULL OR g.src IS NOT NULL THEN 'duplicate'
    ELSE coalesce(n.class, 'accepted') END AS class, n.differs, n.first_src, n.first_rn
FROM claims c
LEFT JOIN one_each o ON o.rn = c.rn
LEFT JOIN not_first n ON n.rn = c.rn
LEFT JOIN again g ON g.rn = c.rn;
INSERT INTO row_classes
SELECT 'attempts', c.src, c.rn, c.class, CASE
        WHEN a.counter IS NOT NULL THEN concat_ws('|', a.serial, a.epoch, a.counter, a.fibre)
        WHEN a.when_shown IS NULL THEN a.fingerprint
        WHEN a.whole_minute
        THEN concat_ws('|', a.serial, '@', a.when_shown, a.fibre, a.job, s.pkey)
        ELSE concat_ws('|', a.serial, '@', a.when_shown, a.fibre) END,
    c.first_src, c.first_rn, c.differs
FROM classes c JOIN claims_arrow a USING (rn) LEFT JOIN spots s USING (spot)
WHERE c.class = 'held';
"""


def sort_out(con: duckdb.DuckDBPyConnection, shown: Shown, epoch: np.ndarray) -> np.ndarray:
    """Class of each record; those that are held go to ``row_classes`` with the reason."""
    found = np.full(len(epoch), ACCEPTED, dtype=np.int8)
    rows, claim = _contested(shown, epoch)
    preferred = con.execute("SELECT fingerprint FROM preferred").fetchnumpy()["fingerprint"]
    again = _seen_before(shown, rows, claim, preferred.tolist())
    found[rows[again]] = DUPLICATE
    rows, claim = rows[~again], claim[~again]
    _, group, several = np.unique(claim, return_inverse=True, return_counts=True)
    open_ones = several[group] > 1
    _lay(con, shown, epoch, rows[open_ones], claim[open_ones])
    con.execute(_CLAIMS)
    con.execute(_SORT_OUT)
    for name, number in (("held", HELD), ("duplicate", DUPLICATE)):
        found[con.execute(f"SELECT rn FROM classes WHERE class = '{name}'").fetchnumpy()["rn"]] = (
            number
        )
    return found


_SHORT = (1 << 20) - 1
"""The end of a digest, by which nearly all that come once are told."""


def _contested(shown: Shown, epoch: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Rows of which another may claim the same record, and a digest of what each claims.

    Rows that one minute alone tells apart may share a digest though their places differ.
    """
    counted = shown.counter >= 0
    when = shown.when.astype(np.int64)
    parts = (
        shown.serial,
        shown.fibre,
        np.where(counted, shown.counter, -1),
        np.where(counted, epoch, when),
    )
    claims = mixed(parts, len(epoch))
    in_order = np.sort(claims)
    twice = in_order[1:][in_order[1:] == in_order[:-1]]
    short = np.uint64(_SHORT)
    may_be = np.zeros(_SHORT + 1, dtype=bool)
    may_be[twice & short] = True
    rows = np.flatnonzero(may_be[claims & short])
    rows = rows[np.isin(claims[rows], twice)]
    return rows, claims[rows]


def _seen_before(
    shown: Shown, rows: np.ndarray, claim: np.ndarray, preferred: list[str]
) -> np.ndarray:
    """Which contested rows claim and say just what an earlier one does.

    Left to the comparison are rows that nothing but their fingerprint tells apart, and the
    ``preferred`` ones, which count before earlier ones.
    """
    import pyarrow as pa
    import pyarrow.compute as pc

    when = shown.when[rows].astype(np.int64)
    numbers = [claim, when]
    for column in (shown.technician, shown.spot, shown.job, shown.kind):
        numbers.append(column[rows])
    for values in (shown.low, shown.high):
        numbers.append(values[rows].view(np.uint64))
    for name in ("angle_crew_deg", "angle_other_deg"):
        values = shown.take(name, rows).to_numpy(zero_copy_only=False)
        numbers.append(values.astype(np.float64).view(np.uint64))
    numbers.append(pc.fill_null(shown.take("arcs", rows), -1).to_numpy())
    numbers.append(coded(shown.rows, "error").codes[rows])
    _, first = np.unique(mixed(numbers, len(rows)), return_index=True)
    again = np.ones(len(rows), dtype=bool)
    again[first] = False
    again &= (shown.counter[rows] >= 0) | ~np.isnat(shown.when[rows])
    if preferred:
        chosen = pc.is_in(shown.take("fingerprint", rows), pa.array(preferred, pa.string()))
        again &= ~chosen.to_numpy(zero_copy_only=False)
    return again


def _lay(
    con: duckdb.DuckDBPyConnection,
    shown: Shown,
    epoch: np.ndarray,
    rows: np.ndarray,
    claim: np.ndarray,
) -> None:
    """The contested rows, with their words, for the engine."""
    import pyarrow as pa

    def number(values: np.ndarray, none: np.ndarray) -> pa.Array:
        return pa.array(values[rows], mask=none[rows])

    words = shown.words
    columns = {
        "rn": pa.array(rows.astype(np.int32)),
        "claim": pa.array(claim),
        "spot": number(shown.spot, shown.spot < 0),
        "serial": words.column(shown.serial[rows]),
        "technician": words.column(shown.technician[rows]),
        "job": words.column(shown.job[rows]),
        "connector_type": words.column(shown.kind[rows]),
        "epoch": pa.array(epoch[rows]),
        "counter": number(shown.counter, shown.counter < 0),
        "fibre": pa.array(shown.fibre[rows]),
        "whole_minute": pa.array(shown.whole_minute[rows]),
        "loss_low_db": number(shown.low, np.isnan(shown.low)),
        "loss_high_db": number(shown.high, np.isnan(shown.high)),
    }
    names = ("src", "when_shown", "loss_text", "angle_crew_deg", "angle_other_deg", "error", "arcs")
    columns |= {name: shown.take(name, rows) for name in (*names, "fingerprint")}
    con.register("claims_arrow", pa.table(columns))
