"""What the counts cannot tell, said before any number is."""

from __future__ import annotations

import numpy as np

from yieldkit.methods.binned.counts import Counts

FEW_INTERVALS = 5
"""Under this many distinct intervals the shape of a distribution rests on rounding."""

FEW_VALUES = 30
"""Under this many values a family's shape is a guess [common practice]."""


def cannot_tell(counts: Counts) -> list[tuple[str, ...]]:
    """Reasons, for each group, not to trust a fitted shape; an empty tuple for none.

    Returns
    -------
    list of tuple of str, length groups
        ``nothing``: no value; ``one interval``: all in one (all zeros, for example), so that only a
        bound of a share can be had; ``few intervals``; ``few values``; ``half hidden``: half of the
        values or more lie in an interval that reaches down to zero or up without end.
    """
    open_ended = ~np.isfinite(counts.high) | (counts.low <= 0)
    hidden = counts.sum(np.where(open_ended, counts.count, 0.0))
    found: list[tuple[str, ...]] = []
    for n, distinct, out in zip(counts.n, counts.distinct, hidden, strict=True):
        if n == 0:
            found.append(("nothing",))
            continue
        reasons = []
        if distinct == 1:
            reasons.append("one interval")
        elif distinct < FEW_INTERVALS:
            reasons.append("few intervals")
        if n < FEW_VALUES:
            reasons.append("few values")
        if out >= n / 2:
            reasons.append("half hidden")
        found.append(tuple(reasons))
    return found
