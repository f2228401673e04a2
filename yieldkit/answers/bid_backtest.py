"""Would the forecasts have held? Each past job predicted from the jobs before it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy.stats import binom

from yieldkit.answers.bid_chances import failures_at, finished, learn_chances
from yieldkit.answers.bid_parts import tries_at
from yieldkit.answers.result import Finding, Result
from yieldkit.crew import Crew
from yieldkit.methods import predictive
from yieldkit.methods.predictive import Chances, Costs, Work
from yieldkit.records.tables import require_columns

if TYPE_CHECKING:
    from matplotlib.axes import Axes

LEVELS = (0.5, 0.8, 0.95)
RULES = ("forecast", "rule", "binomial")
NEEDED = (
    *("position_id", "job", "connector_type", "first_date", "first_pass_termination"),
    *("arcs", "state"),
)
DRAWS, EFFECTS, POINTS = 100, 4, 24
Learner = Callable[[pd.DataFrame, Sequence[str], np.random.Generator], Any]


@dataclass(frozen=True, eq=False, kw_only=True)
class BidBacktest(Result):
    """Each past job beside its forecast; see ``backtest_bids``."""

    def plot(self, ax: Axes) -> Axes:
        """Draw the failures of each job within its forecast on ``ax``."""
        from yieldkit.figures.spares import draw_backtest

        return draw_backtest(ax, self.table)


def backtest_bids(
    positions: pd.DataFrame,
    *,
    crew: Crew,
    rng: np.random.Generator,
    failures: pd.Series | None = None,
    draws: Learner | None = None,
    fewest: int = 3,
    leftover: float = 6.0,
    event: float = 400.0,
    confidence: float = 0.95,
    as_of: pd.Timestamp | None = None,
) -> BidBacktest:
    """Forecast of each job's failures from the positions begun before it, and what happened.

    Parameters
    ----------
    positions : DataFrame
        The schema's positions; those decided count, of jobs that hardly wait for a test.
    failures : Series, optional
        Failed tries of each position by ``position_id``, in place of those recorded.
    draws : callable, optional
        Takes the positions known before a job, its types and ``rng``, gives draws as for
        ``bid_spares``; in place of the estimate from job counts.
    fewest : int
        Earlier jobs needed before a job is scored.
    leftover, event : float
        Costs with which three ways of buying are compared [currency]: this forecast, the crew's
        rule of thumb, a binomial without spread between jobs.

    Returns
    -------
    BidBacktest
        ``table``, a row a job: ``job``, ``jobs_before``, ``positions``, ``failures``, ``p50``,
        ``p80``, ``p95`` [failures], ``transform`` (randomised probability transform: even between
        0 and 1 where forecasts are right), and for each way ``buy_...`` [pieces], ``cost_...``
        [currency] and ``pinball_...`` [failures].

    References
    ----------
    C. Czado, T. Gneiting, L. Held, Biometrics 65, 1254-1261, 2009 (randomised transform of counts);
    R. Koenker, G. Bassett, Econometrica 46, 33-50, 1978 (pinball loss).
    """
    require_columns(positions, list(NEEDED))
    needed = [name for name in positions if draws is not None or name in NEEDED]
    done = finished(positions[needed], most_pending=0.02)
    decided = done[done["first_pass_termination"].isin(["yes", "no"])]
    made = failures_at(decided)
    if failures is not None:
        made = decided["position_id"].map(failures).astype(float)
    decided = decided.assign(failures=made, day=pd.to_datetime(decided["first_date"]))
    began = decided.groupby("job", observed=True)["day"].min().sort_values(kind="stable")
    rows = []
    for job, day in began.items():
        before = decided[decided["day"] < day]
        many = before["job"].nunique()
        if many >= fewest:
            here = decided[decided["job"] == job]
            rows.append(
                {"job": job, "jobs_before": many}
                | _score(here, before, crew, leftover, event, draws, rng)
            )
    table = pd.DataFrame(rows)
    return BidBacktest(
        table=table,
        findings=(_finding(table, crew),) if len(table) else (),
        settings={"leftover": leftover, "event": event, "fewest": fewest},
        confidence=confidence,
        as_of=as_of,
    )


def _score(
    here: pd.DataFrame,
    before: pd.DataFrame,
    crew: Crew,
    leftover: float,
    event: float,
    learner: Learner | None,
    rng: np.random.Generator,
) -> dict[str, float]:
    by_type = here.groupby("connector_type", observed=True).size()
    names = [str(name) for name in by_type.index]
    works = [
        Work(int(many), tries=tries_at(crew, name))
        for name, many in zip(names, by_type, strict=True)
    ]
    draws, _, shift, _, counts = learn_chances(
        names,
        before,
        crew=crew,
        rng=rng,
        draws=None if learner is None else learner(before, names, rng),
        size=DRAWS,
        points=POINTS,
    )
    chances = Chances.from_draws(
        draws.mu, draws.job_sd, retry_shift=shift, effects=EFFECTS, rng=rng
    )
    past = counts.groupby("connector_type", observed=True)[["n", "failed"]].sum()
    crew_wide = past.sum()
    plain = [
        1
        - ((past.loc[name] if name in past.index else crew_wide)["failed"] + 0.5)
        / ((past.loc[name] if name in past.index else crew_wide)["n"] + 1)
        for name in names
    ]
    pmfs = {
        "forecast": predictive.total_pmf(chances, works),
        "binomial": predictive.total_pmf(Chances.known(plain), works),
    }
    total, seen = int(by_type.sum()), int(here["failures"].sum())
    rule = int(np.ceil(total * crew.general.spare_rule_percent / 100))
    reached = np.concatenate([np.zeros(1), np.cumsum(pmfs["forecast"]), np.ones(1)])
    at = min(seen, len(reached) - 2)
    made: dict[str, float] = {
        "positions": total,
        "failures": seen,
        "transform": float(reached[at] + rng.random() * (reached[at + 1] - reached[at])),
    }
    for name in RULES:
        if name == "rule":
            needs, buy = [rule] * len(LEVELS), rule
        else:
            needs = predictive.quantiles(pmfs[name], LEVELS)
            quantity = np.arange(len(pmfs[name]) + 1)
            curve = predictive.cost_curve(pmfs[name], Costs(leftover), event, quantity)[0][0]
            buy = int(np.argmin(curve))
        if name == "forecast":
            made |= {f"p{round(100 * p)}": q for p, q in zip(LEVELS, needs, strict=True)}
        made[f"buy_{name}"] = buy
        made[f"cost_{name}"] = leftover * max(buy - seen, 0) + event * (seen > buy)
        made[f"pinball_{name}"] = sum(
            (seen - q) * (p - (seen < q)) for p, q in zip(LEVELS, needs, strict=True)
        ) / len(LEVELS)
    return made


def _finding(table: pd.DataFrame, crew: Crew) -> Finding:
    jobs = len(table)
    enough = int((table["failures"] <= table["p95"]).sum())
    lowest = float(binom.ppf(0.025, jobs, 0.95))
    return Finding(
        "spares_backtest",
        {
            "jobs": jobs,
            "enough": enough,
            "usual_low": int(lowest),
            "cost": float(table["cost_forecast"].mean()),
            "rule_cost": float(table["cost_rule"].mean()),
            "percent": crew.general.spare_rule_percent,
            "currency": crew.general.currency,
            "tells": jobs >= 60,
        },
        "note" if enough >= lowest else "watch",
    )
