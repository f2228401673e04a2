"""What came in, and what the records leave open: files, refusals, links, clocks, due equipment."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date

import pandas as pd

from yieldkit.answers.result import Finding, Result
from yieldkit.crew import Crew
from yieldkit.records.tables import UNKNOWN, require_columns

COUNTS = ["data_rows", "accepted", "duplicates", "held", "refused"]
NOT_TAKEN_IN = ("empty", "no layout", "two layouts", "unreadable")
DUE_SOON_DAYS = 28


@dataclass(frozen=True, eq=False, kw_only=True)
class WhatCameIn(Result):
    """Accounting of every file; see ``what_came_in``."""


def what_came_in(
    files: pd.DataFrame,
    attempts: pd.DataFrame,
    *,
    crew: Crew,
    rework: pd.DataFrame | None = None,
    measurements: pd.DataFrame | None = None,
    doubts: pd.DataFrame | None = None,
    stock: pd.DataFrame | None = None,
    as_of: pd.Timestamp | None = None,
) -> WhatCameIn:
    """Rows of each file by what came of them, and what the lead should look into.

    Parameters
    ----------
    files, attempts, rework, measurements, doubts, stock : DataFrame
        Tables of the records.
    crew : Crew
        Settings: equipment with its calibration due dates.
    as_of : Timestamp, optional
        Day on which "due" is judged; without it nothing is called due.

    Returns
    -------
    WhatCameIn
        ``table``: ``file``, ``layout``, ``data_rows``, ``accepted``, ``duplicates``, ``held``,
        ``refused`` [rows]; per file the first is the sum of the rest.

    Raises
    ------
    ValueError
        If a column is missing, or a file's rows do not add up.
    """
    require_columns(files, ["file", "layout", "status", "reason", *COUNTS])
    table = files[["file", "layout", *COUNTS]].copy()
    rest = table[COUNTS[1:]].sum(axis=1)
    if (wrong := table["data_rows"] != rest).any():
        raise ValueError(f"rows do not add up in {table.loc[wrong, 'file'].tolist()}")
    findings = [
        *_files(files),
        *_links(attempts, "arcs"),
        *_links(rework, "entries of the rework log"),
        *_links(measurements, "test readings"),
        *_clocks(attempts),
        *_open(doubts),
        *_due(crew, as_of),
        *_out_of_validity(attempts, crew),
        *_expiry(stock, crew, as_of),
    ]
    order = ("decide", "watch", "cannot tell", "note", "fine")
    findings.sort(key=lambda finding: order.index(finding.severity))
    return WhatCameIn(
        table=table, findings=tuple(findings), confidence=crew.general.confidence, as_of=as_of
    )


def _files(files: pd.DataFrame) -> Iterator[Finding]:
    totals = {name: int(files[name].sum()) for name in COUNTS}
    yield Finding("rows_came_in", totals | {"files": len(files)}, "note")
    for row in files[files["status"].isin(NOT_TAKEN_IN)].itertuples():
        yield Finding("file_not_taken_in", {"file": row.file, "reason": row.reason}, "watch")
    if totals["refused"]:
        yield Finding(
            "rows_refused",
            {"n": totals["refused"], "rows": totals["data_rows"]},
            "watch",
            step="look_into_doubts",
        )
    if totals["held"]:
        yield Finding("rows_held", {"n": totals["held"]}, "watch", step="look_into_doubts")


def _links(table: pd.DataFrame | None, what: str) -> Iterator[Finding]:
    if table is None or not len(table):
        return
    counts = table["link"].value_counts()
    unlinked, probable = int(counts.get("unlinked", 0)), int(counts.get("probable", 0))
    if unlinked or probable:
        values = {"what": what, "unlinked": unlinked, "probable": probable, "n": len(table)}
        yield Finding("links_unsure", values, "note")


def _clocks(attempts: pd.DataFrame) -> Iterator[Finding]:
    for source, code in (("inferred", "clock_repaired"), (UNKNOWN, "clock_unknown")):
        wrong = attempts[attempts["when_source"] == source]
        for splicer, rows in wrong.groupby("splicer", sort=True):
            yield Finding(code, {"unit": splicer, "n": len(rows)}, "note")


def _open(doubts: pd.DataFrame | None) -> Iterator[Finding]:
    if doubts is None or not len(doubts):
        return
    words = doubts[doubts["kind"].isin(["technician", "unit", "job", "connector type"])]
    unknown = words[words["state"] == "open"]
    if len(unknown):
        # what stands for a person may be a name, which no shared page shows
        shown = unknown.loc[unknown["kind"] != "technician", "found"].tolist()
        values = {"n": len(unknown), "examples": shown[:4], "persons": len(unknown) - len(shown)}
        yield Finding("spellings_unknown", values, "watch", step="look_into_doubts")
    by_rule = int((words["state"] == "applied by rule").sum())
    if by_rule:
        yield Finding("spellings_by_rule", {"n": by_rule}, "note")
    gaps = doubts.loc[doubts["kind"] == "counter gap", ["found", "rows"]]
    for found, rows in gaps.to_numpy().tolist():
        yield Finding("numbers_not_held", {"found": found, "n": rows}, "note")


def _due(crew: Crew, as_of: pd.Timestamp | None) -> Iterator[Finding]:
    """Units whose calibration is due or overdue."""
    if as_of is None:
        return
    today = _today(as_of, crew)
    for row in crew.equipment:
        in_force = row.valid_on(today) and crew.unit_on(row.unit, today) is row
        if row.calibration_due is None or not in_force:
            continue
        days = (row.calibration_due - today).days
        if days < 0:
            values = {"unit": row.unit, "due": row.calibration_due, "days": -days}
            yield Finding("calibration_overdue", values, "decide")
        elif days <= DUE_SOON_DAYS:
            values = {"unit": row.unit, "due": row.calibration_due, "days": days}
            yield Finding("calibration_due", values, "watch")


def _out_of_validity(attempts: pd.DataFrame, crew: Crew) -> Iterator[Finding]:
    """Units used on days on which the settings list no serial for them."""
    for kind in ("splicer", "cleaver", "heater"):
        listed = {row.unit for row in crew.equipment if row.kind == kind}
        used = attempts.loc[attempts[kind].isin(listed) & attempts["date"].notna(), [kind, "date"]]
        days = used.assign(date=pd.to_datetime(used["date"])).value_counts()
        found: dict[str, list[tuple[date, int]]] = {}
        for (unit, stamp), n in days.items():
            day = stamp.date()
            if not any(row.valid_on(day) for row in crew.equipment if row.unit == unit):
                found.setdefault(unit, []).append((day, n))
        for unit, odd in sorted(found.items()):
            first, last = min(odd)[0], max(odd)[0]
            values = {"unit": unit, "n": sum(n for _, n in odd), "first": first, "last": last}
            yield Finding("unit_not_valid", values, "watch")


def _today(as_of: pd.Timestamp, crew: Crew) -> date:
    return as_of.tz_convert(crew.general.zone).date() if as_of.tzinfo else as_of.date()


def _used_up(moves: pd.DataFrame) -> bool:
    """Whether a lot came in, or was counted, and nothing is left of it."""
    left, known = 0.0, False
    days = pd.to_datetime(moves["date"])
    for move, pieces in moves.loc[days.sort_values().index, ["move", "quantity"]].to_numpy():
        known |= move in ("received", "counted")
        if move == "counted":
            left = float(pieces)
        else:
            left += float(pieces) * (1 if move in ("received", "returned") else -1)
    return known and left <= 0


def _expiry(
    stock: pd.DataFrame | None, crew: Crew, as_of: pd.Timestamp | None
) -> Iterator[Finding]:
    """Lots of epoxy, sleeves and the like that have expired or soon will, unless used up."""
    if stock is None or as_of is None or not len(stock):
        return
    today = _today(as_of, crew)
    for (part, lot), rows in stock.groupby(["part", "lot"], dropna=False, sort=True):
        until = pd.to_datetime(rows["expires"]).min()
        if pd.isna(until) or _used_up(rows):
            continue
        days = (until.date() - today).days
        if days > DUE_SOON_DAYS:
            continue
        code = "lot_expired" if days < 0 else "lot_expires"
        values = {"part": part, "lot": lot, "until": until.date(), "days": abs(days)}
        yield Finding(code, values, "decide" if days < 0 else "watch")
