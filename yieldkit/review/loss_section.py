"""Section on losses and limits."""

from __future__ import annotations

import pandas as pd

from yieldkit.answers.limits import limits_without_readings, verdicts_of
from yieldkit.answers.loss_bounds import bends_of
from yieldkit.answers.loss_readings import loss_readings
from yieldkit.answers.loss_shape import redone_of
from yieldkit.answers.losses import LEAST, summary_of
from yieldkit.answers.result import Finding, Severity
from yieldkit.crew import Crew
from yieldkit.figures.losses import draw_quantiles
from yieldkit.review import shown
from yieldkit.review.asked import Asked, Part
from yieldkit.review.model import Picture, Section
from yieldkit.review.pictures import picture
from yieldkit.wording import page as words

ORDER = ("not met", "cannot tell", "met")
MOST_LINES = 12
_ARCS: tuple[tuple[str, str, Severity], ...] = (
    ("cannot tell", "page_arcs_missing", "cannot tell"),
    ("arcs over the limit are kept", "page_arcs_kept", "fine"),
)
_OVER = ["limit", "group", "quantity", "wavelength_nm", "low", "high", "limit_db", "position_id"]


def losses(asked: Asked) -> Part:
    """Losses of the week; limits on single joints held against the week, others the quarter."""
    period = {"since": asked.quarter_starts, "until": asked.last}
    quarter = loss_readings(
        asked.records.attempts(**period), asked.records.measurements(**period), asked.crew
    )
    week = quarter[pd.to_datetime(quarter["date"]) >= pd.Timestamp(asked.first)]
    groupings = ["connector_type", "splicer", *(["technician"] if asked.lead else [])]
    told = summary_of(week, crew=asked.crew, by=groupings, confidence=asked.confidence).table
    table = told[told["by"] == groupings[0]]
    each, over = _single_joints(asked, week)
    whole = verdicts_of(
        quarter, crew=_only(asked.crew, each=False), confidence=asked.confidence
    ).table
    held = pd.concat([part for part in (each, whole) if len(part)] or [each], ignore_index=True)
    worst_first = held.sort_values(
        "verdict", key=lambda column: column.map(ORDER.index), kind="stable"
    )
    tables = []
    if len(held):
        tables.append(shown.limits(worst_first, words.CAPTIONS["limits"]))
    if len(table):
        tables.append(shown.losses(table, words.CAPTIONS["losses"]))
    silent = limits_without_readings(quarter, crew=asked.crew)
    bent = bends_of(week)
    findings = (
        *_over_findings(over, each),
        *_whole_findings(whole),
        *bent.findings,
        *_missing_findings(quarter, asked),
        *silent.findings,
    )
    if not asked.crew.limits:
        findings = (*findings, Finding("limits_none_set", {}, "cannot tell"))
    return Part(
        Section("losses", findings, _pictures(table), tuple(tables)),
        stable={"losses": told, "limits": held},
        further={"over_limit": over, "bends": bent.table},
    )


def _single_joints(asked: Asked, readings: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Verdicts of the limit rows for single joints, and the readings surely beyond them."""
    found = verdicts_of(readings, crew=_only(asked.crew, each=True), confidence=asked.confidence)
    place = ["position_id", "job", "panel", "port", "state"]
    if found.behind is None or found.table.empty:
        return found.table, pd.DataFrame(columns=[*_OVER, *place[1:]])
    edges = found.table[["limit", "limit_db"]].drop_duplicates("limit")
    read = found.behind.merge(edges, on="limit", how="inner")
    over, under = read["low"] > read["limit_db"], read["high"] < read["limit_db"]
    beyond = read[over.where(read["quantity"] != "return loss", under)]
    listed = beyond[_OVER].merge(asked.all_positions[place], on="position_id", how="left")
    return found.table, listed.sort_values(["limit", "group", "job", "panel"], ignore_index=True)


def _only(crew: Crew, *, each: bool) -> Crew:
    """The settings with the limit rows for single joints alone, or with the others alone."""
    rows = tuple(row for row in crew.limits if (row.statistic == "each") == each)
    return crew.model_copy(update={"limits": rows})


def _over_findings(over: pd.DataFrame, each: pd.DataFrame) -> list[Finding]:
    """One finding a kind of reading that single joints fail, or may fail."""
    found = []
    for quantity, rows in over.groupby("quantity", sort=False):
        joints = rows.drop_duplicates("position_id")
        named = [
            "\u00a0".join(str(part) for part in place)
            for place in joints[["job", "panel", "port"]].dropna().itertuples(index=False)
        ]
        values = {
            "quantity": quantity,
            "limits_db": sorted(set(rows["limit_db"])),
            "over": len(rows),
            "n": int(each[each["quantity"] == quantity]["n"].sum()),
            "joints": named,
        }
        step = "measure_over_limit"
        found.append(Finding("page_over_limit", values, "decide", step, "laser"))
    near = each[each["verdict"] == "cannot tell"]
    for quantity, rows in near.groupby("quantity", sort=False):
        values = {"quantity": quantity, "rows": _named(rows), "n": int(rows["n"].sum())}
        found.append(Finding("page_near_limit", values, "cannot tell"))
    return found


def _whole_findings(whole: pd.DataFrame) -> list[Finding]:
    """One finding a kind of reading, a rule and a verdict."""
    found = []
    for verdict in ("not met", "cannot tell"):
        rows = whole[whole["verdict"] == verdict].sort_values("n", ascending=False)
        for (quantity, statistic), some in rows.groupby(["quantity", "statistic"], sort=False):
            values: dict[str, object] = {"quantity": quantity, "statistic": statistic}
            values["verdict"] = verdict
            values["rows"] = some.astype({"n_more": float}).to_dict("records")
            if verdict == "not met":
                code = "find_the_carrier"
                found.append(Finding("page_limit_rows", values, "decide", code, "people"))
            else:
                found.append(Finding("page_limit_rows", values, "cannot tell"))
    return found


def _missing_findings(quarter: pd.DataFrame, asked: Asked) -> list[Finding]:
    """Whether arcs over the limit are missing from a splicer's records, and what that hides.

    A range each; one finding of all that cannot be told, one of all that keep every arc.
    """
    table = redone_of(quarter, crew=asked.crew, by="splicer", confidence=asked.confidence).table
    told = table[table["says"] == "range"].to_dict("records")
    found = [Finding("redone_splices", row, "watch") for row in told]
    for says, code, severity in _ARCS:
        rows = table[(table["says"] == says) & (table["n"] >= LEAST)]
        if len(rows):
            values = {
                "groups": rows["group"].tolist(),
                "n": int(rows["n"].sum()),
                "over": int(rows["over"].sum()),
                "limit_db": float(rows["limit_db"].max()),
            }
            found.append(Finding(code, values, severity))
    return found


def _named(rows: pd.DataFrame) -> list[str]:
    return [
        f"{row['group']}{shown.at_wavelength(row['wavelength_nm'])}"
        for row in rows.to_dict("records")
    ]


def _pictures(table: pd.DataFrame) -> tuple[Picture, ...]:
    """What 97 % stay under, measured readings first; estimates where nothing is measured."""
    known = table[table["q97_db"].notna() & (table["group"] != "unknown")]
    measured = known[known["quantity"] != "estimated loss"]
    lines = (measured if len(measured) else known).head(MOST_LINES)
    if lines.empty:
        return ()
    return (
        picture(
            lambda ax: draw_quantiles(ax, lines),
            height=0.75 + 0.27 * len(lines),
            caption=words.CAPTIONS["q97"],
            says=words.said_of_losses(lines.to_dict("records")),
        ),
    )
