"""The commands of the records, as a person types them."""

import shutil

from tests.records.test_ingest import LAYOUT, export
from yieldkit.cli import main


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
    assert "withdrawn   a.csv" in capsys.readouterr().out


def test_new_never_writes_over_settings_and_wrong_use_is_one_sentence(tmp_path, capsys):
    assert main(["new", str(tmp_path)]) == 0
    assert main(["new", str(tmp_path)]) == 2
    assert "already here" in capsys.readouterr().err
    shutil.rmtree(tmp_path / "inbox")
    assert main(["ingest", "--crew", str(tmp_path)]) == 2
    assert main(["forget", "--before", "soon", "--yes", "--crew", str(tmp_path)]) == 2
    said = capsys.readouterr().err
    assert "no inbox" in said and "no such day" in said and "Traceback" not in said
