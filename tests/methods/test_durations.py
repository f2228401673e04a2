"""Minutes of rework from heaped entries."""

import numpy as np
import pytest

from yieldkit.methods.durations import heaped, rework_minutes


def test_a_round_entry_means_an_interval():
    low, high = heaped([15, 30, 7, 5, 20])
    assert low.tolist() == [12.5, 22.5, 6.5, 2.5, 17.5]
    assert high.tolist() == [17.5, 37.5, 7.5, 7.5, 22.5]


def test_known_minutes_come_back_from_heaped_entries():
    rng = np.random.default_rng(3)
    true = np.exp(np.log(14) + 0.5 * rng.standard_normal(3000))
    entries = np.where(true > 10, 5 * np.round(true / 5), np.maximum(np.round(true), 1))
    found = rework_minutes(entries)
    assert found.median == pytest.approx(14, rel=0.04)
    assert found.log_sd == pytest.approx(0.5, rel=0.06)
    assert found.mean == pytest.approx(14 * np.exp(0.125), rel=0.05)


def test_quick_ones_left_out_of_the_log_are_allowed_for():
    rng = np.random.default_rng(4)
    true = np.exp(np.log(12) + 0.6 * rng.standard_normal(4000))
    written = (true > 10) | (rng.random(4000) < 0.3)
    alone = rework_minutes(np.round(true[written]))
    allowed = rework_minutes(np.round(true[written]), unwritten=int((~written).sum()))
    assert abs(allowed.median - 12) < abs(alone.median - 12)
    assert allowed.median == pytest.approx(12, rel=0.06)


def test_without_entries_the_prior_is_all_there_is():
    found = rework_minutes([])
    assert found.median == pytest.approx(10, rel=1e-3)
    assert found.written == 0 and found.median_low < 10 < found.median_high


def test_equal_entries_do_not_make_the_spread_nil():
    assert rework_minutes([15] * 400).log_sd >= 0.15
