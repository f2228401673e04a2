"""The trip: what lies in the inbox becomes the next generation of all tables.

Files are read, kept by the digest of their bytes, typed by the layout that fits them, and all
tables are derived again. A file that cannot be taken in gets one sentence; the rest goes on.
"""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from yieldkit import __version__
from yieldkit.errors import CrewError
from yieldkit.records.decisions import OPEN, read_decisions
from yieldkit.records.disk import digest
from yieldkit.records.doubts_workbook import is_written
from yieldkit.records.inbox import Entry, all_known, entries_of, look
from yieldkit.records.parsed import VERSION
from yieldkit.records.store import Store

if TYPE_CHECKING:
    import pyarrow as pa

    from yieldkit.crew import Crew
    from yieldkit.records.assembled import Month
    from yieldkit.records.stacking import Source

LAYOUTS = "layouts"
DERIVING = 6
"""Grows whenever the same parsed files and settings would give other tables."""
Progress = Callable[[str], None]


@dataclass(frozen=True)
class IngestReport:
    """What a run did: files by what came of them, rows by class, what changed."""

    generation: int
    changed: bool = False
    new: tuple[str, ...] = ()
    unreadable: tuple[tuple[str, str], ...] = ()
    waiting: tuple[str, ...] = ()
    read: tuple[dict[str, Any], ...] = ()
    """Of ``files`` those read by this run, each with ``reasons``: of its refusals, with counts."""
    files: tuple[dict[str, Any], ...] = ()
    doubts: int = 0
    said: tuple[str, ...] = ()
    totals: dict[str, int] = field(default_factory=dict)

    @property
    def refused_anything(self) -> bool:
        """Whether a row or a file was refused."""
        return bool(self.unreadable) or self.totals.get("refused", 0) > 0


def ingest(
    folder: Path | str, *, progress: Progress | None = None, again: bool = False
) -> IngestReport:
    """Take in what lies in the inbox of the crew's ``folder``.

    Parameters
    ----------
    folder : Path
        The crew's folder.
    progress : callable, optional
        Told one line as each part of the work begins.
    again : bool
        Read every file again from its kept bytes and derive everything anew (``rebuild``).

    Returns
    -------
    IngestReport

    Raises
    ------
    CrewError
        If the settings or a layout cannot be used, or the store cannot be written to; the store
        is then as before.
    """
    folder = Path(folder)
    tell = progress or (lambda line: None)
    store = Store(folder)
    if not store.number():
        _crew(folder)  # a folder without settings gets no store
    with store.locked():
        state = store.state()
        made_of = _made_of(folder)
        same = not again and state.get("made_of") == made_of
        crew = None if same else _crew(folder)
        found, waiting = look(folder, store, state)
        known = entries_of(state)
        had = {entry.pair: entry for entry in known}
        came = [entry.file for entry in found if entry.pair not in had]
        for file in came:
            tell(f"new: {file}")
        if same and all_known(store, state, found):
            entries = known
        else:
            entries = _read_all(folder, store, had, found, tell, again=again)
        decided = _with_decisions(store, state)
        if (
            same
            and decided["repairs"] == state["repairs"]
            and _key(entries) == _key(known)
            and is_written(store)
        ):
            return _report(store, state, waiting=tuple(waiting))
        history = [*state["history"], *_lines(state, entries, again)]
        new_state = {
            "files": [entry.as_dict() for entry in entries],
            "repairs": decided["repairs"],
            "history": history + decided["history"][len(state["history"]) :],
            "made_of": made_of,
            "forgotten": state.get("forgotten", []),
        }
        read = [
            e for e in entries if e.key and (again or e.pair not in had or e.key != had[e.pair].key)
        ]
        crew = crew or _crew(folder)
        report = _turn(folder, store, crew, entries, new_state, tell, read, anew=again)
        return replace(report, new=tuple(came), waiting=tuple(waiting))


def withdraw(folder: Path | str, file: str, *, progress: Progress | None = None) -> IngestReport:
    """Take a file back: its rows no longer count, rows it had made duplicates of reappear.

    The bytes stay in the store; the file does not come back while it lies in the inbox. Decisions
    filled into the doubts list are applied, as by ``ingest``.

    Raises
    ------
    CrewError
        If no such file was taken in, or a decision filled in cannot be used.
    """
    folder = Path(folder)
    tell = progress or (lambda line: None)
    made_of, crew = _made_of(folder), _crew(folder)
    store = Store(folder)
    with store.locked():
        state = _of_now(store.state(), made_of)
        entries = entries_of(state)
        meant = [e for e in entries if e.file == file and e.status != "withdrawn"]
        if not meant:
            names = sorted(e.file for e in entries if e.status != "withdrawn")
            raise CrewError(
                "no such file was taken in",
                file=file,
                wanted=", ".join(names[:8]) or None,
                remedy="`yieldkit history` lists them.",
            )
        entries = [
            replace(e, status="withdrawn", reason="taken back") if e in meant else e
            for e in entries
        ]
        decided = _with_decisions(store, state)
        new_state = decided | {
            "files": [entry.as_dict() for entry in entries],
            "history": [*decided["history"], _line("withdrawn", file, meant[0].sha256)],
        }
        return _turn(folder, store, crew, entries, new_state, tell)


