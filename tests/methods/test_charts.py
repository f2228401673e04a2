"""Charts: paths against an independent computation, restarts against a plain loop."""

import numpy as np
import pytest

from yieldkit.methods.charts import (
    cusum,
    ewma,
    failure_scores,
    individuals,
    mean_and_spread,
    phase_one,
    run_rule_signals,
    share_limits,
    skewed_limits,
)
from yieldkit.methods.runlength.rules import RunRule


def test_paths_agree_with_r(computed):
    # Case A11, plain recursions in R, relative 1e-10.
    case, data = computed("A11_chart_paths"), computed("A11_chart_paths.csv")
    expected, known = computed("A11_chart_paths_expected.csv"), case["definitions"]
    z = ((data["log_loss"] - known["mu0"]) / known["sigma0"]).to_numpy()
    plain = cusum(z, reference=known["k"], limit=known["h"])
    started = cusum(z, reference=known["k"], limit=known["h"], head_start=2.5)
    usual = data["connector_type"].map(known["p0_by_type"])
    scores = failure_scores(data["fail"], usual, known["odds_ratio"])
    bernoulli = cusum(scores, reference=0.0).up
    for name, found in {
        "ewma": ewma(z, known["lambda"]),
        "cusum_up": plain.up,
        "cusum_down": plain.down,
        "cusum_up_hs": started.up,
        "cusum_down_hs": started.down,
        "bern_weight": scores,
        "bern_cusum": bernoulli,
    }.items():
        assert found == pytest.approx(expected[name].to_numpy(), rel=1e-10, abs=1e-12), name
    first = case["expected"]["first_signal"]
    assert np.argmax(plain.up > 5) + 1 == first["cusum_up"]
    assert np.argmax(plain.signal) + 1 == min(first["cusum_up"], first["cusum_down"])
    assert np.argmax(bernoulli > known["h_bernoulli"]) + 1 == first["bernoulli"]


def test_individuals_agree_with_r(computed):
    # Case A11, relative 1e-10 (its moving-range divisors in full digits).
    known = computed("A11_chart_paths")["expected"]["individuals"]
    data = computed("A11_chart_paths.csv")["log_loss"]
    found, robust = individuals(data), individuals(data, median=True)
    assert (found.centre, found.low, found.high, found.sd) == pytest.approx(
        (known["centre"], known["lower"], known["upper"], known["sigma_from_moving_range"]),
        rel=1e-9,
    )
    assert robust.sd == pytest.approx(known["median_moving_range_sigma"], rel=1e-9)


def looped(values, reference, limit, head_start):
    """Both sums point by point, each started anew after its own signal."""
    up, down, signal = (np.zeros_like(values) for _ in range(3))
    for row, stream in enumerate(values):
        above = below = head_start
        for point, value in enumerate(stream):
            above = max(above + value - reference, 0.0)
            below = max(below - value - reference, 0.0)
            up[row, point], down[row, point] = above, below
            signal[row, point] = above > limit or below > limit
            above = head_start if above > limit else above
            below = head_start if below > limit else below
    return up, down, signal.astype(bool)


@pytest.mark.parametrize("head_start", [0.0, 1.5])
@pytest.mark.parametrize("shift", [0.0, 0.8])
def test_restarts_equal_a_plain_loop(head_start, shift):
    values = np.random.default_rng(1).normal(shift, 1, (5, 4000))
    found = cusum(values, limit=3.0, head_start=head_start, restart=True)
    up, down, signal = looped(values, 0.5, 3.0, head_start)
    assert signal.sum() > 50
    assert np.array_equal(found.signal, signal)
    assert found.up == pytest.approx(up, abs=1e-9)
    assert found.down == pytest.approx(down, abs=1e-9)


@pytest.mark.parametrize("weight", [0.01, 0.2, 0.97])
def test_ewma_equals_a_plain_loop(weight):
    values = np.random.default_rng(2).normal(0, 1, (3, 1001))
    level, rows = np.array([0.0, 1.0, -2.0]), []
    for point in range(1001):
        level = level + weight * (values[:, point] - level)
        rows.append(level)
    found = ewma(values, weight, start=[0.0, 1.0, -2.0])
    assert found == pytest.approx(np.transpose(rows), abs=1e-11)


def test_more_spread_between_days_widens_the_limits():
    rng = np.random.default_rng(3)
    share = rng.beta(0.1 * 30, 0.9 * 30, 40)
    failed = rng.binomial(200, share)
    plain = share_limits(failed, np.full(40, 200))
    wide = share_limits(failed, np.full(40, 200), spread=True)
    assert plain.outside.sum() > wide.outside.sum()
    assert wide.spread > 2


def test_odd_points_are_left_out_and_named():
    values = np.random.default_rng(4).normal(10, 1, 200)
    values[[20, 77]] = 25
    found = phase_one(values)
    assert {20, 77} <= set(found.left_out)
    assert found.n == 200 - len(found.left_out)
    assert found.sd == pytest.approx(1, abs=0.15)


def test_limits_of_skewed_losses_alarm_seldom():
    # A gamma law of shape 1.5; normal limits would alarm 1 % of the time above.
    rng = np.random.default_rng(5)
    low, high = skewed_limits(rng.gamma(1.5, 0.03, 20_000))
    new = rng.gamma(1.5, 0.03, 200_000)
    assert (new > high).mean() == pytest.approx(0.00135, abs=0.0004)
    assert (new < low).mean() == pytest.approx(0.00135, abs=0.0004)


def test_run_rule_signals_where_it_should():
    values = np.array([0.1, 1.2, 1.3, -0.2, 1.1, 1.5, 0.0, -1.2, -1.2, -1.2, -1.2])
    found = run_rule_signals(values, RunRule(4, 5, 1.0))
    assert list(np.flatnonzero(found)) == [5, 10]


@pytest.mark.parametrize(
    "doing, words",
    [
        (lambda: ewma([1.0], 1.0), "weight"),
        (lambda: share_limits([1], [0]), "size"),
        (lambda: individuals([1.0]), "moving range"),
        (lambda: phase_one([1.0, 2.0]), "baseline"),
        (lambda: skewed_limits([-1.0, 2.0]), "0 or more"),
    ],
)
def test_wrong_use_is_said(doing, words):
    with pytest.raises(ValueError, match=words):
        doing()


def test_group_limits_hold_most_groups():
    groups = np.random.default_rng(6).normal(5, 2, (400, 5))
    means, spreads = mean_and_spread(groups)
    inside = (groups.mean(axis=1) > means.low) & (groups.mean(axis=1) < means.high)
    assert inside.mean() > 0.99
    assert spreads.sd == pytest.approx(2, rel=0.1)
