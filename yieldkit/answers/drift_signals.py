"""From streams to signals: the strongest one first, then what it does not explain."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtri, softmax

from yieldkit.answers.drift_size import nature_of, size_of
from yieldkit.answers.readings import CREW, LOTS, UNITS, Readings
from yieldkit.answers.streams import Adjusted, Series, Stream, adjusted, persistence
from yieldkit.methods.steps_up import (
    Onset,
    StepFound,
    likeliest_step,
    rise_onset,
    self_starting_cusum,
)

Array = NDArray[np.float64]
FEWEST_POINTS = 6
OVERLAP = 0.9
"""Two units that share at least this part of their joints cannot be told apart."""
MOST_SIGNALS = 6
"""Signals of one quantity; more than that is no longer about single units."""
NO_SOURCE = 3.5
"""Log-likelihood that a step gains by chance alone, being looked for at every point; a sum that
passed its limit and came back has less."""
MOST_LASTING = 3.0
"""Greatest factor on a variance for jobs and lots that last for days."""
FEWEST_UNITS = 3
CLEAR = 5.0
"""Log-likelihood of a step that is hardly a run of odd days."""
FORTNIGHT = 10
"""Days with joints that share one size of an explained step."""
LEAST_CHANCE = 0.05
"""A less likely source only echoes something else, seen or about to be."""
FRESH = {
    "splicer": ("electrode replacement", "repair", "cleaning", "arc calibration"),
    "cleaver": ("blade rotation", "blade height", "blade replacement", "repair"),
}
"""Service events after which a unit's rise is counted from nothing again."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Signal:
    """One unit that has got worse."""

    stream: Stream
    step: StepFound
    onset: Onset
    size: float
    low: float
    high: float
    n: int
    joints_since: int
    chance: float
    nature: str
    others: tuple[str, ...]
    same_joints: tuple[str, ...]

    def day(self, point: int) -> pd.Timestamp:
        """Day of a point of the series."""
        return self.stream.series.day[min(max(point, 0), len(self.stream.series.day) - 1)]


Begun = tuple[str, str, Series, NDArray[np.bool_]]
"""Kind, unit, points, and before which of them the sums start again."""


def all_series(
    now: Adjusted, kinds: Sequence[str], service: Mapping[str, pd.DatetimeIndex]
) -> list[Begun]:
    """Every stream of one quantity that is long enough, with its restarts."""
    found: list[Begun] = []
    for kind, unit in now.of.streams(kinds):
        series = now.series(kind, unit)
        days = service.get(unit, pd.DatetimeIndex([]))
        if kind == "cleaver" and len(days):
            # A fresh edge is another edge: what the last one did says nothing of it.
            series = _from(series, days[-1])
        if len(series.mean) < FEWEST_POINTS:
            continue
        again = np.zeros(len(series.mean), bool)
        first = series.day.searchsorted(days)
        again[first[first < len(again)]] = True
        found.append((kind, unit, series, again))
    lasting = _lasting([(kind, series) for kind, _, series, _ in found])
    return [
        (kind, unit, replace(series, variance=series.variance * lasting[kind]), again)
        for kind, unit, series, again in found
    ]


def _lasting(series: Sequence[tuple[str, Series]]) -> dict[str, float]:
    """For each kind how far days run together; at most ``MOST_LASTING``.

    From its middle unit, so that one that drifts does not hide itself; of one or two units, without
    a clear step of theirs.
    """
    found = {}
    for kind in {kind for kind, _ in series}:
        own = [s for k, s in series if k == kind]
        if len(own) < FEWEST_UNITS:
            own = [_without_step(s) for s in own]
        middle = float(np.median([persistence(s) for s in own]))
        found[kind] = float(np.clip(middle, 1.0, MOST_LASTING))
    return found


def _without_step(series: Series) -> Series:
    step = likeliest_step(series.mean, series.variance)
    if step is None or step.gain < CLEAR:
        return series
    late = np.arange(len(series.mean)) >= step.first
    return replace(series, mean=series.mean - step.size * late)