def history(folder: Path | str) -> list[dict[str, Any]]:
    """What was done to the store, oldest first: ``when``, ``what``, ``file``, ``sha256``.

    Of a decision ``file`` holds its words.
    """
    found: list[dict[str, Any]] = Store(Path(folder)).state()["history"]
    return found


def _turn(
    folder: Path,
    store: Store,
    crew: Crew,
    entries: list[Entry],
    state: dict[str, Any],
    tell: Progress,
    read: Iterable[Entry] = (),
    *,
    gone: frozenset[tuple[str, str]] = frozenset(),
    anew: bool = False,
) -> IngestReport:
    """Derive from the entries and make it the present generation.

    ``read`` are the files that this run has read; ``gone`` doubts (kind, key) whose remarks must
    not be kept; ``anew``: no month is taken over from the generation before.
    """
    from yieldkit.records.decisions import check_decisions, decided_of, in_listed_form
    from yieldkit.records.deriving import derive
    from yieldkit.records.doubts import doubts_of, untold, write_doubts
    from yieldkit.records.restated import changed
    from yieldkit.wording.records import clocks_told, decisions_told

    tell(f"linking and deriving all tables from {len(entries)} files")
    sources = [_source(store, entry) for entry in entries]
    before = store.state()
    state = state | {"repairs": in_listed_form(state["repairs"], crew)}
    derived = derive(sources, crew, decided_of(state["repairs"]))
    known = {_said_of(one) for one in before["repairs"]}
    fresh = [one for one in state["repairs"] if _said_of(one) not in known]
    undone = known - {_said_of(one) for one in state["repairs"]}
    check_decisions(store, fresh, derived, crew)
    days: dict[str, dict[str, int]] = {}  # filled as the months are written, before the state is
    tell("writing the tables")
    found = doubts_of(derived, crew, state["repairs"])
    state = state | {
        "as_of": derived.as_of.isoformat(),
        "first_passes": days,
        "accounts": derived.tables["files"].select(_ACCOUNT).to_pylist(),
        "open_doubts": found["state"].to_pylist().count(OPEN),
    }
    more = {"doubts": found.drop_columns(["choices"]), "forgotten": _forgotten(state)}
    months = _counted(derived.months, days)
    stamp = f"{__version__}|{VERSION}|{DERIVING}"
    store.swap(derived.tables | more, months, state, stamp, anew=anew)
    store.prune()
    said = [
        *decisions_told(len(fresh), len(undone)),
        *changed(before.get("first_passes"), days, derived.as_of, crew, len(fresh) + len(undone)),
        *clocks_told(**untold(derived)),
        *write_doubts(store, found, state["repairs"], gone),
    ]
    told = _read_files(derived.tables["refused"], state["accounts"], read)
    return _report(store, state, changed=True, read=told, said=tuple(said))


def _source(store: Store, entry: Entry) -> Source:
    """A file for deriving; its rows are read there, one file at a time.

    Raises
    ------
    CrewError
        If they are gone: without them the tables would lack the file.
    """
    from yieldkit.records.stacking import Source

    counts = entry.key and entry.status != "withdrawn"
    kept = store.waiting(entry.key) if counts else None
    if counts and kept is None:
        raise CrewError(
            "the typed rows kept of this file are gone",
            file=f"{entry.file} (store/parsed/{entry.key})",
            remedy="Put them back from a copy of the folder, or withdraw the file."
            if entry.frozen
            else "Run `yieldkit ingest`: it reads the file again.",
        )
    return Source(
        file=entry.file,
        sha256=entry.sha256,
        size=entry.size,
        taken_in=datetime.fromisoformat(entry.taken_in),
        status=entry.status,
        reason=entry.reason,
        parsed=kept[0] if kept else None,
        key=entry.key,
        waiting=kept[1] if kept else None,
    )


def _counted(months: Iterable[Month], days: dict[str, dict[str, int]]) -> Iterator[Month]:
    """The months, while the first-pass answers of their ``days`` are counted."""
    from yieldkit.records.restated import first_passes

    for month in months:
        yield month
        days |= first_passes(month.answers)


