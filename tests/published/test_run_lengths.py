"""Run lengths against printed tables; the tolerance is the case's."""

import pytest

from yieldkit.methods.runlength import cusum_limit, cusum_mean_run_length, ewma_mean_run_length
from yieldkit.methods.runlength.normal import cusum_ramp_mean_run_length
from yieldkit.methods.runlength.rules import RULES, RunRule, rules_mean_run_length

ONE = RunRule(1, 1, 3.0)


def listed(known, name):
    """Printed values with their tolerances."""
    values = known["expected"]["published"][name]
    within = known["tolerance"]["published_abs"]
    within = within[name] if isinstance(within, dict) else within
    if not isinstance(within, list):
        within = [within] * len(values)
    return list(zip(values, within, strict=True))


def test_brook_and_evans_1972(published):
    # Brook and Evans, Biometrika 59, 539-549, 1972, section 4.3: one-sided, k = 0.5, h = 3.
    # The original extrapolates from few states; the case's tolerance allows for that.
    known = published("brook_evans_one_sided_cusum_arl")
    inputs = known["inputs"]
    for shift, (printed, within) in zip(inputs["shift"], listed(known, "arl"), strict=True):
        found = cusum_mean_run_length(inputs["h"], reference=inputs["k"], shift=shift)
        assert found == pytest.approx(printed, abs=within)


@pytest.mark.parametrize("name, shift", [("arl0", 0.0), ("arl_shift1", 1.0)])
def test_nist_6_3_2_3_1(published, name, shift):
    # NIST/SEMATECH e-Handbook, 6.3.2.3.1: one-sided, k = 0.5, h = 4 and 5.
    known = published("nist_cusum_arl_one_sided_vs_two_sided")
    for limit, (printed, within) in zip(known["inputs"]["h"], listed(known, name), strict=True):
        assert cusum_mean_run_length(limit, shift=shift) == pytest.approx(printed, abs=within)


@pytest.mark.parametrize("name, head_start", [("arl", 0.0), ("arl_fir", 2.0)])
def test_lucas_and_crosier_1982(published, name, head_start):
    # Lucas and Crosier, Technometrics 24, 199-205, 1982, Table 1: two-sided, k = 0.5, h = 4.
    known = published("lucas_crosier_cusum_fir_arl")
    for shift, (printed, within) in zip(known["inputs"]["shift"], listed(known, name), strict=True):
        found = cusum_mean_run_length(4.0, shift=shift, head_start=head_start, sides="two")
        assert found == pytest.approx(printed, abs=within)


def test_montgomery_2009_h5(published):
    # Montgomery, Introduction to Statistical Quality Control, 2009: two-sided, k = 0.5, h = 5.
    known = published("montgomery_cusum_arl_h5")
    for shift, (printed, within) in zip(
        known["inputs"]["shift"], listed(known, "arl"), strict=True
    ):
        found = cusum_mean_run_length(5.0, shift=shift, sides="two")
        assert found == pytest.approx(printed, abs=within)


def test_vance_1986(published):
    # Vance, J. Qual. Technol. 18, 188-193, 1986, Table 1: one-sided, k = 0, h = 10.
    known = published("vance_one_sided_cusum_k0_arl")
    for shift, (printed, within) in zip(
        known["inputs"]["shift"], listed(known, "arl"), strict=True
    ):
        found = cusum_mean_run_length(10.0, reference=0.0, shift=shift)
        assert found == pytest.approx(printed, abs=within)


def test_hawkins_1993(published):
    # Hawkins, Quality Engineering 5, 463-477, 1993 (recalled): h for a two-sided length of 370.
    known = published("hawkins_cusum_h_for_arl370")
    for reference, (printed, within) in zip(known["inputs"]["k"], listed(known, "h"), strict=True):
        found = cusum_limit(370, reference=reference, sides="two")
        assert found == pytest.approx(printed, abs=within)


@pytest.mark.parametrize("name, weight", [("arl_050", 0.5), ("arl_005", 0.05)])
def test_crowder_1987(published, name, weight):
    # Crowder, Technometrics 29, 401-407, 1987, Table 1: L = 2. One printed value (lambda 0.5,
    # shift 1.25: 3.95) is a misprint of 3.59; the case's tolerance allows for it.
    known = published("crowder_ewma_arl")
    for shift, (printed, within) in zip(known["inputs"]["shift"], listed(known, name), strict=True):
        found = ewma_mean_run_length(2.0, weight=weight, shift=shift)
        assert found == pytest.approx(printed, abs=within)


def test_lucas_and_saccucci_1990(published):
    # Lucas and Saccucci, Technometrics 32, 1-12, 1990, as reprinted in Montgomery, 2009.
    known = published("montgomery_ewma_arl_table")
    inputs, within = known["inputs"], known["tolerance"]["published_abs"]["arl"]
    for row, (weight, limit) in enumerate(zip(inputs["lam"], inputs["L"], strict=True)):
        for column, shift in enumerate(inputs["shift"]):
            found = ewma_mean_run_length(limit, weight=weight, shift=shift)
            printed = known["expected"]["published"]["arl"][row][column]
            assert found == pytest.approx(printed, abs=within[row][column])


@pytest.mark.parametrize(
    "name, rules",
    [
        ("rules_1", [ONE]),
        ("rules_12", [ONE, RunRule(2, 3, 2.0)]),
        ("rules_13", [ONE, RunRule(4, 5, 1.0)]),
        ("rules_14", [ONE, RunRule(8, 8, 0.0)]),
    ],
)
def test_champ_and_woodall_1987(published, name, rules):
    # Champ and Woodall, Technometrics 29, 393-399, 1987, Table 1.
    known = published("champ_woodall_runs_rules_single")
    for shift, (printed, within) in zip(known["inputs"]["shift"], listed(known, name), strict=True):
        found = rules_mean_run_length(rules, shift=shift)
        assert found == pytest.approx(printed, abs=within)


def test_all_four_rules_cost_three_quarters_of_the_run_length():
    # Champ and Woodall, Technometrics 29, 1987, Table 1: 91.75 with all four rules (from memory).
    assert rules_mean_run_length(list(RULES.values())) == pytest.approx(91.75, abs=0.005)


def test_gan_1992(published):
    # Gan, The Statistician 41, 71-84, 1992, Table 1: k = 0.25, h = 8, the mean rises steadily.
    known = published("gan_cusum_linear_drift_arl")
    for rise, (printed, within) in zip(
        known["inputs"]["drift_per_sample"], listed(known, "arl"), strict=True
    ):
        found = cusum_ramp_mean_run_length(8.0, rise, reference=0.25)
        assert found == pytest.approx(printed, abs=within)


@pytest.mark.parametrize("place, name", [(0, "arl_k025"), (1, "arl_k050"), (2, "arl_k075")])
def test_zou_liu_and_wang_2009(published, place, name):
    # Zou, Liu and Wang, Metrika 70, 2009, Table 1: the mean rises from the first point on.
    known = published("zou_cusum_linear_drift_arl")
    inputs = known["inputs"]
    for rise, (printed, within) in zip(
        inputs["drift_per_sample"], listed(known, name), strict=True
    ):
        found = cusum_ramp_mean_run_length(
            inputs["h"][place], rise, reference=inputs["k"][place], first=rise
        )
        assert found == pytest.approx(printed, abs=within)
