"""Standard deviations integrated out: against dense numerical integration, and at its limits."""

import numpy as np
import pytest
from pytest import approx
from scipy.special import expit, ndtri

from yieldkit.methods.crossed import Counts, Intervals, Mixture, factors, integrate

PASSED = np.array([38, 52, 45, 19])
FAILED = np.array([2, 8, 0, 3])


def posterior_of(passed, failed, **options):
    labels = {"crew": np.zeros(len(passed)), "technician": np.arange(len(passed))}
    settings = {"prior": {"technician": 0.5}, "held": {"crew": 2.0}, "centre": 3.0} | options
    return integrate(Counts(passed, failed), factors(labels), **settings)


def dense(passed, failed, scale=0.5):
    """Posterior means and standard deviations of the effects by sums over a fine grid."""
    levels = np.linspace(-3.0, 4.0, 141) + 3.0
    units = np.linspace(-6.0, 6.0, 121)
    moments = np.zeros((3, len(passed)))
    for sd in np.linspace(0.01, 3.2, 160):
        effects = sd * units
        eta = levels[:, None] + effects
        each = [
            expit(eta) ** made * expit(-eta) ** lost * np.exp(-0.5 * units**2)
            for made, lost in zip(passed, failed, strict=True)
        ]
        total = np.array([one.sum(axis=1) for one in each])
        whole = np.exp(-0.5 * ((levels - 3) / 2) ** 2 - 0.5 * (sd / scale) ** 2)
        whole = whole * total.prod(axis=0)
        for power in range(3):
            part = np.array([(one * effects**power).sum(axis=1) for one in each]) / total
            moments[power] += (whole * part).sum(axis=1)
    mean = moments[1] / moments[0]
    return mean, np.sqrt(moments[2] / moments[0] - mean**2)


@pytest.mark.parametrize(
    "passed, failed",
    [
        (PASSED, FAILED),
        (np.array([97, 95, 90, 99, 98, 96]), np.array([3, 5, 10, 1, 2, 4])),
        (np.array([297, 290, 280, 299, 294]), np.array([3, 10, 20, 1, 6])),
    ],
)
def test_effects_agree_with_dense_integration(passed, failed):
    """Means within 0.02 standard deviations and these within 2 % of the exact ones."""
    found = posterior_of(passed, failed)
    mean, spread = dense(passed, failed)
    functionals = np.eye(found.factors.q)[:, found.block("technician")]
    mixture = found.linear(functionals)
    assert (mixture.mean() - mean) / spread == approx(np.zeros(len(mean)), abs=0.02)
    assert mixture.sd() == approx(spread, rel=0.02)


def test_no_failure_at_all_gives_finite_answers():
    found = posterior_of(np.array([20, 30, 5]), np.zeros(3))
    contrast = found.contrasts("technician")
    low, high = contrast.interval()
    assert np.isfinite(low).all() and np.isfinite(high).all()
    assert (low < 0).all() and (high > 0).all()


def test_draws_have_the_mixture_moments():
    found = posterior_of(PASSED, FAILED)
    effects, sds = found.draws(np.random.default_rng(4), 40_000)
    rows = found.block("technician")
    mixture = found.linear(np.eye(found.factors.q)[:, rows])
    assert effects[:, rows].mean(axis=0) == approx(mixture.mean(), abs=0.02)
    assert effects[:, rows].std(axis=0) == approx(mixture.sd(), rel=0.03)
    mean_sd = found.weight @ found.sds()
    assert sds[:, :-1].mean(axis=0) == approx(mean_sd, rel=0.03)


def test_known_spreads_need_no_nodes():
    found = posterior_of(PASSED, FAILED, prior={}, held={"crew": 2.0, "technician": 0.4})
    assert len(found.nodes) == 1
    assert found.efficiency == 1.0


