"""Crossed random effects against R, against simpler fits, and at their edges."""

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
from yieldkit.methods.crossed.laplace import _Outer, share_over
from yieldkit.methods.crossed.problem import Problem
from yieldkit.methods.crossed.quadrature import fit_quadrature

TYPES = ("SC", "LC", "ST")
GAUSSIAN = ["B01_lmm_500", "B02_lmm_5000", "B03_lmm_5000_home_splicer", "B04_lmm_balanced_one_way"]
COUNTS = ["C01_glmm_500", "C02_glmm_5000", "C03_glmm_5000_high_yield"]
CASES_1E4 = {"rel": 1e-4}


def design(rows, names=("technician", "splicer", "cleaver", "fibre_lot")):
    of = factors({name: rows[name] for name in names if name in rows})
    if "connector_type" not in rows:
        return np.ones((len(rows), 1)), of
    kinds = TYPES if set(rows["connector_type"]) == set(TYPES) else None
    return treatment(rows["connector_type"], kinds)[0], of


def level_slice(fit, name):
    place = fit.factors.names.index(name)
    return slice(fit.factors.start[place], fit.factors.start[place + 1])


@pytest.mark.parametrize("case", GAUSSIAN)
def test_gaussian_agrees_with_lme4(computed, case):
    # Computed in R with lme4 1.1.31; tolerances of family B in the references' index.
    known = computed(case)["expected"]
    rows = computed(f"{case}.csv")
    fit = fit_gaussian(rows["log_loss"], *design(rows))
    parts = dict(
        zip(known["variance_components"]["group"], known["variance_components"]["sd"], strict=True)
    )
    assert fit.residual_sd == pytest.approx(parts["Residual"], **CASES_1E4)
    for name, sd in zip(fit.factors.names, fit.sd, strict=True):
        assert sd == pytest.approx(parts[name], **CASES_1E4)
        random = known["random"][name]
        own = level_slice(fit, name)
        np.testing.assert_allclose(fit.effects[own], random["blup"], atol=1e-4 * fit.residual_sd)
        if "cond_sd" in random:
            np.testing.assert_allclose(fit.conditional_sd[own], random["cond_sd"], rtol=1e-4)
        if "pred_error_sd" in random:
            np.testing.assert_allclose(fit.prediction_sd[own], random["pred_error_sd"], rtol=1e-4)
    np.testing.assert_allclose(fit.fixed, np.atleast_1d(known["fixed"]["estimate"]), rtol=1e-5)
    errors = np.sqrt(np.diag(fit.fixed_covariance))
    np.testing.assert_allclose(errors, np.atleast_1d(known["fixed"]["se"]), rtol=1e-5)
    assert fit.criterion == pytest.approx(known["reml_criterion"], abs=1e-4)
    plain = fit_gaussian(rows["log_loss"], *design(rows), restricted=False)
    assert plain.log_likelihood == pytest.approx(known["ml"]["loglik"], abs=1e-4)


@pytest.mark.parametrize("case", COUNTS)
def test_counts_agree_with_lme4(computed, case):
    # Computed in R with lme4 1.1.31 (Laplace); tolerances of family C in the references' index.
    known = computed(case)["expected"]
    rows = computed(f"{case}_aggregated.csv")
    fit = fit_laplace(Counts(rows["pass"], rows["fail"]), *design(rows))
    parts = dict(
        zip(known["variance_components"]["group"], known["variance_components"]["sd"], strict=True)
    )
    np.testing.assert_allclose(fit.fixed, known["fixed"]["estimate"], atol=1e-4)
    errors = np.sqrt(np.diag(fit.covariance))[: len(fit.fixed)]
    np.testing.assert_allclose(errors, known["fixed"]["se"], rtol=1e-3)
    assert fit.log_likelihood == pytest.approx(known["loglik_aggregated"], abs=1e-3)
    for name, sd in zip(fit.factors.names, fit.sd, strict=True):
        assert sd == pytest.approx(parts[name], rel=1e-3)
        own = level_slice(fit, name)
        np.testing.assert_allclose(fit.effects[own], known["random"][name]["mode"], atol=1e-3)
        np.testing.assert_allclose(
            fit.conditional_sd[own], known["random"][name]["cond_sd"], rtol=1e-3
        )


@pytest.mark.parametrize("case", ["C04_agq_small_clusters", "C05_agq_large_clusters"])
def test_one_factor_agrees_with_the_laplace_fit(computed, case):
    # Computed in R with lme4 1.1.31; the quadrature values of the case are for another method.
    known = computed(case)["expected"]["laplace_lme4"]
    rows = computed(f"{case}_aggregated.csv")
    fit = fit_laplace(Counts(rows["pass"], rows["fail"]), *design(rows))
    np.testing.assert_allclose(fit.fixed, known["fixed"], atol=1e-4)
    assert fit.sd[0] == pytest.approx(known["sd"], rel=1e-3)
    assert fit.log_likelihood == pytest.approx(known["loglik_as_printed"], abs=1e-3)


