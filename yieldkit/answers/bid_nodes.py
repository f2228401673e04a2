"""A bid's mixture: the record's draws with its people, its site and a new job's effect."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.special import logit

from yieldkit.answers.bid_chances import OWN_FIGURE_SD, JobDraws, Known, mixed_hands
from yieldkit.answers.bid_parts import Job, make_job, tries_at
from yieldkit.crew import Crew
from yieldkit.methods import predictive
from yieldkit.methods.predictive import Chances
from yieldkit.records.bids import Bid

EFFECTS = 4
"""Job effects a draw of the parameters."""


def at_work(bid: Bid, known: Known, rng: np.random.Generator) -> JobDraws:
    """Draws for a bid: its own figures where it names them, its apprentices, its site."""
    mu = known.draws.mu.copy()
    for at, line in enumerate(bid.lines):
        if line.expected_yield is not None:
            mu[:, at] = rng.normal(logit(line.expected_yield), OWN_FIGURE_SD, len(mu))
    draws = JobDraws(known.draws.types, mu, known.draws.job_sd)
    share = bid.apprentices / bid.technicians if bid.technicians else 0.0
    return mixed_hands(
        draws, share=share, times=bid.apprentice_failures, site=bid.site_failures, rng=rng
    )


def quick_job(
    bid: Bid, known: Known, *, crew: Crew, rng: np.random.Generator, nodes: int = 400
) -> Job:
    """A bid's distributions at fewer nodes, fast enough to follow a slider; see ``make_job``."""
    some = min(nodes // 4, len(known.draws.mu))
    few = replace(
        known,
        draws=JobDraws(known.draws.types, known.draws.mu[:some], known.draws.job_sd[:some]),
        retry_shift=known.retry_shift[:some],
    )
    chances = chances_of(at_work(bid, few, rng), few, rng)
    return make_job(bid, crew, chances, known.steps, cord=False)


def chances_of(draws: JobDraws, known: Known, rng: np.random.Generator) -> Chances:
    """Nodes of a new job: each draw with a few job effects."""
    return Chances.from_draws(
        draws.mu,
        draws.job_sd,
        retry_shift=known.retry_shift,
        effects=EFFECTS,
        rng=rng,
    )


def failures_at_95(bid: Bid, crew: Crew, known: Known, rng: np.random.Generator) -> int:
    """Failures of all types together that suffice in 95 % of such jobs."""
    chances = chances_of(at_work(bid, known, rng), known, rng)
    works = [
        predictive.Work(line.positions, tries=tries_at(crew, line.connector_type))
        for line in bid.lines
    ]
    return predictive.quantiles(predictive.total_pmf(chances, works), [0.95])[0]
