"""Which splicer, cleaver, heater or lot has got worse, since when, and how sure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from yieldkit.answers.drift_signals import FRESH, Signal, all_series, find_signals
from yieldkit.answers.readings import (
    ANGLE,
    ARCS,
    CHECK,
    CREW,
    FAILURES,
    LOSS,
    REFERENCE,
    REFUSALS,
    TEST,
    UNITS,
    angle_readings,
    arc_readings,
    check_readings,
    failure_readings,
    insertion_loss_readings,
    loss_readings,
    refusal_readings,
)
from yieldkit.answers.result import Finding, Result
from yieldkit.answers.streams import Stream, adjusted
from yieldkit.crew import Crew
from yieldkit.methods.runlength.fleet import fading_shift, seen_within, shared_limits

if TYPE_CHECKING:
    from matplotlib.axes import Axes
from numpy.typing import NDArray

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
PROBABLE = 0.6
"""A suspect that is hardly likelier than all others together is to be watched, not acted on."""
REFERENCES = (0.35, 1.25)
"""Reference values of the two sums of each series: one for small rises, one for great ones."""
RISES = (1.25, 1.5, 2.0)
POWER = 0.8
"""A rise is said to be seen within a time where four in five such rises are."""
MOST_WEEKS = 26
STEPS = {
    ("splicer", LOSS): ("clean_groove", "arc"),
    ("splicer", CHECK): ("clean_groove", "arc"),
    ("splicer", REFUSALS): ("clean_groove", "arc"),
    ("cleaver", ANGLE): ("rotate_blade", "blade"),
    ("cleaver", LOSS): ("rotate_blade", "blade"),
    ("cleaver", FAILURES): ("rotate_blade", "blade"),
    ("cleaver", ARCS): ("rotate_blade", "blade"),
    ("cleaver", REFUSALS): ("rotate_blade", "blade"),
    ("cleaver", TEST): ("rotate_blade", "blade"),
    ("heater", FAILURES): ("check_heater", "cure"),
    ("heater", TEST): ("check_heater", "cure"),
    ("connector_lot", FAILURES): ("set_aside_lot", ""),
    ("connector_lot", LOSS): ("set_aside_lot", ""),
    ("connector_lot", TEST): ("set_aside_lot", ""),
    ("fibre_lot", FAILURES): ("set_aside_lot", ""),
    ("fibre_lot", LOSS): ("set_aside_lot", ""),
    ("fibre_lot", ARCS): ("set_aside_lot", ""),
    (CREW, FAILURES): ("reference_check", "laser"),
    (CREW, TEST): ("reference_check", "laser"),
    (CREW, CHECK): ("check_fibre", "arc"),
    (CREW, REFERENCE): ("reference_check", "laser"),
    (CREW, LOSS): ("find_the_carrier", ""),
    (CREW, ARCS): ("find_the_carrier", ""),
    (CREW, REFUSALS): ("find_the_carrier", ""),
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
            named=[f"{unit}, {of}" for unit, of in self.table[["unit", "quantity"]].to_numpy()],
        )


def drift_watch(
    attempts: pd.DataFrame,
    positions: pd.DataFrame,
    measurements: pd.DataFrame,
    service: pd.DataFrame,
    *,
    checks: pd.DataFrame | None = None,
    crew: Crew | None = None,
    since: date | None = None,
    until: date | None = None,
    confidence: float = 0.95,
    as_of: pd.Timestamp | None = None,
) -> DriftWatch:
    """Watch every unit for a rise in losses, cleave angles, failures, second arcs and refusals.

    Each unit is compared with its own past, with connector type, people, partner kit, usual wear
    and the day's common level taken out. Two CUSUMs of its day means signal, one for small rises
    and one for great ones; their limits keep the expected false alarms of all streams together at
    or under ``false_alarms_per_quarter`` in 13 weeks. Test readings and morning check splices are
    watched too, so that a dirty reference cord is seen as what all joints share. After
    a service the unit's rise is counted from nothing again; a turned blade is a new blade. A signal
    is taken out before the next is looked for.

    Parameters
    ----------
    attempts, positions, measurements, service : DataFrame
        The schema's tables.
    checks : DataFrame, optional
        Morning check splices and reference checks.
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
        ``size`` is new over old level, or new minus old level of cleave angles [deg] and test
        readings [dB].
    """
    crew = crew or Crew()
    attempts = _period(attempts, "date", since, until)
    positions = _period(positions, "first_date", since, until)
    measurements = _period(measurements, "date", since, until)
    quantities = [
        loss_readings(attempts, crew),
        angle_readings(attempts, service),
        failure_readings(positions),
        arc_readings(attempts),
        refusal_readings(attempts),
        insertion_loss_readings(measurements, positions),
    ]
    if checks is not None and len(checks):
        checks = _period(checks, "date", since, until)
        quantities += [check_readings(checks, kind) for kind in (CHECK, REFERENCE)]
    kinds = [*UNITS, *(["technician"] if crew.general.watch_technicians else [])]
    fresh = _services(service, quantities[0].names)
    plain = [adjusted(readings) for readings in quantities]
    begun = [all_series(now, kinds, fresh) for now in plain]
    points = [len(series.mean) for found in begun for *_, series, _ in found]
    limits = _limits(points, attempts, crew)
    streams: list[Stream] = []
    signals: list[Signal] = []
    for now, series in zip(plain, begun, strict=True):
        own, found = find_signals(now, series, kinds, fresh, limits=limits, confidence=confidence)
        streams, signals = streams + own, signals + found
    signals.sort(key=lambda signal: -signal.step.gain)
    rows = [_row(signal) for signal in signals]
    return DriftWatch(
        table=pd.DataFrame(rows, columns=[*COLUMNS, "gain", "n", "joints_since"]),
        findings=(
            *(_finding(row, s) for row, s in zip(rows, signals, strict=True)),
            _could_see(streams, limits, crew),
        ),  # fmt: skip
        settings={"limits": limits, "streams": len(streams)},
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


def _limits(points: Sequence[int], attempts: pd.DataFrame, crew: Crew) -> dict[float, float]:
    """Limits for all streams, from the points that each would have in 13 weeks."""
    days = pd.to_datetime(attempts["date"]).dropna()
    if not len(days) or not points:
        return dict.fromkeys(REFERENCES, 5.0)
    worked = days.nunique()
    quarter = min(WORKDAYS, 13 * worked / (((days.max() - days.min()).days + 1) / 7))
    each = [max(round(number * quarter / worked), 1) for number in points]
    alarms = min(crew.general.false_alarms_per_quarter, sum(each) / 20)
    found = shared_limits(each, alarms, references=REFERENCES)
    return {k: max(limit, 2.0 if k < 1 else 1.0) for k, limit in found.items()}


def _row(signal: Signal) -> dict[str, Any]:
    stream, onset = signal.stream, signal.onset
    return {
        "unit_kind": stream.kind,
        "unit": stream.unit,
        "quantity": stream.quantity,
        "since": signal.day(onset.first).date(),
        "since_low": signal.day(onset.first_low - 1).date(),
        "since_high": signal.day(onset.first_high).date(),
        "size": signal.size,
        "low": signal.low,
        "high": signal.high,
        "chance_this_unit": signal.chance,
        "not_separable_from": "; ".join(signal.same_joints),
        "suggested_step": STEPS.get((stream.kind, stream.quantity), ("arc_check", "arc"))[0],
        "gain": signal.step.gain,
        "n": signal.n,
        "joints_since": signal.joints_since,
    }


def _finding(row: dict[str, Any], signal: Signal) -> Finding:
    step, caution = STEPS.get((row["unit_kind"], row["quantity"]), ("arc_check", "arc"))
    sure = row["chance_this_unit"] >= PROBABLE
    return Finding(
        "drift_signal",
        row
        | {
            "others": signal.others,
            "sure": sure,
            "shape": signal.onset.shape,
            "nature": signal.nature,
        },
        severity="decide" if sure else "watch",
        step=step,
        caution=caution,
    )


def _could_see(streams: Sequence[Stream], limits: Mapping[float, float], crew: Crew) -> Finding:
    """Within how many weeks a rise of a splicer's mean loss would be seen, four times in five."""
    own = [s for s in streams if s.quantity == LOSS and s.kind == "splicer"]
    values = {"streams": len(streams), "alarms": crew.general.false_alarms_per_quarter}
    if not own:
        return Finding("drift_nothing_to_watch", values, severity="cannot tell")
    weeks = {
        rise: float(np.median([weeks_to_see(s, limits, loss_shift(rise)) for s in own]))
        for rise in RISES
    }
    return Finding("drift_could_see", values | {"weeks": weeks}, severity="note")


