"""The store: the chance to run out before each date, and whether to order now."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy.signal import fftconvolve

from yieldkit.answers.bid_chances import JobDraws, Known, learn
from yieldkit.answers.bid_nodes import EFFECTS, at_work
from yieldkit.answers.bid_parts import make_job
from yieldkit.answers.result import Finding, Result
from yieldkit.crew import ALL, Crew
from yieldkit.methods.predictive import Chances
from yieldkit.records.bids import Bid, BidLine, OtherJob
from yieldkit.records.tables import require_columns
from yieldkit.wording.numbers import missing

if TYPE_CHECKING:
    from matplotlib.axes import Axes

DRAWS = 150


@dataclass(frozen=True, eq=False, kw_only=True)
class StoreRisk(Result):
    """Chance to run out before each date; see ``stores_ahead``."""

    def plot(self, ax: Axes) -> Axes:
        """Draw the chance to run out over the dates on ``ax``."""
        from yieldkit.figures.spares import draw_run_out

        return draw_run_out(ax, self.table)


def stock_at(
    stock: pd.DataFrame, crew: Crew, part: str, connector_type: str
) -> tuple[float, list[tuple[date, float]]]:
    """Pieces in store, opened packs included, and what of them expires when.

    The last count and the moves after it; without any move, the settings' figure. Pieces are taken
    from the lot that expires first.
    """
    rows = stock[stock["part"] == part]
    owner = rows["connector_type"].astype(object).fillna("")
    rows = rows[owner.isin([connector_type] if connector_type != ALL else ["", ALL])]
    if rows.empty:
        return crew.part(part, connector_type).stock, []
    rows = rows.assign(day=pd.to_datetime(rows["date"])).sort_values("day", kind="stable")
    lots: dict[tuple[str, date | None], list[float]] = {}
    days = [None if missing(end) else pd.Timestamp(end).date() for end in rows["expires"]]
    moves = zip(rows["lot"].astype(str), days, rows["move"], rows["quantity"], strict=True)
    for lot, ends, move, quantity in moves:
        here = lots.setdefault((lot, ends), [0.0])
        if move == "counted":
            here[0] = float(quantity)
        else:
            here[0] += float(quantity) * (1 if move in ("received", "returned") else -1)
    left = [(ends, max(pieces[0], 0.0)) for (_, ends), pieces in lots.items()]
    known = sorted((ends, pieces) for ends, pieces in left if ends is not None and pieces)
    return sum(pieces for _, pieces in left), known


def stores_ahead(
    jobs: tuple[OtherJob, ...],
    positions: pd.DataFrame,
    rework: pd.DataFrame,
    stock: pd.DataFrame,
    *,
    crew: Crew,
    today: date,
    accepted_risk: float = 0.05,
    confidence: float = 0.95,
    rng: np.random.Generator,
    as_of: pd.Timestamp | None = None,
) -> StoreRisk:
    """Chance that each part runs out before each job ends, and when to order.

    Jobs use one store: their demands add up, and opened packs carry over from job to job. Jobs have
    independent effects of their own but share what is not known of the crew's yield.

    Parameters
    ----------
    jobs : tuple of OtherJob
        Jobs ahead with the day on which each starts.
    stock : DataFrame
        The schema's stock moves.
    today : date
        Day of the question.
    accepted_risk : float
        Chance to run out that is accepted.

    Returns
    -------
    StoreRisk
        ``table``: ``connector_type``, ``part``, ``job``, ``before`` (day on which the job starts:
        the stock has to suffice for it and all earlier ones), ``stock`` [pieces, without those
        expired by then], ``need_p50``, ``need_p95`` [pieces], ``chance_short``, ``order_by`` (last
        day to order so that it arrives in time), ``act`` (order now, wait).
    """
    require_columns(stock, ["date", "part", "connector_type", "lot", "move", "quantity", "expires"])
    ahead: dict[tuple[date, str], list[OtherJob]] = {}
    for one in sorted(jobs, key=lambda one: one.starts):
        if one.starts >= today:
            ahead.setdefault((one.starts, one.job), []).append(one)
    needs = _needs(list(ahead.values()), positions, rework, crew, rng)
    rows, findings = [], []
    for (name, part), cumulative in needs.items():
        pieces, expiring = stock_at(stock, crew, part, name)
        lead = crew.part(part, name).lead_time_days
        own: list[dict[str, Any]] = []
        for (starts, job), (base, mixed) in zip(ahead, cumulative, strict=True):
            lost = _expired(expiring, cumulative[0][0], starts)
            here = pieces - lost
            reached = np.cumsum(mixed)
            spare = int(math.floor(here - base + 1e-9))
            short = 1.0 if spare < 0 else 1 - reached[min(spare, len(reached) - 1)]
            order_by = starts - timedelta(days=math.ceil(lead))
            own.append(
                {
                    "connector_type": name,
                    "part": part,
                    "job": job,
                    "before": starts,
                    "stock": here,
                    "need_p50": base + int(np.searchsorted(reached, 0.5)),
                    "need_p95": base + int(np.searchsorted(reached, 0.95)),
                    "chance_short": float(max(short, 0.0)),
                    "order_by": order_by,
                    "lead_time_days": lead,
                }
            )
        rows += own
        findings += _said(own, crew, today, accepted_risk, expiring)
    table = pd.DataFrame(rows)
    if len(table):
        risky = table["chance_short"] > accepted_risk
        table["act"] = np.where(risky & _due(table, today), "order now", "wait")
    findings.sort(key=lambda found: found.severity != "decide")
    return StoreRisk(
        table=table,
        findings=tuple(findings),
        settings={"accepted_risk": accepted_risk, "today": today},
        confidence=confidence,
        as_of=as_of,
    )


def _due(table: pd.DataFrame, today: date) -> pd.Series:
    """Whether waiting a week would be too late."""
    return table["order_by"].map(lambda day: day <= today + timedelta(days=7)).astype(bool)


def _expired(expiring: list[tuple[date, float]], used_before: float, when: date) -> float:
    """Pieces lost by ``when``; the first job's pieces are taken from the lots that expire first."""
    gone = sum(pieces for ends, pieces in expiring if ends < when)
    return max(gone - used_before, 0.0) if gone else 0.0


