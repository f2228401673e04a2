"""The trip from an inbox: bad input, order, taking back, rebuilding, nothing changed."""

import shutil
import zipfile
from pathlib import Path

import pandas as pd
import pyarrow.parquet as pq
import pytest

import yieldkit
from yieldkit.errors import CrewError
from yieldkit.records import inbox, layouts, settings
from yieldkit.records.ingest import history, ingest, withdraw
from yieldkit.records.opened import open_crew
from yieldkit.records.store import Store
from yieldkit.records.tables import TABLES

LAYOUT = """
name = "export"
table = "attempts"
delimiter = ","
dates = ["yyyy-mm-dd hh:mm:ss"]
[columns]
counter = "no"
when = "time"
splicer = "unit"
technician = "who"
job = "job"
place = "place"
loss = "loss"
"""
SETTINGS = """
[general]
zone = "Europe/Helsinki"
[[connector_types]]
connector_type = "LC"
required_tests = "none"
[[limits]]
quantity = "estimated loss"
limit_db = 0.15
"""
HEAD = "no,time,unit,who,job,place,loss\n"


def export(numbers, *, loss="0.03", day="2026-11-16"):
    return HEAD + "".join(
        f"{n},{day} {8 + n // 60:02d}:{n % 60:02d}:00,SP-01,T01,J1,P01/{n},{loss}\n"
        for n in numbers
    )


@pytest.fixture
def crew(tmp_path):
    """A crew's folder with one layout and no file yet."""
    folder = tmp_path / "crew"
    for part in ("inbox", "layouts"):
        (folder / part).mkdir(parents=True)
    (folder / "crew.toml").write_text(SETTINGS, "utf-8")
    (folder / "layouts" / "export.toml").write_text(LAYOUT, "utf-8")
    return folder


def put(folder, name, text):
    path = folder / "inbox" / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def tables(folder):
    found = open_crew(folder)
    return {name: found._table(name) for name in TABLES}


def assert_same(one, other, *, but=()):
    for name, table in one.items():
        drop = [column for column in ("taken_in", *but) if column in table]
        pd.testing.assert_frame_equal(table.drop(columns=drop), other[name].drop(columns=drop))


def test_an_inbox_is_taken_in_and_a_second_run_changes_nothing(crew):
    put(crew, "a.csv", export(range(1, 9)))
    first = ingest(crew)
    assert (first.changed, first.new, first.totals["accepted"]) == (True, ("a.csv",), 8)
    second = ingest(crew)
    assert (second.changed, second.generation) == (False, first.generation)


def test_the_same_file_under_a_second_name_adds_nothing_and_has_its_own_row(crew):
    put(crew, "a.csv", export(range(1, 9)))
    put(crew, "a (1).csv", export(range(1, 9)))
    ingest(crew)
    files = open_crew(crew).files().set_index("file")
    assert files["accepted"].to_dict() == {"a (1).csv": 8, "a.csv": 0}
    assert files["duplicates"].to_dict() == {"a (1).csv": 0, "a.csv": 8}


def _zip(entries):
    import io

    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in entries.items():
            archive.writestr(name, data)
    return packed.getvalue()


BAD = {
    "empty.csv": b"",
    "photo.jpg": bytes(range(256)) * 40,
    "keys.csv": b"key,borrowed by\n4,boat crew\n",
    "broken.xlsx": b"PK\x03\x04 not a workbook",
    "archive.xlsx": _zip({"hello.txt": b"hello"}),
    "zeros.csv": b"\x00" * 5000,
    "headings.csv": HEAD.encode(),
    "letter.csv": "Dear crew,\nplease find the records attached.\n".encode("utf-16"),
}


def test_every_bad_file_gets_one_sentence_and_the_rest_is_taken_in(crew):
    for name, data in BAD.items():
        put(crew, name, data)
    put(crew, "good.csv", export(range(1, 9)))
    report = ingest(crew)
    files = open_crew(crew).files().set_index("file")
    assert files.loc["good.csv", "accepted"] == 8
    for name in BAD:
        row = files.loc[name]
        assert row["status"] != "taken in", name
        assert row["reason"], name
        assert "Traceback" not in row["reason"] and "\n" not in row["reason"]
    assert files.loc["empty.csv", "status"] == "empty"
    assert files.loc["headings.csv", "status"] == "no rows"
    assert files.loc["keys.csv", "status"] == "no layout"
    assert report.refused_anything


