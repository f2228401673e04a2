"""Does the fitted model make data like those seen? Replicated counts beside the real ones."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_array
from scipy.special import expit

from yieldkit.methods.crossed.design import Array
from yieldkit.methods.crossed.integrate import Integrated


@dataclass(frozen=True)
class Check:
    """A figure of the data and the same of the replicated data.

    ``low`` to ``high`` holds the middle 95 % of the replicated; ``chance`` is twice the smaller of
    the shares at or above and at or below what was seen, at most 1.
    """

    seen: float
    middle: float
    low: float
    high: float
    chance: float


def replicated(
    posterior: Integrated,
    tried: Array,
    rng: np.random.Generator,
    *,
    fresh: Collection[str] = (),
    draws: int = 400,
) -> tuple[Array, Array]:
    """Failures of each cell in ``draws`` replications, and their chances, both (draws, cells).

    Parameters
    ----------
    posterior : Integrated
        Fit of pass and fail.
    tried : ndarray, shape (cells,)
        Trials of each cell.
    rng : Generator
        Source of the draws.
    fresh : collection of str
        Factors whose levels get new effects from their own spread. With the fitted effects a
        factor in the model agrees with itself whatever it looks like.
    draws : int
        Replications.

    References
    ----------
    A. Gelman, X.-L. Meng and H. Stern, Stat. Sinica 6, 733-807, 1996 (posterior predictive);
    E. C. Marshall and D. J. Spiegelhalter, Stat. Med. 22, 1649-1660, 2003 (new effects).
    """
    effects, sds = posterior.draws(rng, draws)
    for name in fresh:
        rows = posterior.block(name)
        spread = sds[:, [posterior.factors.names.index(name)]]
        effects[:, rows] = spread * rng.standard_normal((draws, rows.stop - rows.start))
    eta = posterior.centre + np.asarray(posterior.factors.cells @ effects.T).T
    chance = expit(-eta)
    return rng.binomial(np.asarray(tried, int), chance).astype(float), chance


def by_group(values: Array, groups: Array) -> Array:
    """Sums over the cells of each group, shape (draws, cells) to (draws, groups)."""
    cells = len(groups)
    member = csr_array((np.ones(cells), (groups, np.arange(cells))))
    return np.asarray(member @ values.T).T


def beside(seen: float, made: Array) -> Check:
    """A figure seen beside the replicated ones, shape (draws,)."""
    tail = min((made >= seen).mean(), (made <= seen).mean())
    return _check(seen, made, tail)


def beyond_luck(failed: Array, made: Array, chance: Array, tried: Array, groups: Array) -> Check:
    """How far groups are from what the model expects of them, in units of luck.

    Root of the mean square of (failures less expected) over their standard deviation, at each
    draw's own chances, for the data and for that draw's replication (a realised discrepancy,
    Gelman, Meng and Stern 1996, section 2.1).
    """
    expected = by_group(chance * tried, groups)
    luck = np.maximum(by_group(chance * (1 - chance) * tried, groups), 1e-9)
    real, replica = (
        np.sqrt(((by_group(np.atleast_2d(one), groups) - expected) ** 2 / luck).mean(axis=1))
        for one in (failed, made)
    )
    return _check(float(np.median(real)), replica, (replica >= real).mean())


def _check(seen: float, made: Array, tail: float) -> Check:
    low, middle, high = np.quantile(made, [0.025, 0.5, 0.975])
    return Check(float(seen), float(middle), float(low), float(high), float(min(2 * tail, 1.0)))
