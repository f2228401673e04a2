"""A week's figures as first given: written once, never changed, so that restating is honest."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pandas as pd

from yieldkit.answers.result import Finding
from yieldkit.review.tables import COLUMNS, read_csv, write_csv

GIVEN = "given.csv"


def keep_given(folder: Path, first_pass: pd.DataFrame) -> Path:
    """Write a week's first-pass table as first given, unless that was done before.

    Parameters
    ----------
    folder : Path
        The week's folder of reviews.
    first_pass : DataFrame
        Columns of ``COLUMNS["first_pass"]``, few personal figures blank.
    """
    path = folder / GIVEN
    return path if path.exists() else write_csv(path, first_pass[COLUMNS["first_pass"]])


def first_given(folder: Path) -> pd.DataFrame | None:
    """The table that was first given for a week; ``None`` if there was no review."""
    path = folder / GIVEN
    return read_csv(path) if path.exists() else None


def restated(given: pd.DataFrame | None, now: pd.DataFrame) -> pd.DataFrame:
    """Each group's yield as first given and as known now.

    Parameters
    ----------
    given : DataFrame or None
        What was first given.
    now : DataFrame
        The same week's table, computed from the records as they are now.

    Returns
    -------
    DataFrame, shape (groups, 9)
        ``by``, ``group``, ``stage``; ``given`` and ``given_decided``; ``now``, ``now_low``,
        ``now_high`` [fractions] and ``now_decided`` [positions].
    """
    keys = ["by", "group", "stage"]
    known = now[keys].copy()
    known["now"], known["now_low"], known["now_high"] = now["yield"], now["low"], now["high"]
    known["now_decided"] = now["first_pass"] + now["failed"]
    if given is None:
        first = pd.DataFrame({key: pd.Series(dtype=str) for key in keys})
        first = first.assign(given=pd.Series(dtype=float), given_decided=pd.Series(dtype=float))
    else:
        first = given[keys].copy()
        first["given"] = given["yield"]
        first["given_decided"] = given["first_pass"] + given["failed"]
    table = first.merge(known, on=keys, how="outer", sort=False)
    order = [*keys, "given", "given_decided", "now", "now_low", "now_high", "now_decided"]
    return table[order]


def about_last_week(week: str, table: pd.DataFrame, *, was_given: bool) -> Finding:
    """What to say of last week's yield of all positions.

    Parameters
    ----------
    week : str
        Last week.
    table : DataFrame
        From ``restated``.
    was_given : bool
        Whether a first-given figure is on file.
    """
    row = table[(table["by"] == "all") & (table["stage"] == "termination")]
    values = {str(name): value for name, value in row.iloc[0].items()} if len(row) else {}
    decided: Any = values.get("now_decided")
    if not values or pd.isna(decided) or (not was_given and not decided):
        return Finding("page_no_last_week", {"week": week})
    values["week"], values["now_decided"] = week, int(decided)
    if not was_given or pd.isna(values["given_decided"]):
        return Finding("page_not_given", values)
    values["given_decided"] = int(values["given_decided"])
    changed = (values["given"], values["given_decided"]) != (values["now"], values["now_decided"])
    return Finding("page_restated", values, "note" if changed else "fine")
