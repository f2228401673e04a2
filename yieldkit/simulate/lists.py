"""What people keep by hand, as files: tests, rework log, kit sheet, schedule, jobs, service, stock.

Each writer gives the file's bytes and what is true of it; the layouts stand beside.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from datetime import datetime, time
from typing import Any

import numpy as np
import pandas as pd

from yieldkit.simulate.crew import SimulatedCrew
from yieldkit.simulate.spoilt import Spoiler
from yieldkit.simulate.written import book_bytes

WORDS = {
    "cleave": ("bad cleave", "cleave angle", "lip on the end"),
    "strip or nick": ("nicked stripping", "snapped in hand"),
    "contamination": ("dirt on it", "dust", "dirty ferrule"),
    "arc or splicer": ("splicer error", "arc failed", "high on the machine"),
    "protection or cure": ("under cured", "sleeve not shrunk", "soft after oven"),
    "crimp or mechanical": ("crimp slipped", "pulled out at crimp"),
    "assembly": ("forgot the boot", "wrong way round"),
    "end face": ("scratched end face", "scratch"),
    "fibre or cable": ("fibre broke", "cable damaged"),
    "unknown": ("?", "no idea", ""),
}
"""Free text for each cause."""
STEP_WORDS = {
    "prepare": "stripping",
    "cleave": "cleaving",
    "splice": "splicing",
    "protect": "oven",
    "crimp": "crimp",
    "inspect": "scope",
    "test": "test",
    "unknown": "",
}
DONE_WORDS = {
    "re-cleave": ("cleaved again", "recut"),
    "re-splice": ("spliced again", "redone"),
    "new connector": ("new connector", "new body"),
    "cleaned": ("cleaned", "wiped"),
    "given up": ("given up", "abandoned"),
}
Made = tuple[bytes, dict[str, Any]]


def _words_toml(kind: str, words: Mapping[str, tuple[str, ...]]) -> str:
    lines = [f"[words.{kind}]"]
    for meaning, texts in words.items():
        said = [text for text in texts if text]
        lines.append(f'"{meaning}" = [{", ".join(repr_toml(text) for text in said)}]')
    return "\n".join(lines)


def repr_toml(text: str) -> str:
    """A TOML string."""
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


def _csv(headings: list[str], rows: list[list[str]], delimiter: str = ",") -> bytes:
    text = io.StringIO()
    writer = csv.writer(text, delimiter=delimiter, lineterminator="\r\n")
    writer.writerow(headings)
    writer.writerows(rows)
    return text.getvalue().encode("utf-8")


TESTS_HEAD = ["tested at", "order", "panel", "port", "by", "IL 1310", "IL 1550", "RL", "face",
              "cleaned first", "verdict", "one-way 1550 out", "one-way 1550 back"]  # fmt: skip
TESTS_TOML = """about = "Results of the test set, one row a test."
table = "measurements"
optional = []

[columns]
when = "tested at"
job = "order"
panel = "panel"
port = "port"
technician = "by"
after_cleaning = "cleaned first"
result = "verdict"

[[readings]]
heading = "IL 1310"
quantity = "insertion loss"
wavelength_nm = 1310

[[readings]]
heading = "IL 1550"
quantity = "insertion loss"
wavelength_nm = 1550

[[readings]]
heading = "RL"
quantity = "return loss"

[[readings]]
heading = "face"
quantity = "end face"

[[readings]]
heading = "one-way 1550 out"
quantity = "one-way loss"
wavelength_nm = 1550
direction = "A to B"

[[readings]]
heading = "one-way 1550 back"
quantity = "one-way loss"
wavelength_nm = 1550
direction = "B to A"
"""


def tests_file(crew: SimulatedCrew, spoiler: Spoiler) -> Made:
    """The test set's results: a few words where a number should be, a few rows twice."""
    parts, readings = crew.parts, crew.parts.readings
    position = parts.happened.position[readings.attempt]
    work = parts.work
    local = pd.DatetimeIndex(readings.local).strftime("%Y-%m-%d %H:%M")
    order = np.lexsort((np.arange(len(position)), readings.local))
    word = set(spoiler.some(len(position), spoiler.defects.tests_missing_words))
    twice = set(spoiler.some(len(position), spoiler.defects.tests_twice))
    rows = []
    values = (readings.il_1310, readings.il_1550, readings.forward, readings.backward)
    shown = [["" if np.isnan(v) else f"{v:.2f}" for v in value] for value in values]
    back = ["" if np.isnan(v) else f"{v:.1f}" for v in readings.return_loss]
    for i in order.tolist():
        p = position[i]
        face = ("pass" if readings.end_face_ok[i] else "fail") if back[i] else ""
        row = [
            local[i], work.job_names[work.job[p]], f"P{work.panel[p] + 1:02d}",
            f"{work.port[p] + 1:02d}", "T90", "n/a" if i in word else shown[0][i], shown[1][i],
            back[i], face, "yes" if readings.cleaned[i] else "",
            "PASS" if readings.passed[i] else "FAIL", shown[2][i], shown[3][i],
        ]  # fmt: skip
        rows += [row, row] if i in twice else [row]
    truth = {"kind": "test_results", "data_rows": len(rows), "rows_twice": len(twice)}
    return _csv(TESTS_HEAD, rows), truth


