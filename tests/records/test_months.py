"""The large tables by month: a month with the mark it had before is taken over, not made again."""

from dataclasses import replace

import pytest

from tests.records.made_files import arc, crew, entry, kit, made, panel
from tests.records.made_files import test as reading
from yieldkit.records.deriving import Decided, derive
from yieldkit.records.ingest import ingest
from yieldkit.records.store import Store

DAYS = ("2026-09-14", "2026-10-12", "2026-11-16")
PLAN = made(
    "plan.csv",
    "planned",
    [panel(panel=f"P0{n}", job=job) for job in ("J2", "J7") for n in (1, 2, 3)],
)


def export(name="a.csv", job="J2", days=DAYS, **more):
    rows = [
        arc(f"{day} 08:{n:02d}:11", f"P0{d + 1}/{n:02d}", 0.03 + 0.02 * n, 100 * d + n, job, **more)
        for d, day in enumerate(days)
        for n in range(1, 8)
    ]
    return made(name, "attempts", rows)


def log(day, **more):
    return made("log.csv", "rework", [entry(day, "P02/02", job="J2", **more)])


USUAL = (PLAN, export())
NAMED = {"people": [{"code": "T01"}, {"code": "T02"}]}
VARIED = {
    "the same": (USUAL, {}, Decided()),
    "a later file with an earlier job": (
        (*USUAL, export("b.csv", "J1", DAYS[2:], splicer="SP-00", who="T00")),
        {},
        Decided(),
    ),
    "a test of the first month": (
        (*USUAL, made("t.csv", "measurements", [reading(f"{DAYS[0]} 12:00", "P01/01", job="J2")])),
        {},
        Decided(),
    ),
    "an entry of the log": ((*USUAL, log(DAYS[1])), {}, Decided()),
    "an entry and its minutes": ((*USUAL, log(DAYS[1], rework_min=12.0)), {}, Decided()),
    "a kit sheet": ((*USUAL, made("k.csv", "kit_use", [kit(DAYS[0])])), {}, Decided()),
    "a type planned": (
        (made("plan.csv", "planned", [panel(job="J2", kind="SC")]), export()),
        {},
        Decided(),
    ),
    "a site": (
        (made("plan.csv", "planned", [panel(job="J2") | {"site": "North"}]), export()),
        {},
        Decided(),
    ),
    "another limit": (
        USUAL,
        {"limits": [{"quantity": "estimated loss", "limit_db": 0.1, "from_date": "2026-10-01"}]},
        Decided(),
    ),
    "another zone": (USUAL, {"general": {"zone": "America/Lima"}}, Decided()),
    "a coarser display": (
        USUAL,
        {"equipment": [{"unit": "SP-01", "kind": "splicer", "display_step_db": 0.05}]},
        Decided(),
    ),
    "a serial": (
        USUAL,
        {"equipment": [{"unit": "SP-01", "kind": "splicer", "serial": "S9"}]},
        Decided(),
    ),
    "another name of a person": (
        USUAL,
        NAMED | {"aliases": [{"kind": "technician", "written": "T01", "meaning": "T02"}]},
        Decided(),
    ),
    "a decision on a place": (USUAL, {}, Decided(words={"place": {"J2|P01/03": "P01/09"}})),
    "a remark in a row": ((PLAN, export(remark="smoke")), {}, Decided()),
    "an error in a row": (
        (PLAN, export(error="dust", outcome_text="dust error")),
        {},
        Decided(),
    ),
    "another name of the file": ((PLAN, replace(USUAL[1], file="c.csv")), {}, Decided()),
    "another job": ((PLAN, export(job="J7")), {}, Decided()),
    "a closing day long after": (
        (*USUAL, made("t.csv", "measurements", [reading("2027-03-01 12:00", "P01/01", job="J7")])),
        {},
        Decided(),
    ),
}


def by_month(sources, settings, decided):
    """Of each table and month the mark and the rows."""
    found = derive(sources, crew(**settings), decided)
    return {
        (name, month.name): (month.mark(name), month.table(name).to_pylist())
        for month in found.months
        for name in month.tables
    }


