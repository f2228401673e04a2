"""Claims about the drift watch on simulated crews, and about limits of charts."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from datetime import date, timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

from yieldkit.answers.drift import (
    REFERENCES,
    DriftWatch,
    chances_to_see,
    drift_watch,
    loss_shift,
)
from yieldkit.answers.readings import CREW, LOSS, WATCHED
from yieldkit.answers.streams import near_normal
from yieldkit.methods.runlength import cusum_limit
from yieldkit.methods.runlength.assured import assured_binned_chart, binned_chart, stretch
from yieldkit.methods.steps_up import rise_onset, self_starting_cusum, upper_cusum
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
        checks=tables["checks"],
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
    count = Counter(quantity for _, quantity in new)
    return [
        {"what": "alarms in 13 weeks", "n": len(new)},
        *({"what": f"of them {quantity}", "n": count[quantity]} for quantity in WATCHED),
    ]


def finds_the_unit(plan: CrewPlan, seed: int) -> list[dict[str, Any]]:
    """A splicer's step in loss: seen within so many weeks, the right unit first, onset in interval.

    Seen is also what is said of all joints, or of units that cannot be told from it. The plan's
    first shift is the truth; ``said`` is the chance that the watch gave before it.
    """
    crew, shift = simulate(plan, seed=seed), plan.shifts[0]
    began = plan.first_day + timedelta(days=7 * (shift.start_day // 5) + shift.start_day % 5)
    outcomes: list[dict[str, Any]] = []
    before = watched(crew, began - timedelta(days=1))
    own = [s for s in before.streams if (s.unit, s.quantity) == (shift.unit, LOSS)]
    shown = loss_shift(shift.loss_factor)
    said = [chances_to_see(s, before.settings["limits"], shown, max(STEPS_AFTER)) for s in own]
    seen = False
    for weeks in range(1, max(STEPS_AFTER) + 1):
        table = watched(crew, began + timedelta(days=7 * weeks)).table
        table = table[table["quantity"] == LOSS]
        alike = table["not_separable_from"].str.split("; ").map(lambda names: shift.unit in names)
        seen |= bool((table["unit"].eq(shift.unit) | alike | table["unit_kind"].eq(CREW)).any())
        table = table[table["unit_kind"] != CREW]
        own_rows = table[table["unit"] == shift.unit]
        if weeks not in STEPS_AFTER:
            continue
        row: dict[str, Any] = {"what": f"within {weeks} weeks", "seen": seen}
        row["said"] = float(said[0][weeks - 1]) if said else np.nan
        if len(table):
            row["first_is_right"] = table.iloc[0]["unit"] == shift.unit
        if len(own_rows):
            hit = own_rows.iloc[0]
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


JOINTS = 15
"""Joints a day of one splicer in the study of delays."""
QUIET = 1000.0
"""Mean days between false alarms there."""


def day_scores(
    rise: float, day_cv: float, step: float, runs: int, rng: np.random.Generator
) -> NDArray[np.float64]:
    """A day's score of ``runs`` splicers as the watch sees it, baseline known.

    Exponential losses, in units of their mean, ``rise`` times worse; shown in steps of ``step`` (0:
    not rounded); days differ by a lognormal factor.
    """
    level = np.exp(rng.normal(0, day_cv, runs) - day_cv**2 / 2)
    loss = rng.exponential(rise * level[:, None], (runs, JOINTS))
    within = 1.0
    if step:
        # The score of a tie is the mean of what it holds; its variance is that of these means.
        shown = np.rint(loss / step).astype(int)
        edge = np.maximum(np.arange(int(60 / step)) - 0.5, 0) * step
        chance = np.exp(-edge[:-1]) - np.exp(-edge[1:])
        held = (edge[:-1] + 1) * np.exp(-edge[:-1]) - (edge[1:] + 1) * np.exp(-edge[1:])
        mean = np.where(chance > 1e-300, held / np.maximum(chance, 1e-300), edge[:-1] + 1)
        loss, within = mean[shown], float(chance @ mean**2 - 1)
    score = near_normal(loss.mean(axis=1), np.full(runs, float(JOINTS)), within)
    return np.asarray(score / np.sqrt(within / JOINTS + day_cv**2))


def mean_run(steps: Callable[[int], list[NDArray[np.float64]]], limits: list[float], runs: int):
    """Mean days, with its standard error, until one of the sums of ``steps`` passes its limit."""
    sums, length, alive = [np.zeros(runs) for _ in limits], np.zeros(runs), np.arange(runs)
    while len(alive):
        length[alive] += 1
        over = np.zeros(len(alive), bool)
        for k, step in enumerate(steps(len(alive))):
            sums[k] = np.maximum(sums[k] + step, 0)
            over |= sums[k] > limits[k]
        sums, alive = [s[~over] for s in sums], alive[~over]
    return float(length.mean()), float(length.std() / np.sqrt(runs))


def watch_delay(
    rise: float, day_cv: float, step: float, seed: int, runs: int
) -> tuple[float, float]:
    """Days to a signal of the watch's two sums after a rise; with ``rise`` 1 to a false one."""
    rng = np.random.default_rng(seed)
    limits = {k: cusum_limit(QUIET * len(REFERENCES), reference=k) for k in REFERENCES}

    def steps(alive: int) -> list[NDArray[np.float64]]:
        score = day_scores(rise, day_cv, step, alive, rng)
        return [score - k for k in limits]

    return mean_run(steps, list(limits.values()), runs)


