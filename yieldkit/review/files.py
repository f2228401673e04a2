"""Files that appear whole or not at all."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path


@contextmanager
def replaced(path: Path) -> Iterator[Path]:
    """A place to write beside ``path``; takes its place at the end, or is removed after a failure.

    Whoever reads ``path`` meanwhile sees the old file whole.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(prefix=f".{path.stem}-", suffix=path.suffix, dir=path.parent)
    os.close(handle)
    beside = Path(name)
    try:
        yield beside
        with beside.open("rb+") as written:
            os.fsync(written.fileno())
        beside.chmod(0o644)
        os.replace(beside, path)
    except OSError as error:
        error.filename = str(path)  # a person knows the file by this name
        raise
    finally:
        with suppress(FileNotFoundError):
            beside.unlink()


def replace_text(path: Path, text: str) -> Path:
    """Write ``text`` in UTF-8 with line ends as they are."""
    with replaced(path) as beside:
        beside.write_text(text, encoding="utf-8", newline="")
    return path
