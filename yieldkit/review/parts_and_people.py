"""Sections on what came in, on decisions, on parts, and the lead's section on persons."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import pandas as pd

from yieldkit.answers.comparing import compare_periods
from yieldkit.answers.doubts import what_came_in
from yieldkit.answers.hidden import hidden_failures
from yieldkit.answers.result import Finding
from yieldkit.answers.rework import cost_of_rework
from yieldkit.answers.yields import first_pass_table
from yieldkit.review import shown
from yieldkit.review.asked import Asked, Part
from yieldkit.review.model import Section, Shown
from yieldkit.review.tables import stable
from yieldkit.review.yield_sections import yield_of
from yieldkit.wording import page as words
from yieldkit.wording.numbers import day

LOOK_BACK = timedelta(weeks=5)
BEFORE = timedelta(weeks=4)
UNIT_COLUMNS = ("splicer", "cleaver", "heater", "connector_type", "connector_lot", "fibre_lot")


def arrived(asked: Asked) -> Part:
    """Files and their accounting, what was refused or conflicts, and doubts."""
    files = asked.records.files()
    table = stable("records", files)
    period = {"since": asked.first, "until": asked.last}
    found = what_came_in(
        files,
        asked.records.attempts(**period),
        crew=asked.crew,
        rework=asked.rework,
        measurements=asked.records.measurements(**period),
        doubts=asked.records.doubts(),
        stock=asked.records.stock(),
        as_of=asked.as_of,
    )
    hidden = hidden_failures(
        asked.records.attempts(),  # whole: a period would cut through counters
        asked.all_positions,
        asked.records.stock(),
        crew=asked.crew,
        as_of=asked.as_of,
    )
    return Part(
        Section(
            "arrived",
            (*found.findings, *hidden.findings),
            tables=(shown.records(files, words.CAPTIONS["records"]),),
        ),
        stable={"records": table},
        further=_left_open(asked),
    )


def _left_open(asked: Asked) -> dict[str, pd.DataFrame]:
    """Refused and held rows and doubts; what stands in them may name persons: the lead's alone."""
    refused, held = asked.records.refused(), asked.records.held()
    doubts = asked.records.doubts()
    if asked.lead:
        return {"refused": refused.drop(columns="sha256"), "held": held, "doubts": doubts}
    counts = doubts.groupby(["kind", "state"])["rows"].agg(doubts="size", rows="sum")
    return {
        "refused": refused[["file", "sheet", "source_row", "column", "reason"]],
        "held": held[["file", "sheet", "source_row", "table", "against_file", "against_row"]],
        "doubts": counts.reset_index(),
    }


def decisions(asked: Asked) -> Part:
    """Decisions of the last weeks, with the yield of their unit before and after."""
    taken = asked.records.decisions(since=asked.first - LOOK_BACK, until=asked.last)
    rows = [_followed(asked, row) for row in taken.sort_values("date").to_dict("records")]
    return Part(
        Section("decisions", findings=tuple(finding for finding, _ in rows)),
        further={"decisions": pd.DataFrame([values for _, values in rows])},
    )


def _followed(asked: Asked, row: dict[Any, Any]) -> tuple[Finding, dict[str, Any]]:
    when: date = pd.Timestamp(row["date"]).date()
    unit = shown.text(row["unit"])
    values: dict[str, Any] = {
        "date": day(when),
        "unit": unit,
        "decision": shown.text(row["decision"]),
    }
    column = next(
        (name for name in UNIT_COLUMNS if unit and asked.all_positions[name].eq(unit).any()), None
    )
    if column is None:
        return Finding("page_decision_noted", values), values
    own = asked.all_positions[asked.all_positions[column] == unit]
    days = pd.to_datetime(own["first_date"])
    start, end = pd.Timestamp(when), pd.Timestamp(asked.last)
    before = yield_of(own[(days < start) & (days >= start - BEFORE)], asked)
    after = yield_of(own[(days >= start) & (days <= end)], asked)
    for name, side in (("before", before), ("after", after)):
        values |= {name: side["yield"], f"{name}_low": side["low"], f"{name}_high": side["high"]}
        values[f"{name}_n"] = side["n"]
    found = compare_periods(
        own,
        before=(when - BEFORE, when - timedelta(days=1)),
        after=(when, asked.last),
        confidence=asked.confidence,
    ).table.iloc[0]
    values |= {name: found[name] for name in ("verdict", "waiting")}
    if not before["n"] or not after["n"]:
        return Finding("page_decision_noted", values, "cannot tell"), values
    severity = {"better": "fine", "worse": "watch", "cannot tell": "cannot tell"}
    return Finding("page_decision_followed", values, severity[values["verdict"]]), values  # type: ignore[arg-type]


def parts(asked: Asked) -> Part:
    """What failed joints used up, by step and cause."""
    found = cost_of_rework(
        asked.rework,
        asked.all_positions,
        asked.records.attempts(since=asked.first, until=asked.last),
        crew=asked.crew,
        confidence=asked.confidence,
        as_of=asked.as_of,
    )
    currency = asked.crew.general.currency
    tables: tuple[Shown, ...] = ()
    if len(found.table):
        tables = (shown.rework(found.table, words.CAPTIONS["rework"], currency),)
    return Part(
        Section("parts", findings=found.findings, tables=tables),
        stable={"rework": found.table},
    )


def persons(asked: Asked) -> Part:
    """First-pass yield by person, in the order of codes; the lead's view only."""
    table = first_pass_table(
        asked.positions,
        crew=asked.crew,
        stages=("termination",),
        groupings=("technician",),
        confidence=asked.confidence,
        as_of=asked.as_of,
    ).table.sort_values("group")
    general = asked.crew.general
    rows = (
        shown.persons(
            table,
            words.CAPTIONS["technician"],
            too_few=general.too_few_positions,
            too_wide_points=general.too_wide_points,
        ),
    )
    return Part(Section("persons", tables=rows if len(table) else ()))
