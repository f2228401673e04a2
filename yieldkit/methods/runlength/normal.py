"""Run lengths of EWMA and CUSUM charts of independent normal values."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import ndtr

Array = NDArray[np.float64]
Sides = Literal["one", "two"]
Limits = Literal["fixed", "varying"]
_NODES = 64
_EWMA_NODES = 120
_STEADY = 1e-13


@cache
def _gauss(nodes: int) -> tuple[Array, Array]:
    return np.polynomial.legendre.leggauss(nodes)


def _normal_density(value: Array) -> Array:
    return np.exp(-(value**2) / 2) / np.sqrt(2 * np.pi)


def cusum_mean_run_length(
    limit: float,
    *,
    reference: float = 0.5,
    shift: float = 0.0,
    head_start: float = 0.0,
    sides: Sides = "one",
) -> float:
    """Mean run length of a CUSUM of independent N(shift, 1) values.

    Parameters
    ----------
    limit : float
        Decision limit h [standard deviations].
    reference : float
        Reference value k [standard deviations].
    shift : float
        True mean [standard deviations].
    head_start : float
        Where the sum starts (both sums of a two-sided chart) [standard deviations].
    sides : {"one", "two"}
        Upper sum alone, or upper and lower sum.

    Returns
    -------
    float
        Mean number of points until a sum exceeds ``limit`` [points].

    References
    ----------
    E. S. Page, Biometrika 41, 100-115, 1954 (integral equation); solved at Gauss-Legendre nodes,
    as in A. L. Goel and S. M. Wu, Technometrics 13, 221-230, 1971. Two sides: J. M. Lucas and
    R. B. Crosier, Technometrics 24, 199-205, 1982, appendix.
    """
    starts = np.array([0.0, head_start])
    up = _cusum_means(limit, reference, shift, starts)
    if sides == "one":
        return float(up[1])
    down = _cusum_means(limit, reference, -shift, starts)
    both = up[1] * down[0] + down[1] * up[0] - up[0] * down[0]
    return float(both / (up[0] + down[0]))


def _cusum_means(limit: float, reference: float, shift: float, starts: Array) -> Array:
    states, step = _cusum_chain(limit, reference, shift)
    lengths = np.linalg.solve(np.eye(len(states)) - step(states), np.ones(len(states)))
    return 1 + step(starts) @ lengths


def _cusum_chain(
    limit: float, reference: float, shift: float
) -> tuple[Array, Callable[[Array], Array]]:
    """States (0 and the nodes) and the function from starts to chances of reaching each state."""
    nodes, weights = _gauss(_NODES)
    place, weight = limit * (nodes + 1) / 2, limit * weights / 2

    def step(starts: Array) -> Array:
        away = starts[:, None]
        to_zero = ndtr(reference - shift - away)
        to_nodes = _normal_density(place[None, :] + reference - shift - away) * weight
        return np.hstack([to_zero, to_nodes])

    return np.concatenate([[0.0], place]), step


def cusum_limit(
    mean_run_length: float,
    *,
    reference: float = 0.5,
    head_start_fraction: float = 0.0,
    sides: Sides = "one",
) -> float:
    """Decision limit h whose CUSUM has the wanted in-control mean run length [points].

    ``head_start_fraction`` is the head start as a part of the limit, for example 0.5.
    """
    _check_length(mean_run_length)

    def off(limit: float) -> float:
        found = cusum_mean_run_length(
            limit, reference=reference, head_start=head_start_fraction * limit, sides=sides
        )
        return float(np.log(found / mean_run_length))

    most = 2.0
    while off(most) < 0:  # from below: far beyond the limit the chances cannot be held
        most *= 1.5
    return float(brentq(off, 1e-6, most, xtol=1e-11))


def _check_length(length: float) -> None:
    if length <= 1:
        raise ValueError(f"mean run length is {length}, wanted more than 1 point")


def ewma_mean_run_length(
    limit: float,
    *,
    weight: float,
    shift: float = 0.0,
    start: float = 0.0,
    limits: Limits = "fixed",
) -> float:
    """Mean run length of a two-sided EWMA of independent N(shift, 1) values.

    Parameters
    ----------
    limit : float
        L: signal where the EWMA is more than L of its standard deviations off 0.
    weight : float
        Weight lambda of the newest value, between 0 and 1.
    shift : float
        True mean [standard deviations of a value].
    start : float
        Where the EWMA starts [standard deviations of a value].
    limits : {"fixed", "varying"}
        Standard deviation of the EWMA in the long run, or at each point.

    References
    ----------
    S. V. Crowder, Technometrics 29, 401-407, 1987 (integral equation).
    """
    if limits == "fixed":
        return float(_ewma_means(limit, weight, shift, np.array([start]))[0])
    total = 0.0
    alive, place, mass = 1.0, np.array([start]), np.array([1.0])
    for bound, steady in _ewma_bounds(limit, weight):
        total += alive
        place, mass = _ewma_step(place, mass, bound, weight, shift)
        alive = mass.sum()
        if steady or alive < _STEADY:
            break
    return float(total + mass @ _ewma_means(limit, weight, shift, place))


def _ewma_means(limit: float, weight: float, shift: float, starts: Array) -> Array:
    bound = limit * np.sqrt(weight / (2 - weight))
    nodes, weights = _gauss(_EWMA_NODES)
    place = bound * nodes

    def step(away: Array) -> Array:
        jump = (place[None, :] - (1 - weight) * away[:, None]) / weight - shift
        return _normal_density(jump) / weight * weights * bound

    lengths = np.linalg.solve(np.eye(len(place)) - step(place), np.ones(len(place)))
    return 1 + step(starts) @ lengths


def _ewma_bounds(limit: float, weight: float) -> Iterator[tuple[float, bool]]:
    """Half-width at each point, and whether it has come to rest."""
    forgotten = 1.0
    while True:
        forgotten *= (1 - weight) ** 2
        yield limit * np.sqrt(weight / (2 - weight) * (1 - forgotten)), forgotten < _STEADY


def _ewma_step(
    place: Array, mass: Array, bound: float, weight: float, shift: float
) -> tuple[Array, Array]:
    """Nodes within the next bound and the chance at each, from nodes and chances now."""
    nodes, weights = _gauss(_EWMA_NODES)
    here = bound * nodes
    jump = (here[None, :] - (1 - weight) * place[:, None]) / weight - shift
    return here, (mass @ _normal_density(jump)) / weight * weights * bound


def ewma_limit(mean_run_length: float, *, weight: float, limits: Limits = "fixed") -> float:
    """L whose two-sided EWMA has the wanted in-control mean run length [points]."""
    _check_length(mean_run_length)

    def off(limit: float) -> float:
        found = ewma_mean_run_length(limit, weight=weight, limits=limits)
        return float(np.log(found / mean_run_length))

    return float(brentq(off, 0.2, 6.0, xtol=1e-11))


def ewma_run_length(
    points: int, limit: float, *, weight: float, shift: float = 0.0, limits: Limits = "fixed"
) -> Array:
    """Chance of a signal of a two-sided EWMA within 1, 2, ..., ``points`` points."""
    place, mass = np.zeros(1), np.ones(1)
    within = np.empty(points)
    resting = limit * np.sqrt(weight / (2 - weight))
    for point, (bound, _) in zip(range(points), _ewma_bounds(limit, weight), strict=False):
        bound = resting if limits == "fixed" else bound
        place, mass = _ewma_step(place, mass, bound, weight, shift)
        within[point] = 1 - mass.sum()
    return within


def cusum_run_length(
    points: int,
    limit: float,
    *,
    reference: float = 0.5,
    shift: float | Array = 0.0,
    head_start: float = 0.0,
) -> Array:
    """Chance of a signal of a one-sided CUSUM within 1, 2, ..., ``points`` points.

    ``shift`` is the true mean, or that of each point, shape (points,).

    References
    ----------
    As for ``cusum_mean_run_length``; the chances are carried from node to node.
    """
    means = np.broadcast_to(np.asarray(shift, float), (points,))
    mass, start = np.ones(1), np.array([head_start])
    within = np.empty(points)
    for point, mean in enumerate(means):
        if point < 2 or mean != means[point - 1]:  # else the moves are the last point's
            states, step = _cusum_chain(limit, reference, float(mean))
            moves = step(states if point else start)
        mass = mass @ moves
        within[point] = 1 - mass.sum()
    return within


def cusum_ramp_mean_run_length(
    limit: float, per_point: float, *, reference: float = 0.5, first: float = 0.0
) -> float:
    """Mean run length of a one-sided CUSUM whose mean rises at every point.

    Parameters
    ----------
    limit, reference : float
        h and k [standard deviations].
    per_point : float
        Rise of the mean from one point to the next, positive [standard deviations].
    first : float
        Mean of the first point [standard deviations].

    References
    ----------
    F. F. Gan, The Statistician 41, 71-84, 1992 (CUSUM under linear drift).
    """
    if per_point <= 0:
        raise ValueError(f"the rise per point is {per_point}, wanted more than 0")
    states, _ = _cusum_chain(limit, reference, 0.0)
    mass = np.zeros(len(states))
    mass[0] = alive = 1.0
    total, point = 0.0, 0
    while alive > _STEADY:
        total += alive
        _, step = _cusum_chain(limit, reference, first + per_point * point)
        mass = mass @ step(states)
        alive, point = float(mass.sum()), point + 1
    return total
