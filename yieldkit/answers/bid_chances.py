"""What the records say about a coming job: chances, retries, steps of failure, minutes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import expit, logit

from yieldkit.crew import Crew
from yieldkit.methods.crossed import Counts, factors, integrate
from yieldkit.methods.durations import Minutes, rework_minutes
from yieldkit.records.tables import ACCEPTED, UNKNOWN

JOB_PRIOR_SD = 0.5
"""Scale of the half-normal prior of the spread between jobs [logit]."""
JOB_ENDS = (0.06, 0.82)
"""Its 10 and 90 % points: both ends are shown where fewer than ``FEW_JOBS`` jobs are known."""
FEW_JOBS = 5
CREW_LOGIT, CREW_SD, TYPE_SD, LIKE_SD = 2.7, 1.5, 0.7, 0.3
"""Priors [logit]: the crew about 94 %, a type about the crew, a type about the one it is like."""
OWN_FIGURE_SD = 0.25
"""How surely a yield written in the bid is known [logit]."""
RETRY_STRENGTH = 6.0
"""Retries' worth of the prior that a retry passes like a first try."""
STEPS = ("splice", "protect", "crimp", "inspect", "test")
STEP_PRIOR = (3.0, 0.5, 0.5, 1.0, 1.0)
"""Failures' worth of each step before any is known; common practice: most are found at the arc."""
MOST_PENDING = 0.1
"""Share of a job's positions that may still wait for a test; else the job does not count yet."""
RECENT_DAYS = 30
CLEARLY = 2.5
"""Standard errors by which lately has to be worse than before."""


@dataclass(frozen=True, eq=False)
class JobDraws:
    """Draws of the parameters of a new job.

    Parameters
    ----------
    types : tuple of str
        Connector types, the columns.
    mu : ndarray, shape (draws, types)
        Logit of the chance of a first pass at the usual job.
    job_sd : ndarray, shape (draws,)
        Spread between jobs [logit].
    """

    types: tuple[str, ...]
    mu: np.ndarray
    job_sd: np.ndarray


@dataclass(frozen=True, eq=False)
class Known:
    """What a bid rests on.

    Parameters
    ----------
    draws : JobDraws
        Chances at the first try.
    retry_shift : ndarray, shape (draws, 1)
        What a retry adds to the logit.
    jobs : int
        Past jobs with decided positions.
    largest : int
        Decided positions of the largest of them.
    history : mapping of (int, int)
        Decided positions and failures of each type.
    borrowed : mapping of str
        Types without history, and what they borrow from.
    steps : mapping of ndarray, shape (steps,)
        Share of each type's failures found at each of ``STEPS``.
    minutes : Minutes
        Minutes of one rework.
    lately : mapping or None
        Yields before and lately where lately is clearly worse, with their counts.
    retries : (int, int)
        Retries made and passed.
    """

    draws: JobDraws
    retry_shift: np.ndarray
    jobs: int
    largest: int
    history: Mapping[str, tuple[int, int]]
    borrowed: Mapping[str, str]
    steps: Mapping[str, np.ndarray]
    minutes: Minutes
    lately: Mapping[str, float] | None
    retries: tuple[int, int]


def finished(positions: pd.DataFrame, most_pending: float = MOST_PENDING) -> pd.DataFrame:
    """Positions of the jobs in which few joints still wait for a test; of all if none is so far.

    A failure is known at once, a pass only after the last test: a job half tested shows too many
    failures.
    """
    waits = (positions["first_pass_termination"] == "pending").groupby(positions["job"]).mean()
    done = positions[positions["job"].isin(waits[waits <= most_pending].index)]
    return done if len(done) else positions


