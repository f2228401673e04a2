"""One small set of records in every dress that a file can wear."""

import datetime as dt
import io
import zipfile
from pathlib import Path

import pytest
import xlsxwriter

from yieldkit.errors import CrewError
from yieldkit.records.layouts import choose_layout, layout_of
from yieldkit.records.parsing import parse

RECORDS = [
    (1, dt.datetime(2026, 3, 4, 7, 5, 9), "T01", "P01/01", 0.02),
    (2, dt.datetime(2026, 3, 4, 13, 15, 0), "T02", "P01/02", 0.1),
    (3, dt.datetime(2026, 3, 15, 12, 0, 30), "T01", "P01/03", 1.25),
]
HEADINGS = ["No", "Time", "Who", "Place", "Loss"]
COLUMNS = {"counter": "No", "when": "Time", "technician": "Who", "place": "Place", "loss": "Loss"}


def made(**said):
    return layout_of({"table": "attempts", "columns": COLUMNS} | said, "made.toml")


def check(data, layout, name="x.csv", records=RECORDS):
    assert choose_layout(data, name, [layout]) is layout
    found = parse(data, name, layout)
    rows = found.rows.to_pylist()
    assert found.refused.to_pylist() == []
    assert [
        (r["counter"], r["when_shown"], r["technician_text"], r["place_text"], r["loss_db"])
        for r in rows
    ] == records
    return found


def lines(stamp="%Y-%m-%d %H:%M:%S", delimiter=",", decimal="."):
    for number, when, who, place, loss in RECORDS:
        shown = f"{loss:.2f}".replace(".", decimal)
        yield delimiter.join([str(number), when.strftime(stamp), who, place, shown])


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "windows-1252"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("delimiter, decimal", [(",", "."), (";", ","), ("\t", ","), ("|", ".")])
def test_encodings_line_ends_and_delimiters(encoding, end, delimiter, decimal):
    text = end.join([delimiter.join(HEADINGS), *lines(delimiter=delimiter, decimal=decimal)])
    layout = made(encoding=encoding.removesuffix("-sig"), delimiter=delimiter, decimal=decimal)
    check((text + end).encode(encoding), layout)
    check(text.encode(encoding), layout)  # without the last line end


@pytest.mark.parametrize(
    "form, stamp",
    [
        ("dd.mm.yyyy hh:mm:ss", "%d.%m.%Y %H:%M:%S"),
        ("d/m/yy h:mm:ss am", "%d/%m/%y %I:%M:%S %p"),
        ("mm/dd/yyyy hh:mm:ss am", "%m/%d/%Y %I:%M:%S %p"),
        ("dd mmm yyyy hh:mm:ss", "%d %b %Y %H:%M:%S"),
        ("mmmm d yyyy hh.mm.ss", "%B %d %Y %H.%M.%S"),
        ("yyyymmdd hhmmss", "%Y%m%d %H%M%S"),
        ("yyyy-mm-dd hh:mm:ss", "%Y-%m-%dT%H:%M:%SZ"),
        ("yyyy-mm-dd hh:mm:ss", "%Y-%m-%d %H:%M:%S.250"),
    ],
)
def test_forms_of_dates(form, stamp):
    text = "\n".join([",".join(HEADINGS), *lines(stamp)]) + "\n"
    check(text.encode(), made(dates=[form]))


@pytest.mark.parametrize(
    "month", ["März", "mars", "marzo", "março", "maart", "maaliskuuta", "marca", "marts", "Mrz."]
)
def test_names_of_months(month):
    text = "\n".join([",".join(HEADINGS), *lines(f"%d. {month} %Y %H:%M:%S")])
    check(text.encode(), made(dates=["d. mmmm yyyy hh:mm:ss"]))


