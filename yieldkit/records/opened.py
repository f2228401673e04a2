"""A crew's folder as notebooks and pages see it: settings, and each table as a DataFrame."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

from yieldkit.crew import Crew
from yieldkit.errors import CrewError
from yieldkit.records.settings import read_settings
from yieldkit.records.store import Store
from yieldkit.records.tables import TABLES, arrow_schema

if TYPE_CHECKING:
    import pandas as pd
    import pyarrow as pa

Day = date | datetime | str
DAY_OF = {
    "attempts": "date",
    "positions": "first_date",
    "rework": "logged",
    "measurements": "date",
    "kit_use": "date",
    "service": "date",
    "checks": "date",
    "stock": "date",
    "decisions": "date",
}
"""Column whose day, in the crew's zone, puts a row of a table into a period."""
_STARTS = {"Monday": 0, "Sunday": -1, "Saturday": -2}
_WEEK = re.compile(r"^(\d{4})-?[Ww](\d{1,2})$")


@dataclass(frozen=True)
class CrewRecords:
    """Settings and tables of one crew; see ``open_crew``.

    A period is ``week`` ("2026-W47" or any day in it) or ``since`` and ``until`` (days, both
    included). A table's days are in the crew's zone; positions go by the day of their first arc.
    """

    folder: Path
    settings: Crew
    as_of: pd.Timestamp

    def attempts(
        self, week: Day | None = None, since: Day | None = None, until: Day | None = None
    ) -> pd.DataFrame:
        """Arcs and recorded failures before the arc."""
        return self._table("attempts", week, since, until)

    def positions(
        self, week: Day | None = None, since: Day | None = None, until: Day | None = None
    ) -> pd.DataFrame:
        """Places that must end with an accepted joint, by the day of their first arc."""
        return self._table("positions", week, since, until)

    def rework(
        self, week: Day | None = None, since: Day | None = None, until: Day | None = None
    ) -> pd.DataFrame:
        """Entries of the rework log, by the day written."""
        return self._table("rework", week, since, until)

    def measurements(
        self, week: Day | None = None, since: Day | None = None, until: Day | None = None
    ) -> pd.DataFrame:
        """Test readings."""
        return self._table("measurements", week, since, until)

    def service(
        self, week: Day | None = None, since: Day | None = None, until: Day | None = None
    ) -> pd.DataFrame:
        """Service events."""
        return self._table("service", week, since, until)

    def kit_use(
        self, week: Day | None = None, since: Day | None = None, until: Day | None = None
    ) -> pd.DataFrame:
        """Who held which kit."""
        return self._table("kit_use", week, since, until)

    def stock(
        self, week: Day | None = None, since: Day | None = None, until: Day | None = None
    ) -> pd.DataFrame:
        """Stock moves."""
        return self._table("stock", week, since, until)

    def checks(
        self, week: Day | None = None, since: Day | None = None, until: Day | None = None
    ) -> pd.DataFrame:
        """Morning check splices and reference checks."""
        return self._table("checks", week, since, until)

    def decisions(
        self, week: Day | None = None, since: Day | None = None, until: Day | None = None
    ) -> pd.DataFrame:
        """Decisions of the weekly review."""
        return self._table("decisions", week, since, until)

    def planned(self) -> pd.DataFrame:
        """Positions meant to be done."""
        return self._table("planned")

    def jobs(self) -> pd.DataFrame:
        """Jobs."""
        return self._table("jobs")

    def equipment(self) -> pd.DataFrame:
        """Units with serial, validity and calibration due date."""
        return self._table("equipment")

    def files(self) -> pd.DataFrame:
        """Files taken in, with their accounting."""
        return self._table("files")

    def refused(self) -> pd.DataFrame:
        """Rows refused, with raw text and reason."""
        return self._table("refused")

    def held(self) -> pd.DataFrame:
        """Rows that conflict with another."""
        return self._table("held")

    def doubts(self) -> pd.DataFrame:
        """What the records leave open: ``kind``, ``item``, ``found``, ``suggested``, ``rows``."""
        return self._table("doubts")

    def default_week(self) -> str:
        """The last whole week at ``as_of``, such as "2026-W47"."""
        return last_whole_week(self.as_of.to_pydatetime(), self.settings)[2]

    def week_range(self, text: Day) -> tuple[date, date, str]:
        """First day, last day and label of a week named "2026-W47" or by any day in it.

        Raises
        ------
        CrewError
            If ``text`` names no week and no day.
        """
        return week_of(text, self.settings)

    def _table(
        self,
        name: str,
        week: Day | None = None,
        since: Day | None = None,
        until: Day | None = None,
    ) -> pd.DataFrame:
        frame = _read(Store(self.folder), name)
        if week is None and since is None and until is None:
            return frame
        if week is not None:
            since, until, _ = self.week_range(week)
        days = frame[DAY_OF[name]]
        chosen = days.notna()
        if since is not None:
            chosen &= days >= _stamp(since)
        if until is not None:
            chosen &= days <= _stamp(until)
        return frame[chosen].reset_index(drop=True)


