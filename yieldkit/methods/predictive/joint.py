"""The chance that everything suffices: several types, several parts, one job.

Given the job's node the types are independent. Given its failures, a type's failures fall at their
steps independently, so P(own parts suffice, shared parts used = x | k failures) does not depend on
the node: it is worked out once a type and then weighted by each node's distribution of k. Shared
parts are summed over types within the node, and only then is the mixture taken.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.signal import fftconvolve
from scipy.special import gammaln

from yieldkit.methods.predictive.chances import Array, Chances
from yieldkit.methods.predictive.failures import node_pmf
from yieldkit.methods.predictive.spectrum import Work

GRID = 4_000_000
"""Cells of parts used times failures up to which counting is direct."""
TAIL = 1e-15
"""Chance of more failures than are looked at."""


@dataclass(frozen=True, eq=False)
class Use:
    """Whole pieces that one failure of a type uses, by step.

    Parameters
    ----------
    steps : ndarray, shape (steps,)
        Chance that a failure falls at each step; they sum to one.
    own : ndarray of int, shape (steps, own parts)
        Pieces of the type's own parts.
    shared : ndarray of int, shape (steps, shared parts)
        Pieces of the parts that types share.
    """

    steps: Array
    own: np.ndarray
    shared: np.ndarray


def all_suffice(
    chances: Chances,
    works: Sequence[Work],
    uses: Sequence[Use],
    own_spares: Sequence[Sequence[int]],
    shared_spares: Sequence[int] = (),
    *,
    failures: Sequence[Array] | None = None,
) -> tuple[float, bool]:
    """Chance that no part of any type runs short, and whether that is exact.

    Parameters
    ----------
    chances : Chances
        The job's mixture.
    works, uses : sequence, one a type
        What is to be done, and what a failure uses. ``share`` of a work is not used here.
    own_spares : sequence of sequences of int
        Spares of each type's own parts.
    shared_spares : sequence of int
        Spares of the shared parts.
    failures : sequence of ndarray, shape (nodes, most + 1), optional
        Each type's distribution of failures at the nodes, if at hand (``node_pmf``).

    Returns
    -------
    chance : float
    exact : bool
        False where two or more shared parts are too many to be counted together; the chance is
        then a lower bound (Bonferroni, within the node).
    """
    limits = np.asarray(shared_spares, int)
    works = [Work(work.positions, work.tries) for work in works]
    if failures is None:
        failures = [node_pmf(chances, work, kind, tail=TAIL) for kind, work in enumerate(works)]
    longest = [rows.shape[1] for rows in failures]
    cells = np.prod(limits + 1) if limits.size else 1
    heavy = (
        limits.size > 1
        and cells
        * max(longest)
        * max(np.prod(np.asarray(spares, int) + 1) for spares in own_spares)
        > 8 * GRID
    )
    if not heavy:
        by_node = _by_node(failures, uses, own_spares, limits)
        return float(chances.weights @ by_node), True
    each = []
    for part in range(limits.size):
        only = [Use(use.steps, use.own, use.shared[:, [part]]) for use in uses]
        each.append(_by_node(failures, only, own_spares, limits[[part]]))
    own = [Use(use.steps, use.own, use.shared[:, :0]) for use in uses]
    base = _by_node(failures, own, own_spares, limits[:0])
    short = sum(base - one for one in each)
    return float(chances.weights @ np.maximum(base - short, 0)), False


def _by_node(
    failures: Sequence[Array],
    uses: Sequence[Use],
    own_spares: Sequence[Sequence[int]],
    limits: np.ndarray,
) -> Array:
    """Chance that all suffices at each node."""
    nodes = len(failures[0])
    shape = tuple(limits + 1)
    together: Array | None = None
    alone = np.ones(nodes)
    for rows, use, spares in zip(failures, uses, own_spares, strict=True):
        ways = _ways(use, np.asarray(spares, int), limits, rows.shape[1] - 1)
        used = rows[:, : len(ways)] @ ways.reshape(len(ways), -1)
        if not use.shared.any():
            alone *= used[:, 0]
            continue
        used = used.reshape(nodes, *shape)
        together = used if together is None else _sum(together, used, shape)
    if together is None:
        return alone
    return alone * together.reshape(nodes, -1).sum(axis=1)


def _sum(a: Array, b: Array, shape: tuple[int, ...]) -> Array:
    """Convolution over the shared parts, cut at their spares."""
    made = fftconvolve(a, b, axes=tuple(range(1, a.ndim)))
    return np.maximum(made[(slice(None), *(slice(0, size) for size in shape))], 0)


def _ways(use: Use, own: np.ndarray, limits: np.ndarray, most: int) -> Array:
    """P(own parts within their spares, shared parts used = x | k failures), k up to ``most``.

    Shape (failures, *(limits + 1)).
    """
    used = np.atleast_1d(use.shared.any(axis=0))
    nested = _nested(use, used)
    if nested is not None:
        return _nested_ways(use, own, limits, most, nested, used)
    return _direct_ways(use, own, limits, most)


def _direct_ways(use: Use, own: np.ndarray, limits: np.ndarray, most: int) -> Array:
    """Failure by failure over the grid of parts used, cut at the spares."""
    shape = tuple(np.concatenate([own, limits]) + 1)
    parts = np.hstack([use.own, use.shared]).astype(int)
    now = np.zeros(shape)
    now[(0,) * len(shape)] = 1.0
    across = tuple(range(len(own)))
    made = [now.sum(axis=across)]
    free = use.steps[~parts.any(axis=1)].sum()
    classes: dict[tuple[int, ...], float] = {}
    for pieces, chance in zip(map(tuple, parts), use.steps, strict=True):
        if any(pieces):
            classes[pieces] = classes.get(pieces, 0.0) + chance
    for _ in range(most):
        new = free * now
        for pieces, chance in classes.items():
            if all(piece < size for piece, size in zip(pieces, shape, strict=True)):
                to = tuple(slice(piece, None) for piece in pieces)
                of = tuple(
                    slice(0, size - piece) for piece, size in zip(pieces, shape, strict=True)
                )
                new[to] += chance * now[of]
        now = new
        made.append(now.sum(axis=across))
        if not now.any():
            break
    return np.array(made)


def _nested(use: Use, used: np.ndarray) -> list[tuple[bool, int]] | None:
    """Parts from the one that most failures use to the one that fewest do, if each holds the next.

    Needs one piece a failure at most, and no more than one shared part in use.
    """
    if used.sum() > 1 or use.own.max(initial=0) > 1 or use.shared.max(initial=0) > 1:
        return None
    names = [(False, at) for at in range(use.own.shape[1])]
    names += [(True, int(at)) for at in np.flatnonzero(used)]

    def column(name: tuple[bool, int]) -> np.ndarray:
        return (use.shared if name[0] else use.own)[:, name[1]]

    names.sort(key=lambda name: -column(name).sum())
    for bigger, smaller in zip(names, names[1:], strict=False):
        if np.any(column(smaller) > column(bigger)):
            return None
    return names


def _nested_ways(
    use: Use,
    own: np.ndarray,
    limits: np.ndarray,
    most: int,
    names: list[tuple[bool, int]],
    used: np.ndarray,
) -> Array:
    """Part by part: those of a level are binomial among those of the level above.

    Worked from the part that fewest failures use upwards, so that each level is one product of
    matrices; from the shared part's level on, its count is kept.
    """
    shared_size = int(limits[used][0]) + 1 if used.any() else 1
    chance = [float(use.steps @ (use.shared if shared else use.own)[:, at]) for shared, at in names]
    below: Array | None = None  # chance of all below, by this level's count (and shared count)
    reached = [1.0, *chance]
    top = most
    sizes = []
    for shared, at in names:
        top = min(top, int(limits[at] if shared else own[at]))
        sizes.append(top + 1)
    for level in range(len(names) - 1, -1, -1):
        here = np.ones((sizes[level], 1)) if below is None else below
        if names[level][0]:
            here = np.diag(here[:, 0])
            here = np.pad(here, ((0, 0), (0, shared_size - here.shape[1])))
        above = most + 1 if level == 0 else sizes[level - 1]
        ratio = reached[level + 1] / reached[level] if reached[level] > 0 else 0.0
        below = _thin(above, sizes[level], ratio) @ here
    if below is None:
        below = np.ones((most + 1, 1))
    shape = [1] * len(limits)
    if used.any():
        shape[int(np.flatnonzero(used)[0])] = shared_size
    made = np.zeros((most + 1, *(limits + 1)))
    made[(slice(None), *(slice(0, size) for size in shape))] = below.reshape(most + 1, *shape)
    return made


def _thin(rows: int, columns: int, chance: float) -> Array:
    """P(c of r | chance), shape (rows, columns)."""
    chance = min(max(chance, 0.0), 1.0)
    if chance in (0.0, 1.0):
        made = np.zeros((rows, columns))
        at = np.arange(rows) if chance else np.zeros(rows, int)
        fits = at < columns
        made[np.arange(rows)[fits], at[fits]] = 1.0
        return made
    r, c = np.arange(rows)[:, None], np.arange(columns)[None, :]
    table = gammaln(np.arange(max(rows, columns) + 1) + 1.0)
    left = np.maximum(r - c, 0)
    logs = table[r] - table[c] - table[left] + c * np.log(chance) + left * np.log1p(-chance)
    return np.where(c <= r, np.exp(logs), 0.0)
