"""One-way and two-way readings, bends, and link budgets."""

import numpy as np
import pytest

from yieldkit.optics.budget import Joints, link_budget
from yieldkit.optics.readings import (
    apparent_step_db,
    bends,
    fibre_difference_db,
    one_way_loss_db,
    two_way_loss_db,
)
from yieldkit.optics.splice_loss import mismatch_loss_db


# Open teaching text on two-way measurement (2023): 0.20 dB and 0.10 dB give 0.15 dB.
def test_two_way_mean_matches_the_teaching_text(published):
    case = published("bidirectional_average_simple")
    ways = case["inputs"]["a_to_b_db"], case["inputs"]["b_to_a_db"]
    assert two_way_loss_db(*ways) == pytest.approx(
        case["expected"]["published"]["splice_loss_db"],
        abs=case["tolerance"]["published_abs"]["splice_loss_db"],
    )
    wanted = case["expected"]["recomputed"]["backscatter_half_difference_db"]
    assert fibre_difference_db(*ways) == pytest.approx(wanted, rel=1e-6)


def test_gainer_from_large_to_small_and_both_ways_give_the_loss():
    # derived from backscatter ~ 1 / MFD^2: 9.2 to 8.6 um shows 0.29 dB of gain, 0.020 dB is lost
    loss = mismatch_loss_db(9.2, 8.6)
    there, back = one_way_loss_db(loss, 9.2, 8.6), one_way_loss_db(loss, 8.6, 9.2)
    assert there < 0 < back
    assert apparent_step_db(8.6, 9.2) == pytest.approx(0.29, abs=0.005)
    assert two_way_loss_db(there, back) == pytest.approx(loss)
    assert fibre_difference_db(back, there) == pytest.approx(apparent_step_db(8.6, 9.2))


def test_bend_is_more_loss_at_1550_beyond_the_allowance():
    found = bends([0.105, 0.105, 0.105], [0.295, 0.145, 0.085])
    assert found.tolist() == [True, False, False]


def test_budget_is_what_simulated_links_show():
    rng = np.random.default_rng(9)
    links = rng.gamma(1.5, 0.05 / 1.5, (200_000, 24)).sum(axis=1) + 10 * 0.35
    sd = 0.05 / np.sqrt(1.5)
    made = link_budget([Joints(24, 0.05, sd)], fibre_km=10, fibre_db_per_km=0.35, allowed_db=6)
    assert made.mean_db == pytest.approx(links.mean(), abs=0.005)
    assert made.sd_db == pytest.approx(links.std(), rel=0.01)
    assert made.worst_db == pytest.approx(np.quantile(links, 0.97), abs=0.03)
    assert made.margin_db == pytest.approx(6 - made.worst_db)


def test_bad_budgets_are_refused():
    with pytest.raises(ValueError, match="negative"):
        link_budget([Joints(-1, 0.1, 0.1)])
    with pytest.raises(ValueError, match="0.97"):
        link_budget([Joints(1, 0.1, 0.1)], share=97)
