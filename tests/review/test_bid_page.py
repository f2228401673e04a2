"""The page to staple to a bid: whole, escaped, and the same in the workbook."""

import openpyxl
import pandas as pd
import pytest

from tests.answers.test_spares import answer_to, bid_of
from yieldkit.review.bid_page import COLUMNS, render, write_bid

NASTY = '=cmd|"/c" <b>bold</b> & co'


@pytest.fixture(scope="module")
def answer():
    return answer_to(bid_of(("LC", 48), ("SC", 24), service_level=0.9))


def test_the_page_holds_verdict_list_and_cautions(answer):
    page = render(answer, crew="Our crew", title="Harbour hall")
    assert page.index("Chance that nothing runs short") < page.index("What to have")
    for needed in ("LC connector bodies", "Sleeves", "Paid hours", "Safety.", "data:image/svg"):
        assert needed in page
    assert "http" not in page.replace("http://www.w3.org", "")


def test_text_from_the_bid_is_escaped(answer):
    page = render(answer, crew=NASTY, title=NASTY)
    assert "<b>bold</b>" not in page
    assert "&lt;b&gt;bold&lt;/b&gt;" in page


def test_files_are_written_with_stable_columns_and_no_formula(answer, tmp_path):
    written = write_bid(tmp_path / "harbour", answer, crew=NASTY, title=NASTY)
    table = pd.read_csv(written.table)
    assert tuple(table.columns) == COLUMNS
    assert table["quantity"].tolist() == answer.table["quantity"].tolist()
    book = openpyxl.load_workbook(written.workbook)
    assert book.sheetnames[:2] == ["bid", "spares"]
    cells = [cell for sheet in book for row in sheet.iter_rows() for cell in row]
    assert not [cell for cell in cells if cell.data_type == "f"]
    assert NASTY in book["bid"]["A1"].value
    assert book["spares"].max_row == len(table) + 1
