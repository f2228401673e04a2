"""Fits on counts per interval against independent R packages and published examples."""

import numpy as np
import pytest

from yieldkit.methods.binned import (
    Gamma,
    Lognormal,
    Weibull,
    count_intervals,
    fit,
    mean_interval,
    profile,
    quantile_interval,
    share_over_interval,
)
from yieldkit.methods.binned.fitting import curvature, score

FAMILIES = {"lognormal": Lognormal(), "weibull": Weibull(), "gamma": Gamma()}
ROUNDED = ["D01_loss_60", "D02_loss_600", "D03_loss_20000", "D04_loss_below_limit"]


def intervals_of(table, step=0.01):
    """Intervals by the cases' own definition: value +- half a step, cut at 0."""
    value = table["loss_db"].to_numpy(float)
    low, high = np.maximum(value - step / 2, 0), value + step / 2
    if "below_limit" in table:
        hidden = table["below_limit"].to_numpy() == 1
        limit = value[hidden].max() if hidden.any() else 0.0
        low, high = np.where(hidden, 0, np.maximum(low, limit)), np.where(hidden, value, high)
    return np.round(low, 6), np.round(high, 6)


@pytest.fixture(scope="module")
def fitted(computed):
    """One case's counts and reference by name, read once."""
    kept = {}

    def of(case):
        if case not in kept:
            low, high = intervals_of(computed(f"{case}.csv"))
            kept[case] = (count_intervals(low, high), computed(case)["expected"])
        return kept[case]

    return of


# R 4.2.2 with survival 3.5.3 and fitdistrplus 1.1.8, cases D01 to D04: parameters 1e-5 relative,
# standard errors 1e-4 relative, log-likelihood 1e-6, quantiles 1e-5 relative.
@pytest.mark.parametrize("name", list(FAMILIES))
@pytest.mark.parametrize("case", ROUNDED)
def test_fit_matches_r(fitted, case, name):
    counts, expected = fitted(case)
    wanted = expected["fits"][name]
    made = fit(counts, FAMILIES[name])
    for parameter, value in wanted["parameters"].items():
        assert made.parameters[parameter][0] == pytest.approx(value, rel=1e-5)
    assert made.loglik[0] == pytest.approx(wanted["loglik"], abs=1e-6)
    assert made.mean()[0] == pytest.approx(wanted["mean"], rel=1e-5)
    for share, value in zip(
        wanted["quantiles"]["level"], wanted["quantiles"]["estimate"], strict=True
    ):
        assert made.quantile(share)[0] == pytest.approx(value, rel=1e-5)
    for over, share in zip(
        wanted["exceedance"]["over_db"], wanted["exceedance"]["probability"], strict=True
    ):
        assert made.share_over(over)[0] == pytest.approx(share, rel=1e-4)


@pytest.mark.parametrize("name", list(FAMILIES))
@pytest.mark.parametrize("case", ROUNDED)
def test_standard_errors_match_r(fitted, case, name):
    counts, expected = fitted(case)
    wanted = expected["fits"][name]
    made = fit(counts, FAMILIES[name])
    jacobian = natural_slopes(made)
    natural = jacobian @ made.covariance[0] @ jacobian.T
    found = dict(zip(made.family.parameters, np.sqrt(np.diag(natural)), strict=True))
    for parameter, value in wanted["se"].items():
        assert found[parameter] == pytest.approx(value, rel=1e-4)


def natural_slopes(made, step=1e-6):
    """Slopes of the natural parameters by the working ones, shape (parameters, free)."""
    columns = []
    for i in range(made.family.free):
        up, down = made.w.copy(), made.w.copy()
        up[:, i] += step
        down[:, i] -= step
        columns.append((made.family.natural(up) - made.family.natural(down))[0] / (2 * step))
    return np.stack(columns, axis=1)


# The same cases' likelihood-ratio intervals of the 95 % quantile; 1e-4 relative as for D07.
@pytest.mark.parametrize("name", list(FAMILIES))
@pytest.mark.parametrize("case", [case for case in ROUNDED if not case.startswith("D03")])
def test_likelihood_interval_of_quantile_matches_r(fitted, case, name):
    counts, expected = fitted(case)
    wanted = expected["quantile95_likelihood_ratio_interval"][name]
    found = quantile_interval(fit(counts, FAMILIES[name]), 0.95)
    assert found.by_likelihood[0]
    assert found.low[0] == pytest.approx(wanted["lower95"], rel=1e-4)
    assert found.high[0] == pytest.approx(wanted["upper95"], rel=1e-4)


# R 4.2.2, case D07: accepted splices only, truncated at 0.105 dB.
@pytest.mark.parametrize("name", list(FAMILIES))
def test_truncated_fit_matches_r(computed, name):
    low, high = intervals_of(computed("D07_loss_accepted_only.csv"))
    expected = computed("D07_loss_accepted_only")["expected"]
    wanted = expected["fits"][name]
    cut = expected["truncation_point_db"]
    counts = count_intervals(low, high, cut=[cut])
    made = fit(counts, FAMILIES[name])
    for parameter, value in wanted["parameters"].items():
        assert made.parameters[parameter][0] == pytest.approx(value, rel=1e-5)
    assert made.loglik[0] == pytest.approx(wanted["loglik"], abs=1e-6)
    jacobian = natural_slopes(made)
    natural = np.sqrt(np.diag(jacobian @ made.covariance[0] @ jacobian.T))
    assert dict(zip(made.family.parameters, natural, strict=True)) == pytest.approx(
        wanted["se"], rel=1e-4
    )
    for share, value in zip(
        wanted["quantiles"]["level"], wanted["quantiles"]["estimate"], strict=True
    ):
        assert made.quantile(share)[0] == pytest.approx(value, rel=1e-5)
    refused = share_over_interval(made, cut)
    assert refused.value[0] == pytest.approx(wanted["share_refused"]["estimate"], rel=1e-5)
    assert refused.low[0] == pytest.approx(wanted["share_refused"]["lower95_lr"], rel=1e-4)
    assert refused.high[0] == pytest.approx(wanted["share_refused"]["upper95_lr"], rel=1e-4)
    implied = counts.n[0] / (1 - refused.value[0])
    assert implied == pytest.approx(wanted["attempts_implied"], rel=1e-5)
    shown = computed("D07_loss_accepted_only")["expected"]["bins"]["value"]
    share = dict(zip(np.round(counts.low + 0.005, 3), made.probabilities(), strict=True))
    for value, count in zip(shown, wanted["expected_counts"], strict=True):
        if value > 0:
            assert counts.n[0] * share[value] == pytest.approx(count, rel=1e-5)


