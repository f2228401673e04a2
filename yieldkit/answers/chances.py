"""Chances of the first pass in a job still to come, with all that is not known about them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import expit, logit

from yieldkit.answers.fair import (
    CREW_LOGIT,
    CREW_SD,
    HANDS,
    LOTS,
    PRIOR_SD,
    TYPE_SD,
    CrewModel,
    fit_crew,
)
from yieldkit.crew import Crew


@dataclass(frozen=True, eq=False)
class NewJobDraws:
    """Joint draws for a new job of this crew.

    Parameters
    ----------
    types : tuple of str
        Connector types, the columns of ``mu``.
    mu : ndarray, shape (draws, types)
        Logit of the chance of a first pass in a job of no effect of its own, the crew's people and
        kit mixed as they were, lots new as often as they were in past jobs.
    job_sd : ndarray, shape (draws,)
        Standard deviation of job effects on that logit; one effect is common to a job's types.
    n : int
        Decided positions behind.
    known : tuple of bool
        For each type, whether any position of it was decided; else its draws are the prior's.
    """

    types: tuple[str, ...]
    mu: np.ndarray
    job_sd: np.ndarray
    n: int
    known: tuple[bool, ...]


def draws_for_bid(
    positions: pd.DataFrame,
    *,
    crew: Crew | None = None,
    rng: np.random.Generator,
    types: Sequence[str] | None = None,
    stage: str = "termination",
    draws: int = 2000,
) -> NewJobDraws:
    """Joint draws of what the crew's record says about the types of a new job.

    Parameters
    ----------
    positions : DataFrame
        The schema's positions.
    crew : Crew, optional
        Settings; a type without history takes the figures of its ``like`` type where that has some.
    rng : Generator
        Source of the draws.
    types : sequence of str, optional
        Types of the job; all that were made if missing.
    stage : str
        ``termination``, ``splice`` or ``link``.
    draws : int
        Number of draws.
    """
    # A new job's days are within its own spread: jobs carry what days do. It is done by the pairs
    # as they were, so persons and splicers carry what pairs do.
    model = fit_crew(positions, stage=stage, days=False, pairs=False)
    if model is None:
        return _from_prior(tuple(types or ()), rng, draws)
    posterior = model.posterior
    effects, sds = posterior.draws(rng, draws)
    seen = model.levels("connector_type")
    asked = tuple(types) if types is not None else seen
    hands = [kind for kind in model.kinds if kind in HANDS]
    mix = model.cells.groupby(hands, observed=True)["tried"].sum() if hands else None
    own = np.zeros((draws, 1))
    share = np.ones(1)
    if mix is not None:
        share = mix.to_numpy(float) / mix.sum()
        own = np.zeros((draws, len(mix)))
        for kind in hands:
            place = {name: at for at, name in enumerate(model.levels(kind))}
            codes = [place[name] for name in mix.index.get_level_values(kind)]
            own += effects[:, posterior.block(kind)][:, codes]
    level = posterior.centre + effects[:, posterior.block("crew")]
    columns, known = [], []
    for name in asked:
        source = name if name in seen else (crew or Crew()).connector(name).like
        known.append(source in seen)
        if source in seen:
            at = posterior.block("connector_type").start + seen.index(source)
            shift = effects[:, [at]]
        else:
            shift = TYPE_SD * rng.standard_normal((draws, 1))
        for lot in LOTS:
            if lot in model.kinds:
                own_lots = positions[positions["connector_type"] == source]
                shift = shift + _lot_met(own_lots, lot, model, effects, sds, rng)[:, None]
        columns.append(logit(np.clip(expit(level + shift + own) @ share, 1e-9, 1 - 1e-9)))
    if "job" in model.kinds:
        job_sd = sds[:, posterior.factors.names.index("job")]
    else:
        job_sd = PRIOR_SD * np.abs(rng.standard_normal(draws))
    n = int(model.cells["tried"].sum())
    return NewJobDraws(asked, np.column_stack(columns), job_sd, n, tuple(known))


def _lot_met(
    positions: pd.DataFrame,
    lot: str,
    model: CrewModel,
    effects: np.ndarray,
    sds: np.ndarray,
    rng: np.random.Generator,
) -> np.ndarray:
    """Draws of the effect of the lot that a new job meets: the last in use, or a new one.

    A job begins on a lot already met as often as past jobs did.
    """
    spread = sds[:, model.posterior.factors.names.index(lot)]
    new = spread * rng.standard_normal(len(sds))
    if "first_date" not in positions:
        return new
    jobs = positions.sort_values("first_date", kind="stable").dropna(subset=[lot])
    lots = jobs.drop_duplicates("job")[lot].astype(str)
    known = model.levels(lot)
    if lots.empty or lots.iloc[-1] not in known:
        return new
    met = (lots.duplicated().sum() + 0.5) / len(lots)
    at = model.posterior.block(lot).start + known.index(lots.iloc[-1])
    return np.where(rng.random(len(sds)) < met, effects[:, at], new)


def _from_prior(types: tuple[str, ...], rng: np.random.Generator, draws: int) -> NewJobDraws:
    level = CREW_LOGIT + CREW_SD * rng.standard_normal((draws, 1))
    mu = level + TYPE_SD * rng.standard_normal((draws, len(types)))
    job_sd = PRIOR_SD * np.abs(rng.standard_normal(draws))
    return NewJobDraws(types, mu, job_sd, 0, (False,) * len(types))