def weeks_to_see(stream: Stream, limits: Mapping[float, float], shift: float) -> float:
    """Whole weeks within which four in five rises by ``shift`` are seen; infinite past half a year.

    The stream's own points a week, their middle variance, and the past that it has now.
    """
    chances = chances_to_see(stream, limits, shift, MOST_WEEKS)
    enough = np.flatnonzero(chances >= POWER)
    return float(enough[0] + 1) if len(enough) else np.inf


def chances_to_see(
    stream: Stream, limits: Mapping[float, float], shift: float, weeks: int
) -> NDArray[np.float64]:
    """Chance that a rise is seen within 1, 2, ... ``weeks`` weeks, shape (weeks,).

    Services start the sums again as often as they did so far.
    """
    days, spread = stream.series.day, float(np.sqrt(np.median(stream.series.variance)))
    span = max(((days[-1] - days[0]).days + 1) / 7, 1.0)
    a_week = len(days) / span
    points = np.floor(a_week * np.arange(1, weeks + 1)).astype(int)
    if points[-1] < 1:
        return np.zeros(weeks)
    seen = seen_within(
        int(points[-1]),
        limits,
        shift=fading_shift(shift / spread, len(days), int(points[-1])),
    )
    unseen = np.append(1.0, np.where(points > 0, 1 - seen[np.maximum(points - 1, 0)], 1.0))
    again = float(-np.expm1(-stream.restarts / span))
    # Unseen so far: since the rise, or since the last service at the end of a week before.
    hidden = unseen * (1 - again) ** np.arange(weeks + 1)
    for week in range(1, weeks + 1):
        first = np.arange(1, week + 1)
        served = again * (1 - again) ** (first - 1) * unseen[first]
        hidden[week] += float(served @ hidden[week - first])
    return 1 - hidden[1:]