def _forgotten(state: dict[str, Any]) -> pa.Table:
    """Sums of what was forgotten, as a table."""
    import pyarrow as pa

    names = ("month", "connector_type", "splicer", "cleaver", "heater", "first_pass_termination")
    schema = pa.schema([*((name, pa.string()) for name in names), ("positions", pa.int64())])
    return pa.Table.from_pylist(state.get("forgotten", []), schema=schema)


def _key(entries: list[Entry]) -> list[tuple[str, ...]]:
    return sorted((e.file, e.sha256, e.status, e.reason, e.key) for e in entries)


def _crew(folder: Path) -> Crew:
    from yieldkit.records.settings import read_settings  # a run with nothing new needs none

    return read_settings(folder)


def _made_of(folder: Path) -> str:
    """Digest of everything but the files that the tables depend on."""
    paths = [folder / "crew.xlsx", folder / "crew.toml", *sorted((folder / LAYOUTS).glob("*.toml"))]
    parts = [f"{path.name} {digest(path.read_bytes())}" for path in paths if path.exists()]
    return digest("|".join([*parts, __version__, str(VERSION), str(DERIVING)]).encode())


def _of_now(state: dict[str, Any], made_of: str) -> dict[str, Any]:
    """The state for a run that derives from ``made_of`` but does not look at the inbox.

    Where that is not what the state was made of, the next run over the inbox must not take the
    tables for those of the settings and layouts that the state names.
    """
    return state | {"made_of": made_of if state.get("made_of") == made_of else ""}


def _read_all(
    folder: Path,
    store: Store,
    had: Mapping[tuple[str, str], Entry],
    found: Iterable[Entry],
    tell: Progress,
    *,
    again: bool,
) -> list[Entry]:
    """All files known or in the inbox, each read by the layout that fits.

    Files already typed by it are not read again, nor those that the same layouts and parser could
    not take in.
    """
    from yieldkit.records.layouts import load_layouts

    layouts = _Layouts.of(load_layouts(folder / LAYOUTS))
    kept = {pair: e for pair, e in had.items() if e.layout or e.status == "withdrawn"}
    for entry in found:
        before = had.get(entry.pair)
        if before is None:
            kept[entry.pair] = entry
        elif not again and before.looked == layouts.signature:
            kept[entry.pair] = before
        elif entry.pair not in kept:
            kept[entry.pair] = replace(entry, taken_in=before.taken_in)
    entries = sorted(kept.values(), key=lambda e: e.pair)
    read = []
    for number, entry in enumerate(entries, start=1):
        left = not entry.layout and entry.status in ("empty", "unreadable")
        if not (left or entry.frozen or entry.status == "withdrawn"):
            entry = _read(store, entry, layouts, tell, number, len(entries), again=again)
        read.append(entry)
    return read


def _read(
    store: Store,
    entry: Entry,
    known: _Layouts,
    tell: Progress,
    number: int,
    total: int,
    *,
    again: bool,
) -> Entry:
    from yieldkit.records.layouts import choose_layout
    from yieldkit.records.parsing import Apart, parse

    have = entry.key.split("-") if entry.key else []
    if (
        len(have) == 4
        and have[1] in known.stamps
        and have[3] == known.signature
        and store.has_parsed(entry.key)
        and not again
    ):
        return entry
    if entry.looked == known.signature and not again:
        return entry
    tell(f"reading {entry.file} ({number} of {total})")
    try:
        data = store.raw(entry.sha256)
    except CrewError as error:
        raise replace(error, file=f"{entry.file} ({error.file})") from None
    try:
        apart = Apart(data, entry.file)
        layout = choose_layout(data, entry.file, known.layouts, apart)
        key = known.key(entry, layout)
        if again:
            store.drop_parsed(key)
        rows = store.data_rows(key)
        if rows is None:
            parsed = parse(data, entry.file, layout, apart)
            store.keep_parsed(key, parsed)
            rows = parsed.data_rows
    except CrewError as error:
        entry = replace(entry, key="", looked=known.signature)
        return replace(entry, status=_status(error), reason=_reason(error))
    except (MemoryError, RecursionError):
        raise
    except Exception as error:  # a hostile file must not keep the rest of the inbox out
        reason = f"cannot be read ({type(error).__name__}); save or export it again"
        return replace(entry, key="", looked="", status="unreadable", reason=reason)
    empty = rows == 0
    return replace(
        entry,
        key=key,
        layout=layout.name,
        looked="",
        status="no rows" if empty else "taken in",
        reason="has headings but no rows" if empty else "",
    )


