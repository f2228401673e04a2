"""Paid hours of a bid at stated risks, and the part of hours and cost that is rework."""

from __future__ import annotations

import numpy as np
import pandas as pd

from yieldkit.answers.bid_parts import Job
from yieldkit.crew import Crew
from yieldkit.methods.durations import Minutes
from yieldkit.records.bids import Bid

LEVELS = (0.5, 0.8, 0.95)
PACE_SD = 0.10
"""Spread between jobs of the minutes a joint takes, on the logarithm; an assumption."""
DRAWS = 20_000


def hours_of(
    bid: Bid, job: Job, minutes: Minutes, *, crew: Crew, rng: np.random.Generator
) -> tuple[pd.DataFrame, dict[str, float]]:
    """Paid hours at 50, 80 and 95 %, and means of the hours and cost that are rework.

    Simulated from the exact distributions of failures; the sum of several reworks is taken as gamma
    with their mean and variance.

    Returns
    -------
    DataFrame
        ``level``, ``hours`` [h paid], ``rework_hours`` [h paid], ``rework_cost`` [currency].
    dict
        ``hours`` [h paid] and ``cost`` [currency] of rework, in the mean.
    """
    general = crew.general
    failures, parts_cost = _failures(job, rng)
    pace = np.exp(PACE_SD * rng.standard_normal(DRAWS))
    doubt = (np.log(minutes.median_high) - np.log(minutes.median_low)) / 3.92
    mean = minutes.mean * np.exp(doubt * rng.standard_normal(DRAWS))
    shape = np.maximum(failures, 1e-9) / np.expm1(minutes.log_sd**2)
    again = np.where(failures > 0, rng.gamma(shape) / shape * failures * mean, 0.0)
    rework_hours = again / 60 / general.utilisation
    hours = bid.positions * general.minutes_per_position * pace / 60 / general.utilisation
    cost = parts_cost + rework_hours * general.labour_per_hour
    table = pd.DataFrame(
        {
            "level": LEVELS,
            "hours": np.quantile(hours + rework_hours, LEVELS),
            "rework_hours": np.quantile(rework_hours, LEVELS),
            "rework_cost": np.quantile(cost, LEVELS),
        }
    )
    return table, {"hours": float(rework_hours.mean()), "cost": float(cost.mean())}


def _failures(job: Job, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Draws of all types' failures and of what the parts that they use cost [currency]."""
    node = np.sort(rng.choice(len(job.chances.weights), DRAWS, p=job.chances.weights))
    begins = np.searchsorted(node, np.arange(len(job.chances.weights) + 1))
    failures, cost = np.zeros(DRAWS), np.zeros(DRAWS)
    for kind, rows in enumerate(job.failures):
        reached = np.cumsum(rows, axis=1)
        u = rng.random(DRAWS)
        made = np.empty(DRAWS)
        for at in np.unique(node):
            here = slice(begins[at], begins[at + 1])
            made[here] = np.searchsorted(reached[at], u[here])
        failures += made
        cost += made * sum(
            one.price * (one.metres or float(one.each[kind] @ np.arange(len(one.each[kind]))))
            for one in job.wanted
            if kind in one.each
        )
    return failures, cost
