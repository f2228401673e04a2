"""Where first attempts fail, how yields move from week to week, and what stands open."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.special import stdtrit

from yieldkit.answers.result import Finding, Result
from yieldkit.answers.yields import FirstPassYield, first_pass_yield, job_spread, labels_of
from yieldkit.crew import Crew
from yieldkit.methods.proportions import proportion
from yieldkit.records.tables import ACCEPTED, STATES, UNKNOWN, require_columns

if TYPE_CHECKING:
    from matplotlib.axes import Axes

WORK_STEPS = ("splice", "protect", "crimp", "inspect", "test", UNKNOWN)


def step_yields(
    positions: pd.DataFrame,
    *,
    crew: Crew | None = None,
    confidence: float = 0.95,
    as_of: pd.Timestamp | None = None,
) -> Result:
    """Share of first attempts that got past each step, of those that reached it.

    The product over the steps is the first-pass yield of the decided positions. Preparation losses
    stand beside as a lower bound: writing them down depends on the person.

    Parameters
    ----------
    positions : DataFrame
        The schema's positions.

    Returns
    -------
    Result
        ``table``: ``step``, ``n`` [first attempts that reached it], ``failed``, ``yield``, ``low``,
        ``high`` [fraction]; then a row ``prepare and cleave`` with recorded preparation losses as
        ``failed`` and positions begun as ``n``. Intervals allow for the spread of jobs as those of
        the whole yield do.
    """
    require_columns(positions, ["first_attempt_id", "first_pass_termination", "failed_step"])
    made = positions[positions["first_attempt_id"].notna()]
    decided = made[made["first_pass_termination"].isin(["yes", "no"])]
    failed = decided[decided["first_pass_termination"] == "no"]
    step = failed["failed_step"].fillna(UNKNOWN)
    step = step.where(step.isin(WORK_STEPS), UNKNOWN)
    lost = step.value_counts().reindex(list(WORK_STEPS), fill_value=0).to_numpy()
    reached = len(decided) - np.concatenate([[0], np.cumsum(lost)[:-1]])
    found = proportion(
        reached - lost, reached, confidence=confidence, design_effect=job_spread(decided)
    )
    table = pd.DataFrame(
        {
            "step": WORK_STEPS,
            "n": reached,
            "failed": lost,
            "yield": found.estimate,
            "low": found.low,
            "high": found.high,
        }
    )
    worst = table.sort_values("failed", ascending=False).iloc[0]
    preparation = int(made["preparation_losses"].fillna(0).sum())
    findings = [
        Finding("preparation_losses", {"lost": preparation, "n": len(made)}, severity="note")
    ]
    if worst["failed"] > 0:
        findings.insert(
            0,
            Finding(
                "worst_step",
                {str(key): value for key, value in worst.items()} | {"all": len(failed)},
            ),
        )
    beside = pd.DataFrame(
        [
            {
                "step": "prepare and cleave",
                "n": len(made),
                "failed": preparation,
                "yield": np.nan,
                "low": np.nan,
                "high": np.nan,
            }
        ]
    )
    return Result(
        table=pd.concat([table, beside], ignore_index=True),
        findings=tuple(findings),
        confidence=confidence,
        as_of=as_of,
        behind=failed.assign(step=step)[["step", "position_id"]],
    )


def used_per_accepted(
    positions: pd.DataFrame,
    *,
    by: str = "connector_type",
    confidence: float = 0.95,
    as_of: pd.Timestamp | None = None,
) -> Result:
    """Recorded arcs and connector bodies for each accepted joint, by group.

    Arcs and bodies of positions that were given up count too; those of open ones wait. Both are
    lower bounds, as what nobody wrote down is not in them.

    Parameters
    ----------
    positions : DataFrame
        The schema's positions.
    by : str
        A grouping of ``first_pass_yield``.
    confidence : float
        Of the intervals [fraction], by leaving out one job at a time (jackknife of a ratio, W. G.
        Cochran, Sampling Techniques, 1977, section 6.15); missing with fewer than three jobs.

    Returns
    -------
    Result
        ``table``: ``by``, ``group``, ``n`` [accepted positions], ``jobs``, ``arcs``, ``arcs_low``,
        ``arcs_high`` [arcs per accepted position], ``bodies``, ``bodies_low``, ``bodies_high``
        [pieces per accepted position].
    """
    require_columns(positions, ["state", "job", "arcs", "bodies", "first_attempt_id"])
    ended = positions["state"].isin([*ACCEPTED, "given up"]) & positions["first_attempt_id"].notna()
    done = positions[ended]
    group = labels_of(positions, by).loc[done.index]
    sums = (
        pd.DataFrame(
            {
                "group": group,
                "job": done["job"].fillna(UNKNOWN),
                "n": done["state"].isin(ACCEPTED).astype(float),
                "arcs": done["arcs"].astype(float).fillna(0.0),
                "bodies": done["bodies"].astype(float).fillna(0.0),
            }
        )
        .groupby(["group", "job"], sort=True)
        .sum()
    )
    rows = []
    for name, jobs in sums.groupby(level="group", sort=True):
        row = {"by": by, "group": name, "n": int(jobs["n"].sum()), "jobs": len(jobs)}
        for part in ("arcs", "bodies"):
            ends = _ratio(jobs[part].to_numpy(), jobs["n"].to_numpy(), confidence)
            row |= dict(zip((part, f"{part}_low", f"{part}_high"), ends, strict=True))
        row["arcs_low"] = np.maximum(row["arcs_low"], 1.0)  # no joint without an arc
        rows.append(row)
    columns = ["by", "group", "n", "jobs"]
    columns += [f"{part}{end}" for part in ("arcs", "bodies") for end in ("", "_low", "_high")]
    table = pd.DataFrame(rows, columns=columns)
    told = [row for row in table.to_dict("records") if row["n"]]
    found = (Finding("used_per_accepted", {"rows": told}, "note"),) if told else ()
    return Result(
        table=table,
        findings=found,
        confidence=confidence,
        as_of=as_of,
        behind=pd.DataFrame({"by": by, "group": group, "position_id": done["position_id"]}),
    )


def _ratio(total: np.ndarray, n: np.ndarray, confidence: float) -> tuple[float, float, float]:
    """Total over n, with its interval by leaving out one job at a time."""
    if not n.sum():
        return np.nan, np.nan, np.nan
    value, jobs = float(total.sum() / n.sum()), len(n)
    left = n.sum() - n
    if jobs < 3 or not left.all():
        return value, np.nan, np.nan
    without = (total.sum() - total) / left
    error = float(np.sqrt((jobs - 1) / jobs * ((without - without.mean()) ** 2).sum()))
    half = float(stdtrit(jobs - 1, (1 + confidence) / 2)) * error
    return value, max(value - half, 0.0), value + half


@dataclass(frozen=True, eq=False, kw_only=True)
class WeeklyTrend(FirstPassYield):
    """Yield week by week; see ``weekly_trend``."""

    def plot(self, ax: Axes) -> Axes:
        """Draw the weeks' yields with their intervals [%] on ``ax``."""
        from yieldkit.figures.trend import draw_trend

        return draw_trend(ax, self.table)


