"""Many charts together, and limits that keep the rate with an estimated baseline."""

import numpy as np
import pytest

from yieldkit.methods.runlength import cusum_mean_run_length, cusum_run_length
from yieldkit.methods.runlength.assured import (
    assured_binned_chart,
    assured_cusum_limit,
    binned_chart,
    exponential_limit,
    stretch,
)
from yieldkit.methods.runlength.fleet import (
    expected_alarms,
    fading_shift,
    fleet_alarms,
    fleet_limit,
    seen_within,
    shared_limits,
)
from yieldkit.methods.steps_up import recursive_residuals, upper_cusum


def test_alarms_of_a_chart_without_memory_are_points_times_chance():
    # A chart that signals with chance 0.1 at each point, whatever came before.
    within = 1 - 0.9 ** np.arange(1, 51)
    assert expected_alarms(within) == pytest.approx(0.1 * np.arange(1, 51), abs=1e-9)


def test_alarms_agree_with_simulation():
    # 4,000 CUSUMs of 65 points with restarts; 4 standard errors of the simulated mean.
    rng = np.random.default_rng(5)
    limit, level, alarms = 3.0, np.zeros(4000), np.zeros(4000)
    for _ in range(65):
        level = np.maximum(level + rng.standard_normal(4000) - 0.5, 0)
        over = level > limit
        alarms += over
        level[over] = 0
    error = alarms.std() / np.sqrt(4000)
    assert fleet_alarms([65], limit) == pytest.approx(alarms.mean(), abs=4 * error)


@pytest.mark.parametrize("head_start", [0.0, 0.5])
def test_fleet_limit_gives_the_alarms_asked_for(head_start):
    points = [65] * 20 + [30] * 10 + [0, 1]
    limit = fleet_limit(points, 1.0, head_start_fraction=head_start)
    assert fleet_alarms(points, limit, head_start=head_start * limit) == pytest.approx(1, rel=1e-4)


def test_more_alarms_than_points_are_refused():
    with pytest.raises(ValueError, match="ask for fewer"):
        fleet_limit([3], 5.0)


def test_assured_normal_limit_is_right_for_the_tenth_worst_crew():
    # With mean estimated from 50 values the tenth worst true mean lies 1.2816 / sqrt(50) above.
    limit = assured_cusum_limit(500, 50)
    worst = cusum_mean_run_length(limit, shift=1.2815515655446004 / np.sqrt(50))
    assert worst == pytest.approx(500, rel=1e-4)
    assert cusum_mean_run_length(limit) > 2000


def test_assured_exponential_limit_keeps_the_rate_in_nine_of_ten():
    # 4,000 baselines of 100 losses; binomial standard error 0.005.
    chart = exponential_limit(500, rise=1.5, baseline=100)
    grid = np.linspace(0.6, 1.6, 21)
    lengths = [chart.mean(ratio, cells=100) for ratio in grid]
    ratio = 1 / np.random.default_rng(2).gamma(100, 1 / 100, 4000)
    kept = np.interp(ratio, grid, lengths) >= 500
    assert kept.mean() == pytest.approx(0.9, abs=0.02)


def test_assured_binned_chart_costs_delay():
    rng = np.random.default_rng(3)
    losses = np.rint(rng.exponential(4.0, 300)).astype(int)
    counts = np.bincount(losses, minlength=61)
    plain = binned_chart(counts, 300)
    kept = assured_binned_chart(counts, 300, rng=rng, draws=40)
    worse = stretch(counts / counts.sum(), 1.5)
    assert kept.limit > plain.limit
    assert kept.mean(worse) > plain.mean(worse)


def test_a_stretched_distribution_keeps_its_sum_and_grows_its_mean():
    chance = np.bincount(np.rint(np.random.default_rng(4).exponential(4, 5000)).astype(int))
    chance = np.concatenate([chance / chance.sum(), np.zeros(60)])
    wider, place = stretch(chance, 1.5), np.arange(len(chance))
    assert wider.sum() == pytest.approx(1)
    assert wider @ place == pytest.approx(1.5 * (chance @ place), rel=0.02)


def test_run_length_and_mean_agree():
    within = cusum_run_length(6000, 3.0)
    assert 1 + (1 - within).sum() == pytest.approx(cusum_mean_run_length(3.0), rel=1e-9)


def test_a_step_that_its_own_past_takes_in_agrees_with_simulation():
    # 4,000 series of 40 quiet points and 30 after a step of 0.8; three standard errors, and one
    # part in fifty for means shared by five points.
    rng, limits = np.random.default_rng(12), {0.35: 5.0}
    series = rng.standard_normal((4000, 70))
    series[:, 40:] += 0.8
    seen = np.zeros(30)
    for one in series:
        residual = recursive_residuals(one, np.ones(70))[40:]
        seen += np.maximum.accumulate(upper_cusum(residual - 0.35) > 5.0)
    meant = seen_within(30, limits, shift=fading_shift(0.8, 40, 30))
    error = np.sqrt(meant * (1 - meant) / 4000)
    assert np.all(np.abs(seen / 4000 - meant) <= 3 * error + 0.02)


def test_sums_side_by_side_share_the_alarms():
    limits = shared_limits([65] * 20, 1.0, references=(0.35, 1.25))
    each = [fleet_alarms([65] * 20, h, reference=k) for k, h in limits.items()]
    assert each == pytest.approx([0.5, 0.5], abs=1e-3)
