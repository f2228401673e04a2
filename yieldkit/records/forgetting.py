"""Retention: what old rows say of persons is removed, also from the kept files; sums stay.

Of every row before a day, the person, the remark and what was typed about it are removed from the
typed copies; the bytes of the files that held such rows are deleted. Arcs, losses and tests stay
without a name, so that yields of kit and types remain. First-pass counts by month, connector type
and kit are written to the table ``forgotten`` first, since kit that was known through its holder
is not known afterwards.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from yieldkit.records.inbox import Entry, entries_of
from yieldkit.records.ingest import (
    Progress,
    _line,
    _made_of,
    _of_now,
    _source,
    _turn,
    _with_decisions,
)
from yieldkit.records.opened import open_crew
from yieldkit.records.settings import read_settings
from yieldkit.records.store import Store
from yieldkit.records.tables import UNKNOWN

if TYPE_CHECKING:
    import pyarrow as pa

    from yieldkit.records.parsed import Parsed

PERSONAL = ("technician_text", "by_text", "remark", "reason")
"""Columns of the typed copies that are or may be about a person."""
_CLASSES = ("cause", "step", "disposition")
"""Columns whose free words have a class beside them."""
BY = ["month", "connector_type", "splicer", "cleaver", "heater", "first_pass_termination"]


def forget(
    folder: Path | str, before: date, *, progress: Progress | None = None
) -> tuple[str, ...]:
    """Remove what rows before a day say of persons.

    Parameters
    ----------
    folder : Path
        The crew's folder.
    before : date
        First day that is kept as it is.

    Returns
    -------
    tuple of str
        Sentences: what was removed and what can no longer be rebuilt.
    """
    from yieldkit.wording.records import forgotten_lines

    folder = Path(folder)
    made_of, crew = _made_of(folder), read_settings(folder)
    store = Store(folder)
    with store.locked():
        state = _of_now(store.state(), made_of)
        entries, touched, rows = [], [], 0
        needed = {one["key"] for one in state["repairs"] if one["kind"] in _CLASSES}
        needed |= {row.written for row in crew.aliases if row.kind in _CLASSES}
        had: set[str] = set()
        left: set[str] = set()
        for entry in entries_of(state):
            _source(store, entry)  # says so where the typed rows are gone
            kept = store.parsed(entry.key) if entry.key else None
            had |= _persons(kept)
            cleared = _cleared(kept, entry, before, needed)
            if cleared is None:
                left |= _persons(kept)
                entries.append(entry)
                continue
            parsed, count = cleared
            left |= _persons(parsed)
            key = f"{entry.key.split('~')[0]}~{before.isoformat()}"
            store.keep_parsed(key, parsed)
            entries.append(replace(entry, key=key, frozen=True))
            touched.append(entry.file)
            rows += count
        if touched:
            sums = _sums(folder, before, _days_cleared(entries_of(state)))
            decided = _without_persons(_with_decisions(store, state), had - left, before)
            gone = frozenset(("technician", word) for word in had - left)
            new_state = decided | {
                "files": [entry.as_dict() for entry in entries],
                "forgotten": [*state.get("forgotten", []), *sums],
                "history": [*decided["history"], _line(f"forgot before {before}", "", "")],
            }
            tell = progress or (lambda line: None)
            _turn(folder, store, crew, entries, new_state, tell, gone=gone)
    in_inbox = [name for name in dict.fromkeys(touched) if (folder / "inbox" / name).exists()]
    unread = [e.file for e in entries if not e.key and store.has_raw(e.sha256)]
    return tuple(forgotten_lines(before, rows, touched, in_inbox, unread))


def _persons(parsed: Parsed | None) -> set[str]:
    """Spellings of persons in a file's typed rows."""
    if parsed is None:
        return set()
    columns = [name for name in ("technician_text", "by_text") if name in parsed.rows.schema.names]
    return {word for name in columns for word in parsed.rows[name].unique().to_pylist() if word}


