"""Values of single joints for the watch: losses, cleave angles and failures, with their units."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtri, xlogy

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
LOSS, ANGLE, FAILURES = "estimated loss", "cleave angle", "failures"
ARCS, REFUSALS = "second arcs", "refused cleaves"
TEST, CHECK, REFERENCE = "insertion loss", "check splice", "reference check"
COUNTED = (FAILURES, ARCS, REFUSALS)
"""Quantities that are nought or one a joint."""
WATCHED = {
    LOSS: ("splicer", "cleaver", *LOTS, "technician", CREW),  # made before the heater
    ANGLE: ("cleaver",),
    FAILURES: (*UNITS, "technician", CREW),
    ARCS: ("splicer", "cleaver", "fibre_lot", CREW),
    REFUSALS: ("cleaver", "splicer", CREW),
    TEST: ("splicer", "cleaver", "heater", "connector_lot", CREW),
    CHECK: ("splicer", CREW),
    REFERENCE: (CREW,),
}
"""Kinds of unit that each quantity is watched on. The crew's test readings are the day's test set
and reference cord; its check splices the reference fibre and the weather."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Readings:
    """One value a joint; the steady effects of all units are known and can be taken out.

    Parameters
    ----------
    quantity : str
        What the value is: a key of ``WATCHED``.
    days : DatetimeIndex
        Days with joints.
    day : ndarray of int, shape (joints,)
        Place of the joint's day in ``days``.
    units : mapping of str to ndarray of int, shape (joints,)
        For each kind the place of its unit in ``names``, -1 where unknown.
    names : mapping of str to tuple of str
        Units of each kind.
    value : ndarray, shape (joints,)
        In its own unit; 0 or 1 for what is counted.
    amount : ndarray, shape (joints,)
        What is summed: exponential score of the value within its stratum; 0 or 1.
    meant : ndarray, shape (joints,)
        Expected amount from the stratum alone.
    ids : ndarray of str, shape (joints,)
        Attempts, positions, or other rows.
    """

    quantity: str
    days: pd.DatetimeIndex
    day: Whole
    units: Mapping[str, Whole]
    names: Mapping[str, tuple[str, ...]]
    value: Array
    amount: Array
    meant: Array
    ids: NDArray[np.object_]

    @property
    def counted(self) -> bool:
        """Whether values are nought or one."""
        return self.quantity in COUNTED

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
        """Kind and unit of every stream of this quantity, the crew's last."""
        kinds = [kind for kind in kinds if kind in WATCHED[self.quantity]]
        found = [(kind, unit) for kind in kinds for unit in self.names.get(kind, ())]
        return [*found, (CREW, "the whole crew")] if CREW in WATCHED[self.quantity] else found


def loss_readings(attempts: pd.DataFrame, crew: Crew) -> Readings:
    """Splicers' estimates of joints that have one; strata are type and splicer model."""
    rows = attempts[attempts["reached_arc"].fillna(False) & attempts["loss_low_db"].notna()]
    model = {row.unit: row.model or "one model" for row in crew.equipment}
    stratum = (
        rows["connector_type"].fillna(UNKNOWN)
        + "|"
        + rows["splicer"].map(model).astype(object).fillna("")
    )
    value = _middle(rows["loss_low_db"], rows["loss_high_db"])
    return _readings(LOSS, rows, "date", "attempt_id", value, stratum)


def angle_readings(attempts: pd.DataFrame, service: pd.DataFrame) -> Readings:
    """Cleave angles of the crew's own end [deg], what blades usually wear taken out.

    The other end may have been cleaved at the factory and is left alone.
    """
    rows = attempts[attempts["angle_crew_deg"].notna()].sort_values("when", kind="stable")
    value = rows["angle_crew_deg"].to_numpy(float)
    found = _readings(ANGLE, rows, "date", "attempt_id", value, pd.Series("all", index=rows.index))
    return replace(found, meant=found.meant * usual_wear(found, service))


def failure_readings(positions: pd.DataFrame) -> Readings:
    """Decided positions: failed or not.

    A failure is known at once, a pass only after the test. Days with more than a tenth still open
    are left out, else the last days would always look bad.
    """
    open_ = positions["first_pass_termination"].eq("pending")
    share = open_.groupby(positions["first_date"]).transform("mean").fillna(1.0)
    decided = positions["first_pass_termination"].isin(["yes", "no"])
    made = positions[decided & (share <= MOST_OPEN)]
    failed = made["first_pass_termination"].eq("no").to_numpy().astype(float)
    return _readings(FAILURES, made, "first_date", "position_id", failed, _type(made))


def arc_readings(attempts: pd.DataFrame) -> Readings:
    """Joints that were arced: more than once or not. A second arc hides a bad first one."""
    rows = attempts[attempts["reached_arc"].fillna(False) & attempts["arcs"].notna()]
    again = rows["arcs"].to_numpy(float) > 1
    return _readings(ARCS, rows, "date", "attempt_id", again.astype(float), _type(rows))


def refusal_readings(attempts: pd.DataFrame) -> Readings:
    """Recorded attempts: refused before the arc (cleave angle, end face) or not."""
    rows = attempts[attempts["reached_arc"].notna()]
    refused = ~rows["reached_arc"].to_numpy(bool)
    return _readings(REFUSALS, rows, "date", "attempt_id", refused.astype(float), _type(rows))


