"""Section on losses and limits."""

from __future__ import annotations

from collections.abc import Iterable

import pandas as pd

from yieldkit.answers.limits import LimitVerdicts, limit_verdicts
from yieldkit.answers.losses import loss_summary
from yieldkit.answers.result import Finding
from yieldkit.figures.losses import draw_quantiles
from yieldkit.review import shown
from yieldkit.review.asked import Asked, Part
from yieldkit.review.model import Picture, Section
from yieldkit.review.pictures import picture
from yieldkit.wording import page as words

ORDER = ("not met", "cannot tell", "met")
MOST_LINES = 12


def losses(asked: Asked) -> Part:
    """Losses of the week, and each limit row held against them."""
    attempts = asked.records.attempts(since=asked.first, until=asked.last)
    measured = asked.records.measurements(since=asked.first, until=asked.last)
    groupings = ["connector_type", "splicer", *(["technician"] if asked.lead else [])]
    summaries = [
        loss_summary(attempts, measured, crew=asked.crew, by=by, confidence=asked.confidence)
        for by in groupings
    ]
    table = summaries[0].table
    verdicts = limit_verdicts(attempts, measured, crew=asked.crew, confidence=asked.confidence)
    held = verdicts.table.sort_values(
        "verdict", key=lambda column: column.map(ORDER.index), kind="stable"
    )
    over = over_limit(asked, verdicts)
    tables = []
    if len(held):
        tables.append(shown.limits(held, words.CAPTIONS["limits"]))
    if len(table):
        tables.append(shown.losses(table, words.CAPTIONS["losses"]))
    return Part(
        Section("losses", tuple(_findings(verdicts, over)), _pictures(table), tuple(tables)),
        stable={
            "losses": pd.concat([each.table for each in summaries], ignore_index=True),
            "limits": verdicts.table,
        },
        further={"over_limit": over},
    )


def _findings(verdicts: LimitVerdicts, over: pd.DataFrame) -> Iterable[Finding]:
    """One finding for each limit row that single joints fail; the other verdicts as they are."""
    told = set()
    for found in verdicts.findings:
        values = found.values
        if values["statistic"] != "each" or values["verdict"] != "not met":
            if values["verdict"] != "met":
                yield found
            continue
        limit = values["limit"]
        if limit in told:
            continue
        told.add(limit)
        rows = verdicts.table[verdicts.table["limit"] == limit]
        mine = over[over["limit"] == limit]
        named = mine["group"].value_counts(sort=False)
        yield Finding(
            "page_over_limit",
            {
                "limit": limit,
                "quantity": values["quantity"],
                "over": len(mine),
                "n": int(rows["n"].sum()),
                "groups": [(str(group), int(many)) for group, many in named.items()],
                "joints": mine["position_id"].dropna().drop_duplicates().tolist(),
            },
            "decide",
            "measure_over_limit",
            "laser",
        )


def over_limit(asked: Asked, verdicts: LimitVerdicts) -> pd.DataFrame:
    """Readings surely beyond a limit for single joints, with their place."""
    place = ["position_id", "job", "panel", "port", "state"]
    columns = ["limit", "group", "quantity", "wavelength_nm", "low", "high", "limit_db", *place]
    each = verdicts.table[verdicts.table["statistic"] == "each"]
    if verdicts.behind is None or each.empty:
        return pd.DataFrame(columns=columns)
    edges = each[["limit", "limit_db"]].drop_duplicates("limit")
    read = verdicts.behind.merge(edges, on="limit", how="inner")
    least = read["quantity"] == "return loss"
    beyond = (~least & (read["low"] > read["limit_db"])) | (
        least & (read["high"] < read["limit_db"])
    )
    found = read[beyond].merge(asked.all_positions[place], on="position_id", how="left")
    return found[columns].sort_values(["limit", "group", "job", "panel"], ignore_index=True)


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
