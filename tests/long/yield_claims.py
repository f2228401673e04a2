"""Claims about fair yields and likely sources, on crews drawn as counts (thousands in minutes)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import expit

from yieldkit.answers import sources
from yieldkit.answers.fair import HANDS, PRIOR_SD, fair_logits, fit_crew


@dataclass(frozen=True)
class CountCrew:
    """A crew as counts.

    ``sds``: standard deviation of the effects of technician, splicer, cleaver, heater, job [logit],
    or None: drawn from the model's own prior. ``own``: share of work on own kit. ``heavy``: effects
    from a t distribution of 3 degrees of freedom, persons and splicers interact, ends differ.
    ``shift``: added to the failure logit of one unit of kit over the whole period.
    """

    weeks: float = 4.0
    per_week: int = 300
    sds: tuple[float, ...] | None = (0.3, 0.2, 0.2, 0.1, 0.3)
    own: float = 0.6
    heavy: bool = False
    shift: float = 0.0
    logit: float = 3.0
    sizes: tuple[int, ...] = (6, 4, 4, 3)


def draw_crew(plan: CountCrew, rng: np.random.Generator) -> tuple[pd.DataFrame, dict[str, Any]]:
    """Positions, and the truth: effects by kind, chance by position, the shifted unit."""
    n = int(plan.weeks * plan.per_week)
    kinds = (*HANDS, "job")
    sizes = dict(zip(kinds, (*plan.sizes, max(n // 140, 2)), strict=True))
    spread = plan.sds or tuple(PRIOR_SD * np.abs(rng.standard_normal(len(kinds))))
    effects = {}
    for kind, sd in zip(kinds, spread, strict=True):
        unit = rng.standard_normal(sizes[kind])
        if plan.heavy and kind != "job":
            unit = rng.standard_t(3, sizes[kind]) / np.sqrt(3)
        effects[kind] = sd * unit
    person = rng.integers(0, sizes["technician"], n)
    codes = {"technician": person, "job": np.sort(rng.integers(0, sizes["job"], n))}
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
    if plan.heavy:
        both = 0.35 * rng.standard_normal((sizes["technician"], sizes["splicer"]))
        eta = eta + both[person, codes["splicer"]] + 0.5 * rng.standard_normal(n)
    passed = rng.random(n) < expit(eta)
    made = pd.DataFrame(
        {kind: np.char.add(kind[0].upper(), codes[kind].astype(str)) for kind in kinds}
    )
    made = made.assign(
        connector_type=np.array(["SC", "LC", "ST"])[kind_of],
        first_attempt_id="x",
        connector_lot=None,
        fibre_lot=None,
        first_pass_termination=np.where(passed, "yes", "no"),
    )
    return made, {"effects": effects, "codes": codes, "eta": eta, "shifted": shifted}


def true_fair(truth: dict[str, Any], kind: str) -> np.ndarray:
    """True fair yield of each unit: the crew's own positions with this unit in its kind's place."""
    base = truth["eta"] - truth["effects"][kind][truth["codes"][kind]]
    return np.array([expit(base + effect).mean() for effect in truth["effects"][kind]])


def fair_yields_cover(plan: CountCrew, seed: int) -> list[dict[str, Any]]:
    """Intervals of fair yields and of effects (contrasts with the crew) hold the truth."""
    made, truth = draw_crew(plan, np.random.default_rng(seed))
    model = fit_crew(made)
    outcomes = []
    for kind in HANDS:
        names = list(model.levels(kind))
        order = [int(name[1:]) for name in names]
        low, high = fair_logits(model, kind).interval()
        fair = true_fair(truth, kind)[order]
        contrast = model.posterior.contrasts(kind)
        effect = truth["effects"][kind][order]
        effect = effect - effect.mean()
        below, above = contrast.interval()
        two = np.abs(contrast.mean() - effect) <= 2 * contrast.sd()
        for at in range(len(names)):
            outcomes.append(
                {
                    "what": kind,
                    "covered": bool(expit(low[at]) <= fair[at] <= expit(high[at])),
                    "covered_effect": bool(below[at] <= effect[at] <= above[at]),
                    "within_two_sd": bool(two[at]),
                    "width": float(expit(high[at]) - expit(low[at])),
                }
            )
    return outcomes


def sources_are_right(plan: CountCrew, seed: int) -> list[dict[str, Any]]:
    """A stated chance of being the source comes true as often as it says.

    With a ``shift``: whether the shifted unit came out first, was named, and whether an oracle that
    knows the size and the onset of the shift found it.
    """
    rng = np.random.default_rng(seed)
    made, truth = draw_crew(plan, rng)
    model = fit_crew(made)
    effects, _ = model.posterior.draws(rng, sources.DRAWS)
    table = sources._table(model, effects, sources.MARGIN_POINTS, 0.95)
    share = made["first_pass_termination"].eq("yes").mean()
    limit = -sources.MARGIN_POINTS / 100 / (share * (1 - share))
    gaps = []
    for kind, unit in zip(table["kind"], table["unit"], strict=True):
        own, code = truth["effects"][kind], truth["codes"][kind]
        gaps.append(own[int(unit[1:])] - own[code].mean())
    worst = int(np.argmin(gaps)) if min(gaps) < limit else -1
    rows = [
        {"what": "source", "stated": float(chance), "happened": at == worst}
        for at, chance in enumerate(table["chance_source"])
    ]
    if plan.shift:
        name = f"{truth['shifted'][0][0].upper()}{truth['shifted'][1]}"
        kit = table[table["kind"] != "technician"].reset_index(drop=True)
        first = kit.iloc[int(kit["chance_source"].to_numpy().argmax())]
        told = bool(first["chance_source"] >= sources.NAMED and first["told"])
        rows = [
            {
                "what": f"{plan.weeks:g} weeks",
                "first": first["unit"] == name,
                "oracle": _oracle(made, plan, kit) == name,
                "named": told,
                "named_right": (first["unit"] == name) if told else None,
            }
        ]
    return rows


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
