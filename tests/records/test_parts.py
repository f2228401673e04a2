"""Downloads laid one after the other in one file: each keeps its own machine."""

import io
from datetime import datetime, timedelta

import pytest
import xlsxwriter
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.records.made_files import crew as settings_of
from tests.records.test_ingest import crew, put, tables  # noqa: F401
from yieldkit.records.decisions import OPEN
from yieldkit.records.deriving import Decided, derive
from yieldkit.records.doubts import doubts_of
from yieldkit.records.layouts import layout_of
from yieldkit.records.parsed import NOT_NAMED
from yieldkit.records.parsing import parse
from yieldkit.records.stacking import Source

KEYS = {"counter": "No", "when": "Time", "place": "Place", "loss": "Loss", "remark": "Note"}
HEADINGS = list(KEYS.values())
SAID = {
    "table": "attempts",
    "columns": KEYS,
    "preamble": {
        "splicer": r"Machine[:;,|\s]*([A-Z]{2}-\d\d)",
        "downloaded": r"Read out[:;,|\s]*(.+)",
    },
}


def made(**more):
    return layout_of(SAID | more, "export.toml")


def records(first, count=3, day=1, delimiter=","):
    start = datetime(2026, 3, day, 8)
    return [
        delimiter.join([str(n), f"{start + timedelta(minutes=5 * n)}", f"P01/{n}", "0.03", "ok"])
        for n in range(first, first + count)
    ]


def download(machine, first, count=3, *, day=1, above=(), headings=HEADINGS, delimiter=","):
    named = [f"Machine: {machine}"] if machine else []
    head = [delimiter.join(headings)] if headings else []
    return [*named, *above, *head, *records(first, count, day, delimiter)]


def machines(text, layout=None, name="x.csv"):
    """Machine of each record by its number, and the file as parsed."""
    data = text if isinstance(text, bytes) else text.encode()
    parsed = parse(data, name, layout or made())
    rows = parsed.rows.to_pylist()
    assert parsed.data_rows == len(rows) + parsed.refused.num_rows
    return {row["counter"]: row["splicer_text"] for row in rows}, parsed


def text_of(*parts):
    return "\n".join(line for part in parts for line in part) + "\n"


def test_a_second_download_keeps_its_own_machine():
    found, parsed = machines(text_of(download("SP-01", 10), [""], download("SP-02", 500)))
    assert found == dict.fromkeys(range(10, 13), "SP-01") | dict.fromkeys(range(500, 503), "SP-02")
    assert parsed.refused.num_rows == 0
    assert parsed.rows["source_row"].to_pylist() == [3, 4, 5, 9, 10, 11]
    assert "unit" not in parsed.furniture


def test_a_second_preamble_without_headings_begins_a_part_too():
    found, parsed = machines(
        text_of(download("SP-01", 10), download("SP-02", 500, headings=None), ["", "Machine,SP-03"])
        + "\n".join(records(700))
    )
    assert [found[n] for n in (10, 12, 500, 502, 700)] == [
        "SP-01",
        "SP-01",
        "SP-02",
        "SP-02",
        "SP-03",
    ]
    assert parsed.refused.num_rows == 0


@pytest.mark.parametrize("above", [(), ("Read out: 2026-04-01",), ("Page two of the list",)])
def test_a_part_that_names_no_machine_is_nobodys(above):
    found, _ = machines(text_of(download("SP-01", 10), download("", 500, above=above)))
    assert found[12] == "SP-01"
    assert found[500].startswith(f"{NOT_NAMED}x.csv, from row ")
    assert len({found[n] for n in (500, 501, 502)}) == 1


def test_headings_on_every_page_of_one_printout_are_of_one_machine():
    pages = [download("SP-01", 10), download("", 13, above=("Page 2",)), download("", 18)]
    found, parsed = machines(text_of(*pages))
    assert set(found.values()) == {"SP-01"}
    assert parsed.furniture["unit"] == "SP-01"


def test_a_memory_read_out_again_into_the_same_file_is_of_the_same_machine():
    found, _ = machines(text_of(download("SP-01", 10, 5), download("", 12, 9)))
    assert set(found.values()) == {"SP-01"}


