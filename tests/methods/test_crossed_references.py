"""Crossed effects against independent computations (R, lme4 1.1-31, glmmTMB, TMB; own R code)."""

import numpy as np
import pytest
from pytest import approx

from yieldkit.methods.crossed import (
    Counts,
    Intervals,
    factors,
    fit_gaussian,
    fit_laplace,
    treatment,
)

GAUSSIAN = ["B01_lmm_500", "B02_lmm_5000", "B03_lmm_5000_home_splicer", "B04_lmm_balanced_one_way"]
PASS_FAIL = ["C01_glmm_500", "C02_glmm_5000", "C03_glmm_5000_high_yield"]


def design_of(data, names):
    """SC is the reference type, as in the cases."""
    x = np.ones((len(data), 1))
    if "connector_type" in data:
        x = treatment(data["connector_type"], ("SC", "LC", "ST"))[0]
    return x, factors({name: data[name] for name in names})


def levels_of(fit, name, values):
    """A factor's part of an array in the order of all levels."""
    at = fit.factors.names.index(name)
    return values[fit.factors.start[at] : fit.factors.start[at + 1]]


@pytest.fixture(params=GAUSSIAN)
def gaussian_case(request, computed):
    case = computed(request.param)["expected"]
    data = computed(f"{request.param}.csv")
    names = [name for name in case["variance_components"]["group"] if name != "Residual"]
    return case, data["log_loss"], *design_of(data, names)


def test_restricted_fit_agrees_with_lme4(gaussian_case):
    """R 4.2.2, lme4 1.1-31; tolerances of the cases (B01 to B04)."""
    case, y, x, of = gaussian_case
    fit = fit_gaussian(y, x, of)
    parts = case["variance_components"]
    sds = dict(zip(parts["group"], parts["sd"], strict=True))
    assert fit.fixed == approx(case["fixed"]["estimate"], rel=1e-5)
    assert np.sqrt(np.diag(fit.fixed_covariance)) == approx(case["fixed"]["se"], rel=1e-5)
    assert fit.residual_sd == approx(sds["Residual"], rel=1e-4)
    assert fit.sd == approx([sds[name] for name in of.names], rel=1e-4)
    assert fit.criterion == approx(case["reml_criterion"], abs=1e-4)
    for name, random in case["random"].items():
        near = {"abs": 1e-4 * fit.residual_sd}
        assert levels_of(fit, name, fit.effects) == approx(random["blup"], **near)
        assert levels_of(fit, name, fit.conditional_sd) == approx(random["cond_sd"], **near)
        assert levels_of(fit, name, fit.prediction_sd) == approx(random["pred_error_sd"], **near)


def test_likelihood_fit_agrees_with_lme4(gaussian_case):
    """The same cases by maximum likelihood; a variance moves twice as far as its root."""
    case, y, x, of = gaussian_case
    fit = fit_gaussian(y, x, of, restricted=False)
    variance = dict(zip(case["variance_components"]["group"], case["ml"]["variance"], strict=True))
    assert fit.log_likelihood == approx(case["ml"]["loglik"], abs=1e-4)
    assert fit.fixed == approx(case["ml"]["fixed"], rel=1e-5)
    assert fit.sd**2 == approx([variance[name] for name in of.names], rel=2e-4)


@pytest.mark.parametrize("name", PASS_FAIL)
def test_pass_fail_fit_agrees_with_lme4(name, computed):
    """R 4.2.2, lme4 1.1-31, Laplace; tolerances of the cases (C01 to C03)."""
    case, data = computed(name)["expected"], computed(f"{name}_aggregated.csv")
    parts = case["variance_components"]
    fit = fit_laplace(Counts(data["pass"], data["fail"]), *design_of(data, parts["group"]))
    assert fit.fixed == approx(case["fixed"]["estimate"], abs=1e-4)
    assert fit.log_likelihood == approx(case["loglik_aggregated"], abs=1e-3)
    assert fit.sd == approx(parts["sd"], rel=1e-3)
    known = np.sqrt(np.diag(fit.fixed_covariance))
    full = np.sqrt(np.diag(fit.covariance))[: len(fit.fixed)]
    assert full == approx(case["fixed"]["se"], rel=1e-3)
    assert known == approx(case["fixed"]["se_given_variances"], rel=1e-3)
    for group, random in case["random"].items():
        assert levels_of(fit, group, fit.effects) == approx(random["mode"], abs=1e-3)
        assert levels_of(fit, group, fit.conditional_sd) == approx(random["cond_sd"], abs=1e-3)


@pytest.mark.parametrize("name", ["C04_agq_small_clusters", "C05_agq_large_clusters"])
def test_one_factor_laplace_agrees_with_lme4(name, computed):
    """R 4.2.2, lme4 1.1-31; the case's quadrature is another approximation (C04, C05)."""
    case, data = computed(name)["expected"]["laplace_lme4"], computed(f"{name}_aggregated.csv")
    fit = fit_laplace(Counts(data["pass"], data["fail"]), *design_of(data, ["technician"]))
    assert fit.fixed == approx(case["fixed"], abs=1e-4)
    assert np.sqrt(np.diag(fit.covariance))[:3] == approx(case["se"], rel=1e-3)
    assert fit.sd == approx([case["sd"]], rel=1e-3)


@pytest.mark.parametrize("restricted, key", [(False, "ml_laplace"), (True, "reml_laplace")])
def test_interval_fit_agrees_with_r(restricted, key, computed):
    """Own R code, second opinion TMB 1.9.2; tolerances of the case (D06)."""
    case = computed("D06_cens_lmm_280")["expected"][key]
    data = computed("D06_cens_lmm_280.csv")
    with np.errstate(divide="ignore"):
        low = np.log(data["loss_low_db"].to_numpy())
    high = np.log(data["loss_high_db"].fillna(np.inf).to_numpy())
    x, of = design_of(data, ["technician", "splicer"])
    fit = fit_laplace(Intervals(low, high), x, of, restricted=restricted)
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
