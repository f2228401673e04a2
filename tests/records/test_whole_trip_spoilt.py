"""Spoilt copies of the sample's files all the way to the tables: no file stops the others."""

import datetime as dt
import random
import shutil
from pathlib import Path

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from tests.records.made_files import arc, classes, derived, made, panel
from tests.records.made_files import crew as settings_of
from tests.records.test_ingest import crew, put, tables  # noqa: F401
from yieldkit.records.deriving import derive
from yieldkit.records.doubts import doubts_of
from yieldkit.records.ingest import ingest
from yieldkit.records.parsed import PARSED

ROOT = Path(__file__).parents[2]
CREWS = [ROOT / "tests" / "crew_a", ROOT / "data" / "demo"]
FILES = [
    path
    for folder in CREWS
    for path in sorted((folder / "inbox").iterdir())
    if path.suffix in (".csv", ".txt") and 0 < path.stat().st_size < 60_000
]
COUNTED = ("accepted", "duplicates", "held", "refused")
EDITS = st.lists(
    st.tuples(
        st.sampled_from(["cut", "double", "put", "turn", "swap"]),
        st.integers(0, 10**6),
        st.integers(1, 300),
        st.sampled_from(
            [b'"', b";", b",", b"\n", b"\0", b"\xff", b"9" * 30, b"=1+1", b"../", b"-"]
        ),
    ),
    min_size=1,
    max_size=8,
)


def spoilt(data, edits):
    for how, at, size, bits in edits:
        at %= len(data) + 1
        if how == "cut":
            data = data[:at] + data[at + size :]
        elif how == "double":
            data = data[:at] + data[at : at + size] + data[at:]
        elif how == "put":
            data = data[:at] + bits + data[at:]
        elif how == "turn":
            data = data[:at] + data[at : at + size][::-1] + data[at + size :]
        else:
            lines = data.split(b"\n")
            a, b = at % len(lines), size % len(lines)
            lines[a], lines[b] = lines[b], lines[a]
            data = b"\n".join(lines)
    return data


@settings(
    max_examples=12,
    deadline=None,
    derandomize=True,
    phases=[Phase.explicit, Phase.generate],
    suppress_health_check=list(HealthCheck),
)
@given(
    st.sampled_from(CREWS),
    st.lists(st.tuples(st.integers(0, 99), EDITS), min_size=2, max_size=5),
)
def test_spoilt_files_end_in_tables_that_add_up(tmp_path_factory, home, chosen):
    folder = tmp_path_factory.mktemp("crew") / "crew"
    (folder / "inbox").mkdir(parents=True)
    shutil.copytree(home / "layouts", folder / "layouts")
    shutil.copy(home / "crew.toml", folder)
    mine = [path for path in FILES if home in path.parents]
    for number, (which, edits) in enumerate(chosen):
        path = mine[which % len(mine)]
        data = spoilt(path.read_bytes(), edits)
        (folder / "inbox" / f"{number} {path.name}").write_bytes(data)
    report = ingest(folder)
    assert not any("Error)" in reason for _, reason in report.unreadable)
    for row in report.files:
        assert row["data_rows"] == sum(row[name] for name in COUNTED), row["file"]


ODD = {
    "text": [None, "", "T01", "t-1", "SP-01", "C-01", "J1", "j-1", "P01", "1", "01", "P01/1-12",
             "***", "=1+1", "../x", "a|b", "|", "\u202e", "LC", "splice", "unknown", "x" * 3000,
             "it's", "%"],
    "local": [None, dt.datetime(2026, 11, 16, 8), dt.datetime(2026, 11, 16, 8, 5),
              dt.datetime(2026, 10, 25, 2, 30), dt.datetime(2026, 3, 29, 3, 30),
              dt.datetime(1900, 1, 1), dt.datetime(2199, 12, 31, 23, 59, 59)],
    "date": [None, dt.date(2026, 11, 16), dt.date(1900, 1, 1)],
    "whole": [None, 0, 1, 2, 12, 9999, 10**9],
    "number": [None, 0.0, 0.01, -1.0, 1310.0, 1e12],
    "yes/no": [True, False],
}  # fmt: skip
"""Values that typed rows may hold, by kind of column."""


def odd_row(table, rng):
    row = {}
    for column in PARSED[table].columns:
        if column.name not in ("fingerprint", "sheet", "source_row"):
            row[column.name] = rng.choice(
                [*column.values, None] if column.values else ODD[column.kind]
            )
    if table == "measurements":
        row["quantity"] = row["quantity"] or "insertion loss"
    return row


@pytest.mark.parametrize("seed", range(8))
def test_rows_of_any_values_end_in_the_same_tables_in_any_order(seed):
    rng = random.Random(seed)
    sources = []
    for number in range(rng.randint(2, 5)):
        table = rng.choice(list(PARSED))
        rows = [odd_row(table, rng) for _ in range(rng.randint(1, 40))]
        sources.append(made(f"{number}.csv", table, rows + rows[: rng.randint(0, 5)]))
    lead = settings_of(people=[{"code": "T01"}] if rng.random() < 0.5 else [])
    one, other = derive(sources, lead), derive(sources[::-1], lead)
    assert doubts_of(one, lead, []) == doubts_of(other, lead, [])
    for name in one.tables:
        assert one.plain(name).equals(other.plain(name)), name


@pytest.mark.parametrize(
    "line",
    [
        {"job_text": None, "panel_text": "P01", "ports": 4},
        {"job_text": "***", "panel_text": "P01", "ports": 4},
        {"job_text": "J1", "panel_text": "P01"},
        {"job_text": "J1", "place_text": "***"},
    ],
)
def test_a_planned_line_that_names_no_position_is_held_and_stops_nothing(line):
    plan = made("plan.csv", "planned", [panel(4), line])
    found = derived(plan, made("a.csv", "attempts", [arc("2026-11-16 08:00", counter=1)]))
    assert classes(found, "plan.csv") == [1, 0, 1, 0]
    (held,) = found["held"].to_dict("records")
    assert held["differs"] == "the line names no job or no port that can be told"


def test_such_lines_are_refused_with_what_is_lacking(crew):  # noqa: F811
    (crew / "layouts" / "plan.toml").write_text(
        'table = "planned"\n[columns]\n'
        'job = "job"\npanel = "panel"\nport = "port"\nports = "ports"\n',
        "utf-8",
    )
    lines = [
        "job,panel,port,ports",
        "J1,P01,,4",
        ",P02,,4",
        "J1,P03,,",
        "J1,P04,7,",
        "J1,P05,,99999",
    ]
    put(crew, "plan.csv", "\n".join(lines) + "\n")
    report = ingest(crew)
    assert (report.totals["accepted"], report.totals["refused"]) == (2, 3)
    reasons = sorted(tables(crew)["refused"]["reason"])
    assert reasons == [
        "impossible value; wanted 1 to 20000",
        "nothing under job",
        "nothing under port or ports",
    ]
