"""Splicer exports of a simulated crew: downloads that overlap, with what goes wrong in them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import Any

import numpy as np
import pandas as pd

from yieldkit.records.tables import ERRORS
from yieldkit.simulate import written
from yieldkit.simulate.attempts import position_names
from yieldkit.simulate.crew import SimulatedCrew
from yieldkit.simulate.formats import FORMATS, Format, Record
from yieldkit.simulate.spoilt import Spoiler


@dataclass
class Export:
    """One file in the making: its records in file order, its bytes, and what is wrong with it."""

    name: str
    fmt: Format
    unit: str
    records: list[Record]
    data: bytes = b""
    furniture: int = 0
    merged_away: int = 0
    bad: dict[int, str] = field(default_factory=dict)
    """Row in the file to the reason why it cannot be read."""
    same_bytes_as: str = ""


def crew_records(crew: SimulatedCrew, spoiler: Spoiler) -> list[Record]:
    """All records that the splicers kept, in time order, with spellings and slips; one an arc."""
    parts = crew.parts
    plan, work, happened, log = parts.plan, parts.work, parts.happened, parts.log
    kept = np.flatnonzero(log.kept & (log.refusal | happened.leads[log.attempt]))
    kept = kept[np.lexsort((kept, log.local[kept]))]
    at = log.attempt[kept]
    position = happened.position[at]
    names = position_names(work)
    panel = names["panel"].iloc[position].reset_index(drop=True)
    port = names["port"].iloc[position].reset_index(drop=True)
    persons = pd.Series(np.array(plan.technicians, dtype=object)[happened.technician[at]])
    persons = persons.where(pd.Series(log.operator_known[kept]), None)
    written = spoiler.persons(persons)
    places = spoiler.places(panel, port, log.place_known[kept])
    remarks = spoiler.remarks(len(kept))
    ribbon = work.ribbon[position] & ~log.refusal[kept]
    fibres = _fibre_losses(crew) if ribbon.any() else {}
    arc_error = _worst_errors(crew) if ribbon.any() else {}
    units = [splicer.unit for splicer in plan.splicers]
    shown = log.shown[kept].astype("datetime64[s]").astype(object)
    records = []
    for i, row in enumerate(kept):
        arc = int(happened.arc[at[i]])
        losses = fibres.get(arc, ()) if ribbon[i] else ()
        place = places[i]
        if losses and place:
            place = (
                f"{panel.iloc[i]}/{int(port.iloc[i]):02d}-{int(port.iloc[i]) + len(losses) - 1:02d}"
            )
        error = ERRORS[log.error[row]]
        records.append(
            Record(
                number=i,
                unit=units[happened.splicer[at[i]]],
                counter=int(log.counter[row]),
                shown=shown[i],
                person=written[i],
                job=work.job_names[work.job[position[i]]],
                place=place,
                angle_crew=float(log.angle_crew[row]),
                angle_other=float(log.angle_other[row]),
                loss=str(log.text[row]),
                error=arc_error.get(arc, error) if ribbon[i] else error,
                remark=remarks[i],
                losses=losses,
            )
        )
    return _impossible(records, spoiler)


def _fibre_losses(crew: SimulatedCrew) -> dict[int, tuple[str, ...]]:
    """Displays of the fibres of each arc, in order of the fibre."""
    log, happened = crew.parts.log, crew.parts.happened
    rows = np.flatnonzero(log.kept & ~log.refusal)
    fibre = crew.parts.work.fibre[happened.position[log.attempt[rows]]]
    arc = happened.arc[log.attempt[rows]]
    order = np.lexsort((fibre, arc))
    found: dict[int, list[str]] = {}
    for row, number in zip(rows[order], arc[order], strict=True):
        found.setdefault(int(number), []).append(str(log.text[row]))
    return {arc: tuple(texts) for arc, texts in found.items()}


def _worst_errors(crew: SimulatedCrew) -> dict[int, str]:
    """Outcome of each arc: of its first fibre that is not in order."""
    log, happened = crew.parts.log, crew.parts.happened
    rows = np.flatnonzero(log.kept & ~log.refusal & (log.error > 0))
    return {
        int(happened.arc[log.attempt[row]]): ERRORS[log.error[row]] for row in rows[::-1].tolist()
    }


def _impossible(records: list[Record], spoiler: Spoiler) -> list[Record]:
    """A few records with values that cannot be."""
    defects = spoiler.defects
    fine = [i for i, r in enumerate(records) if r.loss and r.error == "none" and not r.losses]
    wanted = defects.impossible_losses + defects.impossible_angles
    chosen = [fine[k] for k in spoiler.some(len(fine), wanted)]
    for k, i in enumerate(chosen):
        if k < defects.impossible_losses:
            records[i] = replace(records[i], loss="77.00")
            spoiler.flag(i, "impossible_loss")
        else:
            records[i] = replace(records[i], angle_crew=123.4)
            spoiler.flag(i, "impossible_angle")
    return records


def make_exports(
    crew: SimulatedCrew,
    records: list[Record],
    chosen: Mapping[str, str],
    weeks: int,
    spoiler: Spoiler,
) -> list[Export]:
    """Downloads of all splicers, on Monday mornings every ``weeks`` weeks.

    Each reaches back some days before the one before it.
    """
    local = {r.number: r for r in records}
    true = _true_times(crew)
    plan = crew.parts.plan
    first = datetime.combine(plan.first_day, datetime.min.time())
    cuts = [first + timedelta(days=7 * k, hours=6.5) for k in range(weeks, plan.weeks, weeks)]
    cuts.append(first + timedelta(days=7 * plan.weeks, hours=6.5))
    exports = []
    for unit in dict.fromkeys(r.unit for r in records):
        mine = [n for n in local if local[n].unit == unit]
        wide = [n for n in mine if local[n].losses]
        single = [n for n in mine if not local[n].losses]
        for fmt, numbers in ((FORMATS[chosen[unit]], single), (FORMATS["tape"], wide)):
            before = first
            for k, cut in enumerate(cuts, start=1):
                since = before - timedelta(days=spoiler.defects.overlap_days)
                rows = [local[n] for n in numbers if since <= true[n] < cut]
                before = cut
                if rows:
                    name = fmt.pattern.format(unit=unit, last=f"{cut:%Y-%m-%d}", n=f"{k:02d}")
                    exports.append(_export(name, fmt, unit, rows, cut, spoiler))
    exports += _again(exports, spoiler)
    return exports


def _true_times(crew: SimulatedCrew) -> list[datetime]:
    log, happened = crew.parts.log, crew.parts.happened
    kept = np.flatnonzero(log.kept & (log.refusal | happened.leads[log.attempt]))
    kept = kept[np.lexsort((kept, log.local[kept]))]
    return list(log.local[kept].astype("datetime64[s]").astype(object))


def _export(
    name: str, fmt: Format, unit: str, records: list[Record], when: datetime, spoiler: Spoiler
) -> Export:
    if fmt.newest_first:
        records = records[::-1]
    records = [_fitted(r, fmt) for r in records]
    export = Export(name, fmt, unit, records)
    for i, record in enumerate(records):
        for reason in ("impossible_loss", "impossible_angle"):
            if reason in spoiler.flags.get(record.number, ()):
                export.bad[i] = reason
    if fmt.workbook:
        _write_book(export, spoiler)
    else:
        _write_text(export, when)
    return export


def _fitted(record: Record, fmt: Format) -> Record:
    """The record with the remark that the format can hold."""
    remark = record.remark
    if fmt.workbook or fmt.fixed:
        remark = remark.replace("\x00", " ")[:60]
    return replace(record, remark=remark.strip())


def _write_text(export: Export, when: datetime) -> None:
    fmt = export.fmt
    head = written.head_lines(fmt, export.unit, when, len(export.records))
    export.furniture = len(head)
    lines = head + written.text_lines(fmt, export.records)
    export.data = (fmt.line_end.join(lines) + fmt.line_end).encode(fmt.encoding)


def _write_book(export: Export, spoiler: Spoiler) -> None:
    """A sheet a month; dates, numbers partly real and partly text; some job cells merged."""
    sheets: dict[str, list[list[Any]]] = {}
    merged: dict[str, list[tuple]] = {}
    for record in export.records:
        name = f"{record.shown:%Y-%m}"
        if name not in sheets:
            sheets[name] = [[f"Appareil {export.unit}"], [], ["", "", "", "", "", "Angles (°)"],
                            list(export.fmt.headings)]  # fmt: skip
        cells: list[Any] = export.fmt.row(record)
        if record.number % 3:
            cells[0], cells[1] = record.counter, record.shown
            cells[5], cells[6] = record.angle_crew, record.angle_other
            cells[7] = float(record.loss) if record.loss[:1].isdigit() else record.loss
        sheets[name].append(cells)
    left = spoiler.defects.merged_jobs
    for name, rows in sheets.items():
        i = 4
        while i + 2 < len(rows) and left > 0:
            job = rows[i][3]
            if job and all(row[3] == job for row in rows[i : i + 3]):
                merged.setdefault(name, []).append((i, 3, i + 2, job))
                for row in rows[i : i + 3]:
                    row[3] = ""
                export.merged_away += 2
                left -= 1
                i += 40
            i += 1
    export.furniture = 3 * len(sheets)
    export.data = written.book_bytes(sheets, merged)


def _again(exports: list[Export], spoiler: Spoiler) -> list[Export]:
    """Spoil some of the text files; copy one, and have some records typed again."""
    defects, more = spoiler.defects, []
    text = [e for e in exports if not e.fmt.workbook and not e.fmt.fixed and not e.fmt.ribbon]
    for k in range(min(defects.cut_last_lines, len(text))):
        _cut(text[-1 - k])
    for k in range(min(defects.zeroed_rows, len(text))):
        _zero(text[k])
    if defects.saved_twice and text:
        one = text[len(text) // 2]
        stem, _, suffix = one.name.rpartition(".")
        copy = replace(one, name=f"{stem} (1).{suffix}", same_bytes_as=one.name)
        more.append(copy)
    counted = [e for e in text if e.fmt.counted]
    if defects.retyped and counted:
        one = counted[-1]
        rows = [
            record
            for i, record in enumerate(one.records[: defects.retyped + 10])
            if i not in one.bad and "\x00" not in record.remark and len(record.remark) < 60
        ][: defects.retyped]
        book = FORMATS["cahier"]
        more.append(
            _export(f"cahier {one.unit} copie.xlsx", book, one.unit, rows, written.MADE, spoiler)
        )
    return more


def _cut(export: Export) -> None:
    """The last line ends in the middle."""
    text = export.data.decode(export.fmt.encoding)
    end = export.fmt.line_end
    lines = text.removesuffix(end).split(end)
    cells = lines[-1].split(export.fmt.delimiter)
    lines[-1] = export.fmt.delimiter.join(cells[:3])[:-1]
    export.data = end.join(lines).encode(export.fmt.encoding)
    export.bad[len(export.records) - 1] = "truncated_last_line"


def _zero(export: Export) -> None:
    """A row in the middle is overwritten by zero bytes."""
    row = len(export.records) // 2
    if row in export.bad:
        row += 1
    text = export.data.decode(export.fmt.encoding)
    end = export.fmt.line_end
    lines = text.split(end)
    at = export.furniture + row
    lines[at] = "\x00" * len(lines[at])
    export.data = end.join(lines).encode(export.fmt.encoding)
    export.bad[row] = "nul_block"


def count_exports(exports: list[Export], spoiler: Spoiler, total: int) -> dict[str, Any]:
    """Truth per file: read in order of name, the first readable row of a record is good."""
    seen: set[int] = set()
    counts: dict[str, Any] = {}
    where: dict[int, set[str]] = {}
    for export in exports:
        for i, record in enumerate(export.records):
            if i not in export.bad:
                where.setdefault(record.number, set()).add(export.name)
    for export in sorted(exports, key=lambda e: e.name):
        good = duplicate = 0
        why: dict[str, int] = {}
        flags: dict[str, int] = {}
        elsewhere = 0
        for i, record in enumerate(export.records):
            if i in export.bad:
                why[export.bad[i]] = why.get(export.bad[i], 0) + 1
                continue
            good, duplicate = (
                good + (record.number not in seen),
                duplicate + (record.number in seen),
            )
            seen.add(record.number)
            elsewhere += len(where[record.number]) > 1
            for flag in spoiler.flags.get(record.number, ()):
                flags[flag] = flags.get(flag, 0) + 1
        counts[export.name] = {
            "kind": "splice_export",
            "layout": export.fmt.name,
            "splicer": export.unit,
            "data_rows": len(export.records),
            "furniture_rows": export.furniture,
            "good": good,
            "duplicate": duplicate,
            "malformed": len(export.bad),
            "malformed_why": why,
            "flags": dict(sorted(flags.items())),
            "rows_also_in_another_file": elsewhere,
            "job_cells_merged_away": export.merged_away,
        }
        if export.same_bytes_as:
            counts[export.name]["same_bytes_as"] = export.same_bytes_as
    counts["_all_splice_exports"] = {
        "files": len(exports),
        "data_rows": sum(len(e.records) for e in exports),
        "good": len(seen),
        "records_on_the_machines": total,
        "records_readable_nowhere": total - len(seen),
    }
    return counts
