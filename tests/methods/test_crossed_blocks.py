"""The largest factor set apart: the same numbers as dense algebra on indicator columns."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from yieldkit.methods.crossed import factors, fit_gaussian
from yieldkit.methods.crossed.blocks import PairSums, count_pairs, with_fixed, without_fixed

RNG = np.random.default_rng(7)
SIZES = {"person": 3, "job": 11, "lot": 4}


@pytest.fixture(params=[("person", "job", "lot"), ("job",), ("lot", "person"), ("job", "lot")])
def layout(request):
    of = factors({name: RNG.integers(0, SIZES[name], 90) for name in request.param})
    z = np.zeros((90, of.q))
    for code in of.codes:
        z[np.arange(90), code] = 1.0
    return of, z, RNG.uniform(0.1, 2.0, 90)


def test_sums_over_pairs_are_weighted_cross_products(layout):
    of, z, weight = layout
    assert_allclose(PairSums(of)(weight).dense(), z.T @ (weight[:, None] * z))
    assert_allclose(count_pairs(of).dense(), z.T @ z)


def test_root_solves_and_inverts_as_dense_algebra_does(layout):
    of, z, weight = layout
    scale = RNG.uniform(0.2, 1.0, of.q)
    dense = (z * scale).T @ (weight[:, None] * z * scale) + np.eye(of.q)
    root = PairSums(of)(weight).root_plus(scale)
    right = RNG.normal(size=(of.q, 3))
    assert root.log_det() == pytest.approx(np.linalg.slogdet(dense)[1])
    assert_allclose(root.solve(right), np.linalg.solve(dense, right))
    assert_allclose(root.solve(right[:, 0]), np.linalg.solve(dense, right[:, 0]))
    lower = root.forward(np.eye(of.q))
    assert_allclose(lower.T @ lower, np.linalg.inv(dense))
    assert_allclose(root.inverse().diagonal(), np.diag(np.linalg.inv(dense)))


def test_leverages_and_row_dots_need_no_full_block(layout):
    of, z, weight = layout
    pairs = PairSums(of)(weight)
    dense = pairs.dense() + np.eye(of.q)
    inverse = pairs.root_plus(np.ones(of.q)).inverse()
    known = np.linalg.inv(dense)
    assert_allclose(PairSums(of).leverages(inverse), ((z @ known) * z).sum(axis=1))
    scale = RNG.uniform(0.2, 1.0, of.q)
    assert_allclose(
        inverse.row_dots(pairs, scale), ((known * pairs.dense()) @ np.diag(scale)).sum(axis=1)
    )
    vector = RNG.normal(size=of.q)
    assert_allclose(pairs.dot(vector), pairs.dense() @ vector)


def test_fixed_effects_stand_before_the_levels(layout):
    of, z, weight = layout
    x = np.column_stack([np.ones(90), RNG.normal(size=90)])
    both = np.column_stack([x, z])
    pairs = PairSums(of)(weight)
    levels = z.T @ (weight[:, None] * x)
    made = with_fixed(pairs, levels, x, weight)
    assert_allclose(made.dense(), both.T @ (weight[:, None] * both))
    assert_allclose(without_fixed(made, 2).dense(), pairs.dense())


def test_a_factor_of_thousands_of_levels_agrees_with_a_plain_one_way_formula():
    """Balanced one-way layout: the restricted estimate is the analysis of variance's
    (S. R. Searle, G. Casella and C. E. McCulloch, Variance Components, 1992, section 4.4)."""
    rng = np.random.default_rng(5)
    levels, each = 8000, 4
    job = np.repeat(np.arange(levels), each)
    y = 0.3 * rng.normal(size=levels)[job] + rng.normal(size=len(job))
    fit = fit_gaussian(y, np.ones((len(y), 1)), factors({"job": job}))
    table = y.reshape(levels, each)
    within = table.var(axis=1, ddof=1).mean()
    between = each * table.mean(axis=1).var(ddof=1)
    assert fit.residual_sd**2 == pytest.approx(within, rel=1e-6)
    assert fit.sd[0] ** 2 == pytest.approx((between - within) / each, rel=1e-5)


@pytest.mark.parametrize(
    "given, levels, codes",
    [
        ([7, 3, 7, 5], ("3", "5", "7"), [2, 0, 2, 1]),
        ([-2, 4, -2, 0], ("-2", "0", "4"), [0, 2, 0, 1]),
        ([10**12, 5, 5, 10**12], ("5", str(10**12)), [1, 0, 0, 1]),
        ([0, 1, 2, 1], ("0", "1", "2"), [0, 1, 2, 1]),
    ],
)
def test_whole_numbers_are_levels_in_their_order(given, levels, codes):
    of = factors({"first": np.array([1, 1, 2, 2]), "unit": np.array(given)})
    assert of.levels[1] == levels
    assert (of.codes[1] - of.start[1]).tolist() == codes
