"""Which splicer, cleaver, heater or lot has got worse, since when, and how sure."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from scipy.special import ndtri, softmax

from yieldkit.answers.result import Finding, Result
from yieldkit.answers.streams import (
    UNITS,
    Joints,
    angle_joints,
    day_series,
    expected_failures,
    failure_series,
    loss_joints,
)
from yieldkit.crew import Crew
from yieldkit.methods.runlength import cusum_limit, cusum_mean_run_length
from yieldkit.methods.steps_up import StepFound, Watch, likeliest_step, self_starting_cusum
from yieldkit.records.tables import UNKNOWN

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
FEWEST_POINTS = 6
FRESH = {
    "splicer": ("electrode replacement", "repair", "cleaning"),
    "cleaver": ("blade rotation", "blade height", "blade replacement", "repair"),
}
"""Service events after which a unit's rise is counted from nothing again."""
OVERLAP = 0.9
"""Two units that share at least this part of their joints cannot be told apart."""
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
}


@dataclass(frozen=True, eq=False)
class Stream:
    """One unit's series of one quantity, with what the watch saw in it."""

    kind: str
    unit: str
    quantity: str
    series: pd.DataFrame
    watch: Watch
    joints: Joints | None


@dataclass(frozen=True, eq=False, kw_only=True)
class DriftWatch(Result):
    """Signals and the streams behind them; see ``drift_watch``."""

    streams: tuple[Stream, ...] = ()

    def plot(self, ax: Axes) -> Axes:
        """Draw the watched sums of every stream, signals marked, on ``ax``."""
        from yieldkit.figures.drift import draw_watch

        return draw_watch(
            ax,
            [
                (f"{stream.unit}, {stream.quantity}", stream.series.index, stream.watch.sums)
                for stream in self.streams
            ],
            limit=self.settings["limit"],
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

    Each unit is compared with its own past, with connector type, people, partner kit and the day's
    common level taken out. A CUSUM of its day means signals; its limit keeps the expected false
    alarms of all streams together at ``false_alarms_per_quarter`` in 13 weeks. After a service the
    unit's rise is counted from nothing again; a turned blade is a new blade.

    Parameters
    ----------
    attempts, positions, measurements, service : DataFrame
        The schema's tables.
    since, until : date, optional
        First and last day watched; everything if missing.

    Returns
    -------
    DriftWatch
        ``table`` with ``COLUMNS``: ``size`` is new over old level (mean loss, failures) or new
        minus old level [deg] (cleave angle).
    """
    crew = crew or Crew()
    attempts = _period(attempts, "date", since, until)
    positions = _period(positions, "first_date", since, until)
    joints = [loss_joints(attempts, crew), angle_joints(attempts, crew)]
    kinds = [*UNITS, *(["technician"] if crew.general.watch_technicians else [])]
    decided = expected_failures(positions, kinds)
    found = []
    for kind, unit, quantity, of, series in _series(joints, decided, kinds):
        days_in = _serviced(service, kind, unit)
        if kind == "cleaver" and len(days_in):
            # A fresh edge is another edge: what the last one did says nothing of it.
            series = series[series.index >= days_in[-1]]
        if len(series) >= FEWEST_POINTS:
            found.append((kind, unit, quantity, of, series, _restarts(series, days_in)))
    days = max(len(set(attempts["date"].dropna())), 1)
    quarter = min(65.0, 13.0 * days / max(_weeks(attempts), 1.0))
    points = sum(len(series) for *_, series, _ in found) / max(days, 1) * quarter
    length = max(points / crew.general.false_alarms_per_quarter, 20.0)
    limit = cusum_limit(length)
    streams = tuple(
        Stream(
            kind,
            unit,
            quantity,
            series,
            self_starting_cusum(series["mean"], series["variance"], limit=limit, restart=again),
            of,
        )
        for kind, unit, quantity, of, series, again in found
    )
    signals = [_signal(stream, streams, decided, confidence) for stream in streams]
    rows = [row for row in signals if row is not None]
    rows = _strongest(rows)
    table = pd.DataFrame(rows, columns=[*COLUMNS, "gain", "n", "joints_since"])
    findings = [_finding(row) for row in rows]
    findings.append(_could_see(streams, limit, crew))
    return DriftWatch(
        table=table,
        findings=tuple(findings),
        settings={"limit": limit, "streams": len(streams), "mean_run_length": length},
        confidence=confidence,
        as_of=as_of,
        behind=_behind(rows, attempts),
        streams=streams,
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


def _weeks(attempts: pd.DataFrame) -> float:
    days = pd.to_datetime(attempts["date"])
    return ((days.max() - days.min()).days + 1) / 7 if len(days) else 0.0


def _series(
    joints: list[Joints], decided: pd.DataFrame, kinds: list[str]
) -> Iterator[tuple[str, str, str, Joints | None, pd.DataFrame]]:
    """Every unit's series of every quantity."""
    for of in joints:
        for kind in ["cleaver"] if of.quantity == "cleave angle" else kinds:
            for unit in sorted(set(of.rows[kind]) - {UNKNOWN}) if kind in of.rows else ():
                yield kind, unit, of.quantity, of, day_series(of, kind, unit)
    for kind in kinds:
        for unit in sorted(set(decided[kind]) - {UNKNOWN}):
            yield kind, unit, "failures", None, failure_series(decided, kind, unit)


def _serviced(service: pd.DataFrame, kind: str, unit: str) -> pd.DatetimeIndex:
    """Days on which a service may have set the unit back to its best."""
    rows = service[(service["unit"] == unit) & service["event"].isin(FRESH.get(kind, ()))]
    return pd.DatetimeIndex(pd.to_datetime(rows["date"]).dropna().sort_values())


def _restarts(series: pd.DataFrame, days: pd.DatetimeIndex) -> np.ndarray:
    """Points that are the first on or after a service day."""
    again = np.zeros(len(series), bool)
    first = series.index.searchsorted(days)
    again[first[first < len(series)]] = True
    return again


def _signal(
    stream: Stream, streams: tuple[Stream, ...], decided: pd.DataFrame, confidence: float
) -> dict | None:
    series = stream.series
    if stream.watch.signal is None:
        return None
    step = likeliest_step(series["mean"], series["variance"])
    if step is None or step.size <= ndtri(confidence) * step.size_se:
        return None  # it rose and came back
    since = series.index[step.first]
    size, low, high, n = _size(stream, since, decided, confidence)
    partners = _partners(stream, since, decided)
    step_code, _ = STEPS.get((stream.kind, stream.quantity), ("arc_check", "arc"))
    return {
        "unit_kind": stream.kind,
        "unit": stream.unit,
        "quantity": stream.quantity,
        "since": since.date(),
        "since_low": series.index[max(step.first_low - 1, 0)].date(),
        "since_high": series.index[step.first_high].date(),
        "size": size,
        "low": low,
        "high": high,
        "chance_this_unit": _chance(stream, streams, step),
        "not_separable_from": "; ".join(partners),
        "suggested_step": step_code,
        "gain": step.gain,
        "n": n,
        "joints_since": int(series["n"][series.index >= since].sum()),
    }


def _size(
    stream: Stream, since: pd.Timestamp, decided: pd.DataFrame, confidence: float
) -> tuple[float, float, float, int]:
    """New over old level with its interval from day means; cleave angle as a difference [deg]."""
    factor = ndtri((1 + confidence) / 2)
    if stream.joints is None:
        rows = decided[decided[stream.kind] == stream.unit]
        rows = rows[rows["first_date"] >= stream.series.index[0]]
        new = rows["first_date"] >= since
        fails = [rows.loc[part, "failed"].sum() + 0.5 for part in (new, ~new)]
        meant = [rows.loc[part, "expected"].sum() + 1e-9 for part in (new, ~new)]
        ratio = np.log((fails[0] / meant[0]) / (fails[1] / meant[1]))
        wide = factor * np.sqrt(1 / fails[0] + 1 / fails[1])
        return float(np.exp(ratio)), *_around(ratio, wide), len(rows)
    rows = stream.joints.rows
    rows = rows[(rows[stream.kind] == stream.unit) & (rows["date"] >= stream.series.index[0])]
    days = rows.groupby("date")["value"].agg(["mean", "size"])
    new = days.index >= since
    mean, var = [], []
    for part in (new, ~new):
        weight = days.loc[part, "size"]
        level = float(np.average(days.loc[part, "mean"], weights=weight))
        spread = float(np.average((days.loc[part, "mean"] - level) ** 2, weights=weight))
        mean.append(level)
        var.append(spread / max(part.sum() - 1, 1))
    if stream.quantity == "cleave angle":
        wide = factor * np.sqrt(var[0] + var[1])
        gap = mean[0] - mean[1]
        return gap, gap - wide, gap + wide, len(rows)
    ratio = np.log(mean[0] / mean[1])
    wide = factor * np.sqrt(var[0] / mean[0] ** 2 + var[1] / mean[1] ** 2)
    return float(np.exp(ratio)), *_around(ratio, wide), len(rows)


def _around(ratio: float, wide: float) -> tuple[float, float]:
    """Ends of an interval given on a log scale."""
    return float(np.exp(ratio - wide)), float(np.exp(ratio + wide))


def _chance(stream: Stream, streams: tuple[Stream, ...], step: StepFound) -> float:
    """Chance that this unit is the source, among units of the same quantity, at even odds."""
    gains = [step.gain]
    for other in streams:
        if other.quantity != stream.quantity or other is stream:
            continue
        found = likeliest_step(other.series["mean"], other.series["variance"])
        gains.append(found.gain if found is not None and found.size > 0 else 0.0)
    return float(softmax(np.array(gains))[0])


def _partners(stream: Stream, since: pd.Timestamp, decided: pd.DataFrame) -> list[str]:
    """Units that made nearly the same joints since the step, so that records cannot tell."""
    if stream.joints is None:
        rows, day = decided, "first_date"
    else:
        rows, day = stream.joints.rows, "date"
    rows = rows[rows[day] >= since]
    own = rows[stream.kind] == stream.unit
    found = []
    for kind in (*UNITS, "technician"):
        if kind == stream.kind or kind not in rows:
            continue
        for unit, share in rows.loc[own, kind].value_counts(normalize=True).items():
            back = own[rows[kind] == unit].mean()
            if unit != UNKNOWN and min(share, back) >= OVERLAP:
                found.append(str(unit))
    return found


def _strongest(rows: list[dict]) -> list[dict]:
    """Signals in order of evidence; a partner's echo of a clearer signal is left out."""
    kept: list[dict] = []
    for row in sorted(rows, key=lambda row: -row["gain"]):
        same = [
            other
            for other in kept
            if other["quantity"] == row["quantity"] and other["gain"] > row["gain"] + 3
        ]
        echo = any(row["chance_this_unit"] < 0.05 for _ in same)
        if not echo:
            kept.append(row)
    return kept


def _finding(row: dict) -> Finding:
    step, caution = STEPS.get((row["unit_kind"], row["quantity"]), ("arc_check", "arc"))
    return Finding("drift_signal", row, severity="decide", step=step, caution=caution)


def _could_see(streams: tuple[Stream, ...], limit: float, crew: Crew) -> Finding:
    """How long a rise of half in mean loss would take to be seen at this volume and alarm rate."""
    own = [
        stream
        for stream in streams
        if stream.quantity == "estimated loss" and stream.kind == "splicer"
    ]
    values = {"streams": len(streams), "alarms": crew.general.false_alarms_per_quarter}
    if not own:
        return Finding("drift_nothing_to_watch", values, severity="cannot tell")
    weeks = {}
    for rise in (1.25, 1.5, 2.0):
        # Mean rise of an exponential loss's normal score when every loss grows by this factor.
        chance = (np.arange(2000) + 0.5) / 2000
        shift = np.mean(ndtri(1 - (1 - chance) ** rise)) - np.mean(ndtri(chance))
        typical = np.median([stream.series["variance"].median() for stream in own])
        days = cusum_mean_run_length(limit, shift=shift / np.sqrt(typical))
        span = [(s.series.index[-1] - s.series.index[0]).days / 7 / len(s.series) for s in own]
        weeks[rise] = days * float(np.median(span))
    return Finding("drift_could_see", values | {"weeks": weeks}, severity="note")


def _behind(rows: list[dict], attempts: pd.DataFrame) -> pd.DataFrame:
    """Joints made on a signalled unit since the earliest likely day."""
    parts = []
    for row in rows:
        made = attempts[
            (attempts[row["unit_kind"]] == row["unit"])
            & (pd.to_datetime(attempts["date"]) >= pd.Timestamp(row["since_low"]))
        ]
        parts.append(
            made[["attempt_id", "position_id"]].assign(unit=row["unit"], quantity=row["quantity"])
        )
    columns = ["unit", "quantity", "attempt_id", "position_id"]
    return pd.concat(parts)[columns] if parts else pd.DataFrame(columns=columns)
