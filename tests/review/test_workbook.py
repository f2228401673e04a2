"""The workbook, read back: types, frozen headings, text that stays text."""

import datetime as dt

import openpyxl
import pytest

from yieldkit.review.workbook import write_workbook

from .conftest import HOSTILE


@pytest.fixture
def book(review, tmp_path):
    book = openpyxl.load_workbook(write_workbook(tmp_path / "review.xlsx", review))
    yield book
    book.close()


def test_a_sheet_a_table_behind_an_index(book):
    assert book.sheetnames == ["about", "records", "first pass", "open"]


def test_headings_are_frozen_and_say_their_unit(book):
    sheet = book["first pass"]
    assert sheet.freeze_panes is not None and sheet.freeze_panes.endswith("2")
    heads = [cell.value for cell in sheet[1]]
    assert "Yield [%]" in heads and "Interval from [%]" in heads


def test_cells_are_typed_and_hostile_text_is_text(book):
    sheet = book["first pass"]
    heads = [cell.value for cell in sheet[1]]
    row = dict(zip(heads, sheet[4], strict=True))
    assert row["Group"].value == HOSTILE and row["Group"].data_type == "s"
    assert row["Positions"].value == 67 and row["Positions"].data_type == "n"
    assert row["Yield [%]"].number_format == "0.0%"
    assert row["Adjusted yield [%]"].value is None
    assert isinstance(row["Known until"].value, dt.datetime)


def test_times_are_in_the_crews_zone(book):
    assert book["open"]["A2"].value == dt.datetime(2026, 11, 20, 8, 0)
