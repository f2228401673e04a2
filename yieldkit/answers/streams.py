"""Day series of each unit: people, partner kit and the day's own level taken out."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtri, pdtr

from yieldkit.answers.readings import CREW, LOTS, UNITS, Readings
from yieldkit.methods.steps_up import recursive_residuals

Array = NDArray[np.float64]
Whole = NDArray[np.int64]
STEADY = ("splicer", "cleaver", "heater", "technician")
"""Kinds whose steady effects are taken out. Lots come and go: to take them out would hide a rise
that began with a lot, so they are watched and named, not taken out."""
LOT_SPREAD = {"estimated loss": 0.09, "failures": 0.5, "cleave angle": 0.09}
"""Variance of a usual lot's level about the crew's [scores squared]; its past before its first day.
Assumed, a little more than the spread of lots in the simulated crews."""
_MEDIAN_RANGE = 0.9538725524
_PER_BLOCK = 2.0
"""Expected failures that make a point: fewer would be mostly nought or one."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Series:
    """One unit's points of one quantity in time order, as normal scores.

    Parameters
    ----------
    day : DatetimeIndex, shape (points,)
        Day of each point, or first day of its block.
    mean, variance : ndarray, shape (points,)
        Score, and its variance.
    n : ndarray of int, shape (points,)
        Joints behind each point.
    """

    day: pd.DatetimeIndex
    mean: Array
    variance: Array
    n: Whole


def steady_effects(readings: Readings, score: Array, *, rounds: int = 20) -> Array:
    """Sum of the units' shrunken mean effects for each joint, by repeated sweeps.

    Each sweep takes a unit's mean residual, shrunk as a random effect whose variance is a quarter
    of a joint's (D. Bates et al., J. Stat. Softw. 67, 2015, for such models); an unknown unit has
    effect 0.
    """
    codes = [readings.units[kind] + 1 for kind in STEADY if kind in readings.units]  # 0: unknown
    sizes = [np.bincount(code, minlength=1) + 4.0 for code in codes]
    effects = [np.zeros(len(size)) for size in sizes]
    middle = score.mean() if len(score) else 0.0
    rest = score - middle
    for _ in range(rounds):
        for code, size, effect in zip(codes, sizes, effects, strict=True):
            change = (np.bincount(code, rest, minlength=len(size)) + effect * (size - 4.0)) / size
            change[0] = 0.0
            rest -= (change - effect)[code]
            effect[:] = change
    return score - rest


def expected_failures(readings: Readings, *, rounds: int = 8) -> Array:
    """Expected failures of each position from type, people and all units it was made with.

    Each unit multiplies the chance by its failures over those expected, drawn towards 1 as by four
    further failures, in sweeps until they agree (iterative proportional fitting; W. E. Deming and
    F. F. Stephan, Ann. Math. Stat. 11, 427-444, 1940).
    """
    chance = readings.score.copy()
    factors = {k: np.ones(len(readings.names[k]) + 1) for k in STEADY if k in readings.names}
    for _ in range(rounds):
        for kind, factor in factors.items():
            code = readings.units[kind] + 1
            failed = np.bincount(code, readings.value, minlength=len(factor))
            meant = np.bincount(code, chance, minlength=len(factor)) / factor
            new = (failed + 4.0) / (meant + 4.0)
            new[0] = 1.0
            chance *= (new / factor)[code]
            factor[:] = new
    return np.clip(chance, 1e-4, 0.95)


@dataclass(frozen=True, eq=False)
class Adjusted:
    """Readings with steady effects, and steps already explained, taken out.

    For failures ``rest`` is the expected failures; else the score that is left.
    """

    of: Readings
    rest: Array
    within: float
    between: float

    def series(self, kind: str, unit: str) -> Series:
        """Points of one unit, the day's common level taken out where others show it.

        A lot has no past: it begins with a point without joints at the crew's level.
        """
        found = self._own_series(kind, unit)
        if kind not in LOTS or not len(found.mean):
            return found
        return Series(
            day=found.day.insert(0, found.day[0]),
            mean=np.append(0.0, found.mean),
            variance=np.append(LOT_SPREAD[self.of.quantity], found.variance),
            n=np.append(0, found.n),
        )

    def _own_series(self, kind: str, unit: str) -> Series:
        if self.of.quantity == "failures":
            return self._failures(kind, unit)
        own = self.of.joints(kind, unit)
        n, total = self._by_day(own, self.rest)
        seen = n > 0
        mean = total[seen] / n[seen]
        if kind == CREW:
            variance = self.within / n[seen] + self.between
            return Series(
                day=self.of.days[seen], mean=mean, variance=variance, n=n[seen].astype(int)
            )
        all_n, all_sum, _ = self._whole_days
        others = (all_n - n)[seen]
        # Other units' mean tells the day's level; it is believed as far as its own spread allows.
        noise = self.within / np.maximum(others, 1) + self.between / 2
        believed = np.where(others > 0, self.between / (self.between + noise), 0.0)
        common = believed * (all_sum - total)[seen] / np.maximum(others, 1)
        variance = self.within / n[seen] + self.between + believed**2 * noise
        return Series(
            day=self.of.days[seen], mean=mean - common, variance=variance, n=n[seen].astype(int)
        )

    @cached_property
    def _whole_days(self) -> tuple[Array, Array, Array]:
        """Joints of each day, and the sums of what is left of their scores and of their values."""
        every = np.arange(len(self.of.day))
        return *self._by_day(every, self.rest), self._by_day(every, self.of.value)[1]

    def _by_day(self, own: Whole, weight: Array) -> tuple[Array, Array]:
        days = len(self.of.days)
        place = self.of.day[own]
        return (
            np.bincount(place, minlength=days).astype(float),
            np.bincount(place, weight[own], minlength=days).astype(float),
        )

    def _failures(self, kind: str, unit: str) -> Series:
        """Blocks of days with enough expected failures; normal score of the chance (mid-P).

        A day on which the others failed more often, too, raises what is expected; how far they are
        believed follows from how much days differ (``between``, squared variation).
        """
        own = self.of.joints(kind, unit)
        n, meant = self._by_day(own, self.rest)
        _, failed = self._by_day(own, self.of.value)
        if kind != CREW and self.between > 0:
            _, all_meant, all_failed = self._whole_days
            other_failed, other_meant = all_failed - failed, all_meant - meant
            sure = 1 / self.between
            meant = meant * (other_failed + sure) / (other_meant + sure)
        block = (np.cumsum(meant) / _PER_BLOCK).astype(int)
        sums = [np.bincount(block, x) for x in (meant, failed, n)]
        full = sums[0] >= _PER_BLOCK / 2
        first = np.searchsorted(block, np.flatnonzero(full))
        lost, expected = sums[1][full], np.maximum(sums[0][full], 1e-9)
        middle = (np.where(lost > 0, pdtr(lost - 1, expected), 0.0) + pdtr(lost, expected)) / 2
        return Series(
            day=self.of.days[first],
            mean=np.asarray(ndtri(np.clip(middle, 1e-9, 1 - 1e-9)), float),
            variance=np.full(len(lost), self.within),
            n=sums[2][full].astype(int),
        )