def test_equal_numbers_at_other_times_are_of_another_machine():
    found, parsed = machines(text_of(download("SP-01", 10, 5), download("", 12, 9, day=7)))
    assert {row["splicer_text"][:10] for row in parsed.rows.to_pylist()} == {
        "SP-01",
        NOT_NAMED[:10],
    }


def test_the_machine_in_the_name_of_the_file_is_that_of_the_first_download_only():
    layout = made(preamble={}, file_name={"splicer": r"(SP-\d\d)"})
    found, _ = machines(text_of(download("", 10), download("", 500)), layout, "SP-07 week 3.csv")
    assert found[12] == "SP-07"
    assert found[500] == f"{NOT_NAMED}SP-07 week 3.csv, from row 6"


def test_columns_in_another_order_are_read_by_their_own_headings():
    turned = ["Machine: SP-02", "Time,No,Place,Note,Loss", "2026-03-01 09:00:00,77,P01/1,ok,0.11"]
    _, parsed = machines(text_of(download("SP-01", 10), turned))
    last = parsed.rows.to_pylist()[-1]
    assert (last["counter"], last["loss_db"], last["splicer_text"]) == (77, 0.11, "SP-02")


@pytest.mark.parametrize("machine", ["SP-02", ""])
def test_a_file_put_on_to_a_line_without_end_spoils_one_row_and_no_machine(machine):
    text = "\n".join(download("SP-01", 10)) + "\n".join(download(machine, 500)) + "\n"
    found, parsed = machines(text)
    assert sorted(found) == [10, 11, 500, 501, 502]
    assert found[500] == machine or found[500].startswith(NOT_NAMED)
    (row,) = parsed.refused.to_pylist()
    assert row["source_row"] == 5
    assert "another file goes on in this line" in row["reason"]


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16"])
@pytest.mark.parametrize("end", ["\n", ""])
def test_byte_order_marks_of_the_second_file_harm_nothing(encoding, end):
    data = b"".join(
        ("\n".join(download(machine, first)) + end).encode(encoding)
        for machine, first in (("SP-01", 10), ("SP-02", 500))
    )
    found, parsed = machines(data, made(encoding=encoding.removesuffix("-sig")))
    assert [found[12], found[500], found[502]] == ["SP-01", "SP-02", "SP-02"]
    assert parsed.refused.num_rows == 0


def test_two_downloads_on_one_sheet():
    packed = io.BytesIO()
    with xlsxwriter.Workbook(packed) as book:
        sheet = book.add_worksheet()
        for row, line in enumerate([*download("SP-01", 10), "", *download("SP-02", 500)]):
            sheet.write_row(row, 0, line.split(","))
    found, _ = machines(packed.getvalue(), made(format="workbook"))
    assert [found[10], found[12], found[500]] == ["SP-01", "SP-01", "SP-02"]


def test_two_downloads_in_columns_of_fixed_width():
    def page(machine, first):
        rows = [f"{n:>5} 2026-03-01 08:{n % 60:02d}:00  0.03" for n in range(first, first + 3)]
        return [f"Machine {machine}", "   No Time                 Loss", *rows]

    layout = layout_of(
        {
            "table": "attempts",
            "format": "fixed",
            "header_rows": 0,
            "starts_after": r"^\s*No\s+Time",
            "columns": {"counter": "1-5", "when": "7-25", "loss": "26-31"},
            "preamble": {"splicer": r"Machine (\S+)"},
        },
        "fixed.toml",
    )
    found, parsed = machines(text_of(page("SP-01", 10), page("SP-02", 500)), layout)
    assert found == dict.fromkeys(range(10, 13), "SP-01") | dict.fromkeys(range(500, 503), "SP-02")
    assert parsed.refused.num_rows == 0


def test_other_things_said_above_go_with_their_part():
    said = SAID["preamble"] | {"job": r"Job: (\S+)"}
    text = text_of(
        download("SP-01", 10, above=["Job: J1"]), download("SP-02", 500, above=["Job: J2"])
    )
    _, parsed = machines(text, made(preamble=said))
    assert parsed.rows["job_text"].to_pylist() == ["J1"] * 3 + ["J2"] * 3


def source_of(parsed, file="x.csv"):
    return Source(
        file,
        "a" * 64,
        9,
        datetime.fromisoformat("2026-05-01T00:00+00:00"),
        "taken in",
        parsed=parsed,
    )