def week_of(text: Day, crew: Crew) -> tuple[date, date, str]:
    """First day, last day and label of a week; see ``CrewRecords.week_range``."""
    shift = _STARTS[crew.general.week_starts]
    found = _WEEK.match(text.strip()) if isinstance(text, str) else None
    try:
        if found:
            monday = date.fromisocalendar(int(found[1]), int(found[2]), 1)
            first = monday + timedelta(days=shift)
        else:
            day = as_day(text)
            first = day - timedelta(days=(day.weekday() - shift) % 7)
    except ValueError as error:
        raise CrewError(
            "no such week",
            found=str(text),
            wanted="a week such as 2026-W47, or a day such as 2026-11-20",
        ) from error
    middle = (first + timedelta(days=3)).isocalendar()
    return first, first + timedelta(days=6), f"{middle.year}-W{middle.week:02d}"


def last_whole_week(as_of: datetime, crew: Crew) -> tuple[date, date, str]:
    """The last week that had ended, or was ending, on the day of ``as_of`` in the crew's zone."""
    day = as_of.astimezone(crew.zone).date()
    first, last, label = week_of(day, crew)
    if last <= day:
        return first, last, label
    return week_of(first - timedelta(days=1), crew)


def as_day(value: Day) -> date:
    """A day from a date, a time, or text such as "2026-11-20"."""
    if isinstance(value, datetime):
        return value.date()
    if isinstance(value, date):
        return value
    return date.fromisoformat(value.strip())


def _stamp(value: Day) -> pd.Timestamp:
    import pandas as pd

    try:
        return pd.Timestamp(as_day(value))
    except ValueError as error:
        raise CrewError(
            "no such day", found=str(value), wanted="a day such as 2026-11-20"
        ) from error


def open_crew(folder: Path | str) -> CrewRecords:
    """Open a crew's folder.

    Parameters
    ----------
    folder : path
        The folder that holds ``crew.xlsx`` (or ``crew.toml``) and the store.

    Returns
    -------
    CrewRecords
        ``settings``, ``as_of`` and each table as a DataFrame, by period.

    Raises
    ------
    CrewError
        If there are no settings, or nothing was taken in yet.
    """
    import pandas as pd

    folder = Path(folder)
    settings = read_settings(folder)
    state: dict[str, Any] = Store(folder).state()
    if "as_of" not in state:
        raise CrewError(
            "nothing was taken in yet",
            file=str(folder),
            remedy="Put files into inbox/ and run `yieldkit ingest`.",
        )
    return CrewRecords(folder, settings, pd.Timestamp(state["as_of"]))


def _read(store: Store, name: str, tries: int = 3) -> pd.DataFrame:
    """A table of the present generation; tried again if a run swapped it meanwhile."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    place = store.generation() / name
    try:
        parts = [pq.read_table(path) for path in sorted(place.glob("*.parquet"))]
    except FileNotFoundError:
        if tries <= 1:
            raise
        return _read(store, name, tries - 1)
    if not parts:
        schema = arrow_schema(TABLES[name]) if name in TABLES else pa.schema([])
        return _frame(schema.empty_table())
    return _frame(pa.concat_tables(parts))


def _frame(table: pa.Table) -> pd.DataFrame:
    return table.to_pandas(date_as_object=False)
