"""The doubts list: what the records leave open, for the lead to decide in ``doubts.xlsx``.

A doubt has a kind and a key. A decision on it is kept with its day in the store, applied by the
next deriving, listed in the sheet "decisions" and undone there.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from yieldkit.crew import Crew
from yieldkit.errors import CrewError
from yieldkit.records.clocks import UNTOLD
from yieldkit.records.counters import SMALL_START
from yieldkit.records.decisions import ALLOWED, APPLIED, FIXED, NOTED, OPEN, SEEN, codes_of
from yieldkit.records.deriving import Derived
from yieldkit.records.dies import die_differs
from yieldkit.records.doubts_workbook import WORKBOOK, write_workbook
from yieldkit.records.spelling import Meaning
from yieldkit.records.store import Store
from yieldkit.records.words import near_classes, plain

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


_COLUMNS = pa.schema(
    [
        *((name, pa.string()) for name in ("kind", "key", "found", "suggested", "state", "where")),
        ("rows", pa.int64()),
        ("choices", pa.list_(pa.string())),
    ]
)


def doubts_of(derived: Derived, crew: Crew, repairs: list[dict[str, Any]]) -> pa.Table:
    """All doubts but those decided, open ones first; columns as the fields of ``Doubt``."""
    decided = {(repair["kind"], repair["key"]) for repair in repairs}
    every = pa.concat_tables(
        [
            _table(_spellings(derived, crew), _words(derived), _places(derived)),
            *_arcs(derived),
            _table(
                _entries(derived),
                _dies(derived, crew),
                _held(derived),
                _clocks(derived),
                _refused(derived),
                _gaps(derived),
            ),
        ]
    )
    keys = pc.is_in(every["key"], pa.array([key for _, key in decided], pa.string()))
    settled = [
        at
        for at in np.flatnonzero(keys).tolist()
        if (every["kind"][at].as_py(), every["key"][at].as_py()) in decided
    ]
    state = pc.index_in(every["state"], pa.array([OPEN, APPLIED, NOTED])).to_numpy()
    order = np.argsort(state, kind="stable")
    return every.take(pa.array(order[~np.isin(order, settled)]))


def _table(*doubts: Iterator[Doubt]) -> pa.Table:
    return pa.Table.from_pylist([vars(one) for some in doubts for one in some], schema=_COLUMNS)


def _rows(derived: Derived, kind: str) -> list[dict[str, Any]]:
    found = derived.unsettled.get(kind)
    return found.to_pylist() if found is not None else []


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
            choices=codes_of(crew, found.kind, candidates),
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


def _words(derived: Derived) -> Iterator[Doubt]:
    for row in _rows(derived, "word"):
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
    for row in _rows(derived, "place"):
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


def _arcs(derived: Derived) -> Iterator[pa.Table]:
    for name, state, told in (
        ("arc", OPEN, "arc without a position:"),
        ("mistyped", OPEN, "second good arc at one place, perhaps mistyped:"),
        ("probable", APPLIED, "arc without a place, linked as probable:"),
    ):
        rows = derived.unsettled.get(name)
        if rows is None:
            continue
        said = [rows[part] for part in ("when", "splicer", "technician", "job", "raw")]
        said = [pc.if_else(pc.equal(part, ""), None, part) for part in said]
        source_row = rows["source_row"].cast(pa.string())
        columns = {
            "kind": "position of a row",
            "key": rows["fingerprint"],
            "found": pc.binary_join_element_wise(told, *said, " ", null_handling="skip"),
            "suggested": pc.fill_null(rows["candidates"], ""),
            "state": state,
            "where": pc.binary_join_element_wise(rows["file"], source_row, ", row "),
            "rows": 1,
            "choices": pc.split_pattern(rows["candidates"], "; "),
        }
        yield pa.table(
            [
                pa.repeat(column, rows.num_rows) if isinstance(column, str | int) else column
                for column in columns.values()
            ],
            schema=_COLUMNS,
        )


def _entries(derived: Derived) -> Iterator[Doubt]:
    for name, kind, told in (
        ("entry", "position of a row", "entry of the rework log without a position"),
        ("twice", "entered twice", "the same entry stands in the log twice"),
        ("missing", "gone from newer save", "entry is gone from the newer save of the log"),
        ("type", "type differs", "connector type is not the planned one"),
    ):
        for row in _rows(derived, name):
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
    for row in _rows(derived, "die"):
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
    for row in sorted(_rows(derived, "gap"), key=lambda row: (row["serial"], row["epoch"])):
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
    for row in _rows(derived, "gap"):
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


def untold(derived: Derived) -> dict[str, int]:
    """Rows whose time was ``inferred``, and rows of which it is ``unknown``."""
    rows = {"inferred": 0, "unknown": 0}
    for note in derived.clock_notes:
        rows["unknown" if note["why"] == UNTOLD else "inferred"] += note["rows"]
    return rows


def write_doubts(
    store: Store,
    doubts: pa.Table,
    repairs: list[dict[str, Any]],
    gone: frozenset[tuple[str, str]] = frozenset(),
) -> Iterator[str]:
    """Write ``doubts.xlsx`` and tell why it could not be, or what found no room in it.

    ``gone`` are doubts (kind, key) whose remarks must not be kept.
    """
    from yieldkit.wording.records import no_room

    try:
        if left_out := write_workbook(store, doubts, repairs, gone):
            yield no_room(left_out)
    except PermissionError:
        yield f"{WORKBOOK} is open elsewhere: close it and run `yieldkit ingest` again."
    except CrewError as error:  # what was typed there must not be lost
        yield str(error)
