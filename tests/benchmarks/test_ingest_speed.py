"""A million messy rows in fifty files, taken in, checked, linked and derived.

Measured against the plainest route in the same run: pyarrow parses the same text and writes it as
Parquet, without a single check.
"""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from yieldkit.records.store import Store

FILES, ROWS, MACHINES = 50, 20_000, 10
OVERLAP, A_DAY = 1_000, 264
WHO = np.array(["T01", "t02", "T-03", "T 1", "Tech 2", "", "T03 "])
LAYOUT = """
table = "attempts"
delimiter = ";"
decimal = ","
dates = ["dd.mm.yyyy hh:mm:ss"]
missing = ["-"]
[columns]
counter = "No"
when = "Time"
technician = "Who"
job = "Job"
place = "Place"
angle_crew_deg = "Left"
angle_other_deg = "Right"
loss = "Loss"
outcome = "Result"
remark = "Remark"
[preamble]
splicer = "Machine: (.*)"
[outcomes]
dust = ["dust error"]
"loss over limit" = ["over limit"]
"""
SETTINGS = """
[general]
zone = "Europe/Helsinki"
[[people]]
code = "T01"
[[people]]
code = "T02"
[[people]]
code = "T03"
[[connector_types]]
connector_type = "LC"
required_tests = "none"
[[limits]]
quantity = "estimated loss"
limit_db = 0.15
"""


