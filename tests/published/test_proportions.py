"""Binomial intervals against printed figures."""

import pytest

from yieldkit.methods.proportions import difference, proportion

PRINTED = {"wilson": "wilson", "clopper_pearson": "clopper-pearson", "wald": "wald"}


# Newcombe, Stat. Med. 17, 857-872, 1998, Table I (figures recalled, from memory).
@pytest.mark.parametrize("case, passed, tried", [("81_of_263", 81, 263), ("15_of_148", 15, 148)])
def test_newcombe_1998(published, case, passed, tried):
    known = published(f"newcombe_{case}")
    for name, ends in known["expected"]["published"].items():
        found = proportion([passed], [tried], method=PRINTED[name])
        within = known["tolerance"]["published_abs"][name]
        assert [found.low[0], found.high[0]] == pytest.approx(ends, abs=within)


def test_fagerland_2015_difference(published):
    # Fagerland, Lydersen and Laake, Stat. Methods Med. Res. 24, 2015: 7 of 34 against 1 of 34.
    known = published("fagerland_difference_7_34_vs_1_34")
    found = difference((7, 1), (34, 34))
    low, high = known["expected"]["recomputed"]["newcombe"]
    assert float(found.low) == pytest.approx(low, rel=1e-4)
    assert float(found.high) == pytest.approx(high, rel=1e-4)


def test_nist_7_2_4_1_exact_interval(published):
    # NIST/SEMATECH e-Handbook, 7.2.4.1: 4 of 20, 90 %.
    known = published("nist_proportion_intervals_7241")
    found = proportion([4], [20], confidence=0.90, method="clopper-pearson")
    within = known["tolerance"]["published_abs"]
    assert found.low[0] == pytest.approx(
        known["expected"]["published"]["exact_lower"], abs=within["exact_lower"]
    )
    assert found.high[0] == pytest.approx(
        known["expected"]["published"]["exact_upper"], abs=within["exact_upper"]
    )
