"""Sentences about records."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from yieldkit.wording.numbers import count, day, listed

_FEW = 8
"""Files named one by one in a report; the rest are counted."""


def report_lines(report: Any) -> list[str]:
    """What a run of ``ingest`` did, a line a fact (``report`` is its ``IngestReport``)."""
    totals = report.totals
    lines = []
    if report.new:
        lines.append(f"Taken in: {count(len(report.new), 'new file')}.")
    elif not report.changed:
        lines.append("Nothing new: the tables are as they were.")
    else:
        lines.append("Derived again.")
    if report.files:
        lines.append(accounting(totals))
    lines += _files_read(report.read)
    for file, reason in report.unreadable[:_FEW]:
        lines.append(f"Not taken in: {shown(file)}: {reason}")
    if len(report.unreadable) > _FEW:
        lines.append(f"... and {count(len(report.unreadable) - _FEW, 'more file')} not taken in.")
    if report.unreadable:
        lines.append(
            "A file that holds no records may be taken out of inbox/, or left aside for good with"
            " `yieldkit withdraw FILE`."
        )
    if report.waiting:
        names = listed(shown(name) for name in report.waiting)
        lines.append(f"Still being copied, left for the next run: {names}.")
    lines += report.said
    if report.doubts:
        lines.append(
            f"{count(report.doubts, 'open doubt')} in doubts.xlsx: fill in decisions there, then"
            " run `yieldkit ingest` again."
        )
    return lines


def _files_read(files: Sequence[Mapping[str, Any]]) -> list[str]:
    """A line for each file with rows that are held or refused, one for the others."""
    amiss = [file for file in files if file["held"] or file["refused"]]
    lines = []
    for file in amiss[:_FEW]:
        named = [f'{n} "{shown(reason)}"' for reason, n in file["reasons"][:2]]
        rest = sum(n for _, n in file["reasons"][2:])
        why = listed([*named, f"{rest} for other reasons"] if rest else named)
        told = accounting(file)
        told = f"{told.removesuffix('.')}: {why}." if why else told
        lines.append(f"  {shown(file['file'])}: {told}")
    if len(amiss) > _FEW:
        rest = count(len(amiss) - _FEW, "more file")
        lines.append(f"  ... and {rest} with rows held or refused: doubts.xlsx lists the rows.")
    good = [file for file in files if not (file["held"] or file["refused"])]
    if good:
        rows = {name: sum(file[name] for file in good) for name in (*_CLASSES, "data_rows")}
        name = shown(good[0]["file"]) if len(files) == 1 else count(len(good), "file")
        lines.append(f"  {name} with nothing amiss: {accounting(rows)}")
    return lines


_CLASSES = ("accepted", "duplicates", "held", "refused")


def accounting(totals: Mapping[str, int]) -> str:
    """Rows by what came of them; they add up."""
    return (
        f"{count(totals['data_rows'], 'row')}: {count(totals['accepted'], 'counts', 'count')},"
        f" {count(totals['duplicates'], 'duplicate')}, {totals['held']} held,"
        f" {totals['refused']} refused."
    )


def clocks_told(*, inferred: int, unknown: int) -> list[str]:
    """Rows that count though their time as shown is not believed or is none."""
    parts = []
    if inferred:
        parts.append(f"{count(inferred, 'has', 'have')} an inferred time")
    if unknown:
        parts.append(f"{count(unknown, 'has', 'have')} none that can be told and no week")
    return (
        [f"Of the rows that count, {listed(parts)}: sheet clocks of doubts.xlsx."] if parts else []
    )


def no_room(doubts: int) -> str:
    """Doubts that the workbook does not show."""
    return (
        f"doubts.xlsx has no room for {count(doubts, 'more doubt')}: they come in when those before"
        " them are decided."
    )


def restated(week: str, was: Mapping[str, int], now: Mapping[str, int]) -> str:
    """What changed in a week's first-pass figures."""

    def told(counts: Mapping[str, int]) -> str:
        known = counts["yes"] + counts["no"]
        return (
            f"{counts['yes']} of {known} first pass, {counts['pending']} pending,"
            f" {counts['unknown']} unknown"
        )

    if not any(was.values()):
        return f"Week {week}: {told(now)}."
    return f"Week {week} restated: {told(now)} (before: {told(was)})."