def write_files(inbox: Path) -> None:
    """Fifty downloads of ten machines over a year: overlaps, spellings, blanks, errors, cut ends.

    Each download overlaps the one before by 1,000 records.
    """
    for number in range(FILES):
        text = download(number % MACHINES, number // MACHINES * (ROWS - OVERLAP), ROWS)
        if number % 7 == 0:
            text = text[: text.rindex("\n") + 21]
        (inbox / f"download {number:02d}.csv").write_text(text, "utf-8")


def write_a_week(inbox: Path) -> None:
    """The downloads of the week after, one a machine, each with 1,000 older records."""
    start = FILES // MACHINES * (ROWS - OVERLAP)
    for machine in range(MACHINES):
        text = download(machine, start, OVERLAP + 7 * A_DAY)
        (inbox / f"week {machine:02d}.csv").write_text(text, "utf-8")


def download(machine: int, start: int, rows: int, seed: int = 14) -> str:
    """Some records of a machine, as text; a record is the same in every download."""
    n = np.arange(start, start + rows)
    local = np.random.default_rng([seed, machine])
    loss = local.gamma(2, 0.03, size=6 * ROWS)[n]
    error = local.random(6 * ROWS)[n] < 0.03
    name = WHO[local.integers(0, len(WHO), size=6 * ROWS)[n]]
    when = np.datetime64("2025-01-06T08:00:00") + (n // A_DAY) * np.timedelta64(1, "D")
    stamp = (when + (n % A_DAY) * np.timedelta64(110, "s")).astype(str).tolist()
    lines = [f"Machine: SP-{machine:02d}", f"Rows: {rows}", ""]
    lines.append("No;Time;Who;Job;Place;Left;Right;Loss;Result;Remark")
    for i in range(rows):
        t = stamp[i]
        shown = f"{t[8:10]}.{t[5:7]}.{t[:4]} {t[11:19]}"
        job = f"J{machine:02d}{n[i] // 500:03d}"
        place = ("P{:02d}/{:02d}", "p{:d} {:d}", "P{:02d}-{:02d}")[n[i] % 29 % 3]
        place = place.format(n[i] % 500 // 24, n[i] % 24 + 1) if n[i] % 31 else ""
        value = "" if error[i] else f"{loss[i]:.2f}".replace(".", ",")
        result = "dust error" if error[i] else "over limit" if loss[i] > 0.15 else "ok"
        lines.append(f"{n[i]:06d};{shown};{name[i]};{job};{place};0,4;0,3;{value};{result};")
    return "\n".join(lines)


TRIP = r"""
import re, sys, time
from pathlib import Path
from yieldkit.records.ingest import ingest
report = ingest(Path(sys.argv[1]))
own = re.search(r"VmHWM:\s*(\d+)", Path("/proc/self/status").read_text("ascii"))
print(time.process_time(), int(own[1]) / 1024,  # not the greatest of its parent, as rusage has it
      report.totals["data_rows"], report.totals["accepted"], report.totals["duplicates"],
      report.totals["held"], report.totals["refused"])
"""
PLAIN = """
import sys, time
from pathlib import Path
from pyarrow import csv, parquet
for path in sorted(Path(sys.argv[1]).glob("*.csv")):
    table = csv.read_csv(path, csv.ReadOptions(skip_rows=3), csv.ParseOptions(
        delimiter=";", invalid_row_handler=lambda row: "skip"),
        csv.ConvertOptions(decimal_point=","))
    parquet.write_table(table, Path(sys.argv[2]) / (path.stem + ".parquet"))
print(time.process_time())
"""


def run(code, *arguments):
    """Numbers that a process of its own prints; the first is its processor time, imports too."""
    found = subprocess.run(
        [sys.executable, "-c", code, *map(str, arguments)],
        capture_output=True,
        text=True,
        check=True,
    )
    return [float(word) for word in found.stdout.split()]


def made_crew(folder):
    for part in ("inbox", "layouts"):
        (folder / part).mkdir(parents=True)
    (folder / "crew.toml").write_text(SETTINGS, "utf-8")
    (folder / "layouts" / "download.toml").write_text(LAYOUT, "utf-8")
    return folder


def contents(crew):
    """All tables of a crew but when each file was taken in."""
    store = Store(crew)
    found = {}
    for folder in sorted(path for path in store.generation().iterdir() if path.is_dir()):
        parts = [pq.read_table(path) for path in sorted(folder.glob("*.parquet"))]
        table = pa.concat_tables(parts)
        found[folder.name] = table.drop_columns(["taken_in"]) if folder.name == "files" else table
    return found


@pytest.mark.benchmark
def test_a_million_messy_rows(tmp_path, capsys):
    crew = made_crew(tmp_path / "crew")
    write_files(crew / "inbox")
    plain_folder = tmp_path / "plain"
    plain_folder.mkdir()
    (plain,) = run(PLAIN, crew / "inbox", plain_folder)
    seconds, megabytes, rows, accepted, duplicates, held, refused = run(TRIP, crew)
    (again, *_) = run(TRIP, crew)
    (plain_again,) = run(PLAIN, crew / "inbox", plain_folder)
    plain = (plain + plain_again) / 2
    with capsys.disabled():
        print(
            f"\n{rows:.0f} rows ({accepted:.0f} count, {duplicates:.0f} duplicates,"
            f" {held:.0f} held, {refused:.0f} refused), processor time: {seconds:.1f} s,"
            f" {megabytes:.0f} MB; plain parse and write {plain:.2f} s, ratio"
            f" {seconds / plain:.1f}; second run {again:.2f} s; {os.cpu_count()} cores,"
            f" load {os.getloadavg()[0]:.1f}"
        )
    assert rows == accepted + duplicates + held + refused == FILES * ROWS
    assert duplicates > 0.9 * 40 * OVERLAP


@pytest.mark.benchmark
@pytest.mark.parametrize("more", ["a week", "one download"])
def test_a_little_more_into_a_year(more, tmp_path, capsys):
    year, alone = made_crew(tmp_path / "year"), made_crew(tmp_path / "alone")
    write_files(year / "inbox")
    if more == "a week":
        write_a_week(alone / "inbox")
    else:
        last = year / "inbox" / f"download {FILES - 1:02d}.csv"
        shutil.move(last, alone / "inbox")
    run(TRIP, year)
    for path in (alone / "inbox").iterdir():
        shutil.copy(path, year / "inbox")
    (little, _, rows, *_) = run(TRIP, alone)
    most, megabytes, *_ = run(TRIP, year)
    with capsys.disabled():
        print(
            f"\n{more} more ({rows:.0f} rows) into a year, processor time: {most:.1f} s,"
            f" {megabytes:.0f} MB; alone {little:.2f} s, ratio {most / little:.1f};"
            f" {os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}"
        )
    at_once = made_crew(tmp_path / "at once")
    for path in (year / "inbox").iterdir():
        shutil.copy(path, at_once / "inbox")
    run(TRIP, at_once)
    whole, in_steps = contents(at_once), contents(year)
    assert whole.keys() == in_steps.keys()
    for name, table in whole.items():
        assert table.equals(in_steps[name]), name
