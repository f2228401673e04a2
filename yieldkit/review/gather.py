"""All answers of a week, gathered section by section."""

from __future__ import annotations

from collections.abc import Callable, Iterable

import pandas as pd

from yieldkit.answers.result import Finding
from yieldkit.errors import CrewError
from yieldkit.records.opened import CrewRecords
from yieldkit.review import loss_section, parts_and_people, unit_sections, yield_sections
from yieldkit.review.asked import Asked, Part
from yieldkit.review.model import Review, Section
from yieldkit.review.source_part import decided_once
from yieldkit.review.tables import COLUMNS, hide_few, stable

INVENTED = "invented"
"""A crew whose name says so is shown as invented."""

Ask = Callable[[Asked], Part]
SECTIONS: dict[str, Ask] = {
    "arrived": parts_and_people.arrived,
    "open": yield_sections.open_joints,
    "yields": yield_sections.yields_of_week,
    "drift": unit_sections.drift,
    "losses": loss_section.losses,
    "decisions": parts_and_people.decisions,
    "parts": parts_and_people.parts,
}


def gather(
    records: CrewRecords, *, week: str | None = None, lead: bool = False
) -> tuple[Review, pd.DataFrame]:
    """The review of a week, and its first-pass table as every reader may see it.

    Raises
    ------
    CrewError
        If the week is unknown, or lies outside the records.
    """
    first, last, name = records.week_range(week or records.default_week())
    asked = Asked(records, name, first, last, lead)
    _within_records(asked)
    asks = dict(SECTIONS)
    if lead:
        asks["persons"] = parts_and_people.persons
    parts = [_asked(code, ask, asked) for code, ask in asks.items()]
    tables = {name: table for part in parts for name, table in part.stable.items()}
    shared = _hidden(asked, tables["first_pass"])
    if not lead:
        tables["first_pass"] = shared
        for table in ("losses", "limits"):
            if table in tables:
                tables[table] = _hidden(asked, tables[table], count="n")
    overall = _overall(tables["first_pass"])
    local = asked.as_of.tz_convert(asked.crew.general.zone)
    review = Review(
        crew=asked.crew.general.name,
        week=name,
        first_day=first,
        last_day=last,
        as_of=local.to_pydatetime(),
        zone=asked.crew.general.zone,
        confidence=asked.confidence,
        lead=lead,
        invented=INVENTED in asked.crew.general.name.lower(),
        overall=overall,
        sections=decided_once(part.section for part in parts),
        stable={name: stable(name, tables.get(name)) for name in COLUMNS},
        further=_sheets(part.further for part in parts),
    )
    return review, stable("first_pass", shared)


def _asked(code: str, ask: Ask, asked: Asked) -> Part:
    """A section; one that cannot be worked out says why and leaves the others be."""
    try:
        return ask(asked)
    except CrewError as error:
        said = Finding("page_not_worked_out", {"why": str(error)}, "cannot tell")
        return Part(Section(code, findings=(said,)))


def _within_records(asked: Asked) -> None:
    days = pd.to_datetime(asked.all_positions["first_date"]).dropna()
    worked = pd.to_datetime(asked.records.rework()["logged"]).dropna()
    known = pd.concat([days, worked])
    if known.empty:
        raise CrewError(
            "the records hold no joint and no log entry yet",
            remedy="Put a splicer's export into inbox/ and run `yieldkit ingest`; a file that no"
            " layout fits needs `yieldkit layout` first.",
        )
    if known.max() < pd.Timestamp(asked.first) or known.min() > pd.Timestamp(asked.last):
        earliest = asked.records.week_range(known.min().date())[2]
        latest = asked.records.week_range(known.max().date())[2]
        raise CrewError(
            "the records hold nothing of this week",
            found=asked.week,
            wanted=f"a week from {earliest} to {latest}",
            remedy="Name another week with --week, or take in its files first.",
        )


def _hidden(asked: Asked, table: pd.DataFrame, count: str = "positions") -> pd.DataFrame:
    general = asked.crew.general
    return hide_few(
        table,
        too_few=general.too_few_positions,
        too_wide_points=general.too_wide_points,
        count=count,
    )


def _overall(first_pass: pd.DataFrame) -> dict[str, float]:
    row = first_pass[(first_pass["by"] == "all") & (first_pass["stage"] == "termination")]
    if row.empty:
        return {"positions": 0}
    return {str(name): value for name, value in row.iloc[0].items()}


def _sheets(each: Iterable[object]) -> dict[str, pd.DataFrame]:
    sheets: dict[str, pd.DataFrame] = {}
    for tables in each:
        sheets |= {name: table for name, table in tables.items() if len(table.columns)}  # type: ignore[attr-defined]
    return sheets
