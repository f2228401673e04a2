"""The doubts list: what is asked, how a decision is applied, undone, and what it changes."""

import errno
import io
import os
import shutil
import subprocess
import zipfile
from datetime import date

import openpyxl
import pytest

from tests.records.made_files import arc, crew, derived, entry, made, panel, test
from tests.records.test_ingest import SETTINGS, export, put
from tests.records.test_ingest import crew as folder_of_a_crew  # noqa: F401
from yieldkit.errors import CrewError
from yieldkit.records import deriving, doubts_workbook
from yieldkit.records.decisions import decided_of
from yieldkit.records.deriving import Decided, derive
from yieldkit.records.doubts import Doubt, doubts_of
from yieldkit.records.forgetting import forget
from yieldkit.records.ingest import history, ingest, withdraw
from yieldkit.records.opened import open_crew
from yieldkit.wording.records import report_lines

PLAN = made("plan.csv", "planned", [panel(12)])
PLAN_LAYOUT = """
name = "plan"
table = "planned"
delimiter = ","
[columns]
job = "job"
panel = "panel"
ports = "ports"
connector_type = "connector type"
"""
LOG_LAYOUT = """
name = "log"
table = "rework"
delimiter = ","
dates = ["yyyy-mm-dd"]
[columns]
when = "day"
place = "place"
job = "job"
cause = "cause"
"""
PEOPLE = '[[people]]\ncode = "T01"\n[[people]]\ncode = "T02"\n'


def doubts(*sources, settings=None, repairs=()):
    settings = settings or crew()
    found = doubts_of(derive(sources, settings, decided_of(list(repairs))), settings, list(repairs))
    return {(row["kind"], row["key"]): Doubt(**row) for row in found.to_pylist()}


def decide(folder, sheet, key, decision, remark="by the lead"):
    """Fill a decision in, as a person would in a spreadsheet program."""
    book = openpyxl.load_workbook(folder / "doubts.xlsx")
    page = book[sheet]
    headings = [cell.value for cell in page[1]]
    for row in page.iter_rows(min_row=2):
        if row[headings.index("key")].value == key:
            row[headings.index("decision")].value = decision
            row[headings.index("remark")].value = remark
            break
    else:
        raise AssertionError(f"no row {key}")
    book.save(folder / "doubts.xlsx")


# -- what is asked ---------------------------------------------------------------------------------


def test_a_guess_applied_by_rule_is_listed_and_an_unknown_name_is_open():
    people = crew(people=[{"code": "T01"}, {"code": "T02"}])
    rows = [
        arc(f"2026-11-16 08:0{n}", f"P01/{n}", who=who) for n, who in enumerate(["Tech 1", "M"])
    ]
    found = doubts(PLAN, made("a.csv", "attempts", rows), settings=people)
    assert found["technician", "Tech 1"].state == "applied by rule"
    assert found["technician", "Tech 1"].suggested == "T01"
    assert found["technician", "M"].state == "open"


def test_a_shortened_name_is_suggested_and_not_applied():
    people = [
        {"code": "T01", "name": "Maija Niemi"},
        {"code": "T02", "name": "Mikko Niemi"},
        {"code": "T03"},
    ]
    rows = [
        arc(f"2026-11-16 08:0{n}", f"P01/{n}", who=who, counter=n)
        for n, who in enumerate(("Maija", "M", "M. Niemi", "Äijä", "maija niemi"), start=1)
    ]
    found = doubts(PLAN, made("a.csv", "attempts", rows), settings=crew(people=people))
    told = {key: doubt.suggested for (kind, key), doubt in found.items() if kind == "technician"}
    assert told == {"Maija": "T01", "M": "T01; T02", "M. Niemi": "T01; T02", "Äijä": ""}


def test_a_spelling_says_in_how_many_rows_it_stands(filled):
    found = open_crew(filled).doubts().set_index("key")
    assert found.loc["Maija", "rows"] == 8


def test_what_is_not_held_stands_on_another_sheet_than_held_rows(filled):
    log = "day,place,job,cause\n" + "2026-11-16,P01/1,J1,cleave\n" * 2
    put(filled, "log.csv", log)
    (filled / "layouts" / "log.toml").write_text(LOG_LAYOUT, "utf-8")
    report = ingest(filled)
    book = openpyxl.load_workbook(filled / "doubts.xlsx")
    assert report.totals["held"] == book["held rows"].max_row - 1 == 0
    assert book["rows to look at"].cell(2, 1).value == "entered twice"


