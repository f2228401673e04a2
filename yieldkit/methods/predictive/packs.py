"""Whole packs at least expected cost: leftovers lose value, running short costs a fixed sum."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from yieldkit.methods.predictive.chances import Array

BRUTE = 300_000
"""Combinations of packs up to which all are tried."""


@dataclass(frozen=True)
class Costs:
    """Costs of one item.

    Parameters
    ----------
    leftover : float
        Value lost by one piece left over [currency].
    piece : float
        Cost of one piece short, on top of the event's fixed cost [currency].
    """

    leftover: float
    piece: float = 0.0


@dataclass(frozen=True, eq=False)
class Item:
    """One part to be bought.

    Parameters
    ----------
    pmf : ndarray, shape (nodes, pieces + 1)
        Distribution of the pieces needed, at each node of the job's mixture.
    costs : Costs
        What leftovers and missing pieces cost.
    pack, in_hand : int
        Pieces in a pack; pieces there already.
    most : int, optional
        Most packs to look at.
    """

    pmf: Array
    costs: Costs
    pack: int = 1
    in_hand: int = 0
    most: int | None = None


@dataclass(frozen=True, eq=False)
class Purchase:
    """What to buy.

    Parameters
    ----------
    packs : tuple of int
        Packs of each item.
    cost : float
        Expected cost of leftovers and of running short [currency].
    short : float
        Chance that some item runs short.
    leftover_cost : float
        Expected value lost by leftovers [currency].
    """

    packs: tuple[int, ...]
    cost: float
    short: float
    leftover_cost: float


def cost_curve(
    pmf: Array, costs: Costs, event: float, quantity: ArrayLike
) -> tuple[Array, Array, Array]:
    """Expected cost, chance to run short and expected leftover at each quantity.

    ``pmf`` may be one distribution or one a row. The fixed cost of an event makes the curve not
    convex, so every quantity has to be looked at.
    """
    pmf = np.atleast_2d(pmf)
    at = np.asarray(quantity, int)
    need = np.arange(pmf.shape[1])
    inside = np.minimum(at, pmf.shape[1] - 1)
    reached = np.cumsum(pmf, axis=1)
    before = np.cumsum(pmf * need, axis=1)
    enough = reached[:, inside]
    left = at * enough - before[:, inside]
    total = before[:, -1:]
    missing = (total - before[:, inside]) - at * (reached[:, -1:] - enough)
    short = reached[:, -1:] - enough
    cost = costs.leftover * left + event * short + costs.piece * missing
    return cost, short, left


def search_all_packs(
    weights: Array, items: Sequence[Item], event: float, ranked: int = 1
) -> list[Purchase]:
    """The best purchases, by trying every combination."""
    tables = [_tables(weights, item) for item in items]
    found = []
    for packs in itertools.product(*(range(len(table.loss)) for table in tables)):
        found.append((*_cost(weights, tables, event, packs), packs))
    found.sort(key=lambda one: (round(one[0], 9), one[3]))
    return [Purchase(packs, cost, short, left) for cost, short, left, packs in found[:ranked]]


def best_packs(weights: Array, items: Sequence[Item], event: float) -> Purchase:
    """The purchase of least expected cost, one fixed cost if anything runs short.

    Given the job's node the items are taken as independent, which is exact for one part a type.
    From the best of each alone and from three other starts, one item and then two items at a time
    are set to their best until nothing improves.

    Parameters
    ----------
    weights : ndarray, shape (nodes,)
        Weights of the nodes.
    items : sequence of Item
        What may be bought.
    event : float
        Fixed cost of running short of anything [currency].
    """
    tables = [_tables(weights, item) for item in items]
    sizes = [len(table.loss) for table in tables]
    best: tuple[float, tuple[int, ...]] | None = None
    alone = [int(np.argmin(t.loss + event * (1 - weights @ t.enough))) for t in tables]
    starts = [alone, [0] * len(items), [size - 1 for size in sizes]]
    starts.append([min(at + 1, size - 1) for at, size in zip(alone, sizes, strict=True)])
    for start in starts:
        packs = _descend(weights, tables, event, list(start))
        cost = _cost(weights, tables, event, packs)[0]
        if best is None or (round(cost, 9), packs) < (round(best[0], 9), best[1]):
            best = (cost, packs)
    if best is None:
        return Purchase((), 0.0, 0.0, 0.0)
    cost, short, left = _cost(weights, tables, event, best[1])
    return Purchase(best[1], cost, short, left)


@dataclass(frozen=True, eq=False)
class _Table:
    loss: Array  # (packs,): leftovers and missing pieces
    left: Array  # (packs,): leftovers alone
    enough: Array  # (nodes, packs)


def _tables(weights: Array, item: Item) -> _Table:
    mixed = weights @ item.pmf
    most = item.most
    if most is None:
        reach = int(np.searchsorted(np.cumsum(mixed), 1 - 1e-6))
        most = max(-(-(reach - item.in_hand) // item.pack), 0) + 1
    quantity = item.in_hand + item.pack * np.arange(most + 1)
    cost, _, left = cost_curve(mixed, item.costs, 0.0, quantity)
    inside = np.minimum(quantity, item.pmf.shape[1] - 1)
    enough = np.cumsum(item.pmf, axis=1)[:, inside]
    return _Table(cost[0], item.costs.leftover * left[0], np.minimum(enough, 1.0))


def _cost(
    weights: Array, tables: Sequence[_Table], event: float, packs: Sequence[int]
) -> tuple[float, float, float]:
    enough = weights.copy()
    for table, many in zip(tables, packs, strict=True):
        enough = enough * table.enough[:, many]
    short = float(weights.sum() - enough.sum())
    loss = sum(float(table.loss[many]) for table, many in zip(tables, packs, strict=True))
    left = sum(float(table.left[many]) for table, many in zip(tables, packs, strict=True))
    return loss + event * short, short, left


def _descend(
    weights: Array, tables: Sequence[_Table], event: float, packs: list[int]
) -> tuple[int, ...]:
    """Set one item, then pairs of items, to their best, until nothing improves."""
    for _ in range(100):
        before = list(packs)
        for at, table in enumerate(tables):
            others = _others(weights, tables, packs, {at})
            packs[at] = int(np.argmin(table.loss - event * (others @ table.enough)))
        if packs == before:
            for a, b in itertools.combinations(range(len(tables)), 2):
                others = _others(weights, tables, packs, {a, b})
                near_a, near_b = _near(tables[a], packs[a]), _near(tables[b], packs[b])
                both = (others[:, None] * tables[a].enough[:, near_a]).T @ tables[b].enough[
                    :, near_b
                ]
                cost = tables[a].loss[near_a][:, None] + tables[b].loss[near_b] - event * both
                now = cost[near_a.tolist().index(packs[a]), near_b.tolist().index(packs[b])]
                if cost.min() < now - 1e-12 * max(abs(now), 1.0):
                    row, column = np.unravel_index(int(np.argmin(cost)), cost.shape)
                    packs[a], packs[b] = int(near_a[row]), int(near_b[column])
            if packs == before:
                break
    return tuple(packs)


def _others(
    weights: Array, tables: Sequence[_Table], packs: Sequence[int], without: set[int]
) -> Array:
    made = weights.copy()
    for at, table in enumerate(tables):
        if at not in without:
            made = made * table.enough[:, packs[at]]
    return made


def _near(table: _Table, at: int, reach: int = 12) -> np.ndarray:
    return np.arange(max(at - reach, 0), min(at + reach + 1, len(table.loss)))