def job_counts(positions: pd.DataFrame) -> pd.DataFrame:
    """Passes and failures at the first try by job, type and whether made lately."""
    positions = finished(positions)
    decided = positions[positions["first_pass_termination"].isin(["yes", "no"])]
    made = pd.DataFrame(
        {
            "job": decided["job"].astype(object),
            "connector_type": decided["connector_type"].astype(object),
            "date": pd.to_datetime(decided["first_date"]),
            "failed": (decided["first_pass_termination"] == "no").astype(int),
        }
    )
    newest = made["date"].max()
    made["lately"] = made["date"] > newest - pd.Timedelta(days=RECENT_DAYS)
    groups = made.groupby(["job", "connector_type", "lately"], observed=True)["failed"]
    return groups.agg(n="size", failed="sum").reset_index()


def draw_jobs(
    counts: pd.DataFrame,
    types: Sequence[str],
    *,
    rng: np.random.Generator,
    like: Mapping[str, str] | None = None,
    draws: int = 400,
    points: int = 48,
) -> JobDraws:
    """Draws of the types' chances and of the spread between jobs, from counts by job.

    Parameters
    ----------
    counts : DataFrame
        Columns ``job``, ``connector_type``, ``n`` [positions], ``failed`` [positions].
    types : sequence of str
        Types of the coming job.
    rng : Generator
        Source of the draws.
    like : mapping of str, optional
        Type to borrow from, for types without history.
    """
    seen = set(counts["connector_type"])
    if not len(counts):
        level = CREW_LOGIT + CREW_SD * rng.standard_normal((draws, 1))
        mu = level + TYPE_SD * rng.standard_normal((draws, len(types)))
        return JobDraws(tuple(types), mu, JOB_PRIOR_SD * np.abs(rng.standard_normal(draws)))
    summed = counts.groupby(["job", "connector_type"], observed=True)[["n", "failed"]].sum()
    summed = summed.reset_index()
    of = factors(
        {
            "crew": np.full(len(summed), "crew"),
            "connector_type": summed["connector_type"].to_numpy(object),
            "job": summed["job"].to_numpy(object),
        }
    )
    posterior = integrate(
        Counts(summed["n"] - summed["failed"], summed["failed"]),
        of,
        prior={"job": JOB_PRIOR_SD},
        held={"crew": CREW_SD, "connector_type": TYPE_SD},
        centre=CREW_LOGIT,
        points=points,
    )
    effects, sds = posterior.draws(rng, draws)
    level = posterior.centre + effects[:, posterior.block("crew")][:, 0]
    own = effects[:, posterior.block("connector_type")]
    names = list(of.levels[1])
    columns = []
    for name in types:
        other = (like or {}).get(name, "")
        if name in seen:
            columns.append(level + own[:, names.index(name)])
        elif other in seen:
            luck = LIKE_SD * rng.standard_normal(draws)
            columns.append(level + own[:, names.index(other)] + luck)
        else:
            columns.append(level + TYPE_SD * rng.standard_normal(draws))
    return JobDraws(tuple(types), np.column_stack(columns), sds[:, of.names.index("job")])


def learn(
    types: Sequence[str],
    positions: pd.DataFrame,
    rework: pd.DataFrame,
    *,
    crew: Crew,
    rng: np.random.Generator,
    draws: JobDraws | None = None,
    size: int = 400,
) -> Known:
    """All that a bid of some types needs to know from the records.

    ``draws`` may be any object with ``types``, ``mu`` and ``job_sd``, in place of the estimate from
    job counts.
    """
    made, retries, shift, lately, counts = learn_chances(
        types, positions, crew=crew, rng=rng, draws=draws, size=size
    )
    like = {name: crew.connector(name).like for name in types}
    by_type = counts.groupby("connector_type", observed=True)[["n", "failed"]].sum()
    history = {
        name: (int(by_type["n"][name]), int(by_type["failed"][name]))
        if name in by_type.index
        else (0, 0)
        for name in types
    }
    per_job = counts.groupby("job", observed=True)["n"].sum()
    return Known(
        draws=made,
        retry_shift=shift,
        jobs=len(per_job),
        largest=int(per_job.max()) if len(per_job) else 0,
        history=history,
        borrowed={
            name: like[name] if like[name] in by_type.index else "the crew's other types"
            for name in types
            if not history[name][0]
        },
        steps={name: _steps(name, positions) for name in types},
        minutes=_minutes(positions, rework),
        lately=lately,
        retries=retries,
    )


