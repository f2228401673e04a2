"""Shared drawings: every figure shown with its interval, what is missing said."""

import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure

from yieldkit.figures.bins import draw_bins
from yieldkit.figures.intervals import draw_intervals
from yieldkit.figures.trend import draw_trend


@pytest.fixture
def ax():
    return Figure().subplots()


@pytest.fixture
def yields():
    return pd.DataFrame(
        {
            "group": ["LC", "SC"],
            "yield": [0.95, np.nan],
            "low": [0.90, np.nan],
            "high": [0.98, np.nan],
            "bound_low": [0.9, 0.2],
            "bound_high": [0.99, 0.9],
            "n": [200, 8],
            "settled": [True, False],
        }
    )


def test_intervals_show_percent_count_and_what_is_too_few(ax, yields):
    before = yields.copy()
    assert draw_intervals(ax, yields, group="group", n="n", unit="%", label="First pass") is ax
    assert [label.get_text() for label in ax.get_yticklabels()] == ["LC  n 200", "SC  n 8"]
    assert [text.get_text() for text in ax.texts] == ["too few to tell"]
    assert ax.get_xlabel() == "First pass [%]"
    assert ax.lines[0].get_xdata()[0] == pytest.approx(95)
    pd.testing.assert_frame_equal(yields, before)


def test_trend_marks_weeks_that_may_still_change_by_a_hollow_dot(ax, yields):
    draw_trend(ax, yields, week="group", bounds=("bound_low", "bound_high"), settled="settled")
    hollow = [line for line in ax.lines if line.get_markerfacecolor() == "white"]
    assert len(hollow) == 1 and list(hollow[0].get_xdata()) == [1]


def test_trend_of_no_week_at_all_draws_an_empty_picture(ax, yields):
    assert draw_trend(ax, yields.iloc[:0], week="group") is ax


def test_losses_beyond_the_display_are_hatched_and_none_is_lost(ax):
    table = pd.DataFrame(
        {"low_db": [0.0, 0.01, 1.0], "high_db": [0.01, 0.02, np.inf], "count": [5, 3, 2]}
    )
    draw_bins(ax, table, limit_db=0.15)
    assert sum(bar.get_height() for bar in ax.patches) == 10
    assert [bar.get_hatch() for bar in ax.patches][-1] == "////"
