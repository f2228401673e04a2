"""Fits on counts per interval: groups, slopes, truncation, what the data cannot tell."""

import numpy as np
import pytest

from yieldkit.methods.binned import (
    Exponential,
    Gamma,
    Gumbel,
    Hypoexponential,
    Lognormal,
    Mixture,
    Normal,
    ShiftedExponential,
    SteadyOffset,
    Weibull,
    cannot_tell,
    count_intervals,
    fit,
    mean_interval,
    quantile_interval,
    share_over_interval,
)
from yieldkit.methods.binned.fitting import log_likelihood, score
from yieldkit.methods.binned.gamma_slope import slope_in_shape

SIMPLE = [Exponential(), Gamma(), Weibull(), Lognormal(), Normal(), Gumbel()]
ALL = [
    *SIMPLE,
    ShiftedExponential(),
    Hypoexponential(),
    SteadyOffset(),
    Mixture(),
    Mixture(Gamma()),
]


def named(family):
    return family.name


def rounded(values, step=0.01):
    """Intervals of a display that rounds to ``step``."""
    shown = np.round(values / step)
    return np.maximum((shown - 0.5) * step, 0), (shown + 0.5) * step


@pytest.fixture
def losses():
    """Three groups of rounded losses [dB] of known mean 0.03, 0.05 and 0.08."""
    rng = np.random.default_rng(901)
    of = np.repeat([0, 1, 2], [60, 300, 900])
    values = rng.gamma(1.5, np.array([0.02, 0.0333, 0.0533])[of])
    return (*rounded(values), of)


@pytest.mark.parametrize("family", SIMPLE, ids=named)
def test_groups_together_equal_groups_alone(losses, family):
    low, high, of = losses
    together = fit(count_intervals(low, high, group=of), family)
    for group in range(3):
        alone = fit(count_intervals(low[of == group], high[of == group]), family)
        assert together.w[group] == pytest.approx(alone.w[0], rel=1e-7, abs=1e-7)
        assert together.loglik[group] == pytest.approx(alone.loglik[0], abs=1e-8)


@pytest.mark.parametrize("cut", [np.inf, 0.4])
@pytest.mark.parametrize("family", ALL, ids=named)
def test_slopes_are_those_of_the_likelihood(losses, family, cut):
    low, high, of = losses
    keep = high < cut
    counts = count_intervals(low[keep], high[keep], group=of[keep], cut=cut, groups=3)
    w = family.starts(counts, np.array([0.03, 0.06, 0.08]), np.array([0.03, 0.04, 0.07]))[0]
    slope = score(family, w, counts)[1]
    for i in range(family.free):
        step = np.zeros(w.shape[1])
        step[i] = 1e-5
        rise = log_likelihood(family, w + step, counts) - log_likelihood(family, w - step, counts)
        assert slope[:, i] == pytest.approx(rise / 2e-5, rel=1e-5, abs=1e-5)


@pytest.mark.parametrize("family", ALL, ids=named)
def test_quantile_mean_and_density_agree_with_the_distribution(family):
    w = family.start(np.array([0.04]), np.array([0.03]))
    for share in (0.01, 0.5, 0.97, 0.9999):
        below, above, _ = family.tails(w, family.quantile(w, share))
        assert below[0] == pytest.approx(share, rel=1e-9)
        assert above[0] == pytest.approx(1 - share, rel=1e-9)
    many = 200_000 if family in SIMPLE else 5_000
    shares = (np.arange(many) + 0.5) / many
    values = family.quantile(np.repeat(w, len(shares), axis=0), shares)
    assert values.mean() == pytest.approx(family.mean(w)[0], rel=1e-3)
    at, step = np.array([0.05]), 1e-6
    rise = (family.tails(w, at + step)[0] - family.tails(w, at - step)[0]) / (2 * step)
    assert family.density(w, at)[0] == pytest.approx(rise[0], rel=1e-6)


def test_far_tail_keeps_its_digits():
    # exp(-1/0.02) is 2e-22: a difference of distribution functions would give 0
    counts = count_intervals([0.995], [1.005])
    found = log_likelihood(Exponential(), np.log([[0.02]]), counts)[0]
    assert found == pytest.approx(-0.995 / 0.02 + np.log(-np.expm1(-0.01 / 0.02)), rel=1e-12)


def test_exponential_without_rounding_is_the_mean():
    values = np.random.default_rng(5).exponential(0.03, 400)
    made = fit(count_intervals(values * (1 - 1e-6), values * (1 + 1e-6)), Exponential())
    assert made.mean()[0] == pytest.approx(values.mean(), rel=1e-6)
    assert made.covariance[0, 0, 0] == pytest.approx(1 / 400, rel=1e-4)


def test_truncating_display_read_as_rounding_is_half_a_step_low():
    # known truth 0.03 dB; a display that cuts off, taken at its own rule, gives it back
    values = np.random.default_rng(6).exponential(0.03, 200_000)
    shown = np.floor(values / 0.01) * 0.01
    as_cut_off = fit(count_intervals(shown, shown + 0.01), Exponential()).mean()[0]
    wrong = fit(count_intervals(np.maximum(shown - 0.005, 0), shown + 0.005), Exponential())
    assert as_cut_off == pytest.approx(0.03, rel=0.01)
    assert wrong.mean()[0] < 0.0265


