"""CUSUM run lengths against printed tables."""

import pytest

from yieldkit.methods.runlength import cusum_mean_run_length


def test_brook_and_evans_1972(published):
    # Brook and Evans, Biometrika 59, 539-549, 1972, section 4.3: one-sided, k = 0.5, h = 3.
    # The original extrapolates from few states; the case's tolerance allows for that.
    known = published("brook_evans_one_sided_cusum_arl")
    inputs = known["inputs"]
    for shift, printed, within in zip(
        inputs["shift"],
        known["expected"]["published"]["arl"],
        known["tolerance"]["published_abs"]["arl"],
        strict=True,
    ):
        found = cusum_mean_run_length(inputs["h"], reference=inputs["k"], shift=shift)
        assert found == pytest.approx(printed, abs=within)


@pytest.mark.parametrize("name, shift", [("arl0", 0.0), ("arl_shift1", 1.0)])
def test_nist_6_3_2_3_1(published, name, shift):
    # NIST/SEMATECH e-Handbook, 6.3.2.3.1: one-sided, k = 0.5, h = 4 and 5.
    known = published("nist_cusum_arl_one_sided_vs_two_sided")
    for limit, printed, within in zip(
        known["inputs"]["h"],
        known["expected"]["published"][name],
        known["tolerance"]["published_abs"][name],
        strict=True,
    ):
        assert cusum_mean_run_length(limit, shift=shift) == pytest.approx(printed, abs=within)