def test_a_place_that_the_plan_lacks_is_asked_with_candidates():
    rows = [arc("2026-11-16 08:00", "P09/03")]
    found = doubts(PLAN, made("a.csv", "attempts", rows))["place", "J1|P09/03"]
    assert (found.state, found.suggested) == ("open", "P01/3")


def test_held_rows_repaired_clocks_and_numbers_in_no_file_are_listed():
    rows = [arc(f"2026-11-16 08:{n:02d}:07", f"P01/{n}", counter=n) for n in range(1, 12) if n != 6]
    copy = [rows[2] | {"loss_db": 0.3, "loss_text": "0.30"}]
    late = [row | {"when_shown": row["when_shown"].replace(year=2016)} for row in rows[4:6]]
    found = doubts(
        PLAN,
        made("a.csv", "attempts", rows[:4] + late + rows[6:]),
        made("b.csv", "attempts", copy),
    )
    kinds = {kind for kind, _ in found}
    assert {"held row", "clock", "counter gap"} <= kinds
    gap = next(doubt for (kind, _), doubt in found.items() if kind == "counter gap")
    assert gap.rows == 1


@pytest.mark.parametrize(
    "first, again, told",
    [
        (range(8, 20), range(1, 12), "started again at 1 after 19: how many came after 19 is not"),
        (range(8, 20), range(5, 16), "started again at 5 after 19: 4 numbers before it in no file"),
        (range(9990, 10000), range(0, 12), None),  # a counter of four digits that went round
        (range(9990, 10000), range(4, 16), "started again at 4 after 9999: 3 numbers before it"),
        (range(8, 20), range(20, 31), None),
    ],
)
def test_a_counter_that_starts_again_says_what_is_not_known(first, again, told):
    days = [(n, f"2026-11-16 08:{at:02d}") for at, n in enumerate(first)]
    days += [(n, f"2026-11-20 08:{at:02d}") for at, n in enumerate(again)]
    found = doubts(made("a.csv", "attempts", [arc(day, f"P01/{n}", counter=n) for n, day in days]))
    said = [doubt.found for (kind, _), doubt in found.items() if kind == "counter gap"]
    assert len(said) == (told is not None)
    assert all(told in one for one in said)


def test_a_number_on_a_refused_row_is_no_gap(folder_of_a_crew):  # noqa: F811
    lines = export(range(1, 31)).splitlines()
    lines[5] = lines[5].replace("0.03", "99")  # number 5 is refused, yet readable
    lines[9] = lines[9].replace("9,2026", "x,2026")  # number 9 is not readable
    lines[12] = "12,2026-11-16"  # cells that cannot be told apart
    del lines[20]
    for name in ("a.csv", "a (1).csv"):
        put(folder_of_a_crew, name, "\n".join(lines) + "\n")
    put(folder_of_a_crew, "b.csv", "\n".join(lines[:15]) + "\n")
    assert ingest(folder_of_a_crew).totals["refused"] == 9
    found = open_crew(folder_of_a_crew).doubts()
    (gap,) = found.loc[found["kind"] == "counter gap", "found"]
    assert gap == "SP-01: numbers 1 to 30, 3 of them in no file (2 may be on refused rows)"


def test_an_entry_that_is_gone_from_a_newer_save_is_asked():
    old = made("log.csv", "rework", [entry("2026-11-16", "P01/01"), entry("2026-11-17", "P01/02")])
    new = made("log.csv", "rework", [entry("2026-11-17", "P01/02")])
    newer = type(new)(**{**new.__dict__, "taken_in": new.taken_in.replace(year=2027)})
    found = [doubt for doubt in doubts(PLAN, old, newer).values() if "gone" in doubt.kind]
    assert len(found) == 1 and "2026-11-16" in found[0].found


