"""Sentences about records."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from yieldkit.wording.numbers import count, listed

_FEW = 8
"""Files named one by one in a report; the rest are counted."""


def report_lines(report: Any) -> list[str]:
    """What a run of ``ingest`` did, a line a fact (``report`` is its ``IngestReport``)."""
    totals = report.totals
    lines = []
    if report.new:
        lines.append(f"Taken in: {count(len(report.new), 'new file')}.")
    elif not report.changed:
        lines.append("Nothing new: the tables are as they were.")
    else:
        lines.append("Derived again.")
    if report.files:
        lines.append(accounting(totals))
    for file, reason in report.unreadable[:_FEW]:
        lines.append(f"Not taken in: {shown(file)} {reason}")
    if len(report.unreadable) > _FEW:
        lines.append(f"... and {count(len(report.unreadable) - _FEW, 'more file')} not taken in.")
    if report.waiting:
        names = listed(shown(name) for name in report.waiting)
        lines.append(f"Still being copied, left for the next run: {names}.")
    lines += report.said
    if report.doubts:
        lines.append(
            f"{count(report.doubts, 'open doubt')} in doubts.xlsx: fill in decisions there, then"
            " run `yieldkit ingest` again."
        )
    return lines


def accounting(totals: Mapping[str, int]) -> str:
    """Rows by what came of them; they add up."""
    return (
        f"{count(totals['data_rows'], 'row')}: {count(totals['accepted'], 'counts', 'count')},"
        f" {count(totals['duplicates'], 'duplicate')}, {totals['held']} held,"
        f" {totals['refused']} refused."
    )


def restated(week: str, was: Mapping[str, int], now: Mapping[str, int]) -> str:
    """What changed in a week's first-pass figures."""

    def told(counts: Mapping[str, int]) -> str:
        known = counts["yes"] + counts["no"]
        return (
            f"{counts['yes']} of {known} first pass, {counts['pending']} pending,"
            f" {counts['unknown']} unknown"
        )

    return f"Week {week} restated: {told(now)} (before: {told(was)})."


def shown(name: str) -> str:
    """A file's name or an id without anything that could move a cursor or hide text."""
    return "".join(letter if letter.isprintable() else "\ufffd" for letter in name)


SENTENCES: dict[str, Callable[[Mapping[str, Any]], str]] = {}