def _from(series: Series, day: pd.Timestamp) -> Series:
    keep = series.day >= day
    return Series(
        day=series.day[keep],
        mean=series.mean[keep],
        variance=series.variance[keep],
        n=series.n[keep],
    )


def find_signals(
    now: Adjusted,
    begun: Sequence[Begun],
    kinds: Sequence[str],
    service: Mapping[str, pd.DatetimeIndex],
    *,
    limits: Mapping[float, float],
    confidence: float,
) -> tuple[list[Stream], list[Signal]]:
    """Streams of one quantity, and the signals among them.

    ``now`` and ``begun`` are the readings with steady effects taken out, and their series.

    The stream with the clearest step is taken first; its step is taken out of its joints and all is
    fitted again, so that a partner that only shared its joints falls quiet by itself.
    """
    readings, explained = now.of, np.zeros(len(now.of.day))
    signals: list[Signal] = []
    asked: set[tuple[str, str]] = set()
    first: list[Stream] = []
    for turn in range(2 * MOST_SIGNALS):
        if turn:
            now = adjusted(readings, explained)
            begun = all_series(now, kinds, service)
        streams = [
            Stream(
                kind,
                unit,
                readings.quantity,
                series,
                self_starting_cusum(series.mean, series.variance, limits=limits, restart=again),
                int(again.sum()),
            )
            for kind, unit, series, again in begun
        ]
        first = streams if turn == 0 else first
        loud = [(s, _step(s, now)) for s in streams]
        worse = [
            (s, step)
            for s, step in loud
            if s.watch.signal is not None
            and step is not None
            and step.size > ndtri(confidence) * step.size_se
            and (s.kind, s.unit) not in asked
            and step.gain > NO_SOURCE
        ]
        if not worse or len(signals) == MOST_SIGNALS:
            break
        # A unit that drifts lifts the crew's mean, too: the crew is asked when no unit is left.
        stream, step = max(worse, key=lambda pair: (pair[0].kind != CREW, pair[1].gain))
        signal = _signal(stream, step, loud, now, confidence, explained == 0)
        asked.add((stream.kind, stream.unit))
        if signal.chance * (1 + len(signal.same_joints)) < LEAST_CHANCE:
            continue
        signals.append(signal)
        since = readings.since(stream.kind, stream.unit, signal.day(signal.onset.first))
        explained = explained + _explains(signal, now, since)
    return first, signals


def _step(stream: Stream, now: Adjusted) -> StepFound | None:
    """A series' likeliest step; a blade's evidence is weighed with the cleaver's whole past.

    Partners have all of theirs: with the new blade's few days alone its rise would be put to them.
    """
    step = likeliest_step(stream.series.mean, stream.series.variance)
    if step is None or stream.kind != "cleaver":
        return step
    whole = now.series(stream.kind, stream.unit)
    if len(whole.mean) == len(stream.series.mean):
        return step
    again = likeliest_step(whole.mean, whole.variance)
    if again is None or again.size <= 0 or step.size <= 0:
        return step
    return replace(step, gain=max(step.gain, again.gain))


def _explains(signal: Signal, now: Adjusted, since: NDArray[np.bool_]) -> Array:
    """Logarithm of the factor by which each joint's amount has risen.

    By fortnights since the onset, each drawn towards the whole step: a ramp taken out as one step
    would leave its end to be blamed on a partner.
    """
    day, out = now.of.day, np.zeros(len(since))
    old = now.of.of(signal.stream.kind, signal.stream.unit) & ~since
    # The unit's past lies below its mean, in which the rise has a part.
    before = (now.of.amount[old].sum() + 2) / (now.meant[old].sum() + 2)
    block = (day[since] - day[since].min()) // FORTNIGHT
    amount = np.bincount(block, now.of.amount[since])
    meant = np.bincount(block, now.meant[since]) * before
    few = 2 if now.of.counted else 10
    whole = (amount.sum() + 1) / (meant.sum() + 1)
    out[since] = np.log((amount + few * whole) / (meant + few))[block]
    return out