def test_the_same_entry_twice_is_asked_and_may_be_set_aside():
    log = made("log.csv", "rework", [entry("2026-11-16"), entry("2026-11-16")])
    found = [key for kind, key in doubts(PLAN, log) if kind == "entered twice"]
    assert len(found) == 1
    decided = Decided(aside=tuple(found))
    files = derive([PLAN, log], crew(), decided).tables["files"].to_pandas().set_index("file")
    assert files.loc["log.csv", ["accepted", "duplicates"]].tolist() == [1, 1]


def test_an_unknown_word_of_the_log_is_asked_and_its_meaning_applied():
    log = made("log.csv", "rework", [entry("2026-11-16", step="unknown", cause="unknown")])
    rows = made("a.csv", "attempts", [arc("2026-11-16 08:00")])
    asked = doubts(PLAN, log, rows)
    assert ("step", "unknown") in asked and ("cause", "unknown") in asked
    repairs = [{"kind": "cause", "key": "unknown", "meaning": "contamination"}]
    tables = derive([PLAN, log, rows], crew(), decided_of(repairs)).tables
    assert tables["rework"]["cause"].to_pylist() == ["contamination"]


def test_a_row_is_put_to_the_place_that_the_lead_names():
    rows = made("a.csv", "attempts", [arc("2026-11-16 08:00", None)])
    key = next(key for kind, key in doubts(PLAN, rows) if kind == "position of a row")
    repairs = [{"kind": "position of a row", "key": key, "meaning": "P01/07"}]
    attempts = derive([PLAN, rows], crew(), decided_of(repairs)).plain("attempts")
    assert attempts["position_id"].to_pylist() == ["J1|P01|7"]


def test_a_repaired_clock_can_be_left_as_shown():
    rows = [arc(f"2026-11-16 08:{n:02d}", f"P01/{n}", counter=n) for n in range(1, 12)]
    rows[4:6] = [row | {"when_shown": row["when_shown"].replace(year=2016)} for row in rows[4:6]]
    source = made("a.csv", "attempts", rows)
    key = next(key for kind, key in doubts(PLAN, source) if kind == "clock")
    decided = decided_of([{"kind": "clock", "key": key, "meaning": "as shown"}])
    times = derive([PLAN, source], crew(), decided).plain("attempts").to_pandas()
    assert (times["when_source"] == "shown").all()


# -- the workbook ----------------------------------------------------------------------------------


@pytest.fixture
def filled(folder_of_a_crew):  # noqa: F811
    folder = folder_of_a_crew
    (folder / "crew.toml").write_text(SETTINGS + PEOPLE, "utf-8")
    put(folder, "a.csv", export(range(1, 9)).replace(",T01,", ",Maija,"))
    ingest(folder)
    return folder


def test_a_decision_filled_in_is_applied_said_and_undone(filled):
    assert set(open_crew(filled).attempts()["technician"]) == {"unknown"}
    decide(filled, "words", "Maija", "T02")
    report = ingest(filled)
    assert report.changed
    assert set(open_crew(filled).attempts()["technician"]) == {"T02"}
    book = openpyxl.load_workbook(filled / "doubts.xlsx")
    assert [cell.value for cell in book["decisions"][2]][:3] == ["technician", "Maija", "T02"]
    assert not ingest(filled).changed
    book["decisions"].cell(2, 6).value = "yes"
    book.save(filled / "doubts.xlsx")
    assert ingest(filled).changed
    assert set(open_crew(filled).attempts()["technician"]) == {"unknown"}
    told = [(line["what"], line["file"]) for line in history(filled)][-2:]
    assert told == [("decided", "technician Maija: T02"), ("undone", "technician Maija: T02")]


def test_a_decision_survives_a_rebuild_and_is_dated(filled):
    decide(filled, "words", "Maija", "T02")
    ingest(filled)
    ingest(filled, again=True)
    assert set(open_crew(filled).attempts()["technician"]) == {"T02"}
    from yieldkit.records.store import Store

    (repair,) = Store(filled).state()["repairs"]
    assert repair["remark"] == "by the lead" and repair["decided"].count("-") == 2


