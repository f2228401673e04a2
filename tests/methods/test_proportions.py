"""Proportions against R, and their behaviour where trials come in clusters."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pytest import approx
from scipy.stats import binom

from yieldkit.methods.proportions import (
    cluster_correlation,
    design_effect,
    difference,
    proportion,
    trials_to_tell,
    trials_without_failure,
)

COLUMNS = {"wilson": "wilson", "clopper-pearson": "clopper", "jeffreys": "jeffreys"}


@pytest.mark.parametrize("method", COLUMNS)
def test_intervals_agree_with_r(method, computed):
    """R 4.2.2, binom.test, prop.test(correct = FALSE), qbeta (E01); tolerance of the case."""
    table = computed("E01_proportion_intervals_expected.csv")
    for confidence, rows in table.groupby("conf"):
        found = proportion(rows["x"], rows["n"], confidence=confidence, method=method)
        name = COLUMNS[method]
        assert found.low == approx(rows[f"{name}_lo"].to_numpy(), abs=1e-8)
        assert found.high == approx(rows[f"{name}_hi"].to_numpy(), abs=1e-8)


def test_agresti_coull_agrees_with_r_where_it_is_not_cut(computed):
    """R 4.2.2, own formula (E01); ours ends at 0 and 1."""
    table = computed("E01_proportion_intervals_expected.csv")
    for confidence, rows in table.groupby("conf"):
        found = proportion(rows["x"], rows["n"], confidence=confidence, method="agresti-coull")
        assert found.low == approx(rows["agresti_lo"].clip(0, 1).to_numpy(), abs=1e-8)
        assert found.high == approx(rows["agresti_hi"].clip(0, 1).to_numpy(), abs=1e-8)


def test_difference_agrees_with_r(computed):
    """R 4.2.2, Newcombe's hybrid score interval (E07); 1e-7 relative."""
    table = computed("E07_yield_tables_two_by_two.csv")
    low, high = (next(c for c in table if "newcombe" in c and end in c) for end in ("lo", "hi"))
    for row in table.to_dict("records"):
        made = (row["pass1"] + row["fail1"], row["pass2"] + row["fail2"])
        found = difference((row["pass1"], row["pass2"]), made)
        ours, theirs = (found.low, found.high), (row[low], row[high])
        assert ours == approx(theirs, rel=1e-7, abs=1e-12)


def test_wald_agrees_with_r_where_it_is_not_cut(computed):
    """R 4.2.2, own formula (E01); ours ends at 0 and 1."""
    table = computed("E01_proportion_intervals_expected.csv")
    for confidence, rows in table.groupby("conf"):
        found = proportion(rows["x"], rows["n"], confidence=confidence, method="wald")
        assert found.low == approx(rows["wald_lo"].clip(0, 1).to_numpy(), abs=1e-8)
        assert found.high == approx(rows["wald_hi"].clip(0, 1).to_numpy(), abs=1e-8)


def test_an_unknown_method_is_refused():
    with pytest.raises(ValueError, match="wanted one of wilson"):
        proportion([1], [2], method="luck")


def test_a_design_effect_counts_as_fewer_trials():
    plain = proportion([90], [100])
    wide = proportion([180], [200], design_effect=2.0)
    assert wide.low == approx(plain.low)
    assert proportion([90], [100], design_effect=0.3).low == approx(plain.low)


def test_difference_is_antisymmetric():
    one, other = difference((57, 40), (60, 50)), difference((40, 57), (50, 60))
    assert float(one.low) == approx(-float(other.high))


def test_no_trials_say_nothing():
    found = proportion([0], [0])
    assert np.isnan(found.estimate[0])
    assert (found.low[0], found.high[0]) == (0, 1)


@given(st.integers(1, 400), st.floats(0, 1), st.floats(1, 20))
def test_a_greater_design_effect_never_narrows(tried, share, effect):
    passed = round(share * tried)
    plain, wide = proportion([passed], [tried]), proportion([passed], [tried], design_effect=effect)
    assert wide.high - wide.low >= plain.high - plain.low - 1e-12
    assert plain.low - 1e-12 <= plain.estimate <= plain.high + 1e-12


def test_wilson_covers_on_average_between_90_and_99_percent():
    """Exact coverage, 95 % said, averaged over true yields of 90 to 99 %; worst one bounded.

    The interval is not claimed to cover at each yield: near 99 % of 50 the worst is about 0.86.
    """
    yields = np.linspace(0.90, 0.99, 181)
    for tried in (20, 50, 100, 300, 1000):
        passed = np.arange(tried + 1)
        found = proportion(passed, np.full(tried + 1, tried))
        inside = (found.low[:, None] <= yields) & (yields <= found.high[:, None])
        chance = (binom.pmf(passed[:, None], tried, yields) * inside).sum(axis=0)
        assert chance.mean() == approx(0.95, abs=0.015)
        assert chance.min() > 0.83