def best_delay(
    rise: float, day_cv: float, quiet: float, seed: int, runs: int
) -> tuple[float, float]:
    """The same of the likelihood ratio that knows rise, losses and spread of days, at day's end.

    Its limit is found by simulation for ``quiet`` mean days between false alarms.
    """
    rng = np.random.default_rng(seed)
    node, weight = np.polynomial.hermite_e.hermegauss(40)
    levels = np.exp(day_cv * node - day_cv**2 / 2)

    def log_density(total: NDArray[np.float64], scale: float) -> NDArray[np.float64]:
        rate = 1 / (scale * levels)
        logs = JOINTS * np.log(rate) - np.outer(total, rate) + np.log(weight / weight.sum())
        return np.asarray(logsumexp(logs, axis=1))

    grid = np.linspace(0.0, 12 * JOINTS, 4000)[1:]
    ratio = log_density(grid, rise) - log_density(grid, 1.0)

    def steps(scale: float) -> Callable[[int], list[NDArray[np.float64]]]:
        def one(alive: int) -> list[NDArray[np.float64]]:
            level = np.exp(rng.normal(0, day_cv, alive) - day_cv**2 / 2)
            return [np.interp(rng.gamma(JOINTS, scale * level), grid, ratio)]

        return one

    low, high = 0.5, 12.0
    for _ in range(9):
        middle = (low + high) / 2
        run = mean_run(steps(1.0), [middle], 1500)[0]
        low, high = (middle, high) if run < quiet else (low, middle)
    return mean_run(steps(rise), [(low + high) / 2], runs)


def onset_held(size: float, rise: int, runs: int, seed: int) -> list[dict[str, Any]]:
    """Series of 50 quiet points, then a rise to ``size`` over ``rise`` points, given a true signal.

    Whether the interval holds the true start when it signals; its width; the points waited, beside
    those of the same sums with the baseline known.
    """
    rng, begun = np.random.default_rng(seed), 50
    limits = {k: cusum_limit(QUIET * len(REFERENCES), reference=k) for k in REFERENCES}
    ramp = size * np.clip((np.arange(250) - begun + 1) / rise, 0, 1)
    rows: list[dict[str, Any]] = []
    for _ in range(runs):
        series = rng.standard_normal(250) + ramp
        signal = self_starting_cusum(series, np.ones(250), limits=limits).signal
        if signal is None or signal < begun:
            continue
        found = rise_onset(series[: signal + 1], np.ones(signal + 1))
        known = [np.flatnonzero(upper_cusum(series[begun:] - k) > h) for k, h in limits.items()]
        rows.append(
            {
                "held": found.first_low - 1 <= begun <= found.first_high,
                "width": found.first_high - found.first_low + 1,
                "delay": signal - begun + 1,
                "known": min((one[0] + 1 for one in known if len(one)), default=200),
                "shape": found.shape,
            }
        )
    return rows