@pytest.mark.parametrize("change", VARIED)
def test_a_month_with_other_rows_has_another_mark(change):
    usual, varied = by_month(*VARIED["the same"]), by_month(*VARIED[change])
    shared = usual.keys() & varied.keys()
    assert len(shared) >= 4
    differ = {key for key in shared if usual[key][1] != varied[key][1]}
    assert differ <= {key for key in shared if usual[key][0] != varied[key][0]}
    assert bool(differ) == (change != "the same")


def test_a_later_file_leaves_the_marks_of_earlier_months():
    usual, more = (
        by_month(*VARIED["the same"]),
        by_month(*VARIED["a later file with an earlier job"]),
    )
    for name in ("attempts", "positions"):
        for month in ("2026-09", "2026-10"):
            assert usual[name, month][0] == more[name, month][0]
        assert usual[name, "2026-11"][0] != more[name, "2026-11"][0]


def test_the_table_as_a_whole_is_its_months_in_order():
    found = derive(USUAL, crew())
    attempts = found.plain("attempts")
    assert attempts["when"].to_pylist() == sorted(attempts["when"].to_pylist())
    assert attempts.num_rows == 21 and found.plain("positions").num_rows == 72
    assert [month.name for month in found.months] == [*("2026-09", "2026-10", "2026-11", "undated")]


CREW = '[general]\nzone = "Europe/Helsinki"\n'
HEAD = "No;Time;Who;Machine;Job;Place;Loss\n"
LAYOUT = """
table = "attempts"
delimiter = ";"
dates = ["yyyy-mm-dd hh:mm:ss"]
[columns]
counter = "No"
when = "Time"
technician = "Who"
splicer = "Machine"
job = "Job"
place = "Place"
loss = "Loss"
"""


@pytest.fixture
def folder(tmp_path):
    for name in ("inbox", "layouts"):
        (tmp_path / name).mkdir()
    (tmp_path / "crew.toml").write_text(CREW, "utf-8")
    (tmp_path / "layouts" / "a.toml").write_text(LAYOUT, "utf-8")
    write(tmp_path, "a.csv", "2026-05-14", 1)
    write(tmp_path, "b.csv", "2026-10-12", 101)
    ingest(tmp_path)
    return tmp_path


def write(folder, name, day, first):
    rows = [
        f"{n};{day} 08:{n % 60:02d}:11;T01;SP-01;J1;P01/{n % 60:02d};0.03"
        for n in range(first, first + 5)
    ]
    (folder / "inbox" / name).write_text(HEAD + "\n".join(rows) + "\n", "utf-8")


def files(folder):
    return {
        (path.parent.name, path.stem): path
        for path in Store(folder).generation().glob("*/????-??.parquet")
    }


def test_months_as_before_stay_the_same_files(folder):
    before = {key: path.stat().st_ino for key, path in files(folder).items()}
    assert len(before) == 4
    write(folder, "c.csv", "2026-10-13", 201)
    ingest(folder)
    after = {key: path.stat().st_ino for key, path in files(folder).items()}
    assert {key for key in before if before[key] == after[key]} == {
        ("attempts", "2026-05"),
        ("positions", "2026-05"),
    }


def test_a_month_that_lost_bytes_is_made_again(folder):
    damaged = files(folder)["attempts", "2026-05"]
    whole = damaged.read_bytes()
    damaged.write_bytes(whole[:-10])
    write(folder, "c.csv", "2026-10-13", 201)
    ingest(folder)
    assert files(folder)["attempts", "2026-05"].read_bytes() == whole


def test_a_rebuild_takes_no_month_over(folder):
    damaged = files(folder)["positions", "2026-05"]
    whole = damaged.read_bytes()
    damaged.write_bytes(whole[:-1] + b"x")
    ingest(folder, again=True)
    assert files(folder)["positions", "2026-05"].read_bytes() == whole
