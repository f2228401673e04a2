"""A crew's records as a week's review asks for them, and what a section gives back."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, timedelta
from functools import cached_property
from typing import TYPE_CHECKING

import pandas as pd

from yieldkit.review.model import Section

if TYPE_CHECKING:
    from yieldkit.crew import Crew
    from yieldkit.records.opened import CrewRecords

TREND_WEEKS = 13


@dataclass(frozen=True, eq=False)
class Asked:
    """A week's question to a crew's records; each table is read once, when first needed."""

    records: CrewRecords
    week: str
    first: date
    last: date
    lead: bool

    @property
    def crew(self) -> Crew:
        """The crew's settings."""
        return self.records.settings

    @property
    def confidence(self) -> float:
        """Of all intervals."""
        return self.crew.general.confidence

    @property
    def as_of(self) -> pd.Timestamp:
        """Newest record known."""
        return self.records.as_of

    @property
    def quarter_starts(self) -> date:
        """First day of the thirteen weeks that end with this one."""
        return self.last - timedelta(weeks=TREND_WEEKS) + timedelta(days=1)

    @cached_property
    def all_positions(self) -> pd.DataFrame:
        """Every position."""
        return self.records.positions()

    @cached_property
    def positions(self) -> pd.DataFrame:
        """Positions whose first arc is dated in the week."""
        return self.begun(self.first, self.last)

    @cached_property
    def quarter(self) -> pd.DataFrame:
        """Positions begun in the thirteen weeks that end with this one."""
        return self.begun(self.quarter_starts, self.last)

    @cached_property
    def rework(self) -> pd.DataFrame:
        """Entries of the rework log written in the week."""
        return self.records.rework(since=self.first, until=self.last)

    @cached_property
    def attempts(self) -> pd.DataFrame:
        """Attempts up to the end of the week."""
        return self.records.attempts(until=self.last)

    @cached_property
    def measurements(self) -> pd.DataFrame:
        """Readings up to the end of the week."""
        return self.records.measurements(until=self.last)

    def begun(self, first: date, last: date) -> pd.DataFrame:
        """Positions whose first arc is dated in a period, both days included."""
        days = pd.to_datetime(self.all_positions["first_date"])
        inside = (days >= pd.Timestamp(first)) & (days <= pd.Timestamp(last))
        return self.all_positions[inside].reset_index(drop=True)


@dataclass(frozen=True, eq=False)
class Part:
    """A section with its tables: those of fixed columns, and further sheets."""

    section: Section
    stable: Mapping[str, pd.DataFrame] = field(default_factory=dict)
    further: Mapping[str, pd.DataFrame] = field(default_factory=dict)
