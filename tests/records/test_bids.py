"""A bid comes in whole from a workbook or TOML, or with one clear sentence why not."""

from datetime import date

import openpyxl
import pytest

from yieldkit.errors import CrewError
from yieldkit.records.bids import Bid, read_bid, write_blank_bid

TOML = """\
title = "Harbour hall"
starts = 2026-12-07
event_cost = 400.0
technicians = 4
apprentices = 1
[[lines]]
connector_type = "LC"
positions = 480
[[lines]]
connector_type = "SC"
positions = 96
[[parts]]
part = "body"
connector_type = "LC"
price = 12.0
pack = 25
"""


def filled(path, *, lines=(("LC", 480), ("SC", 96)), settings=None):
    write_blank_bid(path, ("LC", "SC"))
    book = openpyxl.load_workbook(path)
    sheet = book["bid"]
    for row in sheet.iter_rows(min_row=2):
        if row[0].value in (settings or {}):
            row[1].value = settings[row[0].value]
    for number, line in enumerate(lines, start=2):
        for column, value in enumerate(line, start=1):
            book["positions"].cell(number, column, value)
    book.save(path)
    return path


def test_workbook_and_toml_say_the_same(tmp_path):
    text = tmp_path / "bid.toml"
    text.write_text(TOML, "utf-8")
    asked = {
        "title": "Harbour hall",
        "starts": date(2026, 12, 7),
        "service level": None,
        "event cost": 400,
        "technicians": 4,
        "apprentices": 1,
    }
    path = filled(tmp_path / "bid.xlsx", settings=asked)
    book = openpyxl.load_workbook(path)
    for column, value in ((1, "body"), (2, "LC"), (3, 12), (4, 25)):
        book["parts"].cell(2, column, value)
    book.save(path)
    assert read_bid(path) == read_bid(text)
    assert read_bid(text).positions == 576


def test_a_blank_bid_asks_for_95_percent_and_says_that_positions_are_missing(tmp_path):
    with pytest.raises(CrewError, match="no positions"):
        read_bid(write_blank_bid(tmp_path / "bid.xlsx"))
    assert read_bid(filled(tmp_path / "two.xlsx")).service_level == 0.95


def test_types_that_look_like_formulas_stay_text(tmp_path):
    path = write_blank_bid(tmp_path / "bid.xlsx", ("=1+1", "LC"))
    book = openpyxl.load_workbook(path)
    assert not [
        cell for sheet in book for row in sheet.iter_rows() for cell in row if cell.data_type == "f"
    ]


@pytest.mark.parametrize(
    "change, said",
    [
        (("positions = 480", "positions = 0"), "greater than 0"),
        (("positions = 480", "positions = -5"), "greater than 0"),
        (("positions = 480", 'positions = "many"'), "valid integer"),
        (("positions = 480", "positions = 480\nexpected_yield = 1.2"), "less than 1"),
        (("positions = 480", "positions = 480\nexpected_yield = 0.0"), "greater than 0"),
        (("event_cost = 400.0", "event_cost = 400.0\nservice_level = 0.95"), "contradict"),
        (("event_cost = 400.0", "piece_cost = 4.0"), "needs an event cost"),
        (("event_cost = 400.0", "event_cost = -1.0"), "greater than 0"),
        (("apprentices = 1", "apprentices = 9"), "more apprentices than people"),
        (("technicians = 4\n", ""), "without technicians"),
        (("pack = 25", "pack = 0"), "greater than or equal to 1"),
        (("pack = 25", "pack = 25\nleftover_value = 1.5"), "less than or equal to 1"),
        (('"SC"', '"LC"'), "two lines for LC"),
        (("title", "titel"), "no such setting"),
        (("[[lines]]", "[[lines"), "not valid TOML"),
    ],
)
def test_bad_text_gives_one_sentence(tmp_path, change, said):
    path = tmp_path / "bid.toml"
    path.write_text(TOML.replace(*change), "utf-8")
    with pytest.raises(CrewError, match=said) as caught:
        read_bid(path)
    assert "bid.toml" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_bad_workbooks_give_one_sentence(tmp_path):
    path = filled(tmp_path / "bid.xlsx")
    book = openpyxl.load_workbook(path)
    del book["positions"]
    book.save(path)
    with pytest.raises(CrewError, match='no sheet "positions"'):
        read_bid(path)
    path = filled(tmp_path / "other.xlsx", lines=(("LC", "lots"),))
    with pytest.raises(CrewError, match="row 2"):
        read_bid(path)
    book = openpyxl.load_workbook(path)
    book["positions"].cell(1, 2, "pieces")
    book.save(path)
    with pytest.raises(CrewError, match='no column "positions"'):
        read_bid(path)
    torn = tmp_path / "torn.xlsx"
    torn.write_bytes(b"PK\x03\x04 not a workbook")
    with pytest.raises(CrewError, match="cannot be opened"):
        read_bid(torn)
    with pytest.raises(CrewError, match="no such bid file"):
        read_bid(tmp_path / "none.xlsx")
    odd = tmp_path / "bid.pdf"
    odd.write_bytes(b"")
    with pytest.raises(CrewError, match="workbook"):
        read_bid(odd)


def test_a_bid_needs_lines():
    with pytest.raises(ValueError, match="at least 1"):
        Bid(lines=())
