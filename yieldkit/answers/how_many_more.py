"""How many more readings would name the worst unit, or clear all of them.

On failures, which tell less, it is the least there must be: of 94 drawn crews with 400 positions
15 % were told at what would be even odds of losses.
"""

from __future__ import annotations

import numpy as np

MANY_TIMES = 1.2 ** np.arange(1, 18)
"""Lengths that are tried, in times the record so far."""
TOLD_OF_DRAWS = 0.65
"""Share of the draws that must be told for even odds: a longer record also moves the spreads of the
kinds, which the draws leave out (at 0.5 of them 38 % of 164 drawn crews were told)."""


def how_many_more(gaps: np.ndarray, margin: float, n: int, *, named: float) -> float | None:
    """Readings more that would give even odds of an answer; None if 20 times as many would not.

    Each of some draws is taken for the truth in turn; so many times the readings leave draws about
    it (and an estimate off it) that are the root of that many times closer.

    Parameters
    ----------
    gaps : ndarray, shape (draws, units)
        Joint draws of how much worse each unit is than its kind, in no order, 1,000 at least.
    margin : float
        The margin that matters, in units of the gaps.
    n : int
        Readings so far.
    named : float
        Chance from which an answer, a unit or none of them, is given.
    """
    truth, off, around = gaps[:80], gaps[80:160], gaps[160:560]
    middle = gaps.mean(axis=0)
    for times in MANY_TIMES:
        closer = np.sqrt(times)
        draws = (truth + (off - middle) / closer)[:, None] + (around - middle) / closer
        worst = draws.argmax(axis=2)
        answer = np.where(draws.max(axis=2) > margin, worst, gaps.shape[1])
        most = [np.bincount(each).max() for each in answer]
        if np.quantile(most, 1 - TOLD_OF_DRAWS) >= named * len(around):
            return float(n * (times - 1))
    return None
