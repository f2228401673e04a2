"""Layouts: what they may say, which one fits, what is said when none or two do."""

import re
from pathlib import Path

import pytest

from yieldkit.errors import CrewError
from yieldkit.records.declared import UNITS, Layout, keys_of
from yieldkit.records.layouts import choose_layout, layout_of, load_layouts, read_layout, write_toml
from yieldkit.records.parsed import PARSED
from yieldkit.records.parsing import NEEDED, parse
from yieldkit.records.tables import ERRORS

ROOT = Path(__file__).parents[2]
JOBS = {"table": "jobs", "columns": {"job": "job", "site": "site"}}


@pytest.mark.parametrize(
    "said, what",
    [
        ({"tabel": "jobs"}, "layouts have no such key"),
        ({"columns": {"jop": "job"}}, 'has "jop", which table jobs lacks'),
        ({"table": "job"}, "input should be"),
        ({"decimal": "x"}, "input should be"),
        ({"encoding": "latin-99"}, "no such encoding"),
        ({"optional": ["closed"]}, '"closed" is not among'),
        ({"preamble": {"job": "("}}, "pattern of"),
        ({"units": {"planned": "furlong"}}, "known units"),
        ({"dates": ["hh:mm"]}, "needs a day, a month and a year"),
        ({"readings": [{"heading": "x", "quantity": "insertion loss"}]}, "goes with"),
        ({"header_rows": 0}, "without headings"),
        ({"columns": {}, "header_rows": 5}, "less than or equal"),
        ({"columns": {}}, "names no column"),
        ({"columns": {"site": "site"}}, "a row of jobs needs job"),
        ({"columns": {"job": 0}}, "the first column is 1"),
        ({"format": "fixed", "columns": {"job": "0-5"}}, "places count from 1"),
        ({"format": "fixed", "columns": {"job": "9-5"}}, "places count from 1"),
        ({"delimiter": ""}, "a mark that parts cells"),
        ({"delimiter": "\n"}, "a mark that parts cells"),
        ({"quote": "ab"}, "one quoting character"),
        ({"quote": ",", "delimiter": ","}, "cannot be the delimiter too"),
        ({"thousands": ".", "decimal": "."}, "cannot be the decimal and the thousands"),
        ({"bounds": {"planned": [9, 1]}}, "least value above its greatest"),
        ({"furniture": ["("]}, "cannot be read"),
    ],
)
def test_mistakes_are_named(said, what):
    with pytest.raises(CrewError, match=re.escape(what)) as caught:
        layout_of(JOBS | said, "mine.toml")
    assert caught.value.file == "mine.toml"


def test_a_link_that_leads_out_of_the_folder_is_not_followed(tmp_path):
    secret = tmp_path / "secret.toml"
    secret.write_text('table = "jobs"\n[columns]\njob = "job"\n', "utf-8")
    folder = tmp_path / "layouts"
    folder.mkdir()
    (folder / "mine.toml").symlink_to(secret)
    with pytest.raises(CrewError, match="leads out of the folder"):
        load_layouts(folder)


@pytest.mark.parametrize("quote", ["]", "^", "\\", "'", "|"])
def test_any_sign_can_be_the_quote(quote):
    layout = layout_of(JOBS | {"quote": quote}, "x")
    data = f"job,site\n{quote}J1{quote},{quote}a,b{quote}\n".encode()
    assert parse(data, "x.csv", layout).rows["site"].to_pylist() == ["a,b"]


def test_a_file_that_is_no_toml(tmp_path):
    (tmp_path / "x.toml").write_text("table = jobs")
    with pytest.raises(CrewError, match="no TOML"):
        load_layouts(tmp_path)


def test_two_that_fit_equally_are_named():
    one, two = layout_of(JOBS, "one.toml"), layout_of(JOBS, "two.toml")
    data = b"job,site\nJ1,Quay\n"
    with pytest.raises(CrewError, match='"one" and "two" fit this file equally'):
        choose_layout(data, "x.csv", [one, two])
    more = layout_of(JOBS | {"columns": JOBS["columns"] | {"planned": "n"}}, "more.toml")
    assert choose_layout(b"job,site,n\nJ1,Quay,3\n", "x", [one, more]) is more
    assert choose_layout(data, "x", [one, more]) is one


def test_rows_decide_between_equal_headings():
    day = layout_of(
        JOBS | {"columns": {"job": "job", "opened": "from"}, "dates": ["d/m/yyyy"]}, "d"
    )
    month = layout_of(day.model_dump() | {"name": "m", "dates": ("m/d/yyyy",)}, "m")
    data = b"job,from\nJ1,13/2/2026\nJ2,2/3/2026\n"
    assert choose_layout(data, "x", [day, month]) is day
    with pytest.raises(CrewError, match="equally"):
        choose_layout(data.replace(b"13/", b"12/"), "x", [day, month])


@pytest.mark.parametrize(
    "data, what",
    [
        (b"", "is empty"),
        (b"%PDF-1.7 \x00\x01", "neither text nor a workbook"),
        (bytes(range(32)) * 50, "neither text nor a workbook"),
        (b"PK\x03\x04 not really", "damaged"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1 not really", "cannot be read"),
        (b"\n\n\n", "no layout fits"),
        (b"hello", "no layout fits"),
    ],
)
def test_what_is_no_export(data, what):
    layouts = [layout_of(JOBS, "a"), layout_of(JOBS | {"format": "workbook"}, "b")]
    with pytest.raises(CrewError, match=what) as caught:
        choose_layout(data, "thing.csv", layouts)
    assert caught.value.file == "thing.csv" and caught.value.remedy


def test_written_layouts_read_back_the_same(tmp_path):
    for path in (ROOT / "tests" / "crew_a" / "layouts").glob("*.toml"):
        layout = read_layout(path)
        again = tmp_path / path.name
        again.write_text(write_toml(layout, ["a note", 'with "quotes"']), "utf-8")
        assert read_layout(again) == layout


def test_every_key_is_documented():
    text = (ROOT / "docs" / "layouts.md").read_text("utf-8")
    for key in set(Layout.model_fields) - {"built_in"}:
        assert f"`{key}`" in text or f"[{key}" in text, key
    for table in PARSED:
        assert "| `" + table + "` | " + ", ".join(f"`{key}`" for key in keys_of(table)) in text
        assert {key for group in NEEDED[table] for key in group} <= set(keys_of(table))
    for word in (*ERRORS, *filter(None, UNITS)):
        assert f"`{word}`" in text, word
