"""Files made to do harm, and files spoilt at random: one sentence, bounded memory, nothing lost."""

import io
import subprocess
import sys
import tomllib
import zipfile
from pathlib import Path

import pytest
from hypothesis import HealthCheck, Phase, example, given, settings
from hypothesis import strategies as st

from yieldkit.errors import CrewError
from yieldkit.records import patterns, reading, workbook
from yieldkit.records.layouts import choose_layout, layout_of, load_layouts
from yieldkit.records.parsing import parse
from yieldkit.records.proposing import propose, toml_of

CREW_A = Path(__file__).parents[1] / "crew_a"
LAYOUTS = load_layouts(CREW_A / "layouts")
GERMAN = next(layout for layout in LAYOUTS if layout.name == "german_text")
BOOK = layout_of({"table": "jobs", "format": "workbook", "columns": {"job": "job"}}, "book")
PHASES = (Phase.explicit, Phase.generate)  # a failure is told as found: shrinking takes minutes
SPOILT = settings(
    phases=PHASES,
    derandomize=True,
    deadline=None,
    max_examples=50,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
)


def packed(sheet: bytes, **parts: bytes) -> bytes:
    out = io.BytesIO()
    kind = "application/vnd.openxmlformats-officedocument.spreadsheetml"
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as book:
        book.writestr(
            "[Content_Types].xml",
            '<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types">'
            f'<Override PartName="/xl/workbook.xml" ContentType="{kind}.sheet.main+xml"/></Types>',
        )
        book.writestr("xl/workbook.xml", "<workbook/>")
        book.writestr("xl/worksheets/sheet1.xml", sheet)
        for name, data in parts.items():
            book.writestr(name, data)
    return out.getvalue()


def test_a_packed_bomb_is_refused_while_it_unfolds(monkeypatch):
    monkeypatch.setattr(workbook, "MAX_INFLATED", 5 * 2**20)
    bomb = packed(b"0" * (8 * 2**20))
    assert len(bomb) < 20_000
    with pytest.raises(CrewError, match="unfolds to more than 5 MB"):
        parse(bomb, "bomb.xlsx", BOOK)


def test_a_bomb_of_entities_is_refused():
    sheet = b'<!DOCTYPE x [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;&a;&a;">]><worksheet>&b;</worksheet>'
    with pytest.raises(CrewError, match="declares entities"):
        parse(packed(sheet), "bomb.xlsx", BOOK)


@pytest.mark.parametrize(
    "sheet",
    [
        b'<worksheet><sheetData><row r="1"><c r="A1"><v>1</v></c></row>'
        b'<row r="1048576"><c r="XFD1048576"><v>1</v></c></row></sheetData></worksheet>',
        b'<worksheet><sheetData><row r="1"><c t="n" r="XFD1"/></row><row r="9999999"/>',
    ],
)
def test_a_cell_far_away_does_not_fill_the_memory(sheet):
    with pytest.raises(CrewError, match="spans too many cells"):
        parse(packed(sheet), "wide.xlsx", BOOK)


def test_repeated_cells_of_an_open_document_do_not_fill_the_memory():
    row = (
        '<t:table-row t:number-rows-repeated="1048576"><t:table-cell t:number-columns-repeated='
        '"16384"><p>x</p></t:table-cell></t:table-row>'
    )
    content = f'<t:table xmlns:t="table">{row}</t:table>'
    data = packed(b"", **{"content.xml": content.encode()})
    with pytest.raises(CrewError, match="spans too many cells"):
        parse(data, "wide.ods", BOOK)


def test_other_packed_files_are_no_workbooks():
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as book:
        book.writestr("../../etc/passwd", "x")
    with pytest.raises(CrewError, match="no workbook"):
        parse(out.getvalue(), "x.xlsx", BOOK)


def test_a_file_too_large_is_refused_before_it_is_read(tmp_path):
    path = tmp_path / "huge.csv"
    with path.open("wb") as file:
        file.truncate(reading.MAX_BYTES + 1)  # sparse: takes no room
    with pytest.raises(CrewError, match="MB are taken at once"):
        reading.load(path)