def insertion_loss_readings(measurements: pd.DataFrame, positions: pd.DataFrame) -> Readings:
    """First insertion loss of each position, by the day of the test, with the kit that made it.

    Wavelengths of one test are averaged; what was read after cleaning is left out.
    """
    read = measurements[measurements["quantity"].eq(TEST) & measurements["repeat"].eq(1)]
    read = read[~read["after_cleaning"].fillna(False).astype(bool) & read["date"].notna()]
    value = _middle(read["value_low"], read["value_high"])
    tests = (
        read.assign(value=value)
        .groupby(["position_id", "date"], as_index=False, sort=True)["value"]
        .mean()
    )
    kit = ["position_id", "connector_type", *UNITS]
    rows = tests.merge(positions[[name for name in kit if name in positions]], on="position_id")
    return _readings(TEST, rows, "date", "position_id", rows["value"].to_numpy(float), _type(rows))


def check_readings(checks: pd.DataFrame, kind: str) -> Readings:
    """Morning check splices, with the splicer that made them, or checks of the reference cord.

    ``kind`` is ``CHECK`` or ``REFERENCE``.
    """
    rows = checks[checks["check"].eq(kind) & checks["value_low"].notna()]
    if kind == CHECK:
        rows = rows.rename(columns={"unit": "splicer"})
    value = _middle(rows["value_low"], rows["value_high"])
    return _readings(kind, rows, "date", "fingerprint", value, pd.Series("all", index=rows.index))


def _type(rows: pd.DataFrame) -> pd.Series:
    return rows["connector_type"].fillna(UNKNOWN)


def _middle(low: pd.Series, high: pd.Series) -> Array:
    """Middle of what the display can mean; half as much again beyond its ceiling."""
    least, most = low.to_numpy(float), high.to_numpy(float)
    return np.asarray((least + np.where(np.isfinite(most), most, least * 1.5)) / 2)


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
            units[kind], names[kind] = _named(rows[kind])
    counted = quantity in COUNTED
    return Readings(
        quantity=quantity,
        days=pd.DatetimeIndex(days),
        day=code.astype(np.int64),
        units=units,
        names=names,
        value=value,
        amount=value if counted else exponential_scores(value, stratum),
        meant=expected_by_type(value, stratum) if counted else np.ones(len(value)),
        ids=rows[key].to_numpy(object),
    )


def _named(words: pd.Series) -> tuple[Whole, tuple[str, ...]]:
    """Place of each word among the names in order, -1 where it is none."""
    code, found = pd.factorize(words)
    name = [str(word) for word in found]
    known = sorted(word for word in name if word not in NAMELESS)
    place = np.array([known.index(word) if word in known else -1 for word in name] + [-1], int)
    return place[code], tuple(known)


def exponential_scores(value: Array, stratum: pd.Series) -> Array:
    """Score of each value within its stratum as if values were exponential with mean 1.

    The expected exponential value in a value's share of the ranks, tied values sharing theirs
    (I. R. Savage, Ann. Math. Stat. 27, 590-615, 1956). Losses of two sideways errors are near
    exponential, and for those these scores lose nothing against the losses themselves (``docs/
    methods/drift.md``); others keep a score of the same shape, so no tail rules a day. Rounded
    losses come in ties: a score never claims more than the display shows.
    """
    grouped = pd.Series(value).groupby(stratum.to_numpy())
    size = grouped.transform("size").to_numpy(float)
    least = (grouped.rank(method="min").to_numpy(float) - 1) / size
    most = grouped.rank(method="max").to_numpy(float) / size

    def below(share: Array) -> Array:
        """Integral of -ln(1 - share)."""
        return np.asarray(xlogy(1 - share, np.maximum(1 - share, 1e-300)) + share)

    return np.asarray((below(most) - below(least)) / (most - least))


def normal_scores(value: Array, stratum: pd.Series) -> Array:
    """Normal score of each value within its stratum; tied values share the middle of their ranks.

    B. L. van der Waerden, Indag. Math. 14, 453-458, 1952; ties by mid-ranks.
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
    """Factor by which scores usually rise with cleaves since the last rotation, for each joint.

    Taken from blades that were turned, up to the count at which nine in ten of them were; beyond
    it nothing more is usual, so that an overdue blade stands out. 1 where no rotation is logged.
    """
    count = cleaves_since_rotation(angles, service)
    known = count >= 0
    turned = service[service["event"].isin(["blade rotation", "blade replacement"])]
    if known.sum() < 100 or not len(turned):
        return np.ones(len(count))
    ends = _counts_at_rotation(angles, count)
    if not len(ends):
        return np.ones(len(count))
    habit = max(float(np.quantile(ends, 0.9)), 1.0)
    part = np.clip(count / habit, 0.0, 1.0)
    fit = known & (count <= habit)
    cleaver = angles.units["cleaver"]
    rise = part**2
    # The slope within cleavers: a cleaver's own level is no wear.
    x = _within(rise[fit], cleaver[fit])
    y = _within(angles.amount[fit], cleaver[fit])
    slope = max(float(x @ y) / max(float(x @ x), 1e-9), 0.0)
    worn = 1 + slope * np.where(known, rise, 0.5)
    return np.asarray(worn / worn.mean())


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