def weekly_trend(
    positions: pd.DataFrame,
    *,
    crew: Crew | None = None,
    stage: str = "termination",
    confidence: float = 0.95,
    as_of: pd.Timestamp | None = None,
) -> WeeklyTrend:
    """First-pass yield of each ISO week, oldest first; see ``first_pass_yield``."""
    dated = positions[positions["first_date"].notna()]
    weeks = first_pass_yield(
        dated, by="week", stage=stage, crew=crew, confidence=confidence, as_of=as_of
    )
    return WeeklyTrend(
        table=weeks.table.sort_values("group", ignore_index=True),
        findings=weeks.findings[-1:],
        confidence=confidence,
        as_of=as_of,
        behind=weeks.behind,
    )


def open_positions(
    positions: pd.DataFrame,
    *,
    crew: Crew | None = None,
    as_of: pd.Timestamp | None = None,
) -> Result:
    """Positions of each job by state, and how long begun ones have waited.

    Returns
    -------
    Result
        ``table``: ``job``, ``site``, a column a state [positions], ``n`` [positions], ``oldest``
        (first arc of the longest waiting open position) and ``oldest_days`` [d] at ``as_of``.
    """
    require_columns(positions, ["job", "state", "first_when", "site"])
    states = list(STATES)
    job = positions["job"].fillna(UNKNOWN)
    table = pd.crosstab(job.rename("job"), positions["state"].rename("state"))
    table = table.reindex(columns=states, fill_value=0)
    table.columns = [name.replace(" ", "_") for name in states]
    waiting = positions[positions["state"] == "open"]
    oldest = waiting.groupby(job.loc[waiting.index])["first_when"].min().reindex(table.index)
    now = as_of if as_of is not None else positions["first_when"].max()
    table = table.assign(
        n=table.sum(axis=1),
        oldest=oldest,
        oldest_days=(pd.Timestamp(now) - oldest).dt.total_seconds() / 86400
        if len(waiting)
        else np.nan,
    )
    table.insert(0, "site", positions.groupby(job)["site"].first().reindex(table.index))
    table = table.reset_index()
    begun = int(table["open"].sum())
    limit = (crew or Crew()).general.pending_days
    late = table[table["oldest_days"] > limit]
    findings = [
        Finding(
            "open_positions",
            {
                "open": begun,
                "not_started": int(table["not_started"].sum()),
                "jobs": int((table["open"] > 0).sum()),
                "n": int(table["n"].sum()),
            },
        )
    ]
    findings += [
        Finding(
            "open_too_long",
            {
                "job": row.job,
                "open": row.open,
                "oldest_days": row.oldest_days,
                "limit_days": limit,
            },
            severity="watch",
        )
        for row in late.itertuples()
    ]
    return Result(
        table=table,
        findings=tuple(findings),
        as_of=as_of,
        behind=positions.assign(job=job)[["job", "state", "position_id"]],
    )
