"""The crew's joints as counts, and one model of them: people, kit, lots and jobs at once."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import expit

from yieldkit.methods.crossed import Counts, Factors, Integrated, Mixture, Node, factors, integrate
from yieldkit.methods.crossed.apart import Apart, tell_apart
from yieldkit.methods.crossed.design import Array
from yieldkit.records.tables import UNKNOWN

KIT = ("splicer", "cleaver", "heater")
HANDS = ("technician", *KIT)
"""Kinds that work together on a joint; what they share cannot be told apart."""
LOTS = ("connector_lot", "fibre_lot")
FAIR_KINDS = (*HANDS, *LOTS, "connector_type")
"""Kinds that get a fair figure."""
PRIOR_SD, KIT_SD = 0.5, 0.3
"""Scale of the half-normal prior of a kind's spread [logit]. Two of a kind differ by a factor of
1.6 in their odds of failure where it is met, hardly ever by more than 5; pieces of kit, which are
made alike, by 1.35 and 2.6. The middle of the prior is a usual crew: 0.34 and 0.20."""
PAIR = "pair"
"""A person with a splicer: what the two together do beyond the sum of their parts."""
TYPE_SD, CREW_SD, CREW_LOGIT = 1.5, 2.0, 3.0
"""Priors of connector types about the crew, and of the crew about 95 % [logit]: 28 to 99.9 %."""
FEWEST = 10
"""Decided positions below which nothing is fitted."""


@dataclass(frozen=True, eq=False)
class CrewModel:
    """A fitted crew.

    Parameters
    ----------
    cells : DataFrame
        One row a combination: the kinds, ``passed`` and ``tried`` [positions].
    posterior : Integrated
        Effects, standard deviations integrated out.
    kinds : tuple of str
        Kinds in the model.
    apart : Apart
        What cannot be told apart among people and kit.
    """

    cells: pd.DataFrame
    posterior: Integrated
    kinds: tuple[str, ...]
    apart: Apart

    def levels(self, kind: str) -> tuple[str, ...]:
        """Units of a kind."""
        of = self.posterior.factors
        return of.levels[of.names.index(kind)]

    def told(self, kind: str) -> np.ndarray:
        """Whether each unit's effect can be told from the others', shape (units,)."""
        names = self.levels(kind)
        if kind not in HANDS:
            return np.full(len(names), len(names) > 1)
        of = self.apart.factors
        if kind not in of.names:
            return np.zeros(len(names), bool)
        at = of.names.index(kind)
        known = dict(
            zip(of.levels[at], self.apart.estimable[of.start[at] : of.start[at + 1]], strict=True)
        )
        return np.array([bool(known.get(name, False)) for name in names])


def fit_crew(
    positions: pd.DataFrame,
    *,
    stage: str = "termination",
    days: bool = True,
    pairs: bool = True,
) -> CrewModel | None:
    """Model of the decided positions; None where they are too few.

    Parameters
    ----------
    positions : DataFrame
        The schema's positions.
    stage : str
        ``termination``, ``splice`` or ``link``.
    days : bool
        Whether the day of the first arc is a kind too: a whole bad day then is nobody's fault.
    pairs : bool
        Whether a person with a splicer is a kind too, where people share splicers: what goes wrong
        with one pair only is then laid on neither.
    """
    answer = f"first_pass_{stage}"
    decided = decided_positions(positions, stage)
    if len(decided) < FEWEST:
        return None
    columns = [kind for kind in (*HANDS, *LOTS, "job") if kind in decided]
    labels = {kind: _labels(decided[kind]) for kind in columns}
    if days and "first_date" in decided:
        labels["day"] = _labels(decided["first_date"])
    if pairs and {"technician", "splicer"} <= set(labels):
        labels[PAIR] = _both(labels["technician"], labels["splicer"])
    labels = {kind: (codes, names) for kind, (codes, names) in labels.items() if len(names) > 1}
    kinds = tuple(labels)
    if "connector_type" in decided:
        labels["connector_type"] = _labels(decided["connector_type"])
    else:
        labels["connector_type"] = (np.zeros(len(decided), int), (UNKNOWN,))
    passed = decided[answer].eq("yes").to_numpy(float)
    cells, of = _cells(labels, passed)
    posterior = integrate(
        Counts(cells["passed"], cells["tried"] - cells["passed"]),
        of,
        prior=prior_of(kinds),
        held={"crew": CREW_SD, "connector_type": TYPE_SD},
        centre=CREW_LOGIT,
    )
    return CrewModel(cells, posterior, kinds, layout_of(cells, kinds))


def prior_of(kinds: Sequence[str]) -> dict[str, float]:
    """Scale of the prior of each kind's spread [logit]."""
    return {kind: KIT_SD if kind in KIT else PRIOR_SD for kind in kinds}


