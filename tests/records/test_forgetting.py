"""Retention: persons of old rows are gone everywhere, sums and later rows stay."""

from datetime import date

import openpyxl
import pyarrow.parquet as pq

from tests.records.test_doubts import LOG_LAYOUT, decide
from tests.records.test_ingest import HEAD, SETTINGS, crew, export, put  # noqa: F401
from yieldkit.records.forgetting import forget
from yieldkit.records.ingest import history, ingest
from yieldkit.records.opened import open_crew
from yieldkit.records.store import Store


def everything_kept(folder):
    """All text in the store: files as they are, tables unpacked."""
    found = ""
    for path in (folder / "store").rglob("*"):
        if path.suffix == ".parquet":
            found += repr(pq.read_table(path).to_pylist())
        elif path.is_file():
            found += path.read_bytes().decode("latin-1")
    return found


def test_old_rows_lose_their_person_everywhere_and_sums_stay(crew):  # noqa: F811
    put(crew, "old.csv", export(range(1, 9), day="2023-05-08").replace(",T01,", ",T77,"))
    put(crew, "new.csv", export(range(20, 29)))
    ingest(crew)
    said = forget(crew, date(2024, 1, 1))
    assert "8 rows before 2024-01-01" in said[0]
    assert said[-2] == "  old.csv"
    attempts = open_crew(crew).attempts()
    old = attempts[attempts["file"] == "old.csv"]
    assert set(old["technician"]) == {"unknown"} and len(old) == 8
    assert set(attempts.loc[attempts["file"] == "new.csv", "technician"]) == {"T01"}
    assert open_crew(crew)._table("forgotten")["positions"].sum() == 8
    assert "T77" not in everything_kept(crew)
    assert len(list((crew / "store" / "raw").iterdir())) == 1


def test_forgetting_year_by_year_counts_no_position_twice(crew):  # noqa: F811
    put(crew, "a.csv", export(range(1, 9), day="2023-05-08"))
    both = export(range(20, 29), day="2023-06-08") + export(range(40, 44), day="2024-06-08")
    put(crew, "b.csv", HEAD + both.replace(HEAD, ""))
    put(crew, "c.csv", export(range(60, 66)))
    ingest(crew)
    forget(crew, date(2024, 1, 1))
    put(crew, "late.csv", export(range(30, 33), day="2023-06-09"))
    ingest(crew)
    forget(crew, date(2025, 1, 1))
    sums = open_crew(crew)._table("forgotten").groupby("month")["positions"].sum()
    assert sums.to_dict() == {"2023-05": 8, "2023-06": 9 + 3, "2024-06": 4}


PEOPLE = '[[people]]\ncode = "T01"\n[[people]]\ncode = "T77"\n'


def test_decisions_and_history_lose_a_person_that_no_row_names_any_more(crew):  # noqa: F811
    (crew / "crew.toml").write_text(SETTINGS + PEOPLE, "utf-8")
    put(crew, "old.csv", export(range(1, 9), day="2023-05-08").replace(",T01,", ",Wilhelmina,"))
    put(crew, "new.csv", export(range(20, 29)).replace(",T01,", ",Ottilie,"))
    ingest(crew)
    decide(crew, "words", "Wilhelmina", "T77", "her van")
    decide(crew, "words", "Ottilie", "T01", "his van")
    ingest(crew)
    forget(crew, date(2024, 1, 1))
    kept = everything_kept(crew) + everything_in(crew / "doubts.xlsx")
    assert "Wilhelmina" not in kept and "T77" not in kept and "her van" not in kept
    assert "Ottilie" in kept and "his van" in kept
    told = [(line["what"], line["file"]) for line in history(crew)]
    assert ("decided", "technician: forgotten") in told
    assert ("decided", "technician Ottilie: T01") in told
    assert set(open_crew(crew).attempts()["technician"]) == {"unknown", "T01"}
    assert not ingest(crew).changed


def test_a_remark_about_a_forgotten_person_is_not_kept(crew):  # noqa: F811
    (crew / "crew.toml").write_text(SETTINGS + PEOPLE, "utf-8")
    put(crew, "old.csv", export(range(1, 9), day="2023-05-08").replace(",T01,", ",Wilhelmina,"))
    put(crew, "new.csv", export(range(20, 29)))
    ingest(crew)
    decide(crew, "words", "Wilhelmina", None, "lives in the north")
    forget(crew, date(2024, 1, 1))
    kept = everything_in(crew / "doubts.xlsx")
    assert "Wilhelmina" not in kept and "north" not in kept


def everything_in(workbook):
    book = openpyxl.load_workbook(workbook)
    return repr([list(sheet.iter_rows(values_only=True)) for sheet in book])


