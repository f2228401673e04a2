"""What lies behind failures and losses: units set side by side, and what cannot be told apart."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import date, timedelta

import pandas as pd

from yieldkit.answers.loss_sources import sources_of_losses
from yieldkit.answers.result import Finding
from yieldkit.answers.sources import likely_sources
from yieldkit.figures.sources import draw_gaps
from yieldkit.review.asked import Asked
from yieldkit.review.model import Picture, Section
from yieldkit.review.pictures import picture
from yieldkit.wording import page as words
from yieldkit.wording.sources import KIND_WORDS

COMPARED = timedelta(weeks=4)
"""So many weeks are set side by side: one week alone seldom tells."""
MOST_LINES = 16


def sources(
    asked: Asked,
) -> tuple[tuple[Finding, ...], tuple[Picture, ...], dict[str, pd.DataFrame]]:
    """Findings, picture and sheets; persons are in them in the lead's view only."""
    of_losses, loss_units, loss_spread = _of_losses(asked)
    found = likely_sources(
        asked.begun(_since(asked), asked.last),
        crew=asked.crew,
        confidence=asked.confidence,
        as_of=asked.as_of,
    )
    table = _shared(asked, found.table)
    said = _pairs_at_once(_said_of(asked, found.findings))
    both = [at for at, one in enumerate(said) if one.code == "source_could_hide"]
    at = both[0] if both else len(said)
    findings = (*said[:at], *of_losses, *said[at:])
    spread = [found.spread.assign(of="failures"), loss_spread.assign(of="losses")]
    sheets = {"sources": table, "loss_sources": loss_units, "spread": _parts(spread)}
    if len(table) < 2:
        return findings, (), sheets
    lines = min(len(table), MOST_LINES)
    drawn = picture(
        lambda ax: draw_gaps(ax, table, most=MOST_LINES),
        height=0.8 + 0.27 * lines,
        caption=words.CAPTIONS["sources"],
        says=words.said_of_gaps(table.to_dict("records")),
    )
    return findings, (drawn,), sheets


def _of_losses(asked: Asked) -> tuple[tuple[Finding, ...], pd.DataFrame, pd.DataFrame]:
    """The same of the losses, short: who stands out, or what it takes to tell, and luck's part.

    What is used together, how little few units tell and what could hide is said with the failures.
    """
    period = {"since": _since(asked), "until": asked.last}
    found = sources_of_losses(
        asked.records.attempts(**period),
        asked.records.measurements(**period),
        crew=asked.crew,
        confidence=asked.confidence,
        as_of=asked.as_of,
    )
    kept = tuple(
        one
        for one in _said_of(asked, found.findings)
        if (one.code.startswith("loss_source") or one.code == "spread_largest")
        and one.values.get("n") != 0
    )
    table = _shared(asked, found.table)
    gap = "gap_db" if "gap_db" in table else "gap_percent"
    table = table.rename(columns={end: f"{gap}_{end}" for end in ("low", "high")})
    if "quantity" in found.settings:
        table.insert(2, "quantity", found.settings["quantity"])
        table.insert(3, "wavelength_nm", found.settings["wavelength_nm"])
    return kept, table, found.spread


def _parts(spread: Iterable[pd.DataFrame]) -> pd.DataFrame:
    """The parts of all kinds in the differences, luck's too."""
    known = [each for each in spread if "kind" in each]
    if not known:
        return pd.DataFrame()
    whole = pd.concat(known, ignore_index=True)
    whole["kind"] = whole["kind"].map(KIND_WORDS)
    return whole[["of", "kind", "units", "share", "low", "high", "n"]]


def _since(asked: Asked) -> date:
    return asked.last - COMPARED + timedelta(days=1)


def _said_of(asked: Asked, findings: Iterable[Finding]) -> list[Finding]:
    return [one for one in findings if asked.lead or not _of_person(one)]


def _shared(asked: Asked, table: pd.DataFrame) -> pd.DataFrame:
    """The rows that may be seen: persons in the lead's view only."""
    return table if asked.lead else table[table["kind"] != "technician"]


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
