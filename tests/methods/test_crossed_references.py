"""Crossed effects against independent computations (R, lme4 1.1-31, TMB, survival; own R code).

Each case's own tolerance, as the references' index states it.
"""

import numpy as np
import pytest
from pytest import approx

from tests.methods.test_crossed import TYPES, design
from yieldkit.methods.crossed import Counts, Intervals, fit_gaussian, fit_laplace
from yieldkit.methods.crossed.laplace import share_over
from yieldkit.methods.crossed.profile import (
    profile_gaussian,
    profile_laplace,
    profile_quadrature,
)
from yieldkit.methods.crossed.quadrature import fit_quadrature

GAUSSIAN = ["B01_lmm_500", "B02_lmm_5000", "B03_lmm_5000_home_splicer", "B04_lmm_balanced_one_way"]
PASS_FAIL = ["C01_glmm_500", "C02_glmm_5000", "C03_glmm_5000_high_yield"]
ONE_FACTOR = ["C04_agq_small_clusters", "C05_agq_large_clusters"]


def levels_of(fit, name, values):
    """A factor's part of an array in the order of all levels."""
    at = fit.factors.names.index(name)
    return values[fit.factors.start[at] : fit.factors.start[at + 1]]


@pytest.fixture(params=GAUSSIAN)
def gaussian_case(request, computed):
    rows = computed(f"{request.param}.csv")
    return computed(request.param)["expected"], rows["log_loss"], *design(rows)


def test_restricted_fit_agrees_with_lme4(gaussian_case):
    case, y, x, of = gaussian_case
    fit = fit_gaussian(y, x, of)
    parts = case["variance_components"]
    sds = dict(zip(parts["group"], parts["sd"], strict=True))
    assert fit.fixed == approx(np.atleast_1d(case["fixed"]["estimate"]), rel=1e-5)
    errors = np.sqrt(np.diag(fit.fixed_covariance))
    assert errors == approx(np.atleast_1d(case["fixed"]["se"]), rel=1e-5)
    assert fit.residual_sd == approx(sds["Residual"], rel=1e-4)
    assert fit.sd == approx([sds[name] for name in of.names], rel=1e-4)
    assert fit.criterion == approx(case["reml_criterion"], abs=1e-4)
    for name, random in case["random"].items():
        near = {"abs": 1e-4 * fit.residual_sd}
        assert levels_of(fit, name, fit.effects) == approx(random["blup"], **near)
        assert levels_of(fit, name, fit.conditional_sd) == approx(random["cond_sd"], **near)
        assert levels_of(fit, name, fit.prediction_sd) == approx(random["pred_error_sd"], **near)


def test_likelihood_fit_agrees_with_lme4(gaussian_case):
    """A variance moves twice as far as its root."""
    case, y, x, of = gaussian_case
    fit = fit_gaussian(y, x, of, restricted=False)
    variance = dict(zip(case["variance_components"]["group"], case["ml"]["variance"], strict=True))
    assert fit.log_likelihood == approx(case["ml"]["loglik"], abs=1e-4)
    assert fit.fixed == approx(np.atleast_1d(case["ml"]["fixed"]), rel=1e-5)
    assert fit.sd**2 == approx([variance[name] for name in of.names], rel=2e-4)


@pytest.mark.parametrize("name", PASS_FAIL)
def test_pass_fail_fit_agrees_with_lme4(name, computed):
    """Laplace approximation in both."""
    case, rows = computed(name)["expected"], computed(f"{name}_aggregated.csv")
    parts = case["variance_components"]
    sds = dict(zip(parts["group"], parts["sd"], strict=True))
    fit = fit_laplace(Counts(rows["pass"], rows["fail"]), *design(rows))
    assert fit.fixed == approx(case["fixed"]["estimate"], abs=1e-4)
    assert fit.log_likelihood == approx(case["loglik_aggregated"], abs=1e-3)
    assert fit.sd == approx([sds[name] for name in fit.factors.names], rel=1e-3)
    known = np.sqrt(np.diag(fit.fixed_covariance))
    full = np.sqrt(np.diag(fit.covariance))[: len(fit.fixed)]
    assert full == approx(case["fixed"]["se"], rel=1e-3)
    assert known == approx(case["fixed"]["se_given_variances"], rel=1e-3)
    for group, random in case["random"].items():
        assert levels_of(fit, group, fit.effects) == approx(random["mode"], abs=1e-3)
        assert levels_of(fit, group, fit.conditional_sd) == approx(random["cond_sd"], rel=1e-3)


@pytest.mark.parametrize("name", ONE_FACTOR)
def test_one_factor_laplace_agrees_with_lme4(name, computed):
    """The case's quadrature is another approximation."""
    case, rows = computed(name)["expected"]["laplace_lme4"], computed(f"{name}_aggregated.csv")
    fit = fit_laplace(Counts(rows["pass"], rows["fail"]), *design(rows))
    assert fit.fixed == approx(case["fixed"], abs=1e-4)
    assert np.sqrt(np.diag(fit.covariance))[:3] == approx(case["se"], rel=1e-3)
    assert fit.sd == approx([case["sd"]], rel=1e-3)
    assert fit.log_likelihood == approx(case["loglik_as_printed"], abs=1e-3)


