"""A step watched for against its own past: run length, onset, restarts."""

import numpy as np
import pytest

from yieldkit.methods.runlength import cusum_run_length
from yieldkit.methods.steps_up import (
    likeliest_step,
    recursive_residuals,
    rise_onset,
    self_starting_cusum,
    upper_cusum,
)


def test_without_change_it_has_the_run_length_of_the_textbook():
    # 1,500 series of 66 points; the first residual is 0. Three standard errors.
    rng, alarms = np.random.default_rng(3), 0
    for _ in range(1500):
        found = self_starting_cusum(rng.standard_normal(66), np.ones(66), limits={0.5: 3.0})
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
        watch = self_starting_cusum(series, np.ones(130), limits={0.5: 5.3})
        if watch.signal is None or watch.signal < 50:
            continue
        step = rise_onset(series[: watch.signal + 1], np.ones(watch.signal + 1))
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
    plain = self_starting_cusum(series, np.ones(50), limits={0.5: 4.0})
    served = self_starting_cusum(series, np.ones(50), limits={0.5: 4.0}, restart=again)
    assert plain.signal is not None
    assert served.signal is None


def test_few_points_have_no_step():
    assert likeliest_step([1.0, 2.0], [1.0, 1.0]) is None


def test_the_sum_is_that_of_the_recursion():
    steps, level, sums = np.random.default_rng(6).normal(-0.5, 1, 500), 0.0, []
    for step in steps:
        level = max(0.0, level + step)
        sums.append(level)
    assert upper_cusum(steps) == pytest.approx(sums, abs=1e-9)


def test_two_references_signal_where_either_does():
    series = np.random.default_rng(7).standard_normal(300)
    series[150:] += 2.0
    alone = [
        self_starting_cusum(series, np.ones(300), limits={k: h}) for k, h in ((0.5, 5.0), (1.5, 2))
    ]
    both = self_starting_cusum(series, np.ones(300), limits={0.5: 5.0, 1.5: 2})
    assert both.signal == min(one.signal for one in alone)
    assert both.sums == pytest.approx(np.maximum(alone[0].sums, alone[1].sums))


@pytest.mark.parametrize("rise", [10, 30])
def test_the_onset_of_a_ramp_lies_in_its_interval(rise):
    # 300 rises of 2.5 standard deviations; 93 % wanted, less two standard errors.
    rng, held, named = np.random.default_rng(8), [], []
    ramp = 2.5 * np.clip((np.arange(110) - 49) / rise, 0, 1)
    for _ in range(300):
        found = rise_onset(rng.standard_normal(110) + ramp, np.ones(110))
        held.append(found.first_low - 1 <= 50 <= found.first_high)
        named.append(found.shape)
    assert np.mean(held) >= 0.93 - 2 * np.sqrt(0.93 * 0.07 / 300)
    assert np.mean([shape == "step" for shape in named]) < 0.05


def test_a_clear_step_is_called_a_step_or_left_open():
    rng = np.random.default_rng(9)
    named = []
    for _ in range(200):
        series = rng.standard_normal(100)
        series[50:] += 3.0
        named.append(rise_onset(series, np.ones(100)).shape)
    assert np.mean([shape == "ramp" for shape in named]) < 0.05
    assert np.mean([shape == "step" for shape in named]) > 0.5
