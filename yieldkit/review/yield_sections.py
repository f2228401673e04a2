"""Sections on open joints and on yields."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path
from typing import Any

import pandas as pd

from yieldkit.answers.result import Finding
from yieldkit.answers.steps import open_positions, step_yields, used_per_accepted, weekly_trend
from yieldkit.answers.yields import first_pass_table, first_pass_yield
from yieldkit.figures.intervals import draw_intervals
from yieldkit.figures.trend import draw_trend
from yieldkit.review import given, shown
from yieldkit.review.asked import Asked, Part
from yieldkit.review.model import Picture, Section
from yieldkit.review.pictures import picture
from yieldkit.review.source_part import sources
from yieldkit.wording import page as words

SHOWN_BY = ("connector_type", "splicer", "cleaver")
"""Groupings whose figures stand on the page; all are in the workbook."""


RESTATED_BY = ("all", "job")
"""Groupings of last week's figures that are worked out again."""


def open_joints(asked: Asked) -> Part:
    """Begun joints that are not accepted: by job, the longest waiting first."""
    found = open_positions(asked.all_positions, crew=asked.crew, as_of=asked.as_of)
    waiting = found.table[found.table["open"] > 0].sort_values("oldest_days", ascending=False)
    tables = (shown.open_jobs(waiting, words.CAPTIONS["open"]),) if len(waiting) else ()
    late = [one for one in found.findings if one.code == "open_too_long"]
    others = tuple(one for one in found.findings if one.code != "open_too_long")
    each = _each_open(asked)
    return Part(
        Section("open", (*_too_long(asked, each), *others) if late else others, tables=tables),
        further={"open": each},
    )


def _too_long(asked: Asked, each: pd.DataFrame) -> tuple[Finding, ...]:
    """All positions that wait longer than the settings allow, in one finding."""
    limit = asked.crew.general.pending_days
    late = each[each["waited_days"] > limit]
    if late.empty:
        return ()
    values = {"open": len(late), "jobs": late["job"].nunique(), "limit_days": limit}
    oldest = late.iloc[0]
    values |= {"oldest_days": oldest["waited_days"], "oldest_job": oldest["job"]}
    return (Finding("page_open_too_long", values, "watch"),)


def _each_open(asked: Asked) -> pd.DataFrame:
    every = asked.all_positions
    left = every[every["state"] == "open"].sort_values("first_when")
    waited = (asked.as_of - left["first_when"]).dt.total_seconds() / 86400
    columns = ["job", "panel", "port", "connector_type", "first_date", "arcs", "link"]
    if asked.lead:
        columns.insert(5, "technician")
    return left[columns].assign(waited_days=waited.round(1)).reset_index(drop=True)


def yields_of_week(asked: Asked) -> Part:
    """First-pass yield: the week, last week as given and as restated, trend, groups, steps."""
    options: dict[str, Any] = {
        "crew": asked.crew,
        "confidence": asked.confidence,
        "as_of": asked.as_of,
    }
    week = first_pass_table(asked.positions, **options).table
    trend = weekly_trend(asked.quarter, **options)
    steps = step_yields(asked.positions, **options)
    used = used_per_accepted(asked.quarter, confidence=asked.confidence)
    of_week = week[week["by"] != "week"]
    last_week, restated = _last_week(asked)
    mine = of_week[of_week["stage"] == "termination"]
    groups = {by: rows for by in SHOWN_BY if len(rows := mine[mine["by"] == by])}
    tables = [shown.first_pass(rows, words.CAPTIONS[by]) for by, rows in groups.items()]
    if len(mine):
        tables.append(shown.steps(steps.table, words.CAPTIONS["steps"]))
    findings = (last_week, *steps.findings, *used.findings) if len(mine) else (last_week,)
    behind, gaps, sheets = sources(asked)
    pictures = (*_pictures(trend.table, groups), *gaps)
    return Part(
        Section("yields", (*findings, *behind), pictures, tuple(tables)),
        stable={"first_pass": pd.concat([of_week, trend.table], ignore_index=True)},
        further={
            "trend": trend.table,
            "steps": steps.table,
            "per_accepted": used.table,
            "restated": restated,
        }
        | sheets,
    )


def _pictures(trend: pd.DataFrame, groups: dict[str, pd.DataFrame]) -> tuple[Picture, ...]:
    made = []
    bounds = ("bound_low", "bound_high")
    if len(trend) > 1:
        settled = trend.assign(settled=trend["pending"] == 0)
        made.append(
            picture(
                lambda ax: draw_trend(
                    ax, settled, week="group", bounds=bounds, settled="settled", label="First pass"
                ),
                height=2.7,
                caption=words.CAPTIONS["trend"],
                says=words.said_of_trend(trend.to_dict("records")),
            )
        )
    lines = pd.concat(groups.values(), ignore_index=True) if groups else pd.DataFrame()
    if len(lines):
        lines["decided"] = lines["first_pass"] + lines["failed"]
        lines["group"] = words.named(lines["group"], lines["by"])
        made.append(
            picture(
                lambda ax: draw_intervals(
                    ax,
                    lines,
                    group="group",
                    n="decided",
                    bounds=bounds,
                    unit="%",
                    label="First pass",
                ),
                height=0.75 + 0.27 * len(lines),
                caption=words.CAPTIONS["groups"],
                says=words.said_of_groups(lines.to_dict("records")),
            )
        )
    return tuple(made)


def _last_week(asked: Asked) -> tuple[Finding, pd.DataFrame]:
    """What to say of last week, as first given and as known now."""
    first, last, name = asked.records.week_range(asked.first - timedelta(days=1))
    positions = asked.begun(first, last)
    now = first_pass_table(
        positions,
        crew=asked.crew,
        stages=("termination",),
        groupings=RESTATED_BY,
        confidence=asked.confidence,
        as_of=asked.as_of,
    ).table
    on_file = given.first_given(Path(asked.records.folder) / "reviews" / name)
    if on_file is not None:
        same = on_file["by"].isin(RESTATED_BY) & (on_file["stage"] == "termination")
        on_file = on_file[same]
    table = given.restated(on_file, now)
    return given.about_last_week(name, table, was_given=on_file is not None), table


def yield_of(positions: pd.DataFrame, asked: Asked) -> dict[str, float]:
    """First-pass yield of some positions: ``yield``, ``low``, ``high``, ``first_pass``, ``n``."""
    table = first_pass_yield(positions, by="all", confidence=asked.confidence).table
    if table.empty:
        return {"yield": float("nan"), "low": 0.0, "high": 1.0, "first_pass": 0, "n": 0}
    row = table.iloc[0]
    kept = {name: row[name] for name in ("yield", "low", "high", "first_pass")}
    return kept | {"n": int(row["first_pass"] + row["failed"])}
