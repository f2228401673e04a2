"""Could we even see this? A change tried on simulated crews, watched as the real one is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from yieldkit.methods.proportions import proportion
from yieldkit.simulate.crew import SimulatedCrew, simulate
from yieldkit.simulate.plan import CrewPlan, Shift

if TYPE_CHECKING:
    from yieldkit.answers.drift import DriftWatch


def watch(crew: SimulatedCrew) -> DriftWatch:
    """The package's own watch over all records of a simulated crew."""
    from yieldkit.answers.drift import drift_watch

    tables = crew.tables
    return drift_watch(
        tables["attempts"],
        tables["positions"],
        tables["measurements"],
        tables["service"],
        crew=crew.crew,
        as_of=crew.as_of,
    )


def first_alarms(found: DriftWatch) -> pd.DataFrame:
    """Day by which each stream's sum had passed its limit; missing where it never did.

    Returns
    -------
    DataFrame
        ``kind``, ``unit``, ``quantity``, ``day``.
    """
    rows = []
    for stream in found.streams:
        over = np.flatnonzero(stream.watch.sums > 1)
        days = stream.series.day
        day: object = pd.NaT
        if len(over):
            # A point may be a block of days: it is known once the next one begins.
            after = over[0] + 1
            day = days[after] - pd.Timedelta(days=1) if after < len(days) else days[-1]
        rows.append((stream.kind, stream.unit, stream.quantity, day))
    return pd.DataFrame(rows, columns=["kind", "unit", "quantity", "day"]).astype(
        {"day": "datetime64[ms]"}
    )


def could_we_see(
    plan: CrewPlan,
    shift: Shift,
    *,
    crews: int = 20,
    seed: int = 0,
    weeks: Sequence[int] = (1, 2, 4, 8),
    confidence: float = 0.95,
) -> pd.DataFrame:
    """How soon the watch would see a change, tried on simulated crews.

    Parameters
    ----------
    plan : CrewPlan
        A crew like yours; ``typical_crew(...)`` with your numbers of people and positions a day.
    shift : Shift
        The change. It should begin some weeks after the plan does, and weeks before it ends.
    crews : int
        Crews tried; a crew of six over 13 weeks takes about three seconds.
    seed : int
        Seed of the study.
    weeks : sequence of int
        Weeks after the change for which to tell.
    confidence : float
        Of the intervals, which tell how sure this many crews leave us [fraction].

    Returns
    -------
    DataFrame
        A row a number of weeks: ``seen`` (share of crews in which any series of the unit gave a
        signal by then) with ``low`` and ``high``; ``other_first``: share in which another unit gave
        one after the change and before this one did; ``crews``.

    Raises
    ------
    ValueError
        If the change begins after the plan ends.

    Examples
    --------
    >>> from yieldkit.simulate import Shift, typical_crew
    >>> shift = Shift("splicer", "SP-01", start_day=30, loss_factor=2.0)
    >>> could_we_see(typical_crew(13), shift, crews=40)  # doctest: +SKIP
    """
    if shift.start_day >= plan.days:
        raise ValueError(
            f"the change begins on day {shift.start_day}, the plan has {plan.days} working days"
        )
    changed = replace(plan, shifts=(*plan.shifts, shift))
    mine, others = [], []
    for i in range(crews):
        crew = simulate(changed, seed=int(np.random.SeedSequence([seed, i]).generate_state(1)[0]))
        onset = crew.truth.onsets["date"].iloc[-1]
        alarms = first_alarms(watch(crew))
        alarms = alarms[alarms["day"] >= onset]
        own = (alarms["kind"] == shift.kind) & (alarms["unit"] == shift.unit)
        mine.append((alarms.loc[own, "day"].min() - onset) / pd.Timedelta(days=7))
        others.append((alarms.loc[~own, "day"].min() - onset) / pd.Timedelta(days=7))
    own_weeks = np.nan_to_num(np.array(mine, dtype=float), nan=np.inf)
    other_weeks = np.nan_to_num(np.array(others, dtype=float), nan=np.inf)
    seen = np.array([(own_weeks < week).sum() for week in weeks])
    found = proportion(seen, np.full(len(seen), crews), confidence=confidence)
    wrong = [((other_weeks < week) & (other_weeks < own_weeks)).mean() for week in weeks]
    return pd.DataFrame(
        {
            "weeks": list(weeks),
            "seen": found.estimate,
            "low": found.low,
            "high": found.high,
            "other_first": wrong,
            "crews": crews,
        }
    )
