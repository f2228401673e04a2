"""Test readings, days later, by another person; and what dirt does to them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from yieldkit.records import tables
from yieldkit.simulate import frames
from yieldkit.simulate.attempts import place_texts
from yieldkit.simulate.chances import Array, Bools
from yieldkit.simulate.plan import CrewPlan
from yieldkit.simulate.roster import Ints, Roster, Work
from yieldkit.simulate.settings import TESTER
from yieldkit.simulate.world import Happened


@dataclass(frozen=True, eq=False)
class Readings:
    """One entry a test of one position."""

    attempt: Ints
    local: NDArray[np.datetime64]
    passed: Bools
    cleaned: Bools
    il_1310: Array
    il_1550: Array
    return_loss: Array
    """NaN where none was read."""
    end_face_ok: Bools
    forward: Array
    """One-way losses at 1550 nm of splices read from both ends; NaN elsewhere."""
    backward: Array


def take_readings(
    plan: CrewPlan, roster: Roster, work: Work, happened: Happened, rng: np.random.Generator
) -> Readings:
    """Draw the readings of all tests that fell into the period."""
    tested = np.flatnonzero((happened.test_day >= 0) & (happened.test_day < plan.days))
    tested = tested[rng.random(len(tested)) >= plan.testing.missing]
    tested = tested[np.lexsort((happened.position[tested], happened.test_day[tested]))]
    fails = happened.own_fault[tested] & (happened.step[tested] > 0)
    # A dirty end face costs a second test; only joints that are in order pass it.
    dirty = ~fails & (rng.random(len(tested)) < plan.testing.dirty)
    attempt = np.repeat(tested, 1 + dirty)
    second = np.zeros(len(attempt), dtype=bool)
    second[1:] = attempt[1:] == attempt[:-1]
    first_dirty = np.repeat(dirty, 1 + dirty) & ~second
    bad = np.repeat(fails, 1 + dirty) | first_dirty
    kind = work.kind[happened.position[attempt]]
    size = len(attempt)
    return _readings(plan, happened, attempt, kind, bad, second, first_dirty, rng, size, roster)


def _readings(
    plan: CrewPlan,
    happened: Happened,
    attempt: Ints,
    kind: Ints,
    bad: Bools,
    second: Bools,
    dirty: Bools,
    rng: np.random.Generator,
    size: int,
    roster: Roster,
) -> Readings:
    splice = np.array([k.design == "D" for k in plan.types])[kind]
    limit = np.array([k.test_limit_db or 0.5 for k in plan.types])[kind]
    reflects = np.array([k.return_loss for k in plan.types])[kind]
    loss, excess = happened.loss_db[attempt], happened.excess_db[attempt]
    longer = loss + excess
    shorter = np.where(splice, 0.78 * loss + excess, longer - rng.uniform(0, 0.03, size))
    back = happened.return_loss_db[attempt]
    face = ~(bad & (happened.step[attempt] == 4)) & ~dirty
    floor = plan.testing.return_loss_limit_db
    weak = back < (floor if floor is not None else -np.inf)
    # A fault found at the test shows in a reading: too much loss, or too much reflection.
    hidden = bad & face & ~(longer > limit) & ~(weak & reflects)
    by_back = hidden & reflects & (rng.random(size) < 0.3)
    raised = limit + 0.01 + rng.exponential(0.2, size)
    longer = np.where(hidden & ~by_back, raised, np.where(dirty, longer + 0.3, longer))
    shorter = np.where(hidden & ~by_back, raised - 0.01, np.where(dirty, shorter + 0.3, shorter))
    back = np.where(by_back, (floor or 45.0) - 0.2 - rng.exponential(4.0, size), back)
    two_way = splice & plan.testing.two_way_splices
    half = plan.testing.mismatch_sd_db * rng.standard_normal(size)
    per_day = happened.test_day[attempt]
    order = pd.Series(np.arange(size)).groupby(per_day).cumcount().to_numpy()
    counts = np.bincount(per_day, minlength=plan.days)[per_day]
    minutes = 480 + 450 * order / np.maximum(counts, 1)
    local = roster.dates[per_day].astype("datetime64[s]")
    local = local + (minutes * 60).astype("timedelta64[s]")
    return Readings(
        attempt=attempt,
        local=local.astype("datetime64[m]").astype("datetime64[s]"),
        passed=~bad,
        cleaned=second,
        il_1310=np.where(two_way, np.nan, longer),
        il_1550=np.where(two_way, np.nan, shorter),
        return_loss=np.where(reflects, back, np.nan),
        end_face_ok=face,
        forward=np.where(two_way, shorter + half, np.nan),
        backward=np.where(two_way, shorter - half, np.nan),
    )


def measurements_table(
    plan: CrewPlan, happened: Happened, readings: Readings, names: dict[str, pd.Series]
) -> pd.DataFrame:
    """The ``measurements`` table: a row a reading, two decimals (return loss one)."""
    parts = (
        ("insertion loss", 1310.0, "", readings.il_1310, 2),
        ("insertion loss", 1550.0, "", readings.il_1550, 2),
        ("one-way loss", 1550.0, "A to B", readings.forward, 2),
        ("one-way loss", 1550.0, "B to A", readings.backward, 2),
        ("return loss", np.nan, "", readings.return_loss, 1),
        ("end face", np.nan, "", np.where(np.isnan(readings.return_loss), np.nan, 0.0), 0),
    )
    there = [np.flatnonzero(~np.isnan(part[3])) for part in parts]
    test = np.concatenate(there)
    which = np.repeat(np.arange(len(parts)), [len(t) for t in there])
    value = np.concatenate([part[3][t] for part, t in zip(parts, there, strict=True)])
    order = np.lexsort((which, test))
    test, which, value = test[order], which[order], value[order]
    step = np.array([0.01, 0.01, 0.01, 0.01, 0.1, 1.0])[which]
    shown = np.round(value / step) * step
    face = which == 5
    text = [f"{v:.2f}" if s < 0.05 else f"{v:.1f}" for v, s in zip(shown, step, strict=True)]
    passed = readings.passed[test]
    position = happened.position[readings.attempt[test]]
    place = {name: column.iloc[position].reset_index(drop=True) for name, column in names.items()}
    local = readings.local[test]
    word = np.where(readings.end_face_ok[test], "pass", "fail").astype(object)
    repeat = pd.Series(np.arange(len(test))).groupby([position, which]).cumcount().to_numpy() + 1
    columns: dict[str, object] = {
        "measurement_id": frames.texts([f"test-{t}|{w}" for t, w in zip(test, which, strict=True)]),
        **place,
        "link": frames.constant("exact", len(test)),
        "place_text": place_texts(place),
        "when": frames.instants(local, plan.zone),
        "when_shown": pd.Series(local.astype("datetime64[ms]")),
        "date": frames.dates(local.astype("datetime64[D]")),
        "technician": frames.constant(TESTER, len(test)),
        "quantity": frames.pick([part[0] for part in parts], which),
        "wavelength_nm": np.array([part[1] for part in parts])[which],
        "direction": frames.pick([part[2] for part in parts], which),
        "value_text": frames.texts(np.where(face, word, np.array(text, dtype=object))),
        "value_low": np.where(face, np.nan, shown - step / 2),
        "value_high": np.where(face, np.nan, shown + step / 2),
        "result": frames.pick(("fail", "pass"), passed.astype(int)),
        "repeat": repeat,
        "after_cleaning": readings.cleaned[test],
        "remark": frames.pick(("", "cleaned, again"), readings.cleaned[test].astype(int)),
    }
    return frames.finish(tables.MEASUREMENTS, columns)