def unchanged(week: str) -> str:
    """That decisions changed nothing in a week's first-pass figures."""
    return f"Week {week}: first-pass figures are as they were."


def earlier_restated(weeks: Sequence[str]) -> str:
    """Weeks before the last whole one whose first-pass figures changed."""
    shown_ones = list(weeks[-_FEW:])
    more = [f"{len(weeks) - _FEW} before them"] if len(weeks) > _FEW else []
    return f"Earlier weeks restated too: {listed([*shown_ones, *more])}."


def decisions_told(applied: int, undone: int) -> list[str]:
    """Decisions of the doubts list that a run applied and took back."""
    parts = [f"{count(applied, 'decision')} of doubts.xlsx applied"] if applied else []
    parts += [f"{count(undone, 'decision')} taken back"] if undone else []
    return [f"{listed(parts)}."] if parts else []


def forgotten_lines(
    before: object,
    rows: int,
    files: Sequence[str],
    in_inbox: Sequence[str],
    unread: Sequence[str],
) -> list[str]:
    """What was forgotten, what can no longer be rebuilt, and files that no layout reads."""
    whole = []
    if unread:
        names = sorted(shown(name) for name in unread)
        whole.append(
            f"Kept whole, since no layout reads them: {count(len(names), 'file')}. They may name"
            " persons: give them a layout and forget again, or delete them from inbox/ and run"
            " `yieldkit ingest`."
        )
        whole += [f"  {name}" for name in names]
    if not files:
        return [f"No row before {before} says anything of a person; nothing was changed.", *whole]
    lines = [
        f"Forgotten: persons and remarks of {count(rows, 'row')} before {before}, in"
        f" {count(len(files), 'file')}.",
        "The bytes of these files are deleted: they can no longer be read again with another"
        " layout, and kit known only through its holder is unknown for those days.",
        "First-pass counts by month, type and kit are kept in the table forgotten.",
    ]
    if in_inbox:
        names = sorted(shown(name) for name in in_inbox)
        lines.append(f"Still in inbox/, {count(len(names), 'file')} to delete yourself:")
        lines += [f"  {name}" for name in names]
    return [*lines, *whole, "Pages in reviews/ made earlier are as they were."]


def shown(name: str) -> str:
    """A file's name or an id without anything that could move a cursor or hide text."""
    return "".join(letter if letter.isprintable() else "\ufffd" for letter in name)


def _came_in(v: Mapping[str, Any]) -> str:
    return f"{count(v['files'], 'file')}, every row accounted for: {accounting(v)}"


def _not_taken_in(v: Mapping[str, Any]) -> str:
    return f"{shown(v['file'])} was not taken in: {v['reason']}"


def _refused(v: Mapping[str, Any]) -> str:
    return (
        f"{v['n']} of {count(v['rows'], 'row')} could not be read; the reasons and the raw text are"
        " in doubts.xlsx."
    )


def _held(v: Mapping[str, Any]) -> str:
    return (
        f"{count(v['n'], 'row')} held: each claims a record that another row already claims, with"
        " other values. Decide in doubts.xlsx which counts."
    )


def _links(v: Mapping[str, Any]) -> str:
    parts = []
    if v["unlinked"]:
        parts.append(f"{v['unlinked']} could not be put to a position")
    if v["probable"]:
        put = "is" if v["probable"] == 1 else "are"
        parts.append(f"{v['probable']} {put} put there by time, kit and person (probable)")
    return f"Of {v['n']} {v['what']}, {listed(parts)}."


def _spellings(v: Mapping[str, Any]) -> str:
    parts = [f'"{shown(name)}"' for name in v["examples"]]
    more = v["n"] - len(v["examples"]) - v["persons"]
    parts += [f"{more} more"] if more and parts else []
    parts += [f"{v['persons']} of persons"] if v["persons"] else []
    told = f": {listed(parts)}" if parts else ""
    unknown = f"{count(v['n'], 'spelling')} that no list explains{told}"
    return f"{unknown}. Say in doubts.xlsx what they mean."