def _needs(
    ahead: list[list[OtherJob]],
    positions: pd.DataFrame,
    rework: pd.DataFrame,
    crew: Crew,
    rng: np.random.Generator,
) -> dict[tuple[str, str], list[tuple[float, np.ndarray]]]:
    """Cumulative need of each part after each job: pieces surely used, distribution of the rest."""
    if not ahead:
        return {}
    names = list(dict.fromkeys(job.connector_type for jobs in ahead for job in jobs))
    known = learn(names, positions, rework, crew=crew, rng=rng, size=DRAWS)
    sums: dict[tuple[str, str], tuple[float, np.ndarray]] = {}
    made: dict[tuple[str, str], list[tuple[float, np.ndarray]]] = {}
    for jobs in ahead:
        for job in jobs:
            line = BidLine(connector_type=job.connector_type, positions=job.positions)
            bid = Bid(title=job.job, lines=(line,))
            at = known.draws.types.index(job.connector_type)
            draws = at_work(bid, _only(known, at), rng)
            chances = Chances.from_draws(
                draws.mu, draws.job_sd, retry_shift=known.retry_shift, effects=EFFECTS, rng=rng
            )
            here = make_job(bid, crew, chances, known.steps, cord=False)
            for place, one in enumerate(here.wanted):
                key = (one.connector_type, one.part)
                by_draw = here.pieces[place].reshape(DRAWS, EFFECTS, -1).mean(axis=1)
                base, before = sums.get(key, (0.0, np.ones((DRAWS, 1))))
                rows = np.maximum(fftconvolve(before, by_draw, axes=1), 0)
                sums[key] = (base + one.base, rows)
                made.setdefault(key, [])
        for key, (base, rows) in sums.items():
            made[key].append((base, rows.mean(axis=0)))
    for key, cumulative in made.items():  # a part not needed by the first jobs
        later = len(ahead) - len(cumulative)
        made[key] = [(0.0, np.ones(1))] * later + cumulative
    return made


def _only(known: Known, at: int) -> Known:
    draws = known.draws
    return replace(known, draws=JobDraws((draws.types[at],), draws.mu[:, [at]], draws.job_sd))


def _said(
    own: list[dict[str, Any]],
    crew: Crew,
    today: date,
    accepted: float,
    expiring: list[tuple[date, float]],
) -> list[Finding]:
    first = next((row for row in own if row["chance_short"] > accepted), None)
    found = []
    part = crew.part(str(own[0]["part"]), str(own[0]["connector_type"]))
    if first is None:
        last = own[-1]
        values = {**last, "chance": last["chance_short"], "until": last["before"]}
        found.append(Finding("stores_enough", values, "fine"))
    else:
        values = {**first, "chance": first["chance_short"], "until": first["before"]}
        lacking = float(own[-1]["need_p95"]) - float(own[-1]["stock"])
        values |= {"packs": max(math.ceil(lacking / part.pack), 1), "pack": part.pack}
        late = first["order_by"] <= today + timedelta(days=7)
        found.append(
            Finding(
                "stores_order" if late else "stores_wait", values, "decide" if late else "watch"
            )
        )
    for ends, pieces in expiring:
        used = [row for row in own if row["before"] <= ends]
        if pieces and (not used or float(used[-1]["need_p50"]) < pieces):
            left = pieces - (float(used[-1]["need_p50"]) if used else 0.0)
            values = {**own[0], "pieces": left, "expires": ends}
            found.append(Finding("stores_expiry", values, "watch"))
    return found