def test_fixed_width_with_headings_and_ruler():
    spans = {"counter": "1-5", "when": "6-25", "technician": "26-30", "place": "31-40"}
    layout = made(
        format="fixed", starts_after="^No", columns=spans | {"loss": "41-"}, table="attempts"
    )
    body = [f"{n:<5}{w:%Y-%m-%d %H:%M:%S} {t:<5}{p:<10}{x:.2f}" for n, w, t, p, x in RECORDS]
    head = ["Report of the machine", f"{'No':<5}{'Time':<20}Who  Place     Loss", "-" * 45]
    check("\n".join([*head, *body]).encode(), layout)
    cut = parse("\n".join([*head, *body, "4    2026-0"]).encode(), "x", layout)
    assert cut.refused.to_pylist()[0]["source_row"] == 7
    assert "cut off" in cut.refused.to_pylist()[0]["reason"]


def test_no_header():
    where = {"counter": 1, "when": [2, 3], "technician": 4, "place": 5, "loss": 6}
    layout = made(header_rows=0, columns=where, delimiter=";")
    text = "\n".join(lines("%Y-%m-%d;%H:%M:%S", ";"))
    check(text.encode(), layout)
    with pytest.raises(CrewError, match="no layout fits"):
        choose_layout(b"a;b;c;d;e;f\n1;x;y;z;z;z\n", "other.csv", [layout])


def test_headings_in_two_rows():
    upper, lower = "Joint,,Person,Position,Estimate", "No,Time,Who,Place,dB"
    text = "\n".join(["Title", "", upper, lower, *lines()])
    columns = COLUMNS | {"loss": "Estimate / dB", "counter": "Joint / No", "when": "Joint / Time"}
    check(text.encode(), made(header_rows=2, columns=columns))


def test_furniture_among_the_rows():
    rows = list(lines())
    text = [
        "Machine: SP-09, downloaded 2026-03-16 08:00:00",
        "",
        *(",".join(HEADINGS), rows[0], ",,,,", ",".join(HEADINGS), rows[1]),
        *("Site of the second week,,,,", "-----", rows[2], "", "Total,,,,1.37", "Mean,,,,0.46"),
        "End of the list",
    ]
    preamble = {"splicer": r"Machine: ([^,\s]+)", "downloaded": r"downloaded (\S+ \S+)"}
    found = check("\n".join(text).encode(), made(preamble=preamble))
    assert found.furniture["unit"] == "SP-09"
    assert found.furniture["downloaded"] == dt.datetime(2026, 3, 16, 8)
    assert found.rows["source_row"].to_pylist() == [4, 7, 10]


def test_machine_from_the_name_of_the_file():
    text = "\n".join([",".join(HEADINGS), *lines()])
    layout = made(file_name={"splicer": r"(SP-\d+)"})
    assert parse(text.encode(), "week SP-07.csv", layout).furniture["unit"] == "SP-07"


def test_quotes_and_line_breaks_within_them():
    head = ",".join([*HEADINGS, "Note"])
    notes = ['"two\nlines, and ""quoted"""', '5" of cord', '"unclosed, to the end of the row']
    text = [head, *(f"{line},{note}" for line, note in zip(lines(), notes, strict=True))]
    layout = made(columns=COLUMNS | {"remark": "Note"})
    data = "\n".join(text).encode()
    found = parse(data, "x", layout)
    assert found.rows["remark"].to_pylist() == ['two\nlines, and "quoted"', '5" of cord']
    assert found.rows["source_row"].to_pylist() == [2, 3]
    assert found.refused["source_row"].to_pylist() == [4]
    quoted = "\n".join(",".join(f'"{c}"' for c in line.split(",")) for line in [head, *lines()])
    check((quoted + "\n").encode(), made())


def test_a_stray_quote_swallows_no_rows():
    rows = list(lines())
    text = [",".join(HEADINGS), rows[0], rows[1].replace("T02", '"T02'), rows[2]]
    found = parse("\n".join(text).encode(), "x", made())
    assert found.data_rows == 3
    assert found.rows["technician_text"].to_pylist() == ["T01", '"T02', "T01"]


