"""Day series of each unit: mix, people, partner kit, wear and the day's own level taken out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtri, pdtr

from yieldkit.crew import Crew
from yieldkit.records.tables import UNKNOWN

Array = NDArray[np.float64]
Whole = NDArray[np.int64]
UNITS = ("splicer", "cleaver", "heater", "connector_lot", "fibre_lot")
"""Kinds of unit that are watched; people are watched only where the settings say so."""
LOTS = ("connector_lot", "fibre_lot")
STEADY = ("splicer", "cleaver", "heater", "technician")
"""Kinds whose steady effects are taken out. Lots come and go: to take them out would hide a rise
that began with a lot, so they are watched and named, not taken out."""
LOT_SPREAD = {"estimated loss": 0.09, "failures": 0.5, "cleave angle": 0.09}
"""Variance of a usual lot's level about the crew's [scores squared]; its past before its first day.
Assumed, a little more than the spread of lots in the simulated crews."""
MOST_OPEN = 0.1
NAMELESS = (UNKNOWN, "", "unlogged")
CREW = "crew"
"""Kind of the stream of all joints together: test set, weather, a new kind of job."""
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


@dataclass(frozen=True, eq=False, kw_only=True)
class Readings:
    """One value a joint; the steady effects of all units are known and can be taken out.

    Parameters
    ----------
    quantity : str
        What the value is: estimated loss, cleave angle, failures.
    days : DatetimeIndex
        Days with joints.
    day : ndarray of int, shape (joints,)
        Place of the joint's day in ``days``.
    units : mapping of str to ndarray of int, shape (joints,)
        For each kind the place of its unit in ``names``, -1 where unknown.
    names : mapping of str to tuple of str
        Units of each kind.
    value : ndarray, shape (joints,)
        In its own unit; 0 or 1 for failures.
    score : ndarray, shape (joints,)
        Normal score before effects are taken out; expected failures for failures.
    ids : ndarray of str, shape (joints,)
        Attempts, or positions for failures.
    """

    quantity: str
    days: pd.DatetimeIndex
    day: Whole
    units: Mapping[str, Whole]
    names: Mapping[str, tuple[str, ...]]
    value: Array
    score: Array
    ids: NDArray[np.object_]

    def of(self, kind: str, unit: str) -> NDArray[np.bool_]:
        """Which joints were made on a unit; all of them for the crew."""
        if kind == CREW:
            return np.ones(len(self.day), bool)
        return self.units[kind] == self.names[kind].index(unit)

    @cached_property
    def _places(self) -> dict[tuple[str, str], Whole]:
        """Joints of every unit, sorted once: streams are many and asked for often."""
        found: dict[tuple[str, str], Whole] = {}
        for kind, code in self.units.items():
            order = np.argsort(code, kind="stable")
            ends = np.searchsorted(code[order], np.arange(len(self.names[kind]) + 1))
            for place, unit in enumerate(self.names[kind]):
                found[kind, unit] = order[ends[place] : ends[place + 1]]
        return found

    def joints(self, kind: str, unit: str) -> Whole:
        """Places of the joints made on a unit; of all joints for the crew."""
        return np.arange(len(self.day)) if kind == CREW else self._places[kind, unit]

    def since(self, kind: str, unit: str, day: pd.Timestamp) -> NDArray[np.bool_]:
        """Which joints were made on a unit on a day or later."""
        return self.of(kind, unit) & (self.day >= self.days.searchsorted(day))

    def streams(self, kinds: Sequence[str]) -> list[tuple[str, str]]:
        """Kind and unit of every stream of this quantity."""
        if self.quantity == "cleave angle":
            kinds = ["cleaver"]
        elif self.quantity == "estimated loss":  # the estimate comes before the heater
            kinds = [kind for kind in kinds if kind != "heater"]
        return [(kind, unit) for kind in kinds for unit in self.names.get(kind, ())]


def loss_readings(attempts: pd.DataFrame, crew: Crew) -> Readings:
    """Splicers' estimates of joints that have one; strata are type and splicer model."""
    rows = attempts[attempts["reached_arc"].fillna(False) & attempts["loss_low_db"].notna()]
    model = {row.unit: row.model or "one model" for row in crew.equipment}
    stratum = rows["connector_type"].fillna(UNKNOWN) + "|" + rows["splicer"].map(model).fillna("")
    low = rows["loss_low_db"].to_numpy(float)
    high = rows["loss_high_db"].to_numpy(float)
    value = (low + np.where(np.isfinite(high), high, low * 1.5)) / 2
    return _readings("estimated loss", rows, "date", "attempt_id", value, stratum)


def angle_readings(attempts: pd.DataFrame, service: pd.DataFrame) -> Readings:
    """Cleave angles of the crew's own end [deg], what blades usually wear taken out.

    The other end may have been cleaved at the factory and is left alone.
    """
    rows = attempts[attempts["angle_crew_deg"].notna()].sort_values("when", kind="stable")
    value = rows["angle_crew_deg"].to_numpy(float)
    stratum = pd.Series("all", index=rows.index)
    found = _readings("cleave angle", rows, "date", "attempt_id", value, stratum)
    return replace(found, score=found.score - usual_wear(found, service))


