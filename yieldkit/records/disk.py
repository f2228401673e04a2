"""What is written to the disk: whole or not at all, and named so that a fault can be put there."""

from __future__ import annotations

import contextlib
import hashlib
import os
import tempfile
from pathlib import Path


def reached(point: str) -> None:
    """A point at which a run may be killed; the tests put a fault here."""


def digest(data: bytes) -> str:
    """SHA-256 of ``data``, hexadecimal."""
    return hashlib.sha256(data).hexdigest()


def flush(path: Path) -> None:
    """Have the disk keep a file or a folder's entries."""
    flags = os.O_RDONLY | getattr(os, "O_BINARY", 0)
    try:
        handle = os.open(path, flags)
    except PermissionError:  # a folder cannot be opened on Windows; renames are kept there anyway
        return
    try:
        os.fsync(handle)
    except OSError:
        if path.is_file():
            raise
    finally:
        os.close(handle)


def write_whole(path: Path, data: bytes, *, named: bool = True) -> None:
    """Write ``data`` to ``path`` so that it is there as a whole or not at all.

    Without ``named`` the disk need not keep its name yet: the folder is flushed later.
    """
    reached(f"before {path.name}")
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=".part-")
    try:
        with os.fdopen(handle, "wb") as part:
            part.write(data)
            part.flush()
            os.fsync(part.fileno())
        reached(f"written {path.name}")
        os.replace(name, path)
    except BaseException:
        with contextlib.suppress(OSError):
            os.unlink(name)
        raise
    reached(f"renamed {path.name}")
    if named:
        flush(path.parent)