def test_a_smooth_quantity_is_linearised_at_each_node():
    found = posterior_of(PASSED, FAILED)
    row = found.block("technician").start

    def twice(node):
        slope = np.zeros((len(node.effects), 1))
        slope[row] = 2.0
        return 2 * node.effects[[row]], slope

    direct = found.linear(np.eye(found.factors.q)[:, [row]])
    assert found.smooth(twice).mean() == approx(2 * direct.mean())
    assert found.smooth(twice).sd() == approx(2 * direct.sd())


def test_every_factor_wants_a_prior_or_a_known_spread():
    with pytest.raises(ValueError, match="either a prior or a known spread"):
        posterior_of(PASSED, FAILED, held={})


def test_quantiles_of_a_mixture_of_one_are_normal():
    """Normal quantile 1.959964 (any table)."""
    one = Mixture(np.ones(1), np.array([[1.0]]), np.array([[2.0]]))
    low, high = one.interval(0.95)
    assert (low[0], high[0]) == approx((1 - 3.919928, 1 + 3.919928), abs=1e-5)
    assert one.below(1.0)[0] == approx(0.5)


def test_a_node_almost_without_spread_does_not_upset_a_quantile():
    found = Mixture(
        np.array([0.5, 0.5]), np.array([[0.0], [0.0]]), np.array([[1e-200], [1.0]])
    ).quantile(0.975)
    assert found == approx(ndtri(0.95), rel=1e-9)  # half the mass at 0, half standard normal


def test_an_unknown_scale_is_integrated_out_too():
    """One factor, its prior in units of the scale: sums over a grid of both, the rest exact.

    With 1,000 points; the usual 96 leave an error of 3 % in these standard deviations.
    """
    rng = np.random.default_rng(8)
    unit = np.repeat(np.arange(4), 6)
    y = 0.5 * rng.standard_normal(4)[unit] + 0.8 * rng.standard_normal(24)
    of = factors({"crew": np.zeros(24), "unit": unit})
    found = integrate(
        Intervals(y - 5e-4, y + 5e-4),
        of,
        prior={"unit": 0.5},
        held={"crew": 2.0},
        centre=0.0,
        log_scale=np.log(0.8),
        log_scale_sd=1.0,
        points=1000,
    )
    levels = np.eye(4)[unit]
    log_scales = np.log(0.8) + np.linspace(-0.9, 0.9, 121)
    total, moments = 0.0, np.zeros((2, 5))
    for sd in np.arange(0.015, 2.5, 0.03):
        between = 4.0 + sd**2 * levels @ levels.T
        value, vector = np.linalg.eigh(between)
        turned, own = vector.T @ y, sd**2 * levels.T @ vector
        for log_scale in log_scales:
            noisy = value + np.exp(2 * log_scale)
            height = -0.5 * (np.log(noisy) + turned**2 / noisy).sum()
            unit = 0.5 * np.exp(log_scale)
            height -= 0.5 * (sd / unit) ** 2 + np.log(unit)
            height -= 0.5 * (log_scale - np.log(0.8)) ** 2
            mean = own @ (turned / noisy)
            spread = sd**2 - np.einsum("ij,j,ij->i", own, 1 / noisy, own)
            each = np.append(mean, log_scale)
            weight = np.exp(height)
            total += weight
            moments += weight * np.array([each, each**2 + np.append(spread, 0.0)])
    mean = moments[0] / total
    sd = np.sqrt(moments[1] / total - mean**2)
    mixture = found.linear(np.eye(of.q)[:, found.block("unit")])
    assert (mixture.mean() - mean[:-1]) / sd[:-1] == approx(np.zeros(4), abs=0.01)
    assert mixture.sd() == approx(sd[:-1], rel=0.01)
    _, sds = found.draws(np.random.default_rng(9), 40_000)
    assert np.log(sds[:, -1]).mean() == approx(mean[-1], abs=0.03 * sd[-1] + 0.003)
    assert np.log(sds[:, -1]).std() == approx(sd[-1], rel=0.04)
