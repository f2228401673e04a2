"""Tolerance bounds against published and recomputed factors, and by their own definition."""

import numpy as np
import pytest
from scipy import stats

from yieldkit.methods.binned import count_intervals
from yieldkit.methods.tolerance import (
    distribution_free_upper,
    least_sample,
    lower_rank,
    normal_factor,
    sample_mean,
    upper_rank,
)


# R 4.2.2, case E04: exact one-sided normal factors, 1e-6 relative. R's noncentral t is documented
# for |ncp| <= 37.62; scipy's is checked on the whole table.
def test_one_sided_normal_factors_match_r(computed):
    table = computed("E04_tolerance_factors_expected.csv")
    found = [
        float(normal_factor(row.n, row.coverage, row.confidence)) for row in table.itertuples()
    ]
    assert found == pytest.approx(table["k_one_sided"].tolist(), rel=1e-6)


# R 4.2.2, case E04: least samples.
def test_least_samples_match_r(computed):
    table = computed("E04_tolerance_factors_distribution_free.csv")
    found = [least_sample(row.coverage, row.confidence) for row in table.itertuples()]
    assert found == table["n_min_one_sided"].tolist()


# CMH-17-1G (2012): one-sided normal factors kB (90 %) and kA (99 %), 95 % confidence.
@pytest.mark.parametrize("name, share", [("kB", 0.90), ("kA", 0.99)])
def test_normal_factors_match_cmh17(published, name, share):
    case = published("cmh17_one_sided_k_factor_table")
    wanted = case["expected"]["published"][name]
    within = np.broadcast_to(case["tolerance"]["published_abs"][name], len(wanted))
    found = [float(normal_factor(n, share)) for n in case["inputs"]["n"]]
    assert (np.abs(np.array(found) - wanted) <= within).all()


# NIST/SEMATECH e-Handbook 7.2.6.3: one-sided factor from the noncentral t, n = 43 and 6.
def test_normal_factors_match_nist(published):
    case = published("nist_normal_tolerance_factors_7263")
    given, wanted = case["inputs"], case["expected"]["published"]
    within = case["tolerance"]["published_abs"]
    for n, name in ((given["n"], "k1_noncentral_t"), (given["small_n"], "k1_noncentral_t_n6")):
        found = float(normal_factor(n, given["coverage"], given["confidence"]))
        assert found == pytest.approx(wanted[name], abs=within[name])


# US EPA (2009), Unified Guidance, Example 17-3: upper tolerance limit of a lognormal sample.
def test_lognormal_upper_limit_matches_epa_2009(published):
    case = published("epa_lognormal_upper_tolerance_limit")
    logs = np.log(case["inputs"]["x"])
    factor = float(normal_factor(len(logs), case["inputs"]["coverage"]))
    found = np.exp(logs.mean() + factor * logs.std(ddof=1))
    assert found == pytest.approx(
        case["expected"]["published"]["utl"], abs=case["tolerance"]["published_abs"]["utl"]
    )


def test_99_for_97_percent_and_299_for_99_percent():
    assert (least_sample(0.97), least_sample(0.99)) == (99, 299)


@pytest.mark.parametrize("share", [0.5, 0.97, 0.99])
def test_ranks_are_the_tightest_that_keep_the_confidence(share):
    n = np.arange(1, 1200)
    upper, lower = upper_rank(n, share), lower_rank(n, share)
    some = upper > 0
    assert (stats.binom.cdf(upper[some] - 1, n[some], share) >= 0.95).all()
    assert (stats.binom.cdf(upper[some] - 2, n[some], share) < 0.95).all()
    assert some[least_sample(share) - 1] and not some[: least_sample(share) - 1].any()
    some = lower > 0
    assert (stats.binom.cdf(lower[some] - 1, n[some], share) <= 0.05).all()
    assert (stats.binom.cdf(lower[some], n[some], share) > 0.05).all()


def test_bound_is_the_upper_end_of_its_readings_interval():
    counts = count_intervals(
        [0.0, 0.005, 0.015, 0.995, 0.0], [0.005, 0.015, 0.025, np.inf, 0.005],
        count=[60, 60, 60, 1, 50], group=[0, 0, 0, 0, 1],
    )  # fmt: skip
    first, second = distribution_free_upper(counts, 0.97)
    assert first.rank == 180 and first.value == 0.025 and first.needed == 99
    assert second.rank == 0 and np.isnan(second.value)


def test_mean_without_a_family_is_students_for_symmetric_values():
    values = np.array([0.10, 0.12, 0.14, 0.16, 0.18])
    counts = count_intervals(values - 0.005, values + 0.005)
    low, high = sample_mean(counts)
    half = stats.t(4).ppf(0.975) * values.std(ddof=1) / np.sqrt(5)
    assert (low[0], high[0]) == pytest.approx((0.14 - half, 0.14 + half))


def test_mean_without_a_family_keeps_its_confidence_on_skewed_values():
    values = np.random.default_rng(12).exponential(0.04, (3000, 200))
    shown = np.floor(values / 0.01) * 0.01
    of = np.repeat(np.arange(3000), 200)
    low, high = sample_mean(count_intervals(shown.ravel(), shown.ravel() + 0.01, group=of))
    # Monte Carlo error 0.004
    assert ((low < 0.04) & (high > 0.04)).mean() == pytest.approx(0.95, abs=0.015)


def test_mean_without_a_family_needs_finite_intervals_and_three_values():
    open_end = count_intervals([0.0, 0.01, 1.0], [0.01, 0.02, np.inf])
    assert np.isnan(sample_mean(open_end)[0][0])
    assert np.isnan(sample_mean(count_intervals([0.0, 0.01], [0.01, 0.02]))[1][0])