def _without_persons(state: dict[str, Any], words: set[str], before: date) -> dict[str, Any]:
    """Decisions and history without spellings of persons that no row has any more.

    Remarks of decisions taken before the day are removed too: they may name anybody.
    """
    repairs, lines = [], []
    for repair in state["repairs"]:
        if repair["kind"] == "technician" and repair["key"] in words:
            continue
        old = repair.get("decided", "") < before.isoformat()
        repairs.append(repair | {"remark": ""} if old else repair)
    named = tuple(f"technician {word}: " for word in words)
    for line in state["history"]:
        personal = line["what"] in ("decided", "undone") and line["file"].startswith(named)
        lines.append(line | {"file": "technician: forgotten"} if personal else line)
    return state | {"repairs": repairs, "history": lines}


def _cleared(
    parsed: Parsed | None, entry: Entry, before: date, needed: set[str]
) -> tuple[Parsed, int] | None:
    """A file's typed rows without persons before a day, and how many; None if it has none.

    Free words of the log go where their class is known without them: they may name anybody.
    ``needed`` are words to which a decision or an alias gives their meaning.
    """
    import pyarrow as pa
    import pyarrow.compute as pc

    if parsed is None or "when_shown" not in parsed.rows.schema.names:
        return None
    when = parsed.rows["when_shown"]
    limit = pa.scalar(datetime(before.year, before.month, before.day), pa.timestamp("ms"))
    newest = pc.max(when).as_py()
    undated_too = newest is None or newest < limit.as_py()
    old = pc.fill_null(pc.less(when, limit), undated_too)
    columns = [name for name in PERSONAL if name in parsed.rows.schema.names]
    said = [pc.and_(old, pc.is_valid(parsed.rows[name])) for name in columns]
    count = int(pc.sum(old).as_py() or 0)
    nothing = not any(pc.any(found).as_py() for found in said) and not parsed.refused.num_rows
    if not count or (nothing and entry.frozen):
        return None
    rows = parsed.rows
    for name in columns:
        blank = pc.if_else(old, pa.scalar(None, pa.string()), rows[name])
        rows = rows.set_column(rows.schema.get_field_index(name), name, blank)
    for kind in _CLASSES:
        name = f"{kind}_text"
        if name in rows.schema.names and kind in rows.schema.names:
            known = pc.not_equal(pc.fill_null(rows[kind], UNKNOWN), UNKNOWN)
            kept = pc.is_in(rows[name], value_set=pa.array(sorted(needed), pa.string()))
            drop = pc.and_(old, pc.and_(known, pc.invert(kept)))
            words = pc.if_else(drop, pa.scalar(None, pa.string()), rows[name])
            rows = rows.set_column(rows.schema.get_field_index(name), name, words)
    return replace(parsed, rows=rows, refused=_without_text(parsed.refused)), count


def _without_text(refused: pa.Table) -> pa.Table:
    import pyarrow as pa

    for name in ("found", "text"):
        empty = pa.array([""] * refused.num_rows, pa.string())
        refused = refused.set_column(refused.schema.get_field_index(name), name, empty)
    return refused


def _days_cleared(entries: list[Entry]) -> dict[str, str]:
    """Day before which the rows of each file were forgotten already, as its key says."""
    return {entry.file: entry.key.split("~")[1] for entry in entries if "~" in entry.key}


def _sums(folder: Path, before: date, cleared: dict[str, str]) -> list[dict[str, Any]]:
    """First-pass counts before a day by month, connector type and kit.

    Positions whose first arc was forgotten already are in the sums of that time.
    """
    import pandas as pd

    opened, until = open_crew(folder), before - pd.Timedelta(days=1)
    positions = opened.positions(until=until)
    file_of = opened.attempts(until=until).drop_duplicates("attempt_id").set_index("attempt_id")
    since = pd.to_datetime(positions["first_attempt_id"].map(file_of["file"]).map(cleared))
    fresh = positions[~(positions["first_date"] < since)]
    counted = (
        fresh.assign(month=fresh["first_date"].dt.strftime("%Y-%m"))
        .groupby(BY, dropna=False)
        .size()
        .rename("positions")
        .reset_index()
    )
    return [{str(name): value for name, value in row.items()} for row in counted.to_dict("records")]
