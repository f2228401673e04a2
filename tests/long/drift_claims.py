"""Claims about the drift watch on simulated crews, and about limits of charts."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import numpy as np

from yieldkit.answers.drift import DriftWatch, drift_watch
from yieldkit.answers.readings import CREW
from yieldkit.methods.runlength.assured import assured_binned_chart, binned_chart, stretch
from yieldkit.simulate import CrewPlan, SimulatedCrew, simulate

STEPS_AFTER = (1, 2, 4, 8)


def watched(crew: SimulatedCrew, until: date) -> DriftWatch:
    """The watch as it would have been run on a day, with what lies before it."""
    tables = crew.tables
    return drift_watch(
        tables["attempts"],
        tables["positions"],
        tables["measurements"],
        tables["service"],
        crew=crew.crew,
        until=until,
    )


def false_alarms(plan: CrewPlan, seed: int) -> list[dict[str, Any]]:
    """New signals of a crew without drift, asked at the end of each week of the last 13.

    A signal is new where its unit and quantity were not signalled the week before.
    """
    crew = simulate(plan, seed=seed)
    before: set[tuple[str, str]] = set()
    new: list[tuple[str, str]] = []
    for week in range(plan.weeks - 13, plan.weeks + 1):
        found = watched(crew, plan.first_day + timedelta(days=7 * week)).table
        now = set(zip(found["unit"], found["quantity"], strict=True))
        if week > plan.weeks - 13:
            new += sorted(now - before)
        before = now
    losses = sum(quantity == "estimated loss" for _, quantity in new)
    angles = sum(quantity == "cleave angle" for _, quantity in new)
    return [
        {"what": "alarms in 13 weeks", "n": len(new)},
        {"what": "of them losses", "n": losses},
        {"what": "of them cleave angles", "n": angles},
    ]


def finds_the_unit(plan: CrewPlan, seed: int) -> list[dict[str, Any]]:
    """A splicer's step in loss: seen after so many weeks, put to the right unit, onset in interval.

    The plan's first shift is the truth.
    """
    crew, shift = simulate(plan, seed=seed), plan.shifts[0]
    began = plan.first_day + timedelta(days=7 * (shift.start_day // 5) + shift.start_day % 5)
    outcomes = []
    for weeks in STEPS_AFTER:
        table = watched(crew, began + timedelta(days=7 * weeks)).table
        table = table[(table["quantity"] == "estimated loss") & (table["unit_kind"] != CREW)]
        own = table[table["unit"] == shift.unit]
        row: dict[str, Any] = {"what": f"within {weeks} weeks", "seen": len(own) > 0}
        if len(table):
            row["first_is_right"] = table.iloc[0]["unit"] == shift.unit
        if len(own):
            hit = own.iloc[0]
            row["covered"] = bool(hit["since_low"] <= began <= hit["since_high"])
            row["width_days"] = (hit["since_high"] - hit["since_low"]).days
            row["chance"] = float(hit["chance_this_unit"])
        outcomes.append(row)
    return outcomes


def binned_assurance(asked: float, baseline: int, seed: int, *, draws: int = 60) -> dict[str, Any]:
    """One baseline of rounded exponential losses (mean 4 steps): true run length and its price."""
    rng = np.random.default_rng(seed)
    shown = np.rint(rng.exponential(4.0, baseline)).astype(int)
    counts = np.bincount(np.minimum(shown, 60), minlength=61)
    edges = np.maximum(np.arange(62) - 0.5, 0.0)
    truth = np.diff(-np.expm1(-edges / 4.0))
    truth[-1] += 1 - truth.sum()
    plain = binned_chart(counts, asked)
    kept = assured_binned_chart(counts, asked, rng=rng, draws=draws)
    worse = stretch(truth, 1.5)
    return {
        "plain_kept": plain.mean(truth) >= asked,
        "kept": kept.mean(truth) >= asked,
        "plain_delay": plain.mean(worse),
        "delay": kept.mean(worse),
    }
