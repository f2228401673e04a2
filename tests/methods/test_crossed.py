"""Crossed random effects against simpler fits, and at their edges."""

import numpy as np
import pandas as pd
import pytest

from yieldkit.methods.crossed import (
    Counts,
    Intervals,
    factors,
    fit_gaussian,
    fit_laplace,
    treatment,
)
from yieldkit.methods.crossed.laplace import Outer
from yieldkit.methods.crossed.problem import Problem
from yieldkit.methods.crossed.profile import profile_gaussian, profile_laplace
from yieldkit.methods.crossed.quadrature import fit_quadrature

TYPES = ("SC", "LC", "ST")


def design(rows, names=("technician", "splicer", "cleaver", "fibre_lot")):
    of = factors({name: rows[name] for name in names if name in rows})
    if "connector_type" not in rows:
        return np.ones((len(rows), 1)), of
    return treatment(rows["connector_type"], TYPES)[0], of


def test_quadrature_takes_one_factor_that_does_something():
    two = factors({"a": [0, 0, 1, 1], "b": [0, 1, 0, 1]})
    with pytest.raises(ValueError, match="takes one factor, not 2"):
        fit_quadrature(Counts([3, 4, 5, 6], [1, 1, 1, 1]), np.ones((4, 1)), two)
    flat = factors({"a": [0, 1, 2, 3]})
    with pytest.raises(ValueError, match="the spread of the factor is nil"):
        fit_quadrature(Counts([9, 9, 9, 9], [1, 1, 1, 1]), np.ones((4, 1)), flat)


@pytest.mark.parametrize("restricted", [False, True])
@pytest.mark.parametrize("kind", ["counts", "intervals"])
def test_slope_of_the_laplace_likelihood_is_exact(kind, restricted):
    rng = np.random.default_rng(11)
    n = 60
    of = factors({"a": rng.integers(0, 5, n), "b": rng.integers(0, 3, n)})
    x = np.column_stack([np.ones(n), rng.normal(size=n)])
    if kind == "counts":
        response = Counts(rng.integers(0, 9, n), rng.integers(0, 4, n))
    else:
        low = rng.normal(size=n)
        response = Intervals(np.where(low < -0.5, -np.inf, low), low + rng.uniform(0.1, 2, n))
    outer = Outer(Problem(response, x, of, restricted))
    at = outer.first_guess(0.6)
    slope = outer.value_and_slope(at)[1]
    for place in range(len(at)):
        ends = []
        for side in (-1e-5, 1e-5):
            moved = at.copy()
            moved[place] += side
            ends.append(outer.value_and_slope(moved)[0])
        assert slope[place] == pytest.approx((ends[1] - ends[0]) / 2e-5, abs=2e-6)


def test_without_factors_counts_are_a_plain_logistic_regression(computed):
    # statsmodels' GLM is the reference.
    import statsmodels.api as sm

    rows = computed("C02_glmm_5000_aggregated.csv")
    x = treatment(rows["connector_type"], TYPES)[0]
    flat = factors({"none": np.zeros(len(rows), int)})
    fit = fit_laplace(Counts(rows["pass"], rows["fail"]), x, flat, start_sd=0.0)
    plain = sm.GLM(rows[["pass", "fail"]].to_numpy(), x, family=sm.families.Binomial()).fit()
    assert fit.at_zero == ("none",)
    np.testing.assert_allclose(fit.fixed, plain.params, atol=1e-6)
    assert fit.log_likelihood == pytest.approx(plain.llf, abs=1e-6)


def test_without_factors_intervals_are_a_plain_censored_fit(computed):
    # Case D06, survreg of R's survival 3.5.3 on the same intervals; tolerances of the case.
    known = computed("D06_cens_lmm_280")["expected"]["no_random_effects"]
    rows = computed("D06_cens_lmm_280.csv")
    with np.errstate(divide="ignore"):
        response = Intervals(np.log(rows["loss_low_db"]), np.log(rows["loss_high_db"]))
    flat = factors({"none": np.zeros(len(rows), int)})
    fit = fit_laplace(response, design(rows)[0], flat, start_sd=0.0)
    assert fit.at_zero == ("none",)
    np.testing.assert_allclose(fit.fixed, known["fixed"], atol=1e-4)
    assert fit.scale == pytest.approx(known["sigma"], rel=1e-4)
    assert fit.log_likelihood == pytest.approx(known["loglik"], abs=1e-4)
    errors = np.sqrt(np.diag(fit.covariance))[: len(fit.fixed)]
    np.testing.assert_allclose(errors, known["se"], rtol=1e-3)