def test_a_line_too_long_is_refused_and_the_others_are_read():
    layout = layout_of({"table": "jobs", "columns": {"job": "job", "site": "site"}}, "x")
    data = b"job,site\nJ1,a\nJ2," + b"x" * (reading.MAX_LINE + 5) + b"\nJ3,c\n"
    found = parse(data, "x.csv", layout)
    assert found.rows["job_text"].to_pylist() == ["J1", "J3"]
    assert found.refused["reason"].to_pylist() == ["the line is too long"]
    assert len(found.refused["text"][0].as_py()) == reading.MAX_LINE


def test_a_huge_line_takes_bounded_memory(tmp_path):
    size = 100 * 2**20
    path = tmp_path / "line.csv"
    path.write_bytes(b"job,site\nJ1,a\nJ2," + b"x" * size + b"\nJ3,c\n")
    code = f"""
import resource
from yieldkit.records.layouts import layout_of
from yieldkit.records.parsing import parse
layout = layout_of({{"table": "jobs", "columns": {{"job": "job", "site": "site"}}}}, "x")
parse(b"job,site\\nJ1,a\\n", "x.csv", layout)
before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
found = parse(open({str(path)!r}, "rb").read(), "x.csv", layout)
print(found.rows.num_rows, found.refused.num_rows)
print((resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) * 1024)
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    rows, taken = done.stdout.splitlines()
    assert rows == "2 1"
    assert int(taken) < 4 * size


def test_a_pattern_that_never_ends_is_given_up_and_named(monkeypatch):
    monkeypatch.setattr(patterns, "SECONDS", 0.05)
    said = {
        "table": "jobs",
        "columns": {"job": "Job", "site": "Site"},
        "preamble": {"downloaded": r"(\w|\w\w)+[:=]"},
    }
    data = ("a" * 200 + "!\n" + "Job,Site\nJ1,here\n").encode()
    with pytest.raises(CrewError) as error:
        parse(data, "jobs.csv", layout_of(said, "jobs.toml"))
    assert r"(\w|\w\w)+[:=]" in str(error.value) and "takes too long" in str(error.value)
    assert str(error.value).startswith("jobs.csv")


def test_texts_stay_texts_and_lose_their_sting():
    layout = layout_of({"table": "jobs", "columns": {"job": "job", "site": "site"}}, "x")
    nasty = ["=cmd|' /C calc'!A0", "@SUM(1)", "../../x", "<script>", "a\u202eb", "n\0ul", "\x1b[2J"]
    data = "\n".join(["job,site", *(f"J1,{text}" for text in nasty)]).encode()
    sites = parse(data, "x.csv", layout).rows["site"].to_pylist()
    assert sites[:4] == nasty[:4]
    assert sites[4:] == ["a\ufffdb", "n\ufffdul", "\ufffd[2J"]


def test_names_of_files_and_headings_cannot_write_toml_of_their_own():
    data = (
        'Lfd. Nr.;Datum;Platz;D"\\ [x] = 1\u202e;Dämpfung\n'.encode()
        + b"1;1.2.2026;P1/1;x;0,02\n" * 9
    )
    found = propose(data, '../"x"\n[evil]\nname = "y".csv')
    said = tomllib.loads(toml_of(found))
    assert "evil" not in said
    assert layout_of(said, "x.toml") == found.layout


GOOD = [
    f"{2000 + i:06d};2{i % 5}.10.2024;07:{i:02d}:45;T01;J1001;"
    f"P01/{i:02d};0,43;0,50;0,0{i % 9};gut;{i}"
    for i in range(1, 24)
]
HEAD = (CREW_A / "inbox" / "auszug_SP-01_2024-10-25.csv").read_bytes().split(b"\r\n")[:5]
_BYTES = st.binary(max_size=12).filter(lambda b: b"\n" not in b and b"\r" not in b)


@SPOILT
@given(row=st.integers(0, len(GOOD) - 1), at=st.integers(0, 60), cut=st.integers(0, 40), new=_BYTES)
@example(row=3, at=0, cut=99, new=b"")
@example(row=len(GOOD) - 1, at=30, cut=99, new=b"")
@example(row=5, at=7, cut=0, new=b'"')
@example(row=5, at=0, cut=60, new=b"Total")
def test_a_spoilt_line_harms_no_other_line(row, at, cut, new):
    lines = [line.encode("cp1252") for line in GOOD]
    whole = parse(b"\r\n".join([*HEAD, *lines, b""]), "x", GERMAN).rows.to_pylist()
    assert len(whole) == len(GOOD)
    lines[row] = lines[row][:at] + new + lines[row][at + cut :]
    found = parse(b"\r\n".join([*HEAD, *lines, b""]), "x", GERMAN)
    first = len(HEAD) + 1
    others = {one["source_row"]: one for one in whole if one["source_row"] != first + row}
    typed = {one["source_row"]: one for one in found.rows.to_pylist()}
    refused = set(found.refused["source_row"].to_pylist())
    assert {n: {**one, "fingerprint": ""} for n, one in typed.items() if n != first + row} == {
        n: {**one, "fingerprint": ""} for n, one in others.items()
    }
    assert refused <= {first + row}
    assert found.data_rows == len(typed) + len(refused)
    if first + row not in set(typed) | refused:  # only what has no cell of a record may go
        kept = lines[row].decode("cp1252", errors="replace").strip(' ;"\t\x85\xa0')
        assert kept.count(";") == 0


def spoil(data: bytes, edits: list[tuple[float, int, bytes]]) -> bytes:
    for share, cut, new in edits:
        at = int(share * len(data))
        data = data[:at] + new + data[at + cut :]
    return data


_EDITS = st.lists(
    st.tuples(
        st.floats(0, 1, exclude_max=True),
        st.integers(0, 400),
        st.one_of(
            st.binary(max_size=20),
            st.sampled_from([b"\n", b"\r", b'"', b'"\n', b";;;;", b",", b"\0" * 40, b"\xff\xfe"]),
        ),
    ),
    min_size=1,
    max_size=6,
)
FILES = sorted(path for path in (CREW_A / "inbox").iterdir() if 0 < path.stat().st_size < 20_000)


@SPOILT
@given(path=st.sampled_from(FILES), edits=_EDITS)
def test_spoilt_files_give_a_sentence_or_rows_that_add_up(path, edits):
    data = spoil(path.read_bytes(), edits)
    try:
        found = parse(data, path.name, choose_layout(data, path.name, LAYOUTS))
    except CrewError as error:
        assert "\n" not in str(error)
        return
    typed = {(one["sheet"], one["source_row"]) for one in found.rows.to_pylist()}
    refused = {(one["sheet"], one["source_row"]) for one in found.refused.to_pylist()}
    assert not typed & refused
    assert found.data_rows == len(typed) + len(refused)
    assert found.refused.num_rows == len(refused)


@SPOILT
@given(data=st.one_of(st.binary(max_size=400), st.text(max_size=300).map(str.encode)))
def test_any_bytes_at_all(data):
    for act in (
        lambda: choose_layout(data, "x", LAYOUTS),
        lambda: parse(data, "x", GERMAN),
        lambda: propose(data, "x"),
    ):
        try:
            act()
        except CrewError as error:
            assert str(error).startswith("x")


@settings(SPOILT, max_examples=12)
@given(path=st.sampled_from(FILES), edits=_EDITS)
def test_a_proposal_for_a_spoilt_file_reads_back(path, edits):
    data = spoil(path.read_bytes(), edits)
    try:
        found = propose(data, path.name)
    except CrewError:
        return
    assert layout_of(tomllib.loads(toml_of(found)), "x.toml") == found.layout
