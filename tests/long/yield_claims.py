"""Claims about fair yields and likely sources, on crews drawn as counts (thousands in minutes)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import expit

from yieldkit.answers import sources
from yieldkit.answers.fair import HANDS, PAIR, CrewModel, fair_logits, fit_crew, prior_of


@dataclass(frozen=True)
class CountCrew:
    """A crew as counts.

    ``sds``: standard deviation of the effects of technician, splicer, cleaver, heater, job, day
    [logit], pairs of person and splicer having none; or None: all drawn from the model's own prior.
    ``own``: share of work on own kit. ``heavy``: effects from a t distribution of 3 degrees of
    freedom, persons and splicers interact, ends differ.
    ``shift``: added to the failure logit of one unit of kit over the whole period.
    """

    weeks: float = 4.0
    per_week: int = 300
    sds: tuple[float, ...] | None = (0.3, 0.2, 0.2, 0.1, 0.3, 0.15)
    own: float = 0.6
    heavy: bool = False
    shift: float = 0.0
    logit: float = 3.0
    sizes: tuple[int, ...] = (6, 4, 4, 3)


def draw_crew(plan: CountCrew, rng: np.random.Generator) -> tuple[pd.DataFrame, dict[str, Any]]:
    """Positions, and the truth: effects by kind, chance by position, the shifted unit."""
    n = int(plan.weeks * plan.per_week)
    kinds = (*HANDS, "job", "day")
    jobs, days = max(n // 140, 2), int(5 * plan.weeks)
    sizes = dict(zip(kinds, (*plan.sizes, jobs, days), strict=True))
    scales = np.array(list(prior_of((*kinds, PAIR)).values()))
    spread = plan.sds or tuple(scales * np.abs(rng.standard_normal(len(scales))))
    effects = {}
    for kind, sd in zip(kinds, spread[: len(kinds)], strict=True):
        unit = rng.standard_normal(sizes[kind])
        if plan.heavy and kind in HANDS:
            unit = rng.standard_t(3, sizes[kind]) / np.sqrt(3)
        effects[kind] = sd * unit
    person = rng.integers(0, sizes["technician"], n)
    codes = {"technician": person, "job": np.sort(rng.integers(0, jobs, n))}
    codes["day"] = np.arange(n) * days // n
    for kind in HANDS[1:]:
        free = rng.integers(0, sizes[kind], n)
        codes[kind] = np.where(rng.random(n) < plan.own, person % sizes[kind], free)
    kind_of = rng.choice(3, n, p=[0.5, 0.4, 0.1])
    shifted = None
    if plan.shift:
        kit = [(kind, at) for kind in HANDS[1:3] for at in range(sizes[kind])]
        shifted = kit[rng.integers(len(kit))]
        effects[shifted[0]][shifted[1]] -= plan.shift
    eta = plan.logit + np.array([0.2, -0.2, -0.4])[kind_of]
    for kind in kinds:
        eta = eta + effects[kind][codes[kind]]
    pair = 0.35 if plan.heavy else sum(spread[len(kinds) :])
    if pair:
        both = pair * rng.standard_normal((sizes["technician"], sizes["splicer"]))
        eta = eta + both[person, codes["splicer"]]
    if plan.heavy:
        eta = eta + 0.5 * rng.standard_normal(n)
    passed = rng.random(n) < expit(eta)
    made = pd.DataFrame(
        {kind: np.char.add(kind[0].upper(), codes[kind].astype(str)) for kind in kinds[:-1]}
    )
    made = made.assign(
        connector_type=np.array(["SC", "LC", "ST"])[kind_of],
        first_attempt_id="x",
        first_date=np.datetime64("2026-01-05") + codes["day"],
        connector_lot=None,
        fibre_lot=None,
        first_pass_termination=np.where(passed, "yes", "no"),
    )
    return made, {"effects": effects, "codes": codes, "eta": eta, "shifted": shifted}


def true_fair(truth: dict[str, Any], kind: str) -> np.ndarray:
    """True fair yield of each unit: the crew's own positions with this unit in its kind's place."""
    base = truth["eta"] - truth["effects"][kind][truth["codes"][kind]]
    return np.array([expit(base + effect).mean() for effect in truth["effects"][kind]])


def crew_is_judged(plan: CountCrew, seed: int) -> list[dict[str, Any]]:
    """One fit of one crew, held to all that it says.

    ``claim`` interval: the intervals of a unit's fair yield and of its effect (contrast with the
    crew) hold the truth. For the other claims see ``source_is_judged``.
    """
    rng = np.random.default_rng(seed)
    made, truth = draw_crew(plan, rng)
    model = fit_crew(made)
    outcomes = []
    for kind in HANDS:
        order = [int(name[1:]) for name in model.levels(kind)]
        low, high = expit(fair_logits(model, kind).interval())
        fair = true_fair(truth, kind)[order]
        contrast = model.posterior.contrasts(kind)
        effect = truth["effects"][kind][order]
        effect = effect - effect.mean()
        below, above = contrast.interval()
        two = np.abs(contrast.mean() - effect) <= 2 * contrast.sd()
        outcomes += [
            {
                "claim": "interval",
                "what": kind,
                "covered": bool(low[at] <= fair[at] <= high[at]),
                "covered_effect": bool(below[at] <= effect[at] <= above[at]),
                "within_two_sd": bool(two[at]),
                "width": float(high[at] - low[at]),
            }
            for at in range(len(order))
        ]
    return outcomes + _sources_come_true(model, truth, rng)


def source_is_judged(plan: CountCrew, seed: int) -> list[dict[str, Any]]:
    """What one crew's fit says of sources, held to the truth.

    ``claim`` source: a stated chance of being the source comes true. Claim named: one row a crew;
    the unit named, if any, is the source. The same rows as those of ``crew_is_judged``.
    """
    rng = np.random.default_rng(seed)
    made, truth = draw_crew(plan, rng)
    return _sources_come_true(fit_crew(made), truth, rng)


def _sources_come_true(
    model: CrewModel, truth: dict[str, Any], rng: np.random.Generator
) -> list[dict[str, Any]]:
    units, stated, told = _chances(model, rng)
    limit = -sources.MARGIN_POINTS / 100 / sources.slope_of(model)
    gaps = []
    for kind, unit in zip(units["kind"], units["unit"], strict=True):
        own, code = truth["effects"][kind], truth["codes"][kind]
        gaps.append(own[int(unit[1:])] - own[code].mean())
    worst = int(np.argmin(gaps)) if min(gaps) < limit else -1
    top = int(stated.argmax())
    named = bool(stated[top] >= sources.NAMED and told[top])
    return [
        *(
            {"claim": "source", "stated": float(chance), "happened": at == worst}
            for at, chance in enumerate(stated)
        ),
        {"claim": "named", "named": named, "right": top == worst if named else None},
    ]


def _chances(
    model: CrewModel, rng: np.random.Generator
) -> tuple[pd.DataFrame, np.ndarray, np.ndarray]:
    """Units, their chance of being the source, and whether the layout tells them."""
    kinds = [kind for kind in model.kinds if kind in HANDS]
    units = pd.DataFrame(
        [(kind, unit) for kind in kinds for unit in model.levels(kind)], columns=["kind", "unit"]
    )
    effects, _ = model.posterior.draws(rng, sources.DRAWS)
    stated = sources.chances_of_source(model, effects, units, sources.MARGIN_POINTS)
    return units, stated, np.concatenate([model.told(kind) for kind in kinds])


def shift_is_found(plan: CountCrew, seed: int) -> list[dict[str, Any]]:
    """Whether the shifted unit of kit came out first, was named, and an oracle found it.

    The oracle knows the size and the onset of the shift.
    """
    rng = np.random.default_rng(seed)
    made, truth = draw_crew(plan, rng)
    units, stated, told = _chances(fit_crew(made), rng)
    name = f"{truth['shifted'][0][0].upper()}{truth['shifted'][1]}"
    kit = units["kind"] != "technician"
    top = int(np.where(kit, stated, -1.0).argmax())
    first, named = units["unit"][top], bool(stated[top] >= sources.NAMED and told[top])
    return [
        {
            "what": f"{plan.weeks:g} weeks",
            "first": first == name,
            "oracle": _oracle(made, plan, units[kit]) == name,
            "named": named,
            "named_right": first == name if named else None,
        }
    ]


def _oracle(made: pd.DataFrame, plan: CountCrew, kit: pd.DataFrame) -> str:
    """Unit of kit whose shift by the true size explains the failures best, all else equal."""
    failed = made["first_pass_termination"].eq("no").to_numpy()
    best, found = -np.inf, ""
    for kind, unit in zip(kit["kind"], kit["unit"], strict=True):
        here = made[kind].eq(unit).to_numpy()
        eta = plan.logit + made["connector_type"].map({"SC": 0.2, "LC": -0.2, "ST": -0.4})
        eta = eta.to_numpy() - plan.shift * here
        height = -np.logaddexp(0, np.where(failed, eta, -eta)).sum()
        if height > best:
            best, found = height, unit
    return found
