"""How much a unit has got worse, and whether by an offset of the machine or by noise."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtri

from yieldkit.answers.readings import ANGLE, CREW, LOSS, REFERENCE, TEST, Readings
from yieldkit.answers.streams import Adjusted, Stream
from yieldkit.methods.steps_up import Onset

Array = NDArray[np.float64]
FEWEST_SHAPED = 60
FEWEST_SHAPED_DAYS = 5
"""Joints, and days, before and after, from which the shape of the losses is compared."""


def size_of(
    now: Adjusted,
    stream: Stream,
    since: pd.Timestamp,
    confidence: float,
    plain: NDArray[np.bool_],
) -> tuple[float, float, float, int]:
    """New over old level with its interval from day means; angles [deg], tests [dB]: new less old.

    The crew's size is that of joints that no other signal explains (``plain``).
    """
    readings = now.of
    factor = float(ndtri((1 + confidence) / 2))
    own = readings.since(stream.kind, stream.unit, stream.series.day[0])
    new = readings.since(stream.kind, stream.unit, since)
    if stream.kind == CREW and (new & plain).any() and (own & ~new & plain).any():
        own, new = own & plain, new & plain
    old = own & ~new
    if readings.counted:
        meant = now.meant
        fails = [readings.value[part].sum() + 0.5 for part in (new, old)]
        ratio = np.log(fails[0] / fails[1] * (meant[old].sum() + 0.5) / (meant[new].sum() + 0.5))
        wide = factor * np.sqrt(now.within * (1 / fails[0] + 1 / fails[1]))
        return *_around(ratio, wide), int(own.sum())
    if readings.quantity in (ANGLE, TEST, REFERENCE):
        (mean_new, var_new), (mean_old, var_old) = (
            _level(readings, readings.value, part) for part in (new, old)
        )
        wide = factor * np.sqrt(var_new + var_old)
        gap = mean_new - mean_old
        return gap, gap - wide, gap + wide, int(own.sum())
    # Each joint over what people, partner kit and steps already explained make of it.
    fair = readings.value / now.meant
    (mean_new, var_new), (mean_old, var_old) = (_level(readings, fair, p) for p in (new, old))
    wide = factor * np.sqrt(var_new / mean_new**2 + var_old / mean_old**2)
    return *_around(np.log(mean_new / mean_old), wide), int(own.sum())


def _level(readings: Readings, value: Array, part: NDArray[np.bool_]) -> tuple[float, float]:
    """Mean and its variance from day means, so that days that differ widen it."""
    n = np.bincount(readings.day[part], minlength=len(readings.days)).astype(float)
    total = np.bincount(readings.day[part], value[part], minlength=len(readings.days))
    weight, mean = n[n > 0], total[n > 0] / n[n > 0]
    level = float(np.average(mean, weights=weight))
    spread = float(np.average((mean - level) ** 2, weights=weight))
    return level, spread / max(len(mean) - 1, 1)


def _around(ratio: float, wide: float) -> tuple[float, float, float]:
    """Middle and ends of an interval given on a log scale."""
    return float(np.exp(ratio)), float(np.exp(ratio - wide)), float(np.exp(ratio + wide))


def nature_of(now: Adjusted, stream: Stream, onset: Onset, rise: float, confidence: float) -> str:
    """Whether a splicer's losses rose by "offset" or by "noise"; empty where they cannot tell.

    Sideways errors without an offset give exponential losses whose spread rises with the mean; a
    steady offset makes them noncentral chi-square with two degrees of freedom, whose variation
    coefficient falls to sqrt(2 rise - 1) / rise of what it was (derived from its mean 2 + c and
    variance 4 + 4 c). Joints of the days on which it may have begun are left out.
    """
    if (stream.kind, stream.quantity) != ("splicer", LOSS) or not rise > 1:
        return ""
    day, days = now.of.days[now.of.day], stream.series.day
    own = now.of.of(stream.kind, stream.unit)
    old = own & (day < days[max(onset.first_low - 1, 0)])
    new = own & (day > days[onset.first_high])
    few = min(old.sum(), new.sum()) < FEWEST_SHAPED
    if few or min(day[old].nunique(), day[new].nunique()) < FEWEST_SHAPED_DAYS:
        return ""
    value = now.of.value / now.meant
    (late, late_variance), (early, early_variance) = (
        _log_variation(value[part], now.of.day[part]) for part in (new, old)
    )
    half = float(ndtri((1 + confidence) / 2)) * np.sqrt(late_variance + early_variance)
    moved, offset = late - early, float(np.log(np.sqrt(2 * rise - 1) / rise))
    if moved + half < 0 and moved - half < offset:
        return "offset"
    return "noise" if moved - half > offset else ""


def _log_variation(value: Array, day: NDArray[np.int64]) -> tuple[float, float]:
    """Logarithm of the variation coefficient, and its variance by leaving out days in turn."""
    _, code = np.unique(day, return_inverse=True)
    sums = [np.bincount(code, power) for power in (np.ones(len(value)), value, value**2)]

    def log_variation(n: Array, total: Array, square: Array) -> Array:
        return np.asarray(np.log(np.maximum(square / n - (total / n) ** 2, 1e-12)) / 2) - np.log(
            np.maximum(total / n, 1e-12)
        )

    whole = float(log_variation(*(np.array(one.sum()) for one in sums)))
    left = log_variation(*(one.sum() - one for one in sums))
    number = len(left)
    return whole, float((number - 1) / number * ((left - left.mean()) ** 2).sum())
