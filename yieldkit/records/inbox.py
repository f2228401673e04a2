"""The inbox: what lies there, its bytes kept, and what is known of each file."""

from __future__ import annotations

from collections.abc import Container, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from yieldkit.errors import CrewError
from yieldkit.records.disk import digest
from yieldkit.records.store import Store

INBOX = "inbox"
LARGEST_FILE = 300_000_000
"""Bytes of the largest file that is read [bytes]."""
IGNORED = (".", "~$")
"""Beginnings of names that no person means: hidden files, a spreadsheet program's lock files."""


@dataclass(frozen=True)
class Entry:
    """One file taken in, as the state keeps it."""

    file: str
    sha256: str
    size: int
    taken_in: str
    status: str
    reason: str = ""
    layout: str = ""
    """By which it was typed, also where none fits any more: such a file is kept."""
    key: str = ""
    frozen: bool = False
    """Its bytes were forgotten: its typed rows can no longer be read again."""
    looked: str = ""
    """Layouts and parser by which it could not be taken in: it need not be looked at again."""

    @property
    def pair(self) -> tuple[str, str]:
        """What makes it this file: its name and its bytes."""
        return self.file, self.sha256

    def as_dict(self) -> dict[str, Any]:
        """For the state file."""
        return dict(self.__dict__)


def entries_of(state: dict[str, Any]) -> list[Entry]:
    """The files of a state, by name."""
    return [Entry(**found) for found in state["files"]]


def look(folder: Path, store: Store, state: dict[str, Any]) -> tuple[list[Entry], list[str]]:
    """Entries of the files in the inbox, their bytes kept, and names of those still being copied.

    Raises
    ------
    CrewError
        If there is no inbox.
    """
    known = [entry for entry in entries_of(state) if entry.frozen]
    frozen, pairs = {entry.sha256: entry.file for entry in known}, {entry.pair for entry in known}
    now = datetime.now(UTC).replace(microsecond=0).isoformat()
    looked = [(path, _look_at(path, store, now, frozen)) for path in _inbox(folder)]
    waiting = [path.name for path, entry in looked if entry is None]
    found = [entry for _, entry in looked if entry is not None]
    return [
        entry
        if entry.sha256 not in frozen or entry.pair in pairs or store.has_raw(entry.sha256)
        else _copy_of(frozen[entry.sha256], entry)
        for entry in found
    ], waiting


def _copy_of(file: str, entry: Entry) -> Entry:
    """A file whose bytes were forgotten under another name: they must not come back."""
    reason = f"is a copy of {file}, of which old rows were forgotten; delete it from the inbox"
    return replace(entry, status="unreadable", reason=reason)


def all_known(store: Store, state: dict[str, Any], found: Sequence[Entry]) -> bool:
    """Whether layouts and a parser as before leave nothing to do for any file."""
    here = {entry.pair: entry for entry in found}
    known = entries_of(state)

    def settled(entry: Entry) -> bool:
        if entry.key or entry.status == "withdrawn":
            return entry.status == "withdrawn" or entry.frozen or store.has_parsed(entry.key)
        lies = here.get(entry.pair)
        told = lies is not None and (lies.status, lies.reason) == (entry.status, entry.reason)
        return told or (bool(lies or entry.layout) and bool(entry.looked))

    return here.keys() <= {entry.pair for entry in known} and all(map(settled, known))


def _inbox(folder: Path) -> list[Path]:
    inbox = folder / INBOX
    if not inbox.is_dir():
        raise CrewError(
            "there is no inbox here",
            file=str(inbox),
            remedy="Make the folder and put the crew's files into it.",
        )
    return sorted(
        (path for path in inbox.iterdir() if not path.name.startswith(IGNORED)),
        key=lambda path: path.name,
    )


def _look_at(path: Path, store: Store, now: str, frozen: Container[str]) -> Entry | None:
    """A file's entry, its bytes kept; None while it is still being written."""
    name = path.name.encode("utf-8", "replace").decode()

    def unreadable(reason: str) -> Entry:
        return Entry(name, digest(f"{name}|{reason}".encode()), 0, now, "unreadable", reason)

    if path.is_symlink() and not path.resolve().is_relative_to(path.parent.resolve()):
        return unreadable("leads out of the inbox; copy the file itself here")
    if path.is_dir():
        return unreadable("is a folder; put its files into the inbox itself")
    if not path.is_file():
        return unreadable("is no ordinary file; remove it from the inbox")
    try:
        before = path.stat()
        if before.st_size > LARGEST_FILE:
            return unreadable(
                f"is larger than {LARGEST_FILE // 1_000_000} MB; export it in smaller pieces"
            )
        data = path.read_bytes()
        after = path.stat()
    except FileNotFoundError:
        return None
    except OSError as error:
        return unreadable(f"cannot be read ({error.strerror}); allow reading it")
    if (before.st_size, before.st_mtime_ns) != (after.st_size, after.st_mtime_ns) or len(
        data
    ) != after.st_size:
        return None
    sha256 = digest(data)
    if not data:
        return Entry(name, sha256, 0, now, "empty", "the file is empty. Export it again.")
    if sha256 not in frozen:
        store.keep_raw(sha256, data)
    return Entry(name, sha256, len(data), now, "new")