def test_an_unnamed_machine_is_an_open_doubt_and_the_decision_names_it():
    equipment = [
        {"unit": f"SP-0{n}", "kind": "splicer", "model": "A", "serial": f"S{n}"} for n in (1, 2)
    ]
    lead = settings_of(equipment=equipment)
    _, parsed = machines(text_of(download("SP-01", 10), download("", 500)))
    found = derive([source_of(parsed)], lead)
    asked = doubts_of(found, lead, []).to_pylist()
    (doubt,) = [row for row in asked if row["kind"] == "unit" and row["state"] == OPEN]
    assert doubt["rows"] == 3
    assert {"SP-01", "SP-02"} <= set(doubt["choices"])
    frame = found.plain("attempts").to_pandas()
    assert frame.groupby("splicer").size().to_dict() == {"SP-01": 3, "unknown": 3}
    told = derive([source_of(parsed)], lead, Decided({"unit": {doubt["key"]: "SP-02"}}))
    frame = told.plain("attempts").to_pandas()
    assert frame.groupby("serial").size().to_dict() == {"S1": 3, "S2": 3}


def test_one_inbox_with_such_a_file_adds_up(crew):  # noqa: F811
    from yieldkit.records.ingest import ingest

    toml = (crew / "layouts" / "export.toml").read_text("utf-8").replace('splicer = "unit"\n', "")
    (crew / "layouts" / "export.toml").write_text(
        toml.replace("[columns]", "[preamble]\nsplicer = 'unit (SP-..)'\n[columns]"), "utf-8"
    )
    page = "unit {}\nno,time,who,job,place,loss\n{},2026-11-16 08:00:00,T01,J1,P01/1,0.03\n"
    put(crew, "two.csv", page.format("SP-01", 7) + page.format("SP-02", 7))
    report = ingest(crew)
    assert report.totals == {
        "data_rows": 2,
        "accepted": 2,
        "duplicates": 0,
        "held": 0,
        "refused": 0,
    }
    assert sorted(tables(crew)["attempts"]["splicer"]) == ["SP-01", "SP-02"]


@st.composite
def several(draw):
    """Text of several downloads, and the machine of each record; None where nothing names it."""
    delimiter = draw(st.sampled_from([",", ";", "\t", "|"]))
    lines, truth, joins = [], {}, []
    numbers = draw(st.permutations(range(1, 9)))
    machine, last = None, 0
    for part in range(draw(st.integers(1, 4))):
        named = draw(st.booleans()) or not part
        page = part and not named and machine and draw(st.booleans())
        count = draw(st.integers(1, 5))
        first = (last + 1) if page else 1000 * numbers[part]
        if not page:
            machine = f"SP-0{draw(st.integers(1, 4))}" if named else None
        above = draw(st.lists(st.sampled_from(["", "Read out: 2026-04-01", "A title"]), max_size=2))
        headings = HEADINGS if not part or not named or draw(st.booleans()) else None
        got = download(
            machine if named else "",
            first,
            count,
            above=above,
            headings=headings,
            delimiter=delimiter,
            day=1,
        )
        if named and draw(st.booleans()):  # as a spreadsheet saves it
            got[0] = got[0].replace(": ", delimiter) + delimiter * 3
        joined = bool(part and headings and not page) and got[0].startswith(("Machine", "No"))
        if joined and draw(st.booleans()):
            joins.append(len(lines))
        truth |= dict.fromkeys(range(first, first + count), machine)
        last = first + count - 1
        lines += got
    text = "".join(
        line + ("" if number + 1 in joins else "\n") for number, line in enumerate(lines)
    )
    return text, truth, delimiter, len(joins)


@settings(max_examples=300, deadline=None, derandomize=True)
@given(several())
def test_no_record_gets_the_machine_of_another_download(made_of):
    text, truth, delimiter, joins = made_of
    found, parsed = machines(text, made(delimiter=delimiter))
    assert parsed.refused.num_rows == joins
    assert found.keys() <= truth.keys()
    assert len(truth) == parsed.data_rows
    for number, machine in found.items():
        if machine is not None and machine.startswith(NOT_NAMED):
            assert truth[number] is None
        else:
            assert machine == truth[number]
