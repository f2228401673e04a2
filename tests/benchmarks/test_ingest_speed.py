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

FILES, ROWS = 50, 20_000
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


def write_files(inbox: Path, seed: int = 14) -> None:
    """Fifty downloads of ten machines: overlaps, spellings, blanks, errors, cut-off last lines."""
    who = np.array(["T01", "t02", "T-03", "T 1", "Tech 2", "", "T03 "])
    for number in range(FILES):
        machine, part = number % 10, number // 10
        start = part * (ROWS - 1_000)  # each download overlaps the one before by 1,000 records
        n = np.arange(start, start + ROWS)
        local = np.random.default_rng([seed, machine])
        loss = local.gamma(2, 0.03, size=5 * ROWS)[n]
        error = local.random(5 * ROWS)[n] < 0.03
        name = who[local.integers(0, len(who), size=5 * ROWS)[n]]
        when = np.datetime64("2025-01-06T08:00") + (n // 100) * np.timedelta64(1, "D")
        when = when + (n % 100) * np.timedelta64(290, "s")
        lines = [f"Machine: SP-{machine:02d}", f"Rows: {ROWS}", ""]
        lines.append("No;Time;Who;Job;Place;Left;Right;Loss;Result;Remark")
        stamp = [str(w) for w in when]
        for i in range(ROWS):
            t = stamp[i]
            shown = f"{t[8:10]}.{t[5:7]}.{t[:4]} {t[11:19] if len(t) > 16 else t[11:16] + ':00'}"
            job = f"J{machine:02d}{n[i] // 500:03d}"
            place = ("P{:02d}/{:02d}", "p{:d} {:d}", "P{:02d}-{:02d}")[n[i] % 29 % 3]
            place = place.format(n[i] % 500 // 24, n[i] % 24 + 1) if n[i] % 31 else ""
            value = "" if error[i] else f"{loss[i]:.2f}".replace(".", ",")
            result = "dust error" if error[i] else "over limit" if loss[i] > 0.15 else "ok"
            lines.append(f"{n[i]:06d};{shown};{name[i]};{job};{place};0,4;0,3;{value};{result};")
        if number % 7 == 0:
            lines[-1] = lines[-1][:20]
        (inbox / f"download {number:02d}.csv").write_text("\n".join(lines), "utf-8")


TRIP = """
import resource, sys, time
from pathlib import Path
from yieldkit.records.ingest import ingest
report = ingest(Path(sys.argv[1]))
print(time.process_time(), resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
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
    last = f"download {FILES - 1:02d}.csv"
    week = made_crew(tmp_path / "week")
    shutil.copy(crew / "inbox" / last, week / "inbox")
    year = made_crew(tmp_path / "year")
    for path in (crew / "inbox").iterdir():
        if path.name != last:
            shutil.copy(path, year / "inbox")
    plain_folder = tmp_path / "plain"
    plain_folder.mkdir()
    (plain,) = run(PLAIN, crew / "inbox", plain_folder)
    seconds, megabytes, rows, accepted, duplicates, held, refused = run(TRIP, crew)
    (again, *_) = run(TRIP, crew)
    (plain_again,) = run(PLAIN, crew / "inbox", plain_folder)
    plain = (plain + plain_again) / 2
    (alone, *_) = run(TRIP, week)
    run(TRIP, year)
    shutil.copy(crew / "inbox" / last, year / "inbox")
    more, most, *_ = run(TRIP, year)
    with capsys.disabled():
        print(
            f"\n{rows:.0f} rows ({accepted:.0f} count, {duplicates:.0f} duplicates,"
            f" {held:.0f} held, {refused:.0f} refused), processor time: {seconds:.1f} s,"
            f" {megabytes:.0f} MB; plain parse and write {plain:.2f} s, ratio"
            f" {seconds / plain:.1f}; second run {again:.2f} s; one file more into a year"
            f" {more:.1f} s, {most:.0f} MB, that file alone {alone:.2f} s, ratio"
            f" {more / alone:.1f}; {os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}"
        )
    assert rows == accepted + duplicates + held + refused == FILES * ROWS
    assert duplicates > 0.9 * 40 * 1_000
    at_once, in_steps = contents(crew), contents(year)
    assert at_once.keys() == in_steps.keys()
    for name, table in at_once.items():
        assert table.equals(in_steps[name]), name