REWORK_HEAD = ["Date", "Who", "Order", "Place", "Type", "Found at", "What was wrong", "What we did",
               "Bodies", "Sleeves", "Rings", "Cord m", "Minutes"]  # fmt: skip
REWORK_TOML = (
    """about = "Rework log kept by hand, a sheet a month; dates partly text."
table = "rework"
format = "workbook"
dates = ["d/m/yy"]

[columns]
when = "Date"
technician = "Who"
job = "Order"
place = "Place"
connector_type = "Type"
step = "Found at"
cause = "What was wrong"
disposition = "What we did"
bodies = "Bodies"
sleeves = "Sleeves"
rings = "Rings"
cord_m = "Cord m"
rework_min = "Minutes"

"""
    + _words_toml("step", {k: (v,) for k, v in STEP_WORDS.items() if v})
    + "\n\n"
    + _words_toml("cause", WORDS)
    + "\n\n"
    + _words_toml("disposition", DONE_WORDS)
    + "\n"
)


def rework_file(crew: SimulatedCrew, spoiler: Spoiler, nicknames: dict[str, str]) -> Made:
    """The rework log as a workbook: dates real or text, free words, some places missing."""
    log, table = crew.parts.rework, crew.tables["rework"]
    own = Spoiler(spoiler.defects, spoiler.rng)
    work, happened = crew.parts.work, crew.parts.happened
    position = happened.position[log.attempt]
    panel = pd.Series([f"P{p + 1:02d}" for p in work.panel[position]])
    port = pd.Series([str(p + 1) for p in work.port[position]])
    persons = own.persons(table["technician"].astype(object))
    places = own.places(panel, port, log.place_known)
    sheets: dict[str, list[list[Any]]] = {}
    which = spoiler.rng.integers(0, 1000, len(table))
    nicked = spoiler.rng.random(len(table)) < 0.1
    for i in range(len(table)):
        day = pd.Timestamp(log.logged[i]).to_pydatetime()
        name = f"{day:%Y-%m}"
        if name not in sheets:
            sheets[name] = [["Rework"], [], REWORK_HEAD]
        who = nicknames.get(table["technician"].iloc[i], "") if nicked[i] else ""
        causes, done = WORDS[log.cause[i]], DONE_WORDS[log.disposition[i]]
        minutes = log.minutes[i]
        if log.repeated[i]:
            which[i] = which[_first_of(log.attempt, i)]
        sheets[name].append(
            [
                f"{day.day}/{day.month}/{day:%y}" if which[i] % 5 == 0 else day,
                who or persons[i],
                table["job"].iloc[i],
                places[i],
                table["connector_type"].iloc[i],
                STEP_WORDS[log.step[i]],
                causes[which[i] % len(causes)],
                done[which[i] % len(done)],
                *(float(table[c].iloc[i]) for c in ("bodies", "sleeves", "rings")),
                round(float(table["cord_m"].iloc[i]), 3),
                "" if np.isnan(minutes) else float(minutes),
            ]
        )
    truth = {
        "kind": "rework_log",
        "data_rows": len(table),
        "entered_twice": int(log.repeated.sum()),
        "place_blank": int((~log.place_known).sum()),
    }
    return book_bytes(sheets or {"log": [["Rework"], [], REWORK_HEAD]}, None), truth


def _first_of(attempt: np.ndarray, i: int) -> int:
    return int(np.flatnonzero(attempt == attempt[i])[0])


KIT_TOML = """about = "Who took which kit on which day."
table = "kit_use"

[columns]
when = "day"
technician = "who"
splicer = "splicer"
cleaver = "cleaver"
heater = "oven"
"""


def kit_file(crew: SimulatedCrew) -> Made:
    """The kit sheet."""
    table = crew.tables["kit_use"]
    day = table["date"].dt.strftime("%Y-%m-%d")
    columns = (day, *(table[c] for c in ("technician", "splicer", "cleaver", "heater")))
    rows = [list(row) for row in zip(*columns, strict=True)]
    return _csv(["day", "who", "splicer", "cleaver", "oven"], rows), {
        "kind": "kit_sheet",
        "data_rows": len(rows),
    }