@pytest.mark.skipif(not shutil.which("soffice"), reason="LibreOffice is not installed")
def test_a_list_saved_again_by_a_spreadsheet_program_is_applied(filled, tmp_path):
    decide(filled, "words", "Maija", "T02")
    words = ["soffice", "--headless", f"-env:UserInstallation=file://{tmp_path}/profile"]
    saved = tmp_path / "saved"
    subprocess.run(
        [*words, "--convert-to", "xlsx:Calc MS Excel 2007 XML", "--outdir", saved,
         filled / "doubts.xlsx"],
        check=True, capture_output=True, timeout=120,
    )  # fmt: skip
    shutil.copy(saved / "doubts.xlsx", filled / "doubts.xlsx")
    assert ingest(filled).changed
    assert set(open_crew(filled).attempts()["technician"]) == {"T02"}


def test_a_list_that_is_lost_is_written_anew_with_what_was_decided(filled):
    decide(filled, "words", "Maija", "T02")
    ingest(filled)
    (filled / "doubts.xlsx").unlink()
    ingest(filled)
    book = openpyxl.load_workbook(filled / "doubts.xlsx")
    assert [cell.value for cell in book["decisions"][2]][:3] == ["technician", "Maija", "T02"]
    assert not ingest(filled).changed


def test_a_decision_that_is_none_of_those_offered_is_said(filled):
    put(filled, "b.csv", export([3], loss="0.60").replace(",T01,", ",Maija,"))
    ingest(filled)
    book = openpyxl.load_workbook(filled / "doubts.xlsx")
    key = book["held rows"].cell(2, 9).value
    decide(filled, "held rows", key, "perhaps")
    with pytest.raises(CrewError, match=r"doubts.xlsx, sheet held rows, row 2.*let it count"):
        ingest(filled)
    decide(filled, "held rows", key, "let it count")
    ingest(filled)
    assert "0.60" in open_crew(filled).attempts()["loss_text"].tolist()


@pytest.mark.parametrize("typed", ["T02", " t02 ", "T-2", "t 02"])
def test_a_decision_may_be_typed_in_another_form(filled, typed):
    decide(filled, "words", "Maija", typed)
    assert ingest(filled).changed
    assert set(open_crew(filled).attempts()["technician"]) == {"T02"}
    assert not ingest(filled).changed
    told = [line["file"] for line in history(filled) if line["what"] == "decided"]
    assert len(told) == 1


def test_a_decision_that_names_nobody_or_no_place_is_said_and_changes_nothing(filled):
    put(filled, "plan.csv", "job,panel,ports,connector type\nJ1,P01,12,LC\n")
    (filled / "layouts" / "plan.toml").write_text(PLAN_LAYOUT, "utf-8")
    put(filled, "b.csv", export([3]).replace("3,2026", "70,2026").replace("P01/3", "P09/3"))
    ingest(filled)
    for sheet, key, wrong, what, right in (
        ("words", "Maija", "T06", "no such technician in the settings", "T02"),
        ("places", "J1|P09/3", "P99/01", "plan of job J1 holds no such place", "P01/3"),
    ):
        before = history(filled)
        decide(filled, sheet, key, wrong)
        with pytest.raises(CrewError, match=rf"sheet {sheet}, row \d.*decision.*{what}.*{wrong}"):
            ingest(filled)
        assert history(filled) == before
        decide(filled, sheet, key, right)
        assert ingest(filled).changed
    assert open_crew(filled).attempts()["position_id"].notna().all()


@pytest.mark.parametrize(
    "change, said",
    [
        (lambda book: setattr(book["words"].cell(2, 9), "value", None), "the kind or the key"),
        (lambda book: setattr(book["words"], "title", "Wörter"), "has no such sheet"),
        (lambda book: setattr(book["words"].cell(1, 7), "value", "x"), "a column .* is gone"),
        (lambda book: book["words"].insert_rows(1), "a column .* is gone"),
    ],
)
def test_a_list_changed_so_that_a_decision_would_be_lost_is_said(filled, change, said):
    decide(filled, "words", "Maija", "T02")
    book = openpyxl.load_workbook(filled / "doubts.xlsx")
    change(book)
    book.save(filled / "doubts.xlsx")
    with pytest.raises(CrewError, match=said):
        ingest(filled)


