"""The limits that single readings meet, by job, connector type and day."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

import numpy as np

from yieldkit.crew import ALL, Crew
from yieldkit.records.columns import grouped

if TYPE_CHECKING:
    import duckdb

    from yieldkit.records.placed import Placed


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


def estimate_limits(placed: Placed, crew: Crew) -> np.ndarray:
    """Limit of each record's estimate by its job, type and day [dB]; NaN without one."""
    days = sorted({row.from_date for row in crew.limits if row.from_date})
    period = np.searchsorted(np.array(days, "datetime64[D]"), placed.day, side="right")
    period = np.where(np.isnat(placed.day), -1, period)
    width = np.int64(len(placed.words.texts) + 1)
    packed = ((period + 1) * width + placed.job + 1) * width + placed.kind
    group, distinct = grouped(packed)
    limit = np.full(len(distinct), np.nan)
    for at, one in enumerate(distinct.tolist()):
        rest, kind = divmod(one, int(width))
        number, job = divmod(rest, int(width))
        day = None if number == 0 else days[number - 2] if number > 1 else date.min
        combo = (placed.words.texts[job - 1] if job else None, placed.words.texts[kind], day)
        for *_, limit_db, _ in limit_rows(crew, [combo], "estimated loss", None):
            limit[at] = limit_db
    return limit[group]


def fill(con: duckdb.DuckDBPyConnection, table: str, rows: list[tuple]) -> None:
    """Put rows into a table of the engine."""
    if rows:
        import pandas as pd

        names = [found[0] for found in con.execute(f"DESCRIBE {table}").fetchall()]
        con.register("fill_frame", pd.DataFrame(rows, columns=names))
        con.execute(f"INSERT INTO {table} SELECT * FROM fill_frame")
        con.unregister("fill_frame")


def reading_limits(con: duckdb.DuckDBPyConnection, crew: Crew) -> None:
    """Make ``test_limits``: the limit of each test without a verdict of its own."""
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
    fill(con, "test_limits", rows)
