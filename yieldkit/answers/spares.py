"""Spares, parts and hours for a bid, at stated risks."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy.special import expit

from yieldkit.answers.bid_chances import (
    FEW_JOBS,
    JOB_ENDS,
    JobDraws,
    Known,
    known_types,
    learn,
)
from yieldkit.answers.bid_findings import bid_findings
from yieldkit.answers.bid_hours import hours_of
from yieldkit.answers.bid_nodes import at_work, chances_of, failures_at_95
from yieldkit.answers.bid_parts import (
    Job,
    make_job,
    spares_of,
    to_buy,
)
from yieldkit.answers.result import Result
from yieldkit.crew import Crew
from yieldkit.errors import CrewError
from yieldkit.methods import predictive
from yieldkit.records.bids import Bid
from yieldkit.records.tables import require_columns

if TYPE_CHECKING:
    from matplotlib.axes import Axes

LEVELS = {"p50": 0.5, "p80": 0.8, "p90": 0.9, "p95": 0.95, "p99": 0.99}
SERVICE = 0.95
"""Chance wanted that nothing runs short, where the bid names neither a chance nor costs."""
DRAWS, BATCHES = 400, 10


@dataclass(frozen=True, eq=False, kw_only=True)
class BidSpares(Result):
    """What to take to a job; see ``bid_spares``.

    Parameters
    ----------
    table : DataFrame
        ``connector_type`` (``all`` for a part that types share), ``part``, ``positions``; ``p50``
        to ``p99``: pieces (metres of cord) that suffice with that chance, those of the accepted
        positions included; ``packs`` to buy; ``quantity`` then at hand, stock included.
    types : DataFrame
        ``connector_type``, ``positions``, ``yield``, ``low``, ``high`` of a new job, ``n``
        [positions], ``from``.
    hours : DataFrame
        ``level``, ``hours`` [h paid], ``rework_hours`` [h paid], ``rework_cost`` [currency].
    next_pack : DataFrame
        ``connector_type``, ``part``, ``chance`` that all suffices with one pack more, ``price``.
    assumptions : DataFrame
        ``assumption``, ``low`` and ``high``: failures at 95 % if it is at its good and bad end.
    joint : float
        Chance that everything suffices.
    joint_error : float
        Its standard error from the finite number of parameter draws.
    rule : float
        The same chance under the crew's rule of thumb.
    job : Job
        The distributions.
    """

    types: pd.DataFrame = field(default_factory=pd.DataFrame)
    hours: pd.DataFrame = field(default_factory=pd.DataFrame)
    next_pack: pd.DataFrame = field(default_factory=pd.DataFrame)
    assumptions: pd.DataFrame = field(default_factory=pd.DataFrame)
    joint: float = math.nan
    joint_error: float = math.nan
    rule: float = math.nan
    job: Job | None = None

    def plot(self, ax: Axes) -> Axes:
        """Draw the spare pieces of each part at each risk on ``ax``."""
        from yieldkit.figures.spares import draw_spares

        return draw_spares(ax, self.table)


def bid_spares(
    bid: Bid,
    positions: pd.DataFrame,
    rework: pd.DataFrame,
    *,
    crew: Crew,
    draws: Any = None,
    confidence: float = 0.95,
    rng: np.random.Generator,
    as_of: pd.Timestamp | None = None,
) -> BidSpares:
    """Bodies, parts, packs and hours of a bid, from the crew's own record.

    Parameters
    ----------
    bid : Bid
        What is to be done.
    positions, rework : DataFrame
        The schema's tables of past work.
    crew : Crew
        Settings: parts, prices, packs, strip lengths, minutes.
    draws : optional
        In place of the estimate from job counts, any object with ``types``, ``mu`` (draws, types)
        and ``job_sd`` (draws,), for example ``draws_for_bid``'s.
    confidence : float
        Coverage of the yields' intervals, and the chance wanted where the bid names none.
    rng : Generator
        Source of the draws.

    Raises
    ------
    CrewError
        If a connector type is in neither the settings nor the records.
    """
    require_columns(positions, ["job", "connector_type", "first_date", "first_pass_termination"])
    _check_types(bid, crew, positions)
    names = [line.connector_type for line in bid.lines]
    known = learn(names, positions, rework, crew=crew, rng=rng, draws=draws, size=DRAWS)
    made = at_work(bid, known, rng)
    chances = chances_of(made, known, rng)
    job = make_job(bid, crew, chances, known.steps)
    packs, why = to_buy(job, bid, level=confidence)
    spares = spares_of(job, packs)
    joint, exact = job.all_suffice(spares)
    rule = _rule(job, crew.general.spare_rule_percent)
    hours, rework_part = hours_of(bid, job, known.minutes, crew=crew, rng=rng)
    table = _table(job, packs, bid)
    said: dict[str, Any] = {
        "joint": joint,
        "exact": exact,
        "why": why,
        "rule": rule,
        "rework": rework_part,
    }
    answer = BidSpares(
        table=table,
        settings={
            "bid": bid,
            "currency": crew.general.currency,
            "minutes": known.minutes,
            "utilisation": crew.general.utilisation,
            "minutes_per_position": crew.general.minutes_per_position,
            "jobs": known.jobs,
            "rule_percent": crew.general.spare_rule_percent,
        },
        confidence=confidence,
        as_of=as_of,
        types=_types(bid, made, known, confidence),
        hours=hours,
        next_pack=_next_pack(job, packs),
        assumptions=_assumptions(bid, crew, known, rng),
        joint=joint,
        joint_error=_error(job, spares),
        rule=rule,
        job=job,
    )
    return replace(answer, findings=bid_findings(answer, bid, crew, known, packs, said, rng))


def _check_types(bid: Bid, crew: Crew, positions: pd.DataFrame) -> None:
    known = known_types(crew, positions)
    for line in bid.lines:
        if line.connector_type not in known:
            raise CrewError(
                "the bid names an unknown connector type",
                column="connector type",
                found=line.connector_type,
                wanted=f"one of {', '.join(known)}" if known else None,
                remedy="Correct its name, or give the type a row in the crew's settings"
                " (with the type it is like).",
            )


def _table(job: Job, packs: list[int], bid: Bid) -> pd.DataFrame:
    rows = []
    at_least = [
        predictive.quantiles(job.mixed(at), list(LEVELS.values())) for at in range(len(job.wanted))
    ]
    for one, needs, many in zip(job.wanted, at_least, packs, strict=True):
        unit = one.metres or 1.0
        rows.append(
            {
                "connector_type": one.connector_type,
                "part": one.part,
                "positions": sum(bid.lines[at].positions for at in one.each),
                **{
                    name: round(one.base + need * unit, 2)
                    for name, need in zip(LEVELS, needs, strict=True)
                },
                "packs": many,
                "quantity": round(many * one.pack + one.in_hand, 2),
            }
        )
    return pd.DataFrame(rows)


def _types(bid: Bid, draws: JobDraws, known: Known, confidence: float) -> pd.DataFrame:
    """A new job's first-pass yield by type: parameters and the job's own effect uncertain."""
    luck = np.random.default_rng(0).standard_normal(len(draws.job_sd))
    rows = []
    for at, line in enumerate(bid.lines):
        chance = expit(draws.mu[:, at] + draws.job_sd * luck)
        low, high = np.quantile(chance, [(1 - confidence) / 2, (1 + confidence) / 2])
        n, failed = known.history[line.connector_type]
        source = known.borrowed.get(line.connector_type, "own record")
        if line.expected_yield is not None:
            source = "your figure in the bid"
        rows.append(
            {
                "connector_type": line.connector_type,
                "positions": line.positions,
                "yield": float(np.mean(chance)),
                "low": float(low),
                "high": float(high),
                "n": n,
                "failed": failed,
                "from": source,
            }
        )
    return pd.DataFrame(rows)


def _rule(job: Job, percent: float) -> float:
    """Chance that all suffices with the same few per cent spare of everything."""
    spares = [
        math.ceil(one.base * percent / 100) if not one.metres else one.base * percent / 100
        for one in job.wanted
    ]
    plenty = [1e9 if one.metres else spare for one, spare in zip(job.wanted, spares, strict=True)]
    return job.all_suffice([min(spare, 1e6) for spare in plenty])[0]


def _next_pack(job: Job, packs: list[int]) -> pd.DataFrame:
    rows = []
    for at, one in enumerate(job.wanted):
        more = [*packs[:at], packs[at] + 1, *packs[at + 1 :]]
        chance, _ = job.all_suffice(spares_of(job, more))
        rows.append(
            {
                "connector_type": one.connector_type,
                "part": one.part,
                "chance": chance,
                "price": one.price * one.pack,
            }
        )
    return pd.DataFrame(rows)


def _error(job: Job, spares: list[float]) -> float:
    """Standard error of the joint chance from the finite number of draws, by batches of them."""
    nodes = len(job.chances.weights)
    parts = np.array_split(np.arange(nodes), BATCHES)
    found = []
    for part in parts:
        some = replace(
            job,
            chances=job.chances.part(part),
            failures=tuple(rows[part] for rows in job.failures),
        )
        found.append(some.all_suffice(spares)[0])
    return float(np.std(found, ddof=1) / np.sqrt(BATCHES))


def _assumptions(bid: Bid, crew: Crew, known: Known, rng: np.random.Generator) -> pd.DataFrame:
    """Failures at 95 % with each assumption at its good and its bad end, the others as they are."""
    few = replace(
        known,
        draws=JobDraws(known.draws.types, known.draws.mu[:100], known.draws.job_sd[:100]),
        retry_shift=known.retry_shift[:100],
    )
    seed = int(rng.integers(2**32))

    def failures(of: Bid, changed: Known) -> int:
        return failures_at_95(of, crew, changed, np.random.default_rng(seed))

    def with_draws(mu: np.ndarray, job_sd: np.ndarray) -> Known:
        return replace(few, draws=JobDraws(few.draws.types, mu, job_sd))

    mu, sd = few.draws.mu, few.draws.job_sd
    ends = np.quantile(mu, [0.9, 0.1], axis=0)
    spread = JOB_ENDS if known.jobs < FEW_JOBS else tuple(np.quantile(sd, [0.1, 0.9]))
    retry = np.quantile(few.retry_shift, [0.9, 0.1])
    rows = [
        ("how good the crew is", *(failures(bid, with_draws(mu * 0 + end, sd)) for end in ends)),
        ("how much jobs differ", *(failures(bid, with_draws(mu, sd * 0 + end)) for end in spread)),
        (
            "how often a second try works",
            *(failures(bid, replace(few, retry_shift=few.retry_shift * 0 + end)) for end in retry),
        ),
    ]
    if bid.apprentices:
        times = (1.0, bid.apprentice_failures**2)
        rows.append(
            (
                "what apprentices cost",
                *(
                    failures(bid.model_copy(update={"apprentice_failures": end}), few)
                    for end in times
                ),
            )
        )
    if len(bid.lines) > 1:
        rows.append(("the mix of types", *sorted(_other_mix(bid, failures, few))))
    made = pd.DataFrame(rows, columns=["assumption", "low", "high"])
    order = (made["high"] - made["low"]).sort_values(ascending=False).index
    return made.loc[order].reset_index(drop=True)


def _other_mix(bid: Bid, failures: Any, known: Known) -> list[int]:
    """Failures at 95 % if a tenth of the positions move to the best, to the worst type."""
    best_first = np.argsort(-known.draws.mu.mean(axis=0))
    found = []
    for at in (best_first[0], best_first[-1]):
        lines = []
        moved = sum(line.positions // 10 for k, line in enumerate(bid.lines) if k != at)
        for k, line in enumerate(bid.lines):
            many = line.positions + moved if k == at else line.positions - line.positions // 10
            lines.append(line.model_copy(update={"positions": many}))
        found.append(failures(bid.model_copy(update={"lines": tuple(lines)}), known))
    return found