def test_beyond_the_ceiling_counts_as_beyond():
    values = np.random.default_rng(7).exponential(0.5, 4000)
    over = values >= 1.0
    low = np.where(over, 1.0, np.floor(values / 0.01) * 0.01)
    high = np.where(over, np.inf, low + 0.01)
    made = fit(count_intervals(low, high), Exponential())
    assert made.mean()[0] == pytest.approx(0.5, rel=4 / np.sqrt(4000))


def test_all_zeros_give_no_fit_and_a_reason():
    counts = count_intervals([0.0], [0.005], count=[200])
    made = fit(counts, Exponential())
    assert not made.known[0] and np.isnan(made.mean()[0])
    assert cannot_tell(counts) == [("one interval", "half hidden")]
    assert np.isnan(mean_interval(made).high[0])


def test_reasons_name_few_values_and_few_intervals():
    counts = count_intervals(
        [0.005, 0.015, 0.005, 0.015, 0.025], [0.015, 0.025, 0.015, 0.025, 0.035],
        group=[0, 0, 1, 1, 1], count=[9, 9, 300, 300, 300], groups=3,
    )  # fmt: skip
    assert cannot_tell(counts) == [
        ("few intervals", "few values"),
        ("few intervals",),
        ("nothing",),
    ]


def test_negative_readings_are_left_to_families_that_know_them():
    low = np.array([-0.035, -0.005, 0.005, 0.015, 0.025, 0.045])
    counts = count_intervals(low, low + 0.01, count=[2, 5, 9, 6, 4, 1])
    assert not fit(counts, Gamma()).known[0]
    made = fit(counts, Normal())
    assert made.known[0]
    middle = (-0.03 * 2 + 0.01 * 9 + 0.02 * 6 + 0.03 * 4 + 0.05) / 27
    assert made.mean()[0] == pytest.approx(middle, abs=1e-4)


def test_intervals_hold_the_estimate_and_widen_with_confidence(losses):
    low, high, of = losses
    made = fit(count_intervals(low, high, group=of), Gamma())
    narrow, wide = (quantile_interval(made, 0.99, c) for c in (0.9, 0.99))
    assert (wide.low < narrow.low).all() and (narrow.high < wide.high).all()
    assert (narrow.low < narrow.value).all() and (narrow.value < narrow.high).all()
    share = share_over_interval(made, 0.1)
    assert ((share.low > 0) & (share.low < share.value) & (share.value < share.high)).all()
    assert wide.by_likelihood.all() and share.by_likelihood.all()


def test_an_end_of_the_interval_lies_the_stated_drop_below_the_maximum(losses):
    low, high, of = losses
    counts = count_intervals(low[of == 0], high[of == 0])
    made = fit(counts, Exponential())
    found = mean_interval(made, 0.95)
    for end in (found.low, found.high):
        drop = made.loglik[0] - log_likelihood(Exponential(), np.log(end)[:, None], counts)[0]
        assert drop == pytest.approx(3.841458820694124 / 2, abs=1e-6)


def test_bad_intervals_are_refused():
    with pytest.raises(ValueError, match="empty"):
        count_intervals([0.02], [0.02])
    with pytest.raises(ValueError, match="no end"):
        count_intervals([np.nan], [0.02])
    with pytest.raises(ValueError, match="beyond which none"):
        count_intervals([0.2], [0.21], cut=[0.1])
    with pytest.raises(ValueError, match="negative"):
        count_intervals([0.2], [0.21], count=[-1])


def test_equal_intervals_are_counted_once():
    counts = count_intervals([0.0, 0.0, 1.0, 1.0], [0.1, 0.1, np.inf, np.inf])
    assert counts.count.tolist() == [2, 2]
    assert counts.only([0, 0]).n.tolist() == [4, 4]


# mpmath 1.3, 150 digits: difference of gammainc(a, 0, y, regularized=True) at a +- 1e-20.
GAMMA_SLOPES = [
    (0.3, 0.01, -1.24035812538676),
    (0.7, 4.0, -0.0245665256822947),
    (1.2, 0.5, -0.408237634601611),
    (1.5, 3.0, -0.150589444351084),
    (1.5, 12.0, -6.316016014424e-5),
    (2.5, 30.0, -3.3204679676861e-11),
    (8.0, 2.0, -0.00161941464163992),
    (40.0, 38.0, -0.0615756546621014),
    (40.0, 75.0, -2.38165943589631e-6),
    (300.0, 330.0, -0.00537749975245925),
]


@pytest.mark.parametrize("shape, y, slope", GAMMA_SLOPES)
def test_slope_of_the_gamma_in_its_shape(shape, y, slope):
    found = slope_in_shape(np.array([shape]), np.array([y]))[0]
    assert found == pytest.approx(slope, rel=2e-12)


def test_slope_of_the_gamma_goes_over_smoothly_at_a_large_shape():
    shape = np.array([1000.0, 1000.0 + 1e-9])
    for y in (900.0, 1000.0, 1100.0):
        below, above = slope_in_shape(shape, np.full(2, y))
        assert below == pytest.approx(above, rel=1e-5)