@pytest.mark.parametrize(
    "change",
    [
        lambda book: book["words"].insert_cols(1),
        lambda book: book["words"].move_range("G1:G9", cols=9),
        lambda book: book.create_sheet("my notes").append(["kind", "of", "a", "note"]),
        lambda book: book.move_sheet("words", 3),
    ],
)
def test_a_list_changed_in_looks_alone_is_applied(filled, change):
    decide(filled, "words", "Maija", "T02")
    book = openpyxl.load_workbook(filled / "doubts.xlsx")
    change(book)
    book.save(filled / "doubts.xlsx")
    ingest(filled)
    assert set(open_crew(filled).attempts()["technician"]) == {"T02"}


def test_a_packed_bomb_in_place_of_the_list_is_not_unfolded(filled):
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as book:
        book.writestr("xl/workbook.xml", "<a/>")
        book.writestr("xl/worksheets/sheet1.xml", bytes(500 * 2**20))
    (filled / "doubts.xlsx").write_bytes(packed.getvalue())
    with pytest.raises(CrewError, match="doubts list cannot be read"):
        ingest(filled)


def test_a_row_may_be_left_without_a_place(filled):
    put(filled, "plan.csv", "job,panel,ports,connector type\nJ1,P01,12,LC\n")
    (filled / "layouts" / "plan.toml").write_text(PLAN_LAYOUT, "utf-8")
    put(filled, "b.csv", export([3]).replace("3,2026", "70,2026").replace("P01/3", "P09/3"))
    ingest(filled)
    decide(filled, "places", "J1|P09/3", "seen")
    ingest(filled)
    assert open_crew(filled).attempts()["position_id"].isna().sum() == 1


@pytest.mark.parametrize("how", ["withdraw", "forget", "rebuild"])
def test_a_decision_typed_in_is_applied_by_whatever_writes_the_list_anew(filled, how):
    put(filled, "b.csv", export(range(20, 23), day="2023-05-08"))
    ingest(filled)
    decide(filled, "words", "Maija", "T02")
    if how == "withdraw":
        withdraw(filled, "b.csv")
    elif how == "forget":
        forget(filled, date(2024, 1, 1))
    else:
        ingest(filled, again=True)
    assert "T02" in set(open_crew(filled).attempts()["technician"])
    assert ("decided", "technician Maija: T02") in [(x["what"], x["file"]) for x in history(filled)]


def test_a_remark_alone_stays_when_the_list_is_written_anew(filled):
    decide(filled, "words", "Maija", None, "ask her on Monday")
    put(filled, "b.csv", export(range(20, 23)))
    assert ingest(filled).changed
    book = openpyxl.load_workbook(filled / "doubts.xlsx")
    typed = [[cell.value for cell in row] for row in book["words"].iter_rows(min_row=2)]
    assert [row[7] for row in typed if row[8] == "Maija"] == ["ask her on Monday"]


def remarks_on(folder, sheet):
    book = openpyxl.load_workbook(folder / "doubts.xlsx")
    headings = [cell.value for cell in book[sheet][1]]
    rows = book[sheet].iter_rows(min_row=2, values_only=True)
    return {row[headings.index("key")]: row[headings.index("remark")] for row in rows}


def test_a_remark_outlives_its_doubt_and_goes_back_to_it(filled):
    decide(filled, "words", "Maija", None, "ask her on Monday")
    (filled / "crew.toml").write_text(
        SETTINGS
        + PEOPLE
        + '[[aliases]]\nkind = "technician"\nwritten = "Maija"\nmeaning = "T02"\n',
        "utf-8",
    )
    assert ingest(filled).changed
    assert remarks_on(filled, "words") == {}
    assert remarks_on(filled, "remarks") == {"Maija": "ask her on Monday"}
    put(filled, "b.csv", export(range(20, 23)))
    ingest(filled)
    assert remarks_on(filled, "remarks") == {"Maija": "ask her on Monday"}
    (filled / "crew.toml").write_text(SETTINGS + PEOPLE, "utf-8")
    ingest(filled)
    assert remarks_on(filled, "words")["Maija"] == "ask her on Monday"
    assert remarks_on(filled, "remarks") == {}


def test_a_remark_on_a_withdrawn_files_row_comes_back_with_it(filled):
    row = export([3], loss="0.60").replace(",T01,", ",Maija,")
    put(filled, "b.csv", row)
    ingest(filled)
    (key,) = remarks_on(filled, "held rows")
    decide(filled, "held rows", key, None, "typed by the office")
    withdraw(filled, "b.csv")
    assert remarks_on(filled, "remarks") == {key: "typed by the office"}
    put(filled, "c.csv", row)
    ingest(filled)
    assert remarks_on(filled, "held rows") == {key: "typed by the office"}