def test_fine_intervals_give_the_gaussian_fit(computed):
    rows = computed("B01_lmm_500.csv")
    x, of = design(rows)
    width = 1e-3
    response = Intervals(rows["log_loss"] - width / 2, rows["log_loss"] + width / 2)
    fine = fit_laplace(response, x, of)
    plain = fit_gaussian(rows["log_loss"], x, of, restricted=False)
    np.testing.assert_allclose(fine.fixed, plain.fixed, atol=1e-5)
    np.testing.assert_allclose(fine.sd, plain.sd, rtol=1e-4)
    assert fine.scale == pytest.approx(plain.residual_sd, rel=1e-5)
    density = fine.log_likelihood - len(rows) * np.log(width)
    assert density == pytest.approx(plain.log_likelihood, abs=1e-2)


def test_a_factor_that_does_nothing_has_a_deviation_of_zero_and_says_so():
    rng = np.random.default_rng(3)
    same = pd.DataFrame({"unit": np.repeat(np.arange(8), 40)})
    passed = np.tile([36, 36], 4)
    cells = factors({"unit": np.arange(8)})
    fit = fit_laplace(Counts(passed, 40 - passed), np.ones((8, 1)), cells)
    assert fit.at_zero == ("unit",)
    assert np.all(fit.effects == 0)
    y = rng.normal(size=320) - np.repeat(rng.normal(size=8) * 0, 40)
    y -= np.repeat(y.reshape(8, 40).mean(axis=1), 40)
    flat = fit_gaussian(y, np.ones((320, 1)), factors({"unit": same["unit"]}))
    assert flat.at_zero == ("unit",)


def test_levels_without_a_failure_and_perfect_separation_stay_finite():
    passed, failed = np.array([30, 25, 40, 0]), np.array([0, 0, 0, 20])
    fit = fit_laplace(Counts(passed, failed), np.ones((4, 1)), factors({"unit": list("abcd")}))
    assert np.isfinite(fit.effects).all()
    assert fit.effects[3] < fit.effects[:3].min()
    none = fit_laplace(
        Counts(passed[:3], failed[:3]),
        np.ones((3, 1)),
        factors({"unit": list("abc")}),
        restricted=True,
    )
    assert np.isfinite(none.log_likelihood)


def test_a_missing_label_is_a_level_of_its_own():
    of = factors({"unit": ["a", None, "b", np.nan]})
    assert of.levels == (("a", "b", "missing"),)


def test_a_missing_number_is_refused_with_its_rows():
    unit, x = factors({"unit": list("aabb")}), np.ones((4, 1))
    with pytest.raises(ValueError, match="the response is missing in 1 of 4 rows"):
        fit_gaussian([1.0, np.nan, 2.0, 3.0], x, unit)
    with pytest.raises(ValueError, match="the number failed is missing in 2 of 4 rows"):
        Counts([1, 2, 1, 2], [1, np.nan, np.nan, 1])
    with pytest.raises(ValueError, match="an upper end is missing in 1 of 2 rows"):
        Intervals([-np.inf, 0.0], [1.0, np.nan])
    with pytest.raises(ValueError, match="a fixed effect is missing in 1 of 4 rows"):
        fit_laplace(Counts([1, 2, 1, 2], [1] * 4), np.array([[1], [1], [np.nan], [1]]), unit)
    assert np.isposinf(Intervals([-np.inf, 0.0], [1.0, np.inf]).high[1])


def test_fixed_effects_that_cannot_be_told_apart_are_refused():
    x = np.ones((4, 2))
    with pytest.raises(ValueError, match="not of full rank"):
        fit_gaussian(np.arange(4.0), x, factors({"a": list("abab")}))
    with pytest.raises(ValueError, match="not of full rank"):
        fit_laplace(Counts([1, 2, 1, 2], [1, 1, 1, 1]), x, factors({"a": list("abab")}))


def test_a_profile_end_is_where_the_deviance_has_risen_by_the_normal_square():
    # No other program: scale and levels of an interval fit, the plain fit with the level held.
    rng = np.random.default_rng(5)
    unit = np.repeat(np.arange(6), 20)
    y = 0.6 * rng.standard_normal(6)[unit] + rng.standard_normal(120)
    z = rng.standard_normal(120)
    of, x = factors({"unit": unit}), np.column_stack([np.ones(120), z])
    fine = Intervals(y - 1e-3, y + 1e-3)
    low, high = profile_laplace(fine, x, of)
    plain = profile_gaussian(y, x, of)
    np.testing.assert_allclose(low, plain[0], rtol=1e-3)
    np.testing.assert_allclose(high, plain[1], rtol=1e-3)
    best = fit_laplace(fine, x, of)
    for end in (low[1], high[1]):
        held = fit_gaussian(y - end * z, x[:, :1], of, restricted=False)
        free = fit_gaussian(y, x, of, restricted=False)
        assert held.criterion - free.criterion == pytest.approx(3.841459, abs=1e-4)
    assert low[2] < best.sd[0] < high[2]
    assert low[3] < best.scale < high[3]
