"""Settings: a workbook and a text file give the same; every mistake is one clear sentence."""

from datetime import date

import openpyxl
import pytest

from yieldkit.crew import Crew
from yieldkit.errors import CrewError
from yieldkit.records.settings import (
    heading,
    read_settings,
    row_models,
    write_new_settings,
    write_workbook,
)

TOML = """
[general]
name = "Gullhaven"
zone = "Europe/Helsinki"
watch_technicians = true
[[people]]
code = "7"
from_date = 2026-01-02
[[equipment]]
unit = "SP-01"
kind = "splicer"
display = "truncates"
display_ceiling_db = 1.0
[[connector_types]]
connector_type = "LC"
required_tests = ["insertion loss 1310", "return loss"]
[[connector_types]]
connector_type = "splice"
design = "D"
required_tests = "none"
[[limits]]
quantity = "estimated loss"
limit_db = 0.15
statistic = "97 %"
listed = true
[[parts]]
part = "body"
connector_type = "LC"
price = 6.5
pack = 25
[[part_use]]
step = "test"
part = "body"
pieces = 1
[[aliases]]
kind = "technician"
written = "=Tech 7"
meaning = "7"
"""


def write(folder, text):
    (folder / "crew.toml").write_text(text, "utf-8")
    return folder


def test_workbook_and_text_give_the_same_settings(tmp_path):
    (tmp_path / "text").mkdir()
    (tmp_path / "book").mkdir()
    crew = read_settings(write(tmp_path / "text", TOML))
    write_workbook(crew, tmp_path / "book" / "crew.xlsx")
    assert read_settings(tmp_path / "book") == crew
    assert crew.people[0].from_date == date(2026, 1, 2)
    assert crew.connector("splice").required_tests == ()


def test_a_new_workbook_is_valid_and_never_written_over(tmp_path):
    write_new_settings(tmp_path)
    crew = read_settings(tmp_path)
    assert crew.general == Crew().general
    assert [row.connector_type for row in crew.connector_types] == ["SC", "LC", "ST", "splice"]
    with pytest.raises(CrewError, match="already here"):
        write_new_settings(tmp_path)


def test_headings_are_unique_and_drop_downs_are_there(tmp_path):
    for model in row_models().values():
        heads = [heading(field) for field in model.model_fields]
        assert len(set(heads)) == len(heads)
    write_new_settings(tmp_path)
    book = openpyxl.load_workbook(tmp_path / "crew.xlsx")
    assert book.sheetnames[0] == "general"
    lists = [rule.formula1 for rule in book["limits"].data_validations.dataValidation]
    assert any("insertion loss" in source for source in lists)
    assert all(cell.comment for cell in book["limits"][1])


@pytest.mark.parametrize(
    "text, said",
    [
        ('[general]\nzone = "Mars"', 'crew.toml, general, column "zone": is not a time zone'),
        ("[general]\nzome = 1", 'no such setting (found "zome"). Did you mean zone?'),
        ("[[peple]]\ncode = 'T01'", 'no such kind of settings (found "peple"'),
        ("[[people]]\nrole = 'lead'", '[[people]] no. 1: "code" is missing'),
        ("[[people]]\ncode = 'A'\n[[people]]\ncode = 'A'", "people: two rows for A"),
        ("[[limits]]\nquantity = 'loss'\nlimit_db = 1", "wanted estimated loss or one-way loss"),
        ("[general\n", "is not valid TOML"),
        ("people = 3", "people must be a list of tables"),
        (
            "[[connector_types]]\nconnector_type = 'LC'\nrequired_tests = 'luck'",
            "'luck' is no test",
        ),
    ],
)
def test_a_mistake_in_text_is_one_sentence(tmp_path, text, said):
    with pytest.raises(CrewError) as caught:
        read_settings(write(tmp_path, text))
    assert said in str(caught.value)


def change(folder, sheet, cell, value):
    write_new_settings(folder)
    book = openpyxl.load_workbook(folder / "crew.xlsx")
    book[sheet][cell] = value
    book.save(folder / "crew.xlsx")


@pytest.mark.parametrize(
    "sheet, cell, value, said",
    [
        (
            "general",
            "A2",
            "nane",
            'crew.xlsx, sheet general, row 2: no such setting (found "nane")',
        ),
        ("general", "B3", "Mars", 'crew.xlsx, general, row 3, column "zone": is not a time zone'),
        ("limits", "A1", "quantty", "crew.xlsx, sheet limits, row 1: no such column"),
        ("connector types", "B3", "Q", 'sheet connector types, row 3, column "design"'),
        ("parts", "B2", "LC", 'sheet parts, row 2: "part" is missing'),
    ],
)
def test_a_mistake_in_the_workbook_names_sheet_row_and_column(tmp_path, sheet, cell, value, said):
    change(tmp_path, sheet, cell, value)
    with pytest.raises(CrewError) as caught:
        read_settings(tmp_path)
    assert said in str(caught.value)


def test_all_that_is_wrong_is_said_at_once_each_with_its_place_and_the_form_wanted(tmp_path):
    write_new_settings(tmp_path)
    book = openpyxl.load_workbook(tmp_path / "crew.xlsx")
    settings = {row[0].value: row[1] for row in book["general"].iter_rows(min_row=2)}
    settings["zone"].value = "Helsinki"
    settings["confidence"].value = 95
    settings["week starts"].value = "Mon"
    for column, value in enumerate(["T01", "", "technician", "23.11.2026"], start=1):
        book["people"].cell(2, column).value = value
    book["parts"]["B2"] = "LC"
    book["parts"]["C2"] = "dear"
    book["limits"]["A1"] = "quantty"
    book["connector types"]["C3"] = "luck"
    book.save(tmp_path / "crew.xlsx")
    with pytest.raises(CrewError) as caught:
        read_settings(tmp_path)
    first, *lines = str(caught.value).splitlines()
    assert first == "crew.xlsx: 8 settings to mend:"
    said = {
        'column "zone": is not a time zone (found "Helsinki", wanted a zone such as Europe/',
        'column "confidence": must be less than 1 (found "95"). Write 0.95 for 95 %.',
        'column "week starts": is none of the words for it (found "Mon", wanted Monday or',
        'sheet people, row 2, column "from date": is no date (found "23.11.2026", wanted year-mon',
        'sheet parts, row 2: "part" is missing',
        'sheet parts, row 2, column "price": is no number (found "dear", wanted a number)',
        'sheet limits, row 1: no such column (found "quantty"). Did you mean quantity?',
        "'luck' is no test",
    }
    assert len(lines) == len(said)
    for one in said:
        assert sum(one in line for line in lines) == 1, (one, lines)


def test_no_settings_two_settings_and_a_broken_workbook(tmp_path):
    with pytest.raises(CrewError, match="there is no crew.xlsx here"):
        read_settings(tmp_path)
    (tmp_path / "crew.xlsx").write_bytes(b"PK\x03\x04 cut off")
    with pytest.raises(CrewError, match="is not a workbook"):
        read_settings(tmp_path)
    write(tmp_path, "")
    with pytest.raises(CrewError, match="two settings files"):
        read_settings(tmp_path)