def decided_positions(positions: pd.DataFrame, stage: str) -> pd.DataFrame:
    """Positions begun whose first pass is known."""
    known = positions[f"first_pass_{stage}"].isin(["yes", "no"])
    return positions[positions["first_attempt_id"].notna() & known]


def _labels(column: pd.Series) -> tuple[np.ndarray, tuple[str, ...]]:
    """Codes and sorted names; blank ones are ``unknown``."""
    codes, names = pd.factorize(column.astype(object))
    text = np.array([UNKNOWN if name == "" else str(name) for name in names] + [UNKNOWN])
    used = text[codes]
    names, codes = np.unique(used, return_inverse=True)
    return codes, tuple(str(name) for name in names)


def _both(
    people: tuple[np.ndarray, tuple[str, ...]], splicers: tuple[np.ndarray, tuple[str, ...]]
) -> tuple[np.ndarray, tuple[str, ...]]:
    """Codes and names of the pairs that were met; one level where a pair is but a person or kit."""
    (first, names), (second, others) = people, splicers
    met, codes = np.unique(first * len(others) + second, return_inverse=True)
    if len(met) in (len(names), len(others)):
        return np.zeros(len(codes), int), ("",)
    both = [(names[at // len(others)], others[at % len(others)]) for at in met]
    text = [UNKNOWN if UNKNOWN in pair else " with ".join(pair) for pair in both]
    levels, place = np.unique(text, return_inverse=True)
    return place[codes], tuple(str(level) for level in levels)


def _cells(
    labels: dict[str, tuple[np.ndarray, tuple[str, ...]]], passed: np.ndarray
) -> tuple[pd.DataFrame, Factors]:
    """One row a combination of labels that was met, with its counts; and its levels as codes."""
    key = np.zeros(len(passed), int)
    for codes, names in labels.values():
        # Renumbered after each kind, so that the product of all sizes never counts.
        key = np.unique(key * len(names) + codes, return_inverse=True)[1]
    first = np.unique(key, return_index=True)[1]
    table: dict[str, np.ndarray] = {}
    rows, start = [np.zeros(len(first), int)], 1
    for kind, (codes, names) in labels.items():
        table[kind] = np.array(names, object)[codes[first]]
        rows.append(codes[first] + start)
        start += len(names)
    table["passed"] = np.bincount(key, passed).astype(int)
    table["tried"] = np.bincount(key)
    levels = (("crew",), *(names for _, names in labels.values()))
    return pd.DataFrame(table), Factors(("crew", *labels), levels, np.array(rows))


def layout_of(cells: pd.DataFrame, kinds: tuple[str, ...]) -> Apart:
    """Layout of people and kit, on the joints whose people and kit are all known."""
    hands = [kind for kind in kinds if kind in HANDS]
    known = cells[(cells[hands] != UNKNOWN).all(axis=1)]
    columns = {kind: known[kind].to_numpy() for kind in hands}
    columns["connector_type"] = known["connector_type"].to_numpy()
    return tell_apart(factors(columns), known["tried"].to_numpy(float))


AHEAD = np.sqrt(3.0)
"""Outer nodes of the three-point rule of a normal distribution; weights 1/6, 2/3, 1/6."""


def _mean_chance(eta: Array, variance: Array) -> tuple[Array, Array]:
    """Chance of a pass averaged over what is not known of its logit, and the mean slope.

    An effect drawn to its mean understates how far jobs and days lie apart, and with it how many
    fail: the chance at the mean is not the mean chance.
    """
    reach = AHEAD * np.sqrt(variance)
    chance, slope = np.zeros_like(eta), np.zeros_like(eta)
    for side, weight in ((-1.0, 1 / 6), (0.0, 2 / 3), (1.0, 1 / 6)):
        here = expit(eta + side * reach)
        chance += weight * here
        slope += weight * here * (1 - here)
    return chance, slope


def fair_chances(model: CrewModel, kind: str) -> Callable[[Node], tuple[Array, Array]]:
    """Each unit's fair yield at a node, with its slopes in the effects.

    Fair: the chance averaged over all decided positions of the crew as they were, types, other
    units and jobs included, with this unit in place of its own kind's. A lot counts on the
    connector types that it was used for.
    """
    of, shares = model.posterior.factors, _shares(model, kind)
    at, rows = of.names.index(kind), model.posterior.block(kind)

    def quantity(node: Node) -> tuple[Array, Array]:
        effects = node.effects
        base = model.posterior.centre + of.spread(effects) - effects[of.codes[at]]
        chance, slope = _mean_chance(base[:, None] + effects[rows], node.variance[:, None])
        bend = shares.T * slope
        slopes = of.levels_by_cells @ bend
        slopes[rows] = np.diag(bend.sum(axis=0))
        return np.einsum("ij,ji->i", shares, chance), slopes

    return quantity


def _shares(model: CrewModel, kind: str) -> Array:
    """Weight of each cell in a unit's fair yield, shape (units, cells)."""
    cells, names = model.cells, list(model.levels(kind))
    tried = np.tile(cells["tried"].to_numpy(float), (len(names), 1))
    if kind in LOTS:
        of_type = pd.crosstab(cells[kind], cells["connector_type"]) > 0
        tried *= of_type.loc[names, cells["connector_type"]].to_numpy(float)
    return tried / tried.sum(axis=1, keepdims=True)


def fair_logits(model: CrewModel, kind: str) -> Mixture:
    """Logit of each unit's fair yield."""
    chances = fair_chances(model, kind)

    def quantity(node: Node) -> tuple[Array, Array]:
        value, slope = chances(node)
        return np.log(value) - np.log1p(-value), slope / (value * (1 - value))

    return model.posterior.smooth(quantity)


def fair_gaps(model: CrewModel, kind: str) -> Mixture:
    """Each unit's fair yield less the crew's own on the same positions."""
    of, shares = model.posterior.factors, _shares(model, kind)
    chances = fair_chances(model, kind)

    def quantity(node: Node) -> tuple[Array, Array]:
        value, slope = chances(node)
        eta = model.posterior.centre + of.spread(node.effects)
        chance, own = _mean_chance(eta, node.variance)
        crew = of.levels_by_cells @ (shares * own).T
        return value - shares @ chance, slope - crew

    return model.posterior.smooth(quantity)


def fair_yields(model: CrewModel, kind: str, *, confidence: float = 0.95) -> pd.DataFrame:
    """Fair yield of each unit of a kind.

    Returns
    -------
    DataFrame
        Index the unit; ``adjusted``, ``adjusted_low``, ``adjusted_high`` [fraction], blank where
        the layout cannot tell (``told`` False).
    """
    columns = ["adjusted", "adjusted_low", "adjusted_high"]
    if kind not in model.posterior.factors.names or len(model.levels(kind)) < 2:
        return pd.DataFrame(columns=[*columns, "told"], dtype=float)
    logits = fair_logits(model, kind)
    low, high = logits.interval(confidence)
    table = pd.DataFrame(
        {"adjusted": expit(logits.quantile(0.5)), "adjusted_low": expit(low)}
        | {"adjusted_high": expit(high), "told": model.told(kind)},
        index=pd.Index(model.levels(kind), name=kind),
    )
    table.loc[~table["told"], columns] = np.nan
    return table
