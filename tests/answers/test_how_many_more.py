"""How many more would tell: more where the answers are close, none where they are too close."""

import numpy as np

from yieldkit.answers.how_many_more import how_many_more


def asked(gaps, margin=0.0):
    return how_many_more(gaps, margin, 1000, named=0.9)


def test_it_grows_as_the_answers_come_closer():
    """One unit whose gap is normal about the margin: 65 % of all distances exceed 0.4538 errors.

    Told at 1.2816 errors (normal quantiles, any table), so (1.2816 / 0.4538) ** 2 = 8 times the
    record is wanted, some more as the later estimate is off too; steps are a fifth apart.
    """
    rng = np.random.default_rng(4)
    near, off, far = (rng.normal(at, 1.0, (4000, 1)) for at in (0.0, 0.8, 1.2))
    assert 5000 <= asked(near) <= 10_000
    assert asked(near) > asked(off) >= asked(far) > 0


def test_units_too_much_alike_are_out_of_reach():
    """Sixty units alike, all over the margin: which is the worst is a matter of luck."""
    rng = np.random.default_rng(5)
    assert asked(rng.normal(1.0, 0.02, (4000, 60)), 0.2) is None
