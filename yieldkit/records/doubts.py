"""The doubts list: what the records leave open, for the lead to decide in ``doubts.xlsx``.

A doubt has a kind and a key. A decision on it is kept with its day in the store, applied by the
next deriving, listed in the sheet "decisions" and undone there.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

from yieldkit.crew import Crew
from yieldkit.errors import CrewError
from yieldkit.records.clocks import UNTOLD
from yieldkit.records.counters import SMALL_START
from yieldkit.records.deriving import Decided, Derived
from yieldkit.records.dies import die_differs
from yieldkit.records.spelling import Meaning, tokens
from yieldkit.records.tables import CAUSES, ERRORS, FIRST_PASS, STEPS
from yieldkit.records.words import near_classes, plain

if TYPE_CHECKING:
    import pyarrow as pa

WORKBOOK = "doubts.xlsx"
OPEN, APPLIED, NOTED = "open", "applied by rule", "to know"
SEEN, COUNTS, ASIDE, AS_SHOWN = "seen", "let it count", "set aside", "as shown"
WORDS = ("technician", "unit", "job", "connector type", "place", "step", "cause", "outcome")
"""Kinds whose decision is a meaning of a word."""
ALLOWED = {"step": STEPS, "cause": CAUSES, "outcome": ERRORS}
FIXED = {
    "held row": (COUNTS, SEEN),
    "refused row": (SEEN,),
    "clock": (AS_SHOWN, SEEN),
    "entered twice": (ASIDE, SEEN),
    "gone from newer save": (ASIDE, SEEN),
    "type differs": (SEEN,),
    "die differs": (SEEN,),
    "counter gap": (SEEN,),
}
"""Kinds whose decision is one of a few words."""
_HOW = {"rule": APPLIED, "normalised": APPLIED, "unknown": OPEN, "new": NOTED}


@dataclass(frozen=True)
class Doubt:
    """One thing left open, or settled by rule and shown.

    Parameters
    ----------
    kind, key : str
        What it is about; together they name it.
    found, suggested : str
        What stands in the files, and what it seems to mean.
    state : str
        ``open``, ``applied by rule`` or ``to know``.
    where : str
        File and row.
    rows : int
        Rows it concerns.
    choices : tuple of str
        Decisions offered.
    """

    kind: str
    key: str
    found: str
    suggested: str
    state: str
    where: str = ""
    rows: int = 1
    choices: tuple[str, ...] = ()


def doubts_of(derived: Derived, crew: Crew, repairs: list[dict[str, Any]]) -> list[Doubt]:
    """All doubts but those decided, open ones first."""
    decided = {(repair["kind"], repair["key"]) for repair in repairs}
    every = [
        *_spellings(derived, crew),
        *_words(derived),
        *_places(derived),
        *_arcs(derived),
        *_entries(derived),
        *_dies(derived, crew),
        *_held(derived),
        *_clocks(derived),
        *_refused(derived),
        *_gaps(derived),
    ]
    left = [doubt for doubt in every if (doubt.kind, doubt.key) not in decided]
    order = {OPEN: 0, APPLIED: 1, NOTED: 2}
    return sorted(left, key=lambda doubt: order[doubt.state])


def doubts_table(doubts: list[Doubt]) -> pa.Table:
    """Doubts as a table for notebooks and pages."""
    import pyarrow as pa

    names = ("kind", "key", "found", "suggested", "state", "where")
    columns = {
        name: pa.array([getattr(doubt, name) for doubt in doubts], pa.string()) for name in names
    }
    return pa.table(columns | {"rows": pa.array([doubt.rows for doubt in doubts], pa.int64())})


def _spellings(derived: Derived, crew: Crew) -> Iterator[Doubt]:
    for found in derived.meanings:
        if found.how not in _HOW or (found.how == "new" and not _listed(crew, found.kind)):
            continue
        candidates = found.candidates or _by_name(crew, found)
        suggested = found.meaning or "; ".join(candidates[:6])
        yield Doubt(
            found.kind,
            found.written,
            found.written,
            suggested,
            _HOW[found.how],
            rows=found.rows,
            choices=_codes(crew, found.kind, candidates),
        )


def _by_name(crew: Crew, found: Meaning) -> tuple[str, ...]:
    """Codes of persons whose name in the settings a spelling may shorten."""
    if found.kind != "technician" or found.how != "unknown":
        return ()
    parts = plain(found.written).replace(".", " ").split()
    likely = []
    for person in crew.people:
        names = plain(person.name).replace(".", " ").split()
        if parts and names and all(any(n.startswith(part) for n in names) for part in parts):
            likely.append(person.code)
    return tuple(likely)


def _listed(crew: Crew, kind: str) -> bool:
    return bool({"technician": crew.people, "unit": crew.equipment}.get(kind, ()))


def _codes(crew: Crew, kind: str, candidates: tuple[str, ...]) -> tuple[str, ...]:
    listed = {
        "technician": [row.code for row in crew.people],
        "unit": list(dict.fromkeys(row.unit for row in crew.equipment)),
        "connector type": [row.connector_type for row in crew.connector_types],
    }.get(kind, [])
    return tuple(dict.fromkeys([*candidates, *listed]))


def _words(derived: Derived) -> Iterator[Doubt]:
    for row in derived.unsettled.get("word", []):
        kind = row["kind"]
        near = near_classes(kind, row["word"])
        yield Doubt(
            kind,
            row["word"],
            row["word"],
            "; ".join(near),
            OPEN,
            rows=row["rows"],
            choices=tuple(dict.fromkeys([*near, *ALLOWED[kind]])),
        )


def _places(derived: Derived) -> Iterator[Doubt]:
    for row in derived.unsettled.get("place", []):
        job = row["job"] or ""
        yield Doubt(
            "place",
            f"{job}|{row['raw']}",
            f"{row['raw']} in job {job or 'unknown'}",
            row["candidates"] or "",
            OPEN,
            rows=int(row["rows"]),
            choices=tuple((row["candidates"] or "").split("; ")) if row["candidates"] else (),
        )


def _arcs(derived: Derived) -> Iterator[Doubt]:
    for name, state, told in (
        ("arc", OPEN, "arc without a position"),
        ("mistyped", OPEN, "second good arc at one place, perhaps mistyped"),
        ("probable", APPLIED, "arc without a place, linked as probable"),
    ):
        for row in derived.unsettled.get(name, []):
            choices = tuple((row["candidates"] or "").split("; ")) if row["candidates"] else ()
            said = (row["when"], row["splicer"], row["technician"], row["job"], row["raw"])
            yield Doubt(
                "position of a row",
                row["fingerprint"],
                f"{told}: " + " ".join(str(part) for part in said if part),
                row["candidates"] or "",
                state,
                where=f"{row['file']}, row {row['source_row']}",
                choices=choices,
            )


def _entries(derived: Derived) -> Iterator[Doubt]:
    for name, kind, told in (
        ("entry", "position of a row", "entry of the rework log without a position"),
        ("twice", "entered twice", "the same entry stands in the log twice"),
        ("missing", "gone from newer save", "entry is gone from the newer save of the log"),
        ("type", "type differs", "connector type is not the planned one"),
    ):
        for row in derived.unsettled.get(name, []):
            if name == "type":
                suggested = f"{row['written']} written, {row['planned']} planned"
            else:
                suggested = row.get("candidates") or ""
            said = (row.get("logged"), row["job"], row["raw"], row.get("cause_text"))
            offered = tuple(suggested.split("; ")) if suggested and name == "entry" else ()
            yield Doubt(
                kind,
                row["fingerprint"],
                f"{told}: " + " ".join(str(part) for part in said if part),
                suggested,
                NOTED if name == "type" else OPEN,
                where=_where(row),
                choices=FIXED.get(kind, offered),
            )


def _dies(derived: Derived, crew: Crew) -> Iterator[Doubt]:
    """Crimp dies that do not belong to the connector type, or cannot be read."""
    types = {row.connector_type: row for row in crew.connector_types}
    for row in derived.unsettled.get("die", []):
        kind = types.get(row["connector_type"] or "")
        why = None if kind is None else die_differs(row["die"], kind)
        if kind is not None and why:
            said = " ".join(str(part) for part in (row["job"], row["raw"]) if part)
            yield Doubt(
                "die differs",
                row["fingerprint"],
                f"crimp die {row['die']} on {kind.connector_type}: {said}",
                why,
                OPEN,
                where=_where(row),
                choices=FIXED["die differs"],
            )


def _where(row: dict[str, Any]) -> str:
    sheet = f", sheet {row['sheet']}" if row.get("sheet") else ""
    return f"{row['file']}{sheet}, row {row['source_row']}"


def _held(derived: Derived) -> Iterator[Doubt]:
    for row in derived.tables["held"].to_pylist():
        yield Doubt(
            "held row",
            row["fingerprint"],
            row["differs"] or "",
            f"counts now: {row['against_file']}, row {row['against_row']}"
            if row["against_file"]
            else "mend the row, or say in the settings what its words mean",
            OPEN,
            where=_where(row),
            choices=FIXED["held row"] if row["against_file"] else (SEEN,),
        )


def _clocks(derived: Derived) -> Iterator[Doubt]:
    for row in derived.clock_notes:
        untold = row["why"] == UNTOLD
        meant = "" if untold else f"{_minute(row['meant_from'])} to {_minute(row['meant_to'])}"
        span = f"{_minute(row['shown_from'])} to {_minute(row['shown_to'])}"
        shown = span if row["shown_from"] is not None else "no time that can be"
        yield Doubt(
            "clock",
            f"{row['splicer']}|{row['file']}|{row['why']}",
            f"{row['splicer']} shows {shown}: {row['why']}",
            meant,
            NOTED if untold else APPLIED,
            where=f"{row['file']}, from row {row['first_row']}",
            rows=row["rows"],
            choices=FIXED["clock"],
        )


def _minute(when: Any) -> str:
    return f"{when:%Y-%m-%d %H:%M}" if when is not None else "no time"


def _refused(derived: Derived) -> Iterator[Doubt]:
    for row in derived.tables["refused"].to_pylist():
        yield Doubt(
            "refused row",
            f"{row['sha256'][:16]}|{row['sheet'] or ''}|{row['source_row']}",
            f"{row['column'] + ': ' if row['column'] else ''}{row['found'] or ''}",
            row["reason"] or "",
            OPEN,
            where=_where(row),
            choices=FIXED["refused row"],
        )


def _restarts(derived: Derived) -> Iterator[Doubt]:
    """Counters that started again: how many records lie between is known in part only."""
    before: dict[str, Any] = {}
    for row in sorted(
        derived.unsettled.get("gap", []), key=lambda row: (row["serial"], row["epoch"])
    ):
        last = before.get(row["serial"])
        before[row["serial"]] = row
        lacking = row["first"] - 1 if 1 < row["first"] <= SMALL_START else 0
        if last is None or not (lacking or not _full(last["last"])):
            continue
        after = f"{lacking} numbers before it in no file; " if lacking else ""
        yield Doubt(
            "counter gap",
            f"{row['serial']}|{row['epoch']}|again|{row['first']}|{last['last']}",
            f"{row['splicer']}: started again at {row['first']} after {last['last']}: {after}how"
            f" many came after {last['last']} is not known",
            "arcs that the records may not hold; download the whole memory before a repair",
            NOTED,
            rows=lacking,
            choices=FIXED["counter gap"],
        )


def _full(number: int) -> bool:
    """Whether a counter seems to have gone round: all nines, or a full binary number."""
    return set(str(number)) == {"9"} or number > 200 and (number + 1) & number == 0


def _gaps(derived: Derived) -> Iterator[Doubt]:
    yield from _restarts(derived)
    for row in derived.unsettled.get("gap", []):
        if row["not_held"]:
            yield Doubt(
                "counter gap",
                f"{row['serial']}|{row['epoch']}|{row['first']}|{row['last']}|{row['not_held']}",
                f"{row['splicer']}: numbers {row['first']} to {row['last']},"
                f" {row['not_held']} of them in no file" + _maybe(row["maybe_refused"]),
                "arcs that the records do not hold; download the whole memory if it still has them",
                NOTED,
                rows=row["not_held"],
                choices=FIXED["counter gap"],
            )


def _maybe(rows: int) -> str:
    if not rows:
        return ""
    return f" ({rows} may be on {'a refused row' if rows == 1 else 'refused rows'})"


# -- decisions -------------------------------------------------------------------------------------


def decided_of(repairs: list[dict[str, Any]]) -> Decided:
    """Decisions as deriving takes them."""
    words: dict[str, dict[str, str]] = {}
    places: dict[str, str] = {}
    by_word: dict[str, list[str]] = {COUNTS: [], ASIDE: [], AS_SHOWN: []}
    for repair in repairs:
        if repair["kind"] == "place" and repair["meaning"] == SEEN:
            continue
        if repair["kind"] in WORDS:
            words.setdefault(repair["kind"], {})[repair["key"]] = repair["meaning"]
        elif repair["kind"] == "position of a row":
            if repair["meaning"] != SEEN:
                places[repair["key"]] = repair["meaning"]
        elif repair["meaning"] in by_word:
            by_word[repair["meaning"]].append(repair["key"])
    return Decided(
        words, tuple(by_word[COUNTS]), places, tuple(by_word[ASIDE]), tuple(by_word[AS_SHOWN])
    )


def read_decisions(folder: Path, state: dict[str, Any]) -> list[dict[str, Any]]:
    """Decisions known, with those newly filled into ``doubts.xlsx`` and without those undone there.

    Raises
    ------
    CrewError
        If the workbook cannot be read, or a decision is none of those that its row offers.
    """
    from yieldkit.records.doubts_workbook import filled_in

    found = {(repair["kind"], repair["key"]): repair for repair in state["repairs"]}
    path = folder / WORKBOOK
    if not path.exists():
        return list(found.values())
    today = date.today().isoformat()
    for row in filled_in(path, FIXED | ALLOWED):
        pair = (row["kind"], row["key"])
        if row["undo"]:
            found.pop(pair, None)
        elif "meaning" not in row:
            if pair in found and found[pair]["remark"] != row["remark"]:
                found[pair] = found[pair] | {"remark": row["remark"]}
        elif pair not in found or found[pair]["meaning"] != row["meaning"]:
            found[pair] = {
                "kind": row["kind"],
                "key": row["key"],
                "meaning": row["meaning"],
                "remark": row["remark"],
                "decided": today,
            }
    return sorted(found.values(), key=lambda repair: (repair["kind"], repair["key"]))


def in_listed_form(repairs: list[dict[str, Any]], crew: Crew) -> list[dict[str, Any]]:
    """Decisions that name a person, unit or type in another form, with the code as it is listed."""
    made = []
    for repair in repairs:
        codes = _codes(crew, repair["kind"], ())
        same = [code for code in codes if tokens(code) == tokens(str(repair["meaning"]))]
        exact = repair["meaning"] in codes or len(same) != 1
        made.append(repair if exact else repair | {"meaning": same[0]})
    return made


def check_decisions(
    folder: Path, repairs: list[dict[str, Any]], derived: Derived, crew: Crew
) -> None:
    """Refuse a new decision that names a person, a unit, a type or a place that there is not.

    Parameters
    ----------
    repairs : list of dict
        Decisions that no run has applied yet.
    derived : Derived
        What they make: a row whose place is still among the unsettled got none.

    Raises
    ------
    CrewError
        Naming the cell.
    """
    from yieldkit.records.doubts_workbook import place_of

    homeless = {
        ("place", f"{row['job'] or ''}|{row['raw']}"): row["job"]
        for row in derived.unsettled.get("place", [])
    } | {
        ("position of a row", row["fingerprint"]): row["job"]
        for name in ("arc", "entry")
        for row in derived.unsettled.get(name, [])
    }
    for repair in repairs:
        kind, key, meaning = repair["kind"], repair["key"], repair["meaning"]
        listed = _may_be(kind, derived, crew)
        if listed and meaning not in listed:
            what, wanted = f"no such {kind} in the settings", _few(listed)
            remedy = "Write one of them, or add it to the crew's settings."
        elif (kind, key) in homeless and meaning != SEEN:
            job = homeless[kind, key]
            what = (
                f"the plan of job {job} holds no such place"
                if job
                else "the row names no job, so no place can be told"
            )
            wanted = None
            remedy = f'Write a place of the plan, or "{SEEN}" to leave it without one.'
        else:
            continue
        file, row = place_of(folder / WORKBOOK, kind, key)
        raise CrewError(
            what,
            file=file,
            row=row,
            column="decision",
            found=meaning,
            wanted=wanted,
            remedy=remedy,
        )


def _may_be(kind: str, derived: Derived, crew: Crew) -> list[str]:
    """Codes that a spelling may stand for where the settings list them; else empty."""
    listed = list(_codes(crew, kind, ()))
    if not listed:
        return []
    if kind != "technician":  # the kit sheet and the plan may name more
        listed += [
            found.meaning
            for found in derived.meanings
            if found.kind == kind and found.meaning and found.how in ("exact", "normalised", "new")
        ]
    return list(dict.fromkeys([*listed, "unknown"]))


def _few(words: list[str]) -> str:
    shown = ", ".join(words[:8])
    return f"{shown} or {len(words) - 8} more" if len(words) > 8 else shown


def write_doubts(
    folder: Path,
    doubts: list[Doubt],
    derived: Derived,
    crew: Crew,
    repairs: list[dict[str, Any]],
    before: pa.Table | None,
    gone: frozenset[tuple[str, str]] = frozenset(),
    decided: tuple[int, int] = (0, 0),
) -> tuple[int, tuple[str, ...]]:
    """Write ``doubts.xlsx``; the number of open doubts and what changed in last week's figures.

    ``gone`` are doubts (kind, key) whose remarks must not be kept; ``decided`` counts the decisions
    that this run applies and those that it takes back.
    """
    from yieldkit.records.doubts_workbook import write_workbook
    from yieldkit.wording.records import clocks_told, decisions_told, no_room

    said = [*decisions_told(*decided), *_changed(before, derived, crew, sum(decided))]
    rows = {True: 0, False: 0}
    for note in derived.clock_notes:
        rows[note["why"] == UNTOLD] += note["rows"]
    said += clocks_told(inferred=rows[False], unknown=rows[True])
    try:
        if left_out := write_workbook(folder / WORKBOOK, doubts, repairs, gone):
            said.append(no_room(left_out))
    except OSError:
        said.append(f"{WORKBOOK} is open elsewhere: close it and run `yieldkit ingest` again.")
    except CrewError as error:  # what was typed there must not be lost
        said.append(str(error))
    return sum(doubt.state == OPEN for doubt in doubts), tuple(said)


def _changed(before: pa.Table | None, derived: Derived, crew: Crew, decided: int) -> Iterator[str]:
    """What this run changed in first-pass figures: of the last whole week, and of earlier ones."""
    from yieldkit.records.opened import last_whole_week, week_of
    from yieldkit.wording.records import earlier_restated, restated, unchanged

    if before is None:
        return
    first, _, label = last_whole_week(derived.as_of, crew)
    was, now = (_by_week(table, first) for table in (before, derived.tables["positions"]))
    nothing = (0,) * len(FIRST_PASS)
    if was.get(0, nothing) != now.get(0, nothing):
        words = (dict(zip(FIRST_PASS, one.get(0, nothing), strict=True)) for one in (was, now))
        yield restated(label, *words)
    elif decided:
        yield unchanged(label)
    weeks = [week for week in sorted({*was, *now}) if week < 0 and was.get(week) != now.get(week)]
    restated_ones = [week for week in weeks if week in was]
    if restated_ones:
        days = [first + timedelta(weeks=week) for week in restated_ones]
        yield earlier_restated([week_of(day, crew)[2] for day in days])


def _by_week(positions: pa.Table, first: date) -> dict[int, tuple[int, ...]]:
    """First-pass answers of each week, counted from the week that begins on ``first``."""
    import numpy as np
    import pyarrow as pa
    import pyarrow.compute as pc

    known = positions.filter(pc.is_valid(positions["first_date"]))
    days = known["first_date"].cast(pa.date32()).cast(pa.int32()).to_numpy()
    week = (days - (first - date(1970, 1, 1)).days) // 7
    answers = pa.array(FIRST_PASS, pa.string())
    answer = pc.index_in(known["first_pass_termination"].cast(pa.string()), answers)
    code = pc.fill_null(answer, -1).to_numpy()
    week, code = week[code >= 0], code[code >= 0]
    if not len(week):
        return {}
    low = int(week.min())
    counts = np.bincount((week - low) * len(FIRST_PASS) + code)
    table = np.pad(counts, (0, -len(counts) % len(FIRST_PASS))).reshape(-1, len(FIRST_PASS))
    return {low + at: tuple(row) for at, row in enumerate(table.tolist()) if any(row)}
