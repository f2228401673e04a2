"""What the splicers keep of it: records with displays, counters and clocks that are not perfect."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from yieldkit.records import tables
from yieldkit.simulate.chances import Array, Bools
from yieldkit.simulate.plan import CrewPlan, SplicerPlan
from yieldkit.simulate.roster import Ints, Roster, Work
from yieldkit.simulate.world import Happened

SPLICE_ERRORS = ("dust", "gap or offset", "arc", "bubble or neck", "proof test")
_ERROR_SHARES = (0.25, 0.3, 0.2, 0.15, 0.1)
START_MIN = 450.0
"""Work begins at 07:30."""


@dataclass(frozen=True, eq=False)
class Log:
    """All events that a splicer sees, in time order of each person; one entry a fibre or refusal.

    ``attempt`` is the index into ``Happened``; ``refusal`` marks a rejected cleave before the arc.
    """

    attempt: Ints
    refusal: Bools
    local: NDArray[np.datetime64]
    shown: NDArray[np.datetime64]
    repaired: Bools
    counter: Ints
    kept: Bools
    """False where the splicer did not keep the record, or somebody deleted it."""
    error: Ints
    """Index into ``records.tables.ERRORS``."""
    has_loss: Bools
    low_db: Array
    high_db: Array
    text: NDArray[np.object_]
    angle_crew: Array
    angle_other: Array
    place_known: Bools
    operator_known: Bools


def shown_loss(loss_db: Array, splicer: SplicerPlan) -> tuple[Array, Array, NDArray[np.object_]]:
    """Interval that the display leaves, and its text, for losses [dB] on one splicer.

    Examples
    --------
    >>> low, high, text = shown_loss(np.array([0.004, 0.017, 3.0]), SplicerPlan("SP-01"))
    >>> [str(t) for t in text], low.round(3).tolist(), high.round(3).tolist()
    (['0.00', '0.02', '>1.00'], [0.0, 0.015, 1.0], [0.005, 0.025, inf])
    """
    step = splicer.display_step_db
    half = 0.5 if splicer.display == "rounds" else 0.0
    ticks = np.floor(loss_db / step + half)
    low = np.maximum(ticks - half, 0) * step
    high = (ticks + 1 - half) * step
    decimals = max(0, int(np.ceil(-np.log10(step) - 1e-9)))
    top = 1 if not len(ticks) else int(max(ticks.max(), 0)) + 1
    words = np.array([f"{tick * step:.{decimals}f}" for tick in range(min(top, 5000))], object)
    text = words[np.minimum(ticks, len(words) - 1).astype(int)]
    if splicer.floor_db is not None:
        under = ticks * step < splicer.floor_db - 1e-9
        low, high = np.where(under, 0.0, low), np.where(under, splicer.floor_db, high)
        text = np.where(under, f"<{splicer.floor_db:.{decimals}f}", text)
    if splicer.ceiling_db is not None:
        above = ticks * step > splicer.ceiling_db + 1e-9
        low, high = np.where(above, splicer.ceiling_db, low), np.where(above, np.inf, high)
        text = np.where(above, f">{splicer.ceiling_db:.{decimals}f}", text)
    return low, high, text


def keep_log(
    plan: CrewPlan, roster: Roster, work: Work, happened: Happened, rng: np.random.Generator
) -> Log:
    """Times, counters, displays and gaps of all records."""
    attempt, refusal = _events(work, happened)
    local = _times(plan, roster, happened, attempt, refusal, rng)
    splicer = happened.splicer[attempt]
    error = _errors(happened, attempt, refusal, rng)
    size = len(attempt)
    kept = ~refusal | (rng.random(size) < plan.logging.refusals_recorded)
    counter = _counters(plan, happened, attempt, refusal, kept, splicer, local)
    failed = (happened.step[attempt] > 0) & (happened.step[attempt] < 4)
    bad = np.isin(
        happened.technician[attempt], [plan.technicians.index(p) for p in plan.logging.dishonest]
    )
    deleted = rng.random(happened.arc.max() + 1)[happened.arc[attempt]] < plan.logging.deleted
    kept &= ~(bad & failed & deleted)
    shown, repaired = _clocks(plan, splicer, local, kept)
    low, high = np.full(size, np.nan), np.full(size, np.nan)
    text = np.full(size, "", dtype=object)
    ok = np.isin(error, [tables.ERRORS.index("none"), tables.ERRORS.index("loss over limit")])
    has_loss = ok & ~refusal
    for i, unit in enumerate(plan.splicers):
        here = has_loss & (splicer == i)
        low[here], high[here], text[here] = shown_loss(happened.loss_db[attempt[here]], unit)
    angle_crew, angle_other = _angles(plan, happened, attempt, refusal, error, rng)
    arc = happened.arc[attempt]
    arcs = happened.arc.max() + 1
    return Log(
        attempt=attempt,
        refusal=refusal,
        local=local,
        shown=shown,
        repaired=repaired,
        counter=counter,
        kept=kept,
        error=error,
        has_loss=has_loss,
        low_db=low,
        high_db=high,
        text=text,
        angle_crew=angle_crew,
        angle_other=angle_other,
        place_known=rng.random(arcs)[arc] >= plan.logging.place_blank,
        operator_known=rng.random(arcs)[arc] >= plan.logging.operator_blank,
    )


def _events(work: Work, happened: Happened) -> tuple[Ints, Bools]:
    """Attempts in the order of each person's day, refusals before their arc."""
    order = np.lexsort(
        (
            happened.position,
            happened.try_no,
            work.group[happened.position],
            happened.technician,
            happened.day,
        )
    )
    times = happened.rejected[order] + 1
    attempt = np.repeat(order, times)
    last = np.cumsum(times) - 1
    refusal = np.ones(len(attempt), dtype=bool)
    refusal[last] = False
    return attempt, refusal


