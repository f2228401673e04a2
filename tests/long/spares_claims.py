"""Claims about bids: each job of a simulated crew forecast from the jobs before it."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from yieldkit.answers.bid_backtest import LEVELS, RULES, backtest_bids
from yieldkit.answers.bid_chances import finished, learn
from yieldkit.answers.bid_hours import PACE_SD, hours_of
from yieldkit.answers.bid_nodes import at_work, chances_of
from yieldkit.answers.bid_parts import make_job
from yieldkit.answers.chances import draws_for_bid
from yieldkit.methods.durations import HEAPS
from yieldkit.records.bids import Bid
from yieldkit.simulate import CrewPlan, SimulatedCrew, simulate

MOST_TRIES = 6  # of the simulated crews; the settings' cap is theirs
LEFTOVER, EVENT = 6.0, 400.0
DRAWS = 100


def bids_hold(plan: CrewPlan, seed: int) -> list[dict[str, Any]]:
    """Forecasts of a crew's jobs against the tries that truly failed, recorded or not."""
    return _scored(simulate(plan, seed=seed), plan, seed, fair=False)


def bids_hold_from_fair_draws(plan: CrewPlan, seed: int) -> list[dict[str, Any]]:
    """The same with the draws of the fair yields in place of the estimate from job counts."""
    return _scored(simulate(plan, seed=seed), plan, seed, fair=True)


def _scored(crew: SimulatedCrew, plan: CrewPlan, seed: int, *, fair: bool) -> list[dict[str, Any]]:
    positions = crew.tables["positions"]

    def draws(known: pd.DataFrame, types: list[str], rng: np.random.Generator) -> Any:
        return draws_for_bid(known, crew=crew.crew, rng=rng, types=types, draws=DRAWS)

    scored = backtest_bids(
        positions,
        crew=crew.crew,
        rng=np.random.default_rng(seed),
        failures=_failures(crew),
        draws=draws if fair else None,
        leftover=LEFTOVER,
        event=EVENT,
    )
    decided = positions[positions["first_pass_termination"].isin(["yes", "no"])]
    chance = crew.truth.positions.set_index("position_id")["chance"]
    of_job = decided["position_id"].map(chance).groupby(decided["job"].to_numpy(object))
    rows = []
    for row in scored.table.to_dict("records"):
        true = _true_pmf(of_job.get_group(row["job"]).to_numpy(), plan.give_up)
        for way in RULES:
            left = np.maximum(row[f"buy_{way}"] - np.arange(len(true)), 0)
            short = true[row[f"buy_{way}"] + 1 :].sum()
            row[f"expected_{way}"] = float(LEFTOVER * (true @ left) + EVENT * short)
        rows.append({str(k): v for k, v in row.items()})
    return rows


def _failures(crew: SimulatedCrew) -> pd.Series:
    truth = crew.truth.positions.set_index("position_id")
    return truth["tries"] - truth["accepted"].astype(int)


def _true_pmf(chance: np.ndarray, give_up: float) -> np.ndarray:
    """Failures of a job whose positions have these chances, retries like first tries.

    Averaging costs over it takes the luck of the joints out of a comparison; the luck of the job
    stays.
    """
    fails, made = 1 - chance, np.ones(1)
    again = fails * (1 - give_up)
    for one, goes_on, lost in zip(chance, again, fails, strict=True):
        k = np.arange(MOST_TRIES + 1)
        own = goes_on**k * one
        own[1:] += goes_on ** (k[1:] - 1) * lost * give_up
        own[-1] = goes_on ** (MOST_TRIES - 1) * lost
        made = np.convolve(made, own)
    return made


def transform_points(rows: pd.DataFrame) -> pd.DataFrame:
    """One row a job and level: whether the randomised transform lies under the level."""
    return pd.concat(
        [
            rows[["crew", "seed"]].assign(
                level=f"{100 * level:.0f} %", covered=rows["transform"] <= level
            )
            for level in LEVELS
        ]
    )


def losses_of(rows: pd.DataFrame, what: str) -> pd.DataFrame:
    """One row a job and way of buying, with its ``cost`` or ``pinball`` loss."""
    return pd.concat(
        [rows[["crew", "seed"]].assign(way=way, value=rows[f"{what}_{way}"]) for way in RULES]
    )


