"""Commands ``layout`` and ``forms`` as a person meets them."""

import shutil
from pathlib import Path

import pytest

from yieldkit.cli import main
from yieldkit.records.layouts import read_layout

CREW_A = Path(__file__).parents[1] / "crew_a"


@pytest.fixture
def crew(tmp_path):
    (tmp_path / "inbox").mkdir()
    return tmp_path


def take(crew, name):
    return shutil.copy(CREW_A / "inbox" / name, crew / "inbox")


def test_a_new_file_gets_a_layout_once(crew, capsys):
    file = take(crew, "auszug_SP-01_2024-10-25.csv")
    assert main(["layout", file, "--crew", str(crew)]) == 0
    said = capsys.readouterr().out
    assert said.startswith('auszug_SP-01_2024-10-25.csv: 268 of 269 rows can be read as table "att')
    assert "impossible value" in said and "First rows" in said
    (written,) = (crew / "layouts").iterdir()
    assert read_layout(written).decimal == ","
    other = take(crew, "auszug_SP-01_2024-11-01.csv")
    assert main(["layout", other, "--crew", str(crew)]) == 0
    assert "reads it already, 368 of 369 rows" in capsys.readouterr().out
    assert len(list((crew / "layouts").iterdir())) == 1


def test_show_writes_nothing(crew, capsys):
    file = take(crew, "kit_sheet.csv")
    assert main(["layout", file, "--crew", str(crew), "--show"]) == 0
    assert "[columns]" in capsys.readouterr().out
    assert not (crew / "layouts").exists()


def test_open_questions_are_said_and_answered(crew, capsys):
    file = crew / "inbox" / "export SP-09.csv"
    rows = [f"{n},0{n % 9 + 1}/03/2026 07:00,T01,J1,P1/{n},0.0{n % 9},ok" for n in range(1, 40)]
    file.write_text("\n".join(["No,Time,Who,Job,Place,Loss,Status", *rows]))
    assert main(["layout", str(file), "--crew", str(crew)]) == 0
    assert "OPEN (date order)" in capsys.readouterr().out
    (written,) = (crew / "layouts").iterdir()
    assert "OPEN, date order" in written.read_text("utf-8")
    name = read_layout(written).name
    capsys.readouterr()
    assert main(["layout", str(file), "--crew", str(crew)]) == 0
    assert "0 of 39 rows. Nothing was written; date order is open" in capsys.readouterr().out
    answer = "date order=day first"
    assert main(["layout", str(file), "--crew", str(crew), "--answer", answer]) == 0
    assert "39 of 39 rows can be read" in capsys.readouterr().out
    assert [written] == list((crew / "layouts").iterdir())
    assert read_layout(written).dates == ("dd/mm/yyyy hh:mm",)
    assert read_layout(written).name == name
    assert main(["layout", str(file), "--crew", str(crew), "--answer", answer]) == 0
    assert "reads it already, 39 of 39 rows. Nothing was written" in capsys.readouterr().out
    assert main(["layout", str(file), "--crew", str(crew), "--name", "a/../b"]) == 0
    assert (crew / "layouts" / "a____b.toml").exists()


@pytest.mark.parametrize(
    "words, what",
    [
        (["layout", "nowhere.csv"], "there is no such file"),
        (["layout", "{empty}"], "the file is empty"),
        (["layout", "{keys}"], "does not look like records"),
        (["layout", "{kit}", "--answer", "yes"], "QUESTION=ANSWER"),
    ],
)
def test_mistakes_are_one_sentence(words, what, crew, capsys):
    places = {
        "empty": take(crew, "auszug_SP-01_neu.csv"),
        "keys": take(crew, "bike_shed_keys.csv"),
        "kit": take(crew, "kit_sheet.csv"),
    }
    assert main([word.format(**places) for word in [*words, "--crew", str(crew)]]) == 2
    said = capsys.readouterr().err
    assert what in said and said.count("\n") == 1


def test_forms_are_written_once(crew, capsys):
    assert main(["forms", "--crew", str(crew)]) == 0
    assert len(list((crew / "forms").iterdir())) == 8
    assert main(["forms", "--crew", str(crew)]) == 2
    assert "may be filled in" in capsys.readouterr().err


def test_a_refused_value_is_said_with_column_and_unit(crew, capsys):
    file = take(crew, "auszug_SP-01_2024-10-25.csv")
    assert main(["layout", file, "--crew", str(crew)]) == 0
    (line,) = [one for one in capsys.readouterr().out.splitlines() if "impossible value" in one]
    assert 'column "' in line and "wanted 0 to 30 deg" in line


def test_forms_of_a_crew_that_is_not_there_say_so(tmp_path, capsys):
    assert main(["forms", "--crew", str(tmp_path / "nowhere")]) == 2
    assert "no such crew's folder" in capsys.readouterr().err
    assert not (tmp_path / "nowhere").exists()


def test_an_answer_given_before_holds_when_the_next_question_is_answered(crew, capsys):
    file = crew / "inbox" / "export SP-09.csv"
    words = ["ok", "ok", "glimp"]
    rows = [
        f"{n},0{n % 9 + 1}/03/2026 07:00,T01,J1,P1/{n},0.0{n % 9},{words[n % 3]}"
        for n in range(1, 40)
    ]
    file.write_text("\n".join(["No,Time,Who,Job,Place,Loss,Status", *rows]))
    for answer in ("date order=day first", "outcome glimp=other"):
        assert main(["layout", str(file), "--crew", str(crew), "--answer", answer]) == 0
    (written,) = (crew / "layouts").iterdir()
    assert read_layout(written).dates == ("dd/mm/yyyy hh:mm",)
    assert "OPEN" not in written.read_text("utf-8")


def test_what_a_file_does_not_hold_is_not_claimed(crew, capsys):
    file = crew / "inbox" / "panels.csv"
    rows = [f"J1,P{n:02d},24,LC" for n in range(1, 20)]
    file.write_text("\n".join(["Job,Panel,Ports,Connector type", *rows]))
    assert main(["layout", str(file), "--crew", str(crew)]) == 0
    said = capsys.readouterr().out
    assert "dates: none (100%; no column of dates)" in said
    assert "months are named" not in said and "no number has decimals" not in said