def adjusted(readings: Readings, explained: Array | None = None) -> Adjusted:
    """Take out steady effects, and what is already explained.

    Parameters
    ----------
    readings : Readings
        One quantity.
    explained : ndarray, shape (joints,), optional
        Step of each joint that is explained by signals already found: added to the score, or, for
        failures, the logarithm of the factor on the expected failures.
    """
    steps = np.zeros(len(readings.day)) if explained is None else explained
    if readings.quantity == "failures":
        fitted = replace(readings, score=readings.score * np.exp(steps))
        meant = expected_failures(fitted)
        return Adjusted(readings, meant, *_failure_spread(readings, meant))
    score = readings.score - steps
    rest = score - steady_effects(readings, score)
    return Adjusted(readings, rest, *_score_spread(readings, rest))


def _score_spread(readings: Readings, rest: Array) -> tuple[float, float]:
    """Within-day variance and day-to-day variance of kit, by analysis of variance."""
    if not len(rest):
        return 1.0, 0.05
    kit = [readings.units.get(kind, np.zeros(len(rest), int)) + 1 for kind in UNITS[:2]]
    key = (kit[0] * 1000 + kit[1]) * (len(readings.days) + 1) + readings.day
    _, code = np.unique(key, return_inverse=True)
    size = np.bincount(code).astype(float)
    mean = np.bincount(code, rest) / size
    free = len(rest) - len(size)
    if free < 5:
        return 1.0, 0.05
    within = float(((rest - mean[code]) ** 2).sum() / free)
    within = max(within, 1e-6)  # where all values are the same
    # Sum over cells of n (mean^2) has expectation cells * within + joints * between.
    between = float((size * mean**2).sum() - len(size) * within) / float(size.sum())
    return within, max(between, 0.01 * within)


def _failure_spread(readings: Readings, meant: Array) -> tuple[float, float]:
    """Variance of a block's score (1 for pure chance), and squared variation between days."""
    if not len(meant):
        return 1.0, 0.0
    failed, expected = np.bincount(readings.day, readings.value), np.bincount(readings.day, meant)
    between = float(((failed - expected) ** 2 - expected).sum() / (expected**2).sum())
    between = float(np.clip(between, 0.0, 0.5))
    plain = Adjusted(readings, meant, 1.0, between)
    steps = [
        np.diff(plain.series(kind, unit).mean)
        for kind, unit in readings.streams(UNITS[:3])
        if kind in readings.names
    ]
    moved = np.concatenate(steps) if steps else np.zeros(0)
    if len(moved) < 10:
        return 1.2, between
    # Differences from block to block, robust: a drift hardly shows in them.
    spread = float(np.median(np.abs(moved)) / _MEDIAN_RANGE) ** 2
    return max(spread, 1.0), between


def persistence(series: Series, *, most: int = 5) -> float:
    """Variance of long sums over that of independent points: jobs and lots last for days.

    One plus twice the first autocorrelations of the differences from the past (M. S. Bartlett,
    J. R. Stat. Soc. Suppl. 8, 27-41, 1946); 1 for fewer than 20 points.
    """
    moved = recursive_residuals(series.mean, series.variance)[1:]
    if len(moved) < 20:
        return 1.0
    moved = moved - moved.mean()
    square = float(moved @ moved)
    lagged = sum(float(moved[:-lag] @ moved[lag:]) for lag in range(1, most + 1))
    return 1 + 2 * lagged / max(square, 1e-12)