def test_a_second_run_reads_no_file_until_the_layouts_change(crew):
    for name, data in BAD.items():
        put(crew, name, data)
    put(crew, "good.csv", export(range(1, 9)))
    ingest(crew)
    read = []
    ingest(crew, progress=read.append)
    assert not [line for line in read if line.startswith("reading")]
    (crew / "layouts" / "keys.toml").write_text(
        'table = "stock"\ndelimiter = ","\n[columns]\npart = "key"\nquantity = "key"\n', "utf-8"
    )
    ingest(crew, progress=read.append)
    looked = {line.split()[1] for line in read if line.startswith("reading")}
    assert looked >= {"keys.csv", "broken.xlsx", "letter.csv", "good.csv"}
    assert open_crew(crew).files().set_index("file").loc["keys.csv", "status"] == "taken in"


def test_a_run_with_nothing_new_reads_no_settings_layout_or_table(crew, monkeypatch):
    put(crew, "a.csv", export(range(1, 9)))
    put(crew, "empty.csv", b"")
    put(crew, "letter.csv", "Dear all,\n")
    first = ingest(crew)
    for module, name in ((settings, "read_settings"), (layouts, "load_layouts")):
        monkeypatch.setattr(module, name, None)
    monkeypatch.setattr(pq, "read_table", None)
    second = ingest(crew)
    assert not second.changed
    assert (second.files, second.totals, second.unreadable, second.doubts) == (
        first.files,
        first.totals,
        first.unreadable,
        first.doubts,
    )


@pytest.mark.parametrize("lost", ["raw", "parsed"])
def test_what_the_store_lost_is_put_back_from_the_inbox(crew, lost):
    put(crew, "a.csv", export(range(1, 9)))
    ingest(crew)
    (found,) = (crew / "store" / lost).iterdir()
    shutil.rmtree(found) if found.is_dir() else found.unlink()
    assert not ingest(crew).changed
    assert found.exists()


@pytest.mark.parametrize("fits", ["no layout", "two layouts", "unreadable"])
def test_a_file_that_left_the_inbox_waits_for_its_layout_to_come_back(crew, fits, monkeypatch):
    put(crew, "a.csv", export(range(1, 9)))
    ingest(crew)
    before = tables(crew)
    (crew / "inbox" / "a.csv").unlink()
    layout = crew / "layouts" / "export.toml"
    other = crew / "layouts" / "other.toml"
    if fits == "two layouts":
        other.write_text(LAYOUT.replace('"export"', '"other"'), "utf-8")
    elif fits == "no layout":
        layout.unlink()
    else:
        monkeypatch.setattr("yieldkit.records.parsing.parse", None)
        layout.write_text(f"# mended\n{LAYOUT.replace('place = ', 'remark = ')}", "utf-8")
    report = ingest(crew)
    assert report.files[0]["status"] == fits
    assert not ingest(crew).changed
    monkeypatch.undo()
    other.unlink(missing_ok=True)
    layout.write_text(LAYOUT, "utf-8")
    ingest(crew)
    assert_same(before, tables(crew))
    assert not ingest(crew).changed


@pytest.mark.parametrize("gone", ["empty.csv", "letter.csv"])
def test_a_file_that_held_no_records_is_forgotten_when_it_leaves_the_inbox(crew, gone):
    put(crew, "a.csv", export(range(1, 9)))
    put(crew, "empty.csv", b"")
    put(crew, "letter.csv", "Dear all,\n")
    ingest(crew)
    (crew / "inbox" / gone).unlink()
    assert ingest(crew).changed
    assert gone not in set(open_crew(crew).files()["file"])


def test_a_truncated_file_keeps_all_rows_but_the_last(crew):
    put(crew, "a.csv", export(range(1, 9))[:-12])
    ingest(crew)
    files = open_crew(crew).files().iloc[0]
    assert (files["data_rows"], files["accepted"], files["refused"]) == (8, 7, 1)


