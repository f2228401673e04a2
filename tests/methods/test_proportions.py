"""Intervals of proportions, clusters, sample sizes."""

import numpy as np
import pytest

from yieldkit.methods.proportions import (
    METHODS,
    cluster_correlation,
    design_effect,
    difference,
    proportion,
    trials_to_tell,
    trials_without_failure,
)

# Computed in R 4.2.2 with base functions (case E01): columns of each method's ends.
ENDS = dict(zip(METHODS, ("wilson", "clopper", "agresti", "jeffreys", "wald"), strict=True))


@pytest.mark.parametrize("method", METHODS)
def test_interval_agrees_with_r(computed, method):
    table = computed("E01_proportion_intervals_expected.csv")
    for confidence, rows in table.groupby("conf"):
        found = proportion(rows["x"], rows["n"], confidence=confidence, method=method)
        low, high = rows[f"{ENDS[method]}_lo"], rows[f"{ENDS[method]}_hi"]
        np.testing.assert_allclose(found.low, low.clip(0, 1), atol=1e-8)
        np.testing.assert_allclose(found.high, high.clip(0, 1), atol=1e-8)


def test_no_trials_say_nothing():
    found = proportion([0, 3], [0, 3])
    assert np.isnan(found.estimate[0])
    assert (found.low[0], found.high[0]) == (0, 1)


def test_a_design_effect_counts_as_fewer_trials():
    plain = proportion([90], [100])
    wide = proportion([180], [200], design_effect=2.0)
    assert wide.low == pytest.approx(plain.low)
    assert proportion([90], [100], design_effect=0.3).low == pytest.approx(plain.low)


def test_sizes_of_the_trade():
    # Fleiss, Levin and Paik (2003), equation 4.14 without continuity correction; computed by hand.
    assert round(trials_to_tell(0.98, 0.95)) == 588
    assert round(trials_to_tell(0.98, 0.90)) == 137
    assert trials_to_tell(0.95, 0.95) == np.inf
    assert [trials_without_failure(p) for p in (0.90, 0.95, 0.98)] == [29, 59, 149]


def test_cluster_correlation_finds_what_was_put_in():
    rng = np.random.default_rng(5)
    correlation, mean, size = 0.05, 0.9, 40
    strength = (1 - correlation) / correlation
    chance = rng.beta(mean * strength, (1 - mean) * strength, 6000)
    passed = rng.binomial(size, chance)
    assert cluster_correlation(passed, np.full(6000, size)) == pytest.approx(0.05, abs=0.004)
    assert cluster_correlation([5], [9]) == 0
    assert cluster_correlation([4, 4], [4, 4]) == 0


def test_design_effect_of_equal_clusters_is_the_textbook_one():
    # Kish (1965), equation 8.2.1: 1 + (b - 1) rho.
    assert design_effect([20, 20, 20], 0.05) == pytest.approx(1 + 19 * 0.05)
    assert design_effect([], 0.05) == 1


def test_confidence_must_be_a_fraction():
    with pytest.raises(ValueError, match="write 95 % as 0.95"):
        proportion([1], [2], confidence=95)
    with pytest.raises(ValueError, match="wanted one of wilson"):
        proportion([1], [2], method="luck")


def test_difference_is_antisymmetric():
    one, other = difference((57, 40), (60, 50)), difference((40, 57), (50, 60))
    assert one.low == pytest.approx(-other.high)