@pytest.mark.parametrize("first, second, wanted", [(0.98, 0.95, 588), (0.98, 0.90, 137)])
def test_trials_to_tell_two_yields_apart(first, second, wanted):
    """588 and 137 a person at 80 % power (R 4.2.2, power.prop.test, rounded up)."""
    assert int(np.ceil(trials_to_tell(first, second))) in (wanted, wanted + 1)


def test_trials_to_tell_keep_their_power():
    """4,000 pairs at the size given for 98 against 95 %: the pooled test finds 80 % of them."""
    size = int(np.ceil(trials_to_tell(0.98, 0.95)))
    rng = np.random.default_rng(7)
    one, two = rng.binomial(size, 0.98, 4000), rng.binomial(size, 0.95, 4000)
    pooled = (one + two) / (2 * size)
    z = (one - two) / size / np.sqrt(2 * pooled * (1 - pooled) / size)
    assert (np.abs(z) > 1.959964).mean() == approx(0.80, abs=0.02)


def test_equal_yields_are_never_told_apart():
    assert trials_to_tell(0.95, 0.95) == np.inf


def test_trials_without_failure():
    """59 without failure show 95 % with 95 % confidence (0.95 ** 59 = 0.0485, ** 58 = 0.0510)."""
    assert [trials_without_failure(p) for p in (0.90, 0.95, 0.98)] == [29, 59, 149]


def test_cluster_correlation_of_independent_trials_is_near_zero():
    rng = np.random.default_rng(8)
    tried = np.full(200, 30)
    assert cluster_correlation(rng.binomial(tried, 0.9), tried) < 0.01


def test_cluster_correlation_is_found():
    """Beta(a, b) chances have correlation 1 / (a + b + 1): 0.1 for a + b = 9."""
    rng = np.random.default_rng(9)
    tried = np.full(2000, 30)
    passed = rng.binomial(tried, rng.beta(8.1, 0.9, 2000))
    assert cluster_correlation(passed, tried) == approx(0.1, abs=0.015)


def test_design_effect_goes_with_a_beta_binomial_fit(computed):
    """Case C06: 220 jobs, beta-binomial by R's glmmTMB 1.1.5 and own code, correlation 1/(1 + phi).

    Another estimator, so within the fit's own error: two standard errors of log phi; and the error
    of the first type's yield, which the fit has smaller as it weights jobs by what they tell.
    """
    fit = computed("C06_betabinomial_jobs")["expected"]["no_random_effect"]
    jobs = computed("C06_betabinomial_jobs.csv")
    jobs["tried"] = jobs["pass"] + jobs["fail"]
    types = [rows for _, rows in jobs.groupby("connector_type")]
    correlation = np.average(
        [cluster_correlation(rows["pass"], rows["tried"]) for rows in types],
        weights=[rows["tried"].sum() for rows in types],
    )
    low, high = (1 / (1 + fit["phi"] * np.exp(z * fit["se_log_phi"])) for z in (2, -2))
    assert low < correlation < high
    first = jobs[jobs["connector_type"] == "SC"]
    share = first["pass"].sum() / first["tried"].sum()
    effect = design_effect(first["tried"], correlation)
    error = np.sqrt(effect / (first["tried"].sum() * share * (1 - share)))
    assert 1 < error / fit["se"][0] < 1.15
    assert abs(np.log(share / (1 - share)) - fit["estimate"][0]) < fit["se"][0]


def test_one_cluster_cannot_tell():
    assert cluster_correlation([5], [10]) == 0.0
    assert cluster_correlation([1, 0, 1], [1, 1, 1]) == 0.0
    assert cluster_correlation([4, 4], [4, 4]) == 0.0
    assert design_effect([], 0.05) == 1


def test_design_effect_of_equal_clusters():
    """1 + (m - 1) * correlation (Kish 1965, equation 5.4.1)."""
    assert design_effect([20] * 7, 0.05) == approx(1 + 19 * 0.05)


@pytest.mark.parametrize("confidence", [0.0, 1.0, 95])
def test_confidence_must_be_a_fraction(confidence):
    with pytest.raises(ValueError, match="wanted between 0 and 1"):
        proportion([1], [2], confidence=confidence)
