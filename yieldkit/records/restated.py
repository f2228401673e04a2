"""What a run changes in the first-pass figures of the weeks told before."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING

from yieldkit.crew import Crew
from yieldkit.records.opened import last_whole_week, week_of
from yieldkit.records.tables import FIRST_PASS
from yieldkit.wording.records import earlier_restated, restated, unchanged

if TYPE_CHECKING:
    import pyarrow as pa

Days = Mapping[str, Mapping[str, int]]
"""By the day of the first arc (ISO): positions by first-pass answer, as the state keeps them."""
_EPOCH = date(1970, 1, 1).toordinal()


def first_passes(positions: pa.Table) -> dict[str, dict[str, int]]:
    """First-pass answers of each day [positions]; those without a day count nowhere."""
    import pyarrow as pa
    import pyarrow.compute as pc

    day = positions["first_date"].cast(pa.int32())
    answer = positions["first_pass_termination"].cast(pa.string())
    number = pc.index_in(answer, pa.array(FIRST_PASS))
    found = pc.value_counts(pc.add(pc.multiply(day, len(FIRST_PASS)), number).drop_null())
    days: dict[str, dict[str, int]] = {}
    for code, count in sorted(tuple(row.values()) for row in found.to_pylist()):
        at, told = divmod(code, len(FIRST_PASS))
        on = date.fromordinal(_EPOCH + at).isoformat()
        days.setdefault(on, {})[FIRST_PASS[told]] = count
    return days


def changed(
    before: Days | None, after: Days, as_of: datetime, crew: Crew, decided: int
) -> Iterator[str]:
    """What a run changed in first-pass figures: of the last whole week, and of earlier ones.

    ``decided`` counts the decisions applied and taken back.
    """
    if before is None:
        return
    first, _, label = last_whole_week(as_of, crew)
    was, now = (_by_week(days, first) for days in (before, after))
    nothing = dict.fromkeys(FIRST_PASS, 0)
    if was.get(0) != now.get(0):
        yield restated(label, was.get(0, nothing), now.get(0, nothing))
    elif decided:
        yield unchanged(label)
    weeks = [week for week in sorted(was) if week < 0 and was[week] != now.get(week)]
    if weeks:
        yield earlier_restated([week_of(first + timedelta(weeks=week), crew)[2] for week in weeks])


def _by_week(days: Days, first: date) -> dict[int, dict[str, int]]:
    """First-pass answers of each week, counted from the week that begins on ``first``."""
    weeks: dict[int, dict[str, int]] = {}
    for day, answers in days.items():
        at = (date.fromisoformat(day) - first).days // 7
        week = weeks.setdefault(at, dict.fromkeys(FIRST_PASS, 0))
        for answer, count in answers.items():
            week[answer] += count
    return weeks
