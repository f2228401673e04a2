"""A step watched for against its own past: run length, onset, restarts."""

import numpy as np
import pytest

from yieldkit.methods.runlength import cusum_run_length
from yieldkit.methods.steps_up import likeliest_step, recursive_residuals, self_starting_cusum


def test_without_change_it_has_the_run_length_of_the_textbook():
    # 1,500 series of 66 points; the first residual is 0. Three standard errors.
    rng, alarms = np.random.default_rng(3), 0
    for _ in range(1500):
        found = self_starting_cusum(rng.standard_normal(66), np.ones(66), limit=3.0)
        alarms += found.signal is not None
    meant = cusum_run_length(65, 3.0)[-1]
    assert alarms / 1500 == pytest.approx(meant, abs=3 * np.sqrt(meant * (1 - meant) / 1500))


@pytest.mark.parametrize("size", [0.75, 1.0, 1.5])
def test_the_onset_lies_in_its_interval(size):
    # 300 steps after 50 points, given a true signal; 93 % wanted, less two standard errors.
    rng, held = np.random.default_rng(4), []
    for _ in range(300):
        series = rng.standard_normal(130)
        series[50:] += size
        watch = self_starting_cusum(series, np.ones(130), limit=5.3)
        if watch.signal is None or watch.signal < 50:
            continue
        step = likeliest_step(series[: watch.signal + 1], np.ones(watch.signal + 1))
        held.append(step.first_low - 1 <= 50 <= step.first_high)
    assert len(held) > 200
    assert np.mean(held) >= 0.93 - 2 * np.sqrt(0.93 * 0.07 / len(held))


def test_residuals_are_standard_and_independent_of_the_level():
    rng = np.random.default_rng(5)
    variance = rng.uniform(0.5, 3, 4000)
    series = 17 + rng.standard_normal(4000) * np.sqrt(variance)
    found = recursive_residuals(series, variance)[1:]
    assert found.mean() == pytest.approx(0, abs=0.05)
    assert found.std() == pytest.approx(1, abs=0.04)
    assert found == pytest.approx(recursive_residuals(series - 17, variance)[1:], abs=1e-9)


def test_a_service_starts_the_sum_anew_and_forgets_the_signal():
    series = np.concatenate([np.zeros(20), np.full(20, 2.0), np.zeros(10)])
    again = np.zeros(50, bool)
    again[40] = True
    plain = self_starting_cusum(series, np.ones(50), limit=4.0)
    served = self_starting_cusum(series, np.ones(50), limit=4.0, restart=again)
    assert plain.signal is not None
    assert served.signal is None


def test_few_points_have_no_step():
    assert likeliest_step([1.0, 2.0], [1.0, 1.0]) is None
