"""The commands of the records, as a person types them."""

import io
import shutil
import zipfile
from datetime import datetime
from zoneinfo import ZoneInfo

from tests.records.test_ingest import HEAD, LAYOUT, crew, export, put  # noqa: F401
from yieldkit.cli import main
from yieldkit.records.ingest import history, ingest


def test_from_a_new_folder_to_tables_and_back(tmp_path, capsys):
    folder = tmp_path / "crew"
    assert main(["new", str(folder)]) == 0
    assert {"crew.xlsx", "forms", "inbox", "layouts", "notebooks"} <= {
        path.name for path in folder.iterdir()
    }
    (folder / "layouts" / "export.toml").write_text(LAYOUT, "utf-8")
    (folder / "inbox" / "a.csv").write_text(export(range(1, 9))[:-12], "utf-8")
    capsys.readouterr()
    assert main(["ingest", "--crew", str(folder)]) == 0
    said = capsys.readouterr().out
    assert "Taken in: 1 new file." in said
    assert "8 rows: 7 count, 0 duplicates, 0 held, 1 refused." in said
    assert "doubts.xlsx" in said
    assert main(["ingest", "--strict", "--crew", str(folder)]) == 1
    assert main(["withdraw", "a.csv", "--crew", str(folder)]) == 0
    capsys.readouterr()
    assert main(["history", "--crew", str(folder)]) == 0
    said = capsys.readouterr().out
    assert "withdrawn   a.csv" in said and "Times are of UTC." in said


def test_names_and_words_of_files_cannot_move_the_cursor(crew, capsys):  # noqa: F811
    put(crew, "a\x1b[31m\n.csv", export(range(1, 9)))
    put(crew, "b\x1b[2J.csv", "no,such\x1b[1A,headings\n1,2,3\n")
    main(["ingest", "--crew", str(crew)])
    (crew / "crew.toml").write_text('[general]\nzone = "Mars\\u001b[2J"\n', "utf-8")
    main(["ingest", "--crew", str(crew)])
    (crew / "crew.toml").write_text("", "utf-8")
    main(["history", "--crew", str(crew)])
    said = capsys.readouterr()
    assert "Mars" in said.err and "a\ufffd[31m\ufffd.csv" in said.err
    assert "\x1b" not in said.out + said.err


def test_new_never_writes_over_settings_and_wrong_use_is_one_sentence(tmp_path, capsys):
    assert main(["new", str(tmp_path)]) == 0
    assert main(["new", str(tmp_path)]) == 2
    assert "already here" in capsys.readouterr().err
    shutil.rmtree(tmp_path / "inbox")
    assert main(["ingest", "--crew", str(tmp_path)]) == 2
    assert main(["forget", "--before", "soon", "--yes", "--crew", str(tmp_path)]) == 2
    said = capsys.readouterr().err
    assert "no inbox" in said and "no such day" in said and "Traceback" not in said


def test_history_is_told_in_the_crews_zone(crew, capsys):  # noqa: F811
    put(crew, "a.csv", export(range(1, 9)))
    ingest(crew)
    when = datetime.fromisoformat(history(crew)[0]["when"]).astimezone(ZoneInfo("Europe/Helsinki"))
    assert main(["history", "--crew", str(crew)]) == 0
    said = capsys.readouterr().out.splitlines()
    assert said[0].startswith(f"{when:%Y-%m-%d %H:%M}  ") and "Europe/Helsinki" in said[-1]


def test_forget_without_a_keyboard_and_a_day_in_another_form_are_one_sentence(
    crew,  # noqa: F811
    capsys,
    monkeypatch,
):
    monkeypatch.setattr("sys.stdin", io.StringIO(""))
    assert main(["forget", "--before", "2024-01-01", "--crew", str(crew)]) == 2
    assert "Give --yes" in capsys.readouterr().err
    assert main(["forget", "--before", "14.9.2026", "--crew", str(crew)]) == 2
    assert 'found "14.9.2026", wanted year-month-day, such as' in capsys.readouterr().err


def test_a_file_taken_back_comes_back_as_the_help_says(crew, capsys):  # noqa: F811
    put(crew, "a.csv", export(range(1, 9)))
    ingest(crew)
    assert main(["withdraw", "a.csv", "--crew", str(crew)]) == 0
    assert main(["ingest", "--crew", str(crew)]) == 0
    (crew / "inbox" / "a.csv").rename(crew / "inbox" / "a again.csv")
    capsys.readouterr()
    assert main(["ingest", "--crew", str(crew)]) == 0
    assert "8 rows: 8 count" in capsys.readouterr().out
    assert main(["withdraw", "--help"]) == 0
    assert "another name" in capsys.readouterr().out


def test_each_file_with_something_amiss_is_told_once_with_the_reason(crew, capsys):  # noqa: F811
    bad = export(range(1, 7)) + export([7, 8], loss="99").removeprefix(HEAD)
    put(crew, "bad.csv", bad)
    put(crew, "conflict.csv", export([1], loss="0.60"))
    put(crew, "good 1.csv", export(range(20, 29)))
    put(crew, "good 2.csv", export(range(20, 31)))
    assert main(["ingest", "--crew", str(crew)]) == 0
    said = capsys.readouterr().out.splitlines()
    (line,) = [one for one in said if one.startswith("  bad.csv: ")]
    assert '8 rows: 6 count, 0 duplicates, 0 held, 2 refused: 2 "impossible loss; wanted' in line
    assert "  conflict.csv: 1 row: 0 count, 0 duplicates, 1 held, 0 refused." in said
    assert "  2 files with nothing amiss: 20 rows: 11 count, 9 duplicates, 0 held, 0 refused." in (
        said
    )
    assert main(["ingest", "--crew", str(crew)]) == 0
    assert "bad.csv" not in capsys.readouterr().out


def test_what_is_no_record_is_told_with_how_to_leave_it_aside(tmp_path, capsys):
    folder = tmp_path / "crew"
    assert main(["new", str(folder)]) == 0
    assert main(["ingest", "--crew", str(folder)]) == 0
    for name in ("crew.xlsx", "doubts.xlsx"):
        shutil.copy(folder / name, folder / "inbox" / name)
    with zipfile.ZipFile(folder / "inbox" / "letter.docx", "w") as packed:
        packed.writestr("word/document.xml", "<document/>")
    capsys.readouterr()
    assert main(["ingest", "--crew", str(folder)]) == 0
    said = capsys.readouterr().out
    assert "crew.xlsx: this is yieldkit's own settings" in said
    assert "doubts.xlsx: this is yieldkit's own list of doubts" in said
    assert "letter.docx: this is a text document" in said
    assert "yieldkit layout" not in said and said.count("yieldkit withdraw FILE") == 1
    for name in ("crew.xlsx", "doubts.xlsx", "letter.docx"):
        assert main(["layout", str(folder / "inbox" / name), "--crew", str(folder)]) == 2
        assert main(["withdraw", name, "--crew", str(folder)]) == 0
    capsys.readouterr()
    assert main(["ingest", "--crew", str(folder)]) == 0
    said = capsys.readouterr().out
    assert "Not taken in" not in said and "withdraw" not in said