def _overdue(v: Mapping[str, Any]) -> str:
    return (
        f"Calibration of {v['unit']} is overdue: it was due {day(v['due'])},"
        f" {count(v['days'], 'day')} ago. Have it calibrated, or set it aside."
    )


def _due(v: Mapping[str, Any]) -> str:
    return (
        f"Calibration of {v['unit']} is due {day(v['due'])}, in {count(v['days'], 'day')}. Book it."
    )


def _lot(v: Mapping[str, Any]) -> str:
    lot = f" lot {shown(str(v['lot']))}" if v["lot"] and v["lot"] == v["lot"] else ""
    return f"{shown(str(v['part']))}{lot}"


def _by_counter(v: Mapping[str, Any]) -> str:
    machines = count(len(v["groups"]), "splicer")
    if not v["most_hidden"]:
        return (
            f"By the counters of {machines}, no arc between the first and the last record is"
            f" missing ({v['held']} of {v['expected']} numbers held)."
        )
    most = v["most"]
    return (
        f"At most {count(v['most_hidden'], 'arc')} that no record shows, by the counters of"
        f" {machines} ({v['held']} of {v['expected']} numbers held; most of {most['group']}:"
        f" {most['most_hidden']}). Any of them may have failed. Download the whole memory."
    )


def _by_bodies(v: Mapping[str, Any]) -> str:
    kinds = listed(v["groups"])
    drawn, held = f"{v['expected']:g}", f"{v['held']:g}"
    if not v["most_hidden"]:
        return f"All bodies drawn are accounted for ({kinds}: {drawn} drawn and used)."
    return (
        f"At most {v['most_hidden']:g} bodies lost at failures that nobody wrote ({kinds}: {drawn}"
        f" drawn and not brought back, {held} accounted for). Count those in the vans and at"
        " positions not begun, and book them as returned."
    )


def _not_available(v: Mapping[str, Any]) -> str:
    groups = listed(v["groups"])
    if v["by"] == "counter":
        return (
            f"How many arcs the records of {groups} lack is not available: they show no record"
            " numbers."
        )
    return (
        f"How many bodies of {groups} were lost unwritten is not available: no moves of bodies"
        " are kept. Write what is issued and returned on the sheet stock moves."
    )


def _more_used(v: Mapping[str, Any]) -> str:
    return (
        f"Cannot tell how many {v['group']} bodies were lost unwritten: {v['held']:g} were used,"
        f" but only {v['expected']:g} drawn by the stock moves. Moves are missing there."
    )


SENTENCES: dict[str, Callable[[Mapping[str, Any]], str]] = {
    "rows_came_in": _came_in,
    "file_not_taken_in": _not_taken_in,
    "rows_refused": _refused,
    "rows_held": _held,
    "links_unsure": _links,
    "clock_repaired": lambda v: (
        f"The clock of {v['unit']} was wrong for {count(v['n'], 'arc')}; their times are inferred"
        " from order, neighbours and tests. Set its clock."
    ),
    "clock_unknown": lambda v: (
        f"{count(v['n'], 'arc')} of {v['unit']} have no time that can be told; they count in no"
        " week."
    ),
    "spellings_unknown": _spellings,
    "spellings_by_rule": lambda v: (
        f"{count(v['n'], 'spelling')} put right by rule; doubts.xlsx lists them."
    ),
    "numbers_not_held": lambda v: (
        f"{v['found']}: these arcs may have been failures that nobody sees. Download the whole"
        " memory each time."
    ),
    "calibration_overdue": _overdue,
    "calibration_due": _due,
    "unit_not_valid": lambda v: (
        f"{count(v['n'], 'arc')} on {v['unit']} from {day(v['first'])} to {day(v['last'])}, days"
        " for which the settings list no serial of it: mend its first or last day there, or the"
        " code on the rows."
    ),
    "lot_expired": lambda v: (
        f"{_lot(v)} expired {day(v['until'])}, {count(v['days'], 'day')} ago. Take it out of use."
    ),
    "hidden_by_counter": _by_counter,
    "hidden_by_bodies": _by_bodies,
    "hidden_not_available": _not_available,
    "more_used_than_drawn": _more_used,
    "lot_expires": lambda v: (
        f"{_lot(v)} expires {day(v['until'])}, in {count(v['days'], 'day')}. Use it first."
    ),
}
