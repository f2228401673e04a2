"""What a bid's figures say, most urgent first."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy.special import expit

from yieldkit.answers.bid_chances import FEW_JOBS, JOB_ENDS, JobDraws, Known
from yieldkit.answers.bid_nodes import failures_at_95
from yieldkit.answers.bid_parts import Job
from yieldkit.answers.result import Finding
from yieldkit.crew import ALL, Crew
from yieldkit.methods import predictive
from yieldkit.records.bids import Bid

if TYPE_CHECKING:
    from yieldkit.answers.spares import BidSpares

TEN_TIMES = 10
"""A bid so many times larger than any past job is beyond experience."""


def bid_findings(
    answer: BidSpares,
    bid: Bid,
    crew: Crew,
    known: Known,
    packs: list[int],
    said: Mapping[str, Any],
    rng: np.random.Generator,
) -> tuple[Finding, ...]:
    """All findings of a bid."""
    job = answer.job
    assert job is not None
    currency = crew.general.currency
    n = sum(seen for seen, _ in known.history.values())
    bodies = answer.table[answer.table["part"] == "body"]
    if bodies.empty:
        bodies = answer.table[answer.table["part"] == "sleeve"]
    take = [
        (row.connector_type, row.part, row.quantity, row.positions) for row in bodies.itertuples()
    ]
    found = [
        Finding(
            "spares_take",
            {
                "take": take,
                "joint": said["joint"],
                "exact": said["exact"],
                "error": answer.joint_error,
                "jobs": known.jobs,
                "n": n,
                "event_cost": bid.event_cost,
                "cost": said["why"].get("cost"),
                "currency": currency,
            },
            "decide",
        )
    ]
    if not known.jobs:
        found.append(Finding("spares_no_record", _assumed(bid, known), "cannot tell"))
    if known.jobs < FEW_JOBS:
        found.append(Finding("spares_few_jobs", _ends(bid, crew, known, rng), "cannot tell"))
    if known.lately is not None:
        found.append(
            Finding(
                "spares_lately_worse",
                {**known.lately, **_if_mended(bid, crew, known, rng)},
                "watch",
            )
        )
    if known.largest and bid.positions >= TEN_TIMES * known.largest:
        found.append(
            Finding(
                "spares_beyond_experience",
                {"positions": bid.positions, "largest": known.largest, "jobs": known.jobs},
                "cannot tell",
            )
        )
    for name, source in known.borrowed.items():
        if not known.jobs:  # nothing to borrow from; said above
            break
        line = next(line for line in bid.lines if line.connector_type == name)
        code = "spares_borrowed" if line.expected_yield is None else "spares_own_figure"
        value = {"connector_type": name, "source": source, "yield": line.expected_yield}
        found.append(Finding(code, value, "cannot tell" if not line.expected_yield else "note"))
    found.append(
        Finding(
            "spares_rule_of_thumb",
            {
                "percent": crew.general.spare_rule_percent,
                "rule": said["rule"],
                "joint": said["joint"],
            },
            "note",
        )
    )
    hours = answer.hours.set_index("level")["hours"]
    found.append(
        Finding(
            "spares_hours",
            {
                "p50": float(hours[0.5]),
                "p80": float(hours[0.8]),
                "p95": float(hours[0.95]),
                "utilisation": crew.general.utilisation,
                "minutes": crew.general.minutes_per_position,
                "rework_minutes": known.minutes.median,
                "low": known.minutes.median_low,
                "high": known.minutes.median_high,
                "written": known.minutes.written,
                "unwritten": known.minutes.unwritten,
            },
            "note",
        )
    )
    cost = answer.hours.set_index("level")["rework_cost"]
    found.append(
        Finding(
            "spares_rework_cost",
            {
                "hours": said["rework"]["hours"],
                "cost": said["rework"]["cost"],
                "p95": float(cost[0.95]),
                "currency": currency,
                "priced": any(one.price > 0 for one in job.wanted),
            },
            "note",
        )
    )
    found.append(Finding("spares_matters_most", _most(answer.assumptions), "note"))
    if bid.apprentices:
        found.append(
            Finding(
                "spares_apprentices",
                {
                    "apprentices": bid.apprentices,
                    "people": bid.technicians,
                    "times": bid.apprentice_failures,
                },
                "note",
            )
        )
    found.extend(_about_packs(job, packs, bid, crew))
    found.append(_about_cord(job, bid, crew))
    return tuple(found)


def _assumed(bid: Bid, known: Known) -> dict[str, Any]:
    """First-pass yield that a bid without any record counts with."""
    own = [line.expected_yield for line in bid.lines if line.expected_yield is not None]
    yields = expit(known.draws.mu)
    low, middle, high = np.quantile(yields, [0.05, 0.5, 0.95])
    return {"own": len(own), "types": len(bid.lines), "yield": middle, "low": low, "high": high}


def _most(assumptions: pd.DataFrame) -> dict[str, Any]:
    top = assumptions.iloc[0]
    return {"assumption": top["assumption"], "low": int(top["low"]), "high": int(top["high"])}


def _ends(bid: Bid, crew: Crew, known: Known, rng: np.random.Generator) -> dict[str, Any]:
    """Failures at 95 % with the spread between jobs at either end of its prior."""
    ends = []
    for end in JOB_ENDS:
        draws = JobDraws(known.draws.types, known.draws.mu, 0 * known.draws.job_sd + end)
        ends.append(failures_at_95(bid, crew, replace(known, draws=draws), rng))
    return {"jobs": known.jobs, "low": ends[0], "high": ends[1], "wanted": FEW_JOBS}


def _if_mended(bid: Bid, crew: Crew, known: Known, rng: np.random.Generator) -> dict[str, int]:
    """Failures at 95 % as lately, and as before the fall."""
    assert known.lately is not None
    up = JobDraws(known.draws.types, known.draws.mu - known.lately["shift"], known.draws.job_sd)
    return {
        "p95": failures_at_95(bid, crew, known, rng),
        "p95_before": failures_at_95(bid, crew, replace(known, draws=up), rng),
    }


def _about_packs(job: Job, packs: list[int], bid: Bid, crew: Crew) -> list[Finding]:
    made = []
    for one, many in zip(job.wanted, packs, strict=True):
        if one.metres or one.pack < 2 or not many:
            continue
        quantity = many * one.pack + one.in_hand
        if many == 1 and quantity >= 2 * one.base:
            made.append(
                Finding(
                    "spares_one_pack",
                    {
                        "connector_type": one.connector_type,
                        "part": one.part,
                        "pack": one.pack,
                        "base": one.base,
                        "left": quantity - one.base,
                        "value": one.leftover * (quantity - one.base),
                        "currency": crew.general.currency,
                    },
                    "note",
                )
            )
    silent = [one.part for one in job.wanted if one.price == 0]
    if silent and bid.event_cost is not None:
        parts = list(dict.fromkeys(silent))
        made.append(Finding("spares_no_price", {"parts": parts}, "watch"))
    return made


def _about_cord(job: Job, bid: Bid, crew: Crew) -> Finding:
    """What the tail of cord allows, and how many positions will be given up."""
    lost = 0.0
    for kind, work in enumerate(job.works):
        pmf = predictive.given_up(job.chances, work, kind)
        lost += float(np.arange(len(pmf)) @ pmf)
    tails = [
        (line.connector_type, crew.connector(line.connector_type).tail_mm, work.tries)
        for line, work in zip(bid.lines, job.works, strict=True)
    ]
    return Finding("spares_tail", {"tails": tails, "given_up": lost, "shared": ALL}, "note")