def test_thousands_marks_and_units():
    text = (
        "No;Time;Who;Place;Loss\n1.234;2026-03-04;T01;P01/01;20 mdB\n12.345;2026-03-04;T01;x;<10\n"
    )
    layout = made(delimiter=";", decimal=",", thousands=".", units={"loss": "mdB"})
    rows = parse(text.replace(" mdB", "").encode(), "x", layout).rows.to_pylist()
    assert [r["counter"] for r in rows] == [1234, 12345]
    assert [(r["loss_db"], r["loss_mark"], r["loss_step"]) for r in rows] == [
        (0.02, "=", 0.001),
        (0.01, "<", 0.001),
    ]


def test_wide_ribbons_become_fibres_of_one_ribbon():
    text = (
        "No,Time,Who,Place,L1,L2,L3,Result\n"
        "1,2026-03-04 07:00:00,T01,R01,0.02,0.03,<0.01,ok\n"
        "2,2026-03-04 07:10:00,T01,R02,0.02,,,ok\n"
        "3,2026-03-04 07:20:00,T01,R03,,,,error: dust\n"
        "4,2026-03-04 07:30:00,T01,R04,0.02,x,0.03,ok\n"
    )
    columns = {k: v for k, v in COLUMNS.items() if k != "loss"} | {"outcome": "Result"}
    layout = made(columns=columns, ribbon={"loss": "L{n:1-3}"})
    found = parse(text.encode(), "x", layout)
    rows = found.rows.to_pylist()
    assert found.data_rows == 4
    assert [(r["ribbon_text"], r["fibre"], r["loss_db"], r["error"]) for r in rows] == [
        ("1", 1, 0.02, "none"),
        ("1", 2, 0.03, "none"),
        ("1", 3, 0.01, "none"),
        ("2", 1, 0.02, "none"),
        ("3", None, None, "dust"),
    ]
    assert found.refused.to_pylist()[0]["found"] == "x"


def workbook(rows, sheets=("One",), merge=None):
    out = io.BytesIO()
    book = xlsxwriter.Workbook(out, {"strings_to_formulas": False})
    day = book.add_format({"num_format": "dd.mm.yyyy hh:mm:ss"})
    for name in sheets:
        sheet = book.add_worksheet(name)
        for at, row in enumerate(rows):
            for column, cell in enumerate(row):
                if isinstance(cell, dt.datetime):
                    sheet.write_datetime(at, column, cell, day)
                else:
                    sheet.write(at, column, cell)
        if merge:
            sheet.merge_range(*merge)
    book.close()
    return out.getvalue()


def test_workbook_with_titles_merged_cells_and_several_sheets():
    rows = [["Joints of the crew"], [], HEADINGS, *map(list, RECORDS), ["Sum", "", "", "", 1.37]]
    rows[4][2] = None
    data = workbook(rows, ["One", "Two"], merge=(3, 2, 4, 2, "T01"))
    layout = made(format="workbook")
    found = parse(data, "x.xlsx", layout)
    assert found.data_rows == 6
    assert found.rows["technician_text"].to_pylist()[:2] == ["T01", "T01"]
    assert found.rows["loss_text"].to_pylist()[:3] == ["0.02", "0.10", "1.25"]
    assert found.rows["source_row"].to_pylist()[:3] == [4, 5, 6]
    only = parse(data, "x.xlsx", made(format="workbook", sheets=["Tw*"]))
    assert set(only.rows["sheet"].to_pylist()) == {"Two"}
    with pytest.raises(CrewError, match="no sheet"):
        parse(data, "x.xlsx", made(format="workbook", sheets=["Three"]))