def _times(
    plan: CrewPlan,
    roster: Roster,
    happened: Happened,
    attempt: Ints,
    refusal: Bools,
    rng: np.random.Generator,
) -> NDArray[np.datetime64]:
    """Local time of each event: each person's minutes added up from the morning."""
    size = len(attempt)
    usual = min(24.0, 420.0 / plan.per_day)
    minutes = np.where(happened.try_no[attempt] > 1, 4.0, usual) * rng.gamma(4.0, 0.25, size)
    minutes = np.where(refusal, 1.5 * rng.gamma(4.0, 0.25, size), minutes)
    minutes = np.where(refusal | happened.leads[attempt], minutes + 0.3, 0.0)
    block = happened.day[attempt] * len(plan.technicians) + happened.technician[attempt]
    total = np.cumsum(minutes)
    begins = np.flatnonzero(np.r_[True, block[1:] != block[:-1]])
    before = np.repeat((total - minutes)[begins], np.diff(np.r_[begins, size]))
    seconds = ((START_MIN + total - before) * 60).astype("timedelta64[s]")
    days = roster.dates[happened.day[attempt]]
    return days.astype("datetime64[s]") + seconds


def _errors(happened: Happened, attempt: Ints, refusal: Bools, rng: np.random.Generator) -> Ints:
    """Class of each record's outcome."""
    codes = np.array([tables.ERRORS.index(name) for name in SPLICE_ERRORS])
    drawn = rng.choice(codes, p=_ERROR_SHARES, size=len(attempt))
    failed = (happened.step[attempt] == 1) & happened.own_fault[attempt]
    error = np.where(failed, drawn, tables.ERRORS.index("none"))
    error = np.where(happened.over[attempt], tables.ERRORS.index("loss over limit"), error)
    rejected = np.where(
        rng.random(len(attempt)) < 0.7,
        tables.ERRORS.index("cleave angle"),
        tables.ERRORS.index("end face"),
    )
    return np.where(refusal, rejected, error)


def _counters(
    plan: CrewPlan,
    happened: Happened,
    attempt: Ints,
    refusal: Bools,
    kept: Bools,
    splicer: Ints,
    local: NDArray[np.datetime64],
) -> Ints:
    """Running number of each record on its splicer; the fibres of a ribbon arc share one."""
    counter = np.zeros(len(attempt), dtype=np.int64)
    new = kept & (refusal | happened.leads[attempt])
    for i, unit in enumerate(plan.splicers):
        here = np.flatnonzero(splicer == i)
        order = here[np.lexsort((here, local[here]))]
        counter[order] = unit.counter_start + np.cumsum(new[order])
    # A ribbon's later fibres stand at the same second as the first and must not take the next.
    first = np.zeros(happened.arc.max() + 1, dtype=np.int64)
    leads = ~refusal & happened.leads[attempt]
    first[happened.arc[attempt[leads]]] = counter[leads]
    return np.where(refusal, counter, first[happened.arc[attempt]])


def _clocks(
    plan: CrewPlan, splicer: Ints, local: NDArray[np.datetime64], kept: Bools
) -> tuple[NDArray[np.datetime64], Bools]:
    """Times as the machines' clocks show them, and which of them are wrong by a quarter hour."""
    shown = local.copy()
    zoned = pd.DatetimeIndex(local).tz_localize(
        plan.zone, ambiguous=False, nonexistent="shift_forward"
    )
    off = (zoned.tz_localize(None) - zoned.tz_convert("UTC").tz_localize(None)).to_numpy()
    off = off.astype("timedelta64[s]")
    for i, unit in enumerate(plan.splicers):
        here = np.flatnonzero(splicer == i)
        if not len(here):
            continue
        shown[here] += np.timedelta64(int(unit.clock_off_min * 60), "s")
        if unit.keeps_summer_time:
            order = here[np.argsort(local[here], kind="stable")]
            shown[here] += off[order[0]] - off[here]
        if unit.dead_battery is not None:
            day, count = unit.dead_battery
            start = np.datetime64(plan.first_day, "D") + np.timedelta64(
                7 * (day // 5) + day % 5, "D"
            )
            order = here[np.argsort(local[here], kind="stable")]
            order = order[kept[order] & (local[order] >= start)][:count]
            if len(order):
                new = np.datetime64("2000-01-01T00:10:00", "s")
                shown[order] = new + (local[order] - local[order[0]])
    return shown, np.abs(shown - local) >= np.timedelta64(900, "s")


def _angles(
    plan: CrewPlan,
    happened: Happened,
    attempt: Ints,
    refusal: Bools,
    error: Ints,
    rng: np.random.Generator,
) -> tuple[Array, Array]:
    """Cleave angles of the crew's end and the other [deg]; a worn blade cleaves steeper."""
    size = len(attempt)
    worn = 1 + plan.wear.angle * happened.wear[attempt] ** 2
    crew = 0.40 * worn * rng.gamma(5.0, 0.2, size)
    other = 0.30 * rng.gamma(5.0, 0.2, size)
    steep = refusal & (error == tables.ERRORS.index("cleave angle"))
    crew = np.where(steep, 2.0 + rng.exponential(0.8, size), np.minimum(crew, 2.0))
    step = np.array([unit.angle_step_deg for unit in plan.splicers])[happened.splicer[attempt]]
    return np.round(np.round(crew / step) * step, 3), np.round(np.round(other / step) * step, 3)
