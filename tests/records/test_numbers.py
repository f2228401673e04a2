"""Numbers with a unit behind them: the column's own, one that can be turned into it, none."""

import pyarrow as pa
import pytest

from yieldkit.records.layouts import layout_of
from yieldkit.records.numbers import numbers
from yieldkit.records.parsing import parse


@pytest.mark.parametrize(
    "cell, loss",
    [("0.02 dB", 0.02), ("0.02dB", 0.02), ("<0.02 dB", 0.02), ("0.02", 0.02), ("0,02 dB", 0.02)],
)
def test_a_loss_with_its_unit(cell, loss):
    assert read(cell).rows["loss_db"].to_pylist() == [loss]


@pytest.mark.parametrize("cell", ["20 mdB", "2 %", "0.02 mm", "0.02 deg", "0.02 V"])
def test_a_loss_in_another_unit_is_refused_and_not_taken_for_decibels(cell):
    (row,) = read(cell).refused.to_pylist()
    assert (row["column"], row["found"]) == ("loss", cell)


def test_the_unit_that_the_layout_declares_may_stand_in_the_cell():
    assert read("20 mdB", units={"loss": "mdB"}).rows["loss_db"].to_pylist() == [0.02]
    assert read("20", units={"loss": "mdB"}).rows["loss_db"].to_pylist() == [0.02]


@pytest.mark.parametrize("word", ["no est. made", "\u00e9" * 40 + ".5", "\u00e9" * 40 + ".,5"])
def test_a_word_in_place_of_a_loss_shows_no_decimals(word):
    found = numbers(pa.array([word, "0.03", "0.2"]))
    assert found.read.tolist() == [False, True, True]
    assert found.decimals.tolist() == [0, 2, 1]
    rows = read(word, missing=[word]).rows
    assert rows["loss_db"].to_pylist() == [None]


def test_a_word_does_not_hide_that_zeros_were_dropped():
    layout = {"delimiter": ";", "missing": ["no est. made"]}
    layout |= {"table": "attempts", "columns": {"counter": "no", "loss": "loss"}}
    cells = ["no est. made", "0.1", *(f"0.0{n % 9 + 1}" for n in range(60))]
    text = "no;loss\n" + "".join(f"{n};{cell}\n" for n, cell in enumerate(cells))
    found = parse(text.encode(), "x.csv", layout_of(layout, "x")).rows["loss_step"].to_pylist()
    assert found == [None] + [0.01] * 61


def test_without_units_any_usual_one_is_passed_over():
    assert numbers(pa.array(["3 x", "4 nm"])).value.tolist() == [3.0, 4.0]


def read(cell, **more):
    layout = layout_of(
        {"table": "attempts", "delimiter": ";", "columns": {"counter": "no", "loss": "loss"}}
        | more,
        "x",
    )
    return parse(f"no;loss\n1;{cell}\n".encode(), "x.csv", layout)