def open_document(rows, spanned=()):
    """An ODS file; a cell of ``spanned`` (row, column) reaches over the row below it."""

    def cell(value, place):
        down = ' table:number-rows-spanned="2"' if place in spanned else ""
        if isinstance(value, dt.datetime):
            return (
                f'<table:table-cell{down} office:value-type="date" '
                f'office:date-value="{value.isoformat()}"/>'
            )
        if isinstance(value, str):
            text = f"<text:p>{value}</text:p></table:table-cell>"
            return f'<table:table-cell{down} office:value-type="string">{text}'
        if value is None:
            return "<table:covered-table-cell/>"
        return f'<table:table-cell{down} office:value-type="float" office:value="{value}"/>'

    body = "".join(
        "<table:table-row>"
        + "".join(cell(value, (at, column)) for column, value in enumerate(row))
        + "</table:table-row>"
        for at, row in enumerate(rows)
    )
    spaces = " ".join(
        f'xmlns:{n}="urn:oasis:names:tc:opendocument:xmlns:{n}:1.0"'
        for n in ("office", "table", "text")
    )
    content = (
        f'<?xml version="1.0"?><office:document-content {spaces}><office:body><office:spreadsheet>'
        f'<table:table table:name="One">{body}</table:table>'
        "</office:spreadsheet></office:body></office:document-content>"
    )
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as packed:
        packed.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        packed.writestr(
            "META-INF/manifest.xml",
            '<m:manifest xmlns:m="urn:oasis:names:tc:opendocument:xmlns:manifest:1.0"/>',
        )
        packed.writestr("content.xml", content)
    return out.getvalue()


def test_open_document_sheet():
    check(open_document([HEADINGS, *RECORDS]), made(format="workbook"), "x.ods")


def test_merged_cells_of_an_open_document_are_filled():
    rows = [HEADINGS, *map(list, RECORDS)]
    rows[2][2] = None
    found = parse(open_document(rows, {(1, 2)}), "x.ods", made(format="workbook"))
    said = found.rows["technician_text"].to_pylist()
    assert said[1] == said[0] == rows[1][2]
    assert said[2:] == [row[2] or None for row in rows[3:]]


def test_gaps_in_the_outcome_words():
    columns = COLUMNS | {"outcome": "Result"}
    text = ",".join([*HEADINGS, "Result"]) + "\n"
    text += "\n".join(
        [
            "1,2026-03-04,T01,P1,0.02,flurb",  # a word nobody knows, with a loss: not judged
            "2,2026-03-04,T01,P1,,flurb",  # and without one: an error of unknown kind
            "3,2026-03-04,T01,P1,,error: bubble",
            "4,2026-03-04,T01,P1,DUST,",
            "5,2026-03-04,T01,P1,what,",  # neither number nor known word: refused
            "6,2026-03-04,T01,P1,---,ok",
        ]
    )
    found = parse(text.encode(), "x", made(columns=columns))
    assert found.rows["error"].to_pylist() == [None, "other", "bubble or neck", "dust", "none"]
    assert found.refused["source_row"].to_pylist() == [6]
    assert found.furniture["unknown_words"] == {"outcome": ["flurb"]}


def test_impossible_dates_stay_where_a_counter_places_them():
    text = "\n".join([",".join(HEADINGS), "7,31.02.2026 07:00:00,T01,P1,0.02"])
    layout = made(dates=["dd.mm.yyyy hh:mm:ss"])
    row = parse(text.encode(), "x", layout).rows.to_pylist()[0]
    assert (row["counter"], row["when_shown"], row["when_text"]) == (7, None, "31.02.2026 07:00:00")
    without = made(columns={k: v for k, v in COLUMNS.items() if k != "counter"}, dates=layout.dates)
    found = parse(text.encode(), "x", without)
    assert "impossible date" in found.refused.to_pylist()[0]["reason"]


def test_old_binary_workbook():
    data = (Path(__file__).parents[1] / "fixtures" / "records" / "three_joints.xls").read_bytes()
    check(data, made(format="workbook"), "x.xls")


def test_zeros_dropped_at_the_end_do_not_widen_the_step():
    shown = [f"{(n % 30) / 100:.2f}" for n in range(120)]
    layout = layout_of(
        {
            "table": "measurements",
            "columns": {"place": "Place", "value": "IL"},
            "constants": {"quantity": "insertion loss"},
        },
        "made.toml",
    )

    def steps(cells):
        data = "\n".join(["Place,IL", *(f"P1/{n},{cell}" for n, cell in enumerate(cells)), ""])
        return set(parse(data.encode(), "x", layout).rows["value_step"].to_pylist())

    assert steps(shown) == {0.01}
    assert steps([cell.rstrip("0").rstrip(".") for cell in shown]) == {0.01}
    assert steps([*shown, "0.1"]) == {0.01, 0.1}  # here ends were kept: it was shown so
