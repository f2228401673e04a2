"""Run lengths against independent computations (R, package spc 0.6.7, or own code there)."""

import numpy as np
import pytest
from scipy import stats

from yieldkit.methods.runlength import (
    cusum_limit,
    cusum_mean_run_length,
    cusum_run_length,
    ewma_limit,
    ewma_mean_run_length,
    ewma_run_length,
    lattice,
)

LIMITS = {"fix": "fixed", "vacl": "varying"}


@pytest.mark.parametrize(
    "case, limits", [("A01_ewma_arl_fixed", "fixed"), ("A02_ewma_arl_varying", "varying")]
)
def test_ewma_agrees_with_r(computed, case, limits):
    # Cases A01 and A02, tolerance relative 1e-6.
    for row in computed(f"{case}_expected.csv").iloc[::6].to_dict("records"):
        found = ewma_mean_run_length(
            row["L"], weight=row["lambda"], shift=row["shift"], limits=limits
        )
        assert found == pytest.approx(row["arl"], rel=1e-6)


def test_cusum_agrees_with_r(computed):
    # Case A03, tolerance relative 1e-6; one and two sides, with and without head start.
    for row in computed("A03_cusum_arl_expected.csv").to_dict("records"):
        found = cusum_mean_run_length(
            row["h"],
            reference=row["k"],
            shift=row["shift"],
            head_start=row["hs"],
            sides=row["sided"],
        )
        assert found == pytest.approx(row["arl"], rel=1e-6)


def test_limits_agree_with_r(computed):
    # Case A04, tolerance absolute 1e-6.
    for row in computed("A04_critical_values_ewma.csv").iloc[::5].to_dict("records"):
        found = ewma_limit(row["arl0"], weight=row["lambda"], limits=LIMITS[row["limits"]])
        assert found == pytest.approx(row["L"], abs=1e-6)
    for row in computed("A04_critical_values_cusum.csv").to_dict("records"):
        found = cusum_limit(
            row["arl0"],
            reference=row["k"],
            head_start_fraction=row["headstart_frac"],
            sides=row["sided"],
        )
        assert found == pytest.approx(row["h"], abs=1e-6)


def test_distribution_agrees_with_r(computed):
    # Case A05: chances relative 1e-6, quantiles exact.
    for row in computed("A05_run_length_distribution_expected.csv").to_dict("records"):
        if row["kind"] == "ewma":
            within = ewma_run_length(
                3000,
                row["par2"],
                weight=row["par1"],
                shift=row["shift"],
                limits=LIMITS[row["limits"]],
            )
        else:
            within = cusum_run_length(5000, row["par2"], reference=row["par1"], shift=row["shift"])
        for points in (10, 50, 100, 400):
            assert within[points - 1] == pytest.approx(row[f"cdf_n{points}"], rel=1e-6)
        for percent in (5, 25, 50, 75, 95):
            assert np.searchsorted(within, percent / 100) + 1 == row[f"q{percent}"]


@pytest.mark.parametrize("case", ["A06_poisson", "A07_bernoulli", "A08_binomial"])
def test_chains_agree_with_r(computed, case):
    # Mean and sd relative 1e-9 (1e-7 where the mean passes 1e6), chances 1e-11, quantiles exact.
    for row in computed(f"{case}_cusum_expected.csv").to_dict("records"):
        trials, limit, start = int(row["n"]), int(row["H"]), int(row["W0"])
        chance = (
            stats.poisson.pmf(np.arange(200), row["param"])
            if case == "A06_poisson"
            else stats.binom.pmf(np.arange(trials + 1), trials, row["param"])
        )
        steps = lattice.counts(chance, up=int(row["b"]), down=int(row["a"]))
        found = lattice.run_length(steps, limit, start=start)
        within = 1e-9 if row["arl"] < 1e6 else 1e-7
        assert found.mean == pytest.approx(row["arl"], rel=within)
        assert found.sd == pytest.approx(row["sd_rl"], rel=within)
        signal = lattice.signal_within(steps, limit, 1000, start=start)
        for points in (50, 200, 1000):
            assert signal[points - 1] == pytest.approx(row[f"cdf_{points}"], abs=1e-11)
        for percent in (10, 50, 90):
            if not np.isnan(row[f"q{percent}"]):
                found = lattice.quantile(steps, limit, percent / 100, start=start)
                assert found == row[f"q{percent}"]


def test_failure_scores_off_any_lattice_agree_with_r(computed):
    # Case A09, relative 1e-8.
    for row in computed("A09_bernoulli_llr_cusum_expected.csv").to_dict("records"):
        found = lattice.two_step_mean(
            row["w_fail"], row["w_pass"], row["p"], row["h"], start=row["s0"]
        )
        assert found == pytest.approx(row["arl"], rel=1e-8)


def test_ewma_of_counts_agrees_with_r(computed):
    # Case A10: 0.5 % of the best chain there.
    for row in computed("A10_poisson_ewma_expected.csv").iloc[::4].to_dict("records"):
        found = lattice.ewma_of_counts(
            stats.poisson.pmf(np.arange(80), row["mu"]),
            weight=row["lambda"],
            centre=row["mu0"],
            width=row["A"] * np.sqrt(row["lambda"] * row["mu0"] / (2 - row["lambda"])),
        )
        assert found == pytest.approx(row["arl_transfer"], rel=0.005)


def test_least_limit_is_the_nearest_attainable_at_or_above():
    steps = lattice.counts([0.95, 0.05], up=15, down=1)
    limit = lattice.least_limit(steps, 900)
    assert lattice.mean_run_length(steps, limit) >= 900
    assert lattice.mean_run_length(steps, limit - 1) < 900


def test_a_sum_that_drifts_up_has_no_limit():
    with pytest.raises(ValueError, match="drifts up"):
        lattice.least_limit(lattice.counts([0.5, 0.5], up=5, down=1), 1000, largest=64)


def test_chances_must_sum_to_one():
    with pytest.raises(ValueError, match="sum to"):
        lattice.Steps.of([0, 1], [0.5, 0.4])


@pytest.mark.parametrize("length", [20, 500, 5000])
def test_limit_gives_the_length_asked_for(length):
    assert cusum_mean_run_length(cusum_limit(length)) == pytest.approx(length, rel=1e-9)


def test_an_impossible_length_is_said():
    with pytest.raises(ValueError, match="wanted more than 1"):
        cusum_limit(1)


@pytest.mark.parametrize("reference", [0.1, 0.25, 0.4, 2.0])
def test_limits_are_found_for_small_and_large_references(reference):
    limit = cusum_limit(2000, reference=reference)
    assert cusum_mean_run_length(limit, reference=reference) == pytest.approx(2000, rel=1e-6)