RANKS_KEEP = 0.9
"""Part of a rise that is left in the ranks of a type and model, which take the rest of it in."""


def loss_shift(rise: float) -> float:
    """Rise of a day's score when every loss of a unit grows by a factor.

    Near the logarithm, less what the ranks take in: simulated crews gave 0.22, 0.38 and 0.61 for
    1.25, 1.5 and 2 times (``docs/methods/drift.md``).
    """
    return float(RANKS_KEEP * np.log(rise))


def _behind(rows: Sequence[dict[str, Any]], attempts: pd.DataFrame) -> pd.DataFrame:
    """Joints made on a signalled unit since the earliest likely day; none for the whole crew."""
    columns = ["unit", "quantity", "attempt_id", "position_id"]
    parts = []
    for row in rows:
        if row["unit_kind"] == CREW or row["quantity"] == CHECK:
            continue  # a list of nearly all joints sends nobody anywhere
        late = pd.to_datetime(attempts["date"]) >= pd.Timestamp(row["since_low"])
        late &= attempts[row["unit_kind"]] == row["unit"]
        made = attempts.loc[late, ["attempt_id", "position_id"]]
        parts.append(made.assign(unit=row["unit"], quantity=row["quantity"]))
    return pd.concat(parts)[columns] if parts else pd.DataFrame(columns=columns)
