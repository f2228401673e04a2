"""Values of single joints for the watch: losses, cleave angles and failures, with their units."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtri

from yieldkit.crew import Crew
from yieldkit.records.tables import UNKNOWN

Array = NDArray[np.float64]
Whole = NDArray[np.int64]
UNITS = ("splicer", "cleaver", "heater", "connector_lot", "fibre_lot")
"""Kinds of unit that are watched; people are watched only where the settings say so."""
LOTS = ("connector_lot", "fibre_lot")
MOST_OPEN = 0.1
NAMELESS = (UNKNOWN, "", "unlogged")
CREW = "crew"
"""Kind of the stream of all joints together: test set, weather, a new kind of job."""


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