def failure_readings(positions: pd.DataFrame) -> Readings:
    """Decided positions: failed or not; ``score`` holds the expected failures from the type.

    A failure is known at once, a pass only after the test. Days with more than a tenth still open
    are left out, else the last days would always look bad.
    """
    open_ = positions["first_pass_termination"].eq("pending")
    share = open_.groupby(positions["first_date"]).transform("mean").fillna(1.0)
    decided = positions["first_pass_termination"].isin(["yes", "no"])
    made = positions[decided & (share <= MOST_OPEN)]
    failed = made["first_pass_termination"].eq("no").to_numpy().astype(float)
    stratum = made["connector_type"].fillna(UNKNOWN)
    found = _readings("failures", made, "first_date", "position_id", failed, stratum)
    return found


def _readings(
    quantity: str,
    rows: pd.DataFrame,
    day: str,
    key: str,
    value: Array,
    stratum: pd.Series,
) -> Readings:
    when = pd.to_datetime(rows[day])
    dated = when.notna().to_numpy()
    rows, value, when, stratum = rows[dated], value[dated], when[dated], stratum[dated]
    code, days = pd.factorize(when, sort=True)
    units: dict[str, Whole] = {}
    names: dict[str, tuple[str, ...]] = {}
    for kind in (*UNITS, "technician"):
        if kind in rows:
            words = rows[kind].astype(object)
            places, known = pd.factorize(
                words.where(words.notna() & ~words.isin(NAMELESS)), sort=True
            )
            units[kind], names[kind] = places.astype(np.int64), tuple(known)
    score = (
        expected_by_type(value, stratum)
        if quantity == "failures"
        else normal_scores(value, stratum)
    )
    return Readings(
        quantity=quantity,
        days=pd.DatetimeIndex(days),
        day=code.astype(np.int64),
        units=units,
        names=names,
        value=value,
        score=score,
        ids=rows[key].to_numpy(object),
    )


def normal_scores(value: Array, stratum: pd.Series) -> Array:
    """Normal score of each value within its stratum; tied values share the middle of their ranks.

    B. L. van der Waerden, Indag. Math. 14, 453-458, 1952; ties by mid-ranks. Rounded losses come in
    ties, so a score never claims more than the display shows.
    """
    grouped = pd.Series(value).groupby(stratum.to_numpy())
    rank, size = grouped.rank(method="average"), grouped.transform("size")
    return np.asarray(ndtri((rank - 0.5) / size), float)


def expected_by_type(failed: Array, stratum: pd.Series) -> Array:
    """Chance of failure from the type alone, few joints drawn towards the crew's mean."""
    if not len(failed):
        return failed
    code, _ = pd.factorize(stratum)
    made, lost = np.bincount(code), np.bincount(code, failed)
    chance: Array = (lost + 10 * failed.mean()) / (made + 10)
    return np.clip(chance[code], 1e-4, 0.95)


def usual_wear(angles: Readings, service: pd.DataFrame) -> Array:
    """How much the score usually rises with cleaves since the last rotation, for each joint.

    Taken from blades that were turned, up to the count at which nine in ten of them were; beyond
    it nothing more is usual, so that an overdue blade stands out. 0 where no rotation is logged.
    """
    count = cleaves_since_rotation(angles, service)
    known = count >= 0
    turned = service[service["event"].isin(["blade rotation", "blade replacement"])]
    if known.sum() < 100 or not len(turned):
        return np.zeros(len(count))
    ends = _counts_at_rotation(angles, count)
    if not len(ends):
        return np.zeros(len(count))
    habit = max(float(np.quantile(ends, 0.9)), 1.0)
    part = np.clip(count / habit, 0.0, 1.0)
    fit = known & (count <= habit)
    cleaver = angles.units["cleaver"]
    rise = part**2
    # The slope within cleavers: a cleaver's own level is no wear.
    x = _within(rise[fit], cleaver[fit])
    y = _within(angles.score[fit], cleaver[fit])
    slope = max(float(x @ y) / max(float(x @ x), 1e-9), 0.0)
    return np.where(known, slope * rise, slope * 0.5)


def _within(value: Array, unit: Whole) -> Array:
    """Values less the mean of their unit."""
    mean = np.bincount(unit, value) / np.maximum(np.bincount(unit), 1)
    return value - mean[unit]


def cleaves_since_rotation(readings: Readings, service: pd.DataFrame) -> Array:
    """Recorded cleaves since the cleaver's last logged rotation, -1 before the first one.

    A lower bound: cleaves that were thrown away unrecorded are not in it. Rows must be in order.
    """
    out = np.full(len(readings.day), -1.0)
    turned = service[service["event"].isin(["blade rotation", "blade replacement"])]
    for place, unit in enumerate(readings.names.get("cleaver", ())):
        own = np.flatnonzero(readings.units["cleaver"] == place)
        days = pd.to_datetime(turned.loc[turned["unit"] == unit, "date"]).dropna().sort_values()
        if not len(days) or not len(own):
            continue
        when = readings.days[readings.day[own]]
        last = np.searchsorted(days.to_numpy(), when.to_numpy(), side="right")
        first = np.searchsorted(last, last, side="left")
        count = np.arange(len(own)) - first
        # Blades already on when the records begin have an unknown count before it.
        sure = (last > 0) & (days.iloc[np.maximum(last - 1, 0)].to_numpy() >= when[0].to_numpy())
        out[own] = np.where(sure, count, -1.0)
    return out


def _counts_at_rotation(readings: Readings, count: Array) -> Array:
    """Recorded cleaves at the end of each blade position that was turned."""
    ends = []
    for place in range(len(readings.names["cleaver"])):
        own = count[readings.units["cleaver"] == place]
        ends.append(own[:-1][(np.diff(own) < 0) & (own[:-1] > 0)])
    return np.concatenate(ends) if ends else np.array([])


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