def test_folders_links_and_lock_files_in_the_inbox_are_no_exports(crew, tmp_path):
    outside = tmp_path / "outside.csv"
    outside.write_text(export(range(1, 4)))
    (crew / "inbox" / "link.csv").symlink_to(outside)
    (crew / "inbox" / "sub").mkdir()
    put(crew, "~$a.xlsx", b"lock")
    put(crew, ".hidden", b"x")
    put(crew, "a.csv", export(range(1, 9)))
    ingest(crew)
    files = open_crew(crew).files().set_index("file")
    assert files["accepted"].to_dict() == {"a.csv": 8, "link.csv": 0, "sub": 0}
    assert "inbox" in files.loc["link.csv", "reason"]


def test_a_parser_that_fails_on_one_file_does_not_keep_the_others_out(crew, monkeypatch):
    from yieldkit.records import parsing

    real = parsing.parse

    def failing(data, name, *more):
        if name == "bad.csv":
            raise ValueError("inside")
        return real(data, name, *more)

    monkeypatch.setattr(parsing, "parse", failing)
    put(crew, "bad.csv", export(range(20, 29)))
    put(crew, "good.csv", export(range(1, 9)))
    ingest(crew)
    files = open_crew(crew).files().set_index("file")
    assert files["accepted"].to_dict() == {"bad.csv": 0, "good.csv": 8}


def test_a_file_still_being_written_is_left_for_the_next_run(crew, monkeypatch):
    path = put(crew, "a.csv", export(range(1, 9)))
    real = Path.read_bytes

    def growing(self):
        data = real(self)
        if self == path:
            with path.open("ab") as file:
                file.write(b"9,2026-11-16 09:00:00,SP-01,T01,J1,P01/9,0.03\n")
        return data

    put(crew, "b.csv", export(range(20, 29)))
    with monkeypatch.context() as patched:
        patched.setattr(Path, "read_bytes", growing)
        report = ingest(crew)
    assert report.waiting == ("a.csv",)
    assert open_crew(crew).files()["file"].tolist() == ["b.csv"]
    ingest(crew)
    assert open_crew(crew).files().set_index("file").loc["a.csv", "accepted"] == 9


def test_a_withdrawn_file_gives_back_what_it_had_made_duplicates(crew):
    put(crew, "a.csv", export(range(1, 9)))
    put(crew, "b.csv", export(range(5, 13)))
    ingest(crew)
    withdraw(crew, "a.csv")
    files = open_crew(crew).files().set_index("file")
    assert files.loc["a.csv", "status"] == "withdrawn"
    assert files.loc["b.csv", ["accepted", "duplicates"]].tolist() == [8, 0]
    again = ingest(crew)
    assert not again.changed
    with pytest.raises(CrewError, match="no such file"):
        withdraw(crew, "a.csv")
    assert [line["what"] for line in history(crew)] == ["taken in", "taken in", "withdrawn"]


def test_settings_that_stood_for_one_withdrawal_alone_leave_no_trace(crew):
    put(crew, "a.csv", export(range(1, 9)))
    put(crew, "b.csv", export(range(11, 19)))
    ingest(crew)
    (crew / "crew.toml").write_text(SETTINGS.replace("Helsinki", "Paris"), "utf-8")
    withdraw(crew, "b.csv")
    (crew / "crew.toml").write_text(SETTINGS, "utf-8")
    assert ingest(crew).changed
    found = tables(crew)
    assert not ingest(crew).changed
    ingest(crew, again=True)
    assert_same(found, tables(crew))


def test_a_withdrawal_does_not_leave_out_a_file_whose_typed_rows_are_gone(crew):
    put(crew, "a.csv", export(range(1, 9)))
    put(crew, "b.csv", export(range(11, 19)))
    ingest(crew)
    before = tables(crew)
    (kept,) = (e["key"] for e in Store(crew).state()["files"] if e["file"] == "a.csv")
    shutil.rmtree(crew / "store" / "parsed" / kept)  # as a rebuild that was killed leaves it
    with pytest.raises(CrewError, match=r"typed rows .* gone") as error:
        withdraw(crew, "b.csv")
    assert "a.csv" in str(error.value) and "yieldkit ingest" in str(error.value)
    assert_same(before, tables(crew))
    ingest(crew)
    withdraw(crew, "b.csv")
    assert len(open_crew(crew).attempts()) == 8


def test_a_rebuild_gives_the_same_tables(crew):
    put(crew, "a.csv", export(range(1, 9)))
    put(crew, "b.csv", export(range(5, 13)))
    put(crew, "c.csv", export(range(5, 8), loss="0.50"))
    ingest(crew)
    before = tables(crew)
    shutil.rmtree(crew / "inbox")
    (crew / "inbox").mkdir()
    ingest(crew, again=True)
    assert_same(before, tables(crew))


