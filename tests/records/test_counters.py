"""A counter that starts again, and blocks that only lie at a wrong time."""

import numpy as np
import pytest

from yieldkit.records.counters import epochs_of


def days(count, start=0.0, per_day=50):
    return start + np.arange(count) / per_day


def test_a_rising_counter_has_one_epoch():
    counter = np.arange(2000, 2500)
    assert not epochs_of(counter, days(500)).any()


def test_a_counter_that_starts_again_after_repair_has_two_epochs():
    counter = np.r_[4000:4500, 1:301]
    epoch = epochs_of(counter, np.r_[days(500), days(300, start=20)])
    assert (epoch == np.r_[np.zeros(500), np.ones(300)]).all()


def test_a_restart_that_uses_the_same_numbers_again_has_two_epochs():
    counter = np.r_[1:400, 1:700]
    epoch = epochs_of(counter, np.r_[days(399), days(699, start=20)])
    assert (epoch == np.r_[np.zeros(399), np.ones(699)]).all()


def test_a_counter_that_wraps_round_has_two_epochs():
    counter = np.r_[9900:10000, 0:100]
    epoch = epochs_of(counter, days(200))
    assert (epoch == np.r_[np.zeros(100), np.ones(100)]).all()


@pytest.mark.parametrize("where", [slice(100, 130), slice(470, 500), slice(0, 20)])
@pytest.mark.parametrize("shift", [-150, 60])
def test_a_block_at_a_wrong_time_is_no_restart(where, shift):
    counter, day = np.arange(2000, 2500), days(500)
    day[where] += shift
    assert len(set(epochs_of(counter, day))) == 1


def test_one_record_retyped_with_a_later_day_is_no_restart():
    counter, day = np.r_[2000:2500, 2100], np.r_[days(500), 40.0]
    assert not epochs_of(counter, day).any()


def test_order_of_rows_does_not_matter():
    counter, day = np.r_[1:400, 1:700], np.r_[days(399), days(699, start=20)]
    shuffled = np.random.default_rng(1).permutation(len(counter))
    assert (epochs_of(counter[shuffled], day[shuffled]) == epochs_of(counter, day)[shuffled]).all()


def test_a_record_without_time_goes_with_its_neighbour():
    counter, day = np.r_[4000:4500, 1:301], np.r_[days(500), days(300, start=20)]
    day[600] = np.nan
    assert epochs_of(counter, day)[600] == 1
