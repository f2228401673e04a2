"""What the page and the workbook show of one week, ready to be laid out."""

from __future__ import annotations

import html
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime

import pandas as pd

from yieldkit.answers.result import Finding


@dataclass(frozen=True)
class Picture:
    """One drawing: ``source`` is a data address, so that the page stays one file."""

    source: str
    caption: str
    says: str
    """What the picture shows, for those who cannot see it."""

    def _repr_html_(self) -> str:
        says, caption = html.escape(self.says), html.escape(self.caption)
        return (
            f'<figure style="margin:0;max-width:36rem"><img src="{self.source}" alt="{says}"'
            f' style="width:100%"><figcaption>{caption}</figcaption></figure>'
        )


@dataclass(frozen=True)
class Shown:
    """One table as the page shows it: words, already rounded.

    Parameters
    ----------
    caption : str
        What the rows are.
    heads : tuple of str
        Headings, with units.
    rows : tuple of tuple of str
        Cells.
    figures : frozenset of int
        Columns that hold figures, set flush right.
    more : str
        What was left out and where it is, or empty.
    """

    caption: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    figures: frozenset[int] = frozenset()
    more: str = ""


@dataclass(frozen=True)
class Section:
    """One section of the page; ``code`` is a key of ``yieldkit.wording.page.SECTIONS``."""

    code: str
    findings: tuple[Finding, ...] = ()
    pictures: tuple[Picture, ...] = ()
    tables: tuple[Shown, ...] = ()

    @property
    def empty(self) -> bool:
        """Whether there is nothing to show."""
        return not (self.findings or self.pictures or self.tables)


@dataclass(frozen=True, eq=False, kw_only=True)
class Review:
    """One week's review.

    Parameters
    ----------
    crew, week : str
        Name of the crew; the week as in "2026-W47".
    first_day, last_day : date
        Days of the week.
    as_of : datetime, optional
        Newest record known, in the crew's zone.
    zone : str
        The crew's time zone.
    confidence : float
        Of all intervals.
    lead : bool
        Whether this is the lead's own view, with figures on persons.
    invented : bool
        Whether the crew is the demo crew.
    overall : mapping
        The week's row of ``first_pass`` for all positions.
    sections : tuple of Section
        In the order of the page.
    stable : mapping
        Tables with fixed names and columns, by name; see ``yieldkit.review.tables.COLUMNS``.
    further : mapping
        Other tables of the workbook, by the name of their sheet.
    """

    crew: str
    week: str
    first_day: date
    last_day: date
    as_of: datetime | None
    zone: str
    confidence: float = 0.95
    lead: bool = False
    invented: bool = False
    overall: Mapping[str, float] = field(default_factory=dict)
    sections: tuple[Section, ...] = ()
    stable: Mapping[str, pd.DataFrame] = field(default_factory=dict)
    further: Mapping[str, pd.DataFrame] = field(default_factory=dict)

    def found(self, severity: str) -> list[tuple[str, Finding]]:
        """Section code and finding of one severity, in the order of the page."""
        return [
            (section.code, finding)
            for section in self.sections
            for finding in section.findings
            if finding.severity == severity
        ]
