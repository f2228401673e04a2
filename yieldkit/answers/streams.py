"""Day series of each unit: people, partner kit and the day's own level taken out."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtri, pdtr

from yieldkit.answers.readings import CREW, LOTS, UNITS, Readings
from yieldkit.methods.steps_up import Watch, recursive_residuals

Array = NDArray[np.float64]
Whole = NDArray[np.int64]
STEADY = ("splicer", "cleaver", "heater", "technician")
"""Kinds whose steady effects are taken out. Lots come and go: to take them out would hide a rise
that began with a lot, so they are watched and named, not taken out."""
LOT_SPREAD = 0.09
LOT_SPREAD_COUNTED = 0.5
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


@dataclass(frozen=True, eq=False)
class Stream:
    """One unit's series of one quantity, with what the watch saw in it.

    ``restarts`` counts the services before which the sums started again.
    """

    kind: str
    unit: str
    quantity: str
    series: Series
    watch: Watch
    restarts: int = 0


def expected_amounts(readings: Readings, meant: Array, *, rounds: int = 10) -> Array:
    """Expected amount of each joint from its type, people and all units it was made with.

    Each unit multiplies the amount by its sum over that expected, drawn towards 1 as by an amount
    of four more, in sweeps until they agree (iterative proportional fitting; W. E. Deming and
    F. F. Stephan, Ann. Math. Stat. 11, 427-444, 1940).
    """
    chance = meant.copy()
    codes = {k: readings.units[k] + 1 for k in STEADY if k in readings.units}  # 0: unknown
    factors = {kind: np.ones(len(readings.names[kind]) + 1) for kind in codes}
    sums = {k: np.bincount(c, readings.amount, len(factors[k])) for k, c in codes.items()}
    for _ in range(rounds):
        for kind, code in codes.items():
            factor = factors[kind]
            expected = np.bincount(code, chance, minlength=len(factor)) / factor
            new = (sums[kind] + 4.0) / (expected + 4.0)
            new[0] = 1.0
            chance *= (new / factor)[code]
            factor[:] = new
    return np.clip(chance, 1e-4, 0.95 if readings.counted else None)


@dataclass(frozen=True, eq=False)
class Adjusted:
    """Readings beside what is expected of each joint, steps already explained included.

    ``within`` is the variance of one joint's score over its expected one, or of a block's score for
    what is counted; ``between`` the squared relative variation between days.
    """

    of: Readings
    meant: Array
    within: float
    between: float

    def series(self, kind: str, unit: str) -> Series:
        """Points of one unit, the day's common level taken out where others show it.

        A lot has no past: it begins with a point without joints at the crew's level.
        """
        found = self._points(self.of.joints(kind, unit), alone=kind == CREW)
        if kind not in LOTS or not len(found.mean):
            return found
        usual = LOT_SPREAD_COUNTED if self.of.counted else LOT_SPREAD
        return Series(
            day=found.day.insert(0, found.day[0]),
            mean=np.append(0.0, found.mean),
            variance=np.append(usual, found.variance),
            n=np.append(0, found.n),
        )

    def apart(self, kind: str, unit: str, *, made: bool) -> Series:
        """Points of all joints made on a unit, or of all others, the day's level left in."""
        return self._points(np.flatnonzero(self.of.of(kind, unit) == made), alone=True)

    def _points(self, own: Whole, *, alone: bool) -> Series:
        return self._blocks(own, alone) if self.of.counted else self._day_means(own, alone)

    def _day_means(self, own: Whole, alone: bool) -> Series:
        """A day's sum of scores over that expected, by cube root (``near_normal``)."""
        n, meant, amount = self._by_day(own)
        seen = n > 0
        mean = near_normal(amount[seen] / meant[seen], n[seen], self.within)
        variance = self.within / n[seen] + self.between
        if not alone:
            # Other units tell the day's level, believed as far as their own spread allows.
            all_n, all_meant, all_amount = self._whole_days
            others = (all_n - n)[seen]
            some = others > 0
            noise = self.within / np.maximum(others, 1) + self.between / 2
            believed = np.where(some, self.between / (self.between + noise), 0.0)
            ratio = (all_amount - amount)[seen] / np.where(some, (all_meant - meant)[seen], 1.0)
            ratio = np.maximum(ratio, 0.0)
            mean = mean - believed * near_normal(ratio, np.maximum(others, 1), self.within)
            variance = variance + believed**2 * noise
        return Series(day=self.of.days[seen], mean=mean, variance=variance, n=n[seen].astype(int))

    @cached_property
    def _whole_days(self) -> tuple[Array, Array, Array]:
        return self._by_day(np.arange(len(self.of.day)))

    def _by_day(self, own: Whole) -> tuple[Array, Array, Array]:
        """Joints, expected amount and amount of each day."""
        days, place = len(self.of.days), self.of.day[own]
        n = np.bincount(place, minlength=days).astype(float)
        sums = [np.bincount(place, x[own], minlength=days) for x in (self.meant, self.of.amount)]
        return n, sums[0].astype(float), sums[1].astype(float)

    def _blocks(self, own: Whole, alone: bool) -> Series:
        """Blocks of days with enough expected failures; normal score of the chance (mid-P).

        A day on which the others failed more often, too, raises what is expected; how far they are
        believed follows from how much days differ (``between``, squared variation).
        """
        n, meant, failed = self._by_day(own)
        if not alone and self.between > 0:
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


