"""Many charts together: expected false alarms of a whole crew, and the limit that keeps them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq

from yieldkit.methods.runlength.normal import cusum_run_length

Array = NDArray[np.float64]


def expected_alarms(signal_within: ArrayLike) -> Array:
    """Expected signals within 1, 2, ... points of a chart that starts anew after each.

    Parameters
    ----------
    signal_within : array_like, shape (points,)
        Chance of the first signal within 1, 2, ... points, head start included.

    References
    ----------
    W. Feller, An Introduction to Probability Theory I, 1968, XIII.3 (renewal equation), solved by
    adding convolutions of the first signal's distribution until they no longer matter.
    """
    within = np.asarray(signal_within, float)
    first = np.diff(within, prepend=0.0)
    total, again = within.copy(), first
    while True:
        again = np.convolve(again, first)[: len(first)]
        again = np.concatenate([[0.0], again[:-1]])
        more = np.cumsum(again)
        if more[-1] < 1e-9:
            return total
        total += more


def fleet_alarms(
    points: Sequence[int], limit: float, *, reference: float = 0.5, head_start: float = 0.0
) -> float:
    """Expected false alarms of one-sided normal CUSUMs with ``points`` points each."""
    longest = max(points, default=0)
    if longest == 0:
        return 0.0
    within = cusum_run_length(longest, limit, reference=reference, head_start=head_start)
    alarms = expected_alarms(within)
    return float(sum(alarms[number - 1] for number in points if number))


def fleet_limit(
    points: Sequence[int],
    alarms: float,
    *,
    reference: float = 0.5,
    head_start_fraction: float = 0.0,
) -> float:
    """Limit h, one for all charts, with ``alarms`` expected false alarms over all their points.

    Parameters
    ----------
    points : sequence of int
        Points of each chart in the period.
    alarms : float
        False alarms wanted in the period over all charts together.
    reference : float
        k [standard deviations].
    head_start_fraction : float
        Head start of each chart, at first and after a signal, as a part of the limit.

    Raises
    ------
    ValueError
        If there are too few points for so many alarms.
    """

    def off(limit: float) -> float:
        found = fleet_alarms(
            points, limit, reference=reference, head_start=head_start_fraction * limit
        )
        return float(np.log(max(found, 1e-300) / alarms))

    if off(0.05) < 0:
        raise ValueError(
            f"{sum(points)} points cannot give {alarms:g} alarms; ask for fewer false alarms"
        )
    return float(brentq(off, 0.05, 30.0, xtol=1e-6))


def shared_limits(
    points: Sequence[int], alarms: float, *, references: Sequence[float]
) -> dict[float, float]:
    """Limit h for each reference value k of CUSUMs that run side by side on every chart.

    Each reference gets an equal part of the alarms. Two sums of one chart often signal together, so
    the alarms that a person sees are somewhat fewer than asked.
    """
    part = alarms / len(references)
    return {k: fleet_limit(points, part, reference=k) for k in references}


def seen_within(points: int, limits: Mapping[float, float], *, shift: float | Array) -> Array:
    """Chance that one of the CUSUMs side by side signals within 1, 2, ... points of a rise.

    That of the better one at each point: the truth lies at or a little above it. ``shift`` as for
    ``cusum_run_length``.
    """
    each = [cusum_run_length(points, h, reference=k, shift=shift) for k, h in limits.items()]
    return np.asarray(np.max(each, axis=0))


def fading_shift(shift: float, before: int, points: int, *, every: int = 5) -> Array:
    """Mean of each self-starting residual after a step, which later points' past takes in.

    Parameters
    ----------
    shift : float
        The step [standard deviations].
    before : int
        Points before it.
    points : int
        Points after it.
    every : int
        Points that share one mean, that of their middle.

    References
    ----------
    D. M. Hawkins, The Statistician 36, 299-315, 1987: with m points before, the j-th point after
    the step is compared with a mean that holds j - 1 of them.
    """
    place = (np.arange(points) // every) * every + (min(every, points) - 1) / 2
    known = before + place
    return np.asarray(shift * before / known / np.sqrt(1 + 1 / known))
