"""Speed of fits on counts against loops of scipy, on the same losses.

Run with ``pytest -m benchmark tests/benchmarks/test_binned_speed.py -s``; the ratios measured are
in docs/methods/losses.md. The loops are timed on a few groups and scaled up.
"""

import time

import numpy as np
import pytest
from scipy import optimize, special, stats

from yieldkit.methods.binned import (
    Exponential,
    Gamma,
    Hypoexponential,
    Lognormal,
    ShiftedExponential,
    SteadyOffset,
    Weibull,
    count_intervals,
    fit,
)

pytestmark = pytest.mark.benchmark
GROUPS, ROWS = 200, 10_000_000
SEVEN = (
    Exponential(),
    ShiftedExponential(),
    Gamma(),
    Hypoexponential(),
    Weibull(),
    Lognormal(),
    SteadyOffset(),
)
LAWS = {
    "exponential": (lambda t, x: _pair(x / np.exp(t[0])), [-3.2]),
    "shifted exponential": (
        lambda t, x: _pair(np.maximum(x - 0.005 / (1 + np.exp(-t[1])), 0) / np.exp(t[0])),
        [-3.2, 0.0],
    ),
    "gamma": (
        lambda t, x: (
            special.gammainc(np.exp(t[1]), x / np.exp(t[0])),
            special.gammaincc(np.exp(t[1]), x / np.exp(t[0])),
        ),
        [-3.5, 0.3],
    ),
    "weibull": (lambda t, x: _pair((x / np.exp(t[0])) ** np.exp(t[1])), [-3.2, 0.2]),
    "lognormal": (
        lambda t, x: (
            special.ndtr((np.log(x) - t[0]) / np.exp(t[1])),
            special.ndtr(-(np.log(x) - t[0]) / np.exp(t[1])),
        ),
        [-3.5, -0.2],
    ),
    "steady offset": (
        lambda t, x: (
            special.chndtr(2 * x / np.exp(t[0]), 2, np.exp(t[1])),
            1 - special.chndtr(2 * x / np.exp(t[0]), 2, np.exp(t[1])),
        ),
        [-4.0, 0.3],
    ),
}
"""Shares below and above by plain scipy functions, and where the search starts."""


def _pair(y):
    return -np.expm1(-y), np.exp(-y)


def seconds(call):
    """Least of two runs [s], in this process."""
    taken = []
    for _ in range(2):
        start = time.perf_counter()
        call()
        taken.append(time.perf_counter() - start)
    return min(taken)


@pytest.fixture(scope="module")
def counts():
    """Counts of 10^7 gamma losses in 200 groups, shown in steps of 0.01 dB."""
    rng = np.random.default_rng(610)
    edges = np.concatenate([[0.0], 0.005 + 0.01 * np.arange(120), [np.inf]])
    parts = []
    for group in range(GROUPS):
        law = stats.gamma(1.2 + group / 200, scale=0.03)
        parts.append(rng.multinomial(ROWS // GROUPS, np.diff(law.cdf(edges))))
    low, high = np.tile(edges[:-1], GROUPS), np.tile(edges[1:], GROUPS)
    count, of = np.concatenate(parts), np.repeat(np.arange(GROUPS), len(edges) - 1)
    held = count > 0
    return count_intervals(low[held], high[held], group=of[held], count=count[held])


def loop_of_one(counts, group, name):
    """One group's fit as one would write it with scipy: minimise over the same counts."""
    law, start = LAWS[name]
    rows = counts.group == group
    low, high, many = counts.low[rows], counts.high[rows], counts.count[rows]

    def cost(theta):
        with np.errstate(all="ignore"):
            below1, above1 = law(theta, low)
            below2, above2 = law(theta, high)
        chance = np.where(above1 < 0.5, above1 - above2, below2 - below1)
        return -(many * np.log(np.maximum(np.nan_to_num(chance), 1e-300))).sum()

    return optimize.minimize(cost, start, method="BFGS")


def loop_of_some(counts, name, some):
    """The same for some groups, one after the other."""
    return [loop_of_one(counts, group, name) for group in some]


def test_all_groups_at_once_against_a_loop_over_the_same_counts(counts):
    together, loop = {}, {}
    for family in SEVEN:
        together[family.name] = seconds(lambda family=family: fit(counts, family))
    some = range(5, GROUPS, 20)
    for name in LAWS:
        loop[name] = seconds(lambda name=name: loop_of_some(counts, name, some))
        loop[name] *= GROUPS / len(some)
    print(f"\nrows {counts.count.sum():.0f}, bins {len(counts.low)}, seed 610")
    for name, taken in together.items():
        other = loop.get(name)
        against = "" if other is None else f", loop {other:.1f} s, {other / taken:.0f} times"
        print(f"{name}: {taken:.3f} s{against}")
    six = sum(together[name] for name in LAWS)
    print(f"all seven {sum(together.values()):.2f} s; the six of the loop: {six:.2f} s against")
    print(f"{sum(loop.values()):.0f} s, {sum(loop.values()) / six:.0f} times")
    assert sum(loop.values()) / six > 10


def test_counts_against_scipys_fit_on_the_rows(counts):
    rows = counts.group == 100
    low = np.repeat(counts.low[rows], counts.count[rows].astype(int))
    high = np.repeat(counts.high[rows], counts.count[rows].astype(int))
    data = stats.CensoredData(interval=np.stack([low, high], axis=1))
    laws = {"gamma": (stats.gamma, (1.5,)), "weibull": (stats.weibull_min, (1.2,))}
    families = {"gamma": Gamma(), "weibull": Weibull()}
    for name, (law, guess) in laws.items():
        start = time.perf_counter()
        law.fit(data, *guess, floc=0, scale=0.04)
        on_rows = (time.perf_counter() - start) * GROUPS
        on_counts = seconds(lambda name=name: fit(counts, families[name]))
        print(f"\n{name}: rows {on_rows:.0f} s (one group times 200), counts {on_counts:.3f} s, "
              f"{on_rows / on_counts:.0f} times")  # fmt: skip
        assert on_rows / on_counts > 1000