def test_a_remark_beside_a_decision_can_be_changed_and_stays_when_it_is_undone(filled):
    decide(filled, "words", "Maija", "T02", "says Pekka")
    ingest(filled)
    before = len(history(filled))
    book = openpyxl.load_workbook(filled / "doubts.xlsx")
    book["decisions"].cell(2, 5).value = "says the roster"
    book.save(filled / "doubts.xlsx")
    ingest(filled)
    assert remarks_on(filled, "decisions") == {"Maija": "says the roster"}
    assert len(history(filled)) == before
    book = openpyxl.load_workbook(filled / "doubts.xlsx")
    book["decisions"].cell(2, 6).value = "yes"
    book.save(filled / "doubts.xlsx")
    ingest(filled)
    assert remarks_on(filled, "words")["Maija"] == "says the roster"


def test_a_run_with_nothing_new_tells_the_open_doubts_too(filled):
    report = ingest(filled)
    assert not report.changed
    assert any("1 open doubt in doubts.xlsx" in line for line in report_lines(report))


def test_a_row_whose_time_cannot_be_is_said(folder_of_a_crew):  # noqa: F811
    text = export(range(1, 12)).replace("2026-11-16 08:05:00", "2026-02-30 08:05:00")
    put(folder_of_a_crew, "a.csv", text.replace("2026-11-16 08:11:00", "2026-11-31 08:11:00"))
    report = ingest(folder_of_a_crew)
    told = "Of the rows that count, 1 has an inferred time and 1 has none that can be told"
    assert any(line.startswith(told) for line in report_lines(report))
    found = open_crew(folder_of_a_crew).doubts().set_index("key")
    placed = found.loc["SP-01|a.csv|placed between its neighbours"]
    assert (placed["rows"], placed["where"]) == (1, "a.csv, from row 6")
    assert found.loc["SP-01|a.csv|time cannot be told", "rows"] == 1


def test_what_is_typed_while_a_run_goes_on_stays_typed(filled, monkeypatch):
    put(filled, "b.csv", export(range(20, 23)))
    derive_then = deriving.derive

    def slow(*given):
        decide(filled, "words", "Maija", "T02")
        return derive_then(*given)

    monkeypatch.setattr(deriving, "derive", slow)
    ingest(filled)
    monkeypatch.undo()
    ingest(filled)
    assert "T02" in set(open_crew(filled).attempts()["technician"])


def test_a_list_in_which_nothing_was_typed_is_not_read_again(filled, monkeypatch):
    def never(path):
        raise AssertionError("read again")

    with monkeypatch.context() as patched:
        patched.setattr(doubts_workbook, "_rows", never)
        assert not ingest(filled).changed
        put(filled, "b.csv", export(range(20, 23)))
        assert ingest(filled).changed
    decide(filled, "words", "Maija", None, "ask her on Monday")
    put(filled, "c.csv", export(range(30, 33)))
    ingest(filled)
    decide(filled, "words", "Maija", "T02", "as said on Monday")
    assert ingest(filled).changed
    assert remarks_on(filled, "decisions") == {"Maija": "as said on Monday"}


@pytest.mark.parametrize("mark", ["", "[]", "{}", None])
def test_a_list_whose_mark_in_the_store_is_gone_is_read_and_written_anew(filled, mark):
    decide(filled, "words", "Maija", "T02")
    if mark is None:
        (filled / "store" / "doubts.json").unlink()
    else:
        (filled / "store" / "doubts.json").write_text(mark)
    assert ingest(filled).changed
    assert set(open_crew(filled).attempts()["technician"]) == {"T02"}
    assert not ingest(filled).changed


