"""Running sums over 200 streams of 50,000 points, beside a compiled loop in the same run."""

import os
import time

import numpy as np
import pytest

from yieldkit.methods.charts import cusum, ewma

numba = pytest.importorskip("numba")
pytestmark = pytest.mark.benchmark
os.environ.setdefault("OMP_NUM_THREADS", "1")


@numba.njit
def looped(values, weight, reference, limit, restart):  # pragma: no cover - compiled
    """EWMA, both sums and signals, point by point."""
    streams, points = values.shape
    average, up, down = np.empty_like(values), np.empty_like(values), np.empty_like(values)
    signal = np.zeros(values.shape, np.bool_)
    for row in range(streams):
        level = above = below = 0.0
        for point in range(points):
            value = values[row, point]
            level += weight * (value - level)
            above = max(above + value - reference, 0.0)
            below = max(below - value - reference, 0.0)
            average[row, point], up[row, point], down[row, point] = level, above, below
            if above > limit:
                signal[row, point] = True
                above = 0.0 if restart else above
            if below > limit:
                signal[row, point] = True
                below = 0.0 if restart else below
    return average, up, down, signal


def best_of(doing, times=5):
    took = []
    for _ in range(times):
        begun = time.perf_counter()
        out = doing()
        took.append(time.perf_counter() - begun)
    return min(took), out


@pytest.mark.parametrize("restart, most", [(False, 2.5), (True, 3.0)])
def test_sums_beside_a_compiled_loop(restart, most):
    values = np.random.default_rng(1).standard_normal((200, 50_000))

    def ours():
        sums = cusum(values, limit=6.5, restart=restart)
        return ewma(values, 0.2), sums.up, sums.down, sums.signal

    looped(values[:1, :10], 0.2, 0.5, 6.5, restart)
    theirs, known = best_of(lambda: looped(values, 0.2, 0.5, 6.5, restart))
    own, found = best_of(ours)
    for mine, other in zip(found[:3], known[:3], strict=True):
        assert np.abs(mine - other).max() < 1e-8
    assert np.array_equal(found[3], known[3])
    print(
        f"\nours {own:.3f} s, compiled {theirs:.3f} s, ratio {own / theirs:.2f}, restart {restart}"
    )
    assert own < most * theirs