def test_free_words_of_the_log_go_where_their_class_is_known(crew):  # noqa: F811
    (crew / "layouts" / "log.toml").write_text(LOG_LAYOUT, "utf-8")
    words = ("dirty, said Wilhelmina", "Wilhelmina's fault", "nick by Ottilie")
    lines = [f"2023-05-0{n},P01/{n},J1,{word}" for n, word in enumerate(words, start=1)]
    lines = [line.replace("dirty,", "dirty;") for line in lines]
    put(crew, "log.csv", "\n".join(["day,place,job,cause", *lines]) + "\n")
    put(crew, "new.csv", export(range(20, 29)))
    ingest(crew)
    before = open_crew(crew).rework().set_index("place_text")
    forget(crew, date(2024, 1, 1))
    after = open_crew(crew).rework().set_index("place_text")
    assert after["cause"].to_dict() == before["cause"].to_dict()
    assert after["step"].to_dict() == before["step"].to_dict()
    kept = everything_kept(crew)
    assert "dirty" not in kept and "Ottilie" not in kept
    assert after.loc["P01/2", "cause_text"] == "Wilhelmina's fault"  # waits for its meaning


KIT_LAYOUT = """
name = "kit"
table = "kit_use"
delimiter = ","
dates = ["yyyy-mm-dd"]
[columns]
when = "day"
technician = "who"
splicer = "splicer"
cleaver = "cleaver"
"""


def test_lines_of_the_kit_sheet_do_not_contradict_once_their_names_are_gone(crew):  # noqa: F811
    (crew / "layouts" / "kit.toml").write_text(KIT_LAYOUT, "utf-8")
    lines = ["2023-05-08,T01,SP-01,CL-01", "2023-05-08,T02,SP-01,CL-02", "2023-05-08,T03,,CL-03"]
    put(crew, "kit.csv", "\n".join(["day,who,splicer,cleaver", *lines]))
    put(crew, "old.csv", export(range(1, 9), day="2023-05-08"))
    put(crew, "new.csv", export(range(20, 29)))
    before = ingest(crew)
    assert before.totals["held"] == 0
    forget(crew, date(2024, 1, 1))
    kit = open_crew(crew)._table("kit_use")
    assert set(kit["technician"]) == {"unknown"} and len(kit) == 3
    assert len(open_crew(crew)._table("held")) == 0


def test_every_file_that_is_left_in_the_inbox_is_named(crew):  # noqa: F811
    names = [f"old {n:02d}.csv" for n in range(20)]
    for number, name in enumerate(names):
        put(crew, name, export([number + 1], day="2023-05-08"))
    put(crew, "new.csv", export(range(120, 129)))
    ingest(crew)
    said = forget(crew, date(2024, 1, 1))
    at = said.index("Still in inbox/, 20 files to delete yourself:")
    assert [line.strip() for line in said[at + 1 : at + 21]] == names


def test_files_that_no_layout_reads_are_said_to_be_kept_whole(crew):  # noqa: F811
    put(crew, "old.csv", export(range(1, 9), day="2023-05-08"))
    put(crew, "keys of the shed.csv", "key,borrowed by\n7,somebody\n")
    ingest(crew)
    said = forget(crew, date(2024, 1, 1))
    at = next(n for n, line in enumerate(said) if line.startswith("Kept whole"))
    assert "1 file. They may name persons" in said[at]
    assert said[at + 1].strip() == "keys of the shed.csv"
    again = forget(crew, date(2024, 1, 1))
    assert again[0].startswith("No row before") and again[1].startswith("Kept whole")
    (crew / "inbox" / "keys of the shed.csv").unlink()
    ingest(crew)
    assert "somebody" not in everything_kept(crew)


def test_a_copy_of_a_forgotten_file_is_left_out_and_stops_no_other(crew):  # noqa: F811
    old = export(range(1, 9), day="2023-05-08").replace(",T01,", ",T77,")
    put(crew, "old.csv", old)
    put(crew, "new.csv", export(range(20, 29)))
    ingest(crew)
    forget(crew, date(2024, 1, 1))
    put(crew, "copy of old.csv", old)
    put(crew, "newer.csv", export(range(30, 33)))
    report = ingest(crew)
    assert report.new == ("copy of old.csv", "newer.csv")
    ((name, reason),) = report.unreadable
    assert name == "copy of old.csv" and "a copy of old.csv" in reason
    assert len(open_crew(crew).attempts()) == 8 + 9 + 3
    assert not ingest(crew).changed
    ingest(crew, again=True)
    assert "T77" not in everything_kept(crew)


def test_what_was_forgotten_does_not_come_back(crew):  # noqa: F811
    put(crew, "old.csv", export(range(1, 9), day="2023-05-08").replace(",T01,", ",T77,"))
    put(crew, "new.csv", export(range(20, 29)))
    ingest(crew)
    forget(crew, date(2024, 1, 1))
    assert not ingest(crew).changed
    ingest(crew, again=True)
    assert "T77" not in set(open_crew(crew).attempts()["technician"])
    assert not list((Store(crew).root / "raw").glob(".part*"))
    assert "nothing was changed" in forget(crew, date(2024, 1, 1))[0]