@dataclass(frozen=True)
class _Layouts:
    """The layouts to choose from, and what of them goes into the keys of typed files.

    Parameters
    ----------
    layouts : list
        As declared.
    digests : dict
        Digest of what each says, by its name.
    signature : str
        Which layouts there were, and which parser.
    """

    layouts: list[Any]
    digests: dict[str, str]
    signature: str

    @classmethod
    def of(cls, layouts: list[Any]) -> _Layouts:
        """Take the digest of each layout, once."""
        digests = {one.name: digest(one.model_dump_json().encode()) for one in layouts}
        every = "|".join(sorted(digests.values()))
        return cls(layouts, digests, digest(f"{every}|{VERSION}".encode())[:12])

    @property
    def stamps(self) -> set[str]:
        """Beginnings of the digests, as keys hold them."""
        return {found[:16] for found in self.digests.values()}

    def key(self, entry: Entry, layout: Any) -> str:
        """``<file>-<layout>-<name>-<layouts and parser>``: the name may tell the machine."""
        name = hashlib.sha256(entry.file.encode()).hexdigest()[:8]
        stamp = self.digests[layout.name][:16]
        return f"{entry.sha256[:32]}-{stamp}-{name}-{self.signature}"


def _status(error: CrewError) -> str:
    what = error.what.lower()
    if "fit this file equally" in what:
        return "two layouts"
    if "layout" in what:
        return "no layout"
    return "empty" if "empty" in what else "unreadable"


def _reason(error: CrewError) -> str:
    bare = replace(error, file=None)
    return str(bare)


def _with_decisions(store: Store, state: dict[str, Any]) -> dict[str, Any]:
    """The state with the decisions that now stand in the doubts list, and a line for each."""
    now = read_decisions(store, state)
    lines = _decided_lines(state["repairs"], now)
    return state | {"repairs": now, "history": [*state["history"], *lines]}


def _line(what: str, file: str, sha256: str) -> dict[str, Any]:
    now = datetime.now(UTC).replace(microsecond=0).isoformat()
    return {"when": now, "what": what, "file": file, "sha256": sha256}


def _decided_lines(
    before: list[dict[str, Any]], now: list[dict[str, Any]]
) -> Iterator[dict[str, Any]]:
    """A line for each decision filled into the doubts list, and for each taken back."""
    was, are = ({_said_of(one) for one in some} for some in (before, now))
    for what, some, others in (("undone", before, are), ("decided", now, was)):
        for repair in some:
            if _said_of(repair) not in others:
                words = f"{repair['kind']} {repair['key']}: {repair['meaning']}"
                yield _line(what, words, "")


def _said_of(repair: dict[str, Any]) -> tuple[str, str, str]:
    return repair["kind"], repair["key"], repair["meaning"]


def _lines(state: dict[str, Any], entries: list[Entry], again: bool) -> list[dict[str, Any]]:
    known = {(found["file"], found["sha256"]): found["status"] for found in state["files"]}
    lines = [_line("rebuilt", "", "")] if again else []
    for entry in entries:
        before = known.get((entry.file, entry.sha256))
        if before != entry.status:
            lines.append(_line(entry.status, entry.file, entry.sha256))
    return lines


_COUNTS = ("data_rows", "accepted", "duplicates", "held", "refused")
_ACCOUNT = ["file", "sha256", "status", "reason", *_COUNTS]
"""Columns of the table of files that a report tells, as the state keeps them."""


def _read_files(
    refused: pa.Table, accounts: list[dict[str, Any]], read: Iterable[Entry]
) -> tuple[dict[str, Any], ...]:
    """The accounting of the files read, with the reasons of refusals, the most frequent first."""
    reasons: dict[tuple[str, str], Counter[str]] = {}
    for row in refused.select(["file", "sha256", "reason"]).to_pylist():
        found = reasons.setdefault((row["file"], row["sha256"]), Counter())
        found[row["reason"] or "no reason"] += 1
    pairs = {entry.pair for entry in read if entry.status == "taken in"}
    return tuple(
        row | {"reasons": reasons.get((row["file"], row["sha256"]), Counter()).most_common()}
        for row in accounts
        if (row["file"], row["sha256"]) in pairs
    )


def _report(store: Store, state: dict[str, Any], **more: Any) -> IngestReport:
    """What a state has to tell, and ``more`` of the run."""
    files = state["accounts"]
    return IngestReport(
        generation=store.number(),
        unreadable=tuple(
            (row["file"], row["reason"])
            for row in files
            if row["status"] in ("empty", "no layout", "two layouts", "unreadable")
        ),
        files=tuple(files),
        doubts=state["open_doubts"],
        totals={name: sum(int(row[name] or 0) for row in files) for name in _COUNTS},
        **more,
    )
