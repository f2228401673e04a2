"""Charts against printed examples; the tolerance is the case's."""

import numpy as np
import pytest

from yieldkit.methods.charts import (
    between_failures_limits,
    chart_constants,
    cusum,
    dispersion,
    ewma,
    failure_scores,
    individuals,
    share_limits,
)


def close(found, known, name):
    """Whether a value, or each of several, agrees with the printed one."""
    printed = np.atleast_1d(np.asarray(known["expected"]["published"][name], float))
    within = known["tolerance"]["published_abs"]
    within = within[name] if isinstance(within, dict) else within
    return bool((np.abs(np.atleast_1d(found) - printed) <= np.asarray(within)).all())


def test_individuals_of_nist_6_3_2_2(published):
    # NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2 (recalled); divisor as printed there.
    known = published("nist_individuals_moving_range")
    found = individuals(known["inputs"]["x"], divisor=known["inputs"]["d2"])
    assert close(found.centre, known, "center")
    assert close(found.high, known, "ucl")
    assert close(found.low, known, "lcl")


def test_ewma_of_nist_6_3_2_4(published):
    # NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4.
    known = published("nist_ewma_chart")
    inputs = known["inputs"]
    found = ewma(inputs["x"], inputs["lam"], start=inputs["ewma0"])
    assert close(np.append(inputs["ewma0"], found), known, "ewma")


def test_shares_of_nist_6_3_3_2(published):
    # NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.3.2 (recalled): p chart of 30 samples.
    known = published("nist_p_chart_wafers")
    failed = np.rint(np.array(known["inputs"]["fraction_defective"]) * 50)
    found = share_limits(failed, np.full(30, 50))
    assert close(found.centre, known, "p_bar")
    assert close(found.high[0], known, "ucl")
    assert close(found.low[0], known, "lcl")
    assert close(np.flatnonzero(found.outside) + 1, known, "signals")


def test_rates_of_montgomery(published):
    # Montgomery, Introduction to Statistical Quality Control: u chart, unequal sizes (recalled).
    known = published("montgomery_u_chart_varying_size")
    found = share_limits(known["inputs"]["defects"], known["inputs"]["units"], kind="rate")
    assert close(found.centre, known, "u_bar")
    assert close(found.high, known, "ucl")
    assert close(found.low, known, "lcl")


def test_sums_of_montgomery(published):
    # Montgomery, Introduction to Statistical Quality Control: K = 0.5, H = 5 (recalled).
    known = published("montgomery_tabular_cusum_and_ewma")
    z = np.array(known["inputs"]["x"]) - known["inputs"]["target"]
    found = cusum(z, limit=5.0)
    assert close(np.argmax(found.up > 5) + 1, known, "first_cusum_signal")
    assert close(found.up[28], known, "c_plus_29")
    assert close(ewma(z, 0.1)[:3] + 10, known, "ewma_first3")
    more = known["expected"]["recomputed"]
    assert found.up == pytest.approx(more["c_plus"], abs=1e-9)
    assert found.down == pytest.approx(more["c_minus"], abs=1e-9)


@pytest.mark.parametrize(
    "name, field",
    [
        ("d2", "d2"),
        ("d3", "d3"),
        ("c4", "c4"),
        ("A2", "a2"),
        ("A3", "a3"),
        ("B3", "b3"),
        ("B4", "b4"),
        ("D3", "d3_low"),
        ("D4", "d4_high"),
    ],
)
def test_constants_of_mnl_7(published, name, field):
    # ASTM MNL 7 / Montgomery, factors for charts, groups of 2 to 25 (recalled).
    known = published("shewhart_chart_constants")
    found = [getattr(chart_constants(n), field) for n in known["inputs"]["n"]]
    assert close(found, known, name)


def test_scores_of_steiner_2000(published):
    # Steiner, Cook, Farewell and Treasure, Biostatistics 1, 441-452, 2000, page 446.
    known = published("steiner_risk_adjusted_cusum_scores")
    inputs = known["inputs"]
    logit = inputs["logit_intercept"] + inputs["slope"] * np.array(inputs["score"])
    chance = 1 / (1 + np.exp(-logit))
    worse = failure_scores(inputs["failure"], chance, 2.0)
    better = failure_scores(inputs["failure"], chance, 0.5)
    assert close(worse, known, "weights_or2")
    assert close(better, known, "weights_or_half")


def test_laneys_limits_of_mohammed_2013(published):
    # Mohammed, Panesar, Laney and Wilson, BMJ Qual. Saf. 22, 362-368, 2013: 20 weeks.
    known = published("nhs_emergency_laney_p_prime")
    seen, all_ = known["inputs"]["seen_within_4h"], known["inputs"]["attendances"]
    plain, wide = share_limits(seen, all_), share_limits(seen, all_, spread=True)
    more = known["expected"]["recomputed"]
    assert plain.outside.mean() > 0.5
    assert wide.outside.sum() == known["expected"]["published"]["p_prime_flags"]
    assert wide.spread == pytest.approx(more["sigma_z"], rel=1e-6)
    assert wide.high == pytest.approx(more["ucl_p_prime"], rel=1e-6)
    assert wide.low == pytest.approx(more["lcl_p_prime"], rel=1e-6)


@pytest.mark.parametrize("kind", ["binomial", "poisson"])
def test_dispersion_of_wetherill_and_brown(published, kind):
    # Wetherill and Brown, Statistical Process Control, 1991, pages 212-218 (recalled).
    known = published("wetherill_brown_overdispersion_tests")
    data = known["inputs"][kind]
    found = dispersion(data["x"], data.get("n"))
    printed = known["expected"]["published"][kind]
    within = known["tolerance"]["published_abs"][kind]
    assert found.ratio == pytest.approx(printed["ratio"], abs=within["ratio"])
    assert found.statistic == pytest.approx(printed["statistic"], abs=within["statistic"])
    assert found.chance == pytest.approx(known["expected"]["recomputed"][kind]["p"], rel=1e-6)


def test_between_failures_of_benneyan_2001(published):
    # Benneyan, Health Care Manag. Sci. 4, 305-318, 2001: mean of 50 good ones between failures.
    known = published("g_chart_limits_mean_50")
    found = between_failures_limits(50)
    assert close(found.high, known, "ucl")
    assert close(found.low, known, "lcl")
    assert found.centre == known["expected"]["recomputed"]["geometric_median"]
    chance = between_failures_limits(50, width=None)
    assert chance.high == known["expected"]["recomputed"]["probability_limit_upper_0p99865"]
