"""Tables with fixed names and columns, and how they go to CSV; few personal figures stay blank."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pandas as pd

from yieldkit.errors import CrewError
from yieldkit.review.files import replace_text

_LOSS = [
    f"{name}{end}"
    for name in ("mean_db", "median_db", "q95_db", "q97_db", "q99_db")
    for end in ("", "_low", "_high")
]
COLUMNS: dict[str, list[str]] = {
    "records": ["file", "layout", "data_rows", "accepted", "duplicates", "held", "refused"],
    "first_pass": [
        "by",
        "group",
        "stage",
        "positions",
        "first_pass",
        "failed",
        "pending",
        "unknown",
        "yield",
        "low",
        "high",
        "bound_low",
        "bound_high",
        "adjusted",
        "adjusted_low",
        "adjusted_high",
        "as_of",
    ],
    "losses": ["by", "group", "quantity", "wavelength_nm", "direction", "n", "family", *_LOSS],
    "limits": [
        "limit",
        "by",
        "group",
        "quantity",
        "wavelength_nm",
        "statistic",
        "direction",
        "n",
        "value",
        "low",
        "high",
        "limit_db",
        "verdict",
        "n_more",
        "over",
        "near",
        "over_share_low",
        "over_share_high",
    ],
    "signals": [
        "unit_kind",
        "unit",
        "quantity",
        "since",
        "since_low",
        "since_high",
        "size",
        "low",
        "high",
        "chance_this_unit",
        "not_separable_from",
        "suggested_step",
    ],
    "rework": ["step", "cause", "events", "parts", "minutes", "cost"],
}
"""Columns of each table that other programs may rely on."""

_WHOLE = {
    "positions",
    "first_pass",
    "failed",
    "pending",
    "unknown",
    "n",
    "n_more",
    "data_rows",
    "accepted",
    "duplicates",
    "held",
    "refused",
}
"""Counts: whole numbers also where some are blank."""
_KEYS = {"by", "group", "stage", "quantity", "wavelength_nm", "direction", "limit", "statistic"}
_COUNTS = {"positions", "n", "as_of"}


def stable(name: str, table: pd.DataFrame | None) -> pd.DataFrame:
    """A table with exactly its fixed columns in their order; a lacking one is there, blank."""
    if table is None:
        return pd.DataFrame(columns=COLUMNS[name])
    kept = table.reset_index(drop=True)
    return kept.reindex(columns=COLUMNS[name])


def hide_few(
    table: pd.DataFrame, *, too_few: int, too_wide_points: float, count: str
) -> pd.DataFrame:
    """Blank the figures on persons that rest on too few joints or have too wide an interval.

    Keys and the count stay, so that a reader sees that there is a figure and why it is blank.

    Parameters
    ----------
    table : DataFrame
        With columns ``by``, ``low``, ``high`` and ``count``.
    too_few : int
        Fewest joints for a figure on a person [positions].
    too_wide_points : float
        Widest interval of a yield on a person [percentage points].
    count : str
        Column of the joints behind a figure.
    """
    if table.empty or "by" not in table:
        return table
    person = table["by"].eq("technician").to_numpy(bool)
    decided = table[count]
    if {"first_pass", "failed"} <= set(table.columns):
        decided = table["first_pass"] + table["failed"]
    few = ~(pd.to_numeric(decided) >= too_few).to_numpy(bool)
    wide = np.zeros(len(table), bool)
    if "yield" in table:
        width = 100 * (pd.to_numeric(table["high"]) - pd.to_numeric(table["low"]))
        wide = ~(width <= too_wide_points).to_numpy(bool)
    hidden = person & (few | wide)
    blanked = table.copy()
    for column in table.columns:
        if column not in _KEYS | _COUNTS | {count}:
            blanked[column] = table[column].astype(object).where(~hidden, None)
    return blanked.infer_objects() if hidden.any() else table


def personal(table: pd.DataFrame) -> pd.DataFrame:
    """Rows of a table that are about persons."""
    return table[table["by"] == "technician"] if "by" in table else table.iloc[:0]


def write_tables(folder: Path, tables: Mapping[str, pd.DataFrame]) -> list[Path]:
    """Write each table as ``<name>.csv`` into ``folder`` (made if need be)."""
    folder.mkdir(parents=True, exist_ok=True)
    return [write_csv(folder / f"{name}.csv", table) for name, table in tables.items()]


def write_csv(path: Path, table: pd.DataFrame) -> Path:
    """Write a table as CSV in UTF-8, whole or not at all.

    A text that a spreadsheet would run as a formula gets a leading apostrophe.
    """
    safe = table.copy()
    for column in safe.columns:
        if column in _WHOLE:
            safe[column] = pd.to_numeric(safe[column]).astype("Int64")
        elif not pd.api.types.is_numeric_dtype(safe[column]):
            safe[column] = safe[column].astype(object).map(_plain)
    replace_text(path, safe.to_csv(index=False, lineterminator="\n"))
    return path


def read_csv(path: Path) -> pd.DataFrame:
    """Read a table that ``write_csv`` wrote.

    Raises
    ------
    CrewError
        If it cannot be read or lacks columns.
    """
    try:
        table = pd.read_csv(path, dtype={"by": str, "group": str, "stage": str})
    except (ValueError, UnicodeDecodeError) as error:
        raise CrewError(
            "the first-given figures cannot be read",
            file=str(path),
            remedy="Bring the file back from a copy, or move it away; the page then says that"
            " there are none.",
        ) from error
    lacking = [name for name in COLUMNS["first_pass"] if name not in table]
    if lacking:
        raise CrewError(
            "the first-given figures lack columns",
            file=str(path),
            wanted=", ".join(lacking),
            remedy="Bring the file back from a copy, or move it away.",
        )
    return table


def _plain(value: object) -> object:
    if isinstance(value, str) and value[:1] in tuple("=+-@\t\r"):
        return "'" + value
    return value
