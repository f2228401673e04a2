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


ENTRY = {
    **{"Date": dt.datetime(2026, 11, 16), "Technician": "T01", "Job": "J1", "Panel": "P01"},
    **{"Port": "03", "Step where found": "crimp", "Suspected cause": "unknown"},
    **{"What was done": "new connector", "Tries": 1, "Bodies": 1, "Minutes": 15},
}


def filled(folder, layouts, *entries, change=lambda book: None):
    """The rework log filled in by hand, perhaps changed by whoever keeps it, and read."""
    path = folder / "rework_log.xlsx"
    book = openpyxl.load_workbook(path)
    sheet = book.worksheets[0]
    headings = [cell.value for cell in sheet[4]]
    for row, entry in enumerate(entries, 5):
        for heading, value in entry.items():
            sheet.cell(row, headings.index(heading) + 1).value = value
    change(book)
    book.save(path)
    data = path.read_bytes()
    return parse(data, "log.xlsx", choose_layout(data, "log.xlsx", layouts))


def test_dates_typed_as_text_with_points_are_day_first(folder, layouts):
    found = filled(folder, layouts, ENTRY | {"Date": "4.3.2026"}, ENTRY | {"Date": "2026-03-05"})
    shown = found.rows["when_shown"].to_pylist()
    assert shown == [dt.datetime(2026, 3, 4), dt.datetime(2026, 3, 5)]


@pytest.mark.parametrize("date", ["3/4/2026", "yesterday"])
def test_dates_that_could_be_two_or_are_none_are_refused(date, folder, layouts):
    (row,) = filled(folder, layouts, ENTRY | {"Date": date}).refused.to_pylist()
    assert (row["column"], row["found"]) == ("Date", date)


@pytest.mark.parametrize(
    "written, minutes",
    [("1 h", 60), ("1,5 h", 90), ("1:30", 90), ("1h30", 90), ("20 min", 20), ("ca 15", 15),
     ("15'", 15), ("2 hours", 120), ("15-20", None), ("1 day", None), ("", None)],
)  # fmt: skip
def test_minutes_as_people_write_them(written, minutes, folder, layouts):
    found = filled(folder, layouts, ENTRY | {"Minutes": written})
    assert found.rows["rework_min"].to_pylist() == [minutes]


@pytest.mark.parametrize(
    "heading, key, written, value",
    [
        ("Cord (m)", "cord_m", "30 cm", 0.3),
        ("Cord (m)", "cord_m", "300 mm", 0.3),
        ("Cord (m)", "cord_m", "0,5", 0.5),
        ("Bodies", "bodies", "2 pcs", 2),
        ("Bodies", "bodies", "2 packs", None),  # packs are no pieces
        ("Bodies", "bodies", "1 box", None),
        ("Sleeves", "sleeves", "none", 0),
    ],
)
def test_units_behind_numbers_count(heading, key, written, value, folder, layouts):
    found = filled(folder, layouts, ENTRY | {heading: written})
    assert found.rows[key].to_pylist() == [pytest.approx(value)]


@pytest.mark.parametrize(
    "change",
    [
        lambda book: book.worksheets[0].delete_cols(13),
        lambda book: book.worksheets[0].insert_cols(3),
        lambda book: book.worksheets[0].delete_rows(1, 3),
        lambda book: book.worksheets[0].insert_rows(5, 4),
        lambda book: book.remove(book["What to write"]),
        lambda book: setattr(book.worksheets[0], "title", "Feuil1"),
    ],
)
def test_a_sheet_that_its_keeper_changed_is_still_read(change, folder, layouts):
    found = filled(folder, layouts, ENTRY, change=change)
    assert (found.table, found.data_rows, found.refused.num_rows) == ("rework", 1, 0)


def test_a_line_with_a_remark_alone_is_refused_and_not_passed_over(folder, layouts):
    (row,) = filled(folder, layouts, ENTRY, {"Remark": "see last week"}).refused.to_pylist()
    assert row["reason"] == "nothing under Date"


def test_files_of_others_are_no_forms(layouts):
    for heads in ("Job,Site", "Date,Technician", "Part,Lot", "Date,Unit", "Job,Panel,Port"):
        with pytest.raises(CrewError, match="no layout fits"):
            choose_layout(f"{heads}\na,b,c\n".encode(), "x.csv", layouts)
