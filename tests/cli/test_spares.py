"""The command ``spares``: a bid in, a page and a list out; one sentence where it cannot."""

import json

import openpyxl
import pytest

from tests.answers.bid_tables import no_rework, past_jobs, priced_crew
from yieldkit.cli import main
from yieldkit.records.bids import write_blank_bid

USUAL = [{"LC": (60, 0.94), "SC": (30, 0.96)}] * 6
BID = """\
title = "Harbour hall"
service_level = 0.9
[[lines]]
connector_type = "LC"
positions = 48
"""


class Records:
    """What ``open_crew`` gives, from made tables."""

    def __init__(self, folder):
        import pandas as pd

        self.folder, self.settings = folder, priced_crew()
        self.as_of = pd.Timestamp("2026-11-25", tz="UTC")

    def positions(self):
        return past_jobs(USUAL)

    def rework(self):
        return no_rework()

    def stock(self):
        import pandas as pd

        names = ["date", "part", "connector_type", "lot", "move", "quantity", "expires"]
        return pd.DataFrame(columns=names)


@pytest.fixture
def crew(tmp_path, monkeypatch):
    monkeypatch.setattr("yieldkit.records.opened.open_crew", lambda folder: Records(tmp_path))
    (tmp_path / "harbour.toml").write_text(BID, "utf-8")
    return tmp_path


def test_a_bid_is_forecast_and_written(crew, capsys):
    later = '[[other_jobs]]\njob = "Mill"\nstarts = 2026-12-01\nconnector_type = "SC"\n'
    (crew / "both.toml").write_text(BID + later + "positions = 12\n", "utf-8")
    assert main(["spares", str(crew / "both.toml"), "--crew", str(crew)]) == 0
    said = capsys.readouterr().out
    assert "Chance that nothing runs short" in said
    assert "SC connector bodies: order now" in said
    assert {path.name for path in (crew / "bids" / "both").iterdir()} == {
        "bid.html",
        "bid.xlsx",
        "spares.csv",
    }


def test_the_list_as_json_writes_nothing(crew, capsys):
    assert main(["spares", str(crew / "harbour.toml"), "--crew", str(crew), "--json"]) == 0
    rows = json.loads(capsys.readouterr().out)
    assert {row["part"] for row in rows} == {"body", "ring", "sleeve", "cord_m"}
    assert not (crew / "bids").exists()


def test_the_same_bid_gives_the_same_list(crew, capsys):
    said = []
    for _ in range(2):
        main(["spares", str(crew / "harbour.toml"), "--crew", str(crew), "--json"])
        said.append(capsys.readouterr().out)
    assert said[0] == said[1]


def test_past_jobs_are_tested(crew, capsys):
    assert main(["spares", "--backtest", "--crew", str(crew)]) == 0
    assert "of 3" in capsys.readouterr().out


@pytest.mark.parametrize(
    "words, said",
    [([], "no bid is named"), (["none.xlsx"], "no such bid file")],
)
def test_wrong_use_is_one_sentence(crew, capsys, words, said):
    assert main(["spares", *words, "--crew", str(crew)]) == 2
    error = capsys.readouterr().err
    assert said in error and error.count("\n") == 1


def test_a_blank_is_written_once(tmp_path, capsys):
    from yieldkit.records.settings import write_new_settings

    write_new_settings(tmp_path)
    assert main(["spares", "--blank", "--crew", str(tmp_path)]) == 0
    path = tmp_path / "bids" / "blank bid.xlsx"
    before = path.read_bytes()
    assert main(["spares", "--blank", "--crew", str(tmp_path)]) == 0
    assert "already" in capsys.readouterr().out
    assert path.read_bytes() == before


def test_a_type_that_nobody_knows_is_said_with_file_sheet_and_row(crew, capsys):
    write_blank_bid(crew / "bid.xlsx")
    book = openpyxl.load_workbook(crew / "bid.xlsx")
    sheet = book["positions"]
    heads = [cell.value for cell in sheet[1]]
    for row, kind in ((2, "LC"), (4, "XQ")):
        sheet.cell(row, heads.index("connector type") + 1).value = kind
        sheet.cell(row, heads.index("positions") + 1).value = 48
    book.save(crew / "bid.xlsx")
    assert main(["spares", str(crew / "bid.xlsx"), "--crew", str(crew)]) == 2
    said = capsys.readouterr().err
    assert 'bid.xlsx, sheet positions, row 4, column "connector type": the bid names an' in said