# R 4.2.2, survival 3.5.3 (survreg), case D05: three types, one scale of log loss for all. The
# reference's estimate is where our summed log-likelihood has no slope, with the same height and
# the same curvature; estimates and standard errors 1e-5 relative, log-likelihood 1e-6.
@pytest.mark.parametrize("name", ["lognormal", "weibull"])
def test_slopes_and_curvature_match_survreg_with_a_common_scale(computed, name):
    table, wanted = computed("D05_loss_by_type.csv"), computed("D05_loss_by_type")["expected"][name]
    types = ["SC", "LC", "ST"]
    low, high = intervals_of(table)
    counts = count_intervals(low, high, group=table["connector_type"].map(types.index).to_numpy())
    estimate, se = np.array(wanted["estimate"]), np.array(wanted["se"])
    mix = np.array([[1, 0, 0, 0], [1, 1, 0, 0], [1, 0, 1, 0]])
    sign = 1.0 if name == "lognormal" else -1.0  # log sd, or log shape = -log scale

    def at(theta):
        return np.stack([mix @ theta, np.full(3, sign * theta[3])], axis=1)

    def joint(by_group):
        return mix.T @ by_group[:, 0] + np.array([0, 0, 0, sign * by_group[:, 1].sum()])

    value, slope, _ = score(FAMILIES[name], at(estimate), counts)
    assert value.sum() == pytest.approx(wanted["loglik"], abs=1e-6)
    second = curvature(FAMILIES[name], at(estimate), counts)
    information = np.zeros((4, 4))
    for group in range(3):
        design = np.vstack([mix[group], [0, 0, 0, sign]])
        information -= design.T @ second[group] @ design
    covariance = np.linalg.inv(information)
    assert np.sqrt(np.diag(covariance)) == pytest.approx(se, rel=1e-5)
    step_to_maximum = covariance @ joint(slope)
    assert estimate + step_to_maximum == pytest.approx(estimate, rel=1e-5)


def exact(values, relative=1e-6):
    """An exact value as an interval as narrow as its last digit."""
    values = np.asarray(values, float)
    return values * (1 - relative / 2), values * (1 + relative / 2)


# US EPA (2009), Unified Guidance, Example 15-1: manganese, 6 of 25 below detection limits.
def test_left_censored_lognormal_matches_epa_2009(published):
    case = published("epa_left_censored_lognormal_mle")
    low, high = exact(case["inputs"]["uncensored"])
    below = np.asarray(case["inputs"]["left_censored_at"], float)
    low, high = np.concatenate([low, 0 * below]), np.concatenate([high, below])
    made = fit(count_intervals(low, high), Lognormal())
    wanted, within = case["expected"]["published"], case["tolerance"]["published_abs"]
    found = {name: value[0] for name, value in made.parameters.items()}
    found["mean"] = made.mean()[0]
    found["cv"] = np.sqrt(np.expm1(found["sdlog"] ** 2))
    for name in ("meanlog", "sdlog", "mean", "cv"):
        assert found[name] == pytest.approx(wanted[name], abs=within[name])
    of_log = profile(made, lambda w: w[:, 0])
    assert [of_log.low[0], of_log.high[0]] == pytest.approx(
        wanted["meanlog_profile_ci"], abs=within["meanlog_profile_ci"]
    )
    of_mean = mean_interval(made)
    assert [of_mean.low[0], of_mean.high[0]] == pytest.approx(
        wanted["mean_profile_ci"], abs=within["mean_profile_ci"]
    )


# Delignette-Muller and Dutang (2015), J. Stat. Softw. 64(4), ground beef servings (from memory,
# rerun for the case file); all three families of one call share the counts.
@pytest.mark.parametrize("name", list(FAMILIES))
def test_ground_beef_matches_delignette_muller_2015(published, name):
    case = published("fitdistrplus_groundbeef_three_families")
    values = np.asarray(case["inputs"]["x"])
    low, high = exact(values)
    made = fit(count_intervals(low, high), FAMILIES[name])
    wanted = case["expected"]["published"][name]
    within = case["tolerance"]["published_abs"][name]
    found = {key: value[0] for key, value in made.parameters.items()}
    # an interval's probability is density times width
    found["loglik"] = made.loglik[0] - np.log(high - low).sum()
    found["aic"] = -2 * found["loglik"] + 4
    found["bic"] = -2 * found["loglik"] + 2 * np.log(len(values))
    for key, value in wanted.items():
        assert found[key] == pytest.approx(value, abs=within[key])
    recomputed = case["expected"]["recomputed"][name]
    for key in made.family.parameters:
        assert found[key] == pytest.approx(recomputed[key], rel=1e-6)
