"""Sixty known records in odd dress: the layout proposed unaided reads them, or asks."""

import datetime as dt
import io
import random
import re

import pytest
import xlsxwriter

from yieldkit.errors import CrewError
from yieldkit.records.layouts import choose_layout, layout_of
from yieldkit.records.parsing import parse
from yieldkit.records.proposing import propose

HEADINGS = [
    *("Record no", "Date and time", "Technician", "Job", "Position", "Connector", "Loss (dB)"),
    *("Angle left", "Angle right", "Result", "Remark"),
]
KEYS = {
    **{"counter": 0, "technician_text": 2, "place_text": 4, "loss_db": 6},
    **{"angle_crew_deg": 7, "angle_other_deg": 8},
}


def _records():
    rng, when = random.Random(1), dt.datetime(2026, 9, 13, 7, 40, 5)
    for i in range(60):
        when += dt.timedelta(minutes=rng.randint(3, 9), days=0 if i % 20 else rng.randint(1, 9))
        loss, own, other = rng.choice((0.0, 0.01, 0.03, 0.12)), rng.random(), rng.random()
        yield (1041 + i, when, f"T0{1 + i % 3}", "J12", f"P0{1 + i // 24}/{1 + i % 24:02d}",
               ("LC", "SC")[i % 2], loss, round(0.1 + own, 1), round(0.1 + other, 1),
               "dust" if i % 9 == 0 else "ok", "wind; cold" if i % 7 == 0 else "")  # fmt: skip


RECORDS = list(_records())


def cells(stamp="%Y-%m-%d %H:%M:%S", decimal="."):
    for row in RECORDS:
        shown = row[1].strftime(stamp) if isinstance(stamp, str) else stamp(row[1])
        numbers = [f"{row[6]:.2f}", f"{row[7]:.1f}", f"{row[8]:.1f}"]
        numbers = [number.replace(".", decimal) for number in numbers]
        yield [str(row[0]), shown, *row[2:6], *numbers, *row[9:]]


def text(delimiter=";", quoted=False, headings=HEADINGS, **dress):
    def one(cell):
        return f'"{cell}"' if quoted or delimiter in cell else cell

    lines = [delimiter.join(headings)] if headings else []
    lines += [delimiter.join(map(one, row)) for row in cells(**dress)]
    return "\n".join(lines) + "\n"


def assert_read(data, name="x.csv", minutes=False, answers=None):
    """Every record is read as it is by the layout proposed, and nothing is left open."""
    data = data.encode() if isinstance(data, str) else data
    proposal = propose(data, name, answers)
    assert proposal.questions == ()
    found = parse(data, name, choose_layout(data, name, [proposal.layout]))
    assert found.refused.num_rows == 0 and found.data_rows == len(RECORDS)
    for wanted, row in zip(RECORDS, found.rows.to_pylist(), strict=True):
        assert {key: row[key] for key in KEYS} == {key: wanted[at] for key, at in KEYS.items()}
        assert row["when_shown"] == (wanted[1].replace(second=0) if minutes else wanted[1])
    return proposal


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16", "utf-16-be", "utf-32", "cp437"])
def test_encodings(encoding):
    turned = [h.replace("Loss", "Dämpfung").replace("Angle", "Winkel") for h in HEADINGS]
    assert_read(text(headings=turned).encode(encoding))


@pytest.mark.parametrize(
    "encoding, headings",
    [
        ("cp1250", "Numer|Data i godzina|Technik|Zlecenie|Miejsce|Złącze|Tłumienność (dB)|Kąt lewy"
         "|Kąt prawy|Wynik|Uwagi"),
        ("cp1251", "Номер|Дата и время|Техник|Заказ|Место|Разъём|Потери (дБ)|Угол левый"
         "|Угол правый|Результат|Примечание"),
        ("shift_jis", "番号|日時|作業者|工事|位置|コネクタ|損失|左角度|右角度|結果|備考"),
    ],
)  # fmt: skip
def test_where_no_heading_is_known_the_cells_tell(encoding, headings):
    assert_read(text(headings=headings.split("|")).encode(encoding))


