"""The commands of the records, as a person types them."""

import io
import shutil
from datetime import datetime
from zoneinfo import ZoneInfo

from tests.records.test_ingest import LAYOUT, crew, export, put  # noqa: F401
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