def near_normal(ratio: Array, n: Array, within: float) -> Array:
    """Score of a mean of ``n`` near exponential values over the expected one: 0 if as expected.

    Three times the cube root less its mean: near N(0, within / n) (E. B. Wilson and M. M. Hilferty,
    Proc. Nat. Acad. Sci. 17, 684-688, 1931); a rise to ``r`` times lifts it by 3 (r^(1/3) - 1).
    """
    return np.asarray(3 * (np.cbrt(ratio) - 1 + within / (9 * n)))


def adjusted(readings: Readings, explained: Array | None = None) -> Adjusted:
    """Take out steady effects, and what is already explained.

    Parameters
    ----------
    readings : Readings
        One quantity.
    explained : ndarray, shape (joints,), optional
        Logarithm of the factor by which signals already found explain each joint's amount.
    """
    meant = readings.meant if explained is None else readings.meant * np.exp(explained)
    meant = expected_amounts(readings, meant)
    spread = _block_spread if readings.counted else _score_spread
    return Adjusted(readings, meant, *spread(readings, meant))


def _score_spread(readings: Readings, meant: Array) -> tuple[float, float]:
    """Variance of joints within a kit's day, and of one day against the next.

    Days by differences of a kit's successive days, in which a drift hardly shows (J. von Neumann
    et al., Ann. Math. Stat. 12, 153-162, 1941); how far days run together is told apart
    (``persistence``).
    """
    if not len(meant):
        return 1.0, 0.05
    rest = readings.amount / meant - 1
    kit = [readings.units.get(kind, np.zeros(len(rest), int)) + 1 for kind in UNITS[:2]]
    days = len(readings.days) + 1
    cell, code = np.unique((kit[0] * 1000 + kit[1]) * days + readings.day, return_inverse=True)
    size = np.bincount(code).astype(float)
    mean = np.bincount(code, rest) / size
    free = len(rest) - len(size)
    if free < 5:
        return 1.0, 0.05
    within = float(((rest - mean[code]) ** 2).sum() / free)
    within = max(within, 1e-6)  # where all values are the same
    next_day = cell[1:] // days == cell[:-1] // days
    if not next_day.any():
        return within, 0.05
    noise = within * (1 / size[1:] + 1 / size[:-1])[next_day]
    between = np.average((np.diff(mean)[next_day] ** 2 - noise) / 2, weights=1 / noise)
    return within, max(float(between), 0.01 * within)


def _block_spread(readings: Readings, meant: Array) -> tuple[float, float]:
    """Variance of a block's score (1 for pure chance), and squared variation between days."""
    if not len(meant):
        return 1.0, 0.0
    failed, expected = np.bincount(readings.day, readings.amount), np.bincount(readings.day, meant)
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
