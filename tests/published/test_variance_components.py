"""Crossed and nested variance components against printed figures."""

import numpy as np
import pytest
from pytest import approx

from yieldkit.methods.crossed import factors, fit_gaussian


def fit(values, labels, **options):
    y = np.ravel(values)
    return fit_gaussian(y, np.ones((len(y), 1)), factors(labels), **options)


def codes(shape, axis):
    return np.indices(shape)[axis].ravel()


def test_dyestuff(published):
    """Bates et al., J. Stat. Softw. 67(1), 2015; data of Davies and Goldsmith (from memory)."""
    case = published("dyestuff_one_way_random")
    y = np.array(case["inputs"]["yield_g"])
    printed, within = case["expected"]["published"], case["tolerance"]["published_abs"]
    batch = {"batch": codes(y.shape, 0)}
    found, plain = fit(y, batch), fit(y, batch, restricted=False)
    ours = {
        "reml_batch_var": found.sd[0] ** 2,
        "reml_residual_var": found.residual_sd**2,
        "intercept": found.fixed[0],
        "intercept_se": np.sqrt(found.fixed_covariance[0, 0]),
        "reml_criterion": found.criterion,
        "ml_batch_var": plain.sd[0] ** 2,
        "ml_deviance": plain.criterion,
    }
    for key, value in ours.items():
        assert value == approx(printed[key], abs=within[key]), key
        assert value == approx(case["expected"]["recomputed"][key], rel=1e-5), key
    assert found.effects == approx(case["expected"]["recomputed"]["reml_blups"], rel=1e-5)


def test_dyestuff2_has_no_spread_of_batches(published):
    """The same source; artificial data of Box and Tiao: the estimate is 0, not negative."""
    case = published("dyestuff2_zero_batch_variance")
    y = np.array(case["inputs"]["y"])
    batch = {"batch": codes(y.shape, 0)}
    found, plain = fit(y, batch), fit(y, batch, restricted=False)
    again = case["expected"]["recomputed"]
    assert found.sd[0] == 0
    assert found.at_zero == ("batch",)
    assert found.fixed[0] == approx(again["intercept"], rel=1e-6)
    assert found.residual_sd**2 == approx(again["reml_residual_var"], rel=1e-6)
    assert found.criterion == approx(again["reml_criterion"], rel=1e-6)
    assert plain.residual_sd**2 == approx(again["ml_residual_var"], rel=1e-6)
    assert plain.criterion == approx(again["ml_deviance"], rel=1e-6)


def test_pastes_are_nested(published):
    """The same source; data of Davies and Goldsmith: casks within batches."""
    case = published("pastes_nested_random")
    y = np.array(case["inputs"]["strength"])
    batch, cask = codes(y.shape, 0), codes(y.shape, 1)
    found = fit(y, {"cask": batch * 10 + cask, "batch": batch})
    again = case["expected"]["recomputed"]
    ours = [*found.sd, found.residual_sd, found.criterion, found.fixed[0]]
    keys = ("sd_cask_within_batch", "sd_batch", "sd_residual", "reml_criterion", "intercept")
    for value, key in zip(ours, keys, strict=True):
        assert value == approx(again[key], rel=1e-5), key
        tolerance = case["tolerance"]["published_abs"][key]
        assert value == approx(case["expected"]["published"][key], abs=tolerance), key


def test_helicopter(published):
    """Cano, Moguerza and Redchuk, Six Sigma with R, 2012; interaction pooled, as printed.

    Restricted likelihood equals the balanced analysis of variance where no component is negative.
    """
    case = published("helicopter_gauge_rr_crossed")
    y = np.array(case["inputs"]["time_operator_prototype_run"])
    found = fit(y, {"operator": codes(y.shape, 0), "part": codes(y.shape, 1)})
    again = case["expected"]["recomputed"]
    assert found.residual_sd**2 == approx(again["repeatability"], rel=1e-6)
    assert found.sd[0] ** 2 == approx(again["reproducibility"], rel=1e-5)
    assert found.sd[1] ** 2 == approx(again["part_to_part"], rel=1e-6)


def test_measurement_system(published):
    """The open R package qualityTools; 10 parts, 3 operators, interaction pooled."""
    case = published("measurement_system_10_parts_3_operators")
    y = np.array(case["inputs"]["y_operator_part_repeat"])
    found = fit(y, {"operator": codes(y.shape, 0), "part": codes(y.shape, 1)})
    again = case["expected"]["recomputed"]["components_reduced"]
    assert found.residual_sd**2 == approx(again["repeatability"], rel=1e-6)
    assert found.sd[0] ** 2 == approx(again["operator"], rel=1e-6)
    assert found.sd[1] ** 2 == approx(again["part"], rel=1e-6)


@pytest.mark.parametrize("name", ["sirstv", "smls01"])
def test_nist_one_way(name, published):
    """NIST Statistical Reference Datasets: within and between of the one-way layout.

    The balanced restricted fit equals the analysis of variance wherever the component
    between treatments is positive.
    """
    case = published(f"nist_strd_anova_{name}")
    groups = [np.asarray(group, float) for group in case["inputs"]["groups"].values()]
    y = np.concatenate(groups)
    labels = np.repeat(np.arange(len(groups)), [len(group) for group in groups])
    found = fit(y - y.mean(), {"treatment": labels})
    printed, again = case["expected"]["published"], case["expected"]["recomputed"]
    assert found.residual_sd**2 == approx(printed["ms_within"], rel=1e-6)
    assert found.sd[0] ** 2 == approx(again["between_variance_component"], rel=1e-5)
