"""What lies behind the failures: units beside the crew, with what cannot be told apart."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import timedelta

import pandas as pd

from yieldkit.answers.result import Finding
from yieldkit.answers.sources import likely_sources
from yieldkit.figures.sources import draw_gaps
from yieldkit.review.asked import Asked
from yieldkit.review.model import Picture, Section
from yieldkit.review.pictures import picture
from yieldkit.wording import page as words

COMPARED = timedelta(weeks=4)
"""So many weeks are set side by side: one week alone seldom tells."""
MOST_LINES = 16


def sources(asked: Asked) -> tuple[tuple[Finding, ...], tuple[Picture, ...], pd.DataFrame]:
    """Findings, picture and table; persons are in them in the lead's view only."""
    found = likely_sources(
        asked.begun(asked.last - COMPARED + timedelta(days=1), asked.last),
        crew=asked.crew,
        confidence=asked.confidence,
        as_of=asked.as_of,
    )
    table = found.table if asked.lead else found.table[found.table["kind"] != "technician"]
    findings = _pairs_at_once(one for one in found.findings if asked.lead or not _of_person(one))
    if len(table) < 2:
        return findings, (), table
    lines = min(len(table), MOST_LINES)
    drawn = picture(
        lambda ax: draw_gaps(ax, table, most=MOST_LINES),
        height=0.8 + 0.27 * lines,
        caption=words.CAPTIONS["sources"],
        says=words.said_of_gaps(table.to_dict("records")),
    )
    return findings, (drawn,), table


def _pairs_at_once(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Units nearly always used together in one finding, where there are several such."""
    kept = list(findings)
    pairs = [one for one in kept if one.code == "together_nearly"]
    if len(pairs) < 2:
        return tuple(kept)
    whole = replace(pairs[0], values={"pairs": [one.values for one in pairs]}, code="together_many")
    return (*(one for one in kept if one.code != "together_nearly"), whole)


def _of_person(found: Finding) -> bool:
    return found.values.get("kind") == "technician"


def decided_once(sections: Iterable[Section]) -> tuple[Section, ...]:
    """The sections, with one decision for each unit: the watch on drift says since when."""
    kept = tuple(sections)
    drifting = {
        found.values.get("unit")
        for section in kept
        for found in section.findings
        if section.code == "drift" and found.severity == "decide"
    }
    return tuple(
        replace(section, findings=tuple(_backing(found, drifting) for found in section.findings))
        if section.code == "yields"
        else section
        for section in kept
    )


def _backing(found: Finding, drifting: set[object]) -> Finding:
    if found.severity == "decide" and found.values.get("unit") in drifting:
        return replace(found, severity="note", step="", caution="")
    likeliest = next(iter(found.values.get("candidates") or ()), None)
    if found.code == "source_cannot_tell" and likeliest in drifting:
        return replace(found, code="source_points_the_same_way", severity="note", step="")
    return found
