"""Files of the crew-a sample against its stated counts; cells of all shapes."""

import json
from dataclasses import replace
from pathlib import Path

import pyarrow.compute as pc
import pytest

from yieldkit.errors import CrewError
from yieldkit.records.layouts import choose_layout, layout_of, load_layouts
from yieldkit.records.parsed import PARSED
from yieldkit.records.parsing import parse
from yieldkit.records.tables import arrow_schema

CREW_A = Path(__file__).parents[1] / "crew_a"
# Counts stated with the sample: truth/file_counts.json
TRUTH = json.loads((CREW_A / "truth" / "file_counts.json").read_text("utf-8"))
WITH_ROWS = sorted(name for name, said in TRUTH.items() if "data_rows" in said and name[0] != "_")


@pytest.fixture(scope="module")
def layouts():
    return load_layouts(CREW_A / "layouts")


def read(name, layouts):
    data = (CREW_A / "inbox" / name).read_bytes()
    found = parse(data, name, choose_layout(data, name, layouts))
    plain = arrow_schema(PARSED[found.table])
    return replace(found, rows=found.rows.cast(plain))


@pytest.mark.parametrize("name", WITH_ROWS)
def test_every_row_of_the_sample_is_accounted_for(name, layouts):
    said, found = TRUTH[name], read(name, layouts)
    assert found.data_rows == said["data_rows"]
    assert found.refused.num_rows == said.get("malformed", 0)
    typed = {(r["sheet"], r["source_row"]) for r in found.rows.to_pylist()}
    refused = {(r["sheet"], r["source_row"]) for r in found.refused.to_pylist()}
    assert not typed & refused
    assert len(typed) + len(refused) == said["data_rows"]
    if "splicer" in said:
        assert found.furniture.get("unit", said["splicer"]) == said["splicer"]
        assert set(found.rows["splicer_text"].to_pylist()) == {said["splicer"]}


def test_refused_rows_say_why(layouts):
    reasons = {}
    for name in WITH_ROWS:
        for row in read(name, layouts).refused.to_pylist():
            reasons[name, row["source_row"]] = (row["column"], row["found"], row["reason"])
            assert row["text"]
    cut = reasons["records-SP-02-2024-10-25.csv", 292]
    assert cut == (
        "",
        "2 cells",
        "the last line is cut off; wanted 9 cells; download the file again",
    )
    assert reasons["auszug_SP-01_2024-10-25.csv", 56][:2] == ("Winkel A (°)", "180,00")
    assert "zero bytes" in reasons["auszug_SP-01_2024-11-01.csv", 152][2]
    assert reasons["jatkot SP-03 01.xlsx", 27][:2] == ("Vaimennus (dB)", "-3,00")


@pytest.mark.parametrize(
    "name, what",
    [
        ("auszug_SP-01_neu.csv", "the file is empty"),
        ("bike_shed_keys.csv", "no layout fits this file"),
    ],
)
def test_what_is_no_export_is_said_so(name, what, layouts):
    with pytest.raises(CrewError, match=what) as caught:
        read(name, layouts)
    assert caught.value.file == name
    assert caught.value.remedy


def test_headings_without_rows_fit_and_give_none(layouts):
    found = read("records-test.csv", layouts)
    assert (found.layout, found.data_rows) == ("english_text", 0)


def test_losses_keep_their_bound_and_step(layouts):
    rows = read("records-SP-02-2024-10-25.csv", layouts).rows
    marks = pc.value_counts(rows["loss_mark"]).to_pylist()
    counts = {one["values"]: one["counts"] for one in marks}
    # Counted by a plain search of the file: 42 "<0.01 dB", 1 ">1.00 dB", 5 "ERROR ..."
    text = (CREW_A / "inbox" / "records-SP-02-2024-10-25.csv").read_text("utf-8-sig")
    assert counts["<"] == text.count(",<0.01 dB,")
    assert counts[">"] == text.count(",>1.00 dB,")
    assert counts[""] == text.count(",ERROR ")
    assert set(rows["loss_step"].drop_null().to_pylist()) == {0.01}


def test_refused_cleaves_lie_before_the_arc(layouts):
    rows = read("jatkot SP-03 01.xlsx", layouts).rows
    for error, reached in zip(
        rows["error"].to_pylist(), rows["reached_arc"].to_pylist(), strict=True
    ):
        assert reached == (error not in ("cleave angle", "end face"))
    assert rows["job_text"].null_count == 0  # merged job cells are filled


def test_a_real_number_and_a_retyped_one_are_the_same(layouts):
    rows = read("jatkot SP-01 kopio.xlsx", layouts).rows
    assert rows["loss_db"].null_count == 0
    assert set(pc.utf8_length(rows["loss_text"]).to_pylist()) == {4}
    assert rows["when_shown"].null_count == 0


def test_wide_test_rows_become_readings(layouts):
    found = read("test_results.csv", layouts)
    counts = {
        one["values"]: one["counts"] for one in pc.value_counts(found.rows["quantity"]).to_pylist()
    }
    assert counts["insertion loss"] == 2 * 1321
    assert counts["end face"] == 1321
    missing = found.rows.filter(
        pc.and_(pc.equal(found.rows["quantity"], "insertion loss"), pc.is_null(found.rows["value"]))
    )
    assert (
        missing["value_text"].to_pylist() == ["n/a"] * TRUTH["test_results.csv"]["il_not_a_number"]
    )
    commas = pc.match_substring(pc.fill_null(found.rows["value_text"], ""), ",")
    assert pc.sum(commas).as_py() == TRUTH["test_results.csv"]["il_with_comma"]
    assert found.rows.filter(commas)["value"].null_count == 0


def test_zero_bytes_and_formula_text_are_tamed_not_lost(layouts):
    rows = read("auszug_SP-01_2024-10-25.csv", layouts).rows
    remarks = {row["source_row"]: row["remark"] for row in rows.to_pylist()}
    assert remarks[130] == "no\ufffd\ufffdte"
    assert remarks[223] == "=SUM(1;2)"


def test_fingerprints_know_a_row_again_in_another_download(layouts):
    one, two = (
        read(f"auszug_SP-01_2024-{day}.csv", layouts).rows.to_pylist() for day in ("10-25", "11-01")
    )
    by_counter = {row["counter"]: row["fingerprint"] for row in one}
    both = [row for row in two if row["counter"] in by_counter]
    assert len(both) > 100
    assert all(by_counter[row["counter"]] == row["fingerprint"] for row in both)
    assert len({row["fingerprint"] for row in one}) == len(one)


def test_equal_rows_of_one_file_are_numbered():
    layout = layout_of({"table": "jobs", "columns": {"job": "job"}}, "x.toml")
    found = parse(b"job\nJ1\nJ1\nJ2\n", "x.csv", layout).rows["fingerprint"].to_pylist()
    assert found[0][:-2] == found[1][:-2] != found[2][:-2]
    assert [one[-2:] for one in found] == ["-1", "-2", "-1"]