def test_files_taken_in_one_by_one_in_any_order_give_the_same_tables(crew, tmp_path):
    files = {
        "a.csv": export(range(1, 30)),
        "b.csv": export(range(20, 50)),
        "c.csv": export(range(25, 28), loss="0.50"),
    }
    for name, text in files.items():
        put(crew, name, text)
    ingest(crew)
    expected = tables(crew)
    other = tmp_path / "other"
    shutil.copytree(crew, other, ignore=shutil.ignore_patterns("store", "doubts.xlsx"))
    for path in (other / "inbox").iterdir():
        path.unlink()
    for name in ("c.csv", "a.csv", "b.csv"):
        put(other, name, files[name])
        ingest(other)
    assert_same(expected, tables(other))


def test_a_mended_alias_derives_again_without_reading_files(crew, monkeypatch):
    put(crew, "a.csv", export(range(1, 9)))
    ingest(crew)
    alias = '[[aliases]]\nkind = "technician"\nwritten = "T01"\nmeaning = "T05"\n'
    (crew / "crew.toml").write_text(SETTINGS + alias, "utf-8")
    from yieldkit.records import parsing

    monkeypatch.setattr(parsing, "parse", None)
    assert ingest(crew).changed
    assert set(open_crew(crew).attempts()["technician"]) == {"T05"}


def test_unchanged_months_are_taken_over_as_links(crew):
    put(crew, "a.csv", export(range(1, 9), day="2026-10-12"))
    ingest(crew)
    month = "attempts/2026-10.parquet"
    before = (Store(crew).generation() / month).stat().st_ino
    put(crew, "b.csv", export(range(20, 29)))
    ingest(crew)
    assert (Store(crew).generation() / month).stat().st_ino == before
    assert (Store(crew).generation() / "attempts/2026-11.parquet").exists()


def test_tables_can_be_read_by_anything_that_reads_parquet(crew):
    put(crew, "a.csv", export(range(1, 9)))
    ingest(crew)
    frame = pd.read_parquet(Store(crew).generation() / "attempts")
    assert frame["attempt_id"].nunique() == 8


@pytest.mark.parametrize("missing", ["crew.toml", "inbox"])
def test_what_is_missing_is_said(crew, missing):
    path = crew / missing
    path.unlink() if path.is_file() else path.rmdir()
    with pytest.raises(CrewError, match=r"crew\.xlsx|inbox"):
        ingest(crew)


def test_a_crew_without_records_says_so(crew):
    with pytest.raises(CrewError, match="nothing was taken in"):
        yieldkit.open_crew(crew)


def test_two_layouts_that_fit_equally_are_named(crew):
    (crew / "layouts" / "other.toml").write_text(LAYOUT.replace('"export"', '"other"'), "utf-8")
    put(crew, "a.csv", export(range(1, 9)))
    ingest(crew)
    row = open_crew(crew).files().iloc[0]
    assert row["status"] == "two layouts"
    assert '"export"' in row["reason"] and '"other"' in row["reason"]


def test_a_huge_file_is_refused_before_it_is_read(crew, monkeypatch):
    monkeypatch.setattr(inbox, "LARGEST_FILE", 100)
    put(crew, "a.csv", export(range(1, 9)))
    ingest(crew)
    assert "larger than" in open_crew(crew).files().iloc[0]["reason"]


def test_weeks_are_named_by_label_and_by_any_day(crew):
    put(crew, "a.csv", export(range(1, 9)))
    ingest(crew)
    opened = open_crew(crew)
    first, last, label = opened.week_range("2026-W47")
    assert (str(first), str(last), label) == ("2026-11-16", "2026-11-22", "2026-W47")
    assert opened.week_range("2026-11-18")[2] == "2026-W47"
    assert len(opened.positions(week="2026-W47")) == 8
    assert len(opened.attempts(week="2026-11-12")) == 0
    assert len(opened.attempts(since="2026-11-16", until="2026-11-16")) == 8
    assert opened.default_week() == "2026-W46"
    for wrong in ("2026-W60", "yesterday", "2026-13-01"):
        with pytest.raises(CrewError, match="no such week"):
            opened.week_range(wrong)
