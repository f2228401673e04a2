"""Lives against independent computations in R (package survival 3.5.3, and own code)."""

import numpy as np
import pytest

from yieldkit.methods.lifetimes import (
    best_replacement,
    kaplan_meier,
    weibull_between_checks,
    weibull_fit,
)


@pytest.mark.parametrize(
    "case", ["F01_blade_life_90", "F02_blade_life_600", "F03_delayed_entry_200"]
)
def test_share_still_good_agrees_with_r(computed, case):
    # Tolerance 1e-10; F03 has units that were already used when first seen.
    data, table = computed(f"{case}.csv"), computed(f"{case}_km.csv")
    found = kaplan_meier(data["cleaves"], data["failed"], data.get("entry"))
    table = table[table["n_event"] > 0]
    assert found.time == pytest.approx(table["time"].to_numpy())
    assert found.at_risk == pytest.approx(table["n_risk"].to_numpy())
    assert found.survival == pytest.approx(table["survival"].to_numpy(), abs=1e-10)
    assert found.se == pytest.approx(table["std_err"].to_numpy(), abs=1e-10)
    known = computed(case)["expected"]["quantiles"]
    for share, life in zip(known["fraction_failed"], known["cleaves"], strict=True):
        assert found.quantile(share) == life


@pytest.mark.parametrize(
    "case, name",
    [
        ("F01_blade_life_90", "weibull"),
        ("F02_blade_life_600", "weibull"),
        ("F03_delayed_entry_200", "weibull_delayed_entry"),
    ],
)
def test_weibull_lives_agree_with_r(computed, case, name):
    # Estimates 1e-6 relative, as the case says; standard errors 1e-4.
    data, known = computed(f"{case}.csv"), computed(case)["expected"][name]
    covariates = np.column_stack([data["fibre"] == "ribbon", data["dust"]])
    found = weibull_fit(
        data["cleaves"], data["failed"], entry=data.get("entry"), covariates=covariates
    )
    assert found.coefficients == pytest.approx(known["estimate"], rel=1e-6)
    assert found.se == pytest.approx(known["se"], rel=1e-4)
    assert found.log_likelihood == pytest.approx(known["loglik"], rel=1e-8)


def test_lives_known_between_checks_agree_with_r(computed):
    # Case F04, 1e-6 relative.
    data, known = computed("F04_electrode_inspections_150.csv"), None
    known = computed("F04_electrode_inspections_150")["expected"]
    found = weibull_between_checks(data["last_good"].fillna(0), data["first_bad"].fillna(np.inf))
    assert found.shape == pytest.approx(known["shape"], rel=1e-6)
    assert np.exp(found.coefficients[0]) == pytest.approx(known["scale"], rel=1e-6)
    assert found.log_likelihood == pytest.approx(known["loglik"], rel=1e-8)
    assert found.life(0.1) == pytest.approx(known["b10"], rel=1e-6)
    assert found.life(0.5) == pytest.approx(known["b50"], rel=1e-6)
    assert found.se[1] == pytest.approx(known["se_log_scale"], rel=1e-4)


def test_best_age_agrees_with_a_fine_grid():
    shape, scale = 2.5, 1000.0
    found = best_replacement(shape, scale, cost_planned=1.0, cost_failure=10.0)
    ages = np.linspace(50, 2000, 3901)
    good = np.exp(-((ages / scale) ** shape))
    used = np.concatenate([[0], np.cumsum((good[1:] + good[:-1]) / 2 * np.diff(ages))]) + 50.0
    rate = (good + 10 * (1 - good)) / used
    assert found.age == pytest.approx(ages[np.argmin(rate)], rel=0.01)
    assert found.cost_rate < found.run_to_failure


def test_without_wear_there_is_no_best_age():
    found = best_replacement(0.9, 1000.0, cost_planned=1.0, cost_failure=10.0)
    assert np.isinf(found.age)
