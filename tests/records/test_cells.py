"""Cells as words and codes say the same as the plain column."""

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from yieldkit.records.cells import Cells, first_of, laid
from yieldkit.records.layouts import choose_layout, layout_of
from yieldkit.records.parsing import parse
from yieldkit.records.reading import fields, rows_with, split
from yieldkit.records.store import Store

SHORT = ["b", None, "a", "b", ""]
LONG = [f"n{number}" for number in range(600)] + ["n7", "n8"]
"""So many different ones at first that nobody looks whether one comes again."""


@pytest.mark.parametrize("texts", [SHORT, LONG, [], [None, None]])
def test_cells_say_what_the_column_says(texts):
    cells = Cells.of(pa.array(texts, pa.string()))
    assert cells.plain().to_pylist() == cells.array().to_pylist() == texts
    assert [cells.at(row) for row in range(len(texts))] == texts
    assert cells.filled.tolist() == [text is not None for text in texts]
    assert cells.are("n7").tolist() == [text == "n7" for text in texts]
    turned = cells.take(np.arange(len(texts))[::-1])
    assert turned.plain().to_pylist() == texts[::-1]


@pytest.mark.parametrize("texts", [SHORT, LONG])
def test_coded_text_names_each_word_that_stands_there_once(texts):
    some = Cells.of(pa.array(texts, pa.string())).where(np.arange(len(texts)) % 2 == 0)
    words = some.array().dictionary.to_pylist()
    assert sorted(words) == sorted({text for text in texts[::2] if text is not None})


def test_words_are_respelt_dropped_and_merged():
    cells = Cells.of(pa.array(["A", "a", None, "b"]))
    low = cells.by_word(str.lower)
    assert low.plain().to_pylist() == ["a", "a", None, "b"]
    assert low.words.to_pylist() == ["a", "b"]
    assert low.without(np.array([True, False])).plain().to_pylist() == [None, None, None, "b"]
    other = Cells.of(pa.array(["x", None, "b", "x"]))
    assert first_of(low.where(~low.are("a")), other).plain().to_pylist() == ["x", None, "b", "b"]
    assert laid([low, other]).plain().to_pylist() == ["a", "a", None, "b", "x", None, "b", "x"]
    assert low.put(np.array([2]), pa.array(["b"])).plain().to_pylist() == ["a", "a", "b", "b"]


def test_columns_in_which_nothing_stands_come_back_from_the_store(tmp_path):
    layout = layout_of({"table": "jobs", "columns": {"job": "Job", "site": "Site"}}, "jobs.toml")
    parsed = parse(b"Job,Site\nJ1,\nJ2,\n", "jobs.csv", layout)
    store = Store(tmp_path)
    (store.root / "parsed").mkdir(parents=True)
    store.keep_parsed("key", parsed)
    back = store.parsed("key").rows
    assert back.column_names == parsed.rows.column_names
    assert back.to_pylist() == parsed.rows.to_pylist()
    about, waiting = store.waiting("key")
    assert (about.rows.num_rows, waiting.count) == (0, 2)
    read = waiting.read()
    assert "site" not in read.column_names and read["job_text"].to_pylist() == ["J1", "J2"]


def test_a_heading_with_quotes_in_it_is_found():
    said = {"table": "jobs", "columns": {"job": 'Job "own"', "site": "Site"}}
    layout = layout_of(said, "jobs.toml")
    data = b'"Job ""own""",Site\nJ1,here\n'
    assert choose_layout(data, "jobs.csv", [layout]) is layout
    assert parse(data, "jobs.csv", layout).rows["job_text"].to_pylist() == ["J1"]


def test_seven_bit_text_that_is_not_ascii_is_read_as_declared():
    said = {"table": "jobs", "encoding": "iso-2022-jp", "columns": {"job": "Job", "site": "Site"}}
    data = "Job,Site\nJ1,東\n".encode("iso-2022-jp")
    assert data.isascii()
    rows = parse(data, "jobs.csv", layout_of(said, "jobs.toml")).rows
    assert rows["site"].to_pylist() == ["東"]


@pytest.mark.parametrize("many", [1, 300])
def test_rows_with_a_text_are_found_however_many(many):
    lines = pa.array(["a head", "he", "ad", "", "head head"] * many)
    here = [row for row, line in enumerate(lines.to_pylist()) if "head" in line]
    assert rows_with(lines, "head").tolist() == here
    assert rows_with(lines.slice(1), "head").tolist() == [row - 1 for row in here if row]


LINES = st.lists(
    st.text(alphabet='ab1;," \u00e4\t\u2028', max_size=12) | st.sampled_from(["", "x;y;z", ";;"]),
    max_size=20,
)


@settings(deadline=None, derandomize=True, max_examples=300)
@given(LINES, st.sampled_from([";", ",", "\t"]), st.sampled_from(['"', ""]))
def test_split_lines_are_those_that_one_by_one_gives(lines, delimiter, quote):
    columns, others = split(pa.array(lines, pa.string()), 3, delimiter, quote)
    for row, line in enumerate(lines):
        wanted = fields(line, delimiter, quote)
        cells = [column.at(row) for column in columns]
        if row in others:
            assert others[row] == wanted and cells == [None] * 3
        else:
            assert cells == wanted
