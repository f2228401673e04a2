"""Claims about the sources of losses, on crews drawn as readings (some thousands an hour)."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import polygamma

from yieldkit.answers import loss_sources, sources
from yieldkit.answers.fair import HANDS, LOTS, PAIR
from yieldkit.answers.how_many_more import MANY_TIMES, how_many_more

KINDS = (*HANDS, "job", "day", PAIR)
TYPES, TYPE_EFFECTS = np.array(["SC", "LC", "ST"]), np.array([-0.1, 0.1, 0.2])
SIZES = (6, 4, 4, 3)


@dataclass(frozen=True)
class LossCrew:
    """A crew as readings of one kind of loss: 6 persons, 4 splicers, 4 cleavers, 3 heaters.

    ``sds``: standard deviation of the effects of technician, splicer, cleaver, heater, job, day and
    person with splicer on the logarithm of the loss, or None: drawn from the model's own prior.
    ``joints``: that of joints alike in all of these. ``own``: share of work on own kit. ``heavy``:
    what the model does not know: effects from a t distribution of 3 degrees of freedom, a person
    may do worse on one cleaver and a splicer on one day, joints are of the gamma family.
    """

    readings: int = 1200
    sds: tuple[float, ...] | None = (0.12, 0.12, 0.1, 0.05, 0.15, 0.1, 0.05)
    joints: float = 0.6
    median_db: float = 0.05
    step_db: float = 0.01
    own: float = 0.6
    heavy: bool = False


def draw_readings(plan: LossCrew, rng: np.random.Generator) -> tuple[pd.DataFrame, dict[str, Any]]:
    """Readings as intervals of the display, and the truth: effects and codes by kind, luck."""
    n = plan.readings
    pairs = SIZES[0] * SIZES[1]
    sizes = dict(zip(KINDS, (*SIZES, max(n // 140, 2), max(n // 60, 2), pairs), strict=True))
    scale = loss_sources.PRIOR_SHARE * plan.joints
    spread = plan.sds or tuple(scale * np.abs(rng.standard_normal(len(KINDS))))
    effects = {}
    for kind, sd in zip(KINDS, spread, strict=True):
        unit = rng.standard_normal(sizes[kind])
        if plan.heavy and kind in HANDS:
            unit = rng.standard_t(3, sizes[kind]) / np.sqrt(3)
        effects[kind] = sd * unit
    person = rng.integers(0, sizes["technician"], n)
    codes = {"technician": person, "job": np.sort(rng.integers(0, sizes["job"], n))}
    codes["day"] = np.arange(n) * sizes["day"] // n
    for kind in HANDS[1:]:
        free = rng.integers(0, sizes[kind], n)
        codes[kind] = np.where(rng.random(n) < plan.own, person % sizes[kind], free)
    codes[PAIR] = person * SIZES[1] + codes["splicer"]
    kind_of = rng.choice(3, n, p=[0.5, 0.4, 0.1])
    log_loss = np.log(plan.median_db) + TYPE_EFFECTS[kind_of]
    for kind in KINDS:
        log_loss = log_loss + effects[kind][codes[kind]]
    luck = plan.joints**2
    if plan.heavy:
        for one, other, sd in (("technician", "cleaver", 0.1), ("splicer", "day", 0.1)):
            both = sd * rng.standard_normal((sizes[one], sizes[other]))
            log_loss = log_loss + both[codes[one], codes[other]]
        log_loss = log_loss + np.log(rng.gamma(1 / luck, luck, n))
        luck = float(polygamma(1, 1 / luck))
    else:
        log_loss = log_loss + plan.joints * rng.standard_normal(n)
    shown = np.round(np.exp(log_loss) / plan.step_db) * plan.step_db
    names = {kind: np.char.add(kind[0], codes[kind].astype(str)) for kind in KINDS[:-1]}
    made = pd.DataFrame(names).assign(
        connector_type=TYPES[kind_of],
        low=np.maximum(shown - plan.step_db / 2, 0.0),
        high=shown + plan.step_db / 2,
        **dict.fromkeys(LOTS),
    )
    return made, {"effects": effects, "codes": codes, "luck": luck}


def losses_are_judged(plan: LossCrew, seed: int) -> list[dict[str, Any]]:
    """One fit of one crew, held to all that it says.

    Claim interval: a unit's gap to its kind's mean lies in its interval. Claim part: a kind's
    standard deviation, and its share of the spread, lie in theirs. Claim source: a stated chance
    of being the worst unit, by more than the margin, comes true. Claim named: one row a crew; the
    unit named, if any, is that one.
    """
    rng = np.random.default_rng(seed)
    made, truth = draw_readings(plan, rng)
    fitted = loss_sources.fit_losses(made)
    effects, sds = fitted.model.posterior.draws(rng, sources.DRAWS)
    table = loss_sources.unit_gaps(fitted, effects, 0.95)
    spread = loss_sources.spread_of_losses(fitted, effects, sds, 0.95)
    gaps = _true_gaps(table, truth)
    return [
        *(
            {"claim": "interval", "what": row.kind, "covered": bool(row.low <= gap <= row.high)}
            | {"width": row.high - row.low}
            for row, gap in zip(table.itertuples(), 100 * np.expm1(gaps), strict=True)
        ),
        *_parts(spread, truth),
        *_sources(table, gaps),
    ]


def more_is_enough(plan: LossCrew, seed: int) -> list[dict[str, Any]]:
    """Whether a crew that cannot be told at its first 200 readings can be after so many more."""
    rng = np.random.default_rng(seed)
    first = 200
    most = first * MANY_TIMES[-1]
    made, _ = draw_readings(replace(plan, readings=int(most)), rng)
    top, more = _likeliest(made.head(first), rng)
    if top >= sources.NAMED:
        return [{"outcome": "told at once", "more": None, "told": None}]
    if more is None:
        return [{"outcome": "more would hardly tell", "more": None, "told": None}]
    top, _ = _likeliest(made.head(first + more), rng)
    return [{"outcome": "so many more", "more": more, "told": top >= sources.NAMED}]


def _likeliest(made: pd.DataFrame, rng: np.random.Generator) -> tuple[float, int | None]:
    """Chance of the likeliest answer, and how many more readings would tell."""
    fitted = loss_sources.fit_losses(made)
    effects, _ = fitted.model.posterior.draws(rng, sources.DRAWS)
    table = loss_sources.unit_gaps(fitted, effects, 0.95)
    stated = table["chance_source"].to_numpy()
    gaps = sources.gaps_of(fitted.model, effects, table)
    margin = float(np.log1p(loss_sources.MARGIN_PERCENT / 100))
    more = how_many_more(gaps, margin, len(made), named=sources.NAMED)
    more = None if more is None else sources.two_digits(max(more, 50))
    return float(max(stated.max(), 1 - stated.sum())), more


def _true_gaps(table: pd.DataFrame, truth: dict[str, Any]) -> np.ndarray:
    found = []
    for kind, unit in zip(table["kind"], table["unit"], strict=True):
        own, code = truth["effects"][kind], truth["codes"][kind]
        found.append(own[int(unit[1:])] - own[code].mean())
    return np.array(found)


def _parts(spread: pd.DataFrame, truth: dict[str, Any]) -> list[dict[str, Any]]:
    variances = {
        kind: float(own[truth["codes"][kind]].var()) for kind, own in truth["effects"].items()
    }
    variances["luck"] = truth["luck"]
    total = sum(variances.values())
    return [
        {"claim": "part", "what": row.kind}
        | {"covered": bool(row.low <= variances[row.kind] / total <= row.high)}
        | {"covered_sd": bool(row.sd_low <= variances[row.kind] ** 0.5 <= row.sd_high)}
        | {"width": row.high - row.low, "error": row.share - variances[row.kind] / total}
        for row in spread.itertuples()
    ]


def _sources(table: pd.DataFrame, gaps: np.ndarray) -> list[dict[str, Any]]:
    limit = np.log1p(loss_sources.MARGIN_PERCENT / 100)
    worst = int(np.argmax(gaps)) if gaps.max() > limit else -1
    stated = table["chance_source"].to_numpy()
    top = int(stated.argmax())
    named = bool(stated[top] >= sources.NAMED and table["told"][top])
    return [
        *(
            {"claim": "source", "stated": float(chance), "happened": at == worst}
            for at, chance in enumerate(stated)
        ),
        {"claim": "named", "named": named, "right": top == worst if named else None},
    ]
