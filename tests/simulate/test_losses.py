"""Families of losses against their derivation and their own tails."""

import numpy as np
import pytest
from scipy import integrate, stats

from yieldkit.optics.splice_loss import mean_offset_loss_db, offset_loss_db
from yieldkit.simulate import SplicerPlan
from yieldkit.simulate.losses import draw, pass_both, survival
from yieldkit.simulate.machines import shown_loss

FAMILIES = [
    ("exponential", 1.0, 0.0),
    ("exponential", 1.0, 3.0),
    ("gamma", 1.6, 0.0),
    ("weibull", 0.8, 0.0),
    ("lognormal", 0.9, 0.0),
    ("mixture", 4.0, 0.0),
]


@pytest.mark.parametrize("family, shape, bias", FAMILIES)
def test_draws_follow_their_tail(family, shape, bias):
    rng = np.random.default_rng(3)
    loss = draw(rng, np.full(20000, 0.03), family=family, shape=shape, bias=bias)

    def cdf(x):
        return 1 - survival(x, np.array(0.03), family=family, shape=shape, bias=bias)

    assert stats.kstest(loss, cdf).pvalue > 0.001


@pytest.mark.parametrize("family, shape, bias", FAMILIES)
def test_mean_is_the_one_asked_for(family, shape, bias):
    """The mean is the integral of the tail; a steady offset makes it grow by 1 + bias / 2."""
    mean, _ = integrate.quad(
        lambda x: float(survival(x, np.array(0.03), family=family, shape=shape, bias=bias)), 0, 5,
        limit=400, points=[0.03, 0.3],
    )  # fmt: skip
    assert mean == pytest.approx(0.03 * (1 + bias / 2), rel=1e-4)


@pytest.mark.parametrize("sd_um", [0.2, 0.3, 0.4, 0.5])
def test_rayleigh_offsets_are_the_exponential_family(sd_um):
    """Normal errors in two directions, loss by Marcuse (1977), mode field 9.2 um (derived)."""
    rng = np.random.default_rng(11)
    offset = np.hypot(*(sd_um * rng.standard_normal((2, 40000))))
    loss = offset_loss_db(offset, 9.2, 9.2)
    mean = float(mean_offset_loss_db(sd_um, 9.2))

    def cdf(x):
        return 1 - survival(x, np.array(mean), family="exponential")

    assert stats.kstest(loss, cdf).pvalue > 0.001


# Derived: loss of an offset d0 beside a random one of 0.25 um; CV 1.00 at 0 falls so. Two decimals.
@pytest.mark.parametrize("steady_um, cv", [(0.0, 1.00), (0.3, 0.91), (0.5, 0.74), (0.8, 0.55)])
def test_steady_offset_lowers_the_variation(steady_um, cv):
    rng = np.random.default_rng(12)
    bias = (steady_um / 0.25) ** 2
    mean = np.full(200_000, float(mean_offset_loss_db(0.25, 9.2)))
    loss = draw(rng, mean, family="exponential", bias=bias)
    assert loss.std() / loss.mean() == pytest.approx(cv, abs=0.01)
    x = offset_loss_db(np.hypot(steady_um + 0.25 * rng.standard_normal(200_000),
                                0.25 * rng.standard_normal(200_000)), 9.2, 9.2)  # fmt: skip
    assert loss.mean() == pytest.approx(x.mean(), rel=0.01)


def test_quantiles_of_the_exponential():
    """Median 0.69, 95 % 3.00, 99 % 4.61 times the mean (derived; two decimals)."""
    for share, factor in ((0.5, 0.69), (0.95, 3.00), (0.99, 4.61)):
        tail = survival(factor * 0.03, np.array(0.03), family="exponential")
        assert 1 - tail == pytest.approx(share, abs=0.005)


# Share of readings 0.00 on a display that rounds to 0.01 dB, exponential (derived: whole per cent);
# 0.0164 dB is the mean of an offset of 0.2 um, 1 - exp(-0.005 / 0.0164) = 0.263.
@pytest.mark.parametrize("mean_db, zeros", [(0.03, 0.15), (0.0164, 0.26)])
def test_share_of_zeros_on_the_display(mean_db, zeros):
    rng = np.random.default_rng(5)
    text = shown_loss(rng.exponential(mean_db, 100_000), SplicerPlan("SP-01"))[2]
    assert (text == "0.00").mean() == pytest.approx(zeros, abs=0.01)


def test_a_display_that_cuts_off_reads_low():
    """A mean of 0.030 dB reads 0.025 where the display truncates (derived; half a thousandth)."""
    rng = np.random.default_rng(6)
    unit = SplicerPlan("SP-01", display="truncates", ceiling_db=None)
    text = shown_loss(rng.exponential(0.030, 400_000), unit)[2]
    assert text.astype(float).mean() == pytest.approx(0.025, abs=5e-4)


@pytest.mark.parametrize("family, shape, bias", FAMILIES)
def test_chance_of_both_limits_is_that_of_draws(family, shape, bias):
    rng = np.random.default_rng(7)
    n = 200_000
    within, passed = pass_both(
        np.array([0.05]), np.array([bias]), family=family, shape=shape,
        estimate_limit_db=np.array([0.15]), test_limit_db=np.array([0.30]),
        mating_db=np.array([0.16]), zero_db=np.array([0.02]),
    )  # fmt: skip
    loss = draw(rng, np.full(n, 0.05), family=family, shape=shape, bias=bias)
    reading = loss + 0.16 * rng.gamma(4.0, 0.25, n) - 0.02
    ok = loss <= 0.15
    for stated, seen, size in (
        (within[0], ok.mean(), n),
        (passed[0], (reading[ok] <= 0.30).mean(), ok.sum()),
    ):
        assert abs(seen - stated) < 4 * np.sqrt(stated * (1 - stated) / size) + 5e-4


def test_unknown_family_is_refused():
    for function in (
        lambda: draw(np.random.default_rng(1), np.ones(2), family="cubic"),
        lambda: survival(0.1, np.ones(2), family="cubic"),
    ):
        with pytest.raises(ValueError, match="cubic"):
            function()