def learn_chances(
    types: Sequence[str],
    positions: pd.DataFrame,
    *,
    crew: Crew,
    rng: np.random.Generator,
    draws: JobDraws | None = None,
    size: int = 400,
    points: int = 48,
) -> tuple[JobDraws, tuple[int, int], np.ndarray, dict[str, float] | None, pd.DataFrame]:
    """Draws of the chances; retries made and passed, and draws of their shift; lately; counts."""
    counts = job_counts(positions)
    like = {name: crew.connector(name).like for name in types}
    lately = _lately(counts)
    part = 1.0
    if draws is None:
        past = counts if lately is None else counts[~counts["lately"]]
        made = draw_jobs(past, types, rng=rng, like=like, draws=size, points=points)
    else:
        made = draws
        part = float(1 - counts.loc[counts["lately"], "n"].sum() / max(counts["n"].sum(), 1))
    if tuple(made.types) != tuple(types):
        at = [made.types.index(name) for name in types]
        made = JobDraws(tuple(types), made.mu[:, at], made.job_sd)
    if len(made.job_sd) > size:
        chosen = rng.choice(len(made.job_sd), size, replace=False)
        made = JobDraws(tuple(types), made.mu[chosen], made.job_sd[chosen])
    if lately is not None:  # draws made from all positions know a part of the fall already
        down = part * rng.normal(lately["shift"], lately["shift_sd"], (len(made.mu), 1))
        made = JobDraws(made.types, made.mu + np.minimum(down, 0), made.job_sd)
    retries, shift = _retries(positions, rng, len(made.mu))
    return made, retries, shift, lately, counts


def failures_at(positions: pd.DataFrame) -> pd.Series:
    """Failed tries at each decided position, as recorded: nought where the first passed."""
    arcs = positions["arcs"].astype(float).fillna(1)
    accepted = positions["state"].isin(ACCEPTED)
    failed = np.where(accepted, np.maximum(arcs - 1, 1), np.maximum(arcs, 1))
    passed = positions["first_pass_termination"] == "yes"
    return pd.Series(np.where(passed, 0.0, failed), index=positions.index)


def _lately(counts: pd.DataFrame) -> dict[str, float] | None:
    """Whether the last 30 days are clearly worse, jobs varying as they do and mix allowed for."""
    now, before = counts[counts["lately"]], counts[~counts["lately"]]
    if now["n"].sum() < 50 or before["n"].sum() < 50 or before["job"].nunique() < 2:
        return None
    usual = before.groupby("connector_type", observed=True)[["n", "failed"]].sum()
    rate = ((usual["failed"] + 0.5) / (usual["n"] + 1)).rename("rate")
    crew_rate = (usual["failed"].sum() + 0.5) / (usual["n"].sum() + 1)
    past = before.merge(rate, left_on="connector_type", right_index=True)
    job = past.assign(e=past["n"] * past["rate"]).groupby("job", observed=True)[["failed", "e"]]
    sums = job.sum()
    wild = float(((sums["failed"] - sums["e"]) ** 2 / sums["e"]).sum()) / max(len(sums) - 1, 1)
    expected = float((now["n"] * now["connector_type"].map(rate).fillna(crew_rate)).sum())
    failed = int(now["failed"].sum())
    spread = np.sqrt(max(wild, 1.0) * expected * (1 + expected / max(usual["failed"].sum(), 1)))
    if failed - expected < CLEARLY * spread:
        return None
    then, lately = expected / now["n"].sum(), failed / now["n"].sum()
    return {
        "yield_before": float(1 - then),
        "yield_lately": float(1 - lately),
        "n": int(now["n"].sum()),
        "n_before": int(before["n"].sum()),
        "days": RECENT_DAYS,
        "shift": float(logit(1 - lately) - logit(1 - then)),
        "shift_sd": float(spread / failed),
    }


