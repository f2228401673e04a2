"""The commands review, demo and lab as a person meets them."""

import shutil
from pathlib import Path

import openpyxl
import pandas as pd
import pytest

from yieldkit import cli
from yieldkit.cli import shipped
from yieldkit.records.ingest import ingest
from yieldkit.review.tables import COLUMNS

CREW_A = Path(__file__).parent.parent / "crew_a"


@pytest.fixture(scope="module")
def crew_a(tmp_path_factory):
    folder = tmp_path_factory.mktemp("crews") / "a"
    shutil.copytree(CREW_A, folder, ignore=shutil.ignore_patterns("truth"))
    ingest(folder)
    return folder


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    return tmp_path_factory.mktemp("crews") / "demo"


@pytest.fixture(scope="module")
def demo_said(demo):
    """The demo crew's status and page, made once."""
    status = cli.main(["demo", str(demo)])
    pages = sorted(demo.glob("reviews/*/review.html"))
    return status, pages


def sections(page):
    """Text of the part of the page before the sections, and of each section."""
    made = page.read_text("utf-8")
    head, *parts = made.split('<section class="part" id="')
    return head, {part.partition('"')[0]: part for part in parts}


def test_demo_finds_what_is_hidden_in_it_and_says_that_it_is_invented(demo_said):
    status, pages = demo_said
    assert status == cli.DONE and len(pages) == 1
    head, parts = sections(pages[0])
    assert "SP-03" in head and "C-02" in head
    assert "made up" in head
    assert list(parts) == ["arrived", "open", "yields", "drift", "losses", "decisions", "parts"]
    assert "could not be worked out" not in pages[0].read_text("utf-8")
    assert (pages[0].parents[2] / "notebooks" / "weekly_review.ipynb").exists()


def test_demo_writes_every_stable_table_with_its_fixed_columns(demo_said):
    _, pages = demo_said
    tables = {path.stem: pd.read_csv(path) for path in (pages[0].parent / "tables").glob("*.csv")}
    assert {name: list(table.columns) for name, table in tables.items()} == COLUMNS
    assert all(len(table) for table in tables.values())


def test_the_demos_workbook_tells_of_every_sheet_on_its_first(demo_said):
    _, pages = demo_said
    book = openpyxl.load_workbook(pages[0].parent / "review.xlsx", read_only=True)
    front = ([cell for cell in row if cell is not None] for row in book["about"].values)
    told = {row[0] for row in front if len(row) == 3 and row[2]}
    assert set(book.sheetnames) - {"about"} <= told
    book.close()


def test_demo_leaves_a_folder_that_is_there_alone(demo, demo_said, capsys):
    assert cli.main(["demo", str(demo)]) == cli.WRONG_USE
    assert "not empty" in capsys.readouterr().err


def test_sample_crew_is_reviewed_with_every_row_accounted_for(crew_a, capsys):
    assert cli.main(["review", "--crew", str(crew_a)]) == cli.DONE
    page = crew_a / "reviews" / "2024-W44" / "review.html"
    assert str(page) in capsys.readouterr().out
    assert "could not be worked out" not in page.read_text("utf-8")
    records = pd.read_csv(page.parent / "tables" / "records.csv")
    counted = records[["accepted", "duplicates", "held", "refused"]].sum(axis=1)
    assert (counted == records["data_rows"]).all() and records["data_rows"].sum() > 3000


def test_lead_has_a_folder_of_its_own_and_names_only_codes(crew_a):
    assert cli.main(["review", "--crew", str(crew_a), "--lead", "--week", "2024-10-29"]) == 0
    lead = crew_a / "reviews" / "2024-W44" / "lead" / "review.html"
    assert "Figures on persons" in lead.read_text("utf-8")
    assert "do not post it" in lead.read_text("utf-8")


def test_hostile_words_of_the_files_stay_words(crew_a):
    cli.main(["review", "--crew", str(crew_a), "--week", "2024-W43"])
    made = (crew_a / "reviews" / "2024-W43" / "review.html").read_text("utf-8")
    assert "<script" not in made
    for path in (crew_a / "reviews" / "2024-W43" / "tables").glob("*.csv"):
        cells = pd.read_csv(path, dtype=str).fillna("").to_numpy().ravel()
        assert not [cell for cell in cells if cell[:1] in ("=", "@", "+")]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--week", "2024-W99"], "no such week"),
        (["--week", "soon"], "such as 2026-W47"),
        (["--week", "2019-W10"], "hold nothing of this week"),
    ],
)
def test_an_unknown_week_is_one_sentence(crew_a, words, said, capsys):
    assert cli.main(["review", "--crew", str(crew_a), *words]) == cli.WRONG_USE
    shown = capsys.readouterr().err
    assert said in shown and len(shown.splitlines()) == 1


@pytest.mark.parametrize(
    ("files", "said"),
    [
        ({}, "yieldkit new"),
        ({"crew.toml": "[general]\nname = 'x'\n"}, "yieldkit ingest"),
        ({"crew.toml": "[general]\nzone = 'Mars'\n"}, "crew.toml"),
        ({"crew.toml": "[general]\nnmae = 'x'\n"}, "nmae"),
        ({"crew.toml": "", "crew.xlsx": ""}, "two settings files"),
        ({"crew.xlsx": "no workbook"}, "crew.xlsx"),
    ],
)
def test_a_folder_that_cannot_be_reviewed_is_one_sentence(files, said, tmp_path, capsys):
    for name, text in files.items():
        (tmp_path / name).write_text(text, "utf-8")
    assert cli.main(["review", "--crew", str(tmp_path)]) == cli.WRONG_USE
    shown = capsys.readouterr().err
    assert said in shown and "Traceback" not in shown
    assert len(shown.splitlines()) == 1


def test_before_the_first_export_each_command_says_so(tmp_path, capsys):
    folder = tmp_path / "new"
    assert cli.main(["new", str(folder)]) == cli.DONE
    assert cli.main(["ingest", "--crew", str(folder)]) == cli.DONE
    for command in ("plan", "drift"):
        assert cli.main([command, "--crew", str(folder)]) == cli.DONE
    capsys.readouterr()
    assert cli.main(["review", "--crew", str(folder)]) == cli.WRONG_USE
    assert "the records hold no joint and no log entry yet" in capsys.readouterr().err


def test_lab_wants_a_crews_folder(tmp_path, capsys):
    assert cli.main(["lab", "--crew", str(tmp_path)]) == cli.WRONG_USE
    assert "no crew.xlsx" in capsys.readouterr().err


def test_lab_opens_jupyterlab_there_and_fetches_nothing(tmp_path, monkeypatch):
    called = []

    class Ended:
        returncode = 0

    def run(words, check):
        called.append(words)
        return Ended()

    monkeypatch.setattr("yieldkit.cli.review.subprocess.run", run)
    (tmp_path / "crew.toml").write_text("", "utf-8")
    assert cli.main(["lab", "--crew", str(tmp_path), "--no-browser", "--", "--port=1"]) == cli.DONE
    (words,) = called
    assert f"--ServerApp.root_dir={tmp_path.resolve()}" in words
    assert words[-2:] == ["--no-browser", "--port=1"]
    assert "--LabApp.news_url=None" in words
    assert (tmp_path / "notebooks" / "weekly_review.ipynb").exists()


def test_a_notebook_that_a_person_changed_is_not_written_over(tmp_path):
    (made, *_) = shipped.copy_notebooks(tmp_path)
    made.write_text("mine", "utf-8")
    shipped.copy_notebooks(tmp_path)
    assert made.read_text("utf-8") == "mine"