@pytest.mark.parametrize("delimiter", [",", "\t", "|", "~", "^", "\x1f", "::"])
def test_delimiters(delimiter):
    assert_read(text(delimiter))
    assert_read(text(delimiter, quoted=True, decimal=","))


@pytest.mark.parametrize(
    "stamp",
    ["%d.%m.%Y %H:%M:%S", "%m/%d/%Y %I:%M:%S %p", "%d-%b-%Y %H:%M:%S", "%Y%m%d%H%M%S",
     "%Y%m%dT%H%M%S", "%b %d, %Y %I:%M:%S %p", "%Y-%m-%d %H.%M.%S", "%Y-%m-%d %I:%M:%S %p",
     "%Y-%m-%dT%H:%M:%S+02:00", "%Y-%m-%d\u00a0%H:%M:%S", "%a %d.%m.%Y %H:%M:%S",
     "%A, %d.%m.%Y, %H:%M:%S Uhr"],
)  # fmt: skip
def test_stamps(stamp):
    assert_read(text(stamp=stamp))


def test_a_german_weekday_and_a_word_for_the_clock():
    days = ("Mo", "Di", "Mi", "Do", "Fr", "Sa", "So")
    shown = lambda when: f"{days[when.weekday()]}. {when:%d.%m.%Y %H:%M} Uhr"  # noqa: E731
    assert_read(text(stamp=shown), minutes=True)


def test_years_of_two_digits_are_asked_and_then_read():
    data = text(stamp="%d.%m.%y %H:%M:%S")
    (question,) = propose(data.encode(), "x.csv").questions
    assert question.code == "date order"
    assert_read(data, answers={"date order": "day first"})


@pytest.mark.parametrize("stamp", ["%s", "%y%m%d %H%M%S"])
def test_a_time_that_cannot_be_read_is_said_and_not_dropped_in_silence(stamp):
    stamp = (lambda when: str(int(when.timestamp()))) if stamp == "%s" else stamp
    proposal = propose(text(stamp=stamp).encode(), "x.csv")
    assert "when" not in proposal.layout.columns
    assert any(c.what == "column when" and "no dates" in c.reason for c in proposal.choices)


@pytest.mark.parametrize(
    "change",
    [
        lambda t: t + "Total;;;;;;1.93;;;;\nMean;;;;;;0.03;;;;\n",
        lambda t: t + "Summe;60;;;;;1,93;;;;\n",
        lambda t: t.replace("\n1061;", "\nSubtotal;;;;;20;;;;;\n1061;"),
        lambda t: "sep=;\n" + t,
        lambda t: t.replace("\n", ";\n"),
        lambda t: t.replace("\n", "\n\n"),
        lambda t: t.replace("\n", "\r"),
        lambda t: "Fibre log\nMachine: SP-04\nRead out: 2026-10-01 12:00\n\n" + t,
        lambda t: t.replace("\n1061;", f"\n\nPage 2\n{';'.join(HEADINGS)}\n1061;"),
        lambda t: re.sub(r"(P0\d/\d\d)", r'="\1"', t),
    ],
)
def test_furniture_and_habits_of_spreadsheets(change):
    assert_read(change(text()))


def test_apostrophes_as_quotes():
    assert_read(text(quoted=True).replace('"', "'"))


def test_quoted_line_breaks():
    data = text(quoted=True).replace("wind; cold", "wind\ncold")
    proposal = assert_read(data)
    remarks = parse(data.encode(), "x.csv", proposal.layout).rows["remark"].to_pylist()
    assert remarks[0] == "wind\ncold"


def test_headings_in_two_rows():
    upper = [*HEADINGS[:7], "Cleave angle", "", *HEADINGS[9:]]
    lower = [*[""] * 7, "left", "right", "", ""]
    body = text(headings=None)
    assert_read(f"{';'.join(upper)}\n{';'.join(lower)}\n{body}")
    groups = [*[""] * 7, "Cleave", "", "", ""]
    names = [*HEADINGS[:7], "left", "right", *HEADINGS[9:]]
    assert_read(f"{';'.join(groups)}\n{';'.join(names)}\n{body}")


def test_no_headings():
    assert_read(text(headings=None))


