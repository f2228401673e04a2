"""What run rules cost: mean run length of a chart of single values with several rules at once."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.special import ndtr


@dataclass(frozen=True)
class RunRule:
    """``hits`` of ``points`` values in a row beyond ``beyond``, all on one side.

    Parameters
    ----------
    hits, points : int
        How many of how many.
    beyond : float
        Distance from the centre [standard deviations]; 0 for one side of the centre.
    """

    hits: int
    points: int
    beyond: float


RULES = {
    "one value beyond the limit": RunRule(1, 1, 3.0),
    "two of three values far out on one side": RunRule(2, 3, 2.0),
    "four of five values off on one side": RunRule(4, 5, 1.0),
    "eight values in a row on one side": RunRule(8, 8, 0.0),
}
"""Rules in words. The widths follow ISO 7870-2; those are guides: each rule adds false alarms."""

_State = tuple[int, ...]


def rules_mean_run_length(rules: list[RunRule], *, shift: float = 0.0) -> float:
    """Mean run length until any rule signals, of independent N(shift, 1) values [points].

    References
    ----------
    C. W. Champ and W. H. Woodall, Technometrics 29, 393-399, 1987 (Markov chain).
    """
    cuts = sorted({sign * rule.beyond for rule in rules for sign in (-1, 1)} | {0.0})
    ends = [-np.inf, *cuts, np.inf]
    zones = [
        (
            1.0 if low >= 0 else -1.0,
            min(abs(low), abs(high)),
            ndtr(high - shift) - ndtr(low - shift),
        )
        for low, high in pairwise(ends)
    ]
    states: dict[_State, int] = {(0,) * (2 * len(rules)): 0}
    todo = list(states)
    arrows: list[tuple[int, int, float]] = []
    while todo:
        state = todo.pop()
        for side, distance, chance in zones:
            after = _after(state, rules, side, distance)
            if after is None:
                continue
            if after not in states:
                states[after] = len(states)
                todo.append(after)
            arrows.append((states[state], states[after], float(chance)))
    chain = np.zeros((len(states), len(states)))
    for start, end, chance in arrows:
        chain[start, end] += chance
    return float(np.linalg.solve(np.eye(len(states)) - chain, np.ones(len(states)))[0])


def _after(state: _State, rules: list[RunRule], side: float, distance: float) -> _State | None:
    """The state after one value, as hits remembered bit by bit; None where a rule signals."""
    after = []
    for number, rule in enumerate(rules):
        for place, own in ((2 * number, 1.0), (2 * number + 1, -1.0)):
            hit = int(side == own and distance >= rule.beyond)
            past = (state[place] << 1) | hit
            if past.bit_count() >= rule.hits:
                return None
            after.append(_useful(past & ((1 << (rule.points - 1)) - 1), rule))
    return tuple(after)


def _useful(past: int, rule: RunRule) -> int:
    """The past without hits that can take part in no signal any more."""
    length = past.bit_length()
    while length:
        # The oldest hit is dropped where even hits alone from now on come too late for it.
        room = rule.points - length
        if past.bit_count() + room >= rule.hits:
            return past
        past &= (1 << (length - 1)) - 1
        length = past.bit_length()
    return 0