@pytest.mark.parametrize("name", ONE_FACTOR)
def test_quadrature_agrees_with_independent_code(name, computed):
    """Own adaptive quadrature in R with 61 nodes, confirmed by lme4 with 25."""
    case, rows = computed(name)["expected"]["agq61_own"], computed(f"{name}_aggregated.csv")
    fit = fit_quadrature(Counts(rows["pass"], rows["fail"]), *design(rows), nodes=61)
    assert fit.fixed == approx(case["fixed"]["estimate"], abs=1e-5)
    errors = np.sqrt(np.diag(fit.covariance))
    assert errors[:-1] == approx(case["fixed"]["se"], rel=1e-4)
    assert errors[-1] == approx(case["se_log_sd"], rel=1e-3)
    assert fit.sd == approx(case["sd"], rel=1e-5)
    assert fit.log_likelihood == approx(case["loglik_aggregated"], abs=1e-5)
    assert fit.modes == approx(case["random"]["mode"], abs=1e-4)
    assert fit.effects == approx(case["random"]["post_mean"], abs=1e-4)
    assert fit.effect_sd == approx(case["random"]["post_sd"], rel=1e-4)


@pytest.mark.parametrize("restricted, key", [(False, "ml_laplace"), (True, "reml_laplace")])
def test_interval_fit_agrees_with_r(restricted, key, computed):
    """D06: own R code, second opinion TMB 1.9.2."""
    case, rows = computed("D06_cens_lmm_280")["expected"][key], computed("D06_cens_lmm_280.csv")
    fit = fit_laplace(log_intervals(rows), *design(rows), restricted=restricted)
    assert fit.fixed == approx(case["fixed"]["estimate"], abs=1e-4)
    if restricted:
        known = np.sqrt(np.diag(fit.fixed_covariance))
        assert known == approx(case["fixed"]["se_given_variances"], rel=1e-3)
    else:
        errors = np.sqrt(np.diag(fit.covariance))
        assert errors[:3] == approx(case["fixed"]["se"], rel=1e-3)
        assert errors[3:] == approx(case["variance_components"]["se_log_sd"], rel=1e-3)
    assert [*fit.sd, fit.scale] == approx(case["variance_components"]["sd"], rel=1e-4)
    assert fit.log_likelihood == approx(case["loglik"], abs=1e-4)
    for group, random in case["random"].items():
        assert levels_of(fit, group, fit.effects) == approx(random["mode"], abs=1e-4)
        assert levels_of(fit, group, fit.conditional_sd) == approx(random["cond_sd"], rel=1e-3)


def log_intervals(rows):
    with np.errstate(divide="ignore"):
        return Intervals(np.log(rows["loss_low_db"]), np.log(rows["loss_high_db"]))


@pytest.mark.parametrize("limit_db", [0.05, 0.1])
def test_share_over_a_limit_agrees_with_r(limit_db, computed):
    """D06 too: new units, effects and noise averaged out."""
    rows = computed("D06_cens_lmm_280.csv")
    over = computed("D06_cens_lmm_280")["expected"]["ml_laplace"]["share_over"]
    asked = np.equal(over["over_db"], limit_db)
    kinds = np.eye(3)[[TYPES.index(kind) for kind in over["type"]]][asked]
    kinds[:, 0] = 1.0
    fit = fit_laplace(log_intervals(rows), *design(rows))
    share, error = share_over(fit, kinds, np.log(limit_db))
    assert share == approx(np.array(over["probability"])[asked], rel=1e-4)
    assert error == approx(np.array(over["se_logit"])[asked], rel=1e-3)


def known_ends(case, of, more=()):
    """The case's profile ends in our order: fixed effects, deviations, what else there is."""
    ends = {name: at for at, name in enumerate(case["parameter"])}
    fixed = ["(Intercept)", "connector_typeLC", "connector_typeST"]
    order = [ends[name] for name in (*fixed, *(f"sd_(Intercept)|{k}" for k in of.names), *more)]
    return np.array(case["lower"])[order], np.array(case["upper"])[order]


@pytest.mark.parametrize("name", GAUSSIAN[:3])
def test_gaussian_profile_agrees_with_lme4(name, computed):
    """Ends within a thousandth of the estimate."""
    case, rows = computed(name)["expected"], computed(f"{name}.csv")
    x, of = design(rows)
    found = profile_gaussian(rows["log_loss"], x, of)
    parts = case["variance_components"]
    sds = dict(zip(parts["group"], parts["sd"], strict=True))
    size = [*case["fixed"]["estimate"], *(sds[name] for name in (*of.names, "Residual"))]
    known = known_ends(case["ci95_profile"], of, ["sigma"])
    for mine, theirs in zip(found, known, strict=True):
        assert (mine - theirs) / size == approx(np.zeros(len(size)), abs=1e-3)


def test_pass_fail_profile_agrees_with_lme4(computed):
    """C01; the cleavers' lower end is zero. Ends within 2e-3."""
    case, rows = computed("C01_glmm_500")["expected"], computed("C01_glmm_500_aggregated.csv")
    x, of = design(rows)
    low, high = profile_laplace(Counts(rows["pass"], rows["fail"]), x, of)
    known = known_ends(case["ci95_profile"], of)
    assert low == approx(known[0], abs=2e-3)
    assert high == approx(known[1], abs=2e-3)
    assert low[-1] == 0


@pytest.mark.parametrize("name", ONE_FACTOR)
def test_quadrature_profile_agrees_with_lme4(name, computed):
    """25 nodes in both; ends within 1e-3."""
    case, rows = computed(name)["expected"], computed(f"{name}_aggregated.csv")
    x, of = design(rows)
    low, high = profile_quadrature(Counts(rows["pass"], rows["fail"]), x, of)
    known = known_ends(case["ci95_profile_agq25"], of)
    assert low == approx(known[0], abs=1e-3)
    assert high == approx(known[1], abs=1e-3)