@pytest.mark.parametrize("case", ["C04_agq_small_clusters", "C05_agq_large_clusters"])
def test_quadrature_agrees_with_independent_code(computed, case):
    # Own adaptive quadrature in R with 61 nodes, confirmed by lme4 1.1.31 with 25.
    known = computed(case)["expected"]["agq61_own"]
    rows = computed(f"{case}_aggregated.csv")
    fit = fit_quadrature(Counts(rows["pass"], rows["fail"]), *design(rows), nodes=61)
    np.testing.assert_allclose(fit.fixed, known["fixed"]["estimate"], atol=1e-5)
    errors = np.sqrt(np.diag(fit.covariance))
    np.testing.assert_allclose(errors[:-1], known["fixed"]["se"], rtol=1e-4)
    assert errors[-1] == pytest.approx(known["se_log_sd"], rel=1e-3)
    assert fit.sd == pytest.approx(known["sd"], rel=1e-5)
    assert fit.log_likelihood == pytest.approx(known["loglik_aggregated"], abs=1e-5)
    random = known["random"]
    np.testing.assert_allclose(fit.modes, random["mode"], atol=1e-4)
    np.testing.assert_allclose(fit.effects, random["post_mean"], atol=1e-4)
    np.testing.assert_allclose(fit.effect_sd, random["post_sd"], rtol=1e-4)


def test_quadrature_takes_one_factor_that_does_something():
    two = factors({"a": [0, 0, 1, 1], "b": [0, 1, 0, 1]})
    with pytest.raises(ValueError, match="takes one factor, not 2"):
        fit_quadrature(Counts([3, 4, 5, 6], [1, 1, 1, 1]), np.ones((4, 1)), two)
    flat = factors({"a": [0, 1, 2, 3]})
    with pytest.raises(ValueError, match="the spread of the factor is nil"):
        fit_quadrature(Counts([9, 9, 9, 9], [1, 1, 1, 1]), np.ones((4, 1)), flat)


@pytest.mark.parametrize("restricted", [False, True])
def test_intervals_agree_with_independent_code(computed, restricted):
    # Case D06: own R code and TMB 1.9.2; tolerances of the references' index.
    known = computed("D06_cens_lmm_280")["expected"]
    known = known["reml_laplace" if restricted else "ml_laplace"]
    rows = computed("D06_cens_lmm_280.csv")
    with np.errstate(divide="ignore"):
        response = Intervals(np.log(rows["loss_low_db"]), np.log(rows["loss_high_db"]))
    fit = fit_laplace(response, *design(rows), restricted=restricted)
    np.testing.assert_allclose(fit.fixed, known["fixed"]["estimate"], atol=1e-4)
    np.testing.assert_allclose([*fit.sd, fit.scale], known["variance_components"]["sd"], rtol=1e-4)
    assert fit.log_likelihood == pytest.approx(known["loglik"], abs=1e-4)
    for name in fit.factors.names:
        own = level_slice(fit, name)
        np.testing.assert_allclose(fit.effects[own], known["random"][name]["mode"], atol=1e-4)
        np.testing.assert_allclose(
            fit.conditional_sd[own], known["random"][name]["cond_sd"], rtol=1e-3
        )
    if not restricted:
        over = known["share_over"]
        kinds = np.eye(3)[[TYPES.index(kind) for kind in over["type"]]]
        kinds[:, 0] = 1.0
        for at in (0.05, 0.1):
            asked = np.equal(over["over_db"], at)
            share, error = share_over(fit, kinds[asked], np.log(at))
            np.testing.assert_allclose(share, np.array(over["probability"])[asked], rtol=1e-4)
            np.testing.assert_allclose(error, np.array(over["se_logit"])[asked], rtol=1e-3)
        errors = np.sqrt(np.diag(fit.covariance))[: len(fit.fixed)]
        np.testing.assert_allclose(errors, known["fixed"]["se"], rtol=1e-3)


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
    outer = _Outer(Problem(response, x, of, restricted))
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


def test_fixed_effects_that_cannot_be_told_apart_are_refused():
    x = np.ones((4, 2))
    with pytest.raises(ValueError, match="not of full rank"):
        fit_gaussian(np.arange(4.0), x, factors({"a": list("abab")}))
    with pytest.raises(ValueError, match="not of full rank"):
        fit_laplace(Counts([1, 2, 1, 2], [1, 1, 1, 1]), x, factors({"a": list("abab")}))