def savings(rows: pd.DataFrame, what: str) -> pd.DataFrame:
    """One row a job and other way of buying: what the forecast saves against it, job by job."""
    return pd.concat(
        [
            rows[["crew", "seed"]].assign(
                figure=what, against=way, value=rows[f"{what}_{way}"] - rows[f"{what}_forecast"]
            )
            for way in RULES[1:]
        ]
    )


def hours_hold(plan: CrewPlan, seed: int) -> list[dict[str, Any]]:
    """Forecast hours of a crew's jobs against hours made up for every failed try.

    True minutes of a try are log-normal (median 8, 0.6 on the logarithm); what is written of them
    is heaped as people heap, a tenth of the entries has none. In a crew whose failures are not all
    written, minutes are gamma, persons differ by a quarter, and the unwritten ones took half as
    long. A job's pace differs by the stated 10 %.
    """
    rng = np.random.default_rng([seed, 7])
    crew = simulate(plan, seed=seed)
    positions = finished(crew.tables["positions"], most_pending=0.02)
    decided = positions[positions["first_pass_termination"].isin(["yes", "no"])]
    failed = _minutes_of_tries(crew, plan, decided, rng)
    day = pd.to_datetime(decided["first_date"])
    began = day.groupby(decided["job"].to_numpy(object)).min().sort_values(kind="stable")
    general, rows = crew.crew.general, []
    for job, first in began.items():
        before, here = decided[day < first], decided[decided["job"] == job]
        if before["job"].nunique() < 3:
            continue
        by_type = here.groupby("connector_type", observed=True).size()
        lines = [{"connector_type": str(k), "positions": int(n)} for k, n in by_type.items()]
        bid = Bid.model_validate({"lines": lines})
        names = [line.connector_type for line in bid.lines]
        written = failed[failed["written"] & (failed["date"] < first)]
        known = learn(names, before, written, crew=crew.crew, rng=rng, size=DRAWS)
        chances = chances_of(at_work(bid, known, rng), known, rng)
        made = make_job(bid, crew.crew, chances, known.steps, cord=False)
        hours, _ = hours_of(bid, made, known.minutes, crew=crew.crew, rng=rng)
        again = failed.loc[failed["position_id"].isin(here["position_id"]), "true_min"].sum()
        pace = np.exp(PACE_SD * rng.standard_normal())
        paid = 60 * general.utilisation
        truth = {
            "rework": again / paid,
            "all": (again + bid.positions * general.minutes_per_position * pace) / paid,
        }
        for row in hours.to_dict("records"):
            for what, column in (("rework", "rework_hours"), ("all", "hours")):
                rows.append(
                    {
                        "hours": what,
                        "level": f"{100 * row['level']:.0f} %",
                        "covered": truth[what] <= row[column],
                    }
                )
    return rows


def _minutes_of_tries(
    crew: SimulatedCrew, plan: CrewPlan, decided: pd.DataFrame, rng: np.random.Generator
) -> pd.DataFrame:
    """Failed tries of the decided positions: true minutes, and what was written of them."""
    tries = crew.truth.attempts
    tries = tries[(tries["step"] != "none") & tries["position_id"].isin(decided["position_id"])]
    size = len(tries)
    honest = plan.logging.honest == 1.0
    if honest:
        true = 8.0 * np.exp(0.6 * rng.standard_normal(size))
    else:
        people = list(plan.technicians)
        own = np.exp(0.25 * rng.standard_normal(len(people)))
        true = rng.gamma(3.0, 3.0, size) * own[[people.index(t) for t in tries["technician"]]]
        true = np.where(tries["logged"], true, true / 2)
    multiple, _ = HEAPS[1]
    heap = np.maximum(multiple * np.round(true / multiple), multiple)
    shown = np.where(rng.random(size) < 0.1, np.nan, heap)
    return pd.DataFrame(
        {
            "position_id": tries["position_id"].to_numpy(object),
            "date": pd.to_datetime(tries["date"]).to_numpy(),
            "step": tries["step"].to_numpy(object),
            "tries": 1.0,
            "rework_min": shown,
            "true_min": true,
            "written": tries["logged"].to_numpy(bool),
        }
    )