@pytest.mark.parametrize(
    "error, said", [(errno.EACCES, "open elsewhere"), (errno.ENOSPC, "No space left")]
)
def test_a_list_that_cannot_be_replaced_is_said_and_written_by_the_next_run(
    filled, monkeypatch, error, said
):
    def replace(old, new):
        if str(new).endswith("doubts.xlsx"):
            raise OSError(error, os.strerror(error), str(new))
        return real(old, new)

    real = os.replace
    put(filled, "b.csv", export([50]).replace(",T01,", ",Pekka,"))
    with monkeypatch.context() as patched:
        patched.setattr(os, "replace", replace)
        try:
            told = " ".join(ingest(filled).said)
        except CrewError as raised:
            told = str(raised)
    assert said in told
    assert list(filled.glob(".part-*")) == []
    assert "Pekka" not in remarks_on(filled, "words")
    ingest(filled)
    assert "Pekka" in remarks_on(filled, "words")
    assert not ingest(filled).changed


def test_doubts_that_find_no_room_are_counted(filled, monkeypatch):
    monkeypatch.setattr(doubts_workbook, "MOST_ROWS", 1)
    put(filled, "b.csv", export([50]).replace(",T01,", ",Pekka,"))
    put(filled, "c.csv", export([51]).replace(",T01,", ",Liisa,"))
    said = ingest(filled).said
    assert any("no room for 2 more doubts" in line for line in said)


def test_what_a_run_changes_in_last_weeks_figures_is_said(filled):
    week = export(range(30, 40), day="2026-11-09").replace(",T01,", ",T02,")
    put(filled, "b.csv", week)
    put(filled, "later.csv", export(range(60, 62), day="2026-11-17"))
    ingest(filled)
    put(filled, "c.csv", export(range(40, 42), day="2026-11-09", loss="0.90"))
    said = ingest(filled).said
    assert len(said) == 1
    assert said[0].startswith("Week 2026-W46 restated: 0 of 2 first pass, 10 pending")


def test_decisions_applied_and_taken_back_are_counted_and_weeks_told(filled):
    later = export(range(60, 62), day="2026-11-24").replace(",T01,", ",T02,")
    put(filled, "later.csv", later)
    said = ingest(filled).said
    assert said == ()  # the last whole week is the one that was there
    decide(filled, "words", "Maija", "T02")
    assert ingest(filled).said == (
        "1 decision of doubts.xlsx applied.",
        "Week 2026-W47: first-pass figures are as they were.",
    )
    week = export(range(30, 32), day="2026-11-09", loss="0.90").replace("SP-01", "SP-02")
    put(filled, "more.csv", week)
    assert ingest(filled).said == ()
    week = export(range(40, 42), day="2026-11-10", loss="0.90").replace("SP-01", "SP-02")
    put(filled, "late.csv", week)
    assert ingest(filled).said == ("Earlier weeks restated too: 2026-W46.",)


def test_a_week_told_for_the_first_time_is_not_restated(folder_of_a_crew):  # noqa: F811
    put(folder_of_a_crew, "a.csv", export(range(1, 9), day="2026-11-09"))
    ingest(folder_of_a_crew)
    put(folder_of_a_crew, "b.csv", export(range(20, 24), day="2026-11-16", loss="0.90"))
    put(folder_of_a_crew, "c.csv", export(range(30, 32), day="2026-11-23"))
    (line,) = ingest(folder_of_a_crew).said
    assert line == "Week 2026-W47: 0 of 4 first pass, 0 pending, 0 unknown."


def test_formula_text_and_hostile_ids_are_text_in_the_workbook(filled):
    put(filled, "b.csv", export(range(20, 22)).replace(",T01,", ",=HYPERLINK(1),"))
    ingest(filled)
    book = openpyxl.load_workbook(filled / "doubts.xlsx")
    cells = [cell for page in book for row in page.iter_rows() for cell in row]
    assert any(cell.value == "=HYPERLINK(1)" for cell in cells)
    assert not any(cell.data_type == "f" for cell in cells)


def test_derived_tables_have_no_doubt_about_a_clean_file():
    rows = [arc(f"2026-11-16 08:{n:02d}", f"P01/{n:02d}", counter=n) for n in range(1, 12)]
    tests = [test(f"2026-11-16 09:{n:02d}", f"P01/{n:02d}") for n in range(1, 12)]
    sources = [PLAN, made("a.csv", "attempts", rows), made("t.csv", "measurements", tests)]
    assert [doubt for doubt in doubts(*sources).values() if doubt.state == "open"] == []
    assert len(derived(*sources)["positions"]) == 12
