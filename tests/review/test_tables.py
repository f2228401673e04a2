"""Stable tables: names, few personal figures blank, no cell that runs as a formula."""

import os
import re
from pathlib import Path

import pandas as pd
import pytest

from yieldkit.errors import CrewError
from yieldkit.review import given, tables
from yieldkit.review.files import replace_text, replaced

from .conftest import HOSTILE, yields


def test_columns_are_exactly_the_fixed_ones_in_order():
    made = tables.stable("rework", pd.DataFrame({"cause": ["cleave"], "step": ["splice"], "x": 1}))
    assert list(made.columns) == ["step", "cause", "events", "parts", "minutes", "cost"]
    assert made.loc[0, "cause"] == "cleave" and pd.isna(made.loc[0, "cost"])


def test_a_missing_table_is_there_with_its_headings():
    assert list(tables.stable("signals", None).columns) == tables.COLUMNS["signals"]


def test_few_personal_figures_are_blank_and_all_others_stay(first_pass):
    hidden = tables.hide_few(first_pass, too_few=20, too_wide_points=15, count="positions")
    few = hidden[hidden["group"] == "T02"].iloc[0]
    assert few["positions"] == 20  # enough begun, yet only 13 decided
    assert few[["yield", "low", "high", "failed", "bound_low", "bound_high"]].isna().all()
    rest = hidden["group"] != "T02"
    pd.testing.assert_frame_equal(hidden[rest], first_pass[rest], check_dtype=False)


def test_a_wide_interval_hides_a_personal_figure():
    made = yields([("technician", "T01", 40, 5, 0, 0)])
    made["low"] = 0.70
    hidden = tables.hide_few(made, too_few=20, too_wide_points=15, count="positions")
    assert hidden["yield"].isna().all()


def test_no_csv_cell_begins_as_a_formula(first_pass, tmp_path):
    path = tables.write_csv(tmp_path / "first_pass.csv", first_pass)
    assert "\n=" not in path.read_text("utf-8") and ",=" not in path.read_text("utf-8")
    back = tables.read_csv(path)
    assert back["group"].tolist()[2] == "'" + HOSTILE
    assert back["yield"].tolist() == pytest.approx(first_pass["yield"].tolist())


def test_a_failed_write_leaves_the_old_file_and_nothing_else(tmp_path):
    path = replace_text(tmp_path / "page.html", "old")
    with pytest.raises(RuntimeError), replaced(path) as beside:
        beside.write_text("half", encoding="utf-8")
        raise RuntimeError
    assert path.read_text("utf-8") == "old"
    assert os.listdir(tmp_path) == ["page.html"]


def test_given_is_written_once_and_never_again(first_pass, tmp_path):
    given.keep_given(tmp_path, first_pass)
    before = (tmp_path / given.GIVEN).read_bytes()
    given.keep_given(tmp_path, first_pass.iloc[:1])
    assert (tmp_path / given.GIVEN).read_bytes() == before


def test_last_week_is_shown_as_first_given_and_as_restated(tmp_path):
    """A failure found by another person a week later restates the past week."""
    first = yields([("all", "all", 96, 4, 20, 0)])
    given.keep_given(tmp_path, first)
    later = yields([("all", "all", 112, 8, 0, 0)])
    table = given.restated(given.first_given(tmp_path), later)
    said = str(given.about_last_week("2026-W46", table, was_given=True))
    assert re.search(r"96\.0 % as first given \(100 decided\), 93\.3 % as known now", said)


def test_without_a_first_given_figure_the_page_says_so(first_pass, tmp_path):
    table = given.restated(given.first_given(tmp_path), first_pass)
    assert "no first-given figure" in str(given.about_last_week("2026-W46", table, was_given=False))


def test_spoilt_first_given_figures_are_one_sentence(tmp_path):
    Path(tmp_path / given.GIVEN).write_bytes(b"\xff\xfe\x00garbage")
    with pytest.raises(CrewError, match=r"given\.csv: the first-given figures"):
        given.first_given(tmp_path)
