"""Which splicer, cleaver, heater or lot has got worse, since when, and how sure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy.special import ndtri

from yieldkit.answers.drift_signals import FRESH, Signal, Stream, all_series, find_signals
from yieldkit.answers.readings import CREW, UNITS, angle_readings, failure_readings, loss_readings
from yieldkit.answers.result import Finding, Result
from yieldkit.answers.streams import adjusted
from yieldkit.crew import Crew
from yieldkit.methods.runlength import cusum_mean_run_length
from yieldkit.methods.runlength.fleet import fleet_limit

if TYPE_CHECKING:
    from matplotlib.axes import Axes

COLUMNS = [
    "unit_kind",
    "unit",
    "quantity",
    "since",
    "since_low",
    "since_high",
    "size",
    "low",
    "high",
    "chance_this_unit",
    "not_separable_from",
    "suggested_step",
]
WORKDAYS = 65.0
"""Most working days in 13 weeks."""
EVEN = 0.5
"""A suspect under even odds is to be watched, not acted on."""
STEPS = {
    ("splicer", "estimated loss"): ("clean_groove", "arc"),
    ("splicer", "failures"): ("arc_check", "arc"),
    ("cleaver", "cleave angle"): ("rotate_blade", "blade"),
    ("cleaver", "estimated loss"): ("rotate_blade", "blade"),
    ("cleaver", "failures"): ("rotate_blade", "blade"),
    ("heater", "failures"): ("check_heater", "cure"),
    ("connector_lot", "failures"): ("set_aside_lot", ""),
    ("fibre_lot", "failures"): ("set_aside_lot", ""),
    ("connector_lot", "estimated loss"): ("set_aside_lot", ""),
    ("fibre_lot", "estimated loss"): ("set_aside_lot", ""),
    (CREW, "failures"): ("reference_check", ""),
    (CREW, "estimated loss"): ("find_the_carrier", ""),
}
"""Kind and quantity to the first step and its caution; else the arc check."""


@dataclass(frozen=True, eq=False, kw_only=True)
class DriftWatch(Result):
    """Signals and the streams behind them; see ``drift_watch``."""

    streams: tuple[Stream, ...] = ()

    def plot(self, ax: Axes) -> Axes:
        """Draw the watched sums of every stream, signals marked, on ``ax``."""
        from yieldkit.figures.drift import draw_watch

        return draw_watch(
            ax,
            [(f"{s.unit}, {s.quantity}", s.series.day, s.watch.sums) for s in self.streams],
            limit=self.settings["limit"],
            named=[f"{unit}, {of}" for unit, of in self.table[["unit", "quantity"]].to_numpy()],
        )


def drift_watch(
    attempts: pd.DataFrame,
    positions: pd.DataFrame,
    measurements: pd.DataFrame,
    service: pd.DataFrame,
    *,
    crew: Crew | None = None,
    since: date | None = None,
    until: date | None = None,
    confidence: float = 0.95,
    as_of: pd.Timestamp | None = None,
) -> DriftWatch:
    """Watch every unit for a rise in estimated loss, cleave angle and failures.

    Each unit is compared with its own past, with connector type, people, partner kit, usual wear
    and the day's common level taken out. A CUSUM of its day means signals; its limit keeps the
    expected false alarms of all streams together at ``false_alarms_per_quarter`` in 13 weeks. After
    a service the unit's rise is counted from nothing again; a turned blade is a new blade. A signal
    is taken out before the next is looked for.

    Parameters
    ----------
    attempts, positions, measurements, service : DataFrame
        The schema's tables.
    crew : Crew, optional
        Settings; defaults if missing.
    since, until : date, optional
        First and last day watched; everything if missing.
    confidence : float
        Coverage of the intervals [fraction].
    as_of : Timestamp, optional
        Newest record known.

    Returns
    -------
    DriftWatch
        ``table`` with ``COLUMNS``, and ``gain`` (log-likelihood), ``n`` and ``joints_since``:
        ``size`` is new over old level (mean loss, failures) or new minus old level [deg] (cleave
        angle).
    """
    crew = crew or Crew()
    attempts = _period(attempts, "date", since, until)
    positions = _period(positions, "first_date", since, until)
    quantities = [
        loss_readings(attempts, crew),
        angle_readings(attempts, service),
        failure_readings(positions),
    ]
    kinds = [*UNITS, *(["technician"] if crew.general.watch_technicians else [])]
    fresh = _services(service, quantities[0].names)
    points = [
        len(series.mean)
        for readings in quantities
        for *_, series, _ in all_series(adjusted(readings), kinds, fresh)
    ]
    limit = _limit(points, attempts, crew)
    streams: list[Stream] = []
    signals: list[Signal] = []
    for readings in quantities:
        own, found = find_signals(readings, kinds, fresh, limit=limit, confidence=confidence)
        streams, signals = streams + own, signals + found
    signals.sort(key=lambda signal: -signal.step.gain)
    rows = [_row(signal) for signal in signals]
    return DriftWatch(
        table=pd.DataFrame(rows, columns=[*COLUMNS, "gain", "n", "joints_since"]),
        findings=(
            *(_finding(row, s) for row, s in zip(rows, signals, strict=True)),
            _could_see(streams, limit, crew),
        ),  # fmt: skip
        settings={"limit": limit, "streams": len(streams)},
        confidence=confidence,
        as_of=as_of,
        behind=_behind(rows, attempts),
        streams=tuple(streams),
    )


def _period(
    table: pd.DataFrame, column: str, since: date | None, until: date | None
) -> pd.DataFrame:
    days = pd.to_datetime(table[column])
    keep = days.notna()
    if since is not None:
        keep &= days >= pd.Timestamp(since)
    if until is not None:
        keep &= days <= pd.Timestamp(until)
    return table[keep]


def _services(service: pd.DataFrame, names: Mapping[str, tuple[str, ...]]) -> dict[str, Any]:
    """Days on which a service may have set each unit back to its best."""
    found = {}
    for kind, events in FRESH.items():
        for unit in names.get(kind, ()):
            rows = service[(service["unit"] == unit) & service["event"].isin(events)]
            found[unit] = pd.DatetimeIndex(pd.to_datetime(rows["date"]).dropna().sort_values())
    return found


def _limit(points: Sequence[int], attempts: pd.DataFrame, crew: Crew) -> float:
    """One limit for all streams, from the points that each would have in 13 weeks."""
    days = pd.to_datetime(attempts["date"]).dropna()
    if not len(days) or not points:
        return 5.0
    worked = days.nunique()
    quarter = min(WORKDAYS, 13 * worked / (((days.max() - days.min()).days + 1) / 7))
    each = [max(round(number * quarter / worked), 1) for number in points]
    alarms = min(crew.general.false_alarms_per_quarter, sum(each) / 20)
    return max(fleet_limit(each, alarms), 2.0)


def _row(signal: Signal) -> dict[str, Any]:
    stream, step = signal.stream, signal.step
    return {
        "unit_kind": stream.kind,
        "unit": stream.unit,
        "quantity": stream.quantity,
        "since": signal.day(step.first).date(),
        "since_low": signal.day(step.first_low - 1).date(),
        "since_high": signal.day(step.first_high).date(),
        "size": signal.size,
        "low": signal.low,
        "high": signal.high,
        "chance_this_unit": signal.chance,
        "not_separable_from": "; ".join(signal.same_joints),
        "suggested_step": STEPS.get((stream.kind, stream.quantity), ("arc_check", "arc"))[0],
        "gain": step.gain,
        "n": signal.n,
        "joints_since": signal.joints_since,
    }


def _finding(row: dict[str, Any], signal: Signal) -> Finding:
    step, caution = STEPS.get((row["unit_kind"], row["quantity"]), ("arc_check", "arc"))
    sure = row["chance_this_unit"] >= EVEN
    return Finding(
        "drift_signal",
        row | {"others": signal.others, "sure": sure},
        severity="decide" if sure else "watch",
        step=step,
        caution=caution,
    )


def _could_see(streams: Sequence[Stream], limit: float, crew: Crew) -> Finding:
    """How long a rise of mean loss would take to be seen at this volume and alarm rate."""
    own = [s for s in streams if s.quantity == "estimated loss" and s.kind == "splicer"]
    values = {"streams": len(streams), "alarms": crew.general.false_alarms_per_quarter}
    if not own:
        return Finding("drift_nothing_to_watch", values, severity="cannot tell")
    spread = float(np.median([np.median(s.series.variance) for s in own]))
    per_week = float(np.median([_points_a_week(s) for s in own]))
    weeks = {
        rise: cusum_mean_run_length(limit, shift=loss_shift(rise) / np.sqrt(spread)) / per_week
        for rise in (1.25, 1.5, 2.0)
    }
    return Finding("drift_could_see", values | {"weeks": weeks}, severity="note")


def loss_shift(rise: float) -> float:
    """Mean rise of the normal score of an exponential loss that grows by a factor."""
    chance = (np.arange(2000) + 0.5) / 2000
    return float(np.mean(ndtri(1 - (1 - chance) ** rise)))


def _points_a_week(stream: Stream) -> float:
    days = stream.series.day
    return len(days) / max(((days[-1] - days[0]).days + 1) / 7, 1.0)


def _behind(rows: Sequence[dict[str, Any]], attempts: pd.DataFrame) -> pd.DataFrame:
    """Joints made on a signalled unit since the earliest likely day; none for the whole crew."""
    columns = ["unit", "quantity", "attempt_id", "position_id"]
    parts = []
    for row in rows:
        if row["unit_kind"] == CREW:
            continue  # a list of nearly all joints sends nobody anywhere
        late = pd.to_datetime(attempts["date"]) >= pd.Timestamp(row["since_low"])
        late &= attempts[row["unit_kind"]] == row["unit"]
        made = attempts.loc[late, ["attempt_id", "position_id"]]
        parts.append(made.assign(unit=row["unit"], quantity=row["quantity"]))
    return pd.concat(parts)[columns] if parts else pd.DataFrame(columns=columns)