@pytest.mark.parametrize("decimal", [".", ","])
@pytest.mark.parametrize("gap", [1, 2])
@pytest.mark.parametrize("ruler", [False, True])
def test_columns_by_place(decimal, gap, ruler):
    rows = [HEADINGS, *cells(decimal=decimal)]
    widths = [max(len(row[at]) for row in rows) for at in range(len(HEADINGS))]
    right = {0, 6, 7, 8}
    lines = [
        (" " * gap)
        .join(
            c.rjust(w) if at in right else c.ljust(w)
            for at, (c, w) in enumerate(zip(row, widths, strict=True))
        )
        .rstrip()
        for row in rows
    ]
    lines[1:1] = ["-" * 90] if ruler else []
    data = "\n".join(["Splice list of SP-07", "", *lines]) + "\n"
    if gap == 2:
        assert_read(data)
        return
    # headings parted by one blank: what is uncertain is seen in the preview, and no row is lost
    layout = propose(data.encode(), "x.csv").layout
    found = parse(data.encode(), "x.csv", layout)
    assert (found.data_rows, found.refused.num_rows) == (60, 0)
    assert found.rows["loss_db"].to_pylist() == [row[6] for row in RECORDS]


@pytest.mark.parametrize("fibres", [2, 4, 8, 12, 24])
@pytest.mark.parametrize(
    "heading", ["Loss F{}", "Fibre {}", "Dämpfung {} (dB)", "{} est. loss", "{}"]
)
def test_ribbons(fibres, heading):
    if fibres == 2 and heading == "{}":
        return  # "1" and "2" alone say nothing
    names = [heading.format(number + 1) for number in range(fibres)]
    lines = [",".join(["Record", "Time", "Tech", "Panel", "Ports", "Ribbon", *names, "Result"])]
    for at, row in enumerate(RECORDS[:20]):
        span = f"{at % 6 * fibres + 1}-{at % 6 * fibres + fibres}"
        losses = [f"{0.01 + (at + fibre) % 5 / 100:.2f}" for fibre in range(fibres)]
        lines.append(
            ",".join(
                [str(row[0]), str(row[1]), row[2], f"P{at // 6}", span, f"R{at}", *losses, "ok"]
            )
        )
    data = ("\n".join(lines) + "\n").encode()
    found = parse(data, "x.csv", propose(data, "x.csv").layout)
    assert (found.data_rows, found.rows.num_rows, found.refused.num_rows) == (20, 20 * fibres, 0)
    assert len(set(found.rows["ribbon_text"].to_pylist())) == 20
    assert found.rows["fibre"].to_pylist()[:fibres] == list(range(1, fibres + 1))


def test_two_losses_without_a_ribbon_are_no_ribbon():
    data = text().replace("Angle left", "Loss 1").replace("Angle right", "Loss 2").encode()
    assert not propose(data, "x.csv").layout.ribbon


def workbook(*, sheets=1, merged=False, title=False):
    packed = io.BytesIO()
    with xlsxwriter.Workbook(packed) as book:
        stamp = book.add_format({"num_format": "dd.mm.yyyy hh:mm:ss"})
        share = len(RECORDS) // sheets
        for number in range(sheets):
            sheet, at = book.add_worksheet(f"Month {number + 1}"), 0
            if title:
                sheet.merge_range(0, 0, 0, 10, "Splices of SP-03")
                at = 2
            if merged:
                sheet.merge_range(at, 7, at, 8, "Cleave angle")
                for column in (*range(7), 9, 10):
                    sheet.merge_range(at, column, at + 1, column, HEADINGS[column])
                sheet.write_row(at + 1, 7, ["left", "right"])
                at += 1
            else:
                sheet.write_row(at, 0, HEADINGS)
            part = RECORDS[number * share : (number + 1) * share]
            for row, record in enumerate(part, start=at + 1):
                sheet.write_row(row, 0, record[:1])
                sheet.write_datetime(row, 1, record[1], stamp)
                sheet.write_row(row, 2, record[2:])
            if title:
                sheet.write_row(at + 1 + len(part), 0, ["Total", "", "", "", "", "", 1.5])
    return packed.getvalue()


