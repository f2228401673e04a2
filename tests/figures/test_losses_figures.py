"""Pictures of losses: units, marks that differ in shape, limits, and nothing lost at the edges."""

import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure

from yieldkit.figures.losses import (
    draw_fit,
    draw_lines,
    draw_quantiles,
    draw_shares,
    draw_verdicts,
)


@pytest.fixture
def ax():
    return Figure(layout="constrained").subplots()


@pytest.fixture
def losses():
    return pd.DataFrame(
        {
            "group": ["LC", "SC"],
            "quantity": "insertion loss",
            "wavelength_nm": [1310.0, 1310.0],
            "n": [60, 12],
            "q97_db": [0.3, np.nan],
            "q97_db_low": [0.25, np.nan],
            "q97_db_high": [0.4, np.nan],
        }
    )


def test_quantiles_name_unit_reading_and_count(ax, losses):
    draw_quantiles(ax, losses)
    assert ax.get_xlabel() == "97 % stay under, insertion loss 1310 nm [dB]"
    labels = [label.get_text() for label in ax.get_yticklabels()]
    assert labels == ["LC  n 60", "SC  n 12"]
    assert [text.get_text() for text in ax.texts] == ["too few to tell"]


def test_quantiles_of_several_readings_name_each(ax, losses):
    draw_quantiles(ax, losses.assign(wavelength_nm=[1310.0, np.nan]))
    labels = [label.get_text() for label in ax.get_yticklabels()]
    assert labels == ["LC, insertion loss 1310 nm  n 60", "SC, insertion loss  n 12"]


def test_fit_lies_over_the_bins_and_open_end_is_drawn(ax):
    bins = pd.DataFrame(
        {
            "low_db": [0.0, 0.005, 1.0],
            "high_db": [0.005, 0.015, np.inf],
            "count": [5.0, 9.0, 1.0],
            "fitted": [4.0, 10.0, 0.5],
        }
    )
    draw_fit(ax, bins, limit_db=0.5)
    assert len(ax.patches) == 3 and ax.patches[-1].get_hatch()
    (dots,) = (line for line in ax.lines if line.get_label() == "fitted")
    assert list(dots.get_ydata()) == [4.0, 10.0]
    assert "[dB]" in ax.get_xlabel()


def test_fit_is_left_out_where_none_is_known(ax):
    bins = pd.DataFrame({"low_db": [0.0], "high_db": [0.005], "count": [9.0], "fitted": [np.nan]})
    draw_fit(ax, bins)
    assert ax.get_legend() is None


def test_shares_are_on_a_log_scale_in_percent(ax):
    table = pd.DataFrame(
        {
            "at_db": [0.05, 0.1, 0.2],
            "share": [0.3, 0.05, 0.001],
            "low": [0.25, 0.03, 0.0002],
            "high": [0.35, 0.08, 0.004],
            "seen": [0.31, 0.06, 0.0],
        }
    )
    draw_shares(ax, table, limit_db=0.1)
    assert ax.get_yscale() == "log" and ax.get_ylabel() == "Joints above it [%]"
    (seen,) = (line for line in ax.lines if line.get_label() == "seen")
    assert list(seen.get_ydata()) == pytest.approx([31.0, 6.0])
    assert any("limit 0.1 dB" in text.get_text() for text in ax.texts)


def test_verdicts_differ_in_shape_and_filling(ax):
    table = pd.DataFrame(
        {
            "group": ["LC", "SC", "ST"],
            "limit": "mean at most 0.1 dB",
            "n": [400, 30, 50],
            "value": [0.05, 0.09, 0.2],
            "low": [0.04, 0.05, 0.15],
            "high": [0.06, np.inf, 0.3],
            "limit_db": 0.1,
            "verdict": ["met", "cannot tell", "not met"],
        }
    )
    draw_verdicts(ax, table)
    marks = {line.get_label(): line for line in ax.lines if line.get_label() in set(table.verdict)}
    assert marks["not met"].get_marker() != marks["met"].get_marker()
    assert marks["cannot tell"].get_markerfacecolor() == "white"
    assert [text.get_text() for text in ax.texts][0] == "LC | mean at most 0.1 dB  (n 400)"


def test_lines_differ_in_style(ax):
    table = pd.DataFrame({"x": [0, 1, 0, 1], "y": [0, 1, 0, 2], "of": ["a", "a", "b", "b"]})
    draw_lines(ax, table, x="x", y="y", of="of", x_label="Offset [um]", y_label="Loss [dB]")
    assert ax.lines[0].get_linestyle() != ax.lines[1].get_linestyle()
    assert [text.get_text() for text in ax.get_legend().get_texts()] == ["a", "b"]