def _retries(
    positions: pd.DataFrame, rng: np.random.Generator, draws: int
) -> tuple[tuple[int, int], np.ndarray]:
    """Retries made and passed, and draws of what a retry adds to the logit.

    Tries at one cable end share that end, so that a retry has its own chance. Retries nobody
    recorded cannot be counted; they were few and quick, or none.
    """
    known = positions["first_pass_termination"].isin(["yes", "no"])
    first_failed = positions[known & (positions["first_pass_termination"] == "no")]
    arcs = first_failed["arcs"].astype(float).fillna(1).to_numpy()
    accepted = first_failed["state"].isin(ACCEPTED).to_numpy()
    tries = np.where(accepted, np.maximum(arcs, 2), arcs)
    made = int(np.maximum(tries - 1, 0).sum())
    passed = int(accepted.sum())
    share = 1 - (len(first_failed) + 0.5) / (known.sum() + 10)
    chance = rng.beta(
        passed + RETRY_STRENGTH * share, made - passed + RETRY_STRENGTH * (1 - share), (draws, 1)
    )
    shift = logit(np.clip(chance, 1e-4, 1 - 1e-4)) - logit(share)
    return (made, passed), np.clip(shift, -4.0, 1.0)


def _steps(name: str, positions: pd.DataFrame) -> np.ndarray:
    """Share of failures found at each step: the type's, drawn towards the crew's."""

    def count(table: pd.DataFrame, column: str) -> np.ndarray:
        at = table[column].astype(object).value_counts()
        return np.array([float(at.get(step, 0)) for step in STEPS])

    failed = positions[positions["first_pass_termination"] == "no"]
    crew_wide = count(failed, "failed_step") + np.array(STEP_PRIOR)
    towards = 10 * crew_wide / crew_wide.sum()
    own = count(failed[failed["connector_type"] == name], "failed_step") + towards
    return own / own.sum()


def _minutes(positions: pd.DataFrame, rework: pd.DataFrame) -> Minutes:
    tries = rework["tries"].astype(float).clip(lower=1).fillna(1.0)
    after_arc = ~rework["step"].isin(["prepare", "cleave"]).to_numpy(bool)
    each = (rework["rework_min"].astype(float) / tries).to_numpy(float)[after_arc]
    failed = int((positions["first_pass_termination"] == "no").sum())
    written = int(np.isfinite(each).sum())
    return rework_minutes(each, unwritten=max(failed - written, 0))


def mixed_hands(
    draws: JobDraws, *, share: float, times: float, site: float, rng: np.random.Generator
) -> JobDraws:
    """Draws with a share of the joints made by apprentices, and for the site's conditions.

    Parameters
    ----------
    share : float
        Share of joints made by apprentices.
    times, site : float
        Times as many failures (odds) by an apprentice; on this site. The first is an assumption,
        taken as known to a factor of about 1.5 either way.
    """
    mu = draws.mu - np.log(site)
    if share > 0:
        factor = np.exp(rng.normal(np.log(times), 0.25, (len(mu), 1)))
        mu = logit((1 - share) * expit(mu) + share * expit(mu - np.log(factor)))
    return JobDraws(draws.types, mu, draws.job_sd)


def known_types(crew: Crew, positions: pd.DataFrame) -> list[str]:
    """Types in the settings or in the records."""
    named = [row.connector_type for row in crew.connector_types]
    made = positions["connector_type"].dropna().astype(str).unique().tolist()
    return [name for name in dict.fromkeys([*named, *sorted(made)]) if name != UNKNOWN]