def test_dates_that_a_workbook_shows_as_days():
    packed = io.BytesIO()
    with xlsxwriter.Workbook(packed) as book:
        sheet = book.add_worksheet()
        sheet.write_row(0, 0, HEADINGS)
        for row, record in enumerate(RECORDS, start=1):
            days = (record[1] - dt.datetime(1899, 12, 30)) / dt.timedelta(days=1)
            sheet.write_row(row, 0, [record[0], days, *record[2:]])
    assert_read(packed.getvalue(), "x.xlsx")


def test_records_on_a_hidden_sheet_are_read_and_accounted_for():
    packed = io.BytesIO()
    with xlsxwriter.Workbook(packed) as book:
        for number, hidden in enumerate((False, True)):
            sheet = book.add_worksheet(f"s{number}")
            sheet.write_row(0, 0, ["no", "loss"])
            sheet.write_row(1, 0, [number, 0.02])
            if hidden:
                sheet.hide()
    layout = layout_of(
        {"table": "attempts", "format": "workbook", "columns": {"counter": "no", "loss": "loss"}},
        "x",
    )
    found = parse(packed.getvalue(), "x.xlsx", layout)
    assert found.rows["sheet"].to_pylist() == ["s0", "s1"]


@pytest.mark.parametrize("sheets", [1, 3])
@pytest.mark.parametrize("merged", [False, True])
@pytest.mark.parametrize("title", [False, True])
def test_workbooks(sheets, merged, title):
    assert_read(workbook(sheets=sheets, merged=merged, title=title), "x.xlsx")


@pytest.mark.parametrize(
    "name, machine",
    [
        ("SP-11 week36.csv", "SP-11"),
        ("week36.csv", None),
        ("T02 2026-09.csv", None),  # a technician of the file
        ("export 2026-10-01 (2).csv", None),
    ],
)
def test_a_machine_only_in_the_name_of_the_file(name, machine):
    proposal = propose(text().encode(), name)
    found = parse(text().encode(), name, proposal.layout)
    assert found.furniture.get("unit") == machine


def test_what_holds_no_columns_is_said():
    with pytest.raises(CrewError, match="do not fall into columns"):
        propose(text(":").encode(), "x.csv")


def wide_readings(headings, values):
    rows = [[f"{1 + n % 28:02d}.10.2026", "J1", f"M{n // 24}", str(n % 24 + 1)] for n in range(60)]
    lines = [";".join([*("Date", "Job", "Closure", "Fibre"), *headings])]
    lines += [
        ";".join([*row, *(f"{low + (n * 7 % 13) / 100:.3f}" for low in values)])
        for n, row in enumerate(rows)
    ]
    return ("\n".join(lines) + "\n").encode()


def test_readings_from_both_ends_and_their_mean_are_told_apart():
    headings = ["A->B 1310", "B->A 1310", "Mean 1310", "A->B 1550", "B->A 1550", "Mean 1550"]
    layout = propose(wide_readings(headings, [-0.1, -0.1, 0.0, -0.1, -0.1, 0.0]), "x.csv").layout
    told = [(one.quantity, one.wavelength_nm, one.direction) for one in layout.readings]
    assert told == [
        (quantity, nm, way)
        for nm in (1310.0, 1550.0)
        for quantity, way in (("one-way loss", "A to B"), ("one-way loss", "B to A"),
                              ("two-way loss", ""))
    ]  # fmt: skip
    assert layout.columns["port"] == "Fibre"


def test_a_mean_without_readings_of_each_direction_is_not_taken_for_both():
    layout = propose(wide_readings(["Mean 1310", "Mean 1550"], [0.1, 0.1]), "x.csv").layout
    assert {one.quantity for one in layout.readings} == {"insertion loss"}


def test_a_step_that_is_also_a_type_is_a_step():
    lines = [f"{16 + n % 5}.11.2026;T01;J1;P01;{n};LC;jatkos;likainen;5" for n in range(1, 20)]
    data = "\n".join(["Päivä;Asentaja;Työ;Paneeli;Portti;Liitin;Vaihe;Syy;Minuutit", *lines])
    layout = propose(data.encode(), "x.csv").layout
    assert (layout.columns["step"], layout.columns["connector_type"]) == ("Vaihe", "Liitin")