SCHEDULE_TOML = """about = "Panels of each job with their number of ports."
table = "planned"
delimiter = "semicolon"

[columns]
job = "order"
site = "where"
panel = "panel"
connector_type = "type"
ports = "ports"
fibre_lot = "fibre lot"
connector_lot = "connector lot"
"""


def schedule_file(crew: SimulatedCrew) -> Made:
    """The panel schedule, a row a panel."""
    work, plan = crew.parts.work, crew.parts.plan
    rows = [
        [work.job_names[j], work.job_sites[j], f"P{p + 1:02d}", plan.types[kind].name, str(ports),
         work.fibre_lots[fibre], work.connector_lots[body] if body >= 0 else ""]
        for j, p, kind, ports, fibre, body in work.planned
    ]  # fmt: skip
    head = ["order", "where", "panel", "type", "ports", "fibre lot", "connector lot"]
    return _csv(head, rows, ";"), {"kind": "panel_schedule", "data_rows": len(rows)}


JOBS_TOML = """about = "Jobs: where, how many terminations, opened, closed."
table = "jobs"

[columns]
job = "order"
site = "where"
planned = "terminations"
opened = "opened"
closed = "closed"
"""


def jobs_file(crew: SimulatedCrew) -> Made:
    """The list of jobs."""
    table = crew.tables["jobs"]
    opened = table["opened"].dt.strftime("%Y-%m-%d")
    closed = table["closed"].dt.strftime("%Y-%m-%d").fillna("")
    columns = (table["job"], table["site"], table["planned"].astype(str), opened, closed)
    rows = [list(row) for row in zip(*columns, strict=True)]
    head = ["order", "where", "terminations", "opened", "closed"]
    return _csv(head, rows), {"kind": "job_list", "data_rows": len(rows)}


SERVICE_TOML = """about = "Service book: what was done to which unit."
table = "service"
delimiter = "semicolon"
dates = ["dd.mm.yyyy hh:mm"]

[columns]
when = "when"
unit = "unit"
event = "what"
"""
SERVICE_WORDS = {
    "blade rotation": ("blade rotation", "rotated blade"),
    "electrode replacement": ("electrode replacement", "electrodes changed"),
}


def service_file(crew: SimulatedCrew) -> Made:
    """The service book, free wording."""
    table = crew.tables["service"]
    rows = [
        [f"{when:%d.%m.%Y %H:%M}", unit, SERVICE_WORDS[event][i % 2]]
        for i, (when, unit, event) in enumerate(
            zip(table["when_shown"], table["unit"], table["event"], strict=True)
        )
    ]
    truth = {"kind": "service_log", "data_rows": len(rows)}
    return _csv(["when", "unit", "what"], rows, ";"), truth


STOCK_TOML = """about = "Bodies drawn from stores for a job, and brought back."
table = "stock"

[columns]
when = "day"
part = "part"
connector_type = "type"
move = "move"
quantity = "pieces"
job = "order"
"""


def stock_file(crew: SimulatedCrew) -> Made:
    """Moves of the stores."""
    table = crew.tables["stock"]
    rows = [
        [f"{day:%Y-%m-%d}", "body", kind, move, f"{pieces:.0f}", job]
        for day, kind, move, pieces, job in zip(
            table["date"], table["connector_type"], table["move"], table["quantity"], table["job"],
            strict=True,
        )
    ]  # fmt: skip
    head = ["day", "part", "type", "move", "pieces", "order"]
    return _csv(head, rows), {"kind": "stock", "data_rows": len(rows)}


CHECKS_TOML = """about = "Morning check splices on the reference fibre."
table = "checks"

[columns]
when = "morning of"
check = "what"
unit = "unit"
technician = "who"
value = "shown dB"
result = "verdict"
"""


def checks_file(crew: SimulatedCrew) -> Made:
    """Morning check splices."""
    table = crew.tables["checks"]
    rows = [
        [f"{datetime.combine(day, time(7, 20)):%Y-%m-%d %H:%M}", "check splice", unit, who,
         f"{(low + high) / 2 if np.isfinite(high) else low:.2f}", result]
        for day, unit, who, low, high, result in zip(
            table["date"], table["unit"], table["technician"], table["value_low"],
            table["value_high"], table["result"], strict=True,
        )
    ]  # fmt: skip
    head = ["morning of", "what", "unit", "who", "shown dB", "verdict"]
    return _csv(head, rows), {"kind": "checks", "data_rows": len(rows)}
