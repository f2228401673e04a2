"""Blank forms: what is written into them comes back, without a layout."""

import datetime as dt

import openpyxl
import pytest

from yieldkit.crew import ConnectorType, Crew, Equipment, Person
from yieldkit.errors import CrewError
from yieldkit.records.declared import PARTS_OF
from yieldkit.records.forms import FORMS, write_forms
from yieldkit.records.layouts import choose_layout, load_layouts
from yieldkit.records.parsed import PARSED
from yieldkit.records.parsing import parse

VALUES = {
    "day": dt.datetime(2026, 11, 20),
    "time": dt.datetime(2026, 11, 20, 7, 30),
    "number": 3,
    "text": "0/17",
    "code": "=T01",
}


@pytest.fixture(scope="module")
def layouts(tmp_path_factory):
    return load_layouts(tmp_path_factory.mktemp("none"))


@pytest.fixture
def folder(tmp_path):
    crew = Crew(
        people=(Person(code="T01"), Person(code="T02")),
        equipment=(Equipment(unit="SP-01", kind="splicer"),),
        connector_types=(ConnectorType(connector_type="LC", design="A"),),
    )
    write_forms(tmp_path / "forms", crew)
    return tmp_path / "forms"


@pytest.mark.parametrize("form", FORMS, ids=lambda form: form.file)
def test_round_trip(form, folder, layouts):
    path = folder / f"{form.file}.xlsx"
    blank = path.read_bytes()
    assert choose_layout(blank, "renamed.xlsx", layouts).name == f"form {form.file}"
    assert parse(blank, "renamed.xlsx", layouts_of(form)[0]).data_rows == 0
    book = openpyxl.load_workbook(path)
    sheet = book[form.title]
    written = [one.choices[0] if one.kind == "list" else VALUES[one.kind] for one in form.fields]
    for column, value in enumerate(written, 1):
        cell = sheet.cell(5, column)
        cell.value = value
        if isinstance(value, str):
            cell.data_type = "s"  # text that begins with = stays text
    book.save(path)
    found = parse(path.read_bytes(), "x.xlsx", choose_layout(path.read_bytes(), "x", layouts))
    assert (found.table, found.data_rows) == (form.table, 1), found.refused.to_pylist()
    row = found.rows.to_pylist()[0]
    for one, value in zip(form.fields, written, strict=True):
        names = [*PARTS_OF.get(one.key, ()), one.key, f"{one.key}_text"]
        shown = [row[name] for name in names if name in row]
        wanted = value.date() if one.key in ("opened", "closed", "expires") else value
        assert wanted in shown, one.heading
    assert row["source_row"] == 5


def layouts_of(form):
    return form.layouts()


@pytest.mark.parametrize("form", FORMS, ids=lambda form: form.file)
@pytest.mark.parametrize("delimiter", [",", ";"])
def test_saved_as_text(form, delimiter, layouts):
    values = {"day": "2026-11-20", "time": "2026-11-20 07:30", "number": "3"}
    cells = [one.choices[0] if one.choices else values.get(one.kind, "x7") for one in form.fields]
    text = [form.title, "", "", delimiter.join(one.heading for one in form.fields)]
    data = "\n".join([*text, delimiter.join(cells)]).encode()
    found = parse(data, "x.csv", choose_layout(data, "x.csv", layouts))
    assert (found.table, found.rows.num_rows) == (form.table, 1)


def test_every_key_has_choices_that_the_tables_know():
    for form in FORMS:
        columns = {column.name: column for column in PARSED[form.table].columns}
        for one in form.fields:
            if one.kind == "list" and one.key in columns and columns[one.key].values:
                assert set(one.choices) <= set(columns[one.key].values)


def test_sheets_print_well_and_offer_the_codes(folder):
    book = openpyxl.load_workbook(folder / "kit_sheet.xlsx")
    sheet = book["Kit of the day"]
    assert sheet.page_setup.orientation == "landscape"
    assert sheet.print_title_rows == "$4:$4"
    lists = {str(v.sqref): v.formula1 for v in sheet.data_validations.dataValidation}
    assert lists["C5:C64"] == '"T01,T02"'
    assert lists["D5:D64"] == '"SP-01"'


def test_a_form_that_may_be_filled_in_is_not_overwritten(folder):
    with pytest.raises(CrewError, match="may be filled in"):
        write_forms(folder)
