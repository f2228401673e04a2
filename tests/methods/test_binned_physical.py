"""Families that physics suggests, mixtures, goodness of fit, held-out comparison."""

import numpy as np
import pytest
from scipy import stats

from yieldkit.methods.binned import (
    Exponential,
    Gamma,
    Hypoexponential,
    Lognormal,
    Mixture,
    ShiftedExponential,
    SteadyOffset,
    Weibull,
    count_intervals,
    fit,
    held_out,
    mean_interval,
    redraw,
)


def rounded(values, step=0.01):
    shown = np.round(values / step)
    return np.maximum((shown - 0.5) * step, 0), (shown + 0.5) * step


def test_steady_offset_matches_scipys_noncentral_chi_square():
    w = np.array([[np.log(0.02), np.log(1.7)]])
    x = np.array([0.001, 0.02, 0.1, 0.3])
    below, above, _ = SteadyOffset().tails(np.repeat(w, 4, axis=0), x)
    law = stats.ncx2(2, 3.4, scale=0.01)
    assert below == pytest.approx(law.cdf(x), rel=1e-9)
    assert above == pytest.approx(law.sf(x), rel=1e-9)
    assert SteadyOffset().density(np.repeat(w, 4, axis=0), x) == pytest.approx(law.pdf(x), rel=1e-9)


def test_hypoexponential_of_equal_parts_is_a_gamma_of_shape_two():
    w, x = np.array([[np.log(0.04), 40.0]]), np.array([0.001, 0.03, 0.2])
    below, above, _ = Hypoexponential().tails(np.repeat(w, 3, axis=0), x)
    law = stats.gamma(2, scale=0.02)
    assert below == pytest.approx(law.cdf(x), rel=1e-9)
    assert above == pytest.approx(law.sf(x), rel=1e-9)


DRAWS = {
    "shifted exponential": (lambda rng, n: 0.03 + rng.exponential(0.04, n), (0.03, 0.04)),
    "hypoexponential": (
        lambda rng, n: rng.exponential(0.06, n) + rng.exponential(0.015, n),
        (0.06, 0.015),
    ),
    "steady offset": (
        lambda rng, n: 0.02 * rng.noncentral_chisquare(2, 3.0, n) / 2,
        (0.02, 0.03),
    ),
    "two exponential parts": (
        lambda rng, n: rng.exponential(np.where(rng.random(n) < 0.1, 0.25, 0.03)),
        (0.03, 0.25, 0.1),
    ),
}


@pytest.mark.parametrize(
    "family", [ShiftedExponential(), Hypoexponential(), SteadyOffset(), Mixture()],
    ids=lambda family: family.name,
)  # fmt: skip
def test_known_truth_comes_back(family):
    draw, truth = DRAWS[family.name]
    values = draw(np.random.default_rng(31), 40_000)
    made = fit(count_intervals(*rounded(values)), family)
    assert made.known[0]
    found = [value[0] for value in made.parameters.values()]
    assert found == pytest.approx(truth, rel=0.06)
    assert made.mean()[0] == pytest.approx(values.mean(), rel=0.01)


def test_offset_lowers_the_coefficient_of_variation_as_derived():
    # derived: offset 0.3 / 0.5 / 0.8 um with errors of 0.25 um gives CV 0.908 / 0.745 / 0.548
    half = np.array([0.3, 0.5, 0.8]) ** 2 / (2 * 0.25**2)
    assert np.sqrt(1 + 2 * half) / (1 + half) == pytest.approx([0.908, 0.745, 0.548], abs=5e-4)
    for h in half:
        w = np.array([[np.log(0.02), np.log(h)]])
        shares = (np.arange(5_000) + 0.5) / 5_000
        values = SteadyOffset().quantile(np.repeat(w, len(shares), axis=0), shares)
        cv = np.sqrt(1 + 2 * h) / (1 + h)
        assert values.std() / values.mean() == pytest.approx(cv, rel=0.01)


def test_goodness_of_fit_speaks_against_the_wrong_family_only():
    rng = np.random.default_rng(77)
    values = rng.gamma(2.5, 0.02, 1500)
    counts = count_intervals(*rounded(values))
    right = redraw(fit(counts, Gamma()), np.random.default_rng(1), times=150).goodness()
    wrong = redraw(fit(counts, Exponential()), np.random.default_rng(1), times=150).goodness()
    assert right[0] > 0.05
    assert wrong[0] < 0.02


def test_goodness_of_fit_is_uniform_where_the_family_is_right():
    # 120 samples of 80 rounded exponential losses at once; the 10 % level should catch 10 %
    rng = np.random.default_rng(5)
    values = rng.exponential(0.03, (120, 80))
    counts = count_intervals(*rounded(values.ravel()), group=np.repeat(np.arange(120), 80))
    found = redraw(fit(counts, Exponential()), rng, times=99).goodness()
    assert stats.kstest(found, "uniform").pvalue > 0.01
    assert (found <= 0.1).mean() == pytest.approx(0.1, abs=3 * np.sqrt(0.09 / 120))


def test_bootstrap_interval_of_a_mixture_holds_the_truth():
    draw, truth = DRAWS["two exponential parts"]
    counts = count_intervals(*rounded(draw(np.random.default_rng(3), 3000)))
    made = fit(counts, Mixture())
    again = redraw(made, np.random.default_rng(4), times=60)
    found = again.interval(lambda w: made.family.quantile(w, 0.99), 0.99)
    rng = np.random.default_rng(9)
    assert found.low[0] < np.quantile(draw(rng, 10**6), 0.99) < found.high[0]
    assert not found.by_likelihood[0]


def test_bootstrap_agrees_with_the_likelihood_where_both_hold():
    counts = count_intervals(*rounded(np.random.default_rng(3).exponential(0.04, 400)))
    made = fit(counts, Exponential())
    found = redraw(made, np.random.default_rng(4), times=1500).interval(made.family.mean)
    spread = 1.96 * np.sqrt(made.covariance[0, 0, 0])
    assert np.log(found.high[0] / found.low[0]) == pytest.approx(2 * spread, rel=0.1)


def test_held_out_likelihood_prefers_the_family_that_made_the_losses():
    values = np.random.default_rng(21).lognormal(-3.3, 0.7, 3000)
    counts = count_intervals(*rounded(values))
    score = held_out(
        counts, (Exponential(), Gamma(), Weibull(), Lognormal()), np.random.default_rng(2)
    )
    assert score.shape == (4, 1)
    assert int(np.argmax(score[:, 0])) == 3


def test_likelihood_intervals_are_refused_where_chi_square_does_not_hold():
    counts = count_intervals(*rounded(np.random.default_rng(3).exponential(0.04, 400)))
    with pytest.raises(ValueError, match="redraw"):
        mean_interval(fit(counts, SteadyOffset()))