def _signal(
    stream: Stream,
    step: StepFound,
    loud: Sequence[tuple[Stream, StepFound | None]],
    now: Adjusted,
    confidence: float,
    plain: NDArray[np.bool_],
) -> Signal:
    since = stream.series.day[step.first]
    size, low, high, n = size_of(now, stream, since, confidence, plain)
    onset = rise_onset(stream.series.mean, stream.series.variance)
    onset = onset or Onset(step.first, step.first_low, step.first_high, 1, "either")
    earliest = stream.series.day[max(onset.first_low - 1, 0)]
    rivals = [
        (s, _shared_gain(stream, step, now) if s.kind == CREW and s != stream else other.gain)
        for s, other in loud
        if other is not None and (other.size > 0 or s.kind == CREW)
    ]
    names = [s.unit for s, _ in rivals]
    chances = softmax(np.array([gain for _, gain in rivals] + [NO_SOURCE]))
    alike = _same_joints(now.of, stream, since, earliest)
    # What made the same joints since then shares the chance, whatever its own past says.
    shared = [part for part, name in zip(chances, names, strict=False) if name in alike]
    chance = (chances[names.index(stream.unit)] + sum(shared)) / (1 + len(alike))
    likely = sorted(zip(chances[:-1], names, strict=True), reverse=True)
    return Signal(
        stream=stream,
        step=step,
        onset=onset,
        size=size,
        low=low,
        high=high,
        n=n,
        joints_since=int(now.of.since(stream.kind, stream.unit, earliest).sum()),
        chance=float(chance),
        nature=nature_of(now, stream, onset, size, confidence),
        others=tuple(name for part, name in likely if name != stream.unit and part >= 0.05),
        same_joints=alike,
    )


def _shared_gain(stream: Stream, step: StepFound, now: Adjusted) -> float:
    """Log-likelihood gained if what all share rose at a unit's step, not the unit.

    One size for the unit's joints and all others, against a size of the unit's own, the others
    staying as they were or, at the price of a second source (``NO_SOURCE``), rising by their own.
    The day's level is left in.
    """
    day = stream.series.day[step.first]
    own = _gap(now.apart(stream.kind, stream.unit, made=True), day)
    others = _gap(now.apart(stream.kind, stream.unit, made=False), day)
    (size, weight), (other_size, other_weight) = own, others
    pooled = _gain(size * weight + other_size * other_weight, weight + other_weight)
    alone = _gain(size * weight, weight)
    second = max(_gain(other_size * other_weight, other_weight) - NO_SOURCE, 0.0)
    return float(step.gain + pooled - alone - second)


def _gain(total: float, weight: float) -> float:
    """Log-likelihood of a mean above 0, from the weighted sum and the weights' sum."""
    return max(total, 0.0) ** 2 / weight / 2 if weight else 0.0


def _gap(series: Series, day: pd.Timestamp) -> tuple[float, float]:
    """Mean from a day on less the mean before it, and one over its variance."""
    late, weight = series.day >= day, 1 / series.variance
    if late.all() or not late.any():
        return 0.0, 0.0
    new = float(np.average(series.mean[late], weights=weight[late]))
    old = float(np.average(series.mean[~late], weights=weight[~late]))
    return new - old, float(1 / (1 / weight[late].sum() + 1 / weight[~late].sum()))


def _same_joints(
    readings: Readings, stream: Stream, since: pd.Timestamp, earliest: pd.Timestamp
) -> tuple[str, ...]:
    """Units that made nearly the same joints since the step, so that records cannot tell.

    So does a lot that began no earlier than the step may have (``earliest``).
    """
    late = readings.day >= readings.days.searchsorted(since)
    own = late & readings.of(stream.kind, stream.unit)
    before = readings.day < readings.days.searchsorted(earliest)
    found = []
    for kind in (*UNITS, "technician"):
        if kind == stream.kind or kind not in readings.units:
            continue
        for place, unit in enumerate(readings.names[kind]):
            other = late & (readings.units[kind] == place)
            both = (own & other).sum()
            shared = both / max(own.sum(), 1), both / max(other.sum(), 1)
            new_lot = kind in LOTS and not (before & (readings.units[kind] == place)).any()
            if both and (min(shared) >= OVERLAP or (new_lot and shared[0] >= OVERLAP)):
                found.append(str(unit))
    return tuple(found)
