"""Section on drift."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import timedelta

import pandas as pd
from matplotlib.axes import Axes

from yieldkit.answers.drift import DriftWatch, drift_watch
from yieldkit.answers.result import Finding
from yieldkit.answers.wear import blade_wear
from yieldkit.review import shown
from yieldkit.review.asked import Asked, Part
from yieldkit.review.model import Picture, Section
from yieldkit.review.pictures import picture
from yieldkit.wording import page as words

EVEN = 0.5
"""A suspect under even odds is to be watched, not acted on."""
WATCHED = timedelta(weeks=26)
"""So far back goes the past that a unit is compared with."""


def drift(asked: Asked) -> Part:
    """Units that stand out from their own past; persons only in the lead's view."""
    found = drift_watch(
        asked.attempts,
        asked.all_positions,
        asked.measurements,
        asked.records.service(until=asked.last),
        checks=asked.records.checks(until=asked.last),
        crew=asked.crew,
        since=asked.last - WATCHED,
        until=asked.last,
        confidence=asked.confidence,
        as_of=asked.as_of,
    )
    table = found.table
    findings = found.findings
    if not asked.lead:
        table = table[table["unit_kind"] != "technician"]
        findings = tuple(f for f in findings if f.values.get("unit_kind") != "technician")
    worn, wear = _wear(asked)
    findings = _one_decision_a_unit((*findings, *worn))
    if table.empty and found.streams:
        findings = (Finding("page_no_drift", {"n": len(found.streams)}, "fine"), *findings)
    pictures: tuple[Picture, ...] = ()
    if found.streams and len(table) == len(found.table):
        pictures = (
            picture(
                lambda ax: _draw(ax, found, table),
                height=2.9,
                caption=words.CAPTIONS["watch"],
                says=words.said_of_watch(table["unit"].tolist(), len(found.streams)),
            ),
        )
    tables = (shown.signals(table, words.CAPTIONS["signals"]),) if len(table) else ()
    return Part(
        Section("drift", findings, pictures, tables),
        stable={"signals": table},
        further={"retest": _to_retest(asked, found, table), "wear": wear},
    )


def _wear(asked: Asked) -> tuple[tuple[Finding, ...], pd.DataFrame]:
    """What blades and electrodes have done since they were last renewed."""
    service = asked.records.service(until=asked.last)
    rework = asked.records.rework(until=asked.last)
    found = [
        blade_wear(
            asked.attempts,
            service,
            crew=asked.crew,
            rework=rework,
            unit_kind=kind,
            confidence=asked.confidence,
            as_of=asked.as_of,
        )
        for kind in ("cleaver", "splicer")
    ]
    tables = [each.table for each in found if len(each.table)]
    table = pd.concat(tables, ignore_index=True) if tables else found[0].table
    return tuple(said for each in found for said in each.findings), table


def _draw(ax: Axes, found: DriftWatch, table: pd.DataFrame) -> Axes:
    """The watched sums; those that only echo a clearer signal are left out."""
    named = set(zip(table["unit"], table["quantity"], strict=True))
    streams = tuple(
        stream
        for stream in found.streams
        if stream.watch.sums.max() <= 1 or (stream.unit, stream.quantity) in named
    )
    return replace(found, streams=streams).plot(ax)


def _one_decision_a_unit(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """The first signal of a unit asks for the decision; a second one of it backs the first.

    A suspect that is less likely than another of the same kind of signal is to be watched.
    """
    kept: list[Finding] = []
    decided: set[object] = set()
    for found in sorted(findings, key=_doubt):
        unit = found.values.get("unit")
        if found.severity in ("decide", "watch"):
            if unit in decided:
                found = replace(found, severity="note", step="", caution="")
            elif found.values.get("chance_this_unit", 1.0) < EVEN:
                found = replace(found, severity="watch")
            elif found.severity == "decide":
                decided.add(unit)
        kept.append(found)
    return tuple(kept)


def _doubt(found: Finding) -> float:
    return 1.0 - found.values.get("chance_this_unit", 0.0)


def _to_retest(asked: Asked, found: DriftWatch, signals: pd.DataFrame) -> pd.DataFrame:
    """Accepted joints made on a signalled unit since the earliest day that it may have begun."""
    columns = ["position_id", "job", "panel", "port", "connector_type", "first_date", "state"]
    if found.behind is None or signals.empty:
        return pd.DataFrame(columns=["unit", "quantity", *columns])
    made = found.behind[found.behind["unit"].isin(signals["unit"])]
    made = made[["unit", "quantity", "position_id"]].drop_duplicates()
    joints = asked.all_positions[asked.all_positions["state"] == "accepted"][columns]
    listed = made.merge(joints, on="position_id", how="inner")
    return listed.sort_values(["unit", "first_date"], ignore_index=True)
