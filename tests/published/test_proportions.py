"""Intervals and sizes for proportions against printed figures."""

from pytest import approx

from yieldkit.methods.proportions import difference, proportion


def near(case, key):
    return {"abs": case["tolerance"]["published_abs"][key]}


def test_newcombe_1998_table_1(published):
    """Newcombe, Stat. Med. 17:857-872, 1998, Table I (printed figures from memory)."""
    for name in ("newcombe_81_of_263", "newcombe_15_of_148"):
        case = published(name)
        given, printed = case["inputs"], case["expected"]["published"]
        for key, method in (("wilson", "wilson"), ("clopper_pearson", "clopper-pearson")):
            if key in printed:
                found = proportion([given["x"]], [given["n"]], method=method)
                assert [found.low[0], found.high[0]] == approx(printed[key], **near(case, key))


def test_nist_7241(published):
    """NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.4.1."""
    case = published("nist_proportion_intervals_7241")
    printed = case["expected"]["published"]
    given = case["inputs"]["exact_two_sided"]
    exact = proportion(
        [given["defects"]], [given["n"]], confidence=given["level"], method="clopper-pearson"
    )
    assert exact.low[0] == approx(printed["exact_lower"], **near(case, "exact_lower"))
    assert exact.high[0] == approx(printed["exact_upper"], **near(case, "exact_upper"))
    # A one-sided 95 % bound is the lower end of the two-sided 90 % interval.
    wilson = proportion([26], [200], confidence=0.9)
    assert wilson.low[0] == approx(printed["wilson_one_sided_lower"], abs=1e-5)


def test_fagerland_2015(published):
    """Fagerland, Lydersen and Laake, Stat. Methods Med. Res. 24, 2015: 7/34 against 1/34."""
    case = published("fagerland_difference_7_34_vs_1_34")
    given, printed = case["inputs"], case["expected"]["published"]["newcombe"]
    found = difference((given["x1"], given["x2"]), (given["n1"], given["n2"]))
    low, high = case["tolerance"]["published_abs"]["newcombe"]
    assert float(found.low) == approx(printed[0], abs=low)
    assert float(found.high) == approx(printed[1], abs=high)
    recomputed = case["expected"]["recomputed"]["newcombe"]
    assert [float(found.low), float(found.high)] == approx(recomputed, rel=1e-4)
